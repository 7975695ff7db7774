"""Position encoder: quantisation, and what a faulty one shows."""

from __future__ import annotations

import math


def count_size(counts: int) -> float:
    """Angle of one count [rad] of an encoder with ``counts`` per turn."""
    return 2.0 * math.pi / counts


def quantise(angle: float, count: float) -> float:
    """Angle [rad] as the encoder tells it: the nearest multiple of ``count`` [rad]; as it is when ``count`` is zero.

    Rounding to nearest stands for an encoder whose half-count offset was taken out when it was zeroed.
    """
    if count <= 0.0:
        return angle
    return math.floor(angle / count + 0.5) * count


def faulty_reading(angle: float, slope: float, offset: float, deviation: float, noise: float) -> float:
    """Angle [rad] that a faulty encoder has before its counts: slope x angle + offset + deviation x noise.

    ``slope`` [-] 1 for one that follows and 0 for one that is frozen (``offset`` [rad] is then what it shows), ``deviation``
    [rad] of a noise whose ``noise`` [-] is standard normal. Definition; source: none needed.
    """
    return slope * angle + offset + deviation * noise
