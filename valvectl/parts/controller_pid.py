"""PID from position error to current set-point, sampled: ISA form with set-point weights, derivative filtered.

    u = K (b r - y) + x + d
    d = ad d + bd ((c r - y) - (c r - y)_before),  ad = Td/(Td + N T),  bd = K Td N/(Td + N T)
    x += K T/Ti (r - y), with anti-windup

Backward difference for the derivative, forward difference for the integral: Astrom and Hagglund, PID Controllers: Theory,
Design, and Tuning, 1995, section 3.6 (from memory). Angles of the stem.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class PidGains:
    """Gains of the PID, SI, stem units."""

    gain: float
    """K: motor current per angle [A/rad]."""
    integral_time: float
    """Ti [s]."""
    derivative_time: float
    """Td [s]."""
    derivative_filter: float = 20.0
    """N [-]."""
    weight: float = 1.0
    """Set-point weight b of the proportional part [-]; c of the derivative part is ``Servo.feedforward``."""


def pid_proportional(command: float, angle: float, gain: float, weight: float) -> float:
    """Proportional part [A]: K (b r - y)."""
    return gain * (weight * command - angle)


def held_error(command: float, command_before: float, angle: float, band: float) -> float:
    """Position error to be integrated [rad]: zero inside ``band`` [rad] once the command rests, else command less angle."""
    error = command - angle
    if command == command_before and abs(error) <= band:
        return 0.0
    return error


def pid_derivative(part: float, difference: float, decay: float, gain: float) -> float:
    """Derivative part [A] one sample on; ``difference`` is the change of c r - y since the last sample [rad]."""
    return decay * part + gain * difference


def derivative_decay(derivative_time: float, derivative_filter: float, period: float) -> float:
    """ad = Td/(Td + N T) [-]."""
    return derivative_time / (derivative_time + derivative_filter * period)


def derivative_gain(gain: float, derivative_time: float, derivative_filter: float, period: float) -> float:
    """bd = K Td N/(Td + N T) [A/rad]."""
    return gain * derivative_time * derivative_filter / (derivative_time + derivative_filter * period)


def pid_tracking_time(tracking_time: float, integral_time: float, derivative_time: float) -> float:
    """Tracking time of back-calculation [s]: as stated, or (when that is zero) sqrt(Ti Td), Ti of a PI.

    Source: Astrom and Hagglund 1995, section 3.5 (from memory).
    """
    if tracking_time > 0.0:
        return tracking_time
    return math.sqrt(integral_time * derivative_time) if derivative_time > 0.0 else integral_time


def placed_pid(bandwidth: float, damping: float, ampere_per_acceleration: float) -> tuple[float, float, float]:
    """K [A/rad], Ti and Td [s] that put the poles of a double integrator at (s + w)(s^2 + 2 D w s + w^2).

    ``bandwidth`` w [rad/s], ``damping`` D [-], ``ampere_per_acceleration`` of the stem [A s^2/rad]. By comparison of
    coefficients with s^3 + (Kd s^2 + K s + Ki) / m: Kd = (1 + 2 D) w m, K = (1 + 2 D) w^2 m, Ki = w^3 m.
    """
    share = 1.0 + 2.0 * damping
    return share * bandwidth * bandwidth * ampere_per_acceleration, share / bandwidth, 1.0 / bandwidth
