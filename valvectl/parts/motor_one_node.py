"""Heat of a motor as one node: winding and case together, to surroundings; loss that rises with temperature.

    C dT/dt = I^2 R(T) - (T - Ta)/R_th           R linear in T (``motor.winding_resistance``)

Linear in T at constant current, so that a step of any length is exact. The two-node form is ``motor_heat``.
"""

from __future__ import annotations

import math

from valvectl.parts import motor
from valvectl.parts.motor_heat import phi


def node_rate(current: float, r25: float, coefficient: float, thermal_resistance: float, capacity: float) -> float:
    """Rate [1/s] at which a deviation grows at a constant current [A]; below zero it dies away, from 0 up it runs away.

    ``thermal_resistance`` [K/W], ``capacity`` [J/K].
    """
    return (motor.copper_loss(current, r25) * coefficient - 1.0 / thermal_resistance) / capacity


def node_step(
    temperature: float,
    surroundings: float,
    current: float,
    r25: float,
    coefficient: float,
    thermal_resistance: float,
    capacity: float,
    step: float,
) -> float:
    """Temperature [K] a time ``step`` [s] later at a constant RMS current [A]: exact; infinite beyond all numbers."""
    loss = motor.copper_loss(current, motor.winding_resistance(r25, coefficient, temperature))
    slope = (loss - (temperature - surroundings) / thermal_resistance) / capacity
    grown = phi(node_rate(current, r25, coefficient, thermal_resistance, capacity), step)
    return math.inf if grown == math.inf and slope > 0.0 else temperature + slope * grown


def node_time(
    limit: float,
    temperature: float,
    surroundings: float,
    current: float,
    r25: float,
    coefficient: float,
    thermal_resistance: float,
    capacity: float,
) -> float:
    """Time [s] until ``limit`` [K] is reached at a constant current [A]; zero if there already, infinite if never."""
    if temperature >= limit:
        return 0.0
    loss = motor.copper_loss(current, motor.winding_resistance(r25, coefficient, temperature))
    slope = (loss - (temperature - surroundings) / thermal_resistance) / capacity
    if slope <= 0.0:
        return math.inf
    rate = node_rate(current, r25, coefficient, thermal_resistance, capacity)
    share = (limit - temperature) * rate / slope
    if share <= -1.0:
        return math.inf
    if abs(share) < 1e-12:
        return (limit - temperature) / slope
    return math.log1p(share) / rate
