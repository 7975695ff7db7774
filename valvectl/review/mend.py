"""What would mend a missed requirement: the smallest change of one named input that meets the limit, found by trying it.

For each requirement a short list of inputs is tried, each in the direction that can help, up to a stated reach. The
design is changed, built and studied anew; gains marked ``tune`` are tuned anew unless the gain itself is the input. The
remedy with the least change is stated, and what it would cost: requirements that are met now and would then be missed. Where no
input suffices alone, those that belong together (``mend_pairs``) are moved together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial

from valvectl.design.design_file import DesignFile
from valvectl.design.keys import find, split
from valvectl.design.quantities import show
from valvectl.design.schema import LEGS
from valvectl.errors import ValvectlError
from valvectl.review.mend_pairs import LOWEST, PAIRS, followers
from valvectl.review.requirements import BY_ID, REQUIREMENTS
from valvectl.review.verdict import Remedy, Row
from valvectl.servo.outer_gains import placed_bandwidth
from valvectl.studies.analysis import Analysis
from valvectl.studies.spread import expanded

REACH = 4.0
"""Largest factor up or down that is tried."""
TRIES = (1.02, 1.05, 1.1, 1.15, 1.2, 1.3, 1.5, 2.0, 2.8, REACH)
"""Factors tried in turn until one meets the limit."""
FEW_TRIES = (1.1, 1.4, 2.0, REACH)
"""The same for requirements that take a simulation each time."""
REFINED = 5
"""Bisections after that."""
CONFIRMED = (1.01, 1.02, 1.04)
"""A remedy must hold this much further too."""
SIMULATED = frozenset(
    (
        "mixture_ratio_transient",
        "mixture_ratio_settling",
        "mixture_ratio_disturbed",
        "stroke_time",
        "step_overshoot",
        "step_settling",
        "tracking_mismatch",
        "limit_cycle",
        "bus_voltage",
        "motor_heating",
    )
)
"""Requirements whose value comes from a simulation."""


@dataclass(frozen=True)
class Knob:
    """An input that may help: key with ``{leg}`` for the leg, and the direction in which it can."""

    key: str
    up: bool


@dataclass(frozen=True)
class Switch:
    """A word that may help: key with ``{leg}`` and the word to put there; tried when no number suffices."""

    key: str
    word: str


_RATIO = "legs.{leg}.actuator.gears[-1].ratio"
_GAIN = "legs.{leg}.controller.gains.position"
_PORT = "legs.{leg}.valve.port_scale"
_COUNTS = "legs.{leg}.actuator.position_encoder.counts"
_SLOT = "legs.{leg}.valve.slot_clearance"
_LIMIT = "legs.{leg}.actuator.current_limit"
_SPEED = "legs.{leg}.controller.command_speed_limit"
_BAND = "legs.{leg}.controller.hold_band"
_COMMAND = "legs.{leg}.controller.command_step"
_STIFF = "legs.{leg}.actuator.gears[-1].stiffness"
_COUPLING = "legs.{leg}.actuator.coupling_stiffness"
_GAP = "legs.{leg}.actuator.gears[-1].lost_motion"
_DELAY = "legs.{leg}.controller.position_delay"
_FILTER = "legs.{leg}.controller.speed_filter"
_JITTER = "legs.{leg}.controller.position_jitter"
_FAST_JITTER = "legs.{leg}.controller.current_jitter"
SWITCHES: dict[str, tuple[Switch, ...]] = {
    "flow_resolution": (Switch("legs.{leg}.actuator.position_encoder.location", "stem"),),
    "flow_dead_band": (Switch("legs.{leg}.actuator.position_encoder.location", "stem"),),
    "limit_cycle": (Switch("legs.{leg}.actuator.position_encoder.location", "motor"),),
}
"""Words to try where no number within reach suffices."""
KNOBS: dict[str, tuple[Knob, ...]] = {
    "mixture_ratio_steady": (Knob(_SLOT, False), Knob("legs.{leg}.actuator.position_encoder.accuracy", False)),
    "mixture_ratio_transient": (
        Knob(_SPEED, True),
        Knob(_SPEED, False),
        Knob(_GAIN, True),
        Knob(_SLOT, False),
        Knob(_GAP, False),
        Knob(_STIFF, True),
    ),
    "mixture_ratio_settling": (Knob(_GAIN, True), Knob(_SPEED, True), Knob(_BAND, False), Knob(_GAP, False)),
    "mixture_ratio_disturbed": (
        Knob("legs.{leg}.tank.lock_up", False),
        Knob("legs.{leg}.tank.response_time", False),
        Knob("legs.{leg}.tank.ullage.share", True),
        Knob("legs.{leg}.tank.ullage.collapse.share", False),
        Knob("legs.{leg}.tank.gas_valve.kv", True),
        Knob("legs.{leg}.tank.gas_valve.dead_band", False),
        Knob("legs.{leg}.tank.warming", False),
    ),
    "flow_resolution": (
        Knob(_COUNTS, True),
        Knob(_COMMAND, False),
        Knob(_SLOT, False),
        Knob(_BAND, False),
        Knob(_STIFF, True),
        Knob(_COUPLING, True),
        Knob(_PORT, False),
        Knob(_RATIO, True),
        Knob(_GAP, False),
    ),
    "flow_dead_band": (
        Knob(_COUNTS, True),
        Knob(_COMMAND, False),
        Knob(_SLOT, False),
        Knob(_BAND, False),
        Knob(_STIFF, True),
        Knob(_COUPLING, True),
        Knob(_PORT, False),
        Knob(_RATIO, True),
        Knob(_GAP, False),
    ),
    "valve_travel": (Knob(_PORT, True), Knob(_PORT, False)),
    "cavitation": (Knob("legs.{leg}.tank.pressure", False), Knob(_PORT, True)),
    "injector_stiffness": (Knob("legs.{leg}.injector.hole_diameter", False),),
    "boiling_margin": (
        Knob("legs.{leg}.jacket.heat", False),
        Knob("legs.{leg}.jacket.temperature_rise", False),
        Knob("legs.{leg}.injector.hole_diameter", False),
    ),
    "chug_margin": (
        Knob("legs.{leg}.manifold.gas_volume", False),
        Knob("legs.{leg}.injector.hole_diameter", False),
        Knob("legs.{leg}.tank.pressure", True),
    ),
    "torque_margin": (Knob(_RATIO, True), Knob(_LIMIT, True), Knob("battery.minimum_voltage", True)),
    "torque_dynamic": (Knob(_LIMIT, True), Knob(_RATIO, False), Knob(_RATIO, True), Knob(_GAIN, False)),
    "stroke_time": (Knob(_RATIO, False), Knob(_RATIO, True), Knob(_SPEED, True), Knob(_LIMIT, True)),
    "gain_margin": (
        Knob(_GAIN, False),
        Knob(_DELAY, False),
        Knob(_FILTER, False),
        Knob(_JITTER, False),
        Knob(_FAST_JITTER, False),
        Knob(_STIFF, True),
    ),
    "phase_margin": (
        Knob(_GAIN, False),
        Knob(_DELAY, False),
        Knob(_FILTER, False),
        Knob(_JITTER, False),
        Knob(_FAST_JITTER, False),
        Knob(_STIFF, True),
    ),
    "peak_sensitivity": (
        Knob(_GAIN, False),
        Knob(_DELAY, False),
        Knob(_FILTER, False),
        Knob(_JITTER, False),
        Knob(_FAST_JITTER, False),
        Knob(_STIFF, True),
    ),
    "step_overshoot": (Knob(_GAIN, False), Knob(_SPEED, False), Knob(_STIFF, True), Knob(_GAP, False)),
    "step_settling": (Knob(_GAIN, True), Knob(_GAIN, False), Knob(_SPEED, True), Knob(_STIFF, True), Knob(_GAP, False)),
    "tracking_mismatch": (Knob(_GAIN, True), Knob(_SPEED, True), Knob(_GAP, False), Knob(_RATIO, False)),
    "limit_cycle": (
        Knob(_BAND, True),
        Knob(_GAIN, False),
        Knob(_STIFF, True),
        Knob(_GAP, False),
        Knob(_COUPLING, True),
    ),
    "bus_voltage": (
        Knob("battery.resistance", False),
        Knob("battery.minimum_voltage", True),
        Knob(_LIMIT, False),
    ),
    "motor_speed": (Knob(_RATIO, False), Knob(_SPEED, False)),
    "gear_torque": (Knob(_LIMIT, False), Knob(_RATIO, False)),
    "motor_heating": (Knob("legs.{leg}.actuator.motor.thermal_resistance", False), Knob(_RATIO, True)),
}
"""Inputs to try for each requirement. A requirement of the whole engine tries each leg's."""


def remedies(analysis: Analysis, rows: Sequence[Row], tell: Callable[[str], None]) -> tuple[Remedy, ...]:
    """One remedy for each missed row. ``tell`` hears what is being worked on."""
    missed = [row for row in rows if row.verdict == "missed"]
    out = []
    for row in missed:
        tell(f"what would mend {row.id}" + (f" ({row.leg})" if row.leg else ""))
        out.append(_remedy(analysis, row, rows))
    return tuple(_with_furthest(remedy, out) for remedy in out)


def _with_furthest(remedy: Remedy, remedies: Sequence[Remedy]) -> Remedy:
    """The remedy with a word on the others that change the same input, so that one change serves them all."""
    same = [r for r in remedies if r.key == remedy.key and r.relative_change is not None]
    if not remedy.key or len(same) < 2 or remedy.relative_change is None:
        return remedy
    furthest = max(same, key=lambda r: r.relative_change or 0.0)
    if furthest is remedy:
        text = f" Of the {len(same)} changes of this input named here it is the furthest."
    else:
        text = f" For {furthest.row_id} the same input has to go further, to {furthest.after}."
    return replace(remedy, text=remedy.text + text)


@dataclass(frozen=True)
class _Found:
    moves: tuple[tuple[str, bool], ...]
    """Keys, and whether each goes up."""
    factor: float
    """Above one."""
    design: DesignFile

    @property
    def key(self) -> str:
        """The first key."""
        return self.moves[0][0]

    @property
    def times(self) -> float:
        """Factor on the first key."""
        return self.factor if self.moves[0][1] else 1.0 / self.factor


def _remedy(analysis: Analysis, row: Row, rows: Sequence[Row]) -> Remedy:
    design = analysis.design
    tried: list[str] = []
    found: list[_Found] = []
    for knob in KNOBS[row.id]:
        for leg in (row.leg,) if row.leg is not None else LEGS:
            key = _real(design, _of_structure(analysis, knob.key.format(leg=leg)))
            if not _value(analysis, key):
                continue
            hit = _search(analysis, row, ((key, knob.up),))
            if hit is None:
                reach = f"{REACH:g} times" if knob.up else f"1/{REACH:g}"
                tried.append(f"{key} {'up' if knob.up else 'down'} to {reach}: does not suffice")
            else:
                tried.append(f"{key} {'up' if knob.up else 'down'} by a factor {hit.times:.3f}: suffices")
                found.append(hit)
            if "{leg}" not in knob.key:
                break
    if row.id == "mixture_ratio_steady":
        tolerance = _tolerance(analysis, row)
        if tolerance is not None:
            return tolerance
    if not found:
        switched = _switch(analysis, row, rows, tried)
        if switched is not None:
            return switched
        inputs = ", ".join(dict.fromkeys(t.split(" ", 1)[0] for t in tried)) or "no input at hand"
        paired = _together(analysis, row, rows, tried)
        if paired is not None:
            return paired
        pairs = ", nor what was tried together," if PAIRS.get(row.id) else ""
        text = (
            f"No single change tried within a factor of {REACH:g} of {inputs}{pairs} meets the limit: look for more changes "
            "together."
        )
        return Remedy(row.id, row.leg, "", "", "", None, text, tuple(tried))
    best = min(found, key=lambda hit: abs(math.log(hit.factor)))
    before, after = _shown(analysis, best.key), _shown(Analysis(best.design), best.key)
    text = f"Change {best.key} from {before} to {after} (a factor {best.times:.3f}): this alone meets the limit."
    text += _costs_text(best.design, rows)
    return Remedy(row.id, row.leg, best.key, before, after, abs(best.times - 1.0), text, tuple(tried))


def _together(analysis: Analysis, row: Row, rows: Sequence[Row], tried: list[str]) -> Remedy | None:
    """Inputs that meet the limit together, by the least factor; None when none does."""
    found: list[_Found] = []
    for pair in PAIRS.get(row.id, ()):
        for leg in (row.leg,) if row.leg is not None else LEGS:
            moves = tuple(
                (_real(analysis.design, _of_structure(analysis, key.format(leg=leg))), up) for key, up in pair.keys
            )
            if not all(key and _value(analysis, key) for key, _ in moves):
                continue
            hit = _search(analysis, row, moves)
            names = " and ".join(f"{key} {'up' if up else 'down'}" for key, up in moves)
            if moves[0][0] == LOWEST:
                names += " with the profile's corners below it"
            if hit is None:
                tried.append(f"{names}, together: does not suffice")
            else:
                tried.append(f"{names}, together by a factor {hit.factor:.3f}: suffices")
                found.append(hit)
            if not any("{leg}" in key for key, _ in pair.keys):
                break
    if not found:
        return None
    best = min(found, key=lambda hit: hit.factor)
    after = Analysis(best.design)
    told = _changes(analysis, best.moves, best.factor)
    keys = [*(key for key, _ in best.moves), *(key for key in told if key.startswith("throttle.profile"))]
    changes = tuple((key, _shown(analysis, key), _shown(after, key)) for key in keys)
    first = [f"{key} from {old} to {new}" for key, old, new in changes[: len(best.moves)]]
    led = [key for key in keys if key.startswith("throttle.profile")]
    text = f"No single change tried meets the limit, but together: change {' and '.join(first)}"
    if led:
        corners = "the corner" if len(led) == 1 else f"the {len(led)} corners"
        text += f", and lift {corners} of throttle.profile below it to it, so that the engine throttles less deep"
    text += f" (a factor {best.factor:.3f})." + _costs_text(best.design, rows)
    return Remedy(row.id, row.leg, "", "", "", None, text, tuple(tried), changes)


def _switch(analysis: Analysis, row: Row, rows: Sequence[Row], tried: list[str]) -> Remedy | None:
    for switch in SWITCHES.get(row.id, ()):
        for leg in (row.leg,) if row.leg is not None else LEGS:
            key = switch.key.format(leg=leg)
            before = str(analysis.design.get(key))
            if before == switch.word:
                continue
            design, met = _try(partial(analysis.design.with_values, {key: switch.word}), row)
            if design is None or not met:
                tried.append(f"{key} to {switch.word}: does not suffice")
                continue
            tried.append(f"{key} to {switch.word}: suffices")
            text = f"Change {key} from {before} to {switch.word}: this alone meets the limit."
            text += _costs_text(design, rows)
            return Remedy(row.id, row.leg, key, before, switch.word, None, text, tuple(tried))
    return None


def _costs_text(design: DesignFile, rows: Sequence[Row]) -> str:
    costs = _costs(design, rows)
    return (
        f" But then {', '.join(costs)} would be missed." if costs else " No requirement that is met now is lost by it."
    )


def _real(design: DesignFile, key: str) -> str:
    """The key with the last stage's number put in; empty when the design has no such value."""
    if "[-1]" in key:
        head, rest = key.split("[-1]")
        key = f"{head}[{len(design.get(head)) - 1}]{rest}"
    return key


def _of_structure(analysis: Analysis, key: str) -> str:
    """The key that stands for the position gain in a leg's structure: PID and state feedback have a bandwidth instead."""
    leg = key.split(".")[1] if key.endswith(".controller.gains.position") else ""
    if leg and analysis.gains[leg].outer is not None:  # type: ignore[index]
        return f"legs.{leg}.controller.bandwidth"
    return key


def _value(analysis: Analysis, key: str) -> float:
    """Number at a key now; the tuned gain where the design says tune; zero when there is none."""
    if key.endswith(".controller.bandwidth"):
        return placed_bandwidth(analysis.gains[key.split(".")[1]])  # type: ignore[index]
    if ".controller.gains." in key:
        leg = key.split(".")[1]
        return float(getattr(analysis.gains[leg], key.rsplit(".", 1)[1]))  # type: ignore[index]
    value = analysis.design.get(key)
    return float(value) if isinstance(value, (int, float)) else 0.0


def _shown(analysis: Analysis, key: str) -> str:
    value = _value(analysis, key)
    path = split(key)
    spec = find(path) if path else None
    return show(value, spec.kind) if spec is not None and spec.kind is not None else f"{value:.6g}"


def _changes(analysis: Analysis, moves: Sequence[tuple[str, bool]], factor: float) -> dict[str, float | int]:
    """New values of all keys and of what has to follow them."""
    changes: dict[str, float | int] = {}
    for key, up in moves:
        if ".controller.gains." in key:  # where the design says tune, the other gains stay as tuned
            base = key.rsplit(".", 1)[0]
            gains = analysis.gains[key.split(".")[1]]  # type: ignore[index]
            numbers = {f.name: getattr(gains, f.name) for f in fields(gains)}
            changes |= {f"{base}.{name}": float(value) for name, value in numbers.items() if isinstance(value, float)}
        value = _value(analysis, key) * (factor if up else 1.0 / factor)
        changes[key] = round(value) if key.endswith(".counts") else value
    return changes | followers(analysis.design, changes)


def _try(make: Callable[[], DesignFile], row: Row) -> tuple[DesignFile | None, bool]:
    """The changed design (None when it can not be worked out) and whether it meets the row's limit."""
    try:
        design = make()
        found = BY_ID[row.id].rows(Analysis(design), row.leg)
    except ValvectlError:
        return None, False
    return design, all(candidate.verdict == "met" for candidate in found)


def _search(analysis: Analysis, row: Row, moves: tuple[tuple[str, bool], ...]) -> _Found | None:
    def attempt(factor: float) -> tuple[DesignFile | None, bool]:
        return _try(lambda: analysis.design.with_values(_changes(analysis, moves, factor)), row)

    low, good, design = 1.0, math.nan, None
    for factor in FEW_TRIES if row.id in SIMULATED or len(moves) > 1 or moves[0][0] == LOWEST else TRIES:
        changed, met = attempt(factor)
        if met:
            good, design = factor, changed
            break
        low = factor
    if design is None:
        return None
    for _ in range(REFINED):
        middle = math.sqrt(low * good)
        closer, met = attempt(middle)
        if met:
            good, design = middle, closer
        else:
            low = middle
    # A little more of the same must still meet the limit, or it is met by chance (a value that jumps about).
    for further in CONFIRMED:
        changed, met = attempt(good * further)
        if changed is not None and not met:
            return None
    assert design is not None
    return _Found(moves, good, design)


def _costs(design: DesignFile, rows: Sequence[Row]) -> list[str]:
    """Requirements met now that the changed design would miss."""
    met = {(row.id, row.leg) for row in rows if row.verdict == "met"}
    changed = Analysis(design)
    out = []
    for requirement in REQUIREMENTS:
        try:
            after = requirement.rows(changed)
        except ValvectlError:
            out.append(f"{requirement.id} (can not be worked out)")
            continue
        for row in after:
            if row.verdict != "met" and (row.id, row.leg) in met:
                out.append(row.id + (f" ({row.leg})" if row.leg else ""))
    return out


def _tolerance(analysis: Analysis, row: Row) -> Remedy | None:
    """The largest contributor's tolerance, tightened just enough; None when even none of it would suffice."""
    from scipy.optimize import brentq

    limit = row.limit / 100.0
    spread, worst = analysis.spread, None
    for hold in analysis.throttle.holds:
        j = int(abs(spread.throttle - hold.throttle).argmin())
        first = max(spread.contributions, key=lambda c: float(c.ratio_change[j]), default=None)
        if first is None:
            return None
        allowed = limit - abs(hold.ratio_error)

        def beyond(share: float, key: str = first.key, j: int = j, allowed: float = allowed) -> float:
            return float(expanded(spread.contributions, key, share)[j]) - allowed

        if allowed <= 0.0 or beyond(0.0) >= 0.0:
            return None
        share = 1.0 if beyond(1.0) <= 0.0 else float(brentq(beyond, 0.0, 1.0))
        if worst is None or share < worst[0]:
            worst = (share, first.key)
    if worst is None or worst[0] >= 1.0:
        return None
    share, key = worst
    item = analysis.design.inputs.get(key)
    before = item.tolerance_text if item is not None and item.tolerance_text else "its bound"
    after = f"{100.0 * share:.0f} % of that"
    text = f"Tighten the tolerance of {key} from {before} to {after}: this alone meets the limit."
    return Remedy(row.id, row.leg, f"{key} (tolerance)", before, after, 1.0 - share, text, ())
