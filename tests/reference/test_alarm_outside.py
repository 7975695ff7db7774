"""Alarms on noisy readings against tables of the normal distribution, known runs of tosses, and drawn noise."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from outside import OutsideCheck, verify
from scipy.stats import norm

from valvectl.parts import alarm

NORMAL = "tables of the normal distribution, in any textbook of statistics"
FELLER = "Feller, An Introduction to Probability Theory and Its Applications, vol. 1, 3rd ed. (1968), XIII.7"

ROWS: list[tuple[OutsideCheck, Callable[[], float]]] = [
    (
        OutsideCheck("FA1", "both tails beyond 3 s", 0.0027, "", 2e-4, NORMAL, "from memory"),
        lambda: alarm.exceedance(3.0, 1.0),
    ),
    (
        OutsideCheck("FA2", "both tails beyond 1.96 s, s 2", 0.05, "", 1e-4, NORMAL, "from memory"),
        lambda: alarm.exceedance(3.92, 2.0),
    ),
    (
        OutsideCheck("FA3", "mean run length of a chart with limits at 3 s", 370.4, "", 1e-4,
                     "Montgomery, Introduction to Statistical Quality Control, chapter on control charts", "from memory"),
        lambda: alarm.mean_wait(alarm.exceedance(3.0, 1.0), 1),
    ),
    (
        OutsideCheck("FA4", "mean tosses to two heads in a row", 6.0, "", 1e-12, FELLER, "recomputed"),
        lambda: alarm.mean_wait(0.5, 2),
    ),
    (
        OutsideCheck("FA5", "mean throws of a die to three aces in a row", 258.0, "", 1e-12, FELLER, "recomputed"),
        lambda: alarm.mean_wait(1.0 / 6.0, 3),
    ),
    (
        OutsideCheck("FA6", "three heads in a row within 10 tosses: 520 of 1024 orders have them", 520.0 / 1024.0, "", 1e-12,
                     "counted: 504 orders without, by the numbers 1, 2, 4, 7, 13 and so on that add up the three before",
                     "recomputed"),
        lambda: alarm.run_probability(0.5, 3, 10),
    ),
    (
        OutsideCheck("FA7", "lowest threshold that one reading passes in 1 of 1000, in deviations", 3.2905, "", 1e-4, NORMAL,
                     "from memory"),
        lambda: alarm.alarm_threshold(1e-3, 1.0, 0.0, 1, 1),
    ),
]  # fmt: skip


@pytest.mark.parametrize(("check", "compute"), ROWS, ids=[check.id for check, _ in ROWS])
def test_outside(check: OutsideCheck, compute: Callable[[], float]) -> None:
    verify(check, compute())


@pytest.mark.parametrize(("p", "run", "readings"), [(0.5, 7, 100), (0.03, 3, 2000), (0.9, 2, 5), (0.2, 1, 30)])
def test_runs_by_a_chain_of_states(p: float, run: int, readings: int) -> None:
    """The same probability by powers of the transition matrix of "so many in a row so far"."""
    chain = np.zeros((run + 1, run + 1))
    chain[:run, 0] = 1.0 - p
    for k in range(run):
        chain[k, k + 1] = p
    chain[run, run] = 1.0
    exact = float(np.linalg.matrix_power(chain, readings)[0, run])
    verify(
        OutsideCheck(
            f"FA8 {p}", "run of exceedances by a Markov chain", exact, "", 1e-9, "matrix powers, NumPy", "recomputed"
        ),
        alarm.run_probability(p, run, readings),
    )


@pytest.mark.parametrize(("bias", "deviation"), [(0.0, 1.0), (0.7, 1.0), (-2.0, 0.3)])
def test_tails_with_a_bias(bias: float, deviation: float) -> None:
    expected = float(norm.sf(1.5, bias, deviation) + norm.cdf(-1.5, bias, deviation))
    verify(
        OutsideCheck(
            f"FA9 {bias}", "tails about a bias", expected, "", 1e-10, "SciPy's normal distribution", "library"
        ),
        alarm.exceedance(1.5, deviation, bias),
    )


def test_drawn_noise_trips_as_often_as_foreseen() -> None:
    """20,000 firings of 400 readings each: share with an alarm against the formula, four standard errors allowed."""
    run, readings, firings, threshold, bias = 3, 400, 20_000, 1.6, 0.2
    draw = np.random.default_rng(7)
    tripped = 0
    for _ in range(10):
        beyond = np.abs(draw.standard_normal((firings // 10, readings)) + bias) > threshold
        three = beyond[:, :-2] & beyond[:, 1:-1] & beyond[:, 2:]
        tripped += int(np.sum(three.any(axis=1)))
    foreseen = alarm.run_probability(alarm.exceedance(threshold, 1.0, bias), run, readings)
    assert 0.2 < foreseen < 0.8  # a rate at which the count says something
    assert tripped / firings == pytest.approx(foreseen, abs=4.0 * math.sqrt(foreseen * (1 - foreseen) / firings))


def test_the_threshold_keeps_its_rate() -> None:
    for run, rate in ((1, 1e-4), (3, 1e-4), (5, 0.05)):
        level = alarm.alarm_threshold(rate, 0.4, 1.3, run, 2001)
        assert alarm.run_probability(alarm.exceedance(level, 0.4, 1.3), run, 2001) <= rate
        lower = level - 1e-3
        assert alarm.run_probability(alarm.exceedance(lower, 0.4, 1.3), run, 2001) > rate


def test_edges() -> None:
    assert alarm.exceedance(1.0, 0.0, 1.1) == 1.0
    assert alarm.exceedance(1.0, 0.0, 0.9) == 0.0
    assert alarm.alarm_threshold(1e-4, 0.0, -0.3, 3, 100) == 0.3
    assert alarm.run_probability(0.5, 4, 3) == 0.0
    assert alarm.run_probability(1.0, 4, 4) == 1.0
    assert alarm.mean_wait(0.0, 3) == math.inf
    assert alarm.mean_wait(1.0, 3) == 3.0
    assert alarm.first_alarm([True, False, True, True, True], 3) == 4
    assert alarm.first_alarm([True, True, False], 3) == -1
    assert alarm.held_level([3.0, 1.0, 2.0, 2.5, 0.1], 2) == 2.0
    assert alarm.held_level([3.0], 2) == 0.0
