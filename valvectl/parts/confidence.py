"""What a number of runs allows to say: order statistics, bounds of a probability, tolerance factors of a normal sample.

Coverage is the share of all engines that the statement is about, confidence the chance that such a statement holds. Counts
and orders are whole numbers from 1; coverage and confidence lie between 0 and 1.
"""

from __future__ import annotations

import functools
import math

_NODES = 96
"""Points of the integral over the sample mean; more change the factor by less than 1e-9."""


def order_size(coverage: float, confidence: float, order: int = 1, two_sided: bool = False) -> int:
    """Fewest runs [-] for a bound by order statistics at a coverage and a confidence [-].

    One-sided: the ``order``-th largest is an upper bound of the coverage quantile. Two-sided: between the ``order``-th smallest
    and the ``order``-th largest lies at least the coverage. Any continuous distribution. Source: Wilks, Annals of Mathematical
    Statistics 12 (1941) 91-96; higher orders: Guba, Makai, Pal, Reliability Engineering and System Safety 80 (2003) 217-232.
    """
    from scipy.stats import binom

    beyond = 2 * order if two_sided else order
    low, high = beyond - 1, beyond
    while binom.cdf(beyond - 1, high, 1.0 - coverage) > 1.0 - confidence:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        if binom.cdf(beyond - 1, middle, 1.0 - coverage) > 1.0 - confidence:
            low = middle
        else:
            high = middle
    return high


def bound_order(runs: int, coverage: float, confidence: float) -> int:
    """Largest order [-] whose value from the top of ``runs`` values bounds the coverage quantile at a confidence [-]; zero when
    there are too few runs for any. Source: as ``order_size``."""
    from scipy.stats import binom

    if runs < 1 or coverage**runs > 1.0 - confidence:
        return 0
    order = int(binom.ppf(1.0 - confidence, runs, 1.0 - coverage)) + 1
    while order > 0 and binom.cdf(order - 1, runs, 1.0 - coverage) > 1.0 - confidence:
        order -= 1
    return order


def probability_bounds(count: int, runs: int, confidence: float) -> tuple[float, float]:
    """Two-sided bounds of a probability [-] from ``count`` of ``runs`` at a confidence [-]; never too narrow.

    Source: Clopper and Pearson, Biometrika 26 (1934) 404-413.
    """
    tail = 0.5 * (1.0 + confidence)
    return probability_floor(count, runs, tail), 1.0 - probability_floor(runs - count, runs, tail)


def probability_floor(count: int, runs: int, confidence: float) -> float:
    """One-sided lower bound of a probability [-] from ``count`` of ``runs`` at a confidence [-]. Source: as above."""
    from scipy.stats import beta

    if count <= 0 or runs < 1:
        return 0.0
    return float(beta.ppf(1.0 - confidence, count, runs - count + 1))


def factor_one_sided(runs: int, coverage: float, confidence: float) -> float:
    """k [-] for which mean + k times the sample's standard deviation bounds the coverage of a normal distribution from above.

    From two runs on; infinite below. Source: Owen, Technometrics 10 (1968) 445-478 (noncentral t); ISO 16269-6:2014.
    """
    from scipy.stats import nct, norm

    if runs < 2:
        return math.inf
    root = math.sqrt(runs)
    return float(nct.ppf(confidence, runs - 1, norm.ppf(coverage) * root)) / root


@functools.lru_cache(maxsize=64)
def factor_two_sided(runs: int, coverage: float, confidence: float) -> float:
    """k [-] for which mean -/+ k times the sample's standard deviation holds the coverage of a normal distribution.

    Exact: the integral over the sample mean, not an approximation. From two runs on; infinite below. Source: ISO 16269-6:2014,
    annex; Krishnamoorthy and Mathew, Statistical Tolerance Regions (2009), 2.3.1 (clauses from memory).
    """
    import numpy as np
    from scipy.optimize import brentq
    from scipy.stats import chi2, ncx2

    if runs < 2:
        return math.inf
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    top = 9.0 / math.sqrt(runs)  # beyond nine standard deviations of the mean nothing is left
    at = 0.5 * top * (nodes + 1.0)
    share = 0.5 * top * weights * 2.0 * math.sqrt(runs / (2.0 * math.pi)) * np.exp(-0.5 * runs * at * at)
    reach = ncx2.ppf(coverage, 1, at * at)

    def lacking(k: float) -> float:
        return float(np.sum(share * chi2.sf((runs - 1) * reach / (k * k), runs - 1))) - confidence

    high = 2.0
    while lacking(high) < 0.0:
        high *= 2.0
    return float(brentq(lacking, 0.1, high, xtol=1e-10))
