"""Sobol' indices of the drawn inputs: against SciPy's estimators and functions of which the indices are known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.stats import qmc
from scipy.stats import sobol_indices as scipys

from valvectl import load
from valvectl.errors import RangeError
from valvectl.studies.draws import factors, from_even, units, variables
from valvectl.studies.sensitivity import sobol_indices

DESIGN = Path(__file__).resolve().parents[2] / "designs" / "hover-rig.toml"


def ishigami(x: np.ndarray) -> np.ndarray:
    """Shape (3, n), each from -pi to pi."""
    return np.sin(x[0]) + 7.0 * np.sin(x[1]) ** 2 + 0.1 * x[2] ** 4 * np.sin(x[0])


def sampled(n: int, d: int) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    both = qmc.Sobol(2 * d, scramble=True, seed=1).random(n)
    a, b = both[:, :d], both[:, d:]
    mixed = []
    for i in range(d):
        one = a.copy()
        one[:, i] = b[:, i]
        mixed.append(one)
    return a, b, mixed


def test_estimators_are_scipys() -> None:
    a, b, mixed = sampled(1024, 3)
    f = [ishigami(np.pi * (2.0 * x.T - 1.0)) for x in (a, b, *mixed)]
    first, total = sobol_indices(f[0], f[1], np.array(f[2:]))
    theirs = scipys(func={"f_A": f[0][None], "f_B": f[1][None], "f_AB": np.array(f[2:])[:, None]}, n=1024)
    assert total == pytest.approx(theirs.total_order, abs=2e-3)
    assert first == pytest.approx(theirs.first_order, abs=2e-3)


def test_shares_of_even_draws_are_those_of_the_campaigns() -> None:
    design = load(DESIGN)
    table = variables(design, design.analysis.machine)
    from valvectl.studies.draws import uniforms

    even = uniforms(len(factors(table)), "random", 3, 5, 4, 100)
    assert np.array_equal(from_even(table, even), units(table, "random", 3, 5, 4, 100))


def test_steady_drivers_of_the_example_are_those_of_its_budget() -> None:
    """At held throttle the example is linear: the first-order index is the squared share of the budget."""
    design = load(DESIGN)
    found = design.drivers(256, simulate=False)
    steady = next(d for d in found.driven if d.name == "mixture_ratio_steady")
    budget = design.budget(50)
    j = int(np.argmax(budget.ratio.rss))
    squares = {c.key: float(c.share[j]) for c in budget.contributors}
    for index in steady.indices[:4]:
        assert index.total == pytest.approx(squares[index.factor], abs=0.05)
        assert index.first_bounds[0] - 0.02 <= squares[index.factor] <= index.first_bounds[1] + 0.02
        assert index.total_bounds[0] <= index.total <= index.total_bounds[1]
    assert sum(i.total for i in steady.indices) == pytest.approx(1.0, abs=0.1)


def test_simulated_drivers_run_and_repeat() -> None:
    design = load(DESIGN)
    one, again = design.drivers(16, seed=4), design.drivers(16, seed=4)
    assert one.runs == 16 * (len(factors(variables(design, design.analysis.machine))) + 2)
    assert one.to_dict() == again.to_dict()
    assert any("too few runs" in c for c in one.cautions)


@pytest.mark.parametrize("base", [0, 8, 8192])
def test_number_of_points_has_limits(base: int) -> None:
    with pytest.raises(RangeError, match="from 16 to 4096"):
        load(DESIGN).drivers(base)
