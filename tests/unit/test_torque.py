"""Static torque: what is needed, what standing motors get from a sagging battery, and the margin."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import LEGS, LegName
from valvectl.plant.machine import Machine
from valvectl.studies.torque import (
    available_torque,
    largest_pressure_drop,
    standstill_current,
    stem_torque_needed,
    torque,
)

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@cache
def machine() -> Machine:
    return valvectl.load(RIG).machine


def stiff() -> Machine:
    """A battery and harness without resistance."""
    m = replace(machine(), battery_resistance=0.0)
    for name in LEGS:
        m = m.with_servo(name, harness=0.0)
    return m


def test_largest_pressure_drop():
    """Tank plus head over ambient; a head below counts as none."""
    m = machine()
    leg = m.legs["oxidizer"]
    assert leg.head > 0.0
    assert largest_pressure_drop(m, "oxidizer") == leg.tank_pressure + leg.head - m.ambient_pressure
    low = m.with_leg("oxidizer", head=-2e5)
    assert largest_pressure_drop(low, "oxidizer") == leg.tank_pressure - m.ambient_pressure


def test_torque_needed_by_hand():
    """At the table's peak the slope adds torque per pressure as stated; elsewhere and running in proportion."""
    leg = machine().legs["oxidizer"]
    drop = 15e5
    stream = leg.hydrodynamic * leg.bore**3 * drop
    peak = float(leg.breakaway.max())
    needed = stem_torque_needed(leg, drop, breakaway=True, dwell=1.3)
    expected = leg.cold_factor * 1.3 * (peak + leg.pressure_slope * drop) + stream
    assert float(needed.max()) == pytest.approx(expected, rel=1e-12)
    running = stem_torque_needed(leg, drop, breakaway=False)
    j = 700
    factor = (peak + leg.pressure_slope * drop) / peak
    assert running[j] == pytest.approx(leg.cold_factor * factor * float(leg.running[j]) + stream, rel=1e-12)
    assert np.all(running <= needed)
    assert stem_torque_needed(leg, 0.0, breakaway=False) == pytest.approx(leg.cold_factor * leg.running)


def test_valve_without_friction_needs_only_the_stream():
    zero = np.zeros_like(machine().legs["fuel"].breakaway)
    leg = replace(machine().legs["fuel"], breakaway=zero, running=zero, pressure_slope=0.0)
    stream = leg.hydrodynamic * leg.bore**3 * 2e6
    assert stem_torque_needed(leg, 2e6, breakaway=True) == pytest.approx(np.full(zero.size, stream))
    m = machine().with_leg("fuel", breakaway=zero, running=zero, pressure_slope=0.0, hydrodynamic=0.0)
    assert torque(m, "fuel").margin == math.inf


def test_standstill_current_with_a_stiff_battery():
    """The lesser of the limit and duty x voltage over the hot winding."""
    m = stiff()
    servo = m.legs["fuel"].servo
    current, volts = standstill_current(m, "fuel", 22.0)
    assert volts == pytest.approx(22.0, rel=1e-12)
    assert current == servo.current_limit
    current, _ = standstill_current(m, "fuel", 5.0)
    assert current == pytest.approx(servo.duty_limit * 5.0 / servo.hot_resistance, rel=1e-9)
    assert current < servo.current_limit


def test_standstill_current_with_a_sagging_battery():
    """The voltage found satisfies battery - R (all currents) - harness (own current); both drives pull R I^2 + idle."""
    m = machine()
    current, volts = standstill_current(m, "oxidizer", 22.0)
    servo = m.legs["oxidizer"].servo
    assert current == servo.current_limit

    def drawn(name: LegName) -> float:
        s = m.legs[name].servo
        return (s.hot_resistance * s.current_limit**2 + s.idle_power) / volts

    level = 22.0 - m.battery_resistance * (m.other_loads + drawn("oxidizer") + drawn("fuel"))
    assert volts == pytest.approx(level - servo.harness * drawn("oxidizer"), rel=1e-7)


def test_available_torque():
    """N x static efficiency x (K hot x I - friction), none below the friction; a ratio may be tried."""
    m = machine()
    servo = m.legs["oxidizer"].servo
    shaft = servo.hot_torque_constant * 6.0 - servo.motor_friction
    expected = servo.ratio * servo.train.static_efficiency * shaft
    assert available_torque(m, "oxidizer", 6.0) == pytest.approx(expected, rel=1e-12)
    assert available_torque(m, "oxidizer", 6.0, ratio=30.0) == pytest.approx(expected * 30.0 / servo.ratio, rel=1e-12)
    assert available_torque(m, "oxidizer", 0.5 * servo.motor_friction / servo.hot_torque_constant) == 0.0
    assert servo.hot_torque_constant < servo.torque_constant


@pytest.mark.parametrize("name", LEGS)
def test_margin_is_the_worst_over_the_travel(name):
    m = machine()
    result = torque(m, name)
    assert result.margin == pytest.approx(float(np.min(result.available / result.needed)) - 1.0, rel=1e-6)
    assert result.needed[int(np.argmin(np.abs(result.angle - result.worst_angle)))] == pytest.approx(
        float(result.needed.max())
    )
    leg = m.legs[name]
    full = stem_torque_needed(leg, result.pressure_drop, breakaway=True, dwell=leg.dwell_factor)
    assert result.margin == pytest.approx(result.available / float(full.max()) - 1.0, rel=1e-12)
    frame = result.to_frame()
    assert float(frame["margin [%]"].min()) == pytest.approx(100.0 * result.margin, rel=1e-6)


@pytest.mark.parametrize(
    ("changes", "worse"),
    [
        ({"battery_minimum": 6.0}, True),
        ({"battery_minimum": 24.0}, False),  # the current limit binds already
    ],
)
def test_battery_matters_only_when_it_binds(changes, worse):
    before, after = torque(machine(), "oxidizer"), torque(replace(machine(), **changes), "oxidizer")
    assert (after.margin < before.margin) == worse
    if not worse:
        assert after.margin == before.margin
