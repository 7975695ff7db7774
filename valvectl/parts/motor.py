"""Permanent-magnet motor by its direct-current equivalent, with temperature.

L di/dt = v - R i - K w;  torque = K i;  K in N m/A equals K in V s/rad.
"""

from __future__ import annotations

import math

REFERENCE_TEMPERATURE = 298.15
"""Temperature at which resistance and torque constant are stated [K] (25 degC)."""


def winding_resistance(r25: float, coefficient: float, temperature: float) -> float:
    """Resistance [ohm] at a winding temperature [K]; linear, coefficient [1/K] about 25 degC."""
    return r25 * (1.0 + coefficient * (temperature - REFERENCE_TEMPERATURE))


def torque_constant(k25: float, coefficient: float, temperature: float) -> float:
    """Torque constant [N m/A] at a magnet temperature [K]; linear, coefficient [1/K] about 25 degC."""
    return k25 * (1.0 + coefficient * (temperature - REFERENCE_TEMPERATURE))


def current_rate(voltage: float, current: float, speed: float, resistance: float, inductance: float, k: float) -> float:
    """di/dt [A/s] at a voltage [V], current [A], shaft speed [rad/s]."""
    return (voltage - resistance * current - k * speed) / inductance


def current_midpoint_step(
    voltage: float, current: float, speed: float, resistance: float, inductance: float, k: float, step: float
) -> float:
    """Current [A] one step [s] on, trapezoidal in the resistance, voltage and speed held at their mid-step values."""
    return current_decay_step(voltage - k * speed, current, 0.5 * step * resistance / inductance, step / inductance)


def current_decay_step(driving: float, current: float, half: float, gain: float) -> float:
    """``current_midpoint_step`` with its constants worked out before.

    ``driving`` voltage less back-EMF [V]; ``half`` = h R / 2 L; ``gain`` = h / L [1/ohm].
    """
    return (current * (1.0 - half) + gain * driving) / (1.0 + half)


def no_load_speed(voltage: float, k: float) -> float:
    """Speed [rad/s] at which the back-EMF equals the voltage [V]."""
    return voltage / k


def stall_current(voltage: float, resistance: float) -> float:
    """Current [A] of a standing motor at a voltage [V]."""
    return voltage / resistance


def copper_loss(current_rms: float, resistance: float) -> float:
    """Heat of the winding [W]."""
    return current_rms * current_rms * resistance


def winding_temperature(
    surroundings: float, current_rms: float, r25: float, coefficient: float, thermal_resistance: float
) -> float:
    """Steady winding temperature [K] at an RMS current [A], with the resistance rising with it.

    T = Ta + Rth I^2 R25 (1 + a (T - 25 degC)) solved for T; infinity when the heating runs away (Rth I^2 R25 a >= 1).
    """
    rise = thermal_resistance * current_rms * current_rms * r25
    if rise * coefficient >= 1.0:
        return math.inf
    return (surroundings + rise * (1.0 - coefficient * REFERENCE_TEMPERATURE)) / (1.0 - rise * coefficient)
