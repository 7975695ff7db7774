"""The exact sampled loop against a slow simulation of the linear plant, event by event: every sample within 1e-9."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import event_loop
import numpy as np
import pytest
from event_loop import PICO, Actuator, simulate_events
from scipy.integrate import solve_ivp

import valvectl
from valvectl.parts.controller import CascadeGains
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.sampled import closed_loop, open_loop
from valvectl.servo.transfers import PLACES, complementary, loop_gain, sensitivity, transfers

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
GAINS = CascadeGains(position=30.0, speed=1.2, speed_integral=25.0, current=0.9, current_integral=600.0)
US = 1e-6

CASES: dict[str, dict[str, object]] = {
    "three rates, no delay": {
        "position_delay": 0.0, "speed_delay": 0.0, "current_delay": 0.0, "speed_filter": 0.0,
    },
    "three rates, fractional delays": {
        "position_period": 1200 * US, "position_delay": 770 * US, "speed_period": 400 * US, "speed_delay": 137 * US,
        "current_period": 80 * US, "current_delay": 33 * US,
    },
    "delays longer than periods": {
        "position_period": 1000 * US, "position_delay": 2350 * US, "speed_period": 500 * US, "speed_delay": 610 * US,
        "current_period": 50 * US, "current_delay": 71 * US, "position_on_motor": True,
    },
    "two loops at one rate, delay of a whole period": {
        "position_period": 200 * US, "position_delay": 200 * US, "speed_period": 200 * US, "speed_delay": 200 * US,
        "current_period": 100 * US, "current_delay": 100 * US,
    },
    "offsets": {
        "speed_offset": 130 * US, "current_offset": 22.5 * US, "position_delay": 400 * US, "speed_delay": 370 * US,
    },
    "offsets and delays that make a whole period": {
        "speed_offset": 150 * US, "speed_delay": 350 * US, "current_offset": 25 * US, "current_delay": 25 * US,
        "position_delay": 650 * US,
    },
    "observer": {"observer_bandwidth": 900.0, "observer_damping": 1.0, "speed_filter": 0.0},
    "observer below critical damping, offsets": {
        "observer_bandwidth": 1500.0, "observer_damping": 0.7, "speed_offset": 200 * US, "current_offset": 10 * US,
    },
    "observer above critical damping": {"observer_bandwidth": 700.0, "observer_damping": 1.6},
    "sensor lags": {
        "position_sensor_lag": 300 * US, "speed_sensor_lag": 120 * US, "current_sensor_lag": 20 * US,
    },
    "trim from the stem": {
        "position_on_motor": True, "trim_gain": 4.0, "trim_sensor_lag": 500 * US, "position_sensor_lag": 90 * US,
    },
    "all of it": {
        "position_period": 1500 * US, "position_delay": 1630 * US, "speed_period": 500 * US, "speed_delay": 237 * US,
        "current_period": 100 * US, "current_delay": 131 * US, "speed_offset": 310 * US, "current_offset": 45 * US,
        "observer_bandwidth": 1100.0, "observer_damping": 0.9, "position_on_motor": True, "trim_gain": 3.0,
        "trim_sensor_lag": 400 * US, "position_sensor_lag": 50 * US, "speed_sensor_lag": 50 * US,
        "current_sensor_lag": 15 * US, "feedforward": 0.8,
    },
}  # fmt: skip


@cache
def base() -> Servo:
    return valvectl.load(RIG).machine.legs["oxidizer"].servo


def servo_of(case: str) -> Servo:
    return replace(base(), **CASES[case])  # type: ignore[arg-type]


def worst(got: np.ndarray, expected: list[float]) -> float:
    """Largest difference over the largest value."""
    reference = np.array(expected)
    return float(np.max(np.abs(got - reference)) / np.max(np.abs(reference)))


@pytest.mark.parametrize("case", list(CASES))
def test_closed_loop_sample_by_sample(case):
    """Random command and load torque: reading, stem, motor and current at every position sample."""
    servo = servo_of(case)
    rng = np.random.default_rng(11)
    count = 150
    command, load = np.cumsum(rng.normal(scale=1e-3, size=count)), rng.normal(scale=0.5, size=count)
    got = closed_loop(servo, GAINS).simulate(np.column_stack([command, load]))
    slow = simulate_events(servo, GAINS, count, list(command), list(load))
    for column, expected in enumerate((slow.returned, slow.stem, slow.motor, slow.current)):
        assert worst(got[:, column], expected) < 1e-9, column


@pytest.mark.parametrize("at", ["position", "speed", "current"])
@pytest.mark.parametrize("case", list(CASES))
def test_cut_loop_sample_by_sample(case, at):
    """A random measurement put in where the loop is cut: what comes back at every sample of that loop."""
    servo = servo_of(case)
    count = 150
    injected = np.random.default_rng(5).normal(size=count)
    got = -open_loop(servo, GAINS, at).simulate(injected[:, None])[:, 0]
    rest = [0.0] * count
    slow = simulate_events(servo, GAINS, count, rest, rest, broken=at, injected=list(injected))
    assert worst(got, slow.returned) < 1e-9


@pytest.mark.parametrize("case", [name for name in CASES if CASES[name].get("trim_gain")])
def test_trim_cut_sample_by_sample(case):
    servo = servo_of(case)
    count = 150
    injected = np.random.default_rng(6).normal(scale=0.01, size=count)
    got = -open_loop(servo, GAINS, "outer").simulate(injected[:, None])[:, 0]
    rest = [0.0] * count
    slow = simulate_events(servo, GAINS, count, rest, rest, broken="outer", injected=list(injected))
    assert worst(got, slow.returned) < 1e-9


@pytest.mark.parametrize("at", PLACES)
@pytest.mark.parametrize("case", ["offsets", "observer", "sensor lags", "all of it"])
def test_sensitivities_close_the_loop_gain(case, at):
    """S + T = 1 and S = 1/(1 + L) at every place where a loop closes, by frequency response."""
    servo = servo_of(case)
    omega = np.geomspace(1e-3, 1.0, 25) * np.pi / loop_gain(servo, GAINS, at).period
    gain, s, t = (f(servo, GAINS, at).response(omega)[:, 0, 0] for f in (loop_gain, sensitivity, complementary))
    assert np.max(np.abs(s + t - 1.0)) < 1e-9
    if at != "outer" or servo.trim_gain > 0.0:
        assert np.max(np.abs(s * (1.0 + gain) - 1.0)) < 1e-7
        everything = transfers(servo, GAINS, at)
        noise = everything.response(omega)[:, 0, 1]
        assert np.max(np.abs(noise + t)) < 1e-7 * np.max(np.abs(t))
    else:
        assert np.max(np.abs(gain - t)) == 0.0


@pytest.mark.parametrize("at", ["position", "speed", "current"])
def test_transfers_sample_by_sample(at):
    """Noise on the measurement that goes round the closed loop, against the slow simulation of the cut loop fed back."""
    servo = servo_of("offsets")
    noise = np.random.default_rng(8).normal(scale=1e-3, size=60)
    everything = transfers(servo, GAINS, at)
    u = np.column_stack([np.zeros(60), noise, np.zeros(60)])
    got = everything.simulate(u)
    injected = got[:, 0] + noise
    rest = [0.0] * 60
    slow = simulate_events(servo, GAINS, 60, rest, rest, broken=at, injected=list(injected))
    assert worst(got[:, 0], slow.returned) < 1e-9
    assert worst(got[:, 1], slow.stem) < 1e-9
    assert worst(got[:, 4], slow.current) < 1e-9


@pytest.mark.parametrize("case", ["offsets", "trim from the stem", "all of it"])
def test_outer_transfer_is_the_closed_loop(case):
    servo = servo_of(case)
    omega = np.array([1.0, 10.0, 60.0, 300.0])
    whole = closed_loop(servo, GAINS).response(omega)
    got = transfers(servo, GAINS, "outer").response(omega)
    assert got[:, 1, 0] == pytest.approx(whole[:, 1, 0], rel=1e-9)  # command to stem
    assert got[:, 1, 2] == pytest.approx(whole[:, 1, 1], rel=1e-9)  # load to stem
    if servo.trim_gain > 0.0:
        # At rest a load torque twists the train between motor and stem; the trim takes that error away.
        twist = 1.0 / servo.spring
        untrimmed = closed_loop(replace(servo, trim_gain=0.0), GAINS).response(np.array([1e-3]))[0, 1, 1]
        assert untrimmed == pytest.approx(-twist, rel=0.02)
        assert abs(closed_loop(servo, GAINS).response(np.array([1e-3]))[0, 1, 1]) < 1e-2 * twist


class IntegratedActuator(Actuator):
    """The same equations stepped by an ordinary solver of high order instead of matrix exponentials."""

    def move(self, duration: int) -> None:
        if duration:
            span = (0.0, duration / PICO)
            done = solve_ivp(lambda t, x: self.a @ x, span, self.x, method="DOP853", rtol=1e-13, atol=1e-18)
            self.x = done.y[:, -1]


@pytest.mark.parametrize("case", ["three rates, fractional delays", "all of it"])
def test_closed_loop_against_an_integrated_plant(case, monkeypatch):
    """No matrix exponential on the slow side: Dormand and Prince of order 8, restarted at every event."""
    monkeypatch.setattr(event_loop, "Actuator", IntegratedActuator)
    servo, count = servo_of(case), 15
    command = np.random.default_rng(2).normal(scale=1e-3, size=count)
    got = closed_loop(servo, GAINS).simulate(np.column_stack([command, np.zeros(count)]))
    slow = simulate_events(servo, GAINS, count, list(command), [0.0] * count)
    for column, expected in enumerate((slow.returned, slow.stem, slow.motor, slow.current)):
        assert worst(got[:, column], expected) < 1e-9, column
