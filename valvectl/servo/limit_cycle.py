"""Limit cycles by describing functions: all solutions of 1 + N(A) L(jw) = 0, with their stability.

The solver asks for the balance 1 + N L as a function of amplitude and frequency, so that N may depend on both and L may
be the exact response of a sampled loop. ``ServoBalance`` is that balance for the position loop of a valve.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from valvectl.parts import describing_function as df
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant.linear import servo_matrices
from valvectl.plant.servo_numbers import Servo
from valvectl.plant.stem_response import StemFriction, StemResponse, stem_response
from valvectl.servo.sampled import QuasiLinear, open_loop
from valvectl.servo.small import one_thread

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


def is_stable(balance: Balance, amplitude: float, omega: float) -> bool:
    """Loeb's criterion at a solution, J. M. Loeb (1956), as in Gelb and Vander Velde (1968), section 3.2 (from memory).

    With F(A, w) = 1 + N L, a change dA makes the exponent s = sigma + j w move by F_A dA + F_w (dw - j sigma) = 0; the
    cycle is stable when sigma falls as A rises: Im(F_A conj(F_w)) < 0. Necessary, not sufficient: other poles of the loop
    must be stable by themselves.
    """
    da, dw = 1e-4 * amplitude, 1e-4 * omega
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


def solve(
    balance: Balance,
    amplitudes: FloatArray,
    frequencies: FloatArray,
    values: FloatArray | None = None,
) -> tuple[Cycle, ...]:
    """Every zero of a balance between the ends of both grids, sorted by amplitude.

    ``amplitudes`` and ``frequencies`` [rad/s] rise, best in equal ratios. Cells are cut into two triangles, those whose
    linear image holds zero are refined by Newton's method. ``values`` of ``on_grid`` may be handed in. Two solutions in
    one cell look like none: a finer grid tells them apart.
    """
    f = on_grid(balance, amplitudes, frequencies) if values is None else values
    found: list[tuple[float, float]] = []
    for i in range(amplitudes.size - 1):
        for j in range(frequencies.size - 1):
            corners = f[i, j], f[i + 1, j], f[i + 1, j + 1], f[i, j + 1]
            if not np.all(np.isfinite(corners)):
                continue
            for pick in ((0, 1, 2), (0, 2, 3)):
                if not _holds_zero(np.array([corners[k] for k in pick])):
                    continue
                start = math.sqrt(amplitudes[i] * amplitudes[i + 1]), math.sqrt(frequencies[j] * frequencies[j + 1])
                refined = _newton(balance, *start)
                inside = refined is not None and (
                    amplitudes[max(i - 1, 0)] <= refined[0] <= amplitudes[min(i + 2, amplitudes.size - 1)]
                    and frequencies[max(j - 1, 0)] <= refined[1] <= frequencies[min(j + 2, frequencies.size - 1)]
                )
                if refined is not None and inside:
                    found.append(refined)
    out: list[Cycle] = []
    for a, w in sorted(found):
        if all(abs(math.log(a / c.amplitude)) + abs(math.log(w / c.frequency)) > 1e-4 for c in out):
            out.append(Cycle(a, w, is_stable(balance, a, w)))
    return tuple(out)


def _newton(balance: Balance, amplitude: float, omega: float) -> tuple[float, float] | None:
    """A zero near a start by Newton's method in the logarithms, with steps of at most a quarter; None: none found."""
    x, y = math.log(amplitude), math.log(omega)
    for _ in range(40):
        f = balance(math.exp(x), math.exp(y))
        if abs(f) < 1e-9:
            break
        step = 1e-5
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
    return (math.exp(x), math.exp(y)) if abs(balance(math.exp(x), math.exp(y))) < 1e-4 else None


@dataclass
class ServoBalance:
    """1 + N L of a valve's position loop against the rotor's amplitude (over the ratio) [rad] and frequency [rad/s].

    In N: gap of the gears, stem friction that sticks, load inertia, mesh and motor friction (``stem_response``), rounding
    of the position, hold band and speed limit of the position loop (closed forms on the measured angle, multiplied with
    one another). In L: the exact sampled loop with every delay. Not in it: rounding of the speed measurement, current and
    voltage limits, bristle friction.
    """

    servo: Servo
    gains: CascadeGains
    friction: StemFriction

    def __post_init__(self) -> None:
        self._matrices = servo_matrices(self.servo)[0]

    def response(self, amplitude: float, omega: float) -> StemResponse:
        """What the stem does at that amplitude."""
        return stem_response(self.servo, self.friction, amplitude, omega)

    def quasi_linear(self, found: StemResponse, omega: float) -> QuasiLinear:
        """Rotor with the shaft's first harmonic as a spring and a damper; the stem as a share of angle and speed."""
        servo = self.servo
        a = np.zeros((5, 5))
        a[0] = self._matrices[0]
        a[2] = self._matrices[2]
        inertia = servo.motor_inertia * servo.ratio
        a[1, 0] = servo.torque_constant / inertia
        a[1, 1] = -(servo.motor_viscous * servo.ratio + found.shaft.imag / omega) / inertia
        a[1, 2] = -found.shaft.real / inertia
        stem = np.array([0.0, found.stem.imag / omega, found.stem.real, 0.0, 0.0])
        return QuasiLinear(a=a, stem=stem)

    def gain_of_law(self, measured: float) -> float:
        """Gain of rounding, hold band and speed limit on a measured amplitude [rad]."""
        servo = self.servo
        if measured <= 0.0:
            return 0.0
        gain = df.quantiser(measured, servo.position_count)
        if servo.hold_band > 0.0:
            gain *= df.blanked(measured, servo.hold_band)
        if gain > 0.0 and self.gains.position > 0.0:
            gain *= df.saturation(measured * gain, servo.speed_limit / self.gains.position)
        return gain

    def loop_gain(self, amplitude: float, omega: float) -> complex:
        """N L; L is linear in the position gain, so that a factor on it is a factor on this but for the speed limit."""
        found = self.response(amplitude, omega)
        loop = open_loop(self.servo, self.gains, "position", self.quasi_linear(found, omega))
        gain = complex(loop.response(np.array([omega]))[0, 0, 0])
        measured = amplitude if self.servo.position_on_motor else amplitude * abs(found.stem)
        return self.gain_of_law(measured) * gain

    def __call__(self, amplitude: float, omega: float) -> complex:
        return 1.0 + self.loop_gain(amplitude, omega)


@one_thread
def servo_cycles(
    servo: Servo,
    gains: CascadeGains,
    friction: StemFriction,
    *,
    hold: bool = True,
    amplitudes: FloatArray | None = None,
    points: int = 24,
) -> tuple[Cycle, ...]:
    """Limit cycles that the describing function foresees for a valve's position loop; amplitudes of the rotor [rad].

    ``hold`` false: without the hold band, as when the command creeps. The search runs from a fifth of the smallest
    nonlinearity up to a radian and from a fiftieth of the linear crossover to 0.8 of half the sample rate.
    """
    balance = ServoBalance(servo if hold else replace(servo, hold_band=0.0), gains, friction)
    sizes = [x for x in (servo.half_gap, servo.position_count, servo.hold_band if hold else 0.0) if x > 0.0]
    low = 0.2 * min(sizes) if sizes else 1e-6
    grid = np.geomspace(low, 1.0, points) if amplitudes is None else amplitudes
    highest = 0.8 * math.pi / servo.position_period
    frequencies = np.geomspace(0.02 * min(gains.position, highest), highest, points)
    return solve(balance, grid, frequencies)
