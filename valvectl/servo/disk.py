"""Disk margin: how far gain and phase of a loop may move together, in any mixture, before it may be unstable.

The loop gain is multiplied by f = (1 + a (1 - s)/2 d) / (1 - a (1 + s)/2 d) with any complex |d| < 1; s is the skew, zero for
as much up as down. The largest a for which the closed loop stays stable for every such d is one over the peak of
|S + (s - 1)/2|, with S = 1/(1 + L). It says more than gain and phase margin do, which move one thing at a time.

Source: P. Seiler, A. Packard, P. Gahinet, "An introduction to disk margins", IEEE Control Systems Magazine 40 (2020) 5, pp. 78-95
(equations from memory; checked against python-control's ``disk_margins``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from valvectl.parts.lookup import FloatArray


@dataclass(frozen=True)
class DiskMargin:
    """Disk margin of one loop."""

    size: float
    """a [-]; 2 is the most a balanced disk (skew 0) can have."""
    gain_margin: float
    """Factor up by which the gain may rise with the phase as it is, guaranteed [-]; infinite from size 2 on."""
    gain_reduction: float
    """Factor down [-], zero at size 2."""
    phase_margin: float
    """Phase that may be lost with the gain as it is, guaranteed [rad]."""
    at: float
    """Frequency of the peak [rad/s]."""


def disk_margin(loop_gain: FloatArray, omega: FloatArray, skew: float = 0.0) -> DiskMargin:
    """Disk margin from a frequency response of a loop that is stable when closed.

    ``loop_gain`` complex, shape (n,), at ``omega`` [rad/s]; the peak is taken on this grid, so make it dense.
    """
    shifted = np.abs(1.0 / (1.0 + loop_gain) + 0.5 * (skew - 1.0))
    j = int(np.argmax(shifted))
    return guaranteed(1.0 / float(shifted[j]), skew, float(omega[j]))


def guaranteed(size: float, skew: float = 0.0, at: float = math.nan) -> DiskMargin:
    """Gain and phase margin that a disk of a size guarantees: where its circle cuts the real axis and the unit circle."""
    up, down = 1.0 - 0.5 * size * (1.0 + skew), 1.0 + 0.5 * size * (1.0 - skew)
    least = (1.0 - 0.5 * size * (1.0 - skew)) / (1.0 + 0.5 * size * (1.0 + skew))
    most = down / up if up > 0.0 else math.inf
    least = max(least, 0.0)
    # From size 2 on the disk holds the half plane beyond ``least``: it cuts the unit circle where the real part is that.
    cosine = least if math.isinf(most) else (1.0 + least * most) / (least + most)
    phase = math.acos(min(max(cosine, -1.0), 1.0)) if cosine < 1.0 else 0.0
    return DiskMargin(size, most, least, phase, at)
