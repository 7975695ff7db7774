"""Which gear ratio: a sweep of the total ratio by its last stage, what each requirement allows, and a recommendation.

Every check is in closed form (``studies.actuator_checks``), so that a sweep of hundreds of ratios takes milliseconds. The same
sweep is run again with every input of the checks one percent up and down: what then flips is named as a close call.
Inertia optimum: for a move without load the acceleration of the stem is greatest at N = sqrt(J_load / J_motor)
(Pasch and Seering, ASME J. Mech. Transm. Autom. Des. 106 (1984), from memory); with these small balls it lies far below
any useful ratio, which the result shows beside the optimum under load.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.parts import bang_bang
from valvectl.parts.lookup import FloatArray
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.studies.actuator_checks import SPEED_RESERVE, ActuatorCheck, Numbers, evaluate, seen, shown
from valvectl.studies.actuator_demand import actuator_numbers, leg_demand, stem_torques, with_last_stage
from valvectl.studies.ratio_choice import Case, Choice, SplitRow, choose, close_calls, split
from valvectl.studies.ratio_odds import RatioOdds
from valvectl.studies.result import Result

__all__ = ["HIGHEST", "LOWEST", "POINTS", "SPEED_RESERVE", "ActuatorCheck", "RatioResult", "ratio"]

LOWEST, HIGHEST, POINTS = 0.2, 5.0, 401
"""Range of the sweep as multiples of the design's ratio, and its number of points; the middle one is the design's."""
COARSE = 4
"""Every so many-th point is taken for the close calls."""


@dataclass(frozen=True)
class RatioResult(Result):
    """Sweep of the gear ratio of one leg."""

    leg: LegName
    ratio: FloatArray
    """Total ratio, shape (n,)."""
    current: float
    """Ratio of the design."""
    checks: tuple[ActuatorCheck, ...]
    """Judged checks, values of shape (n,)."""
    move_time: FloatArray
    """Fastest move over the whole throttle range [s], shape (n,)."""
    window: tuple[float, float] | None
    """Lowest and highest ratio at which all checks hold together; None when there is none."""
    closed_below: str
    """Check that closes the window on the low side; empty when the sweep ends first."""
    closed_above: str
    """Check that closes it on the high side."""
    recommended: float | None
    """Ratio with the largest smallest reserve [-]; None when no ratio meets all."""
    reason: str
    """Why, in a sentence or two."""
    inertia_optimum: float
    """sqrt(J_load / J_motor): ratio of greatest unloaded acceleration [-]."""
    shown: tuple[ActuatorCheck, ...] = ()
    """Values that are not judged, shape (n,)."""
    loaded_optimum: float = math.nan
    """Ratio of greatest acceleration against the running torque, full current [-]."""
    shortest_optimum: float = math.nan
    """Ratio of the shortest stroke without a speed limit, full current, against the running torque [-]."""
    close: tuple[str, ...] = ()
    """What one percent on one input would flip, in words; empty: nothing."""
    inputs_tried: int = 0
    """Inputs moved by one percent up and down."""
    split: tuple[SplitRow, ...] = ()
    """The recommended ratio (the design's where there is none) over a maker's gearbox and a stage of the team's own."""
    odds: RatioOdds | None = None
    """Probability that all checks hold, over the declared tolerances; None when not asked for."""
    simulated: dict[float, float] = field(default_factory=dict)
    """Ratio -> simulated full stroke, the slower way, servo and both valves at once [s]; empty when not asked for."""

    def columns(self) -> dict[str, Any]:
        out: dict[str, Any] = {"ratio": self.ratio}
        for check in self.checks:
            out[f"{check.name} [{check.unit}]"] = check.values
        out["throttle move [s]"] = self.move_time
        for check in self.shown:
            if check.name != "throttle move":
                out[f"{check.name} [{check.unit}]"] = check.values
        if self.odds is not None:
            out["probability that all hold [-]"] = np.interp(
                np.log(self.ratio), np.log(self.odds.ratio), self.odds.probability
            )
        out["all hold"] = np.logical_and.reduce([c.ok for c in self.checks])
        return out


def ratio(
    design: DesignFile,
    machine: Machine,
    schedule: Schedule,
    name: LegName,
    corner: tuple[Machine, DesignFile] | None = None,
    static_wanted: float | None = None,
) -> RatioResult:
    """Sweep the total ratio of one leg by scaling its last gear stage.

    ``corner``: machine and design with the toleranced inputs at their adverse bounds for torque (``studies.adverse``), for
    the torque margins; by default the design as it is. ``static_wanted`` as in ``leg_demand``.
    """
    worst_machine, worst_design = (machine, design) if corner is None else corner
    servo = machine.legs[name].servo
    numbers = actuator_numbers(design.leg(name).actuator, servo, machine, name)
    worst = actuator_numbers(worst_design.leg(name).actuator, worst_machine.legs[name].servo, worst_machine, name)
    case = Case(
        leg_demand(design, machine, schedule, name, static_wanted), numbers, worst, machine, worst_machine, name
    )
    factors = np.geomspace(LOWEST, HIGHEST, POINTS)
    swept, worst_swept = with_last_stage(numbers, factors), with_last_stage(worst, factors)
    checks = evaluate(case.demand, swept, worst_swept)
    values = shown(case.demand, swept, worst_swept)
    choice = choose(servo.ratio * factors, servo.ratio, checks)
    close, tried = close_calls(case, factors[::COARSE], servo.ratio)
    best = choice.recommended if choice.recommended is not None else servo.ratio
    loaded, shortest = _optima(numbers, stem_torques(machine, name)[1])
    return RatioResult(
        leg=name,
        ratio=servo.ratio * factors,
        current=servo.ratio,
        checks=checks,
        move_time=next(c.values for c in values if c.name == "throttle move"),
        window=choice.window,
        closed_below=choice.closed_below,
        closed_above=choice.closed_above,
        recommended=choice.recommended,
        reason=" ".join([choice.reason, _stable(choice, close, tried)]),
        inertia_optimum=math.sqrt(servo.load_inertia / servo.motor_inertia),
        shown=values,
        loaded_optimum=loaded,
        shortest_optimum=shortest,
        close=close,
        inputs_tried=tried,
        split=split(design, best, choice.window, seen(numbers).constant * numbers.current_limit, name),
    )


def _stable(choice: Choice, close: tuple[str, ...], tried: int) -> str:
    if close:
        more = f" and {len(close) - 2} more" if len(close) > 2 else ""
        return f"A close call: {'; '.join(close[:2])}{more}."
    what = "this recommendation" if choice.recommended is not None else "this"
    return f"One percent on any of {tried} inputs tried (temperatures are not among them) does not change {what}."


def _optima(n: Numbers, load: float) -> tuple[float, float]:
    s = seen(n)
    torque = s.hot_constant * min(n.current_limit, s.voltage / s.resistance) - n.friction
    if torque <= 0.0:
        return math.nan, math.nan
    at = (torque, s.motor_inertia, load, n.load_inertia, s.train.efficiency)
    return bang_bang.ratio_of_greatest_acceleration(*at), bang_bang.ratio_of_shortest_move(*at)
