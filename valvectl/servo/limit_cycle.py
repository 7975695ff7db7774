"""Limit cycles by describing functions: all solutions of 1 + N(A) L(jw) = 0, with their stability.

The solver asks for the balance 1 + N L as a function of amplitude and frequency, so that N may depend on both and L may
be the exact response of a sampled loop. ``DriveBalance`` is that balance for a valve's servo.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from valvectl.parts.lookup import FloatArray
from valvectl.plant.driven import Drive, driven

SCATTER = 0.002
"""How far the balance of a sampled drive scatters with the phase between samples and motion [-]."""
FINE_PERIODS = 12
"""Periods read when a solution is refined."""

APART = 40.0
"""Solutions nearer than this times the scatter, in the logarithms of amplitude and frequency together, count as one [-]."""
SMALL = 0.25
"""Magnitude of the balance below which a local minimum on the grid is looked at closer [-]."""
LARGEST = 0.3
"""Largest amplitude looked for [rad]."""
THIRD_ROUNDS = 12
"""Rounds in which the third harmonic and the cycle are brought together."""

Balance = Callable[[float, float], complex]
"""1 + N L at an amplitude and a frequency [rad/s]."""


@dataclass(frozen=True)
class Cycle:
    """A solution of the harmonic balance."""

    amplitude: float
    """Amplitude at the nonlinear element's input, in its unit."""
    frequency: float
    """[rad/s]"""
    stable: bool
    """True: a swing that is a little larger dies down to it, a smaller one grows to it (Loeb's criterion)."""


def is_stable(balance: Balance, amplitude: float, omega: float, step: float = 1e-4) -> bool:
    """Loeb's criterion at a solution, J. M. Loeb (1956), as in Gelb and Vander Velde (1968), section 3.2 (from memory).

    With F(A, w) = 1 + N L, a change dA makes the exponent s = sigma + j w move by F_A dA + F_w (dw - j sigma) = 0; the
    cycle is stable when sigma falls as A rises: Im(F_A conj(F_w)) < 0. Necessary, not sufficient: other poles of the loop
    must be stable by themselves. ``step`` is that of the differences, relative.
    """
    da, dw = step * amplitude, step * omega
    by_a = (balance(amplitude + da, omega) - balance(amplitude - da, omega)) / (2.0 * da)
    by_w = (balance(amplitude, omega + dw) - balance(amplitude, omega - dw)) / (2.0 * dw)
    return (by_a * by_w.conjugate()).imag < 0.0


def on_grid(balance: Balance, amplitudes: FloatArray, frequencies: FloatArray) -> FloatArray:
    """The balance on a grid, complex, shape (amplitudes, frequencies)."""
    return np.array([[balance(float(a), float(w)) for w in frequencies] for a in amplitudes])


def _holds_zero(corners: FloatArray) -> bool:
    """True when zero lies inside the triangle of three complex numbers."""
    a, b, c = corners
    signs = [(q - p).real * p.imag - (q - p).imag * p.real for p, q in ((a, b), (b, c), (c, a))]
    return all(s >= 0.0 for s in signs) or all(s <= 0.0 for s in signs)


def _starts(f: FloatArray, amplitudes: FloatArray, frequencies: FloatArray) -> list[tuple[float, float]]:
    """Where to look closer: middles of cells whose linear image holds zero, and small local minima of the magnitude."""
    starts: list[tuple[float, float]] = []
    for i in range(amplitudes.size - 1):
        for j in range(frequencies.size - 1):
            corners = f[i, j], f[i + 1, j], f[i + 1, j + 1], f[i, j + 1]
            if np.all(np.isfinite(corners)) and any(
                _holds_zero(np.array([corners[k] for k in pick])) for pick in ((0, 1, 2), (0, 2, 3))
            ):
                middle = math.sqrt(amplitudes[i] * amplitudes[i + 1]), math.sqrt(frequencies[j] * frequencies[j + 1])
                starts.append(middle)
    size = np.where(np.isfinite(f), np.abs(f), np.inf)
    for i in range(1, amplitudes.size - 1):
        for j in range(1, frequencies.size - 1):
            if size[i, j] < SMALL and size[i, j] <= np.min(size[i - 1 : i + 2, j - 1 : j + 2]):
                starts.append((float(amplitudes[i]), float(frequencies[j])))
    return starts


def solve(
    balance: Balance,
    amplitudes: FloatArray,
    frequencies: FloatArray,
    values: FloatArray | None = None,
    rough: float = 0.0,
) -> tuple[Cycle, ...]:
    """Every zero of a balance between the ends of both grids, sorted by amplitude.

    ``amplitudes`` and ``frequencies`` [rad/s] rise, best in equal ratios. Cells are cut into two triangles, those whose
    linear image holds zero are refined by Newton's method, and small local minima too. ``values`` of ``on_grid`` may be
    handed in; ``rough`` is how far the balance itself scatters [-], which sets how near to zero it is driven, the step of
    the differences and which solutions count as one. Two solutions in one cell may look like none: a finer grid tells
    them apart.
    """
    f = on_grid(balance, amplitudes, frequencies) if values is None else values
    found: list[tuple[float, float, float]] = []
    for start in _starts(f, amplitudes, frequencies):
        refined = _newton(balance, *start, rough)
        if refined is not None and (
            amplitudes[0] <= refined[0] <= amplitudes[-1] and frequencies[0] <= refined[1] <= frequencies[-1]
        ):
            found.append((abs(balance(*refined)), *refined))
    out: list[Cycle] = []
    apart = max(1e-4, APART * rough)
    for _, a, w in sorted(found):  # the best of those that scatter tells not apart
        if all(abs(math.log(a / c.amplitude)) + abs(math.log(w / c.frequency)) > apart for c in out):
            out.append(Cycle(a, w, is_stable(balance, a, w, max(1e-4, 5.0 * rough))))
    return tuple(sorted(out, key=lambda c: c.amplitude))


def _newton(balance: Balance, amplitude: float, omega: float, rough: float) -> tuple[float, float] | None:
    """A zero near a start by Newton's method in the logarithms, with steps of at most a quarter; None: none found."""
    x, y = math.log(amplitude), math.log(omega)
    step, near, best = max(1e-5, 3.0 * rough), max(1e-9, 0.3 * rough), (math.inf, 0.0, 0.0)
    for _ in range(40 if rough == 0.0 else 12):
        f = balance(math.exp(x), math.exp(y))
        best = min(best, (abs(f), x, y))
        if abs(f) < near:
            break
        fx = (balance(math.exp(x + step), math.exp(y)) - f) / step
        fy = (balance(math.exp(x), math.exp(y + step)) - f) / step
        determinant = fx.real * fy.imag - fx.imag * fy.real
        if not math.isfinite(determinant) or determinant == 0.0:
            return None
        dx = -(f.real * fy.imag - f.imag * fy.real) / determinant
        dy = -(fx.real * f.imag - fx.imag * f.real) / determinant
        most = max(abs(dx), abs(dy))
        shorten = min(1.0, 0.25 / most) if most > 0.0 else 1.0
        x, y = x + shorten * dx, y + shorten * dy
        if most < 1e-10:
            break
    left, x, y = best
    return (math.exp(x), math.exp(y)) if left < max(1e-6, 3.0 * rough) else None


@dataclass(frozen=True)
class DriveBalance:
    """1 + N L of a valve's position loop against the rotor's amplitude (over the ratio) [rad] and frequency [rad/s].

    L is the rotor's double integrator, 1 / (J s^2); N is everything else, run by its own laws on a sine (``plant.driven``):
    loops with delays, rounding, limits, anti-windup and hold band, drive, winding, gears with their gap, friction that
    sticks. The one assumption is that the rotor moves as a sine.
    """

    drive: Drive
    third: complex = 0j
    """Third harmonic of the rotor's motion over its first, as a phasor; zero: a sine."""
    periods: int = 3
    """Periods of the motion that are read."""

    def __call__(self, amplitude: float, omega: float) -> complex:
        d = self.drive
        found = driven(d, amplitude, omega, self.third, self.periods)
        return 1.0 + found.torque / (d.inertia * d.ratio * amplitude * omega * omega)

    def third_of(self, amplitude: float, omega: float) -> complex:
        """Third harmonic of the rotor's motion that the torque would bring, over its first [-]: how well L filters."""
        d = self.drive
        found = driven(d, amplitude, omega, self.third, self.periods)
        return -found.torque_third / (d.inertia * d.ratio * amplitude * 9.0 * omega * omega)


def corrected(balance: DriveBalance, cycle: Cycle) -> tuple[Cycle, float] | None:
    """The cycle once more with the third harmonic of the rotor's motion in it, and that harmonic's share [-].

    Third harmonic and first are found in turns, by half steps; None when they do not come together.
    """
    balance = replace(balance, periods=FINE_PERIODS)
    third, a, w = 0j, cycle.amplitude, cycle.frequency
    for _ in range(THIRD_ROUNDS):
        now = replace(balance, third=third)
        wanted = now.third_of(a, w)
        step = wanted - third
        third += 0.5 * step
        found = _newton(replace(balance, third=third), a, w, SCATTER)
        if found is None:
            return None
        moved = abs(math.log(found[0] / a)) + abs(math.log(found[1] / w))
        a, w = found
        if moved < SCATTER and abs(step) < SCATTER:
            break
    else:
        return None
    stable = is_stable(replace(balance, third=third), a, w, 5.0 * SCATTER)
    return Cycle(a, w, stable), abs(third)


def servo_cycles(
    balance: DriveBalance,
    smallest: float,
    lowest: float,
    highest: float,
    points: tuple[int, int] = (28, 28),
    fine: bool = True,
) -> tuple[Cycle, ...]:
    """Limit cycles that the harmonic balance foresees for a valve's servo; amplitudes of the rotor over the ratio [rad].

    Searched from ``smallest`` to 0.3 rad and from ``lowest`` to ``highest`` [rad/s], ``points`` of each. Not
    ``fine``: solutions are refined with few periods read, twice as rough and several times as quick.
    """
    amplitudes, frequencies = np.geomspace(smallest, LARGEST, points[0]), np.geomspace(lowest, highest, points[1])
    values = on_grid(balance, amplitudes, frequencies)
    if not fine:
        return solve(balance, amplitudes, frequencies, values, 2.0 * SCATTER)
    return solve(replace(balance, periods=FINE_PERIODS), amplitudes, frequencies, values, SCATTER)
