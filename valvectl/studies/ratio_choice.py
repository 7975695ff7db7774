"""Choice of a gear ratio from its checks: the window, what closes it, the recommendation, close calls, the split in stages."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.parts import motor
from valvectl.parts.lookup import FloatArray
from valvectl.plant.machine import Machine
from valvectl.studies.actuator_checks import ActuatorCheck, Demand, Numbers, evaluate
from valvectl.studies.actuator_demand import with_last_stage
from valvectl.studies.torque import standstill_current
from valvectl.studies.torque_moves import least_acceleration

NUDGE = 0.01
"""Change of each input for the close calls [-]."""
MOVED = 0.05
"""Share by which the recommended ratio must move to count as another recommendation [-]."""
TURNS = math.log(1.1)
"""A check whose reserve changes by less than this over the sweep (ln of a factor) takes no part in the choice."""
MAKER_RATIOS = (
    3.0,
    4.0,
    5.0,
    7.0,
    10.0,
    12.0,
    15.0,
    16.0,
    20.0,
    25.0,
    28.0,
    30.0,
    35.0,
    40.0,
    50.0,
    64.0,
    70.0,
    80.0,
    100.0,
)
"""Ratios in which planetary gearboxes are commonly sold (common practice, no source)."""
OWN_LOW, OWN_HIGH = 1.5, 5.0
"""Ratio that one spur stage of a team's own sensibly has (common practice, no source)."""


@dataclass(frozen=True)
class Choice:
    """Window and recommendation; fields as in ``RatioResult``."""

    window: tuple[float, float] | None
    closed_below: str
    closed_above: str
    recommended: float | None
    binding: str
    """Check with the smallest reserve at the recommended ratio."""
    inside: bool
    """Whether the design's ratio lies in the window."""
    reason: str
    """Keep or change, said first; then the window, what closes it, and the largest reserve."""


def _none_holds(ratios: FloatArray, checks: tuple[ActuatorCheck, ...]) -> str:
    """Why no ratio meets every check: those that fail at every ratio, and what the others would allow; or the least bad."""
    start = "Change something other than the ratio first. "
    start += f"No ratio from {ratios[0]:.3g} to {ratios[-1]:.3g} meets every check"
    never = [c for c in checks if not bool(np.any(c.ok))]
    others = tuple(c for c in checks if bool(np.any(c.ok)))
    if never and others:
        found = choose(ratios, float(ratios[0]), others)
        words = " and ".join(c.name for c in never)
        start += f": {words} fail{'s' if len(never) == 1 else ''} at every one of them, and no ratio mends that. "
        if found.window is None or found.recommended is None:
            return start + "The other checks do not hold together either."
        return start + (
            f"Without {'it' if len(never) == 1 else 'them'} {found.window[0]:.3g} to {found.window[1]:.3g} would hold (closed "
            f"below by {found.closed_below or 'the end of the sweep'}, above by {found.closed_above or 'the end of the sweep'}), "
            f"{found.recommended:.3g} with the largest reserve."
        )
    failing = np.sum([np.logical_not(c.ok) for c in checks], axis=0)
    smallest = np.min(np.stack([np.where(c.ok, np.inf, c.reserve) for c in checks]), axis=0)
    best = int(np.argmax(np.where(failing == failing.min(), smallest, -np.inf)))
    names = [c.name for c in checks if not c.ok[best]]
    return (
        f"{start}; fewest fail at {ratios[best]:.3g}: {', '.join(names)}, there a "
        f"factor {math.exp(-float(smallest[best])):.2f} from the limit at most. Ratio alone does not mend it."
    )


def choose(ratios: FloatArray, base: float, checks: tuple[ActuatorCheck, ...]) -> Choice:
    """Window and recommendation from checks over ``ratios``, shape (n,), rising."""
    holds = np.logical_and.reduce([c.ok for c in checks])
    # A check that the ratio hardly changes says nothing about which ratio: it is left out of the choice.
    turning = [c for c in checks if float(np.ptp(np.clip(c.reserve, -1e6, 1e6))) > TURNS] or list(checks)
    reserve = np.min(np.stack([c.reserve for c in turning]), axis=0)
    if not bool(np.any(holds)):
        return Choice(None, "", "", None, "", False, _none_holds(ratios, checks))
    best = int(np.argmax(np.where(holds, reserve, -np.inf)))
    low = high = best
    while low > 0 and holds[low - 1]:
        low -= 1
    while high < holds.size - 1 and holds[high + 1]:
        high += 1
    window = (float(ratios[low]), float(ratios[high]))
    below = next((c.name for c in checks if low > 0 and not c.ok[low - 1]), "")
    above = next((c.name for c in checks if high < holds.size - 1 and not c.ok[high + 1]), "")
    recommended = float(ratios[best])
    binding = min(turning, key=lambda c: float(c.reserve[best]))
    inside = window[0] <= base <= window[1]
    here = int(np.argmin(np.abs(np.log(ratios / base))))
    most = 100.0 * (math.exp(float(reserve[best])) - 1.0)
    if inside and reserve[best] - reserve[here] < 0.05:
        verdict = f"Keep the ratio of {base:.3g}: it meets every check, and the best, {recommended:.3g}, is as good within 5 %."
    elif inside or bool(holds[here]):
        now = 100.0 * (math.exp(float(reserve[here])) - 1.0)
        verdict = (
            f"Keep the ratio of {base:.3g} or change it to {recommended:.3g}: it meets every check, and the change would raise "
            f"the smallest reserve from {now:.0f} to {most:.0f} %."
        )
    else:
        failing = ", ".join(c.name for c in checks if not c.ok[here])
        verdict = f"Change the ratio from {base:.3g} to {recommended:.3g}: at {base:.3g} it fails {failing}."
    reason = (
        f"{verdict} Ratios from {window[0]:.3g} to {window[1]:.3g} meet every check"
        f" (closed below by {below or 'the end of the sweep'}, above by {above or 'the end of the sweep'}). "
        f"{recommended:.3g} keeps the largest reserve, {most:.0f} % on "
        f"{binding.name}. The design's {base:.3g} lies {'inside' if inside else 'outside'} the window."
    )
    return Choice(window, below, above, recommended, binding.name, inside, reason)


# ------------------------------------------------------------------------------------------------------ close calls


@dataclass(frozen=True)
class Case:
    """Everything that the checks of one leg read."""

    demand: Demand
    numbers: Numbers
    worst: Numbers
    machine: Machine
    worst_machine: Machine
    leg: LegName


_ACTUATOR = {
    "resistance": "motor resistance",
    "torque_constant": "torque constant",
    "rotor_inertia": "rotor inertia",
    "friction": "motor friction",
    "viscous": "viscous friction of the motor",
    "max_speed": "motor max_speed",
    "thermal_resistance": "thermal resistance",
    "coupling": "coupling compliance",
    "current_limit": "current limit",
    "duty": "duty limit",
    "harness": "harness resistance",
    "breakaway": "breakaway torque",
    "running": "running torque",
    "load_inertia": "valve inertia",
}
_STAGE = {
    "efficiency": "efficiency",
    "static_efficiency": "static efficiency",
    "inertia": "inertia",
    "compliance": "compliance",
    "lost_motion": "lost motion",
}
_DEMAND = {
    "stroke": "stroke",
    "speed_limit": "command speed limit",
    "flow_gain": "flow gain",
    "jump_torque": "breakaway less running torque",
    "count": "position sensor's count",
    "fixed_step": "hold band",
    "slot": "slot clearance",
    "other_current": "current of the other loads",
    "lockout": "undervoltage lockout",
    "torque_margin": "limit of the torque margin",
    "dynamic_margin": "limit of the dynamic margin",
    "stroke_time": "limit of the stroke time",
    "motor_speed": "limit of the motor speed",
    "flow_resolution": "limit of the flow step",
    "gear_torque": "limit of the gear torque",
    "bus_limit": "limit of the bus voltage",
    "heating": "limit of the motor heating",
}


def standing(machine: Machine, name: LegName, n: Numbers) -> tuple[float, float]:
    """Current [A] and bus voltage [V] of the standing motor for changed numbers (floats)."""
    hot = motor.winding_resistance(n.resistance, n.resistance_coefficient, n.hot_winding)
    changed = machine.with_servo(
        name, hot_resistance=hot, current_limit=n.current_limit, duty_limit=n.duty, harness=n.harness
    )
    return standstill_current(changed, name, machine.battery_minimum)


def settled(case: Case) -> Case:
    """The same with the standing currents worked out anew."""
    current, volts = standing(case.machine, case.leg, case.numbers)
    worst_current, worst_volts = standing(case.worst_machine, case.leg, case.worst)
    d = case.demand
    return dataclasses.replace(
        case,
        demand=dataclasses.replace(
            d,
            acceleration=least_acceleration(d.stroke, d.stroke_time, d.speed_limit),
            stroke_speed=min(d.speed_limit, 2.0 * d.stroke / d.stroke_time),
        ),
        numbers=dataclasses.replace(case.numbers, standing_current=current, bus_voltage=volts),
        worst=dataclasses.replace(case.worst, standing_current=worst_current, bus_voltage=worst_volts),
    )


def _of_stage(n: Numbers, index: int, changes: dict[str, Any]) -> Numbers:
    stages = list(n.stages)
    stages[index] = dataclasses.replace(stages[index], **changes)
    return dataclasses.replace(n, stages=tuple(stages))


def nudged(case: Case, factor: float) -> Iterator[tuple[str, Case]]:
    """One input after the other times a factor, with its name; inputs that are zero or without a limit are left out."""

    def useful(value: float) -> bool:
        return math.isfinite(value) and value != 0.0

    for key, name in _ACTUATOR.items():
        if useful(getattr(case.numbers, key)):
            both = (dataclasses.replace(n, **{key: getattr(n, key) * factor}) for n in (case.numbers, case.worst))
            numbers, worst = both
            yield name, dataclasses.replace(case, numbers=numbers, worst=worst)
    for j, stage in enumerate(case.numbers.stages):
        for key, name in _STAGE.items():
            if useful(getattr(stage, key)):
                numbers, worst = (
                    _of_stage(n, j, {key: getattr(n.stages[j], key) * factor}) for n in (case.numbers, case.worst)
                )
                yield f"{name} of gear stage {j + 1}", dataclasses.replace(case, numbers=numbers, worst=worst)
        for key, name in (("torque_limits", "torque limit"), ("speed_limits", "speed limit")):
            given = getattr(case.numbers, key)
            if useful(given[j]):
                changed = tuple(v * factor if i == j else v for i, v in enumerate(given))
                yield (
                    f"{name} of gear stage {j + 1}",
                    dataclasses.replace(case, numbers=dataclasses.replace(case.numbers, **{key: changed})),
                )
    for key, name in _DEMAND.items():
        if useful(getattr(case.demand, key)):
            demand = dataclasses.replace(case.demand, **{key: getattr(case.demand, key) * factor})
            yield name, dataclasses.replace(case, demand=demand)
    for key, name in (("battery_minimum", "battery voltage"), ("battery_resistance", "battery resistance")):
        if useful(getattr(case.machine, key)):
            nominal, worst_machine = (
                dataclasses.replace(m, **{key: getattr(m, key) * factor})  # type: ignore[arg-type]
                for m in (case.machine, case.worst_machine)
            )
            demand = dataclasses.replace(
                case.demand, battery=nominal.battery_minimum, battery_resistance=nominal.battery_resistance
            )
            yield name, dataclasses.replace(case, demand=demand, machine=nominal, worst_machine=worst_machine)


def choice_of(case: Case, factors: FloatArray, base: float) -> Choice:
    """Window and recommendation of a case at factors on its last stage's ratio, shape (n,)."""
    checks = evaluate(case.demand, with_last_stage(case.numbers, factors), with_last_stage(case.worst, factors))
    return choose(base * factors, base, checks)


def _flip(before: Choice, after: Choice) -> str:
    if (before.window is None) != (after.window is None):
        return "no ratio would meet every check" if after.window is None else "a window would open"
    if before.window is None or before.recommended is None or after.recommended is None:
        return ""
    if before.inside != after.inside:
        return f"the design's ratio would lie {'inside' if after.inside else 'outside'} the window"
    if abs(math.log(after.recommended / before.recommended)) > MOVED:
        return f"{after.recommended:.3g} would be recommended"
    return ""


def close_calls(case: Case, factors: FloatArray, base: float) -> tuple[tuple[str, ...], int]:
    """What one percent on any one input flips, in words, and how many inputs were tried."""
    before = choice_of(case, factors, base)
    found: list[str] = []
    tried = 0
    for sign in (+1.0, -1.0):
        for name, changed in nudged(case, 1.0 + sign * NUDGE):
            tried += 1
            flip = _flip(before, choice_of(settled(changed), factors, base))
            if flip:
                found.append(f"with {name} {100.0 * sign * NUDGE:+.0f} % {flip}")
    return tuple(found), tried // 2


# ------------------------------------------------------------------------------------------------------ the split


@dataclass(frozen=True)
class SplitRow:
    """One way to split the ratio over a maker's gearbox and a last stage of the team's own."""

    maker: float
    """Ratio of the gearbox [-]."""
    own: float
    """Ratio left for the own stage [-]."""
    own_low: float
    """Range of it that stays in the window and between ``OWN_LOW`` and ``OWN_HIGH`` [-]; NaN without a window."""
    own_high: float
    box_torque: float
    """Torque at the gearbox's output at the current limit [N m], efficiency of the design's first stages."""
    sensible: bool
    """Own stage between ``OWN_LOW`` and ``OWN_HIGH``."""


def split(
    design: DesignFile, total: float, window: tuple[float, float] | None, shaft: float, name: LegName
) -> tuple[SplitRow, ...]:
    """Splits of a total ratio over ``MAKER_RATIOS``. ``shaft``: motor torque at the current limit [N m]."""
    gears = design.leg(name).actuator.gears
    before = gears[:-1] or gears
    efficiency = math.prod(stage.efficiency for stage in before)
    rows = []
    for maker in MAKER_RATIOS:
        own = total / maker
        low = high = math.nan
        if window is not None:
            low, high = max(window[0] / maker, OWN_LOW), min(window[1] / maker, OWN_HIGH)
            if low > high:
                low = high = math.nan
        sensible = OWN_LOW <= own <= OWN_HIGH
        if sensible or not math.isnan(low):
            rows.append(SplitRow(maker, own, low, high, shaft * maker * efficiency, sensible))
    return tuple(rows)
