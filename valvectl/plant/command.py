"""Commands of the valves from a profile of throttle: straight lines, or shaped moves, each valve alone or both matched.

A move is a change of throttle from one hold or turning point of the profile to the next. Moves of one valve follow each
other: one that lasts longer than its stretch of the profile delays the next. The lengths:

each alone      the stretch of the profile, or longer when the valve's limits want it; the stem goes straight from angle to
                angle with its shape (``ramp``: the profile's own straight lines through the rate limit)
rate matched    both valves take the time of the slower one. The share of the throttle's change has the shape and both
                angles follow from the table throttle to angles (drawn smooth through its entries), so that the mixture
                ratio commanded stays right on the way
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.parts.command_shape import RAMP, TRAPEZOID, move_time, way_gone
from valvectl.parts.controller import rate_limited
from valvectl.parts.lookup import FloatArray
from valvectl.plant.servo_numbers import Servo

if TYPE_CHECKING:
    from valvectl.plant.machine import Machine
    from valvectl.plant.schedule import Schedule

GRID = 257
"""Points along a move at which its limits are looked after."""
Corner = tuple[float, float]
"""Time [s] and throttle [-]."""


def stretches(profile: Sequence[Corner]) -> list[tuple[float, float, float, float]]:
    """Profile cut into holds and changes: (start, end [s], throttle before, after), neighbours of one sort joined."""
    out: list[tuple[float, float, float, float]] = []
    for (t0, x0), (t1, x1) in itertools.pairwise(profile):
        still = x0 == x1
        if out and (out[-1][2] == out[-1][3]) == still and (not still or out[-1][3] == x0):
            same_way = still or (out[-1][3] - out[-1][2]) * (x1 - x0) > 0.0
            if same_way:
                out[-1] = (out[-1][0], t1, out[-1][2], x1)
                continue
        if t1 > t0 or not still:
            out.append((t0, t1, x0, x1))
    return out


def limit_rate(wanted: FloatArray, largest_step: float) -> FloatArray:
    """A command that follows ``wanted`` by at most ``largest_step`` a sample, starting on it."""
    if wanted.size < 2 or float(np.max(np.abs(np.diff(wanted)))) <= largest_step:
        return wanted
    limited = np.empty_like(wanted)
    limited[0] = wanted[0]
    for k in range(1, wanted.size):
        limited[k] = rate_limited(float(wanted[k]), float(limited[k - 1]), largest_step)
    return limited


@dataclass(frozen=True)
class Move:
    """One change of a valve's command, or of both."""

    start: float
    """[s]"""
    duration: float
    """[s]"""
    before: float
    """Throttle before [-]."""
    after: float
    """Throttle after [-]."""


def limits_of(servo: Servo, way: float) -> tuple[float, float, float]:
    """Speed, acceleration and jerk limits of a servo's command over ``way`` [rad]: per share of the way [1/s, 1/s^2, 1/s^3]."""
    return servo.speed_limit / way, servo.shape.acceleration / way, servo.shape.jerk / way


def shortest(servo: Servo, way: float) -> float:
    """Shortest duration [s] of a move of the stem by ``way`` [rad] with the servo's shape within its limits."""
    if way <= 0.0:
        return 0.0
    if servo.shape.kind == RAMP:
        return way / servo.speed_limit
    return move_time(servo.shape.kind, 1.0, *limits_of(servo, way))


def shares(servo: Servo, way: float, time: FloatArray, duration: float) -> FloatArray:
    """Way gone over the whole way [-] at times [s] from the start of a move, shape as ``time``."""
    if way <= 0.0 or duration <= 0.0:
        return np.where(time > 0.0, 1.0, 0.0)
    limits = limits_of(servo, way)
    return np.array([way_gone(servo.shape.kind, float(t), duration, 1.0, *limits) for t in time])


def move_command(servo: Servo, wanted: FloatArray) -> FloatArray:
    """Command [rad] when the target at each position sample is ``wanted`` [rad]: through the servo's own shape.

    ``ramp`` follows any target within the rate limit. The other shapes take the first new target as a move from rest; the
    targets are then to stay (a step, a stroke).
    """
    if servo.shape.kind == RAMP:
        return limit_rate(wanted, servo.speed_limit * servo.position_period)
    changes = np.nonzero(np.diff(wanted))[0]
    if changes.size == 0:
        return wanted
    first = int(changes[0])
    way = float(wanted[-1] - wanted[first])
    time = servo.position_period * (np.arange(wanted.size, dtype=float) - first)
    gone = shares(servo, abs(way), time, shortest(servo, abs(way)))
    return np.asarray(wanted[first] + way * gone)


# ---------------------------------------------------------------------------------------------------- planned profile


def queued(parts: Sequence[tuple[float, float, float, float]], length: Callable[[float, float], float]) -> list[Move]:
    """Moves one after the other; ``length`` gives the shortest duration [s] of a change of throttle."""
    out: list[Move] = []
    free = -math.inf
    for t0, t1, before, after in parts:
        if before == after:
            continue
        start = max(t0, free)
        duration = max(t1 - t0, length(before, after))
        free = start + duration
        out.append(Move(start, duration, before, after))
    return out


def alone(
    machine: Machine, schedule: Schedule, name: LegName, profile: Sequence[Corner], time: FloatArray
) -> FloatArray:
    """Command [rad] of one leg that makes its moves by itself, at times [s]."""
    servo = machine.legs[name].servo

    def ends(before: float, after: float) -> tuple[float, float]:
        first, last = schedule.angle_at(name, np.array([before, after]))
        return float(first), float(last)

    def length(before: float, after: float) -> float:
        first, last = ends(before, after)
        return shortest(servo, abs(last - first))

    out = np.full(time.size, float(schedule.angle_at(name, np.array([profile[0][1]]))[0]))
    for move in queued(stretches(profile), length):
        first, last = ends(move.before, move.after)
        later = time > move.start
        out[later] = first + (last - first) * shares(servo, abs(last - first), time[later] - move.start, move.duration)
    return out


def matched(
    machine: Machine, schedule: Schedule, profile: Sequence[Corner], times: dict[LegName, FloatArray]
) -> dict[LegName, FloatArray]:
    """Commands [rad] of both legs in moves of the same length, at each leg's times [s]."""
    moves = queued(stretches(profile), lambda before, after: matched_time(machine, schedule, before, after))
    curves = {name: smooth_angles(schedule, name, machine.legs[name].servo.shape.kind) for name in LEGS}
    out: dict[LegName, FloatArray] = {}
    for name, time in times.items():
        throttle = np.full(time.size, profile[0][1])
        for move in moves:
            later = time > move.start
            gone = _common_shares(machine, schedule, move.before, move.after, time[later] - move.start, move.duration)
            throttle[later] = move.before + (move.after - move.before) * gone
        out[name] = curves[name](throttle)
    return out


def smooth_angles(schedule: Schedule, name: LegName, kind: float) -> Callable[[FloatArray], FloatArray]:
    """A leg's angle [rad] over throttle, smooth through the table's entries; for ``ramp`` the table's own straight lines.

    Twice continuously differentiable, or, where that would not rise everywhere, once.
    """
    from scipy.interpolate import CubicSpline, PchipInterpolator

    if kind == RAMP or schedule.throttle.size < 3:
        return lambda x: schedule.angle_at(name, x)
    spline = CubicSpline(schedule.throttle, schedule.angle[name])
    fine = np.linspace(schedule.throttle[0], schedule.throttle[-1], 40 * schedule.throttle.size)
    steps = np.diff(spline(fine))
    curve = spline if bool(np.all(steps > 0.0)) else PchipInterpolator(schedule.throttle, schedule.angle[name])
    low, high = float(schedule.throttle[0]), float(schedule.throttle[-1])
    return lambda x: np.asarray(curve(np.clip(x, low, high)))


def _common_limits(machine: Machine, schedule: Schedule, before: float, after: float) -> tuple[float, float, float]:
    """Limits of the share of a change that hold for both legs were their angles straight over it."""
    ways = {name: abs(float(np.diff(schedule.angle_at(name, np.array([before, after])))[0])) for name in LEGS}
    each = [limits_of(machine.legs[name].servo, max(way, 1e-12)) for name, way in ways.items()]
    return min(e[0] for e in each), min(e[1] for e in each), min(e[2] for e in each)


def _common_shares(
    machine: Machine, schedule: Schedule, before: float, after: float, time: FloatArray, duration: float
) -> FloatArray:
    kind = machine.legs["oxidizer"].servo.shape.kind
    limits = _common_limits(machine, schedule, before, after)
    return np.array([way_gone(kind, float(t), duration, 1.0, *limits) for t in time])


def matched_time(machine: Machine, schedule: Schedule, before: float, after: float) -> float:
    """Shortest duration [s] of a change of throttle with both valves inside their limits all the way.

    The angles bend over the throttle, so that the shape is stretched by what the peaks of speed, acceleration and jerk found
    along the way ask for: stretching by k divides them by k, k^2, k^3. For ``ramp`` the speed alone counts; for
    ``trapezoid`` speed and acceleration.
    """
    kind = machine.legs["oxidizer"].servo.shape.kind
    duration = move_time(kind, 1.0, *_common_limits(machine, schedule, before, after))
    if duration <= 0.0:
        return 0.0
    time = np.linspace(0.0, duration, GRID)
    gone = _common_shares(machine, schedule, before, after, time, duration)
    longest = 1.0
    for name in LEGS:
        servo = machine.legs[name].servo
        angle = smooth_angles(schedule, name, kind)(before + (after - before) * gone)
        limits = (servo.speed_limit, servo.shape.acceleration, servo.shape.jerk)
        used = 1 if kind == RAMP else 2 if kind == TRAPEZOID else 3
        for order in range(1, used + 1):
            peak = float(np.max(np.abs(np.diff(angle, order)))) / float(time[1]) ** order
            longest = max(longest, (peak / limits[order - 1]) ** (1.0 / order))
    return duration * longest


def is_planned(machine: Machine) -> bool:
    """True when throttle changes are planned moves, not the profile's own straight lines."""
    return machine.rate_matched or any(machine.legs[name].servo.shape.kind != RAMP for name in LEGS)


def plan(
    machine: Machine, schedule: Schedule, profile: Sequence[Corner], times: dict[LegName, FloatArray]
) -> dict[LegName, FloatArray]:
    """Commands [rad] of both legs for a profile at each leg's sample times [s], by shape and matching; not yet rounded."""
    if machine.rate_matched:
        return matched(machine, schedule, profile, times)
    return {name: alone(machine, schedule, name, profile, time) for name, time in times.items()}
