"""Which gear ratio: a sweep of the total ratio by its last stage, what each requirement allows, and a recommendation.

Each check is in closed form (the moves are one inertia with current, voltage and speed limits, ``plant.motion``), so
that a sweep of hundreds of ratios takes well under a second; the chosen ratio is then simulated by ``check``.
Inertia optimum: for a move without load the acceleration of the stem is greatest at N = sqrt(J_load / J_motor)
(Pasch and Seering, ASME J. Mech. Transm. Autom. Des. 106 (1984), from memory); with these small balls it lies far below
any useful ratio, which the result shows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.parts.lookup import FloatArray
from valvectl.plant.linear import engine_model
from valvectl.plant.machine import Machine
from valvectl.plant.motion import Mover
from valvectl.plant.schedule import Schedule
from valvectl.plant.servo_numbers import Servo, servo_numbers
from valvectl.studies.resolution import step_causes
from valvectl.studies.result import Result
from valvectl.studies.torque_demand import available_torque, greatest_need, largest_pressure_drop, standstill_current

LOWEST, HIGHEST, POINTS = 0.2, 5.0, 401
"""Range of the sweep as multiples of the design's ratio, and its number of points; the middle one is the design's."""
SPEED_RESERVE = 1.1
"""Stem speed that the voltage must reach under running load, over the commanded speed limit (common practice)."""


@dataclass(frozen=True)
class RatioCheck:
    """One requirement over the sweep."""

    name: str
    values: FloatArray
    """In ``unit``, shape (n,)."""
    limit: float
    at_least: bool
    """True: values must not be below the limit; false: not above."""
    unit: str

    @property
    def ok(self) -> FloatArray:
        """True where the requirement holds, shape (n,)."""
        return np.asarray(self.values >= self.limit if self.at_least else self.values <= self.limit)

    @property
    def reserve(self) -> FloatArray:
        """Distance to the limit as ln of a factor, positive where it holds, shape (n,)."""
        tiny = 1e-12
        logarithm = np.log(np.maximum(self.values, tiny) / max(self.limit, tiny))
        return np.asarray(logarithm if self.at_least else -logarithm)


@dataclass(frozen=True)
class RatioResult(Result):
    """Sweep of the gear ratio of one leg."""

    leg: LegName
    ratio: FloatArray
    """Total ratio, shape (n,)."""
    current: float
    """Ratio of the design."""
    checks: tuple[RatioCheck, ...]
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

    def columns(self) -> dict[str, Any]:
        out: dict[str, Any] = {"ratio": self.ratio}
        for check in self.checks:
            out[f"{check.name} [{check.unit}]"] = check.values
        out["throttle move [s]"] = self.move_time
        out["all hold"] = np.logical_and.reduce([c.ok for c in self.checks])
        return out


def mover(machine: Machine, name: LegName, servo: Servo, drop: float, battery: float) -> Mover:
    """The closed-form mover of a servo against its largest running torque, cold, winding hot, at a battery voltage."""
    load = greatest_need(machine.legs[name], drop, breakaway=False)
    n, efficiency = servo.ratio, servo.train.efficiency
    _, volts = standstill_current(machine, name, battery)
    return Mover(
        torque_per_ampere=n * efficiency * servo.hot_torque_constant,
        back_emf=n * servo.torque_constant,
        resistance=servo.hot_resistance,
        current_limit=servo.current_limit,
        voltage=servo.duty_limit * volts,
        load=load + n * efficiency * servo.motor_friction,
        inertia=n * n * servo.motor_inertia * efficiency + servo.load_inertia,
        speed_limit=servo.speed_limit,
    )


def ratio(
    design: DesignFile,
    machine: Machine,
    schedule: Schedule,
    name: LegName,
    corner: Machine | None = None,
    wanted_margin: float | None = None,
) -> RatioResult:
    """Sweep the total ratio of one leg by scaling its last gear stage.

    ``corner`` is the machine at its adverse bounds for torque (``studies.adverse``); by default ``machine`` itself.
    ``wanted_margin`` is the plain static margin at the stem that a named rule asks for at the design's ratio [-], by
    default ``requirements.torque_margin``; how a rule that counts inertia changes with the ratio is not followed.
    """
    leg, machine_leg = design.leg(name), machine.legs[name]
    worst = machine if corner is None else corner
    worst_leg = worst.legs[name]
    limits = design.requirements
    wanted = limits.torque_margin if wanted_margin is None else wanted_margin
    drop = largest_pressure_drop(worst, name)
    breakaway = greatest_need(worst_leg, drop, breakaway=True, dwell=worst_leg.dwell_factor)
    current, _ = standstill_current(worst, name, worst.battery_minimum)
    stroke = machine_leg.open_stop - machine_leg.closed_stop
    angles = schedule.angle[name]
    span = float(np.ptp(angles))
    models = [engine_model(machine, p) for p in schedule.points]
    gains = np.array([m.slopes[name].angle_gain for m in models])
    factors = np.geomspace(LOWEST, HIGHEST, POINTS)
    base = machine_leg.servo.ratio
    margin, times, moves, flow, speed, motor_speed, tooth = (np.empty(POINTS) for _ in range(7))
    stages = leg.actuator.gears
    worst_jump = max(step_causes(machine, name, p)["jump after sticking"] for p in schedule.points)
    for j, factor in enumerate(factors):
        last = stages[-1].model_copy(update={"ratio": stages[-1].ratio * factor})
        actuator = leg.actuator.model_copy(update={"gears": (*stages[:-1], last)})
        servo = servo_numbers(leg.model_copy(update={"actuator": actuator}))
        changed = machine.with_leg(name, servo=servo)
        available = available_torque(worst, name, current, servo.ratio)
        margin[j] = available / breakaway - 1.0 if breakaway > 0.0 else math.inf
        move = mover(changed, name, servo, largest_pressure_drop(machine, name), machine.battery_minimum)
        times[j] = move.move_time(stroke)
        moves[j] = move.move_time(span)
        free = Mover(**{**vars(move), "speed_limit": math.inf})
        speed[j] = max(free.final_speed, 0.0) / servo.speed_limit
        motor_speed[j] = servo.speed_limit * servo.ratio / leg.actuator.motor.max_speed
        unseen = 2.0 * servo.half_slot + (2.0 * servo.half_gap if servo.position_on_motor else 0.0)
        jump = worst_jump * machine_leg.servo.spring / servo.spring
        flow[j] = float(np.max(gains)) * max(servo.position_count, 2.0 * servo.hold_band, unseen, jump)
        strongest = servo.torque_constant * servo.current_limit
        tooth[j] = 0.0
        through = 1.0
        for stage in (*stages[:-1], last):
            through *= stage.ratio * stage.efficiency
            if stage.torque_limit is not None:
                tooth[j] = max(tooth[j], strongest * through / stage.torque_limit)
    checks = [
        RatioCheck("static torque margin", 100.0 * margin, 100.0 * wanted, True, "%"),
        RatioCheck("stroke time", times, limits.stroke_time, False, "s"),
        RatioCheck("speed reserve", speed, SPEED_RESERVE, True, "x"),
        RatioCheck("motor speed", 100.0 * motor_speed, 100.0, False, "% of limit"),
        RatioCheck("flow step", 100.0 * flow, 100.0 * limits.flow_resolution, False, "%"),
    ]
    if leg.valve.torque.includes_unknown_factor:
        del checks[0]  # a torque that holds a factor of unknown size is no measure of a margin
    if any(stage.torque_limit is not None for stage in stages):
        checks.append(RatioCheck("gear torque", 100.0 * tooth, 100.0, False, "% of limit"))
    ratios = base * factors
    return _judge(name, ratios, base, tuple(checks), moves, machine_leg.servo)


def _judge(
    name: LegName, ratios: FloatArray, base: float, checks: tuple[RatioCheck, ...], moves: FloatArray, servo: Servo
) -> RatioResult:
    holds = np.logical_and.reduce([c.ok for c in checks])
    # A check that the ratio does not change says nothing about which ratio: it is left out of the choice.
    turning = [c for c in checks if float(np.ptp(c.reserve)) > 1e-9] or list(checks)
    reserve = np.min(np.stack([c.reserve for c in turning]), axis=0)
    optimum = math.sqrt(servo.load_inertia / servo.motor_inertia)
    window: tuple[float, float] | None = None
    below = above = ""
    recommended: float | None = None
    if bool(np.any(holds)):
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
        reason = (
            f"Ratios from {window[0]:.3g} to {window[1]:.3g} meet every check"
            f" (closed below by {below or 'the end of the sweep'}, above by {above or 'the end of the sweep'}). "
            f"{recommended:.3g} keeps the largest reserve, {100 * (math.exp(float(reserve[best])) - 1):.0f} % on "
            f"{binding.name}. The design's {base:.3g} lies {'inside' if inside else 'outside'} the window."
        )
        here = int(np.argmin(np.abs(np.log(ratios / base))))
        if inside and reserve[best] - reserve[here] < 0.05:
            reason += " It is as good a choice within 5 %."
    else:
        best = int(np.argmax(reserve))
        failing = [c.name for c in checks if not c.ok[best]]
        reason = (
            f"No ratio from {ratios[0]:.3g} to {ratios[-1]:.3g} meets every check; nearest is {ratios[best]:.3g}, "
            f"where {', '.join(failing)} still fail{'s' if len(failing) == 1 else ''}. Ratio alone does not mend it."
        )
    return RatioResult(
        leg=name,
        ratio=ratios,
        current=base,
        checks=checks,
        move_time=moves,
        window=window,
        closed_below=below,
        closed_above=above,
        recommended=recommended,
        reason=reason,
        inertia_optimum=optimum,
    )
