"""Gains from rules, backed off until the exact sampled loop keeps the margins asked for.

Start: modulus optimum for the current loop (integral time = L/R), an integral time of five crossover times for the
speed loop, proportional position control (Kessler 1958; Umland and Safiuddin 1990; from memory). Then each loop, inside out,
takes the largest gain at which its exact loop gain still meets ``Targets``.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from valvectl.errors import ValvectlError
from valvectl.parts.command_shape import PLAIN
from valvectl.parts.controller import CascadeGains
from valvectl.parts.controller_more import CASCADE
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.margins import Margins, margins
from valvectl.servo.outer_gains import current_per_count, outer_gains
from valvectl.servo.sampled import BreakPoint, Discrete, closed_loop, open_loop
from valvectl.servo.small import one_thread

INTEGRAL_SHARE = 0.2
"""Integral rate of the speed loop over its crossover frequency."""
NOISE_SHARE = 0.25
"""Share of the current limit that one count of the speed encoder may ask for."""


@dataclass(frozen=True)
class Targets:
    """What each loop must keep; inner loops are held to more than the outer one needs."""

    gain_margin_db: float = 8.0
    phase_margin: float = math.radians(55.0)
    peak_sensitivity: float = 1.7


TARGETS: dict[BreakPoint, Targets] = {
    "current": Targets(10.0, math.radians(60.0), 1.6),
    "speed": Targets(8.0, math.radians(50.0), 1.7),
    "position": Targets(9.0, math.radians(60.0), 1.5),
}


DIRECT_TARGETS = Targets(9.0, math.radians(45.0), 1.6)
"""Of the position loop with PID or state feedback: three placed poles and a filter or observer leave less phase than a
cascade, whose inner loops have margins of their own."""


@dataclass(frozen=True)
class LoopMargins:
    """One break point of the cascade."""

    at: BreakPoint
    loop: Discrete
    """Loop gain L(z)."""
    margins: Margins
    stable: bool
    """Closed loop stable: all eigenvalues inside the unit circle, counted on the exact closed-loop matrix."""


@one_thread
def loop_margins(servo: Servo, gains: CascadeGains, at: BreakPoint) -> LoopMargins:
    """Exact loop gain at a break point and its margins."""
    loop = open_loop(servo, gains, at)
    return LoopMargins(at=at, loop=loop, margins=_margins(loop), stable=_stable(loop, at))


def _margins(loop: Discrete, complementary: bool = True) -> Margins:
    highest = math.pi / loop.period
    return margins(lambda w: loop.response(w)[:, 0, 0], 1e-4 * highest, highest, complementary=complementary)


def _stable(loop: Discrete, at: BreakPoint) -> bool:
    # Closing the loop on itself gives the closed-loop matrix: u = y returned with the sign of L taken out.
    closed = loop.a - loop.b @ loop.c
    radius = float(np.max(np.abs(np.linalg.eigvals(closed))))
    # With the position loop open the angle itself drifts freely: one eigenvalue at one is then no instability.
    border = 1.0 if at == "position" else 1.0 + 1e-7
    return radius < border


def _keeps(servo: Servo, gains: CascadeGains, at: BreakPoint, targets: Targets) -> bool:
    """True when a loop keeps its targets; where it is unstable or nobody asks, the margins are not worked out."""
    loop = open_loop(servo, gains, at)
    if not _stable(loop, at):
        return False
    m = _margins(loop, complementary=False)
    return (
        m.gain_margin_db >= targets.gain_margin_db
        and m.phase_margin >= targets.phase_margin
        and m.peak_sensitivity <= targets.peak_sensitivity
    )


def _largest(start: float, good: Callable[[float], bool]) -> float:
    """Largest value near ``start`` for which ``good`` holds, to half a percent; zero when none is found."""
    low = start
    for _ in range(40):
        if good(low):
            break
        low *= 0.7
    else:
        return 0.0
    high = low * 1.4
    for _ in range(12):
        if not good(high):
            break
        low, high = high, high * 1.4
    while high / low > 1.005:
        middle = math.sqrt(low * high)
        if good(middle):
            low = middle
        else:
            high = middle
    return low


def acceleration_per_ampere(servo: Servo) -> float:
    """Stem acceleration per motor current with both masses moving together, no friction [rad/s^2/A]."""
    return servo.acceleration_per_ampere


def tune(servo: Servo) -> CascadeGains:
    """Gains for a servo. Raises ``ValvectlError`` when no gain keeps a loop's targets."""
    # What the linear loop does not know of is left out of the memory's key, so that changing it costs nothing.
    return _tuned(
        replace(
            servo,
            half_gap=0.0,
            half_slot=0.0,
            hold_band=0.0,
            command_step=0.0,
            position_count=0.0 if servo.more.structure == CASCADE else servo.position_count,
            position_accuracy=0.0,
            speed_limit=1.0,
            motor_friction=0.0,
            hot_resistance=1.0,
            hot_torque_constant=1.0,
            duty_limit=1.0,
            harness=0.0,
            idle_power=0.0,
            feedforward=0.0,
            gains=None,
            shape=PLAIN,
            more=servo.more.for_tuning(),
        )
    )


@functools.lru_cache(maxsize=512)
@one_thread
def _tuned(servo: Servo) -> CascadeGains:
    small = 0.5 * servo.current_period + servo.current_delay
    integral_c = servo.resistance / servo.inductance
    base = CascadeGains(
        position=1.0,
        speed=1e-9,
        speed_integral=0.0,
        current=servo.inductance / (2.0 * small),
        current_integral=integral_c,
    )

    def with_current(value: float) -> CascadeGains:
        return replace(base, current=value)

    current = _largest(base.current, lambda k: _keeps(servo, with_current(k), "current", TARGETS["current"]))
    if current <= 0.0:
        raise ValvectlError("no gain of the current loop keeps its margins; its period or delay is too long")
    base = with_current(current)
    if servo.more.structure != CASCADE:
        return _with_outer(servo, base)
    alpha = acceleration_per_ampere(servo)
    lag = 2.0 * small + servo.speed_period + servo.speed_delay + servo.speed_filter

    def with_speed(value: float) -> CascadeGains:
        return replace(base, speed=value, speed_integral=INTEGRAL_SHARE * value * alpha)

    quiet = math.inf
    if servo.speed_count > 0.0:
        quiet = NOISE_SHARE * servo.current_limit * servo.speed_period / servo.speed_count
    speed = _largest(
        min(1.0 / (2.0 * lag * alpha), quiet),
        lambda k: k <= quiet and _keeps(servo, with_speed(k), "speed", TARGETS["speed"]),
    )
    if speed <= 0.0:
        raise ValvectlError("no gain of the speed loop keeps its margins; its period, delay or filter is too long")
    base = with_speed(speed)

    def with_position(value: float) -> CascadeGains:
        return replace(base, position=value)

    def position_good(value: float) -> bool:
        gains = with_position(value)
        if not _keeps(servo, gains, "position", TARGETS["position"]):
            return False
        return closed_loop(replace(servo, feedforward=0.0), gains).spectral_radius < 1.0

    position = _largest(0.25 * speed * alpha, position_good)
    if position <= 0.0:
        raise ValvectlError("no gain of the position loop keeps its margins; its period or delay is too long")
    return with_position(position)


@functools.lru_cache(maxsize=512)
@one_thread
def _with_outer(servo: Servo, base: CascadeGains) -> CascadeGains:
    """Gains of the current loop with those of PID or state feedback worked out or as stated."""

    def good(gains: CascadeGains) -> bool:
        if current_per_count(servo, gains) > NOISE_SHARE * servo.current_limit:
            return False
        if not _keeps(servo, gains, "position", DIRECT_TARGETS):
            return False
        return closed_loop(servo, gains).spectral_radius < 1.0

    return outer_gains(servo, base, _largest, good)


def gains_of(servo: Servo) -> CascadeGains:
    """The servo's gains: from the design, or tuned."""
    if servo.more.structure != CASCADE and servo.gains is not None and servo.gains.outer is None:
        return _with_outer(replace(servo, gains=None), servo.gains)
    return servo.gains if servo.gains is not None else tune(servo)
