"""Schedule, profile and commands."""

from __future__ import annotations

import math
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import LEGS
from valvectl.errors import NoBalanceError
from valvectl.plant.balance import solve
from valvectl.plant.command import stretches
from valvectl.plant.schedule import build_schedule, commands, limit_rate, throttle_at
from valvectl.studies.throttle import schedule_point

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


# ----------------------------------------------------------------------------------------------------- throttle_at


def at(profile, *times) -> list[float]:
    return [float(x) for x in throttle_at(profile, np.array(times))]


def test_profile_between_corners():
    profile = [(0.0, 1.0), (1.0, 1.0), (2.0, 0.4), (4.0, 0.8)]
    assert at(profile, 0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0) == pytest.approx([1.0, 1.0, 1.0, 0.7, 0.4, 0.6, 0.8])


def test_profile_is_held_outside():
    assert at([(0.0, 0.9), (1.0, 0.5)], -1.0, 1.0, 7.0) == [0.9, 0.5, 0.5]


def test_jump_takes_the_later_value():
    profile = [(0.0, 1.0), (1.0, 1.0), (1.0, 0.5), (2.0, 0.5)]
    assert at(profile, 1.0 - 1e-9, 1.0, 1.0 + 1e-9) == [1.0, 0.5, 0.5]


def test_jump_at_either_end():
    assert at([(0.0, 1.0), (0.0, 0.5), (2.0, 0.5)], 0.0, 1.0) == [0.5, 0.5]
    assert at([(0.0, 1.0), (2.0, 1.0), (2.0, 0.5)], 1.999, 2.0, 3.0) == [1.0, 0.5, 0.5]


def test_several_corners_at_one_time():
    profile = [(0.0, 1.0), (1.0, 1.0), (1.0, 0.4), (1.0, 0.8), (2.0, 0.6)]
    assert at(profile, 0.999, 1.0, 1.5) == pytest.approx([1.0, 0.8, 0.7])


# ------------------------------------------------------------------------------------------------------ limit_rate


def test_rate_limit_follows_at_the_rate():
    wanted = np.array([0.0, 1.0, 1.0, 1.0, 1.0, 0.0])
    assert limit_rate(wanted, 0.4) == pytest.approx([0.0, 0.4, 0.8, 1.0, 1.0, 0.6])


def test_rate_limit_leaves_a_slow_command_alone():
    wanted = np.linspace(0.0, 1.0, 11)
    assert limit_rate(wanted, 0.1 + 1e-12) is wanted
    assert limit_rate(np.array([0.3]), 0.1) == pytest.approx([0.3])


def test_rate_limit_of_a_random_command():
    rng = np.random.default_rng(3)
    wanted = np.cumsum(rng.normal(size=400))
    limited = limit_rate(wanted, 0.7)
    assert np.max(np.abs(np.diff(limited))) <= 0.7 + 1e-12
    assert limited[0] == wanted[0]
    # Each sample is as near to what was wanted as one step allows.
    for k, (before, after) in enumerate(pairwise(limited), start=1):
        assert abs(after - wanted[k]) == pytest.approx(max(abs(wanted[k] - before) - 0.7, 0.0), abs=1e-12)


# --------------------------------------------------------------------------------------------------------- schedule


def test_schedule_is_exact_at_its_entries():
    machine = rig().machine
    schedule = build_schedule(machine, 7)
    assert schedule.throttle == pytest.approx([0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
    for k, throttle in enumerate(schedule.throttle):
        point = solve(machine, float(throttle))
        for name in LEGS:
            assert schedule.angle[name][k] == point.legs[name].angle
            assert schedule.angle_at(name, np.array([throttle]))[0] == pytest.approx(point.legs[name].angle, abs=1e-14)
    for name in LEGS:
        assert np.all(np.diff(schedule.angle[name]) > 0.0)
        middle = schedule.angle_at(name, np.array([0.45]))[0]
        assert middle == pytest.approx(schedule.angle[name][:2].mean(), rel=1e-12)
        ends = schedule.angle_at(name, np.array([0.0, 2.0]))
        assert ends == pytest.approx(schedule.angle[name][[0, -1]], rel=1e-15)


def test_schedule_range():
    schedule = build_schedule(rig().machine, 3, lowest=0.6, highest=0.8)
    assert schedule.throttle == pytest.approx([0.6, 0.7, 0.8])
    with pytest.raises(NoBalanceError, match=r"130\.0 %"):
        build_schedule(rig().machine, 2, highest=1.3)


def test_more_entries_follow_the_exact_angles_better():
    machine = rig().machine
    exact = {name: solve(machine, 0.93).legs[name].angle for name in LEGS}
    for name in LEGS:
        errors = [
            abs(float(build_schedule(machine, n).angle_at(name, np.array([0.93]))[0]) - exact[name]) for n in (3, 31)
        ]
        assert errors[1] < 0.1 * errors[0]


def test_point_between_entries_is_that_of_the_scheduled_angles():
    """Interpolated angles do not give quite the mixture ratio wanted: the point says what they give."""
    schedule = build_schedule(rig().machine, 3)
    assert schedule_point(rig().machine, schedule, 0.7) is schedule.points[1]
    between = schedule_point(rig().machine, schedule, 0.85)
    for name in LEGS:
        assert between.legs[name].angle == pytest.approx(float(schedule.angle[name][1:].mean()), rel=1e-12)
    assert 0.7 < between.throttle < 1.0
    assert between.mixture_ratio != pytest.approx(1.2, rel=1e-6)


def test_commands_sample_the_profile_within_the_rate():
    machine = rig().machine
    schedule = rig().analysis.schedule
    profile = [(0.0, 1.0), (0.5, 1.0), (0.5, 0.4), (1.0, 0.4)]
    order = commands(machine, schedule, profile, 1.0)
    for name in LEGS:
        servo = machine.legs[name].servo
        assert order[name].size == round(1.0 / servo.position_period) + 1
        ends = schedule.angle_at(name, np.array([1.0, 0.4]))
        assert order[name][0] == ends[0]
        assert order[name][-1] == ends[1]
        steps = np.diff(order[name])
        assert np.max(np.abs(steps)) <= servo.speed_limit * servo.position_period * (1.0 + 1e-9)
        first = int(np.nonzero(steps)[0][0]) + 1
        assert first == round(0.5 / servo.position_period)
        busy = np.count_nonzero(steps)
        assert busy == math.ceil(abs(ends[1] - ends[0]) / (servo.speed_limit * servo.position_period) - 1e-9)


# -------------------------------------------------------------------------------------------------------- stretches


def test_stretches_of_holds_ramps_and_jumps():
    profile = [(0.0, 1.0), (1.0, 1.0), (1.4, 0.4), (3.0, 0.4), (3.0, 0.6), (4.0, 0.6)]
    assert stretches(profile) == [
        (0.0, 1.0, 1.0, 1.0),
        (1.0, 1.4, 1.0, 0.4),
        (1.4, 3.0, 0.4, 0.4),
        (3.0, 3.0, 0.4, 0.6),
        (3.0, 4.0, 0.6, 0.6),
    ]


def test_stretches_join_neighbours_of_one_sort():
    assert stretches([(0.0, 1.0), (1.0, 1.0), (2.0, 1.0)]) == [(0.0, 2.0, 1.0, 1.0)]
    assert stretches([(0.0, 1.0), (1.0, 0.8), (2.0, 0.4)]) == [(0.0, 2.0, 1.0, 0.4)]


def test_stretches_keep_a_turn_apart():
    assert stretches([(0.0, 1.0), (1.0, 0.5), (2.0, 0.9)]) == [(0.0, 1.0, 1.0, 0.5), (1.0, 2.0, 0.5, 0.9)]


def test_stretches_pass_over_doubled_corners():
    assert stretches([(0.0, 1.0), (1.0, 1.0), (1.0, 1.0), (2.0, 1.0)]) == [(0.0, 2.0, 1.0, 1.0)]
    assert stretches([(0.0, 1.0), (1.0, 0.5), (1.0, 0.5), (2.0, 0.5)]) == [(0.0, 1.0, 1.0, 0.5), (1.0, 2.0, 0.5, 0.5)]
    down = stretches([(0.0, 1.0), (1.0, 0.8), (1.0, 0.8), (2.0, 0.4)])
    assert down == [(0.0, 1.0, 1.0, 0.8), (1.0, 2.0, 0.8, 0.4)] or down == [(0.0, 2.0, 1.0, 0.4)]


def test_stretches_cover_the_profile_of_the_rig():
    profile = rig().analysis.profile
    parts = stretches(profile)
    assert parts[0][0] == profile[0][0]
    assert parts[-1][1] == profile[-1][0]
    for before, after in pairwise(parts):
        assert before[1] == after[0]
        assert before[3] == after[2]
