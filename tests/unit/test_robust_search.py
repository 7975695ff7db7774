"""The search for a robust choice on a stand-in whose optimum is known: no engines."""

import math

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from valvectl.errors import RangeError
from valvectl.studies.robust_search import Effort, Ordinary, Score, Search, as_number, moved_by, score

NARROW, WIDE = 0.1, 0.3
"""Scatter of the two sides [limit]."""


class TwoSides:
    """A value v in 0..1 between two limits: 1 - v >= 0.1 z1 and v >= 0.3 z2, z normal. And w: allowed up to 0.6, adding to both
    margins up to a tenth. A third requirement that nothing moves holds in nine runs of ten."""

    def __init__(self, common=True, seed=3):
        self.common = common
        self.seed = seed
        self.calls = 0

    def key(self, place):
        return tuple(round(float(x), 4) for x in place)

    def ordinary(self, places):
        out = []
        for v, w in (self.key(p) for p in places):
            out.append(Ordinary(np.array([1.0 - v, v, 0.25]), max(0.0, w - 0.6)))
        return out

    def drawn(self, places, first, count):
        out = []
        for p in places:
            v, w = self.key(p)
            self.calls += count
            z = np.empty((count, 3))
            for j in range(count):
                run = first + j if self.common else self.calls * 1000 + j
                z[j] = np.random.Generator(np.random.Philox(key=self.seed, counter=[0, 0, 0, run])).normal(size=3)
            more = 0.1 * w
            out.append(
                np.stack([1.0 - v - NARROW * z[:, 0] + more, v - WIDE * z[:, 1] + more, 1.2816 - z[:, 2]], axis=1)
            )
        return out


def chance(v, w=0.6):
    return norm.cdf((1.0 - v + 0.1 * w) / NARROW) * norm.cdf((v + 0.1 * w) / WIDE) * 0.9


@pytest.fixture(scope="module")
def solved():
    search = Search(
        TwoSides(), np.array([0.3, 0.2]), Effort(trials=160, first=64, search=256, race=1024, final=4096), seed=2
    )
    nominal = search.nominal_optimum()
    return search, nominal, search.robust_optimum(nominal)


def test_the_nominal_optimum_lies_in_the_middle(solved):
    _, nominal, _ = solved
    assert nominal[0] == pytest.approx(0.5, abs=0.01)


def test_the_robust_optimum_leaves_the_wider_side_more_room(solved):
    """By theory v is where the product of both probabilities is largest, some 0.77 and not 0.5."""
    _, nominal, robust = solved
    theory = minimize_scalar(lambda v: -chance(v), bounds=(0.0, 1.0), method="bounded", options={"xatol": 1e-9}).x
    assert 0.7 < theory < 0.85
    assert robust[0] == pytest.approx(theory, abs=0.06)
    gain = chance(theory) - chance(nominal[0], 0.6)
    assert gain > 0.02
    assert chance(robust[0], robust[1]) - chance(nominal[0], 0.6) > 0.8 * gain


def test_a_constraint_holds_the_optimum_back(solved):
    """More w is always better and 0.6 is the most that is allowed."""
    _, _, robust = solved
    assert 0.5 < round(float(robust[1]), 4) <= 0.6


def test_what_nothing_moves_is_found(solved):
    search, _, _ = solved
    assert search.nominal_moving.tolist() == [True, True, False]
    assert search.drawn_moving.tolist() == [True, True, False]


def test_some_choices_are_dropped_early(solved):
    search, _, _ = solved
    assert search.dropped > 0
    assert search.runs < search.tried * 256 + 8 * 1024 + 3 * 4096


def test_the_same_seed_gives_the_same_choice(solved):
    _, nominal, robust = solved
    again = Search(TwoSides(), np.array([0.3, 0.2]), Effort(160, 64, 256, 1024, 4096), seed=2)
    first = again.nominal_optimum()
    assert first.tolist() == nominal.tolist()
    assert again.robust_optimum(first).tolist() == robust.tolist()


def test_common_random_numbers_make_differences_quieter():
    """Variance of the difference of two near choices: with the same draws the sum of what differs alone, b + c of the pairs."""
    near = [np.array([0.72, 0.5]), np.array([0.76, 0.5])]
    spread = {}
    for common in (True, False):
        differences = []
        for seed in range(60):
            stand_in = TwoSides(common, seed)
            one, other = (score(m, np.ones(3, dtype=bool)).held for m in stand_in.drawn(near, 0, 100))
            differences.append(one - other)
        spread[common] = float(np.var(differences))
    assert spread[True] < 0.35 * spread[False]


def test_where_all_hold_the_tie_is_broken_by_the_quantile():
    low, high = np.full((40, 2), 0.05), np.full((40, 2), 0.2)
    moving = np.array([True, True])
    assert as_number(score(high, moving)) > as_number(score(low, moving))
    assert score(low, moving).held == score(high, moving).held == 40


def test_a_run_more_that_holds_outweighs_every_tie_break():
    assert as_number(Score(64, 51, 51, -900.0)) > as_number(Score(64, 50, 64, 900.0))


def test_a_value_that_is_missing_counts_as_missed():
    margins = np.array([[0.2, np.nan], [0.2, 0.1]])
    found = score(margins, np.array([True, True]))
    assert (found.held, found.held_moved) == (1, 1)
    assert found.quantile == -1e3


def test_moved_by_sees_infinities():
    assert moved_by([np.array([1.0, math.inf, -math.inf]), np.array([1.0, math.inf, 0.5])]).tolist() == [
        False,
        False,
        True,
    ]


def test_no_choice_that_keeps_the_constraints():
    class Never(TwoSides):
        def ordinary(self, places):
            return [Ordinary(o.margins, 1.0) for o in super().ordinary(places)]

    search = Search(Never(), np.array([0.3, 0.2]), Effort(trials=16, first=8, search=8, race=8, final=8))
    with pytest.raises(RangeError, match="no choice tried keeps all constraints"):
        search.robust_optimum(search.nominal_optimum())


@pytest.mark.parametrize("numbers", [(7, 1, 1, 1, 1), (10, 5, 4, 8, 8), (10, 0, 4, 8, 8)])
def test_efforts_that_make_no_sense(numbers):
    with pytest.raises(RangeError):
        Effort(*numbers)
