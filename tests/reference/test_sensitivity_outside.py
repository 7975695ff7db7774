"""First-order indices against a function whose indices are published."""

import numpy as np
import pytest
from outside import OutsideCheck, verify

from valvectl.studies.sensitivity import first_order, rank_correlation

SOURCE = "Ishigami and Homma, ISUMA 1990; a 7, b 0.1; closed form in Sobol' and Levitan 1999"


@pytest.fixture(scope="module")
def ishigami():
    x = np.random.default_rng(4).uniform(-np.pi, np.pi, (20000, 3))
    return x, np.sin(x[:, 0]) + 7.0 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0])


@pytest.mark.parametrize(("j", "expected"), [(0, 0.3139), (1, 0.4424)])
def test_first_order_of_ishigami(ishigami, j, expected):
    check = OutsideCheck(
        f"ISH-{j + 1}", f"first-order index of input {j + 1}", expected, "", 0.02, SOURCE, "recomputed", True
    )
    verify(check, first_order(*ishigami)[j])


def test_an_input_that_acts_only_with_another_has_no_first_order(ishigami):
    assert first_order(*ishigami)[2] < 0.01


def test_rank_correlation_is_spearmans():
    from scipy.stats import spearmanr

    rng = np.random.default_rng(5)
    x = rng.random((200, 3))
    y = x[:, 0] ** 3 - 0.3 * x[:, 1] + 0.1 * rng.random(200)
    for j in range(3):
        assert rank_correlation(x, y)[j] == pytest.approx(spearmanr(x[:, j], y).statistic, abs=1e-12)
