"""Stability margins from an exact frequency response: dense grid, crossings refined, all crossovers kept.

Not python-control's ``stability_margins``: for sampled loops its polynomial method is ill-conditioned at high rates.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar

from valvectl.parts.lookup import FloatArray

Response = Callable[[FloatArray], FloatArray]
"""Loop gain at angular frequencies [rad/s], shape (n,) -> complex (n,)."""


@dataclass(frozen=True)
class Margins:
    """Margins of one loop. Infinite where there is no crossing."""

    gain_margin_db: float
    """Smallest factor up, in decibel, by which the gain may rise until the loop is on the border [dB]."""
    gain_reduction_db: float
    """Factor down in decibel by which the gain may fall until the border, positive [dB]; infinite for most loops."""
    phase_crossover: float
    """Frequency of the gain margin [rad/s]."""
    phase_margin: float
    """Smallest phase margin over all gain crossovers [rad]; negative when the loop is unstable there."""
    gain_crossover: float
    """Frequency of that phase margin [rad/s]."""
    delay_margin: float
    """Smallest extra delay over all gain crossovers that brings the loop to the border [s]."""
    peak_sensitivity: float
    """Largest |1 / (1 + L)| [-]."""
    peak_sensitivity_at: float
    """Its frequency [rad/s]."""
    peak_complementary: float
    """Largest |L / (1 + L)| [-]."""


def margins(
    response: Response, lowest: float, highest: float, points: int = 1500, complementary: bool = True
) -> Margins:
    """Margins of a loop gain between two frequencies [rad/s]; for sampled loops ``highest`` is pi / T.

    Each crossing found on a logarithmic grid is refined by bracketing on the exact response. ``complementary``: its peak is
    wanted too; NaN otherwise.
    """
    # To the border of the band exactly: at pi / T the response of a sampled loop is real, often the phase crossing.
    omega = np.geomspace(lowest, highest, points)
    fine = np.linspace(0.5 * highest, highest, points // 3)
    omega = np.unique(np.concatenate([omega, fine]))
    gain = np.array(response(omega))
    # At the border of a sampled band the response is real; what is left of an imaginary part there is rounding.
    at_border = abs(gain.imag[-1]) < 1e-9 * abs(gain.real[-1])
    if at_border:
        gain[-1] = gain.real[-1]

    def one(w: float) -> complex:
        return complex(response(np.array([w]))[0])

    phase_cuts: list[tuple[float, complex]] = []
    for j in np.nonzero((gain.imag[:-1] * gain.imag[1:] < 0.0) & (gain.real[:-1] + gain.real[1:] < 0.0))[0]:
        if one(omega[j]).imag * one(omega[j + 1]).imag > 0.0:
            continue  # a change of sign within rounding
        w = float(brentq(lambda w: one(w).imag, omega[j], omega[j + 1], rtol=1e-12))
        phase_cuts.append((w, one(w)))
    if at_border and gain.real[-1] < 0.0:
        phase_cuts.append((float(omega[-1]), complex(gain[-1])))
    up, down, up_at = math.inf, math.inf, math.nan
    for w, value in phase_cuts:
        if value.real >= 0.0:
            continue
        db = -20.0 * math.log10(-value.real)
        if db >= 0.0 and db < up:
            up, up_at = db, w
        if db < 0.0 and -db < down:
            down = -db

    magnitude = np.abs(gain)
    phase_margin, crossover, delay = math.inf, math.nan, math.inf
    for j in np.nonzero((magnitude[:-1] - 1.0) * (magnitude[1:] - 1.0) < 0.0)[0]:
        w = float(brentq(lambda w: math.log(abs(one(w))), omega[j], omega[j + 1], rtol=1e-12))
        margin = math.remainder(math.pi + math.atan2(one(w).imag, one(w).real), 2.0 * math.pi)
        if abs(margin) < abs(phase_margin):
            phase_margin, crossover = margin, w
        delay = min(delay, (margin if margin >= 0.0 else margin + 2.0 * math.pi) / w)

    sensitivity = 1.0 / np.abs(1.0 + gain)
    peak, at = _peak(lambda w: 1.0 / abs(1.0 + one(w)), omega, sensitivity)
    return Margins(
        gain_margin_db=up,
        gain_reduction_db=down,
        phase_crossover=up_at,
        phase_margin=phase_margin,
        gain_crossover=crossover,
        delay_margin=delay,
        peak_sensitivity=peak,
        peak_sensitivity_at=at,
        peak_complementary=_peak(lambda w: abs(one(w) / (1.0 + one(w))), omega, magnitude * sensitivity)[0]
        if complementary
        else math.nan,
    )


def _peak(value: Callable[[float], float], omega: FloatArray, on_grid: FloatArray) -> tuple[float, float]:
    """Largest value and where: the grid's best point, refined between its neighbours."""
    top = int(np.argmax(on_grid))
    low, high = omega[max(top - 1, 0)], omega[min(top + 1, omega.size - 1)]
    fine_enough = {"xatol": 1e-6 * high}
    best = minimize_scalar(lambda w: -value(w), bounds=(low, high), method="bounded", options=fine_enough)
    return max((-float(best.fun), float(best.x)), (float(on_grid[top]), float(omega[top])))
