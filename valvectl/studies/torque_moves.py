"""The fastest moves that a design commands, and the torque left to accelerate them: the dynamic margin.

Two sorts of move. Where the profile has a corner the stem speed that is commanded jumps; the position loop answers as a lag of
its own time constant, so that the acceleration asked for is the loop's gain times the jump. A full stroke at the limit of
the command speed has to fit into the stroke time required: speeding up and braking take what the travel at that speed leaves.
Both are our own reading of "the fastest commanded move"; standards define the margin, not the move.

    dynamic margin = (available at the move's speed - running torque) / torque of acceleration - 1

Available at speed: running efficiency, hot winding and magnets, cold dry and viscous friction, current and voltage limits on
the battery's end of discharge. The torque constant is taken at that of its bounds which leaves less: a low one gives less
torque an ampere, a high one more back-EMF; in between the torque is concave in it. Rotor and gears accelerate on the motor's
side of the teeth: they count at the stem with N^2 times the efficiency. Before the gears every term is the same over N times
the efficiency, so that the margin is the same at both places.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from valvectl.design.schema import LegName
from valvectl.parts.torque_rule_table import S114
from valvectl.parts.torque_rules import Contribution, assess
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.studies.torque_demand import greatest_need, standstill_current


@dataclass(frozen=True)
class Command:
    """A move as it is commanded."""

    what: str
    speed: float
    """Stem speed [rad/s]."""
    acceleration: float
    """Stem acceleration asked for [rad/s^2]."""


@dataclass(frozen=True)
class Move:
    """A commanded move against what the actuator has for it; torques at the stem [N m]."""

    what: str
    speed: float
    """Stem speed [rad/s]."""
    acceleration: float
    """[rad/s^2]"""
    accelerating: float
    """Torque of acceleration, rotor and gears included."""
    resisting: float
    """Largest running torque in the travel, cold, largest pressure difference."""
    available: float
    """At that speed."""
    current: float
    """Motor current behind that [A]."""
    bus_voltage: float
    """[V]"""
    margin: float
    """Torque left for acceleration over that needed, less one [-]."""


def commanded(
    machine: Machine,
    schedule: Schedule,
    profile: Sequence[tuple[float, float]],
    position_gain: float,
    stroke_time: float,
    name: LegName,
) -> tuple[Command, ...]:
    """Every change of the profile at its hardest corner, and the full stroke in the time required, where it fits in.

    ``profile`` corners (time [s], throttle [-]); ``position_gain`` of the position loop [1/s]; ``stroke_time`` [s].
    """
    leg = machine.legs[name]
    limit = leg.servo.speed_limit
    out = []
    before = 0.0  # stem speed commanded at the end of the stretch before, signed
    for (t0, x0), (t1, x1) in itertools.pairwise(profile):
        speeds = _speeds(schedule, name, x0, x1, t1 - t0, limit)
        jumps = [
            (after - last if after * last >= 0.0 else after, after)
            for last, after in zip((before, *speeds[:-1]), speeds, strict=True)
        ]
        rises = [(abs(jump), abs(after)) for jump, after in jumps if jump * after > 0.0]
        if rises:
            jump, speed = max(rises)
            what = f"throttle {100.0 * x0:.0f} to {100.0 * x1:.0f} % in {t1 - t0:.3g} s"
            out.append(Command(what, speed, position_gain * jump))
        before = speeds[-1]
    stroke = leg.open_stop - leg.closed_stop
    acceleration = least_acceleration(stroke, stroke_time, limit)
    if math.isfinite(acceleration):
        # within a generous time the least acceleration never comes to the limit of the command
        top = min(limit, 2.0 * stroke / stroke_time)
        out.append(Command(f"full stroke in {stroke_time:.3g} s", top, acceleration))
    return tuple(out)


def least_acceleration(way: float, time: float, speed: float) -> float:
    """Least acceleration [rad/s^2] of a move over ``way`` [rad] in ``time`` [s] within a speed [rad/s], from rest to rest with
    equal braking; infinite when the speed does not suffice (kinematics)."""
    if speed * time >= 2.0 * way:
        return 4.0 * way / (time * time)
    spare = time - way / speed
    return speed / spare if spare > 0.0 else math.inf


def _speeds(schedule: Schedule, name: LegName, x0: float, x1: float, time: float, limit: float) -> tuple[float, ...]:
    """Stem speeds commanded on the way from one throttle setting to another [rad/s], one for each stretch of the schedule's
    table, within the limit of the command."""
    if x0 == x1:
        return (0.0,)
    low, high = min(x0, x1), max(x0, x1)
    inside = schedule.throttle[(schedule.throttle > low) & (schedule.throttle < high)]
    settings = np.array([low, *inside, high])[:: 1 if x1 > x0 else -1]
    turn = np.diff(schedule.angle_at(name, settings))
    if time <= 0.0:
        return (float(np.copysign(limit, turn.sum())),)
    rate = turn / (np.abs(np.diff(settings)) / (high - low) * time)
    return tuple(float(v) for v in np.clip(rate, -limit, limit))


def inertia_torque(machine: Machine, name: LegName, acceleration: float) -> float:
    """Torque at the stem [N m] that accelerates stem, gears and rotor at ``acceleration`` [rad/s^2]."""
    servo = machine.legs[name].servo
    reflected = servo.ratio**2 * servo.motor_inertia * servo.train.efficiency
    return acceleration * (servo.load_inertia + reflected)


def available_moving(machine: Machine, name: LegName, speed: float) -> tuple[float, float, float]:
    """Stem torque [N m] at a stem speed [rad/s], the motor current [A] and bus voltage [V] behind it."""
    servo = machine.legs[name].servo
    current, voltage = standstill_current(machine, name, machine.battery_minimum, speed)
    shaft = servo.hot_torque_constant * current - servo.motor_friction - servo.motor_viscous * servo.ratio * speed
    return servo.ratio * servo.train.efficiency * max(shaft, 0.0), current, voltage


def _other_bound(corner: Machine, nominal: Machine, name: LegName) -> Machine:
    """The corner with its torque constant at the other bound."""
    low, middle = corner.legs[name].servo, nominal.legs[name].servo
    return corner.with_servo(
        name,
        torque_constant=2.0 * middle.torque_constant - low.torque_constant,
        hot_torque_constant=2.0 * middle.hot_torque_constant - low.hot_torque_constant,
    )


def moves(corner: Machine, nominal: Machine, name: LegName, drop: float, orders: Sequence[Command]) -> tuple[Move, ...]:
    """Every commanded move at the worst corner, worst margin first; ``drop`` the largest pressure difference [Pa]."""
    resisting = greatest_need(corner.legs[name], drop, breakaway=False)
    machines = (corner, _other_bound(corner, nominal, name))
    out = []
    for order in orders:
        available, current, voltage = min(available_moving(m, name, order.speed) for m in machines)
        accelerating = inertia_torque(corner, name, order.acceleration)
        parts = (
            Contribution("running torque", "friction", resisting),
            Contribution("inertia", "inertia", accelerating),
        )
        margin = assess(S114, parts, available, available).dynamic_margin
        out.append(
            Move(
                order.what,
                order.speed,
                order.acceleration,
                accelerating,
                resisting,
                available,
                current,
                voltage,
                margin,
            )
        )
    return tuple(sorted(out, key=lambda move: (move.margin, -move.accelerating)))
