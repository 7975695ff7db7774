"""Which input drives a result, from the runs of a campaign themselves: rank correlation and first-order shares of variance."""

from __future__ import annotations

import math

import numpy as np

from valvectl.parts.lookup import FloatArray

MOST_TERMS = 8
"""Highest degree of the polynomial through the runs."""
RUNS_PER_TERM = 40
"""Runs for each degree; with fewer the polynomial is shorter."""


def sobol_indices(a: FloatArray, b: FloatArray, mixed: FloatArray) -> tuple[FloatArray, FloatArray]:
    """First-order and total Sobol' indices, each of shape (d,), from runs at two independent samples of the factors.

    ``a``, ``b`` : values at the samples, shape (n,); ``mixed`` : values at the first sample with factor i taken from the second,
    shape (d, n). NaN when nothing varies. Estimators: first order after Saltelli et al., Computer Physics Communications 181
    (2010) 259-270, total after Jansen, ibid. 117 (1999) 35-43 (both from memory; a test holds them against SciPy's).
    """
    variance = float(np.var(np.concatenate([a, b])))
    b = b - np.mean(np.concatenate([a, b]))  # changes nothing in the mean, and takes most of the noise away
    if not variance > 0.0:
        return np.full(len(mixed), math.nan), np.full(len(mixed), math.nan)
    return np.mean(b * (mixed - a), axis=1) / variance, 0.5 * np.mean((a - mixed) ** 2, axis=1) / variance


def rank_correlation(draws: FloatArray, values: FloatArray) -> FloatArray:
    """Spearman's rank correlation of each column of ``draws``, shape (n, d), with ``values``, shape (n,) or (n, q) for many
    results: shape (d,) or (q, d).

    Zero where either does not vary. Source: Spearman, American Journal of Psychology 15 (1904) 72-101.
    """
    from scipy.stats import rankdata

    if len(values) < 3:
        return np.zeros((*values.shape[1:], draws.shape[1]))
    a = rankdata(draws, axis=0)
    b = rankdata(values, axis=0)
    a, b = a - a.mean(axis=0), b - b.mean(axis=0)
    scale = np.sqrt(np.multiply.outer(np.sum(b * b, axis=0), np.sum(a * a, axis=0)))
    return np.where(scale > 0.0, (b.T @ a) / np.where(scale > 0.0, scale, 1.0), 0.0)


def first_order(draws: FloatArray, values: FloatArray) -> FloatArray:
    """First-order Sobol' index of each column of ``draws``, shape (n, d): share of the variance of ``values``, shape (n,) or
    (n, q) for many results, that its mean over that input alone takes. Shape (d,) or (q, d).

    Estimated from the given runs: a polynomial (Legendre, in the input's ranks) through them, its share of the variance corrected
    for the number of its terms; zero where it can not be told from nothing (three standard deviations of what an input without
    any effect would get from so few runs). Inputs that are correlated share what they have in common. Sources: Sobol',
    Mathematics and Computers in Simulation 55 (2001) 271-280; fitting given data: Plischke, Borgonovo, Smith, European
    Journal of Operational Research 226 (2013) 536-550 (from memory).
    """
    from scipy.stats import rankdata

    n, count = draws.shape
    results = values.reshape(n, -1)
    out = np.zeros((results.shape[1], count))
    degree = min(MOST_TERMS, max(2, n // RUNS_PER_TERM))  # at least two: a magnitude has its least in the middle
    results = results - (results.mean(axis=0) if n else 0.0)
    spread = np.sum(results**2, axis=0)
    if n >= degree + 3:
        noise = 3.0 * math.sqrt(2.0 * degree) / n
        for j in range(count):
            at = 2.0 * (rankdata(draws[:, j]) - 0.5) / n - 1.0
            basis = _directions(np.polynomial.legendre.legvander(at, degree))
            rest = np.sum((results - basis @ (basis.T @ results)) ** 2, axis=0)
            share = 1.0 - rest / np.where(spread > 0.0, spread, 1.0)
            found = 1.0 - (1.0 - share) * (n - 1) / (n - degree - 1)
            out[:, j] = np.where((spread > 0.0) & (found > noise), found, 0.0)
    return out.reshape(*values.shape[1:], count)


def _directions(columns: FloatArray) -> FloatArray:
    """Orthonormal directions that columns of shape (n, k) span, shape (n, k or fewer); columns that lie in each other but for
    rounding count once."""
    q, r = np.linalg.qr(columns)
    turned, size, _ = np.linalg.svd(r)
    return np.asarray(q @ turned[:, size > np.finfo(float).eps * len(columns) * size[0]])
