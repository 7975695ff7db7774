"""Stem torque needed against stem torque available: the static margin at the worst corner.

Rule: 100 % static margin, available over needed less one, at any position in the worst case (MIL-A-83577B; AIAA S-114;
wording from memory). The limit itself is a requirement of the design. Needed: breakaway torque cold, after a long rest,
at the largest pressure difference the tank can put on the valve, plus the torque of the stream and of a return spring,
all at the adverse bounds of their declared tolerances. Available, likewise at the bounds: end of discharge,
both drives pulling, hot winding and magnets, breakaway efficiency of the gears, cold motor friction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.design.schema import LegName
from valvectl.parts import bus, friction, motor
from valvectl.parts.lookup import FloatArray
from valvectl.parts.return_spring import return_torque
from valvectl.plant.machine import LegMachine, Machine
from valvectl.studies.result import Result


@dataclass(frozen=True)
class TorqueResult(Result):
    """Torque of one leg over its travel."""

    leg: LegName
    angle: FloatArray
    """Opening [rad], shape (n,)."""
    running: FloatArray
    """Running torque needed, cold, largest pressure difference [N m], shape (n,)."""
    needed: FloatArray
    """Breakaway torque needed at the worst corner [N m], shape (n,)."""
    available: float
    """Stem torque the actuator gives at rest at its worst corner [N m]."""
    current: float
    """Motor current behind that [A]."""
    bus_voltage: float
    """Bus voltage at the drive behind that [V]."""
    margin: float
    """Smallest available over needed, less one [-]."""
    worst_angle: float
    """Where that is [rad]."""
    pressure_drop: float
    """Pressure difference used [Pa]."""
    nominal_margin: float = math.nan
    """The same margin with every toleranced input at its nominal value [-]."""
    moved: tuple[str, ...] = ()
    """Toleranced inputs that stand at their adverse bound here."""

    def columns(self) -> dict[str, Any]:
        return {
            "opening [deg]": np.degrees(self.angle),
            "running [N m]": self.running,
            "breakaway worst corner [N m]": self.needed,
            "available [N m]": np.full(self.angle.size, self.available),
            "margin [%]": 100.0 * (self.available / self.needed - 1.0),
        }


def largest_pressure_drop(machine: Machine, name: LegName) -> float:
    """Largest pressure difference on the valve [Pa]: shut against the full tank with ambient behind it."""
    leg = machine.legs[name]
    return max(leg.tank_pressure + max(leg.head, 0.0) - machine.ambient_pressure, 0.0)


def stem_torque_needed(leg: LegMachine, drop: float, breakaway: bool, dwell: float = 1.0) -> FloatArray:
    """Torque to open [N m] on the grid of openings at a pressure drop [Pa]: breakaway (times ``dwell``) or running, cold,
    with the stream and the return spring against it."""
    table = leg.breakaway if breakaway else leg.running
    rise = friction.pressure_rise(leg.relative_slope, drop)
    stream = friction.hydrodynamic_torque(leg.hydrodynamic, leg.bore, drop)
    opening = leg.characteristic.angles - leg.closed_stop
    spring = return_torque(opening, leg.servo.return_preload, leg.servo.return_rate)  # type: ignore[arg-type]
    return np.asarray(leg.cold_factor * dwell * rise * table + stream + spring)


def standstill_current(machine: Machine, name: LegName, battery: float) -> tuple[float, float]:
    """Largest current [A] a standing motor can be given and the drive's bus voltage [V], both drives pulling alike.

    At rest the drive puts out R I; what it takes from the bus is that power over the bus voltage.
    """
    servo = machine.legs[name].servo
    voltage, current = battery, servo.current_limit
    for _ in range(60):
        current = min(servo.current_limit, motor.stall_current(servo.duty_limit * voltage, servo.hot_resistance))
        taken = machine.other_loads
        own = 0.0
        for other, leg in machine.legs.items():
            s = leg.servo
            pulled = min(s.current_limit, motor.stall_current(s.duty_limit * voltage, s.hot_resistance))
            drawn = bus.drive_current(s.hot_resistance * pulled, pulled, voltage, s.idle_power)
            taken += drawn
            if other == name:
                own = drawn
        level = bus.sagging_voltage(battery, machine.battery_resistance, taken)
        after = max(bus.sagging_voltage(level, servo.harness, own), 0.1)
        if abs(after - voltage) < 1e-9:
            break
        voltage = 0.5 * (voltage + after)
    return current, voltage


def available_torque(machine: Machine, name: LegName, current: float, ratio: float | None = None) -> float:
    """Stem torque [N m] at rest from a motor current [A]: hot magnets, cold friction, breakaway efficiency."""
    servo = machine.legs[name].servo
    n = servo.ratio if ratio is None else ratio
    shaft = servo.hot_torque_constant * current - servo.motor_friction
    return n * servo.train.static_efficiency * max(shaft, 0.0)


def torque(
    machine: Machine, name: LegName, nominal: Machine | None = None, moved: tuple[str, ...] = ()
) -> TorqueResult:
    """Static torque margin of one leg over its travel at the worst corner.

    ``machine`` has the toleranced inputs at their adverse bounds (``studies.adverse``), ``moved`` names them, ``nominal``
    is the machine without that.
    """
    leg = machine.legs[name]
    drop = largest_pressure_drop(machine, name)
    needed = stem_torque_needed(leg, drop, breakaway=True, dwell=leg.dwell_factor)
    current, voltage = standstill_current(machine, name, machine.battery_minimum)
    available = available_torque(machine, name, current)
    worst = int(np.argmax(needed))
    every = slice(None, None, max(1, needed.size // 180))
    return TorqueResult(
        leg=name,
        angle=leg.characteristic.angles[every],
        running=stem_torque_needed(leg, drop, breakaway=False)[every],
        needed=needed[every],
        available=available,
        current=current,
        bus_voltage=voltage,
        margin=available / float(needed[worst]) - 1.0 if needed[worst] > 0.0 else math.inf,
        worst_angle=float(leg.characteristic.angles[worst]),
        pressure_drop=drop,
        nominal_margin=torque(nominal, name).margin if nominal is not None else math.nan,
        moved=tuple(key for key in moved if key.startswith((f"legs.{name}.", "battery."))),
    )
