"""Two choices judged on the same engines: is the difference of their probabilities real, and how large is it.

Both choices see the same draws, so that each engine is a pair. ``only_first``: pairs in which the first choice alone holds;
``only_second``: the second alone. Pairs in which both hold or both miss say nothing about which is better.
"""

from __future__ import annotations

import math


def mcnemar_exact(only_first: int, only_second: int) -> float:
    """Two-sided probability [-] of pairs as uneven as these if neither choice were better; one without any such pair.

    Binomial test of the unlike pairs at one half, the smaller tail doubled. Source: McNemar, Psychometrika 12 (1947) 153-157;
    exact form: Agresti, Categorical Data Analysis, 2nd ed. (2002), 10.1.4 (section from memory).
    """
    from scipy.stats import binom

    unlike = only_first + only_second
    if unlike == 0:
        return 1.0
    return min(1.0, 2.0 * float(binom.cdf(min(only_first, only_second), unlike, 0.5)))


def mcnemar_square(only_first: int, only_second: int) -> float:
    """McNemar's statistic [-], chi-squared with one degree of freedom for many unlike pairs, no correction. Source: as above."""
    unlike = only_first + only_second
    return (only_first - only_second) ** 2 / unlike if unlike else 0.0


def difference_bounds(
    only_first: int, only_second: int, pairs: int, confidence: float, added: float = 0.5
) -> tuple[float, float]:
    """Two-sided bounds of the probability of the second choice less that of the first [-].

    Wald's interval with ``added`` put to each of the four cells of the table, so that it keeps its confidence with few unlike
    pairs and has a width without any. Source: Agresti and Min, Statistics in Medicine 24 (2005) 729-740 (a half to each cell,
    from memory); ``added`` zero: the plain interval, Agresti (2002), 10.1.1.
    """
    from scipy.stats import norm

    n = pairs + 4.0 * added
    if n <= 0.0:
        return -1.0, 1.0
    first, second = (only_first + added) / n, (only_second + added) / n
    middle = second - first
    spread = math.sqrt(max(first + second - middle * middle, 0.0) / n)
    reach = float(norm.ppf(0.5 * (1.0 + confidence))) * spread
    return max(middle - reach, -1.0), min(middle + reach, 1.0)
