"""Describing functions: what a nonlinear element does to the first harmonic of a sine, as a gain against its amplitude.

Closed forms as in Gelb and Vander Velde, Multiple-Input Describing Functions (1968), chapter 2 and its appendix (from
memory), each checked in the tests against the numeric integral below. ``amplitude`` A is that of the sine at the
element's input; output over input, complex where the element remembers. A gain of unit slope is [-]; a relay's is its
level over the amplitude's unit. All forms hold for A above zero.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from valvectl.parts.lookup import FloatArray

Element = Callable[[FloatArray], FloatArray]
"""An element's output for an input given at equal times, shape (n,) -> (n,); it may remember what came before."""


def _share(ratio: float) -> float:
    """Gain of a unit slope limited at ``ratio`` times the amplitude [-]."""
    if ratio >= 1.0:
        return 1.0
    return 2.0 / math.pi * (math.asin(ratio) + ratio * math.sqrt(1.0 - ratio * ratio))


def saturation(amplitude: float, limit: float) -> float:
    """Unit slope up to plus or minus ``limit``: 2/pi (asin r + r sqrt(1 - r^2)), r = limit / A; 1 below the limit [-]."""
    return _share(limit / amplitude)


def dead_zone(amplitude: float, half_width: float) -> float:
    """Nothing within plus or minus ``half_width``, unit slope beyond: one less the saturation at that width [-]."""
    return 1.0 - _share(half_width / amplitude)


def blanked(amplitude: float, band: float) -> float:
    """Input taken as zero within plus or minus ``band`` and as it is beyond (a hold band) [-].

    1 - 2/pi (asin r - r sqrt(1 - r^2)), r = band / A; zero for A at or below the band. Own integral of the sine.
    """
    r = band / amplitude
    if r >= 1.0:
        return 0.0
    return 1.0 - 2.0 / math.pi * (math.asin(r) - r * math.sqrt(1.0 - r * r))


def relay(amplitude: float, level: float) -> float:
    """Relay, or Coulomb friction against speed: 4 M / (pi A) [level over input]."""
    return 4.0 * level / (math.pi * amplitude)


def relay_dead_zone(amplitude: float, level: float, half_width: float) -> float:
    """Relay that gives nothing within plus or minus ``half_width``: 4 M / (pi A) sqrt(1 - (D/A)^2), zero for A <= D."""
    r = half_width / amplitude
    if r >= 1.0:
        return 0.0
    return 4.0 * level / (math.pi * amplitude) * math.sqrt(1.0 - r * r)


def relay_hysteresis(amplitude: float, level: float, half_width: float) -> complex:
    """Relay that switches at plus or minus ``half_width`` beyond zero: 4 M / (pi A) (sqrt(1 - (h/A)^2) - j h/A).

    Zero for A below the half width: it does not switch.
    """
    r = half_width / amplitude
    if r > 1.0:
        return 0j
    return 4.0 * level / (math.pi * amplitude) * complex(math.sqrt(1.0 - r * r), -r)


def backlash(amplitude: float, half_gap: float) -> complex:
    """Lost motion with an output that stays where friction holds it (``gearing.play``), unit slope in contact [-].

    r = half_gap / A; real part 1/2 + (asin(1 - 2r) + 2 (1 - 2r) sqrt(r (1 - r))) / pi, imaginary part -4 r (1 - r) / pi;
    zero for A at or below half the gap.
    """
    r = half_gap / amplitude
    if r >= 1.0:
        return 0j
    u = 1.0 - 2.0 * r
    real = 0.5 + (math.asin(u) + 2.0 * u * math.sqrt(r * (1.0 - r))) / math.pi
    return complex(real, -4.0 * r * (1.0 - r) / math.pi)


def quantiser(amplitude: float, count: float) -> float:
    """Rounding to the nearest multiple of ``count`` (``encoder.quantise``) [-].

    4 q / (pi A) times the sum over the steps that the sine reaches, i = 1 ..., of sqrt(1 - ((2i - 1) q / (2 A))^2); zero
    for A below half a count; one without counts.
    """
    if count <= 0.0:
        return 1.0
    total = 0.0
    for i in range(1, math.floor(amplitude / count + 0.5) + 1):
        r = (2.0 * i - 1.0) * count / (2.0 * amplitude)
        total += math.sqrt(max(0.0, 1.0 - r * r))
    return 4.0 * count / (math.pi * amplitude) * total


LARGEST_QUANTISER_GAIN = 4.0 / math.pi
"""Largest gain of a rounding element [-], at A = count / sqrt 2."""


def harmonics(signal: FloatArray, orders: tuple[int, ...] = (1, 3)) -> tuple[complex, ...]:
    """Phasors of a signal over exactly one period, shape (n,), against sin: real part in phase, imaginary part ahead.

    2/n sum y exp(-j m x) j, so that y = Re-part sin(m x) + Im-part cos(m x).
    """
    x = 2.0 * math.pi * np.arange(signal.size) / signal.size
    return tuple(complex(2j / signal.size * np.sum(signal * np.exp(-1j * m * x))) for m in orders)


def numeric(element: Element, amplitude: float, points: int = 20000) -> tuple[complex, complex]:
    """Describing function of any element by summing over a period: (first harmonic, third harmonic) over amplitude.

    Two periods run; the second is read, so that an element that remembers has settled. ``points`` in a period, at the
    middles of equal intervals. Independent of the closed forms; exact to about 1 / points.
    """
    shift = 0.5 * 2.0 * math.pi / points
    x = 2.0 * math.pi * np.arange(2 * points) / points + shift
    out = np.asarray(element(amplitude * np.sin(x)))[points:]
    first, third = harmonics(out)
    # the samples sit half an interval late
    return first * np.exp(-1j * shift) / amplitude, third * np.exp(-3j * shift) / amplitude
