"""The position loop: exact sampled frequency response and margins, and the step response of the real servo.

Frequency analysis is of the linear machine (no dry friction, gap closed); the step is simulated with everything in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from valvectl.design.schema import LegName
from valvectl.parts import response_metrics
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.command import move_command
from valvectl.plant.machine import Machine
from valvectl.plant.servo_numbers import Servo
from valvectl.plant.simulate import simulate
from valvectl.servo.margins import Margins
from valvectl.servo.sampled import BreakPoint, Discrete, closed_loop
from valvectl.servo.small import one_thread
from valvectl.servo.structures import loops_of
from valvectl.servo.tune import gains_of, loop_margins
from valvectl.studies.loop_detail import LoopDetail
from valvectl.studies.result import Result

STEP_SIZE = math.radians(5.0)
"""Size of the step of the command [rad]."""
STEP_TIME = 0.6
"""Time watched after the step [s]."""
SETTLING_BAND = 0.02
"""Settling band over the step [-], plus or minus (2 %, usual)."""


@dataclass(frozen=True)
class StepMetrics:
    """A step response, measured from the step's own start."""

    start: float
    """Angle before the step [rad]."""
    size: float
    """Step of the command [rad], signed."""
    dead_time: float
    """From the step to 3 % of it [s]."""
    t63: float
    """From the step to 63 % of it [s]; ISA-75.25.01 counts this with the dead time in (from memory)."""
    t86: float
    """From the step to 86.5 % of it [s], likewise."""
    overshoot: float
    """Largest travel beyond the command over the step [-]."""
    settling: float
    """From the step until the angle stays within 2 % of the step about the command [s]; infinite if it does not."""
    residual: float
    """Mean error at the end over the step [-]."""


@dataclass(frozen=True)
class StepResponse:
    """Command and angles against time, shape (n,)."""

    time: FloatArray
    """Time from the step [s]."""
    command: FloatArray
    """[rad]"""
    stem: FloatArray
    """[rad]"""
    ball: FloatArray
    """[rad]"""
    current: FloatArray
    """[A]"""
    metrics: StepMetrics


@dataclass(frozen=True)
class LoopResult(Result):
    """Analysis of one leg's servo."""

    leg: LegName
    gains: CascadeGains
    tuned: bool
    """True when the gains were worked out here, false when the design file gave them."""
    margins: dict[BreakPoint, Margins]
    """Margins at each break point; loops inside closed, loops outside open."""
    stable: dict[BreakPoint, bool]
    frequency: FloatArray
    """Frequencies [rad/s], shape (n,), up to half the position loop's sample rate."""
    loop_gain: FloatArray
    """Position loop gain at them, complex, shape (n,)."""
    complementary: FloatArray
    """Closed position loop without feed-forward, complex, shape (n,)."""
    bandwidth: float
    """Frequency at which the closed loop without feed-forward falls below -3 dB [rad/s]."""
    steps: dict[str, StepResponse]
    """Simulated steps: up and down at the middle of the angles used."""
    loops: dict[BreakPoint, Discrete] = field(repr=False)
    """The exact loop gains as discrete models; ``to_control()`` hands them to python-control."""
    servo: Servo | None = field(default=None, repr=False)
    """The servo analysed, with its periods, delays and limits."""
    detail: LoopDetail | None = None
    """Crossings, stiffness, noise, poles, word lengths, when asked for (``Analysis.loop_in_full``)."""

    @property
    def worst_overshoot(self) -> float:
        """Largest overshoot of the steps [-]."""
        return max(s.metrics.overshoot for s in self.steps.values())

    @property
    def worst_settling(self) -> float:
        """Longest settling of the steps [s]."""
        return max(s.metrics.settling for s in self.steps.values())

    def columns(self) -> dict[str, Any]:
        return {
            "loop": list(self.margins),
            "stable": [self.stable[at] for at in self.margins],
            "gain margin [dB]": [m.gain_margin_db for m in self.margins.values()],
            "phase margin [deg]": [math.degrees(m.phase_margin) for m in self.margins.values()],
            "crossover [Hz]": [m.gain_crossover / (2 * math.pi) for m in self.margins.values()],
            "delay margin [ms]": [1e3 * m.delay_margin for m in self.margins.values()],
            "peak sensitivity": [m.peak_sensitivity for m in self.margins.values()],
        }


def step_metrics(time: FloatArray, angle: FloatArray, start: float, size: float) -> StepMetrics:
    """Metrics of a step response. ``time`` from the step [s], ``angle`` [rad], both shape (n,)."""
    y = (angle - start) / size
    return StepMetrics(
        start=start,
        size=size,
        dead_time=response_metrics.first_time(time, y, response_metrics.DEAD_LEVEL),
        t63=response_metrics.first_time(time, y, response_metrics.T63_LEVEL),
        t86=response_metrics.first_time(time, y, response_metrics.T86_LEVEL),
        overshoot=response_metrics.overshoot(y),
        settling=response_metrics.settling_time(time, y, SETTLING_BAND),
        residual=response_metrics.residual(y),
    )


def simulate_step(
    machine: Machine, gains: dict[LegName, CascadeGains], name: LegName, point: OperatingPoint, size: float
) -> StepResponse:
    """Step of one leg's command from an operating point, flow and pressures held: a bench test under pressure drop.

    The command passes the leg's own rate limit, as it would in service.
    """
    servo = machine.legs[name].servo
    count = math.ceil(STEP_TIME / servo.position_period) + 1
    command = {leg: np.full(count, p.angle) for leg, p in point.legs.items()}
    start = point.legs[name].angle
    wanted = np.full(count, start + size)
    wanted[0] = start  # a sample at rest first, so that the rate limit works from it
    command[name] = move_command(servo, wanted)
    trace = simulate(machine, gains, command, point, STEP_TIME, hydraulics=False, record=servo.position_period)
    leg = trace.legs[name]
    time = trace.time - servo.position_period  # the step is given at the second sample
    keep = time >= -0.5 * servo.position_period
    return StepResponse(
        time=time[keep],
        command=leg.command[keep],
        stem=leg.stem[keep],
        ball=leg.ball[keep],
        current=leg.current[keep],
        metrics=step_metrics(time[keep], leg.stem[keep], start, size),
    )


def middle_point(points: tuple[OperatingPoint, ...], name: LegName) -> OperatingPoint:
    """The operating point whose angle is nearest the middle of the angles used."""
    angles = [p.legs[name].angle for p in points]
    middle = 0.5 * (min(angles) + max(angles))
    return min(points, key=lambda p: abs(p.legs[name].angle - middle))


@one_thread
def loop(machine: Machine, name: LegName, points: tuple[OperatingPoint, ...]) -> LoopResult:
    """Frequency and step analysis of one leg. ``points`` are the steady points of the schedule."""
    gains = {leg: gains_of(m.servo) for leg, m in machine.legs.items()}
    servo = machine.legs[name].servo
    places = loops_of(servo)
    found = {at: loop_margins(servo, gains[name], at) for at in places}
    position = found["position"].loop
    highest = math.pi / position.period
    omega = np.geomspace(1e-3 * highest, highest, 600)
    response = position.response(omega)[:, 0, 0]
    closed = closed_loop(servo.without_feedforward(), gains[name])
    complementary = closed.response(omega)[:, 0, 0]
    below = np.nonzero(np.abs(complementary) < math.sqrt(0.5))[0]
    point = middle_point(points, name)
    return LoopResult(
        leg=name,
        gains=gains[name],
        tuned=servo.gains is None,
        margins={at: found[at].margins for at in places},
        stable={at: found[at].stable for at in places},
        frequency=omega,
        loop_gain=response,
        complementary=complementary,
        bandwidth=float(omega[below[0]]) if below.size else highest,
        steps={
            "opening": simulate_step(machine, gains, name, point, STEP_SIZE),
            "closing": simulate_step(machine, gains, name, point, -STEP_SIZE),
        },
        loops={at: found[at].loop for at in places},
        servo=servo,
    )
