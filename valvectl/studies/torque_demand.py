"""What a stem needs and what its actuator gives: the torques of one leg by kind, each marked measured or not.

Opening works against dry friction, the stream's torque and a return spring. Closing works against friction alone: stream
and spring help, and what helps is left out, since a margin that needs it is none. Needed torque is at the stem. Available
torque is a standing, or at a speed a turning, motor's with hot winding and magnets, cold friction and the current that the
battery's end of discharge leaves it, both drives pulling alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.parts import bus, friction, motor
from valvectl.parts.lookup import FloatArray
from valvectl.parts.return_spring import return_torque
from valvectl.parts.torque_rules import Contribution, Kind
from valvectl.plant.machine import LegMachine, Machine

Direction = Literal["opening", "closing"]
DIRECTIONS: tuple[Direction, Direction] = ("opening", "closing")
COLD_BELOW = 273.15
"""Liquid temperature [K] below which friction counts as measured only when its cold factor was measured too."""


def largest_pressure_drop(machine: Machine, name: LegName) -> float:
    """Largest pressure difference on the valve [Pa]: shut against the full tank with ambient behind it."""
    leg = machine.legs[name]
    return max(leg.tank_pressure + max(leg.head, 0.0) - machine.ambient_pressure, 0.0)


def friction_torque(
    leg: LegMachine,
    drop: float,
    breakaway: bool,
    dwell: float = 1.0,
    direction: Direction = "opening",
    cold: float | None = None,
) -> FloatArray:
    """Dry friction [N m] on the grid of openings; ``cold`` is the cold factor, by default the valve's own."""
    table = leg.stem_table(breakaway, direction == "closing")
    factor = leg.cold_factor if cold is None else cold
    return np.asarray(factor * dwell * friction.pressure_rise(leg.relative_slope, drop) * table)


def spring_load(leg: LegMachine) -> FloatArray:
    """Torque of the return spring towards shut [N m] on the grid of openings."""
    servo = leg.servo
    opening = leg.characteristic.angles - leg.closed_stop
    return np.asarray([return_torque(float(a), servo.return_preload, servo.return_rate) for a in opening])


def stem_torque_needed(
    leg: LegMachine, drop: float, breakaway: bool, dwell: float = 1.0, direction: Direction = "opening"
) -> FloatArray:
    """Torque [N m] against the motion on the grid of openings at a pressure drop [Pa], cold: breakaway (times ``dwell``) or
    running. Closing leaves out stream and spring, which help."""
    level = friction_torque(leg, drop, breakaway, dwell, direction)
    if direction == "closing":
        return level
    stream = friction.hydrodynamic_torque(leg.hydrodynamic, leg.bore, drop)
    if leg.servo.return_preload > 0.0 or leg.servo.return_rate > 0.0:
        return np.asarray(level + stream + spring_load(leg))
    return np.asarray(level + stream)


def greatest_need(leg: LegMachine, drop: float, breakaway: bool, dwell: float = 1.0) -> float:
    """Largest torque needed anywhere in the travel, either way [N m]."""
    return max(float(np.max(stem_torque_needed(leg, drop, breakaway, dwell, way))) for way in DIRECTIONS)


def standstill_current(machine: Machine, name: LegName, battery: float, speed: float = 0.0) -> tuple[float, float]:
    """Largest current [A] a motor can be given and the drive's bus voltage [V], both drives pulling alike.

    ``speed`` [rad/s] is the stem's, zero: standing. The drive puts out R I and the back-EMF; what it takes from the bus is
    that times I over the bus voltage. No current where the back-EMF is above what the bus gives.
    """
    servo = machine.legs[name].servo
    voltage, current = battery, servo.current_limit
    for _ in range(60):
        back = servo.torque_constant * servo.ratio * speed
        most = motor.stall_current(servo.duty_limit * voltage - back, servo.hot_resistance)
        current = max(min(servo.current_limit, most), 0.0)
        taken = machine.other_loads
        own = 0.0
        for other, leg in machine.legs.items():
            s = leg.servo
            back = s.torque_constant * s.ratio * speed
            most = motor.stall_current(s.duty_limit * voltage - back, s.hot_resistance)
            pulled = max(min(s.current_limit, most), 0.0)
            drawn = bus.drive_current(s.hot_resistance * pulled + back, pulled, voltage, s.idle_power)
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


# ------------------------------------------------------------------------------------------- contributions by kind


@dataclass(frozen=True)
class Load:
    """One contribution to the torque against the motion, over the travel or the same everywhere."""

    name: str
    kind: Kind
    torque: FloatArray
    """Bare [N m], shape (n,) or (1,)."""
    measured: bool
    includes_factor: float | None = 1.0
    """Factor that the design's number holds [-], None: one of unknown size; given to the rule with it, so that the rule
    takes it out."""

    def at(self, j: int) -> Contribution:
        """The contribution at a point of the grid."""
        value = float(self.torque[j if self.torque.size > 1 else 0])
        stated = value if self.includes_factor is None else value * self.includes_factor
        return Contribution(self.name, self.kind, stated, self.measured, self.includes_factor)


@dataclass(frozen=True)
class Marks:
    """What was measured, by the origins that the design file states; ``missing`` names what keeps seat friction out."""

    friction: bool
    missing: tuple[str, ...]
    """Keys, relative to the valve's torque table, whose origin is not measured."""
    stream: bool
    spring: bool
    gears: bool
    motor: bool
    included: float | None
    """Factor that the stem torques of the file hold [-]; None: of unknown size."""


def marks(design: DesignFile, name: LegName, direction: Direction) -> Marks:
    """Measured or not, for every contribution of a leg.

    Seat friction counts as measured when every number behind it does: the table's columns of this direction or the
    maker's numbers, its rise with pressure, the factor of a rest, and that of the cold where the liquid is cold or the
    factor is not one. A number left at its default was not measured.
    """
    at = f"legs.{name}"
    data = design.leg(name)
    torque = data.valve.torque

    def measured(key: str) -> bool:
        item = design.inputs.get(f"{at}.{key}")
        return item is not None and item.origin == "measured"

    if torque.model is not None:
        shares = ["break_to_open", "run_to_open", "end_to_open", "rest_factor"]
        if direction == "closing":
            shares += ["break_to_close", "run_to_close", "end_to_close"]
        keys = [f"model.{share}" for share in shares]
    elif direction == "closing" and torque.breakaway_closing is not None:
        keys = ["running_closing", "breakaway_closing"]
    else:
        keys = ["running", "breakaway"]
    keys += ["pressure_slope", "dwell_factor"]
    if torque.cold_factor != 1.0 or data.liquid.temperature < COLD_BELOW:
        keys.append("cold_factor")
    missing = tuple(key for key in keys if not measured(f"valve.torque.{key}"))
    stages = range(len(data.actuator.gears))
    return Marks(
        friction=not missing,
        missing=missing,
        stream=measured("valve.torque.hydrodynamic_coefficient"),
        spring=measured("actuator.return_spring.preload") and measured("actuator.return_spring.rate"),
        gears=all(measured(f"actuator.gears[{i}].static_efficiency") for i in stages),
        motor=measured("actuator.motor.friction_torque") and measured("actuator.motor.cold_friction_factor"),
        included=None if torque.includes_unknown_factor else torque.includes_factor,
    )


def stem_loads(
    leg: LegMachine,
    seen: Marks,
    drop: float,
    direction: Direction,
    *,
    breakaway: bool,
    cold: float | None = None,
    dwell: float = 1.0,
) -> list[Load]:
    """Loads at the stem while it moves, or would move, in a direction; inertia not among them."""
    level = friction_torque(leg, drop, breakaway, dwell, direction, cold)
    loads = [Load("valve friction", "friction", level, seen.friction, seen.included)]
    if direction == "closing":
        return loads
    stream = friction.hydrodynamic_torque(leg.hydrodynamic, leg.bore, drop)
    loads.append(Load("stream", "stream", np.array([stream]), seen.stream))
    if leg.servo.return_preload > 0.0 or leg.servo.return_rate > 0.0:
        loads.append(Load("return spring", "spring", spring_load(leg), seen.spring))
    return loads


def shaft_loads(leg: LegMachine, seen: Marks, loads: list[Load]) -> list[Load]:
    """The same loads seen at the motor's shaft, with what gears and motor add there: nothing is in an efficiency twice.

    Stem torques over the ratio; the gears' loss at them, 1/eta - 1 of that at breakaway; the motor's own dry friction.
    """
    servo = leg.servo
    n, efficiency = servo.ratio, servo.train.static_efficiency
    out = [Load(x.name, x.kind, x.torque / n, x.measured, x.includes_factor) for x in loads]
    total = sum((x.torque for x in loads), start=np.zeros(1))
    gears = total / n * (1.0 / efficiency - 1.0)
    out.append(Load("gear friction", "friction", np.asarray(gears), seen.gears))
    out.append(Load("motor friction", "friction", np.array([servo.motor_friction]), seen.motor))
    return out
