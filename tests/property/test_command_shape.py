"""Shapes of a move: ends, limits, symmetry, continuity, and that no shorter move of the same limits is given away."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from valvectl.parts.command_shape import (
    KINDS,
    MINIMUM_JERK,
    RAMP,
    S_CURVE,
    TRAPEZOID,
    move_time,
    s_curve_time,
    trapezoid_time,
    way_gone,
)

POINTS = 801
positive = st.floats(1e-3, 1e3)
kinds = st.sampled_from(sorted(KINDS.values()))


def sampled(kind, distance, speed, acceleration, jerk, longer=1.0):
    """Times, positions and step of a move."""
    duration = longer * move_time(kind, distance, speed, acceleration, jerk)
    time = np.linspace(0.0, duration, POINTS)
    gone = [way_gone(kind, float(t), duration, distance, speed, acceleration, jerk) for t in time]
    return time, distance * np.array(gone), time[1]


@settings(deadline=None)
@given(kinds, positive, positive, positive, positive, st.floats(1.0, 5.0))
def test_ends_and_limits(kind, distance, speed, acceleration, jerk, longer):
    _, way, h = sampled(kind, distance, speed, acceleration, jerk, longer)
    assert way[0] == 0.0
    assert way[-1] == distance
    assert np.all(np.diff(way) >= -1e-12 * distance)
    rounding = 1e-14 * distance
    assert np.max(np.diff(way)) <= speed * h * (1 + 1e-9) + rounding
    if kind != RAMP:
        assert np.max(np.abs(np.diff(way, 2))) <= acceleration * h**2 * (1 + 1e-9) + 10 * rounding
    if kind in (S_CURVE, MINIMUM_JERK):
        assert np.max(np.abs(np.diff(way, 3))) <= jerk * h**3 * (1 + 1e-9) + 100 * rounding


@settings(deadline=None)
@given(kinds, positive, positive, positive, positive)
def test_the_second_half_is_the_first_one_backwards(kind, distance, speed, acceleration, jerk):
    _, way, _ = sampled(kind, distance, speed, acceleration, jerk)
    assert way + way[::-1] == pytest.approx(np.full(POINTS, distance), rel=1e-9)


@settings(deadline=None)
@given(kinds, positive, positive, positive, positive)
def test_some_limit_is_reached(kind, distance, speed, acceleration, jerk):
    """A move of the shortest duration touches one of its limits: a shorter one would break it."""
    _, way, h = sampled(kind, distance, speed, acceleration, jerk)
    used = [float(np.max(np.diff(way))) / h / speed]
    if kind != RAMP:
        used.append(float(np.max(np.abs(np.diff(way, 2)))) / h**2 / acceleration)
    if kind in (S_CURVE, MINIMUM_JERK):
        used.append(float(np.max(np.abs(np.diff(way, 3)))) / h**3 / jerk)
    assert max(used) > 0.95


@settings(deadline=None)
@given(kinds, positive, positive, positive, positive, st.floats(1.0, 4.0))
def test_longer_means_the_same_shape_slower(kind, distance, speed, acceleration, jerk, longer):
    duration = move_time(kind, distance, speed, acceleration, jerk)
    for share in (0.1, 0.37, 0.5, 0.8):
        short = way_gone(kind, share * duration, duration, distance, speed, acceleration, jerk)
        long = way_gone(kind, share * longer * duration, longer * duration, distance, speed, acceleration, jerk)
        assert long == pytest.approx(short, rel=1e-9)


@settings(deadline=None)
@given(positive, positive, positive, positive)
def test_each_further_limit_takes_time(distance, speed, acceleration, jerk):
    ramp = move_time(RAMP, distance, speed, acceleration, jerk)
    trapezoid = trapezoid_time(distance, speed, acceleration)
    s_curve = s_curve_time(distance, speed, acceleration, jerk)
    smooth = move_time(MINIMUM_JERK, distance, speed, acceleration, jerk)
    assert ramp <= trapezoid * (1 + 1e-12)
    assert trapezoid <= s_curve * (1 + 1e-12)
    assert s_curve <= smooth * (1 + 1e-9)


@settings(deadline=None)
@given(positive, positive, positive)
def test_limits_taken_away(distance, speed, acceleration):
    """Without a jerk limit the S-curve is the trapezoid, without an acceleration limit that is the ramp."""
    assert s_curve_time(distance, speed, acceleration, math.inf) == trapezoid_time(distance, speed, acceleration)
    assert trapezoid_time(distance, speed, math.inf) == distance / speed
    for share in (0.2, 0.6):
        duration = trapezoid_time(distance, speed, acceleration)
        args = (share * duration, duration, distance, speed, acceleration, math.inf)
        assert way_gone(S_CURVE, *args) == way_gone(TRAPEZOID, *args)
