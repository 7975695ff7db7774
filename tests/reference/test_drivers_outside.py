"""Sobol' indices against functions of which they are known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from outside import OutsideCheck, verify
from scipy.stats import qmc

from valvectl.studies.sensitivity import sobol_indices

SOURCE = "Ishigami and Homma 1990, function with a = 7, b = 0.1; indices in closed form, e.g. SciPy's manual of sobol_indices"
GIVEN = [(0.3139, 0.5576), (0.4424, 0.4424), (0.0, 0.2437)]
ROWS = [
    OutsideCheck(
        f"DRV{2 * i + k + 1}", f"Ishigami function, factor {i + 1}, {('first-order', 'total')[k]} index, 16384 points",
        GIVEN[i][k], "", 0.01, SOURCE, "published", absolute=True,
    )
    for i in range(3)
    for k in range(2)
]  # fmt: skip


@pytest.fixture(scope="module")
def found() -> np.ndarray:
    both = np.pi * (2.0 * qmc.Sobol(6, scramble=True, seed=2).random(16384) - 1.0)
    a, b = both[:, :3], both[:, 3:]

    def value(x: np.ndarray) -> np.ndarray:
        return np.sin(x[:, 0]) + 7.0 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0])

    mixed = []
    for i in range(3):
        one = a.copy()
        one[:, i] = b[:, i]
        mixed.append(value(one))
    return np.stack(sobol_indices(value(a), value(b), np.array(mixed)), axis=1)


@pytest.mark.parametrize("row", range(6))
def test_ishigami(found: np.ndarray, row: int) -> None:
    verify(ROWS[row], found[row // 2, row % 2])
