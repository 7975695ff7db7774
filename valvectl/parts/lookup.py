"""Linear look-up on a uniform grid: the one interpolation that the simulator and the steady balance share."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def locate(count: int, start: float, per_step: float, x: float) -> tuple[int, float]:
    """Cell and share of the way through it for ``x`` on a uniform grid of ``count`` points, held at both ends.

    Several tables on one grid share one call.
    """
    position = (x - start) * per_step
    if not position > 0.0:  # also catches NaN, which must not become an index
        return 0, 0.0
    if position >= count - 1:
        return count - 2, 1.0
    index = int(position)
    return index, position - index


def blend(low: float, high: float, share: float) -> float:
    """Value between two neighbours of a table."""
    return low + share * (high - low)


def lookup(table: FloatArray, start: float, per_step: float, x: float) -> float:
    """Value of a table on a uniform grid at ``x``; clamped to the first and last entry outside.

    Parameters
    ----------
    table : values at ``start + k / per_step``, shape (n,), n >= 2
    start : first abscissa
    per_step : one over the grid spacing
    x : abscissa
    """
    index, share = locate(table.shape[0], start, per_step, x)
    return blend(float(table[index]), float(table[index + 1]), share)
