"""Two choices on the same engines: the paired comparison against published numbers, a library and its own coverage."""

import numpy as np
import pytest
from outside import OutsideCheck, verify
from scipy.stats import binomtest, chi2

from valvectl.parts import paired

AGRESTI = (
    "Agresti, Categorical Data Analysis, 2nd ed. (2002), table 10.1 (approval of 1600 asked twice: 794, 150, 86, 570)"
)


def row(name, what, expected, tolerance, certainty="from memory"):
    return OutsideCheck(name, what, expected, "", tolerance, AGRESTI, certainty, absolute=True)


ROWS = [
    (row("PC1", "McNemar's statistic", 17.36, 0.005), lambda low, high: paired.mcnemar_square(150, 86)),
    (row("PC2", "lower bound of the difference, 95 %", -0.06, 0.005), lambda low, high: low),
    (row("PC3", "upper bound of the difference, 95 %", -0.02, 0.005), lambda low, high: high),
    (
        row("PC4", "upper bound by standard error 0.0095", -0.04 + 1.96 * 0.0095, 2e-4, "recomputed"),
        lambda low, high: high,
    ),
]


@pytest.mark.parametrize(("check", "got"), ROWS, ids=[check.id for check, _ in ROWS])
def test_published(check, got):
    verify(check, got(*paired.difference_bounds(150, 86, 1600, 0.95, added=0.0)))


@pytest.mark.parametrize(("first", "second"), [(0, 5), (3, 11), (86, 150), (7, 7), (1, 0)])
def test_exact_is_the_binomial_test_of_the_library(first, second):
    expected = binomtest(first, first + second, 0.5).pvalue
    verify(
        OutsideCheck(f"PC5-{first}-{second}", f"exact p of {first} against {second}", expected, "", 1e-9,
                     "scipy.stats.binomtest", "library"),
        paired.mcnemar_exact(first, second),
    )  # fmt: skip


def test_many_pairs_exact_and_by_chi_squared_agree():
    """With the correction for continuity (Edwards, Psychometrika 13 (1948) 185-187); without it the two lie 6 % apart here."""
    p = chi2.sf((1010 - 900 - 1) ** 2 / 1910, 1)
    assert paired.mcnemar_exact(900, 1010) == pytest.approx(p, rel=0.005)


@pytest.mark.parametrize("chances", [(0.01, 0.04), (0.02, 0.02), (0.0, 0.03), (0.10, 0.20)])
@pytest.mark.parametrize("pairs", [100, 1000])
def test_the_interval_covers(chances, pairs):
    """The true difference lies inside in 95 % of repeated campaigns, less half a per cent."""
    rng = np.random.default_rng(8)
    first, second = chances
    drawn = rng.multinomial(pairs, [first, second, 1.0 - first - second], size=4000)
    inside = 0
    for b, c, _ in drawn:
        low, high = paired.difference_bounds(int(b), int(c), pairs, 0.95)
        inside += low <= second - first <= high
    # common: sqrt(0.95*0.05/4000) = 0.34 %; three of these below 94.5 %
    assert inside / len(drawn) > 0.945 - 3.0 * 0.0034


def test_nothing_unlike():
    assert paired.mcnemar_exact(0, 0) == 1.0
    low, high = paired.difference_bounds(0, 0, 500, 0.95)
    assert low == -high
    assert 0.0 < high < 0.01
