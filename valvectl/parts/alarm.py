"""Alarms on noisy readings: how often noise alone trips a threshold, and which threshold trips as seldom as wanted.

Readings are taken at even times; an alarm asks for ``run`` readings beyond the threshold in a row. Noise is normal and
independent from reading to reading; noise that hangs together over several readings trips more often. Bound of validity:
readings further apart than the noise's own time constant.
"""

from __future__ import annotations

import math

MOST_DEVIATIONS = 60.0
"""Beyond so many standard deviations nothing is left to be told apart in double precision."""


def exceedance(threshold: float, deviation: float, bias: float = 0.0) -> float:
    """Probability [-] that one reading lies beyond plus or minus ``threshold``.

    ``deviation`` of the noise and standing ``bias``, both in the threshold's unit. Q((a - b)/s) + Q((a + b)/s) with Q the tail of
    the standard normal distribution, 0.5 erfc(x / sqrt 2). Source: definition; tables of the normal distribution. Without noise
    it is 1 beyond and 0 within.
    """
    if deviation <= 0.0:
        return 1.0 if abs(bias) > threshold else 0.0
    root = deviation * math.sqrt(2.0)
    beyond = 0.5 * math.erfc((threshold - bias) / root) + 0.5 * math.erfc((threshold + bias) / root)
    return min(beyond, 1.0)


def mean_wait(probability: float, run: int) -> float:
    """Mean number of readings [-] up to the end of the first ``run`` of exceedances, each with a ``probability`` [-].

    (1 - p^n) / ((1 - p) p^n). Source: Feller, An Introduction to Probability Theory and Its Applications, vol. 1, 3rd ed.
    (1968), chapter XIII.7, eq. 7.7. Infinite at zero.
    """
    if probability <= 0.0:
        return math.inf
    if probability >= 1.0:
        return float(run)
    power = probability**run
    return (1.0 - power) / ((1.0 - probability) * power) if power > 0.0 else math.inf


def run_probability(probability: float, run: int, readings: int) -> float:
    """Probability [-] of at least one run of ``run`` exceedances in a row within ``readings``, each with a ``probability`` [-].

    Exact, by the recursion f(k) = (1 - p) p^n (1 - F(k - n - 1)) for a first run that ends at reading k. Source: Feller as
    above, XIII.7 (recurrent event "success run").
    """
    if run > readings or probability <= 0.0:
        return 0.0
    if probability >= 1.0:
        return 1.0
    power = probability**run
    step = (1.0 - probability) * power
    total = [0.0] * (readings + 1)
    total[run] = power
    for k in range(run + 1, readings + 1):
        total[k] = total[k - 1] + step * (1.0 - total[k - run - 1])
    return min(total[readings], 1.0)


def alarm_threshold(rate: float, deviation: float, bias: float, run: int, readings: int) -> float:
    """Lowest threshold at which noise about a standing ``bias`` trips with a probability of at most ``rate`` [-] in ``readings``.

    Threshold, ``deviation`` and ``bias`` in one unit; ``run`` exceedances in a row. The inverse of ``run_probability`` over
    ``exceedance``, by bisection; without noise the bias itself. Source: as those.
    """
    if deviation <= 0.0:
        return abs(bias)
    low, high = abs(bias) - MOST_DEVIATIONS * deviation, abs(bias) + MOST_DEVIATIONS * deviation
    low = max(low, 0.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        if run_probability(exceedance(middle, deviation, bias), run, readings) > rate:
            low = middle
        else:
            high = middle
    return high


def clearance(probability: float, run: int) -> float:
    """Standard deviations [-] by which a steady reading must lie beyond a threshold for ``run`` looks in a row all to be beyond
    it with a ``probability`` [-]: Q^-1(1 - P^(1/n)). Source: definition; independent normal noise, one tail."""
    from scipy.stats import norm

    return float(norm.ppf(probability ** (1.0 / run)))


def first_alarm(beyond: list[bool], run: int) -> int:
    """Index of the reading at which the first ``run`` exceedances in a row are complete; -1 when there are none. Definition;
    source: none needed."""
    count = 0
    for k, is_beyond in enumerate(beyond):
        count = count + 1 if is_beyond else 0
        if count >= run:
            return k
    return -1


def held_level(sizes: list[float], run: int) -> float:
    """Largest level that ``run`` readings in a row all reach: a threshold above it is not tripped by these ``sizes``.

    Definition; source: none needed. Zero with fewer readings than ``run``.
    """
    best = 0.0
    for k in range(run - 1, len(sizes)):
        best = max(best, min(sizes[k - run + 1 : k + 1]))
    return best
