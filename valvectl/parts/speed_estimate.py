"""Speed from a sampled angle by a tracking observer, and the lag of a sensor ahead of its sampler.

Observer (every Ts):  predicted = angle + Ts speed;  e = measured - predicted;  angle = predicted + a e;  speed += (b/Ts) e
Both of its poles stand where exp(s Ts) puts the poles s of s^2 + 2 z w s + w^2, so that ``w`` is its bandwidth and ``z``
its damping however fast or slow it is sampled.
"""

from __future__ import annotations

import math


def observer_gains(period: float, bandwidth: float, damping: float) -> tuple[float, float]:
    """Gains (a, b) [-] of the tracking observer.

    ``period`` [s]; ``bandwidth`` natural frequency w [rad/s]; ``damping`` z [-]. The characteristic polynomial of the
    observer is z^2 - (2 - a - b) z + (1 - a); with the poles at exp(s Ts) this gives a = 1 - exp(-2 z w Ts) and
    b = 1 + exp(-2 z w Ts) - 2 exp(-z w Ts) cos(w Ts sqrt(1 - z^2)). Critically damped: a = 1 - r^2, b = (1 - r)^2 with
    r = exp(-w Ts), the critically damped g-h filter of Brookner, Tracking and Kalman Filtering Made Easy (1998), from memory.
    """
    decay = math.exp(-damping * bandwidth * period)
    under = 1.0 - damping * damping
    turn = bandwidth * period * math.sqrt(abs(under))
    swing = math.cos(turn) if under >= 0.0 else math.cosh(turn)
    return 1.0 - decay * decay, 1.0 + decay * decay - 2.0 * decay * swing


def tracked(
    measured: float, angle: float, speed: float, period: float, gain: float, rate_gain: float
) -> tuple[float, float]:
    """Angle [rad] and speed [rad/s] of the tracking observer one sample on; gains of ``observer_gains``."""
    predicted = angle + period * speed
    error = measured - predicted
    return predicted + gain * error, speed + rate_gain / period * error


def lag_shares(step: float, time_constant: float) -> tuple[float, float]:
    """Shares (keep, ramp) [-] of ``lagged`` for a step [s] and a time constant [s]; both zero without a lag."""
    if time_constant <= 0.0:
        return 0.0, 0.0
    keep = math.exp(-step / time_constant)
    return keep, (1.0 - keep) * time_constant / step


def lagged(value: float, before: float, after: float, keep: float, ramp: float) -> float:
    """Output of a first-order lag one step on, exact for an input that runs straight from ``before`` to ``after``."""
    return keep * value + (ramp - keep) * before + (1.0 - ramp) * after
