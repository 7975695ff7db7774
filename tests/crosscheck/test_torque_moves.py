"""Torque left at a speed against two other ways to it: the closed-form run-up, and the simulator at full current."""

from __future__ import annotations

import dataclasses
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import LEGS
from valvectl.parts.bang_bang import run_up
from valvectl.plant.machine import Machine
from valvectl.plant.simulate import simulate
from valvectl.servo.tune import gains_of
from valvectl.studies.torque_demand import greatest_need
from valvectl.studies.torque_moves import available_moving, inertia_torque

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@cache
def rig() -> Any:
    return valvectl.load(RIG)


def stiff(viscous: float) -> Machine:
    """A supply that does not sag, a winding and magnets as warm in the margin as in the simulation."""
    machine = dataclasses.replace(rig().machine, battery_resistance=0.0, battery_minimum=rig().machine.battery)
    for name in LEGS:
        servo = machine.legs[name].servo
        machine = machine.with_servo(
            name,
            harness=0.0,
            motor_viscous=viscous,
            hot_resistance=servo.resistance,
            hot_torque_constant=servo.torque_constant,
        )
    return machine


@pytest.mark.parametrize("speed", [0.5, 3.0, 5.0, 7.0])
def test_against_the_movers_run_up(speed: float) -> None:
    """The acceleration at a speed is what its run-up time says: d(time)/d(speed) = 1/acceleration."""
    machine, drop = stiff(0.0).with_servo("fuel", speed_limit=50.0), 15e5
    servo = machine.legs["fuel"].servo
    through = servo.ratio * servo.train.efficiency
    resists = greatest_need(machine.legs["fuel"], drop, breakaway=False)

    def time_to(reached: float) -> float:
        return run_up(
            reached, through * servo.torque_constant, servo.ratio * servo.torque_constant, servo.resistance,
            servo.current_limit, servo.duty_limit * machine.battery_minimum, resists + through * servo.motor_friction,
            through * servo.ratio * servo.motor_inertia + servo.load_inertia,
        )[0]  # fmt: skip

    step = 1e-4
    rate = 2.0 * step / (time_to(speed + step) - time_to(speed - step))
    available, _, _ = available_moving(machine, "fuel", speed)
    left = available - resists
    assert left / inertia_torque(machine, "fuel", 1.0) == pytest.approx(rate, rel=1e-6)


def test_against_the_simulator_at_full_current() -> None:
    """A large step of the command: while the current stands at its limit the stem accelerates as the margin reckons.

    Dry and viscous friction, gear efficiency with the motor driving and the rotor behind the teeth are all in it; the stem's
    vibration on the gears is averaged out over the run-up.
    """
    machine = stiff(4e-5)
    for name in LEGS:
        leg = machine.legs[name]
        level = np.full_like(leg.running, 2.0)
        machine = machine.with_leg(name, running=level, breakaway=level, pressure_slope=0.0, hydrodynamic=0.0)
        machine = machine.with_servo(name, speed_limit=20.0, half_gap=0.0)
    start = rig().analysis.schedule.points[0]
    gains = {name: gains_of(rig().machine.legs[name].servo) for name in LEGS}
    command = {name: np.array([start.legs[name].angle, start.legs[name].angle + 0.7]) for name in LEGS}
    trace = simulate(machine, gains, command, start, 0.1, hydraulics=False, record=1e-4)
    for name in LEGS:
        leg, servo = trace.legs[name], machine.legs[name].servo
        speed = np.gradient(leg.stem, trace.time)
        full = np.nonzero(leg.current > 0.975 * servo.current_limit)[
            0
        ]  # the current loop lags the rising back-EMF a little
        first, last = int(full[0]) + 20, int(full[-1]) - 5
        assert last - first > 50
        rate = float(np.polyfit(trace.time[first:last], speed[first:last], 1)[0])
        limited = machine.with_servo(name, current_limit=float(np.mean(leg.current[first:last])))
        available, current, _ = available_moving(limited, name, float(np.mean(speed[first:last])))
        assert current == limited.legs[name].servo.current_limit
        left = available - greatest_need(machine.legs[name], 0.0, breakaway=False)
        assert rate == pytest.approx(left / inertia_torque(machine, name, 1.0), rel=0.01)
