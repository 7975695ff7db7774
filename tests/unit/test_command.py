"""Commands planned as shaped moves, each valve alone or both matched."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import LEGS
from valvectl.parts.command_shape import KINDS, MINIMUM_JERK, RAMP, S_CURVE, TRAPEZOID, Shape
from valvectl.plant.command import matched_time, move_command, shortest
from valvectl.plant.schedule import commands

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
PROFILE = [(0.0, 1.0), (0.2, 1.0), (0.2, 0.4), (0.9, 0.4), (1.0, 0.8), (1.2, 0.5), (2.0, 0.5)]
ACCELERATION, JERK = 200.0, 2e4


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


def shaped(kind: float, matched: bool, **speeds: float):
    machine = replace(rig().machine, rate_matched=matched)
    for name in LEGS:
        changes = {"shape": Shape(kind, ACCELERATION, JERK), "command_step": 0.0, "position_period": 1e-3}
        if name in speeds:
            changes["speed_limit"] = speeds[name]
        machine = machine.with_servo(name, **changes)
    return machine


def peaks(machine, name, command):
    h = machine.legs[name].servo.position_period
    return [float(np.max(np.abs(np.diff(command, order)))) / h**order for order in (1, 2, 3)]


def moving(machine, name, command, after, before):
    """First and last time at which a command moves between two times [s]."""
    h = machine.legs[name].servo.position_period
    busy = np.nonzero(np.abs(np.diff(command)) > 1e-13)[0] * h
    busy = busy[(busy >= after - 1e-9) & (busy < before)]
    return busy[0], busy[-1] + h


@pytest.mark.parametrize("matched", [False, True], ids=["alone", "matched"])
@pytest.mark.parametrize("kind", list(KINDS.values()), ids=list(KINDS))
def test_limits_hold_and_targets_are_reached(kind, matched):
    machine = shaped(kind, matched)
    order = commands(machine, rig().analysis.schedule, PROFILE, 2.0)
    for name in LEGS:
        speed, acceleration, jerk = peaks(machine, name, order[name])
        servo = machine.legs[name].servo
        assert speed <= servo.speed_limit * (1 + 1e-9)
        if kind in (TRAPEZOID, S_CURVE, MINIMUM_JERK):
            assert acceleration <= ACCELERATION * 1.002
        if kind in (S_CURVE, MINIMUM_JERK):
            assert jerk <= JERK * 1.02
        ends = rig().analysis.schedule.angle_at(name, np.array([1.0, 0.4, 0.5]))
        assert order[name][0] == pytest.approx(ends[0], rel=1e-15)  # processors differ in the last digit
        assert order[name][round(0.85 / servo.position_period)] == pytest.approx(ends[1], abs=1e-12)
        assert order[name][-1] == pytest.approx(ends[2], abs=1e-12)


@pytest.mark.parametrize("kind", list(KINDS.values()), ids=list(KINDS))
def test_matched_valves_start_and_end_together(kind):
    machine = shaped(kind, True, fuel=1.5)
    schedule = rig().analysis.schedule
    order = commands(machine, schedule, [*PROFILE[:3], (1.5, 0.4)], 1.5)
    spans = [moving(machine, name, order[name], 0.15, 1.5) for name in LEGS]
    longest = matched_time(machine, schedule, 1.0, 0.4)
    for first, last in spans:
        assert first == pytest.approx(0.2, abs=1.1e-3)
        assert last - first == pytest.approx(longest, abs=2.1e-3)


def test_valves_alone_take_their_own_time():
    machine = shaped(RAMP, False, fuel=1.5)
    order = commands(machine, rig().analysis.schedule, PROFILE[:4], 0.9)
    slow = moving(machine, "fuel", order["fuel"], 0.15, 0.9)
    fast = moving(machine, "oxidizer", order["oxidizer"], 0.15, 0.9)
    assert slow[1] - slow[0] > 2.0 * (fast[1] - fast[0])


@pytest.mark.parametrize("kind", [RAMP, MINIMUM_JERK])
def test_matched_angles_lie_on_the_schedule(kind):
    """At every sample both angles belong to one throttle setting: the ratio commanded is right on the way.

    The smooth shapes follow a curve through the table's entries, which lies off the table's chords by some 3e-4.
    """
    machine = shaped(kind, True)
    schedule = rig().analysis.schedule
    order = commands(machine, schedule, PROFILE[:4], 0.9)
    setting = [np.interp(order[name], schedule.angle[name], schedule.throttle) for name in LEGS]
    assert setting[0] == pytest.approx(setting[1], abs=1e-9 if kind == RAMP else 5e-4)


def test_a_move_waits_for_the_one_before():
    machine = shaped(MINIMUM_JERK, False, oxidizer=1.0)
    profile = [(0.0, 1.0), (0.1, 1.0), (0.1, 0.4), (0.2, 0.4), (0.2, 1.0), (3.0, 1.0)]
    schedule = rig().analysis.schedule
    order = commands(machine, schedule, profile, 3.0)["oxidizer"]
    low, high = schedule.angle_at("oxidizer", np.array([0.4, 1.0]))
    assert np.min(order) == pytest.approx(low, abs=1e-3)
    turn = float(np.argmin(order)) * 1e-3
    assert turn == pytest.approx(0.1 + shortest(machine.legs["oxidizer"].servo, high - low), abs=2e-3)
    assert order[-1] == pytest.approx(high, abs=1e-12)


def test_a_slow_profile_keeps_its_times():
    machine = shaped(MINIMUM_JERK, True)
    profile = [(0.0, 1.0), (0.1, 1.0), (1.1, 0.6), (1.3, 0.6)]
    order = commands(machine, rig().analysis.schedule, profile, 1.3)
    for name in LEGS:
        first, last = moving(machine, name, order[name], 0.0, 1.3)
        assert 0.1 <= first < 0.13
        assert 1.07 < last <= 1.101


@pytest.mark.parametrize("kind", [TRAPEZOID, S_CURVE, MINIMUM_JERK])
def test_a_step_takes_its_shape(kind):
    servo = shaped(kind, False).legs["fuel"].servo
    wanted = np.full(400, 0.9)
    wanted[0] = 0.5
    command = move_command(servo, wanted)
    assert command[0] == 0.5
    assert command[-1] == pytest.approx(0.9)
    done = int(np.nonzero(command >= 0.9 - 1e-12)[0][0])
    assert done == pytest.approx(shortest(servo, 0.4) / servo.position_period, abs=1.5)
    assert move_command(servo, np.full(5, 0.3)) == pytest.approx(0.3)
