"""Runs read side by side are read as each would be alone, bit for bit."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from valvectl.design.schema import LEGS
from valvectl.studies.profile_reading import Courses, Reader, crossings

PROFILE = ((0.0, 1.0), (0.5, 1.0), (0.6, 0.5), (1.2, 0.5), (1.3, 0.8), (2.0, 0.8))


@pytest.fixture(scope="module")
def reader(design: Any) -> Reader:
    return Reader(design.analysis.schedule, PROFILE, 0.01, np.linspace(0.0, 2.0, 4001))


def _courses(reader: Reader, schedule: Any, runs: int) -> Courses:
    rng = np.random.default_rng(3)
    throttle = np.interp(reader.time, [t for t, _ in PROFILE], [x for _, x in PROFILE])
    late = rng.uniform(0.0, 0.02, runs)
    ball = {
        n: np.array([np.interp(reader.time - t, reader.time, schedule.angle_at(n, throttle)) for t in late])
        for n in LEGS
    }
    for n in LEGS:
        ball[n] += rng.normal(0.0, 1e-4, ball[n].shape)
    ball["fuel"][1] = ball["fuel"][1, 0]  # a valve that does not follow
    error = rng.normal(0.0, 0.004, (runs, reader.time.size)) * rng.uniform(0.2, 2.0, runs)[:, None]
    return Courses(error, ball, {n: rng.normal(0.0, 1e-3, runs) for n in LEGS})


def test_side_by_side_is_alone(reader: Reader, design: Any) -> None:
    courses = _courses(reader, design.analysis.schedule, 7)
    gains = [[dict.fromkeys(LEGS, 2.0 + k + run) for k in range(len(reader.settings))] for run in range(7)]
    holds, changes = reader.holds(courses, gains), reader.changes(courses)
    assert len(holds) == len(changes) == 7
    assert len(holds[0]) == 3
    assert len(changes[0]) == 2
    assert np.isnan(changes[1][0].lag["fuel"])
    for run in range(7):
        pick = slice(run, run + 1)
        own = Courses(
            np.ascontiguousarray(courses.ratio_error[pick]),
            {n: np.ascontiguousarray(courses.ball[n][pick]) for n in LEGS},
            {n: courses.offset[n][pick] for n in LEGS},
        )
        alone = reader.holds(own, gains[pick])[0], reader.changes(own)[0]
        for mine, theirs in zip((*holds[run], *changes[run]), (*alone[0], *alone[1]), strict=True):
            assert repr(dataclasses.astuple(mine)) == repr(dataclasses.astuple(theirs))  # NaN is NaN here


def test_crossings_by_hand() -> None:
    time = np.array([0.0, 1.0, 2.0, 3.0])
    levels = np.array([-1.0, 0.5, 1.5, 9.0])
    values = np.array([[0.0, 1.0, 0.0, 2.0], [0.0, 0.0, 0.0, 0.0]])
    found = crossings(time, values, levels, rising=True)
    assert found[0] == pytest.approx([0.0, 0.5, 2.75, np.nan], nan_ok=True)
    assert found[1] == pytest.approx([0.0, np.nan, np.nan, np.nan], nan_ok=True)
    assert np.array_equal(crossings(time, values[0], levels, rising=True), found[0], equal_nan=True)
    assert crossings(time, -values[0], -levels, rising=False) == pytest.approx(found[0], nan_ok=True)
