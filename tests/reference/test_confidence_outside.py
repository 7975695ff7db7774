"""Statements from a number of runs against published sample sizes, bounds and factors."""

import pytest
from outside import OutsideCheck, verify

from valvectl.parts import confidence as c

WILKS = "Wilks, Ann. Math. Stat. 12 (1941) 91-96"
GUBA = "Guba, Makai, Pal, Reliability Engineering and System Safety 80 (2003) 217-232"
OWEN = "Owen, Technometrics 10 (1968); Natrella, NBS Handbook 91, table A-7"
NIST = "NIST/SEMATECH e-Handbook of Statistical Methods"

SIZES = [
    (f"T1-{n}", p, q, 1, False, n, WILKS, "published" if n == 59 else "recomputed")
    for p, q, n in ((0.90, 0.95, 29), (0.95, 0.90, 45), (0.95, 0.95, 59), (0.95, 0.99, 90), (0.99, 0.95, 299),
                    (0.99, 0.99, 459), (0.999, 0.95, 2995))
] + [
    (f"T2-{n}", p, q, 1, True, n, WILKS, "recomputed")
    for p, q, n in ((0.90, 0.95, 46), (0.95, 0.90, 77), (0.95, 0.95, 93), (0.95, 0.99, 130), (0.99, 0.95, 473),
                    (0.99, 0.99, 662), (0.999, 0.95, 4742))
] + [
    (f"T3-{order}", 0.95, 0.95, order, False, n, GUBA, "recomputed")
    for order, n in ((2, 93), (3, 124), (4, 153), (5, 181))
] + [
    (f"T4-{order}", 0.95, 0.95, order, True, n, GUBA, "recomputed") for order, n in ((2, 153), (3, 208))
] + [
    (f"T5-{order}", 0.99, 0.95, order, False, n, GUBA, "recomputed")
    for order, n in ((2, 473), (3, 628), (4, 773), (5, 913))
]  # fmt: skip


@pytest.mark.parametrize("row", SIZES, ids=lambda row: row[0])
def test_sizes(row):
    name, coverage, confidence, order, two, n, source, certainty = row
    what = f"runs for {coverage}/{confidence}, order {order}, {'two' if two else 'one'}-sided"
    verify(
        OutsideCheck(name, what, n, "", 0.1, source, certainty, absolute=True),
        c.order_size(coverage, confidence, order, two),
    )


FACTORS = [
    *((f"T6-{n}", n, 0.95, 0.95, False, k, 2e-4, OWEN, "recomputed")
      for n, k in ((10, 2.9110), (20, 2.3960), (30, 2.2198), (50, 2.0650), (100, 1.9265))),
    ("T7-43", 43, 0.90, 0.99, False, 1.8740, 1e-3, f"{NIST}, 7.2.6.3 (noncentral t)", "from memory"),
    ("T8-40", 40, 0.90, 0.99, False, 1.9017, 1e-4, "worked web example of a 90/99 one-sided factor", "published"),
    *((f"T9-{n}", n, 0.95, 0.95, True, k, 3e-3, "Berthouex and Brown, Statistics for Environmental Engineers, table 21.1",
       "published") for n, k in ((10, 3.39), (20, 2.76), (30, 2.55))),
    ("T7-43b", 43, 0.90, 0.99, True, 2.217, 4e-3, f"{NIST}, 7.2.6.3 (Howe's approximation)", "from memory"),
]  # fmt: skip


@pytest.mark.parametrize("row", FACTORS, ids=lambda row: row[0])
def test_factors(row):
    name, n, coverage, confidence, two, k, tolerance, source, certainty = row
    what = f"k of {n} runs, {coverage}/{confidence}, {'two' if two else 'one'}-sided"
    got = (c.factor_two_sided if two else c.factor_one_sided)(n, coverage, confidence)
    verify(OutsideCheck(name, what, k, "", tolerance, source, certainty), got)


R_DOC = "documentation of R, stats::binom.test, Mendel's example after Conover (1971)"
BOUNDS = [
    ("CP-1", 4, 20, 0.90, 0, 0.071354, f"{NIST}, 7.2.4.1", "from memory"),
    ("CP-2", 4, 20, 0.90, 1, 0.401029, f"{NIST}, 7.2.4.1", "from memory"),
    ("CP-3", 682, 925, 0.95, 0, 0.7076683, R_DOC, "recomputed"),
    ("CP-4", 682, 925, 0.95, 1, 0.7654066, R_DOC, "recomputed"),
    ("CP-5", 0, 10, 0.95, 1, 0.3085, "tables of exact binomial limits (Pearson and Hartley, table 41)", "from memory"),
    ("CP-6", 1, 10, 0.95, 1, 0.4450, "tables of exact binomial limits (Pearson and Hartley, table 41)", "from memory"),
    ("CP-7", 5, 10, 0.95, 0, 0.1871, "tables of exact binomial limits (Pearson and Hartley, table 41)", "from memory"),
]


@pytest.mark.parametrize("row", BOUNDS, ids=lambda row: row[0])
def test_probability_bounds(row):
    name, count, runs, confidence, side, expected, source, certainty = row
    what = f"{'upper' if side else 'lower'} bound of {count} in {runs}, two-sided {confidence}"
    check = OutsideCheck(name, what, expected, "", 3e-4, source, certainty)
    verify(check, c.probability_bounds(count, runs, confidence)[side])


def test_no_failure_in_59_is_the_first_order_statement():
    assert c.probability_floor(59, 59, 0.95) >= 0.95 > c.probability_floor(58, 58, 0.95)


@pytest.mark.parametrize(("runs", "order"), [(58, 0), (59, 1), (92, 1), (93, 2), (124, 3), (181, 5)])
def test_order_that_runs_allow(runs, order):
    """The inverse of the sizes above."""
    assert c.bound_order(runs, 0.95, 0.95) == order
