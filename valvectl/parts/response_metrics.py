"""Metrics of a sampled response, measured from the step's own start; plain functions of arrays.

``y`` is the response over the step: (angle - start) / size, so that it goes from 0 to 1 whatever the sign. Times count from
the step of the command. Terms as in ANSI/ISA-75.25.01 (from memory): T63 and T86 count the dead time in.
"""

from __future__ import annotations

import math

import numpy as np

from valvectl.parts.lookup import FloatArray

DEAD_LEVEL = 0.03
"""Share of the step that ends the dead time [-]."""
T63_LEVEL, T86_LEVEL = 0.63, 0.865
"""Shares of the step of T63 and T86 [-]."""


def first_time(time: FloatArray, y: FloatArray, level: float) -> float:
    """Time at which a response first reaches ``level``, on the straight line between samples; infinite if it never does.

    ``time`` [s], ``y`` [-], both shape (n,).
    """
    beyond = np.nonzero(y >= level)[0]
    if beyond.size == 0:
        return math.inf
    j = int(beyond[0])
    if j == 0:
        return float(time[0])
    share = (level - y[j - 1]) / (y[j] - y[j - 1])
    return float(time[j - 1] + share * (time[j] - time[j - 1]))


def rise_time(time: FloatArray, y: FloatArray, low: float = 0.1, high: float = 0.9) -> float:
    """Time from ``low`` to ``high`` [s]; infinite if the response does not get there."""
    top = first_time(time, y, high)
    return top - first_time(time, y, low) if math.isfinite(top) else math.inf


def overshoot(y: FloatArray) -> float:
    """Largest travel beyond the command over the step [-], zero for none."""
    return max(0.0, float(np.max(y)) - 1.0)


def settling_time(time: FloatArray, y: FloatArray, band: float) -> float:
    """Time from which the response stays within plus or minus ``band`` about 1 [s]; infinite if it does not.

    The first sample after the last one outside, so never early by more than nothing and late by at most one sample.
    """
    outside = np.nonzero(np.abs(y - 1.0) > band)[0]
    if outside.size == 0:
        return float(time[0])
    if outside[-1] == y.size - 1:
        return math.inf
    return float(time[outside[-1] + 1])


def residual(y: FloatArray) -> float:
    """Mean of the last tenth less one [-]: what is left of the error, negative when short of the command."""
    tail = max(1, y.size // 10)
    return float(np.mean(y[-tail:])) - 1.0


def error_integrals(time: FloatArray, error: FloatArray) -> tuple[float, float, float]:
    """ISE, IAE and ITAE: integrals of e^2, |e| and t |e| by the trapezoidal rule over the times given.

    ``time`` [s] from the step, ``error`` in any unit u, both shape (n,); [u^2 s], [u s], [u s^2].
    """
    size = np.abs(error)
    return (
        float(np.trapezoid(error * error, time)),
        float(np.trapezoid(size, time)),
        float(np.trapezoid(time * size, time)),
    )


def ramp_lag(command: FloatArray, response: FloatArray, rate: float) -> float:
    """Time by which a response follows a steady ramp late [s]: mean of (command - response) / rate over the samples given.

    ``rate`` in the arrays' unit per second, of either sign; give only samples at which the lag has settled.
    """
    return float(np.mean(command - response)) / rate


def sine_phasor(time: FloatArray, signal: FloatArray, omega: float) -> complex:
    """First harmonic of a signal at ``omega`` [rad/s], least squares together with its mean and a drift.

    Phasor against sin(omega t): real part in phase, imaginary part ahead. A whole number of periods is not needed.
    """
    basis = np.column_stack([np.sin(omega * time), np.cos(omega * time), np.ones_like(time), time - time.mean()])
    found = np.linalg.lstsq(basis, signal, rcond=None)[0]
    return complex(found[0], found[1])


def gain_and_phase(time: FloatArray, command: FloatArray, response: FloatArray, omega: float) -> tuple[float, float]:
    """Gain [-] and phase [rad] of a response to a sine command, by ``sine_phasor`` of both; phase as in ``lagging``."""
    ratio = sine_phasor(time, response, omega) / sine_phasor(time, command, omega)
    return abs(ratio), lagging(math.atan2(ratio.imag, ratio.real))


def lagging(phase: float) -> float:
    """The same phase [rad] within -330 to 30 degrees: a servo lags; a little lead is left as it is."""
    return phase if phase <= math.pi / 6.0 else phase - 2.0 * math.pi
