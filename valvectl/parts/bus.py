"""Battery, harness and what the drives draw."""

from __future__ import annotations


def drive_current(motor_voltage: float, motor_current: float, bus_voltage: float, idle_power: float) -> float:
    """Current from the bus [A]: motor power over bus voltage (switching drive without losses) plus its electronics.

    Negative when the motor brakes into the bus.
    """
    return (motor_voltage * motor_current + idle_power) / bus_voltage


COLLAPSED = 0.1
"""Share of the voltage before a resistance below which the one behind it is not followed: the bus has collapsed then, and
drives that draw power have no operating point [-]."""


def sagging_voltage(open_circuit: float, resistance: float, current: float) -> float:
    """Voltage [V] behind a resistance [ohm] at a current [A]; not below ``COLLAPSED`` times the voltage before it.

    A run that reaches that floor says only that the battery can not carry the drives; their lockout has acted long before.
    """
    floor = COLLAPSED * open_circuit
    voltage = open_circuit - resistance * current
    return voltage if voltage > floor else floor
