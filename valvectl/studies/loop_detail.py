"""More of the position loop: every crossing, Nyquist's count, stiffness against load, noise, poles and zeros, word lengths.

All of it on the exact sampled linear loop; only the stiffness with friction holding takes friction in, by its first harmonic.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from valvectl.design.schema import LegName
from valvectl.parts.controller import CascadeGains, filter_share
from valvectl.parts.friction import pressure_rise
from valvectl.parts.lookup import FloatArray
from valvectl.parts.speed_estimate import observer_gains
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.machine import Machine
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.nyquist import Count, Disk, GainCrossover, PhaseCrossover, balanced_disk, crossings, nyquist_count
from valvectl.servo.sampled import LOOP_ORDER, BreakPoint, Discrete, closed_loop, open_loop
from valvectl.servo.small import one_thread
from valvectl.servo.word_length import Rounded, rounding

FREQUENCIES = 400
"""Points over frequency."""
LOAD_SHARE = 2.0
"""Load against which the stiffness with friction is given, over breakaway [-]."""
LIVE_POLE = 0.02
"""Poles and zeros of smaller magnitude are delays and are not listed."""
FLOAT_BITS = 24
"""Mantissa of a 32-bit float, sign apart; with it a word of 25 bits."""


@dataclass(frozen=True)
class Pole:
    """A closed-loop pole."""

    z: complex
    """[-]"""
    frequency: float
    """Natural frequency |ln z| / T [rad/s]."""
    damping: float
    """Damping ratio -Re(ln z) / |ln z| [-]."""


@dataclass(frozen=True)
class GainEffect:
    """What one per cent more of a gain does to the pole pair that the response shows most, and to the position margins."""

    gain: str
    frequency: float
    """Relative change of its natural frequency [-]."""
    damping: float
    """Change of its damping ratio [-]."""
    way: float
    """Way of the pole in the z plane [-]."""


@dataclass(frozen=True)
class Noise:
    """Standard deviations that one encoder's rounding brings, taken as white with a twelfth of a squared count."""

    source: str
    count: float
    """In stem angle [rad]."""
    stem: float
    """Of the stem [rad]; NaN where it is not worked out."""
    current: float
    """Of the motor current [A]."""
    one_count: float
    """What the speed controller asks for at once for one count [A]; zero for the position encoder."""


@dataclass(frozen=True)
class LoopDetail:
    """More about one leg's position loop."""

    counts: dict[BreakPoint, Count]
    """Nyquist's count at each break point."""
    gain_crossovers: tuple[GainCrossover, ...]
    """Of the position loop, rising."""
    phase_crossovers: tuple[PhaseCrossover, ...]
    disk: Disk
    """Balanced disk margin of the position loop; meaningless where the loop is unstable."""
    frequency: FloatArray
    """[rad/s], shape (n,)."""
    sensitivity: FloatArray
    """|S| of the position loop [-], shape (n,)."""
    complementary: FloatArray
    """|T| of the position loop [-], shape (n,)."""
    stiffness: FloatArray
    """Load torque over stem angle, no friction [N m/rad], shape (n,)."""
    stiffness_held: FloatArray
    """The same under a load of ``load`` with dry friction's first harmonic [N m/rad], shape (n,); infinite: it holds."""
    softest: float
    """Least stiffness without friction [N m/rad]."""
    softest_at: float
    """Its frequency [rad/s]."""
    holds: float
    """Load that friction alone holds, at rest [N m]: breakaway at the stem where the valve stands, of the weaker way."""
    running: float
    """Friction at the stem in motion [N m]."""
    load: float
    """Load of ``stiffness_held`` [N m]."""
    noise: tuple[Noise, ...]
    poles: tuple[Pole, ...]
    """Closed-loop poles, slowest first; of a pair the upper one."""
    zeros: tuple[complex, ...]
    """Zeros from command to stem [-]."""
    effects: tuple[GainEffect, ...]
    word_own: int
    """Shortest word with a power of two for each coefficient that keeps the margins within 1 % [bit]; zero: none."""
    word_common: int
    """The same with one power of two a controller [bit]."""
    rounded_own: tuple[Rounded, ...] = field(repr=False)
    rounded_common: tuple[Rounded, ...] = field(repr=False)

    @property
    def delay_margin(self) -> float:
        """Least extra delay over all gain crossovers [s]."""
        return min((c.delay_margin for c in self.gain_crossovers), default=math.inf)

    @property
    def single(self) -> Rounded:
        """What a 32-bit float does."""
        return next(r for r in self.rounded_own if r.bits == FLOAT_BITS + 1)


def held_stiffness(stiffness: complex, friction: float, load: float) -> float:
    """Load over the amplitude of the angle [N m/rad] when dry friction's first harmonic stands beside a linear stiffness.

    ``stiffness`` complex, load over angle without friction [N m/rad]; ``friction`` running level [N m], first harmonic
    4/pi of it, against speed. |K a + j 4 F / pi| = load is solved for the amplitude a. Infinite when friction holds.
    """
    f = 4.0 * friction / math.pi
    b, c = 2.0 * stiffness.imag * f, f * f - load * load
    if c >= 0.0:
        return math.inf
    a = abs(stiffness) ** 2
    amplitude = (-b + math.sqrt(b * b - 4.0 * a * c)) / (2.0 * a)
    return load / amplitude


def variance(model_a: FloatArray, b: FloatArray, row: FloatArray) -> float:
    """Variance of ``row`` x for white noise of variance one at ``b``: discrete Lyapunov equation."""
    from scipy.linalg import solve_discrete_lyapunov

    p = solve_discrete_lyapunov(model_a, np.outer(b, b))
    return max(0.0, float(row @ p @ row))


def _noise(servo: Servo, gains: CascadeGains) -> tuple[Noise, ...]:
    out: list[Noise] = []
    share = 1.0 / math.sqrt(12.0)
    if servo.position_count > 0.0:
        # The measurement and the command meet in the error alone: noise on one acts as on the other, sign aside.
        model = closed_loop(replace(servo, feedforward=0.0), gains)
        stem, current = (
            math.sqrt(variance(model.a, model.b[:, 0], model.c[model.outputs.index(name)]))
            for name in ("stem_angle", "current")
        )
        scale = share * servo.position_count
        out.append(Noise("position encoder", servo.position_count, scale * stem, scale * current, 0.0))
    if servo.speed_count > 0.0:
        scale = share * servo.speed_count
        loop = open_loop(servo, gains, "speed")
        n = loop.a.shape[0]
        closed = loop.a - loop.b @ loop.c
        # noise through the speed's estimate: its states stand behind the loop's
        own_a, own_b, filtered = speed_estimator(servo)
        m = own_b.size
        a = np.zeros((n + m, n + m))
        a[:n, :n] = closed
        a[n:, n:] = own_a
        a[:n, n:] = np.outer(loop.b[:, 0], own_a[filtered])
        b = np.concatenate([loop.b[:, 0] * own_b[filtered], own_b])
        # the angle drifts freely with the position loop open: leave out what only the angle knows
        keep = np.array([j for j in range(n + m) if j >= n or np.any(np.abs(a[:, j]) > 0.0)])
        current = _steady_current(a[np.ix_(keep, keep)], b[keep], int(np.nonzero(keep == 0)[0][0]))
        one = gains.speed * float(own_b[filtered]) * servo.speed_count
        out.append(Noise("speed encoder", servo.speed_count, math.nan, scale * current, one))
    return tuple(out)


def speed_estimator(servo: Servo) -> tuple[FloatArray, FloatArray, int]:
    """Difference or observer and the filter behind it, from a reading to the speed used: A, b and the row of that speed.

    The new state of that row is what the loop takes at the same sample.
    """
    t, taken = servo.speed_period, filter_share(servo.speed_period, servo.speed_filter)
    if servo.observer_bandwidth <= 0.0:  # reading before, filtered speed
        return np.array([[0.0, 0.0], [-taken / t, 1.0 - taken]]), np.array([1.0, taken / t]), 1
    gain, rate = observer_gains(t, servo.observer_bandwidth, servo.observer_damping)
    angle, speed = np.array([1.0 - gain, (1.0 - gain) * t, 0.0]), np.array([-rate / t, 1.0 - rate, 0.0])
    a = np.array([angle, speed, taken * speed + np.array([0.0, 0.0, 1.0 - taken])])
    return a, np.array([gain, rate / t, taken * rate / t]), 2


def _steady_current(a: FloatArray, b: FloatArray, at: int) -> float:
    """Standard deviation of one state for white noise of variance one, summed over the impulse response.

    The Lyapunov equation has no solution beside an eigenvalue of one that the state does not see; the sum has.
    """
    x, total = b.copy(), float(b[at]) ** 2
    for _ in range(20000):
        x = a @ x
        term = float(x[at]) ** 2
        total += term
        if term < 1e-14 * total:
            break
    return math.sqrt(total)


def _poles(model: Discrete) -> tuple[Pole, ...]:
    found = []
    for z in np.linalg.eigvals(model.a):
        if abs(z) < LIVE_POLE or z.imag < -1e-12:
            continue
        s = np.log(complex(z)) / model.period
        size = float(abs(s))
        found.append(Pole(complex(z), size, float(-s.real) / size if size > 0.0 else 1.0))
    return tuple(sorted(found, key=lambda p: p.frequency))


def _zeros(model: Discrete) -> tuple[complex, ...]:
    from scipy.linalg import eigvals

    row = model.outputs.index("stem_angle")
    n = model.a.shape[0]
    left = np.block([[model.a, model.b[:, :1]], [model.c[row : row + 1], np.zeros((1, 1))]])
    right = np.zeros((n + 1, n + 1))
    right[:n, :n] = np.eye(n)
    values = eigvals(left, right)
    values = values[np.isfinite(values)]
    return tuple(complex(z) for z in sorted(values[(np.abs(values) > LIVE_POLE) & (np.abs(values) < 50.0)], key=abs))


def _shown(poles: tuple[Pole, ...]) -> Pole:
    """The pole pair that a response shows most: the least damped of the slower half, the slowest when all are real."""
    pairs = [p for p in poles if p.z.imag > 1e-9 and p.z.real > 0.0]
    return min(pairs, key=lambda p: p.damping * p.frequency) if pairs else poles[0]


def _effects(servo: Servo, gains: CascadeGains, pole: Pole) -> tuple[GainEffect, ...]:
    out = []
    names = {
        "position": "Kp",
        "speed": "Kv",
        "speed_integral": "Kiv",
        "current": "Kc",
        "current_integral": "Kic",
    }
    for name, short in names.items():
        if getattr(gains, name) <= 0.0:
            continue
        other = replace(gains, **{name: 1.01 * getattr(gains, name)})
        near = min(_poles(closed_loop(servo, other)), key=lambda p: abs(p.z - pole.z))
        out.append(
            GainEffect(short, near.frequency / pole.frequency - 1.0, near.damping - pole.damping, abs(near.z - pole.z))
        )
    return tuple(out)


@one_thread
def loop_detail(machine: Machine, gains: CascadeGains, name: LegName, point: OperatingPoint) -> LoopDetail:
    """More about one leg's position loop at an operating point (of which only stem friction is needed)."""
    leg, servo = machine.legs[name], machine.legs[name].servo
    loops = {at: open_loop(servo, gains, at) for at in LOOP_ORDER}
    position = loops["position"]
    highest = math.pi / position.period
    omega = np.geomspace(1e-3 * highest, highest, FREQUENCIES)
    gain = position.response(omega)[:, 0, 0]
    ups, downs = crossings(lambda w: position.response(w)[:, 0, 0], 1e-4 * highest, highest)
    model = closed_loop(servo, gains)
    bend = model.response(omega)[:, model.outputs.index("stem_angle"), model.inputs.index("load")]
    # a load against opening turns the stem shut: its angle over the load is negative at rest
    stiffness = -1.0 / bend
    at = point.legs[name]
    factor = leg.cold_factor * pressure_rise(leg.relative_slope, at.valve_drop)
    holds, running = (
        factor
        * min(float(np.interp(at.angle, leg.characteristic.angles, leg.stem_table(rest, way))) for way in (False, True))
        for rest in (True, False)
    )
    load = LOAD_SHARE * holds
    soft = int(np.argmin(np.abs(stiffness)))
    poles = _poles(model)
    own, own_bits = rounding(servo, gains, "own")
    common, common_bits = rounding(servo, gains, "common")
    return LoopDetail(
        counts={where: nyquist_count(loops[where]) for where in LOOP_ORDER},
        gain_crossovers=ups,
        phase_crossovers=downs,
        disk=balanced_disk(omega, gain),
        frequency=omega,
        sensitivity=np.abs(1.0 / (1.0 + gain)),
        complementary=np.abs(gain / (1.0 + gain)),
        stiffness=np.abs(stiffness),
        stiffness_held=np.array([held_stiffness(complex(k), running, load) for k in stiffness])
        if load > 0.0
        else np.abs(stiffness),
        softest=float(np.abs(stiffness[soft])),
        softest_at=float(omega[soft]),
        holds=holds,
        running=running,
        load=load,
        noise=_noise(servo, gains),
        poles=poles,
        zeros=_zeros(model),
        effects=_effects(servo, gains, _shown(poles)),
        word_own=own_bits,
        word_common=common_bits,
        rounded_own=own,
        rounded_common=common,
    )
