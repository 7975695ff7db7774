"""Monotone cubics made together are those made alone, bit for bit."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator

from valvectl.parts import monotone


def test_made_together_or_alone() -> None:
    rng = np.random.default_rng(8)
    for points in (2, 3, 9):
        x = np.cumsum(rng.uniform(0.1, 1.0, points))
        tables = [(x, np.cumsum(rng.normal(size=points)) * 10.0 ** rng.integers(-3, 4)) for _ in range(33)]
        tables += [(x + 1.0, y) for _, y in tables[:1]]  # one of a kind
        monotone.prepare(tables)
        at = np.linspace(x[0], x[-1], 301)
        for own, y in tables[:-1]:
            assert np.array_equal(monotone.monotone_cubic(own, y)(at), PchipInterpolator(own, y)(at))
        assert np.array_equal(monotone.monotone_cubic(*tables[-1])(at + 1.0), PchipInterpolator(*tables[-1])(at + 1.0))


def test_few_are_kept() -> None:
    x = np.arange(4.0)
    monotone.prepare([(x, x + k) for k in range(3 * monotone.MOST)])
    assert len(monotone._kept) <= monotone.MOST
