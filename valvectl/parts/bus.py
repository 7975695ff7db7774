"""Battery, harness and what the drives draw."""

from __future__ import annotations


def drive_current(motor_voltage: float, motor_current: float, bus_voltage: float, idle_power: float) -> float:
    """Current from the bus [A]: motor power over bus voltage (switching drive without losses) plus its electronics.

    Negative when the motor brakes into the bus.
    """
    return (motor_voltage * motor_current + idle_power) / bus_voltage


def sagging_voltage(open_circuit: float, resistance: float, current: float) -> float:
    """Voltage [V] behind a resistance [ohm] at a current [A]."""
    return open_circuit - resistance * current
