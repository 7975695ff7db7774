"""Rules that give gains of a loop from a few numbers of its plant, with what they promise.

Plants are written as in the sources: K gain, T a large time constant, s the sum of all small time constants and delays.

Sources: C. Kessler, Regelungstechnik 6 (1958), modulus and symmetrical optimum; J. Umland, M. Safiuddin, "Magnitude and
symmetric optimum criterion", IEEE Trans. Ind. Appl. 26 (1990) 489; K. Astrom, T. Hagglund, Advanced PID Control (2006), lambda
tuning and pole placement; D. Rivera, M. Morari, S. Skogestad, IMC-PID (1986). All from memory; the promised numbers are checked
by tests.
"""

from __future__ import annotations

import math


def modulus_optimum(gain: float, large: float, small: float) -> tuple[float, float]:
    """PI for K/((1 + T s)(1 + sigma s)): (Kp, Ti) = (T/(2 K sigma), T).

    Promises 4.3 % overshoot, rise time 4.7 sigma, phase margin 65.5 deg.
    """
    return large / (2.0 * gain * small), large


def symmetrical_optimum(gain: float, integral: float, small: float, spread: float = 2.0) -> tuple[float, float]:
    """PI for K/(T s (1 + sigma s)): (Kp, Ti) = (T/(a K sigma), a^2 sigma), a = ``spread``.

    Crossover at 1/(a sigma) with phase margin atan((a^2 - 1)/(2 a)): 36.9 deg at a = 2, where a step of the set-point
    overshoots by 43.4 %, by 8.1 % behind a filter 1/(1 + Ti s).
    """
    return integral / (spread * gain * small), spread * spread * small


def symmetrical_phase(spread: float) -> float:
    """Phase margin of the symmetrical optimum [rad]."""
    return math.atan((spread * spread - 1.0) / (2.0 * spread))


def lambda_pi(gain: float, large: float, delay: float, closed: float) -> tuple[float, float]:
    """PI for K exp(-L s)/(1 + T s) with closed-loop time constant ``closed`` (lambda): (Kp, Ti) = (T/(K (lambda + L)), T)."""
    return large / (gain * (closed + delay)), large


def lambda_p_integrating(gain: float, delay: float, closed: float) -> float:
    """P for K exp(-L s)/s: Kp = 1/(K (lambda + L))."""
    return 1.0 / (gain * (closed + delay))


def placed_pi(gain: float, integral: float, frequency: float, damping: float) -> tuple[float, float]:
    """PI on K/(T s) so that the poles have a natural frequency [rad/s] and a damping ratio: (Kp, Ki).

    Kp = 2 zeta w T/K, Ki = w^2 T/K (integral gain, not time).
    """
    return 2.0 * damping * frequency * integral / gain, frequency * frequency * integral / gain


def placed_cascade(speed_bandwidth: float, damping: float) -> float:
    """Position gain [1/s] over a speed loop taken as a first-order lag of a bandwidth [rad/s]: w/(4 zeta^2); a quarter of it at
    critical damping."""
    return speed_bandwidth / (4.0 * damping * damping)
