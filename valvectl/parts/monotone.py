"""Monotone cubics through tables (PCHIP), many at once where tables share their abscissae.

The cubic is SciPy's; making one takes far longer than reading it, so that those of drawn engines are made together.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterable
from typing import Any

import numpy as np

from valvectl.parts.lookup import FloatArray

Table = tuple[FloatArray, FloatArray]
"""Abscissae, rising, and ordinates; each of shape (n,), n >= 2."""
MOST = 1024
"""Cubics that are kept."""

_kept: OrderedDict[tuple[bytes, bytes], Any] = OrderedDict()
_lock = threading.Lock()


def monotone_cubic(x: FloatArray, y: FloatArray) -> Any:
    """The monotone cubic through a table, a ``scipy.interpolate.PPoly``.

    F. N. Fritsch, J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300; ``scipy.interpolate.PchipInterpolator``.
    """
    from scipy.interpolate import PchipInterpolator

    key = _key(x, y)
    with _lock:
        if key in _kept:
            _kept.move_to_end(key)
            return _kept[key]
    made = PchipInterpolator(x, y)
    _keep({key: made})
    return made


def prepare(tables: Iterable[Table]) -> None:
    """Make the cubics of many tables together, so that ``monotone_cubic`` finds them; each is what it would be alone, bit for
    bit."""
    from scipy.interpolate import PchipInterpolator, PPoly

    groups: dict[bytes, dict[tuple[bytes, bytes], Table]] = {}
    for x, y in tables:
        key = _key(x, y)
        if key not in _kept:
            groups.setdefault(key[0], {})[key] = (x, y)
    for group in groups.values():
        if len(group) < 2:
            continue
        x = next(iter(group.values()))[0]
        whole = PchipInterpolator(x, np.stack([y for _, y in group.values()], axis=1))
        own = (np.ascontiguousarray(whole.c[:, :, j]) for j in range(len(group)))
        _keep({key: PPoly.construct_fast(c, whole.x) for key, c in zip(group, own, strict=True)})


def _key(x: FloatArray, y: FloatArray) -> tuple[bytes, bytes]:
    return np.asarray(x, dtype=float).tobytes(), np.asarray(y, dtype=float).tobytes()


def _keep(made: dict[tuple[bytes, bytes], Any]) -> None:
    with _lock:
        _kept.update(made)
        while len(_kept) > MOST:
            _kept.popitem(last=False)
