"""A textbook test bench: a linear plant with one nonlinear element in negative feedback, stepped exactly."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.linalg import expm
from scipy.signal import tf2ss

from valvectl.parts.describing_function import harmonics


def response(numerator: list[float], denominator: list[float]) -> Callable[[float], complex]:
    """L(jw) of a transfer function."""
    return lambda w: complex(np.polyval(numerator, 1j * w) / np.polyval(denominator, 1j * w))


def swing(
    numerator: list[float],
    denominator: list[float],
    element: Callable[[float, float], float],
    start: float,
    end: float,
    step: float,
) -> tuple[float, float, float]:
    """Frequency [rad/s], amplitude and share of the third harmonic of the element's input at the end of a run.

    ``element(input, output before)``; its output is held over a step, the plant is stepped by its matrix exponential.
    ``start`` is what the plant's output starts from, at rest.
    """
    a, b, c, _ = tf2ss(numerator, denominator)
    n = a.shape[0]
    both = np.zeros((n + 1, n + 1))
    both[:n, :n], both[:n, n:] = a, b
    e = expm(both * step)
    f, g, c = e[:n, :n], e[:n, n], c[0]
    x = np.linalg.pinv(c[None, :])[:, 0] * start
    count = round(end / step)
    y = np.empty(count)
    out = 0.0
    for k in range(count):
        y[k] = c @ x
        out = element(-y[k], out)
        x = f @ x + g * out
    late = y[count // 2 :]
    late = late - 0.5 * (late.max() + late.min())
    if np.ptp(late) < 1e-6:
        return 0.0, 0.0, 0.0
    ups = np.nonzero((late[:-1] < 0.0) & (late[1:] >= 0.0))[0]
    if ups.size < 3:
        return 0.0, 0.0, 0.0
    at = ups + late[ups] / (late[ups] - late[ups + 1])
    period = (at[-1] - at[0]) / (at.size - 1) * step
    phase = at[-2] + np.linspace(0.0, 1.0, 4096, endpoint=False) * period / step
    first, third = harmonics(np.interp(phase, np.arange(late.size), late))
    return 2.0 * np.pi / period, abs(first), abs(third) / abs(first)
