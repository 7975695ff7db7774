"""Do the statements hold as often as they say: 2,000 synthetic campaigns each, with seeds of their own."""

import numpy as np
import pytest
from scipy.stats import norm

from valvectl.parts import confidence as c

CAMPAIGNS = 2000


@pytest.mark.parametrize(("runs", "order"), [(59, 1), (93, 2), (181, 5)])
@pytest.mark.parametrize("shape", ["normal", "lognormal", "even"])
def test_the_order_bound_covers_as_often_as_it_says(runs: int, order: int, shape: str) -> None:
    rng = np.random.default_rng(runs * 7 + order)
    uniform = rng.random((CAMPAIGNS, runs))
    values = {"normal": norm.ppf(uniform), "lognormal": np.exp(norm.ppf(uniform)), "even": uniform}[shape]
    truth = {"normal": norm.ppf(0.95), "lognormal": np.exp(norm.ppf(0.95)), "even": 0.95}[shape]
    bound = np.sort(values, axis=1)[:, -c.bound_order(runs, 0.95, 0.95)]
    assert 0.93 <= float(np.mean(bound >= truth)) <= 0.97


@pytest.mark.parametrize("runs", [10, 30, 100])
def test_the_one_sided_factor_covers_as_often_as_it_says(runs: int) -> None:
    values = np.random.default_rng(runs).standard_normal((CAMPAIGNS, runs))
    bound = values.mean(axis=1) + c.factor_one_sided(runs, 0.95, 0.95) * values.std(axis=1, ddof=1)
    assert 0.93 <= float(np.mean(bound >= norm.ppf(0.95))) <= 0.97


@pytest.mark.parametrize("runs", [10, 30, 100])
def test_the_two_sided_factor_covers_as_often_as_it_says(runs: int) -> None:
    values = np.random.default_rng(runs + 1).standard_normal((CAMPAIGNS, runs))
    half = c.factor_two_sided(runs, 0.95, 0.95) * values.std(axis=1, ddof=1)
    middle = values.mean(axis=1)
    assert 0.93 <= float(np.mean(norm.cdf(middle + half) - norm.cdf(middle - half) >= 0.95)) <= 0.97


@pytest.mark.parametrize("probability", [0.5, 0.9, 0.97])
def test_bounds_of_a_probability_are_never_too_narrow(probability: float) -> None:
    """Clopper and Pearson's bounds hold at least as often as they say; counts are whole, so they hold more often."""
    runs = 200
    counts = np.random.default_rng(3).binomial(runs, probability, CAMPAIGNS)
    bounds = {k: c.probability_bounds(int(k), runs, 0.95) for k in set(counts.tolist())}
    held = np.mean([bounds[k][0] <= probability <= bounds[k][1] for k in counts.tolist()])
    assert held >= 0.94
