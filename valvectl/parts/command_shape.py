"""Shapes of a move from rest to rest: ramp, trapezoid of speed, S-curve (limited jerk), minimum jerk.

A move is a distance ``d`` >= 0 in a unit of the caller's choice (an angle [rad], or the share of the way [-]); speed,
acceleration and jerk limits are in that unit per s, s^2, s^3; an infinite limit does not limit.

Durations are the shortest that keep the limits: trapezoid and S-curve in closed form (Biagiotti and Melchiorri, Trajectory
Planning for Automatic Machines and Robots, 2008, chapter 3, from memory), minimum jerk from the peaks of its polynomial
10 s^3 - 15 s^4 + 6 s^5 (Flash and Hogan, J. Neuroscience 5 (1985) 1688).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

RAMP, TRAPEZOID, S_CURVE, MINIMUM_JERK = 0.0, 1.0, 2.0, 3.0
"""Kinds of shape, as numbers."""
KINDS: dict[str, float] = {"ramp": RAMP, "trapezoid": TRAPEZOID, "s_curve": S_CURVE, "minimum_jerk": MINIMUM_JERK}
"""Kind of a shape by its name in the design file."""
THIRD = 1.0 / 3.0
PEAK_SPEED = 1.875
"""Peak speed of the minimum-jerk move over d/T [-]: 15/8."""
PEAK_ACCELERATION = 10.0 / math.sqrt(3.0)
"""Peak acceleration of the minimum-jerk move over d/T^2 [-]: 5.7735."""
PEAK_JERK = 60.0
"""Peak jerk of the minimum-jerk move over d/T^3 [-], at both ends."""


@dataclass(frozen=True)
class Shape:
    """How a valve's controller turns a new target into a command."""

    kind: float = RAMP
    """One of ``KINDS``."""
    acceleration: float = math.inf
    """Acceleration limit of the stem's command [rad/s^2]."""
    jerk: float = math.inf
    """Jerk limit of the stem's command [rad/s^3]."""


PLAIN = Shape()
"""Straight lines of the profile, within the speed limit."""


def trapezoid_rise(distance: float, top_speed: float, acceleration: float) -> float:
    """Time of speeding up [s] in the shortest trapezoidal move, v/a; sqrt(d/a) where the speed is not reached."""
    if math.isinf(acceleration):
        return 0.0
    return min(top_speed / acceleration, math.sqrt(distance / acceleration))


def trapezoid_time(distance: float, top_speed: float, acceleration: float) -> float:
    """Shortest duration [s] of a move with limited speed and acceleration: d/v + v/a, or 2 sqrt(d/a)."""
    if distance <= 0.0:
        return 0.0
    rise = trapezoid_rise(distance, top_speed, acceleration)
    # the mean speed over the rise is half the top speed, so that the cruise lasts d/top - rise
    return max(2.0 * rise, distance / top_speed + rise)


def s_curve_bend(distance: float, top_speed: float, acceleration: float, jerk: float) -> float:
    """Time during which the acceleration rises [s] in the shortest S-curve move; zero without a jerk limit."""
    if math.isinf(jerk):
        return 0.0
    return min(acceleration / jerk, math.sqrt(top_speed / jerk), float((0.5 * distance / jerk) ** THIRD))


def s_curve_rise(distance: float, top_speed: float, acceleration: float, jerk: float) -> float:
    """Time of speeding up [s] in the shortest S-curve move, both bends in it.

    With the bend Tj: v/a + Tj where speed and acceleration are reached, 2 Tj where the acceleration is not; in a move too
    short for the speed Tj/2 + sqrt(Tj^2/4 + d/a).
    """
    bend = s_curve_bend(distance, top_speed, acceleration, jerk)
    if math.isinf(acceleration):
        return 2.0 * bend
    if bend < acceleration / jerk * (1.0 - 1e-12):
        return 2.0 * bend
    return min(top_speed / acceleration + bend, 0.5 * bend + math.sqrt(0.25 * bend * bend + distance / acceleration))


def s_curve_time(distance: float, top_speed: float, acceleration: float, jerk: float) -> float:
    """Shortest duration [s] of a move with limited speed, acceleration and jerk, from rest to rest."""
    if distance <= 0.0:
        return 0.0
    rise = s_curve_rise(distance, top_speed, acceleration, jerk)
    return max(2.0 * rise, distance / top_speed + rise)


def minimum_jerk_time(distance: float, top_speed: float, acceleration: float, jerk: float) -> float:
    """Shortest duration [s] of the minimum-jerk move: the longest of 15/8 d/v, sqrt(5.7735 d/a), cbrt(60 d/j)."""
    return max(
        PEAK_SPEED * distance / top_speed,
        math.sqrt(PEAK_ACCELERATION * distance / acceleration),
        float((PEAK_JERK * distance / jerk) ** THIRD),
    )


def move_time(kind: float, distance: float, top_speed: float, acceleration: float, jerk: float) -> float:
    """Shortest duration [s] of a move of a kind; limits that the kind does not know are left aside."""
    if kind == RAMP:
        return distance / top_speed
    if kind == TRAPEZOID:
        return trapezoid_time(distance, top_speed, acceleration)
    if kind == S_CURVE:
        return s_curve_time(distance, top_speed, acceleration, jerk)
    return minimum_jerk_time(distance, top_speed, acceleration, jerk)


def minimum_jerk(share: float) -> float:
    """Way gone over the whole way [-] at a share of the time [-]: 10 s^3 - 15 s^4 + 6 s^5."""
    s = min(max(share, 0.0), 1.0)
    return s * s * s * (10.0 - 15.0 * s + 6.0 * s * s)


def trapezoid(time: float, duration: float, rise: float) -> float:
    """Way gone over the whole way [-] of a trapezoidal move at ``time`` [s]; it speeds up and slows down over ``rise`` [s]."""
    t = min(max(time, 0.0), duration)
    late = t > 0.5 * duration
    t = duration - t if late else t  # the second half is the first one backwards
    top = 1.0 / (duration - rise)
    gone = 0.5 * top * t * t / rise if t < rise else top * (t - 0.5 * rise)
    return 1.0 - gone if late else gone


def s_curve(time: float, duration: float, rise: float, bend: float) -> float:
    """Way gone over the whole way [-] of an S-curve move at ``time`` [s].

    It speeds up over ``rise`` [s], of which the acceleration rises during the first ``bend`` and falls during the last
    ``bend`` [s]; slowing down is the same backwards.
    """
    if bend <= 0.0:
        return trapezoid(time, duration, rise) if rise > 0.0 else min(max(time / duration, 0.0), 1.0)
    t = min(max(time, 0.0), duration)
    late = t > 0.5 * duration
    t = duration - t if late else t
    top = 1.0 / (duration - rise)
    most = top / (rise - bend)
    if t < bend:
        gone = most * t * t * t / (6.0 * bend)
    elif t < rise - bend:
        gone = most * (bend * bend / 6.0 + 0.5 * t * (t - bend))
    elif t < rise:
        rest = rise - t  # backwards from the end of the rise
        gone = 0.5 * top * rise - top * rest + most * rest * rest * rest / (6.0 * bend)
    else:
        gone = top * (t - 0.5 * rise)
    return 1.0 - gone if late else gone


def way_gone(
    kind: float, time: float, duration: float, distance: float, top_speed: float, acceleration: float, jerk: float
) -> float:
    """Way gone over the whole way [-] at ``time`` [s] of a move that lasts ``duration`` [s].

    A ``duration`` longer than the shortest one slows the whole move down: the same shape with every time stretched.
    """
    if time <= 0.0 or distance <= 0.0:
        return 0.0
    if time >= duration:
        return 1.0
    if kind == RAMP:
        return time / duration
    if kind == MINIMUM_JERK:
        return minimum_jerk(time / duration)
    if kind == TRAPEZOID:
        shortest = trapezoid_time(distance, top_speed, acceleration)
        rise = trapezoid_rise(distance, top_speed, acceleration)
        return trapezoid(time * shortest / duration, shortest, rise) if rise > 0.0 else time / duration
    shortest = s_curve_time(distance, top_speed, acceleration, jerk)
    rise = s_curve_rise(distance, top_speed, acceleration, jerk)
    return s_curve(time * shortest / duration, shortest, rise, s_curve_bend(distance, top_speed, acceleration, jerk))
