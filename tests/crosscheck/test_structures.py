"""Further structures of the controller: the exact sampled loop against the time simulation of the smooth machine.

Every position sample of stem and motor must agree. The simulator's error comes from its integration step alone and falls
with the step squared, so that a finer step must come nearer.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.parts.controller_more import CASCADE, PID, STATE_FEEDBACK, ControllerMore
from valvectl.plant.simulate import simulate
from valvectl.servo.sampled import closed_loop
from valvectl.servo.tune import gains_of, loop_margins

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
STEP = 10e-6
SIZE = math.radians(0.5)
FORWARD = {"feedforward_acceleration": 1.0}
NOTCH = {"notch_frequency": 180.0, "notch_width": 0.4, "notch_depth": 0.1}

MORE = {
    "cascade, acceleration fed forward": ControllerMore(CASCADE, **FORWARD),
    "cascade, notch": ControllerMore(CASCADE, **NOTCH),
    "cascade, both": ControllerMore(CASCADE, **FORWARD, **NOTCH),
    "pid": ControllerMore(PID),
    "pid, weight, notch, forward": ControllerMore(PID, weight=0.4, **FORWARD, **NOTCH),
    "state feedback": ControllerMore(STATE_FEEDBACK),
    "state feedback, weight, forward": ControllerMore(STATE_FEEDBACK, weight=0.4, damping=0.8, **FORWARD),
}
RATES = {
    "example": {},
    "fractional delays": {
        "position_period": 1.2e-3, "position_delay": 0.77e-3, "speed_period": 0.4e-3,
        "speed_delay": 0.137e-3, "current_period": 80e-6, "current_delay": 33e-6,
    },
    "delays longer than a period": {
        "position_period": 1e-3, "position_delay": 2.35e-3, "speed_period": 0.5e-3,
        "speed_delay": 0.61e-3, "current_period": 50e-6, "current_delay": 71e-6,
    },
    "offsets, observer, lagging sensors": {
        "speed_offset": 125e-6, "current_offset": 25e-6, "observer_bandwidth": 1500.0, "position_sensor_lag": 0.2e-3,
        "current_sensor_lag": 20e-6,
    },
    "trim from the stem": {"position_on_motor": True, "trim_gain": 3.0, "trim_limit": 1e6},
    "no delay": {"position_delay": 0.0, "speed_delay": 0.0, "current_delay": 0.0},
}  # fmt: skip


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


def machine_with(more, **changes):
    machine = replace(rig().machine.smooth(), battery_resistance=0.0)
    for name in machine.legs:
        machine = machine.with_servo(name, harness=0.0, more=more, **changes)
    return machine


def both(machine, feedforward, step):
    """Samples of stem and motor from the simulation and from the exact loop, relative to the start [rad]."""
    machine = machine.with_servo("oxidizer", feedforward=feedforward)
    servo = machine.legs["oxidizer"].servo
    gains = gains_of(servo)
    count = round(0.12 / servo.position_period) + 1
    # a ramp, then rest: second differences of the command at both ends
    command = SIZE * np.clip(np.arange(count) / 12.0, 0.0, 1.0)
    point = rig().analysis.schedule.points[15]
    order = {name: np.full(count, leg.angle) for name, leg in point.legs.items()}
    order["oxidizer"] = order["oxidizer"] + command
    trace = simulate(
        machine, dict.fromkeys(machine.legs, gains), order, point, servo.position_period * (count - 1),
        hydraulics=False, step=step, record=servo.position_period,
    )  # fmt: skip
    exact = closed_loop(servo, gains).simulate(np.column_stack([command, np.zeros(count)]))
    leg = trace.legs["oxidizer"]
    return np.column_stack([leg.stem - leg.stem[0], leg.motor - leg.motor[0]]), exact[:, 1:3]


@pytest.mark.parametrize("rates", list(RATES))
@pytest.mark.parametrize("name", list(MORE))
def test_every_sample_agrees(name, rates):
    simulated, exact = both(machine_with(MORE[name], **RATES[rates]), 0.6, STEP)
    assert simulated == pytest.approx(exact, abs=2e-4 * SIZE, rel=0)


@pytest.mark.parametrize("name", ["cascade, both", "pid, weight, notch, forward", "state feedback, weight, forward"])
def test_a_finer_step_comes_nearer(name):
    machine = machine_with(MORE[name], damping=0.0)
    errors = []
    for step in (12.5e-6, 3.125e-6):
        simulated, exact = both(machine, 0.6, step)
        errors.append(float(np.max(np.abs(simulated - exact))))
    assert errors[1] < errors[0] / 10.0


@pytest.mark.parametrize("name", list(MORE))
def test_the_command_is_reached(name):
    servo = machine_with(MORE[name]).legs["oxidizer"].servo
    exact = closed_loop(servo, gains_of(servo)).simulate(np.column_stack([np.full(2000, SIZE), np.zeros(2000)]))
    assert exact[-1, 1] == pytest.approx(SIZE, rel=1e-6)


@pytest.mark.parametrize("structure", [PID, STATE_FEEDBACK])
def test_margins_say_when_the_loop_turns_unstable(structure):
    """The gain margin, found on the frequency response, is where an eigenvalue of the exact closed loop crosses one."""
    servo = machine_with(ControllerMore(structure)).legs["oxidizer"].servo
    gains = gains_of(servo)
    found = loop_margins(servo, gains, "position")
    factor = 10.0 ** (found.margins.gain_margin_db / 20.0)
    loop = found.loop
    for share, stable in ((0.999, True), (1.001, False)):
        closed = loop.a - share * factor * loop.b @ loop.c
        assert bool(np.max(np.abs(np.linalg.eigvals(closed))) < 1.0) is stable
