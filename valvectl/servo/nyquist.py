"""Counting unstable poles by Nyquist's criterion, and every crossing of a loop gain with its own margin."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from valvectl.parts.lookup import FloatArray
from valvectl.servo.disk import disk_margin
from valvectl.servo.sampled import Discrete

OUTSIDE = 1e-6
"""The contour runs at this distance outside the unit circle: an integrator's pole then lies inside of it."""
CONTOUR_POINTS = 4000
"""Points on half the contour."""


@dataclass(frozen=True)
class Count:
    """Nyquist's count for one loop."""

    open_unstable: int
    """Poles of the loop gain outside the unit circle."""
    encirclements: int
    """Turns of 1 + L about the origin, counter-clockwise as z goes round counter-clockwise."""
    closed_unstable: int
    """Closed-loop poles outside by the count: open_unstable less encirclements."""
    by_eigenvalues: int
    """The same counted on the closed loop's matrix."""

    @property
    def agree(self) -> bool:
        """True when both counts are the same."""
        return self.closed_unstable == self.by_eigenvalues


def nyquist_count(loop: Discrete) -> Count:
    """Closed-loop poles of a loop gain (one input, one output) outside the unit circle, counted in two ways.

    Principle of the argument for f(z) = 1 + L(z), which has as many poles as zeros: turns = open less closed poles outside.
    Points lie densest at z = 1, where an integrator makes L large. A pole within ``OUTSIDE`` of the circle counts as inside.
    """
    radius = 1.0 + OUTSIDE
    turn = np.concatenate([[0.0], np.geomspace(1e-9, math.pi, CONTOUR_POINTS)])
    z = radius * np.exp(1j * turn)
    eye = np.eye(loop.a.shape[0])
    f = np.empty(z.size, dtype=complex)
    for part in np.array_split(np.arange(z.size), 16):  # many small systems at once, but not too much memory
        inner = np.linalg.solve(z[part, None, None] * eye - loop.a, np.broadcast_to(loop.b, (part.size, *loop.b.shape)))
        f[part] = 1.0 + (loop.c @ inner)[:, 0, 0] + loop.d[0, 0]
    # the lower half of the contour mirrors the upper one
    turns = round(float(np.sum(np.angle(f[1:] / f[:-1]))) / math.pi)
    open_outside = int(np.sum(np.abs(np.linalg.eigvals(loop.a)) > radius))
    closed_outside = int(np.sum(np.abs(np.linalg.eigvals(loop.a - loop.b @ loop.c)) > radius))
    return Count(open_outside, turns, open_outside - turns, closed_outside)


@dataclass(frozen=True)
class GainCrossover:
    """A frequency at which the loop gain has magnitude one."""

    frequency: float
    """[rad/s]"""
    phase_margin: float
    """[rad], -pi to pi."""
    delay_margin: float
    """Extra delay that turns this crossing to -1 [s]."""


@dataclass(frozen=True)
class PhaseCrossover:
    """A frequency at which the loop gain is real and negative."""

    frequency: float
    """[rad/s]"""
    factor: float
    """Factor on the gain that puts this crossing on -1 [-]: above one a margin upward, below one downward."""


@dataclass(frozen=True)
class Disk:
    """Balanced disk margin of a loop: gain and phase may change together."""

    alpha: float
    """Least |2 (1 + L) / (1 - L)| over frequency [-]."""
    frequency: float
    """Where [rad/s]."""
    gain_up: float
    """Factor (2 + alpha) / (2 - alpha) by which the gain may rise, or fall, the phase unchanged [-]; infinite from 2 on."""
    phase: float
    """Phase 2 atan(alpha / 2) that may go either way, the gain unchanged [rad]."""


def balanced_disk(omega: FloatArray, gain: FloatArray) -> Disk:
    """Balanced (symmetric) disk margin from a frequency response of a stable closed loop, complex, shape (n,).

    Seiler, Packard and Gahinet, An introduction to disk margins, IEEE Control Systems 40 (5) (2020) 78-95 (from memory):
    alpha = 1 / max |S - 1/2|, both read off on the grid given. Validity: the loop is closed-loop stable.
    """
    found = disk_margin(gain, omega)
    return Disk(found.size, found.at, found.gain_margin, found.phase_margin)


def _roots(value: Callable[[float], float], omega: FloatArray, on_grid: FloatArray) -> list[float]:
    out = []
    for j in np.nonzero(on_grid[:-1] * on_grid[1:] < 0.0)[0]:
        if value(float(omega[j])) * value(float(omega[j + 1])) < 0.0:
            out.append(float(brentq(value, omega[j], omega[j + 1], rtol=1e-12)))
    return out


def crossings(
    response: Callable[[FloatArray], FloatArray], lowest: float, highest: float, points: int = 2000
) -> tuple[tuple[GainCrossover, ...], tuple[PhaseCrossover, ...]]:
    """Every gain and phase crossover of a loop gain between two frequencies [rad/s], rising.

    ``response``: angular frequencies (n,) -> complex (n,). The border of a sampled band itself is left out.
    """
    omega = np.unique(
        np.concatenate([np.geomspace(lowest, highest, points), np.linspace(0.5 * highest, highest, points // 3)])
    )
    gain = np.asarray(response(omega))

    def one(w: float) -> complex:
        return complex(response(np.array([w]))[0])

    gains = []
    for w in _roots(lambda w: math.log(abs(one(w))), omega, np.log(np.abs(gain))):
        value = one(w)
        margin = math.remainder(math.pi + math.atan2(value.imag, value.real), 2.0 * math.pi)
        gains.append(GainCrossover(w, margin, (margin if margin >= 0.0 else margin + 2.0 * math.pi) / w))
    phases = [
        PhaseCrossover(w, -1.0 / one(w).real)
        for w in _roots(lambda w: one(w).imag, omega[:-1], gain.imag[:-1])
        if one(w).real < 0.0
    ]
    return tuple(gains), tuple(phases)
