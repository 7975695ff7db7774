"""What the lanes' compiled loops are helped with, against the library's functions and against plain Python."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit

from valvectl.plant.kernel_base import FAST, flat
from valvectl.plant.lane_math import copy_corners, copy_eight, exp_down, ln


def _each(function: Any) -> Any:
    def over(x: Any, out: Any) -> None:
        for j in range(x.size):
            out[j] = function(x[j])

    return njit(over, fastmath=FAST, error_model="numpy")


def test_exponential_and_logarithm_are_those_of_the_library() -> None:
    rng = np.random.default_rng(5)
    out = np.empty(100_000)
    x = np.concatenate([rng.uniform(0.0, 700.0, 50_000), 10.0 ** rng.uniform(-12.0, 1.0, 49_998), [0.0, 700.0]])
    _each(exp_down)(x, out)
    expected = np.array([math.exp(-v) for v in x])
    assert np.max(np.abs(out / expected - 1.0)) < 2e-15
    assert out[-2] == 1.0
    y = np.concatenate([10.0 ** rng.uniform(-300.0, 300.0, 50_000), rng.uniform(0.5, 2.0, 50_000)])
    _each(ln)(y, out)
    expected = np.array([math.log(v) for v in y])
    assert np.max(np.abs(out - expected) / np.maximum(np.abs(expected), 1e-3)) < 2e-15


def test_copies_are_what_plain_python_copies() -> None:
    rng = np.random.default_rng(6)
    row, behind = 32, 8
    pairs = rng.normal(size=400)
    cells = 2 * rng.integers(0, 190, row)

    def corners(to: Any, pairs: Any, cells: Any) -> None:
        t, p, c = flat(to), flat(pairs), flat(cells)
        for j in range(0, row, 8):
            copy_corners(t, j, row, p, c, behind)
            copy_eight(t, 4 * row + j, p)

    plain, made = np.zeros(5 * row + 8), np.zeros(5 * row + 8)
    corners(plain, pairs, cells)
    njit(corners)(made, pairs, cells)
    assert np.array_equal(plain, made)
    assert plain[3 * row + 5] == pairs[cells[5] + behind + 1]
    assert np.array_equal(plain[4 * row : 5 * row], pairs[4 * row : 5 * row])
