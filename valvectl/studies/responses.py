"""How a valve's servo answers: steps, ramp, sine and the design's throttle profile; the real servo beside its linear loop.

Real: the simulator with friction, lost motion, rounding, limits and bus sag, on a bench with the valve's pressure drop held
(the profile: the whole engine). Linear: the exact sampled loop without any of these. Both get the same rate-limited command.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from valvectl.design.schema import LegName
from valvectl.parts import response_metrics as rm
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import limit_rate
from valvectl.plant.simulate import LegTrace, simulate
from valvectl.servo.sampled import Discrete, closed_loop
from valvectl.servo.small import one_thread
from valvectl.studies.bench_run import SmallStep, smallest_step
from valvectl.studies.loop import STEP_TIME, StepMetrics, step_metrics
from valvectl.studies.result import Result
from valvectl.studies.throttle import ThrottleResult

STEP_SIZES = tuple(math.radians(d) for d in (0.5, 2.0, 10.0, 45.0))
"""Sizes of the steps [rad]; one that does not fit between the stops is cut to what does."""
RAMP_RATE = math.radians(20.0)
"""Rate of the ramp [rad/s], or half the command's rate limit if that is less."""
RAMP_TIME = 0.6
"""Length of the ramp [s]; its second half is read."""
SINE_AMPLITUDE = math.radians(1.0)
"""Amplitude of the sine command [rad], less where the command's rate limit would cut it."""
SINE_POINTS = 9
"""Frequencies of the sweep."""
SINE_SHARE = 0.8
"""Largest speed of the sine over the command's rate limit [-]."""
SINE_TURNS, SINE_SKIPPED = 12, 4
"""Periods of the sine run, and of these unread."""
LEAST_SINE_TIME = 0.25
"""Shortest run of a sine [s]."""


@dataclass(frozen=True)
class Curve:
    """A response to a step with its metrics."""

    metrics: StepMetrics
    rise: float
    """From 10 to 90 % of the step [s]."""
    ise: float
    """Integral of the squared error over the step squared [s]."""
    iae: float
    """Integral of the error's size over the step [s]."""
    itae: float
    """Integral of time times the error's size over the step [s^2]."""
    angle: FloatArray = field(repr=False)
    """Stem [rad], shape (n,)."""


@dataclass(frozen=True)
class StepCase:
    """One step, real and linear."""

    size: float
    """[rad], signed."""
    start: float
    """[rad]"""
    real: Curve
    linear: Curve
    time: FloatArray = field(repr=False)
    """From the step [s], shape (n,)."""
    command: FloatArray = field(repr=False)
    """Rate-limited [rad], shape (n,)."""


@dataclass(frozen=True)
class Responses(Result):
    """Responses of one leg's servo."""

    leg: LegName
    steps: tuple[StepCase, ...]
    ramp_rate: float
    """[rad/s]"""
    ramp_real: float
    """Lag of the stem behind a steady ramp, up [s]; negative: ahead, which feed-forward of a whole period can do."""
    ramp_real_down: float
    """The same downward [s]."""
    ramp_linear: float
    """[s]"""
    sine_amplitude: FloatArray
    """Amplitude of the command [rad], shape (m,)."""
    sine_frequency: FloatArray
    """[rad/s], shape (m,)."""
    sine_gain: FloatArray
    """Real stem over command [-], shape (m,)."""
    sine_phase: FloatArray
    """[rad], shape (m,)."""
    linear_gain: FloatArray
    """The same of the linear loop [-], shape (m,)."""
    linear_phase: FloatArray
    """[rad], shape (m,)."""
    profile_time: FloatArray = field(repr=False)
    """Time of the throttle profile [s], shape (k,)."""
    profile_command: FloatArray = field(repr=False)
    """[rad], shape (k,)."""
    profile_real: FloatArray = field(repr=False)
    """Stem in the simulated engine [rad], shape (k,)."""
    profile_linear: FloatArray = field(repr=False)
    """[rad], shape (k,)."""
    small: SmallStep
    """Resolution (onward) and dead band (reversal), simulated [rad]."""

    def profile_error(self, which: str) -> tuple[float, float]:
        """Largest and RMS error, command less stem [rad], of ``"real"`` or ``"linear"`` over the profile."""
        error = self.profile_command - (self.profile_real if which == "real" else self.profile_linear)
        return float(np.max(np.abs(error))), float(np.sqrt(np.mean(error * error)))

    def columns(self) -> dict[str, Any]:
        out: dict[str, list[Any]] = {}
        for case in self.steps:
            for kind, curve in (("real", case.real), ("linear", case.linear)):
                m = curve.metrics
                for name, value in {
                    "step [deg]": math.degrees(case.size),
                    "kind": kind,
                    "dead time [ms]": 1e3 * m.dead_time,
                    "T63 [ms]": 1e3 * m.t63,
                    "T86 [ms]": 1e3 * m.t86,
                    "rise [ms]": 1e3 * curve.rise,
                    "overshoot [%]": 100.0 * m.overshoot,
                    "settling [ms]": 1e3 * m.settling,
                    "left [%]": 100.0 * m.residual,
                    "ISE [ms]": 1e3 * curve.ise,
                    "IAE [ms]": 1e3 * curve.iae,
                    "ITAE [ms^2]": 1e6 * curve.itae,
                }.items():
                    out.setdefault(name, []).append(value)
        return out


def _curve(time: FloatArray, angle: FloatArray, start: float, size: float) -> Curve:
    y = (angle - start) / size
    ise, iae, itae = rm.error_integrals(time, 1.0 - y)
    return Curve(step_metrics(time, angle, start, size), rm.rise_time(time, y), ise, iae, itae, angle)


def _linear(model: Discrete, command: FloatArray) -> FloatArray:
    """Stem of the linear loop for a command that starts at rest [rad], shape (n,)."""
    u = np.zeros((command.size, 2))
    u[:, 0] = command - command[0]
    return model.simulate(u)[:, 1] + float(command[0])


def _real(
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    name: LegName,
    point: OperatingPoint,
    command: FloatArray,
) -> LegTrace:
    """The bench run for a command, recorded at every sample of the position loop."""
    servo = machine.legs[name].servo
    start = replace(
        point, legs={n: replace(p, angle=float(command[0])) if n == name else p for n, p in point.legs.items()}
    )
    orders = {n: np.full(command.size, p.angle) for n, p in start.legs.items()}
    orders[name] = command
    duration = (command.size - 1) * servo.position_period
    trace = simulate(machine, gains, orders, start, duration, hydraulics=False, record=servo.position_period)
    return trace.legs[name]


def _step(
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    name: LegName,
    point: OperatingPoint,
    model: Discrete,
    wanted: float,
) -> StepCase:
    leg, servo = machine.legs[name], machine.legs[name].servo
    room = leg.open_stop - leg.closed_stop
    size = math.copysign(min(abs(wanted), 0.9 * room), wanted)
    middle = point.legs[name].angle
    # about the middle of the angles used, as far as the stops let it
    low, high = leg.closed_stop + 0.05 * room + max(-size, 0.0), leg.open_stop - 0.05 * room - max(size, 0.0)
    start = min(max(middle - 0.5 * size, low), high)
    seconds = STEP_TIME + abs(size) / servo.speed_limit
    count = math.ceil(seconds / servo.position_period) + 1
    command = np.full(count, start + size)
    command[0] = start
    command = limit_rate(command, servo.speed_limit * servo.position_period)
    time = np.asarray((np.arange(count) - 1) * servo.position_period, dtype=float)
    stem = _real(machine, gains, name, point, command).stem[:count]
    line = _linear(model, command)
    return StepCase(
        size=size,
        start=start,
        real=_curve(time[1:], stem[1:], start, size),
        linear=_curve(time[1:], line[1:], start, size),
        time=time[1:],
        command=command[1:],
    )


def _ramp(
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    name: LegName,
    point: OperatingPoint,
    model: Discrete,
    rate: float,
) -> tuple[float, float]:
    """Lag of the real and of the linear stem [s]."""
    servo = machine.legs[name].servo
    count = math.ceil(RAMP_TIME / servo.position_period) + 1
    start = point.legs[name].angle - 0.5 * rate * RAMP_TIME
    command = np.asarray(start + rate * servo.position_period * np.arange(count), dtype=float)
    late = slice(count // 2, count)
    real = _real(machine, gains, name, point, command).stem[:count]
    line = _linear(model, command)
    return rm.ramp_lag(command[late], real[late], rate), rm.ramp_lag(command[late], line[late], rate)


def _sine(
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    name: LegName,
    point: OperatingPoint,
    omega: float,
    amplitude: float,
) -> tuple[float, float]:
    """Gain and phase [rad] of the real stem."""
    servo = machine.legs[name].servo
    turns = max(SINE_TURNS, math.ceil(LEAST_SINE_TIME * omega / (2.0 * math.pi)))
    count = math.ceil(turns * 2.0 * math.pi / omega / servo.position_period) + 1
    time = np.asarray(servo.position_period * np.arange(count), dtype=float)
    command = np.asarray(point.legs[name].angle + amplitude * np.sin(omega * time), dtype=float)
    stem = _real(machine, gains, name, point, command).stem[:count]
    late = time >= SINE_SKIPPED / turns * time[-1]
    return rm.gain_and_phase(time[late], command[late], stem[late], omega)


@one_thread
def responses(
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    name: LegName,
    point: OperatingPoint,
    bandwidth: float,
    profile: ThrottleResult,
) -> Responses:
    """Responses of one leg about an operating point. ``bandwidth`` of the linear loop [rad/s] places the sine sweep;
    ``profile`` is the simulated throttle profile."""
    servo = machine.legs[name].servo
    model = closed_loop(servo, gains[name])
    steps = [_step(machine, gains, name, point, model, sign * size) for size in STEP_SIZES for sign in (1.0, -1.0)]
    rate = min(RAMP_RATE, 0.5 * servo.speed_limit)
    up, line = _ramp(machine, gains, name, point, model, rate)
    down, _ = _ramp(machine, gains, name, point, model, -rate)
    omega = np.geomspace(0.1 * bandwidth, min(2.0 * bandwidth, 0.8 * math.pi / servo.position_period), SINE_POINTS)
    amplitude = np.minimum(SINE_AMPLITUDE, SINE_SHARE * servo.speed_limit / omega)
    real = [_sine(machine, gains, name, point, float(w), float(a)) for w, a in zip(omega, amplitude, strict=True)]
    closed = model.response(omega)[:, 1, 0]
    phase = np.angle(closed)
    trace = profile.trace.legs[name]
    at = np.arange(0.0, profile.time[-1], servo.position_period)
    # the record may be finer or coarser than the samples; the command is a staircase
    held = np.minimum(np.searchsorted(profile.time, at + 1e-9, side="right") - 1, profile.time.size - 1)
    command = trace.command[np.maximum(held, 0)]
    return Responses(
        leg=name,
        steps=tuple(steps),
        ramp_rate=rate,
        ramp_real=up,
        ramp_real_down=down,
        ramp_linear=line,
        sine_amplitude=amplitude,
        sine_frequency=omega,
        sine_gain=np.array([g for g, _ in real]),
        sine_phase=np.array([p for _, p in real]),
        linear_gain=np.abs(closed),
        linear_phase=np.array([rm.lagging(float(p)) for p in phase]),
        profile_time=at,
        profile_command=command,
        profile_real=np.interp(at, profile.time, trace.stem),
        profile_linear=_linear(model, command),
        small=smallest_step(machine, gains, name, point),
    )
