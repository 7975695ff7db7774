"""Offsets, observer, sensor lags, trim and jitter in the compiled simulator against the exact loop and the slow one.

The simulator runs on the smooth machine; its error comes from the integration step alone. Its jitter is drawn beforehand:
the slow event-by-event simulation is given the same delays.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from event_loop import ORDER, simulate_events

import valvectl
from valvectl.parts.controller import CascadeGains
from valvectl.parts.controller_more import PID, STATE_FEEDBACK, ControllerMore
from valvectl.plant.machine import Machine
from valvectl.plant.sampling_numbers import drawn_lateness
from valvectl.plant.simulate import Trace, simulate, time_grid
from valvectl.servo.sampled import closed_loop
from valvectl.servo.transfers import loop_gain
from valvectl.servo.tune import gains_of, loop_margins

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
GAINS = CascadeGains(position=30.0, speed=1.2, speed_integral=25.0, current=0.9, current_integral=600.0)
SIZE = math.radians(0.5)
US = 1e-6

CASES: dict[str, dict[str, object]] = {
    "offsets": {"speed_offset": 130 * US, "current_offset": 22.5 * US},
    "offset and fractional delays": {
        "speed_offset": 325 * US, "current_offset": 5 * US, "position_delay": 437 * US, "speed_delay": 111 * US,
        "current_delay": 33 * US,
    },
    "observer": {"observer_bandwidth": 900.0, "speed_filter": 0.0},
    "observer, offsets": {"observer_bandwidth": 1500.0, "observer_damping": 0.7, "speed_offset": 200 * US},
    "sensor lags": {"position_sensor_lag": 300 * US, "speed_sensor_lag": 120 * US, "current_sensor_lag": 40 * US},
    "trim from the stem": {
        "position_on_motor": True, "trim_gain": 4.0, "trim_sensor_lag": 500 * US, "position_sensor_lag": 90 * US,
    },
    "all of it": {
        "position_period": 1500 * US, "position_delay": 1630 * US, "speed_period": 500 * US, "speed_delay": 237 * US,
        "current_period": 100 * US, "current_delay": 131 * US, "speed_offset": 310 * US, "current_offset": 45 * US,
        "observer_bandwidth": 1100.0, "observer_damping": 0.9, "position_on_motor": True, "trim_gain": 3.0,
        "trim_sensor_lag": 400 * US, "position_sensor_lag": 50 * US, "speed_sensor_lag": 50 * US,
        "current_sensor_lag": 40 * US, "feedforward": 0.8,
    },
}  # fmt: skip


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


def smooth(**changes: object) -> Machine:
    machine = rig().machine.smooth()
    for name in machine.legs:
        machine = machine.with_servo(name, **{"feedforward": 0.0, **changes})
    return machine


def run(
    machine: Machine, command: np.ndarray, step: float = 10 * US, seed: int = 0, gains: CascadeGains = GAINS
) -> Trace:
    point = rig().analysis.schedule.points[15]
    period = machine.legs["oxidizer"].servo.position_period
    order = {name: np.full(command.size, leg.angle) for name, leg in point.legs.items()}
    order["oxidizer"] = order["oxidizer"] + command
    both = dict.fromkeys(machine.legs, gains)
    duration = period * (command.size - 1)
    return simulate(machine, both, order, point, duration, hydraulics=False, step=step, record=period, seed=seed)


def stepped(count: int) -> np.ndarray:
    command = np.full(count, SIZE)
    command[0] = 0.0
    return command


@pytest.mark.parametrize("case", list(CASES))
def test_step_of_the_command(case):
    """Stem, motor and current at every position sample within 2e-4 of their largest."""
    machine = smooth(**CASES[case])
    servo = machine.legs["oxidizer"].servo
    count = round(0.15 / servo.position_period)
    exact = closed_loop(servo, GAINS).simulate(np.column_stack([stepped(count), np.zeros(count)]))
    leg = run(machine, stepped(count)).legs["oxidizer"]
    for got, column in ((leg.stem - leg.stem[0], 1), (leg.motor - leg.motor[0], 2), (leg.current, 3)):
        assert np.max(np.abs(got - exact[:, column])) < 2e-4 * np.max(np.abs(exact[:, column])), column


@pytest.mark.parametrize("case", ["offsets", "sensor lags", "all of it"])
def test_error_falls_with_the_step(case):
    """A quarter of the step: near a sixteenth of the motor's error (second order in the step)."""
    machine = smooth(**CASES[case], damping=0.0)
    servo = machine.legs["oxidizer"].servo
    exact = closed_loop(servo, GAINS).simulate(np.column_stack([stepped(60), np.zeros(60)]))
    errors = []
    coarse = time_grid(machine, 10 * US).step  # offsets may ask for shorter steps
    for step in (coarse, 0.25 * coarse):
        leg = run(machine, stepped(60), step).legs["oxidizer"]
        errors.append(float(np.max(np.abs(leg.motor - leg.motor[0] - exact[:, 2]))))
    assert errors[1] < errors[0] / 12.0


def test_samples_fall_on_steps():
    """The step divides periods and offsets, so that a sample is never moved."""
    machine = smooth(speed_offset=130 * US, current_offset=22.5 * US)
    grid = time_grid(machine, 10 * US)
    for time in (50 * US, 130 * US, 22.5 * US):
        assert time / grid.step == pytest.approx(round(time / grid.step), abs=1e-6)
    assert 2.0 * US < grid.step <= 2.5 * US * (1.0 + 1e-9)


@pytest.mark.parametrize("structure", [PID, STATE_FEEDBACK])
def test_other_structures_with_offset_and_lags(structure):
    """PID and state feedback: current loop offset from their samples, both sensors with a lag."""
    more = ControllerMore(structure, bandwidth=2.0 * math.pi * 6.0)
    machine = smooth(
        more=more, gains=None, current_offset=22.5 * US, position_sensor_lag=300 * US, current_sensor_lag=30 * US
    )
    servo = machine.legs["oxidizer"].servo
    gains = gains_of(servo)
    count = round(0.15 / servo.position_period)
    exact = closed_loop(servo, gains).simulate(np.column_stack([stepped(count), np.zeros(count)]))
    # started at rest at an angle, not at zero: the integral holds what the weight leaves out of the command
    leg = run(machine, stepped(count), gains=gains).legs["oxidizer"]
    for got, column in ((leg.stem - leg.stem[0], 1), (leg.motor - leg.motor[0], 2), (leg.current, 3)):
        assert np.max(np.abs(got - exact[:, column])) < 1e-3 * np.max(np.abs(exact[:, column])), column


def test_current_fed_forward_travels_with_the_jitter():
    """Set-point of the speed and current fed forward arrive together: the slow simulation with both fed the same delays."""
    fed = ControllerMore(feedforward_acceleration=1.0)
    machine = smooth(more=fed, position_jitter=240 * US, position_delay=437 * US)
    calm = smooth(more=fed, position_delay=437 * US)
    with_jitter, without = (run(m, stepped(60)).legs["oxidizer"].stem for m in (machine, calm))
    assert np.max(np.abs(with_jitter - without)) > 1e-6 * SIZE
    assert abs(with_jitter[-1] - without[-1]) < 0.02 * SIZE


@pytest.mark.parametrize("seed", [0, 3])
def test_jitter_against_the_slow_simulation_with_the_same_delays(seed):
    """Random delays of all three loops: every position sample within 2e-5 of the step.

    The run without jitter differs from it by far more, so that the delays are those drawn and no others."""
    timing = {"position_delay": 437 * US, "speed_delay": 160 * US, "current_delay": 30 * US}
    jitter = {"position_jitter": 240 * US, "speed_jitter": 120 * US, "current_jitter": 12 * US}
    machine = smooth(**timing, **jitter, speed_offset=150 * US)
    servo = machine.legs["oxidizer"].servo
    count = 120
    late = drawn_lateness(seed)[0]
    ranges = {"position": servo.position_jitter, "speed": servo.speed_jitter, "current": servo.current_jitter}
    command = stepped(count)
    slow = simulate_events(
        servo, GAINS, count, list(command), [0.0] * count,
        lateness=lambda loop, n: ranges[loop] * late[ORDER.index(loop), n % late.shape[1]],
    )  # fmt: skip
    leg = run(machine, command, step=5 * US, seed=seed).legs["oxidizer"]
    stem = leg.stem - leg.stem[0]
    off = np.max(np.abs(stem - np.array(slow.stem)))
    calm = run(smooth(**timing, speed_offset=150 * US), command, step=5 * US).legs["oxidizer"]
    assert off < 2e-5 * SIZE
    assert np.max(np.abs(stem - (calm.stem - calm.stem[0]))) > 50.0 * off


def test_jitter_is_the_same_in_every_run_of_a_seed():
    machine = smooth(position_jitter=200 * US, speed_jitter=50 * US)
    first, again, other = (run(machine, stepped(60), seed=seed).legs["oxidizer"].stem for seed in (1, 1, 2))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


@pytest.mark.parametrize("case", ["offset and fractional delays", "observer, offsets", "sensor lags"])
def test_loop_gain_from_simulated_sines(case):
    """L = y/e from the simulator at small amplitude, up to four times crossover: within 0.3 % and 0.3 deg.

    Asked for are 1 % and 1 deg.
    """
    machine = smooth(**CASES[case])
    servo = machine.legs["oxidizer"].servo
    crossover = loop_margins(servo, GAINS, "position").margins.gain_crossover
    loop = loop_gain(servo, GAINS, "position")
    period = servo.position_period
    settle, samples = math.ceil(0.5 / period), round(0.4 / period)
    for factor in (0.5, 1.0, 2.0, 4.0):
        cycles = max(1, round(factor * crossover * samples * period / (2.0 * math.pi)))
        omega = 2.0 * math.pi * cycles / (samples * period)
        command = SIZE * np.sin(omega * period * np.arange(settle + samples))
        leg = run(machine, command).legs["oxidizer"]
        turn = np.exp(-1j * omega * period * np.arange(settle, settle + samples))
        stem = (leg.stem - leg.stem[0])[settle : settle + samples]
        if servo.position_sensor_lag > 0.0:  # the loop compares what the sensor gives, lag and all
            seen = closed_loop(servo, GAINS).response(np.array([omega]))[0]
            ratio = seen[0, 0] / seen[1, 0]
        else:
            ratio = 1.0
        y = np.sum(stem * turn) * ratio
        e = np.sum(command[settle : settle + samples] * turn) - y
        quotient = y / e / loop.response(np.array([omega]))[0, 0, 0]
        assert abs(quotient) == pytest.approx(1.0, abs=3e-3), factor
        assert math.degrees(abs(np.angle(quotient))) < 0.3, factor


@pytest.mark.parametrize("leg", ["oxidizer", "fuel"])
def test_loop_gain_of_the_simulator_with_everything_but_friction(leg):
    """Small sines on the machine with its lost motion, quantised encoders, limits and sagging bus: within 1 % and 1 deg.

    Dry friction has no small-signal limit (a valve that sticks does not move at all), so that it and the losses of the
    mesh are left out; a spring keeps the gears on one flank, as a linear model assumes.
    """
    machine = rig().machine
    for name in machine.legs:
        numbers = machine.legs[name]
        train = replace(numbers.servo.train, efficiency=1.0, backdrive_efficiency=1.0)
        machine = machine.with_servo(
            name, train=train, motor_friction=0.0, hold_band=0.0, command_step=0.0, feedforward=0.0, return_preload=2.0,
            speed_offset=200 * US, current_sensor_lag=20 * US, observer_bandwidth=1200.0, speed_filter=0.0,
        ).with_leg(
            name, running=np.zeros_like(numbers.running), breakaway=np.zeros_like(numbers.breakaway), hydrodynamic=0.0
        )  # fmt: skip
    servo = machine.legs[leg].servo
    assert servo.half_gap > 0.0
    assert servo.position_count > 0.0
    assert servo.speed_count > 0.0
    gains = gains_of(servo)
    found = loop_margins(servo, gains, "position")
    crossover, loop, period = found.margins.gain_crossover, found.loop, servo.position_period
    point = rig().analysis.schedule.points[15]
    settle, samples = math.ceil(0.5 / period), round(1.0 / period)
    for factor in (0.3, 1.0, 2.0, 4.0):
        cycles = round(factor * crossover * samples * period / (2.0 * math.pi))
        omega = 2.0 * math.pi * cycles / (samples * period)
        sine = math.radians(0.4) * np.sin(omega * period * np.arange(settle + samples))
        order = {name: np.full(sine.size, place.angle) for name, place in point.legs.items()}
        order[leg] = order[leg] + sine
        both = dict.fromkeys(machine.legs, gains)
        duration = period * (sine.size - 1)
        trace = simulate(machine, both, order, point, duration, hydraulics=False, step=10 * US, record=period).legs[leg]
        assert trace.peak_current < servo.current_limit
        turn = np.exp(-1j * omega * period * np.arange(settle, settle + samples))
        y = np.sum((trace.stem - np.mean(trace.stem[settle:]))[settle : settle + samples] * turn)
        quotient = y / (np.sum(sine[settle:] * turn) - y) / loop.response(np.array([omega]))[0, 0, 0]
        assert abs(quotient) == pytest.approx(1.0, abs=0.01), factor
        assert math.degrees(abs(np.angle(quotient))) < 1.0, factor
