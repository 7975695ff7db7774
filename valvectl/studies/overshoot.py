"""What makes a step overshoot: the loop's margin, a drive that brakes at its limit, or one thing that is found by leaving it out.

A loop of low phase margin whose linear step response, without feed-forward, overshoots as well is the cause by itself. Next comes
a current that stands at its limit against the motion until the command is passed. Otherwise the simulated step is repeated
without the voltage limit, lost motion, friction, feed-forward and integral action, one at a time: what takes most of the
overshoot with it is the main contributor. Where nothing takes half of it, none is named.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator

import numpy as np

from valvectl.design.schema import LegName
from valvectl.parts import response_metrics
from valvectl.parts.controller import CascadeGains
from valvectl.plant.machine import Machine
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.sampled import closed_loop
from valvectl.studies.analysis import Analysis
from valvectl.studies.loop import STEP_SIZE, STEP_TIME, StepResponse, middle_point, simulate_step

MAIN_SHARE = 0.5
"""Share of the overshoot that has to go with its main contributor [-]."""
ALIKE = 0.1
"""Share of the overshoot within which two contributors count as alike; the one named first below is taken [-]."""
LOW_PHASE = math.radians(45.0)
"""Phase margin below which it is called low (common practice, and the default limit of the row phase_margin) [rad]."""
AT_LIMIT = 0.9
"""Share of the current limit from which the current counts as standing there, ripple counted in [-]."""
NO_LIMIT = 1e6
"""A limit of the duty that is never reached [-]."""


def main_contributor(analysis: Analysis, leg: LegName) -> str:
    """A clause that names what makes the larger of a leg's two steps overshoot; empty where it can not be told.

    Costs five short simulated steps at most: meant for a row that is missed.
    """
    found = analysis.loop[leg]
    step = max(found.steps.values(), key=lambda s: s.metrics.overshoot)
    overshoot = step.metrics.overshoot
    if not overshoot > 0.0 or not all(found.stable.values()):
        return ""
    at = min(found.margins, key=lambda a: found.margins[a].phase_margin)
    phase, linear = found.margins[at].phase_margin, _linear(analysis, leg)
    if phase < LOW_PHASE and linear >= MAIN_SHARE * overshoot:
        return (
            f"main contributor: low phase margin, {math.degrees(phase):.0f} deg in the {at} loop (its linear step alone "
            f"overshoots by {100.0 * linear:.1f} %)"
        )
    share = _braking_at_limit(analysis.machine.legs[leg].servo, step)
    if share >= MAIN_SHARE:
        limit = analysis.machine.legs[leg].servo.current_limit
        return (
            f"main contributor: saturation of the current at its limit of {limit:.4g} A ({100.0 * share:.0f} % of the braking "
            "stands there)"
        )
    point = middle_point(analysis.schedule.points, leg)
    size = math.copysign(STEP_SIZE, step.metrics.size)
    left = {
        name: simulate_step(machine, gains, leg, point, size).metrics.overshoot
        for name, machine, gains in _without(analysis.machine, analysis.gains, leg)
    }
    least = min(left.values())
    name = next(n for n, value in left.items() if value <= least + ALIKE * overshoot)
    if not left[name] <= MAIN_SHARE * overshoot:
        return ""
    rest = f"{100.0 * left[name]:.1f} %" if left[name] > 0.0 else "none"
    return f"main contributor: {name} ({rest} without it)"


def _braking_at_limit(servo: Servo, step: StepResponse) -> float:
    """Share of the braking before the command is passed in which the current stands at its limit [-]."""
    m = step.metrics
    way = (step.stem - m.start) / m.size
    passed = int(np.argmax(way >= 1.0))
    along = step.current[:passed] * math.copysign(1.0, m.size)
    braking = along < 0.0
    return float(np.mean(along[braking] <= -AT_LIMIT * servo.current_limit)) if braking.any() else 0.0


def _linear(analysis: Analysis, leg: LegName) -> float:
    """Overshoot of the exact linear loop for a step of its set-point, without feed-forward [-]."""
    servo = analysis.machine.legs[leg].servo
    moves = np.zeros((math.ceil(STEP_TIME / servo.position_period) + 1, 2))
    moves[1:, 0] = 1.0
    return response_metrics.overshoot(
        closed_loop(servo.without_feedforward(), analysis.gains[leg]).simulate(moves)[:, 1]
    )


def _without(
    machine: Machine, gains: dict[LegName, CascadeGains], leg: LegName
) -> Iterator[tuple[str, Machine, dict[LegName, CascadeGains]]]:
    """Name of a contributor, and machine and gains without it."""
    part, servo, own = machine.legs[leg], machine.legs[leg].servo, gains[leg]
    voltage = dataclasses.replace(machine.with_servo(leg, duty_limit=NO_LIMIT), battery_resistance=0.0)
    yield "saturation of the voltage, and with it of the speed", voltage, gains
    yield "lost motion", machine.with_servo(leg, half_gap=0.0, half_slot=0.0), gains
    smooth = machine.with_servo(leg, motor_friction=0.0).with_leg(
        leg,
        running=np.zeros_like(part.running),
        breakaway=np.zeros_like(part.breakaway),
        running_closing=None,
        breakaway_closing=None,
        pressure_slope=0.0,
    )
    yield "friction that sticks and lets go", smooth, gains
    yield "feed-forward of the command", machine.with_leg(leg, servo=servo.without_feedforward()), gains
    if own.outer is None:
        held = gains | {leg: dataclasses.replace(own, speed_integral=0.0)}
        yield "integral action of the speed loop (windup)", machine, held
