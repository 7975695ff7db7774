"""What would mend a missed requirement: the smallest change of one named input that meets the limit, found by trying it.

For each requirement a short list of inputs is tried, each in the direction that can help, up to a stated reach. The
design is changed, built and studied anew; gains marked ``tune`` are tuned anew unless the gain itself is the input. The
remedy with the least change is stated, and what it would cost: requirements that are met now and would then be missed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields

from valvectl.design.design_file import DesignFile, describe
from valvectl.design.quantities import show
from valvectl.design.schema import LEGS, LegName
from valvectl.errors import ValvectlError
from valvectl.review.requirements import BY_ID, REQUIREMENTS
from valvectl.review.verdict import Remedy, Row
from valvectl.studies.analysis import Analysis
from valvectl.studies.spread import COVERAGE

REACH = 4.0
"""Largest factor up or down that is tried."""
TRIES = (1.02, 1.05, 1.1, 1.2, 1.4, 1.7, 2.0, 2.8, REACH)
"""Factors tried in turn until one meets the limit."""
REFINED = 5
"""Bisections after that."""


@dataclass(frozen=True)
class Knob:
    """An input that may help: key with ``{leg}`` for the leg, and the direction in which it can."""

    key: str
    up: bool


_RATIO = "legs.{leg}.actuator.gears[-1].ratio"
_GAIN = "legs.{leg}.controller.gains.position"
_PORT = "legs.{leg}.valve.port_scale"
_COUNTS = "legs.{leg}.actuator.position_encoder.counts"
_SLOT = "legs.{leg}.valve.slot_clearance"
_LIMIT = "legs.{leg}.actuator.current_limit"
_SPEED = "legs.{leg}.controller.command_speed_limit"
_BAND = "legs.{leg}.controller.hold_band"
_STIFF = "legs.{leg}.actuator.gears[-1].stiffness"
_COUPLING = "legs.{leg}.actuator.coupling_stiffness"
_GAP = "legs.{leg}.actuator.gears[-1].lost_motion"
_DELAY = "legs.{leg}.controller.position_delay"
_FILTER = "legs.{leg}.controller.speed_filter"
KNOBS: dict[str, tuple[Knob, ...]] = {
    "mixture_ratio_steady": (Knob(_SLOT, False), Knob("legs.{leg}.actuator.position_encoder.accuracy", False)),
    "mixture_ratio_transient": (
        Knob(_SPEED, True), Knob(_SPEED, False), Knob(_GAIN, True), Knob(_SLOT, False), Knob(_GAP, False), Knob(_STIFF, True),
    ),
    "mixture_ratio_settling": (Knob(_GAIN, True), Knob(_SPEED, True), Knob(_BAND, False), Knob(_GAP, False)),
    "flow_resolution": (
        Knob(_COUNTS, True), Knob(_SLOT, False), Knob(_BAND, False), Knob(_STIFF, True), Knob(_COUPLING, True),
        Knob(_PORT, False), Knob(_RATIO, True), Knob(_GAP, False),
    ),
    "valve_travel": (Knob(_PORT, True), Knob(_PORT, False)),
    "cavitation": (Knob("legs.{leg}.tank.pressure", False), Knob(_PORT, True), Knob("throttle.minimum", True)),
    "injector_stiffness": (Knob("legs.{leg}.injector.hole_diameter", False), Knob("throttle.minimum", True)),
    "torque_margin": (Knob(_RATIO, True), Knob(_LIMIT, True), Knob("battery.minimum_voltage", True)),
    "stroke_time": (Knob(_RATIO, False), Knob(_RATIO, True), Knob(_SPEED, True), Knob(_LIMIT, True)),
    "gain_margin": (Knob(_GAIN, False), Knob(_DELAY, False), Knob(_FILTER, False), Knob(_STIFF, True)),
    "phase_margin": (Knob(_GAIN, False), Knob(_DELAY, False), Knob(_FILTER, False), Knob(_STIFF, True)),
    "peak_sensitivity": (Knob(_GAIN, False), Knob(_DELAY, False), Knob(_FILTER, False), Knob(_STIFF, True)),
    "step_overshoot": (Knob(_GAIN, False), Knob(_SPEED, False), Knob(_STIFF, True), Knob(_GAP, False)),
    "step_settling": (Knob(_GAIN, True), Knob(_GAIN, False), Knob(_SPEED, True), Knob(_STIFF, True), Knob(_GAP, False)),
    "tracking_mismatch": (Knob(_GAIN, True), Knob(_SPEED, True), Knob(_GAP, False), Knob(_RATIO, False)),
    "limit_cycle": (Knob(_BAND, True), Knob(_GAIN, False), Knob(_STIFF, True), Knob(_GAP, False), Knob(_COUPLING, True)),
    "bus_voltage": (
        Knob("battery.resistance", False), Knob("battery.minimum_voltage", True), Knob(_LIMIT, False),
    ),
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
    return tuple(out)


@dataclass(frozen=True)
class _Found:
    keys: tuple[str, ...]
    factor: float
    design: DesignFile


def _remedy(analysis: Analysis, row: Row, rows: Sequence[Row]) -> Remedy:
    design = analysis.design
    tried: list[str] = []
    found: list[_Found] = []
    for knob in KNOBS[row.id]:
        legs: tuple[LegName, ...] = (row.leg,) if row.leg is not None else LEGS
        groups = [tuple(_real(design, knob.key.format(leg=leg)) for leg in legs)]
        if "{leg}" not in knob.key:
            groups = [(_real(design, knob.key),)]
        for keys in groups:
            if any(not key for key in keys) or any(not _value(analysis, key) for key in keys):
                continue
            hit = _search(analysis, row, keys, knob.up)
            name = " and ".join(keys)
            if hit is None:
                tried.append(f"{name} {'up' if knob.up else 'down'} to {REACH:g} times: does not suffice")
            else:
                tried.append(f"{name} {'up' if knob.up else 'down'} by a factor {_factor_text(hit.factor)}: suffices")
                found.append(hit)
    if row.id == "mixture_ratio_steady":
        tolerance = _tolerance(analysis, row)
        if tolerance is not None:
            return tolerance
    if not found:
        inputs = ", ".join(sorted({t.split(" up to")[0].split(" down to")[0] for t in tried})) or "no input at hand"
        text = f"No single change of {inputs} within a factor of {REACH:g} meets the limit; it takes more than one."
        return Remedy(row.id, row.leg, "", "", "", None, text, tuple(tried))
    best = min(found, key=lambda hit: abs(math.log(hit.factor)))
    costs = _costs(best.design, rows)
    before = ", ".join(_shown(analysis, key) for key in best.keys)
    after = ", ".join(_shown(Analysis(best.design), key) for key in best.keys)
    named = " and ".join(best.keys)
    text = f"Change {named} from {before} to {after} (a factor {_factor_text(best.factor)}): this alone meets the limit."
    if costs:
        text += f" But then {', '.join(costs)} would be missed."
    return Remedy(row.id, row.leg, named, before, after, abs(best.factor - 1.0), text, tuple(tried))


def _factor_text(factor: float) -> str:
    return f"{factor:.3f}"


def _real(design: DesignFile, key: str) -> str:
    """The key with the last stage's number put in; empty when the design has no such value."""
    if "[-1]" in key:
        head, rest = key.split("[-1]")
        key = f"{head}[{len(design.get(head)) - 1}]{rest}"
    return key


def _value(analysis: Analysis, key: str) -> float:
    """Number at a key now; the tuned gain where the design says tune; zero when there is none."""
    if ".controller.gains." in key:
        leg = key.split(".")[1]
        return float(getattr(analysis.gains[leg], key.rsplit(".", 1)[1]))  # type: ignore[index]
    value = analysis.design.get(key)
    return float(value) if isinstance(value, (int, float)) else 0.0


def _shown(analysis: Analysis, key: str) -> str:
    value = _value(analysis, key)
    kind = getattr(describe(key), "kind", None)
    return show(value, kind) if kind is not None else f"{value:.6g}"


def _changed(analysis: Analysis, keys: tuple[str, ...], factor: float) -> DesignFile:
    changes: dict[str, float | int] = {}
    for key in keys:
        if ".controller.gains." in key:
            base = key.rsplit(".", 1)[0]
            leg = key.split(".")[1]
            gains = analysis.gains[leg]  # type: ignore[index]
            for f in fields(gains):
                changes.setdefault(f"{base}.{f.name}", float(getattr(gains, f.name)))
        value = _value(analysis, key) * factor
        changes[key] = round(value) if key.endswith(".counts") else value
    return analysis.design.with_values(changes)


def _search(analysis: Analysis, row: Row, keys: tuple[str, ...], up: bool) -> _Found | None:
    def attempt(factor: float) -> DesignFile | None:
        scale = factor if up else 1.0 / factor
        try:
            design = _changed(analysis, keys, scale)
            for candidate in BY_ID[row.id].rows(Analysis(design)):
                if candidate.leg == row.leg and candidate.verdict == "met":
                    return design
        except ValvectlError:
            return None
        return None

    low, good, design = 1.0, math.nan, None
    for factor in TRIES:
        design = attempt(factor)
        if design is not None:
            good = factor
            break
        low = factor
    if design is None:
        return None
    for _ in range(REFINED):
        middle = math.sqrt(low * good)
        closer = attempt(middle)
        if closer is not None:
            good, design = middle, closer
        else:
            low = middle
    return _Found(keys, good if up else 1.0 / good, design)


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
    limit = row.limit / 100.0
    spread, worst = analysis.spread, None
    for hold in analysis.throttle.holds:
        j = int(abs(spread.throttle - hold.throttle).argmin())
        first = max(spread.contributions, key=lambda c: float(c.ratio_change[j]), default=None)
        if first is None:
            return None
        square = float(spread.spread[j]) ** 2
        part = COVERAGE**2 / 3.0 * float(first.ratio_change[j]) ** 2
        allowed = limit - abs(hold.ratio_error)
        if allowed <= 0.0 or square - part >= allowed**2:
            return None
        share = math.sqrt((allowed**2 - (square - part)) / part)
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
