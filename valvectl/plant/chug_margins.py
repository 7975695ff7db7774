"""Stability of a chug loop: Nyquist count, margins, border in delay, and the rightmost root by another road.

The count rests on the frequency response with its delays exact. ``rightmost_root`` does not use it: it turns the loop
into a delay differential equation, discretises its past with Chebyshev polynomials and polishes with Newton's method.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from valvectl.errors import RangeError
from valvectl.parts.lookup import FloatArray
from valvectl.plant.chug import ChugLoop, FeedLeg
from valvectl.plant.linear import ComplexArray

IntArray = NDArray[np.int64]
PHASE_STEP = 0.1
"""Phase that the longest delay turns between two points of a frequency grid [rad]."""
COUNTED = 0.5
"""Loop gain below which 1 + L can not turn round the origin; well under 1 so that the last phase is plain."""
MOST_POINTS = 400_000
"""Points of a frequency grid at most; far above what engines need (a drop of 5 % of pc with 50 ms delay: 70 000)."""
_FIVE_DECADES, _FOUR_DECADES = np.geomspace(1e-5, 1.0, 600), np.geomspace(1e-4, 1.0, 240)
"""Shares of a highest frequency: made once, since a study asks for thousands of grids."""
LARGEST_GAIN_MARGIN = 1e4
"""Gain margins above this factor (80 dB) count as infinite: no crossing is looked for beyond."""


# ------------------------------------------------------------------------------------------------------------ Nyquist


def _top(loop: ChugLoop, level: float) -> float:
    """Frequency [rad/s] beyond which |L| stays below ``level`` whatever the delays; zero when it always does."""
    # |a| <= 1 / r of a passive leg
    most = sum(abs(leg.weight) / leg.injector for leg in loop.legs.values())
    limit = max(most / (level * loop.residence), 1e-6 / loop.residence)
    omega = limit * _FIVE_DECADES
    above = np.nonzero(loop.bound(omega) >= level)[0]
    if above.size == 0:
        return 0.0
    return float(omega[min(above[-1] + 1, omega.size - 1)])


def frequency_grid(loop: ChugLoop, top: float, scale: float = 1.0) -> FloatArray:
    """Grid from 0 to ``top`` [rad/s]: logarithmic for the lags, even for delays of up to ``scale`` times the loop's,
    close round each resonance of column and manifold. Shape (n,).

    Raises ``RangeError`` when the delay is so long and the drop so small that the grid would grow out of bounds.
    """
    waves = 2.0 * max(leg.transit for leg in loop.legs.values())
    even = max(60, math.ceil(top * max(loop.longest_delay * scale, waves) / PHASE_STEP))
    if even > MOST_POINTS:
        raise RangeError(
            f"chug loop out of range: a delay of {1e3 * loop.longest_delay * scale:.3g} ms with gain up to "
            f"{top:.3g} rad/s is more than {PHASE_STEP * MOST_POINTS / (2.0 * math.pi):.0f} turns"
        )
    pieces = [np.linspace(0.0, top, even + 1), top * _FOUR_DECADES]
    for leg in loop.legs.values():
        if 0.0 < leg.storage < math.inf and leg.inertia > 0.0 and math.isfinite(leg.line):
            own = 1.0 / math.sqrt(leg.inertia * leg.storage)
            if own < top:
                pieces.append(own * np.linspace(0.8, 1.2, 41))
    omega = np.unique(np.concatenate(pieces))
    return np.asarray(omega[omega <= top])


def _turns(curve: ComplexArray) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Roots to the right (not rounded) and largest turn between points [rad] of curves 1 + L, shape (..., n)."""
    phase = np.angle(curve)
    step = np.diff(phase, axis=-1)
    step = step - 2.0 * math.pi * np.round(step / (2.0 * math.pi))
    # from the last point on |L| < 1/2: the phase goes back to zero without a turn
    total = np.sum(step, axis=-1) - phase[..., -1]
    return -total / math.pi, np.max(np.abs(step), axis=-1, initial=0.0)


def unstable_roots(loop: ChugLoop) -> int:
    """Number of roots in the right half plane, from the encirclements of -1 by L (argument principle).

    Between grid points that turn by more than a sixth of a circle the grid is halved until they do not.
    """
    top = _top(loop, COUNTED)
    if top == 0.0:
        return 0
    omega = frequency_grid(loop, top)
    curve = 1.0 + loop.gain(omega)
    for _ in range(48):
        phase = np.angle(curve)
        step = np.diff(phase)
        step -= 2.0 * math.pi * np.round(step / (2.0 * math.pi))
        wide = np.nonzero(np.abs(step) > math.pi / 3.0)[0]
        if wide.size == 0:
            break
        middle = 0.5 * (omega[wide] + omega[wide + 1])
        omega = np.insert(omega, wide + 1, middle)
        curve = np.insert(curve, wide + 1, 1.0 + loop.gain(middle))
    return round(float(_turns(curve)[0]))


@dataclass(frozen=True)
class ChugMargins:
    """Margins of a chug loop."""

    unstable_roots: int
    """Roots in the right half plane; 0: stable."""
    gain_margin: float
    """Factor on the loop gain at the border [-]: above 1 when stable; below 1 the factor down to which it must fall."""
    frequency: float
    """Frequency at that border [rad/s]; NaN when there is none."""
    delay_margin: float
    """Least extra delay, alike in both legs, to the border over all gain crossovers [s]; 0 when unstable already."""
    crossover: float
    """Gain crossover of the delay margin [rad/s]; NaN when there is none."""

    @property
    def stable(self) -> bool:
        """True when no root is to the right."""
        return self.unstable_roots == 0

    @property
    def gain_margin_db(self) -> float:
        """Gain margin [dB]; negative when unstable."""
        return 20.0 * math.log10(self.gain_margin) if math.isfinite(self.gain_margin) else math.inf


def _cuts(loop: ChugLoop, omega: FloatArray, gain: ComplexArray) -> list[tuple[float, float]]:
    """Crossings of the negative real axis: frequency [rad/s] and -Re L there, refined; one at rest is among them."""

    def imaginary(w: float) -> float:
        return float(loop.gain(np.array([w]))[0].imag)

    found = [(0.0, -float(gain.real[0]))] if omega[0] == 0.0 and gain.real[0] < 0.0 else []
    for j in np.nonzero((gain.imag[:-1] * gain.imag[1:] < 0.0) & (gain.real[:-1] + gain.real[1:] < 0.0))[0]:
        w = float(brentq(imaginary, omega[j], omega[j + 1], rtol=1e-12))
        size = -float(loop.gain(np.array([w]))[0].real)
        if size > 0.0:
            found.append((w, size))
    return found


def chug_margins(loop: ChugLoop) -> ChugMargins:
    """Nyquist count, gain margin, its frequency and delay margin of a loop, each crossing refined on the exact L."""
    roots = unstable_roots(loop)
    # Gain margin: outwards until no higher crossing can be larger than the largest found.
    level, cuts = COUNTED, []
    while level > 1.0 / LARGEST_GAIN_MARGIN:
        top = _top(loop, level)
        if top * loop.longest_delay > PHASE_STEP * MOST_POINTS and level < COUNTED:
            break
        if top > 0.0:
            omega = frequency_grid(loop, top)
            cuts = _cuts(loop, omega, loop.gain(omega))
        if cuts and max(size for _, size in cuts) >= level:
            break
        level *= 0.5
    below = [cut for cut in cuts if cut[1] < 1.0]
    factor, at = math.inf, math.nan
    if roots == 0 and below:
        at, size = max(below, key=lambda cut: cut[1])
        factor = 1.0 / size
    elif roots > 0 and cuts:
        at, size = max(cuts, key=lambda cut: cut[1])
        factor = 1.0 / size

    delay, crossover = (math.inf, math.nan) if roots == 0 else (0.0, math.nan)
    top = _top(loop, COUNTED)
    if roots == 0 and top > 0.0:

        def size_of(w: float) -> float:
            return math.log(abs(complex(loop.gain(np.array([w]))[0])))

        omega = frequency_grid(loop, top)
        excess = np.abs(loop.gain(omega)) - 1.0
        for j in np.nonzero(excess[:-1] * excess[1:] < 0.0)[0]:
            w = float(brentq(size_of, omega[j], omega[j + 1], rtol=1e-12))
            if w == 0.0:  # a crossing so slow (a line of no width) that no delay makes it swing
                continue
            margin = (float(np.angle(loop.gain(np.array([w]))[0])) + math.pi) % (2.0 * math.pi) / w
            if margin < delay:
                delay, crossover = margin, w
    return ChugMargins(unstable_roots=roots, gain_margin=factor, frequency=at, delay_margin=delay, crossover=crossover)


def delay_map(loop: ChugLoop, scales: FloatArray, level: float = 0.2) -> tuple[IntArray, FloatArray]:
    """Roots to the right and gain margin factor over factors on both delays.

    scales : factors [-], shape (k,); level : loop gains below it are not looked at
    Returns (roots, shape (k,); gain margin [-], shape (k,), infinite above 1 / ``level``). Crossings are interpolated on
    the grid, good to some 0.1 %; the count is redone with a finer grid wherever a curve turns fast.
    """
    scales = np.asarray(scales, dtype=float)
    top = _top(loop, min(level, COUNTED))
    if top == 0.0:
        return np.zeros(scales.size, dtype=np.int64), np.full(scales.size, math.inf)
    omega = frequency_grid(loop, top, float(np.max(scales)))
    rows = max(1, 1_000_000 // omega.size)  # a bounded piece of memory at a time
    pieces = [_map_rows(loop, scales[k : k + rows], omega) for k in range(0, scales.size, rows)]
    return np.concatenate([p[0] for p in pieces]), np.concatenate([p[1] for p in pieces])


def _map_rows(loop: ChugLoop, scales: FloatArray, omega: FloatArray) -> tuple[IntArray, FloatArray]:
    """``delay_map`` on a given grid of frequencies [rad/s]."""
    s = np.asarray(1j * omega, dtype=np.complex128)
    gain: ComplexArray = np.zeros((scales.size, omega.size), dtype=complex)
    for delay, part in loop.parts(s):
        gain = gain + part * np.exp(-np.outer(scales * delay, s))
    turns, widest = _turns(1.0 + gain)
    roots = np.round(turns).astype(np.int64)
    for k in np.nonzero(widest > math.pi / 3.0)[0]:
        roots[k] = unstable_roots(loop.with_delays(float(scales[k])))
    low, high = gain[:, :-1], gain[:, 1:]
    crosses = low.imag * high.imag < 0.0
    share = np.where(crosses, low.imag / np.where(crosses, low.imag - high.imag, 1.0), 0.0)
    size = np.where(crosses, -(low.real + share * (high.real - low.real)), 0.0)
    kept = np.where((roots == 0)[:, None] & (size >= 1.0), 0.0, size)  # a stable loop: the next border up
    largest = np.max(kept, axis=1)
    with np.errstate(divide="ignore"):
        return roots, np.asarray(np.where(largest > 0.0, 1.0 / largest, math.inf))


# ------------------------------------------------------------------------------------------------------------- borders


def neutral_delay(loop: ChugLoop, lowest: float = 0.02, highest: float = 100.0) -> tuple[float, float]:
    """Factor on both delays at which the loop first loses stability, and the frequency there [rad/s].

    Looked for upwards from ``lowest`` in steps of 6 %. (``inf``, NaN) when there is none up to ``highest``;
    (``lowest``, NaN) when it is unstable there already.
    """
    if _top(loop, 1.0) == 0.0:
        return math.inf, math.nan
    if unstable_roots(loop.with_delays(lowest)) > 0:
        return lowest, math.nan
    low = lowest
    while low < highest:
        high = min(1.06 * low, highest)
        if unstable_roots(loop.with_delays(high)) > 0:
            return refine_neutral(loop, low, high)
        low = high
    return math.inf, math.nan


def refine_neutral(loop: ChugLoop, low: float, high: float) -> tuple[float, float]:
    """Factor on both delays and frequency [rad/s] where L = -1, between a stable and an unstable factor."""
    start: float | None = None
    for _ in range(60):
        start = _border_start(loop.with_delays(high))
        if start is not None:
            scale, omega = _newton_border(loop, high, start)
            if low * (1.0 - 1e-9) <= scale <= high * (1.0 + 1e-9):
                return scale, omega
        middle = 0.5 * (low + high)
        low, high = (low, middle) if unstable_roots(loop.with_delays(middle)) > 0 else (middle, high)
        if high - low <= 1e-12 * high:
            break
    return high, math.nan if start is None else start


def _border_start(loop: ChugLoop) -> float | None:
    """Frequency of the largest crossing of the negative real axis [rad/s]."""
    omega = frequency_grid(loop, max(_top(loop, 0.8), 1e-9))
    found = _cuts(loop, omega, loop.gain(omega))
    return max(found, key=lambda cut: cut[1])[0] if found else None


def _newton_border(loop: ChugLoop, scale: float, omega: float) -> tuple[float, float]:
    """Newton's method for L(i omega; scale) = -1 in (scale, omega); NaN when it does not settle."""

    def miss(k: float, w: float) -> complex:
        s = 1j * w
        return 1.0 + sum(
            complex(part[0]) * complex(np.exp(-k * delay * s)) for delay, part in loop.parts(np.array([s]))
        )

    for _ in range(30):
        here = miss(scale, omega)
        dk, dw = 1e-7 * scale, 1e-7 * omega
        by_scale = (miss(scale + dk, omega) - miss(scale - dk, omega)) / (2.0 * dk)
        by_omega = (miss(scale, omega + dw) - miss(scale, omega - dw)) / (2.0 * dw)
        det = by_scale.real * by_omega.imag - by_scale.imag * by_omega.real
        if not abs(det) > 0.0:
            break
        k = scale - (here.real * by_omega.imag - here.imag * by_omega.real) / det
        w = omega - (by_scale.real * here.imag - by_scale.imag * here.real) / det
        if not (0.0 < k < 1e6 and 0.0 < w < 1e9):
            break
        done = abs(k - scale) <= 1e-11 * k and abs(w - omega) <= 1e-11 * w
        scale, omega = k, w
        if done:
            return scale, omega
    return math.nan, math.nan


# ---------------------------------------------------------------------------------------------------- rightmost root


def _leg_states(leg: FeedLeg) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """A (k, k), B (k,), C (k,), D of a leg: input relative chamber pressure, output relative injector flow."""
    r, line, i, c = leg.injector, leg.line, leg.inertia, leg.storage
    none = np.zeros(0)
    if math.isinf(c):
        return np.zeros((0, 0)), none, none, -1.0 / r
    if math.isinf(line):
        if c == 0.0:
            return np.zeros((0, 0)), none, none, 0.0
        return np.array([[-1.0 / (r * c)]]), np.array([1.0 / (r * c)]), np.array([1.0 / r]), -1.0 / r
    if i == 0.0:
        if c == 0.0 or line == 0.0:
            return np.zeros((0, 0)), none, none, -1.0 / (r + line)
        return np.array([[-(1.0 / r + 1.0 / line) / c]]), np.array([1.0 / (r * c)]), np.array([1.0 / r]), -1.0 / r
    if c == 0.0:
        return np.array([[-(line + r) / i]]), np.array([-1.0 / i]), np.array([1.0]), 0.0
    a = np.array([[-line / i, -1.0 / i], [1.0 / c, -1.0 / (r * c)]])
    return a, np.array([0.0, 1.0 / (r * c)]), np.array([0.0, 1.0 / r]), -1.0 / r


def delay_equation(loop: ChugLoop) -> tuple[FloatArray, list[tuple[float, FloatArray]]]:
    """The loop as x'(t) = A x(t) + sum A_i x(t - tau_i): A (n, n) and the pairs (tau_i [s], A_i (n, n)).

    The first state is the relative chamber pressure; those of the legs (flow, manifold pressure) follow. Raises
    ``RangeError`` for a loop with waves in its lines, which is no such equation.
    """
    if any(leg.transit > 0.0 for leg in loop.legs.values()):
        raise RangeError("roots are found for rigid columns only: this loop has waves in its lines")
    blocks = [(leg, *_leg_states(leg)) for leg in loop.legs.values()]
    size = 1 + sum(block[1].shape[0] for block in blocks)
    now = np.zeros((size, size))
    now[0, 0] = -(1.0 - loop.pressure_exponent) / loop.residence
    past = []
    at = 1
    for leg, a, b, c, d in blocks:
        k = a.shape[0]
        now[at : at + k, at : at + k] = a
        now[at : at + k, 0] = b
        delayed = np.zeros((size, size))
        delayed[0, 0] = leg.weight * d / loop.residence
        delayed[0, at : at + k] = leg.weight * c / loop.residence
        past.append((leg.delay, delayed))
        at += k
    return now, past


def rightmost_root(loop: ChugLoop, nodes: int = 24) -> complex:
    """The root of the loop with the largest real part, imaginary part at or above zero [1/s].

    Spectral discretisation of the solution operator's generator on ``nodes`` + 1 Chebyshev points over the longest delay
    (method of Breda, Maset and Vermiglio, 2005, from memory), then Newton's method on the characteristic equation for
    its rightmost eigenvalues. Good for roots that turn by up to about ``nodes`` / 2 radians in the longest delay.
    """
    now, past = delay_equation(loop)
    size, span = now.shape[0], loop.longest_delay
    if span == 0.0:
        eigenvalues = np.linalg.eigvals(now + sum(matrix for _, matrix in past))
    else:
        j = np.arange(nodes + 1)
        x = np.cos(math.pi * j / nodes)  # from 1 (now) to -1 (the longest delay ago)
        ends = np.where((j == 0) | (j == nodes), 2.0, 1.0) * (-1.0) ** j
        gap = x[:, None] - x[None, :] + np.eye(nodes + 1)
        derivative = np.outer(ends, 1.0 / ends) / gap
        derivative -= np.diag(derivative.sum(axis=1))
        big = np.kron(derivative * 2.0 / span, np.eye(size))
        big[:size] = 0.0
        big[:size, :size] = now
        share = (-1.0) ** j * np.where((j == 0) | (j == nodes), 0.5, 1.0)  # barycentric weights of these points
        for delay, matrix in past:
            distance = (1.0 - 2.0 * delay / span) - x
            if np.any(np.abs(distance) < 1e-14):
                row = (np.abs(distance) < 1e-14).astype(float)
            else:
                row = share / distance
                row /= row.sum()
            big[:size] += np.kron(row, matrix)
        eigenvalues = np.linalg.eigvals(big)
    upper = eigenvalues[eigenvalues.imag >= -1e-9 * np.abs(eigenvalues)]
    upper = upper[np.argsort(-upper.real)][:6]
    polished = [root for start in upper if (root := _newton_root(loop, complex(start))) is not None]
    if not polished:
        return complex(upper[0].real, abs(upper[0].imag))
    best = max(polished, key=lambda root: root.real)
    return complex(best.real, abs(best.imag))


def _newton_root(loop: ChugLoop, start: complex) -> complex | None:
    """A root of the characteristic equation [1/s] near a start, or None when it runs away from it."""
    s, unit = start, 1.0 / loop.residence
    for _ in range(40):
        h = 1e-6 * (abs(s) + unit)
        slope = (loop.characteristic(s + h) - loop.characteristic(s - h)) / (2.0 * h)
        if slope == 0.0:
            return None
        step = loop.characteristic(s) / slope
        s -= step
        if not abs(s - start) <= 0.2 * (abs(start) + unit):
            return None
        if abs(step) <= 1e-11 * (abs(s) + unit):
            return s
    return None
