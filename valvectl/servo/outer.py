"""The sampled outer loops as one exact linear model about a steady point.

A trim of a valve's angle held for one outer period is a pulse of its command: the position loop answers exactly at its own
samples (``sampled.closed_loop``), a cubic through those gives the stem between them, and the engine's frequency response with
its combustion delays exact (``EngineModel``) and the sensors' lags turn it into what the loops see at their samples. These pulse
responses are finite, so that loop gain, margins and the closed loop's eigenvalues follow without any further approximation.
Left out: friction, lost motion, limits, the manifolds' compliance.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.design.schema_outer import OuterLoops
from valvectl.errors import ValvectlError
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.linear import ComplexArray, EngineModel, engine_model
from valvectl.plant.machine import Machine
from valvectl.plant.outer import LOOPS, Loop, OuterGains, stated_gains
from valvectl.servo.margins import Margins, margins
from valvectl.servo.sampled import Discrete, closed_loop
from valvectl.servo.small import one_thread

FINE = 2e-4
"""Longest step of the fine grid on which stem and engine are joined [s]."""
QUIET = 1e-6
"""A pulse response ends where nothing above this share of its largest value follows [-]."""
LONGEST = 20.0
"""Longest pulse response [s]; a position loop slower than this has none."""
SLOW = 2.0
"""Angular frequency at which the delay of slow changes is read [rad/s]."""
PEAK = 1.5
"""Largest |S| of each loop with the other closed that tuning keeps [-]."""
LARGEST_VALUE = 1.8
"""Largest singular value of the joint sensitivity that tuning keeps [-]."""
CHUG_SHARE = 0.1
"""Largest crossover over the lowest frequency at which the engine would chug that tuning keeps [-]; common practice, no source:
a decade between two loops that share a plant."""


@dataclass(frozen=True)
class Sensed:
    """Standing errors or noise of the sensors in relative terms at a steady point."""

    matrix: FloatArray
    """Error of measured ln(pc) (row 0) and ln(O/F) (row 1) per error of chamber, oxidizer and fuel sensor, shape (2, 3); the
    sensors' own units."""


def sensed(machine: Machine, point: OperatingPoint, settings: OuterLoops) -> Sensed:
    """How errors of the three sensors enter what is measured.

    Units of the columns: chamber [Pa]; flow meters relative to their reading [-], or transducers [Pa].
    """
    m = np.zeros((2, 3))
    m[0, 0] = 1.0 / point.chamber_pressure
    source = settings.mixture.source if settings.mixture is not None else "flow_meters"
    for k, (name, sign) in enumerate((("oxidizer", 1.0), ("fuel", -1.0))):
        if source == "flow_meters":
            m[1, 1 + k] = sign
            continue
        drop = point.legs[name].manifold - point.chamber_pressure  # type: ignore[index]
        m[1, 1 + k] = sign * 0.5 / drop
        if source == "absolute_pressures":
            m[1, 0] -= sign * 0.5 / drop
    return Sensed(m)


def _flows(model: EngineModel, omega: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    """Relative flows, shape (2 legs, 2 angles, n), and chamber pressure, shape (2, n), per radian of each ball."""
    s = 1j * omega
    _, pressure = model.response(omega)
    flows = np.zeros((2, 2, omega.size), dtype=complex)
    for i, name in enumerate(LEGS):
        slopes = model.slopes[name]
        for j in range(2):
            drive = slopes.angle_gain if i == j else 0.0
            flows[i, j] = (drive - slopes.coupling * pressure[j]) / (1.0 + slopes.lag * s)
    return flows, pressure


def measured_response(model: EngineModel, settings: OuterLoops, omega: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    """(measured, true): relative chamber pressure and mixture ratio (rows) per radian of each ball (columns), shape (2, 2, n)."""
    flows, pressure = _flows(model, omega)
    s = 1j * omega
    true = np.stack([pressure, flows[0] - flows[1]])
    at_chamber = pressure / (1.0 + settings.chamber_lag * s)
    mixture = settings.mixture
    lag = 1.0 / (1.0 + (mixture.lag if mixture is not None else 0.0) * s)
    ratio = (flows[0] - flows[1]) * lag
    if mixture is not None and mixture.source == "absolute_pressures":
        pc = model.point.chamber_pressure
        seen = []
        for i, name in enumerate(LEGS):
            drop = model.point.legs[name].manifold - pc
            manifold = (2.0 * drop * flows[i] + pc * pressure) * lag
            seen.append(0.5 * (manifold - pc * at_chamber) / drop)
        ratio = seen[0] - seen[1]
    return np.stack([at_chamber, ratio]), true


@dataclass(frozen=True)
class Pulses:
    """What a trim of one radian, held for one period, does at the samples after it."""

    period: float
    """[s]"""
    measured: FloatArray
    """Measured relative chamber pressure and mixture ratio per radian of each valve, shape (n, 2, 2), sample 0 first."""
    true: FloatArray
    """The same without the sensors."""

    def gain(self, omega: FloatArray, which: str = "measured") -> ComplexArray:
        """Frequency response at ``omega`` [rad/s], shape (m,) -> (m, 2, 2)."""
        taps = self.measured if which == "measured" else self.true
        z = np.exp(-1j * np.outer(omega, self.period * np.arange(taps.shape[0])))
        return np.asarray(np.tensordot(z, taps, axes=(1, 0)))

    def to_control(self) -> Any:
        """The sampled plant as a ``control.StateSpace``: trims of both angles [rad] to measured ln(pc) and ln(O/F)."""
        import control

        n = self.measured.shape[0] - 1
        a, b = np.zeros((2 * n, 2 * n)), np.zeros((2 * n, 2))
        a[2:, :-2] = np.eye(2 * (n - 1))
        b[:2] = np.eye(2)
        c = np.concatenate(list(self.measured[1:]), axis=1)
        return control.ss(
            a, b, c, self.measured[0], self.period,
            inputs=["oxidizer_trim", "fuel_trim"], outputs=["chamber_pressure", "mixture_ratio"],
        )  # fmt: skip

    @property
    def at_rest(self) -> FloatArray:
        """Gain at rest [1/rad], shape (2, 2)."""
        return np.asarray(self.measured.sum(axis=0))


class InnerLoops:
    """Both position loops as the outer loops see them. They know nothing of the engine, so that all its steady points share
    what is worked out here, each thing once."""

    def __init__(self, machine: Machine, gains: Mapping[LegName, CascadeGains]) -> None:
        self._machine, self._gains = machine, gains
        self._loops: dict[LegName, Discrete] = {}
        self._stems: dict[tuple[LegName, float, float, float, int], FloatArray] = {}

    def loop(self, name: LegName) -> Discrete:
        """The closed position loop of a leg."""
        if name not in self._loops:
            self._loops[name] = closed_loop(self._machine.legs[name].servo, self._gains[name])
        return self._loops[name]

    def stem_pulse(self, name: LegName, period: float, delay: float, time: FloatArray) -> FloatArray:
        """Angle of the stem at even times from zero [s] after an outer sample whose trim, one radian, holds for one period."""
        key = (name, period, delay, float(time[-1]), time.size)
        if key not in self._stems:
            self._stems[key] = self._pulse(name, period, delay, time)
        return self._stems[key]

    def _pulse(self, name: LegName, period: float, delay: float, time: FloatArray) -> FloatArray:
        from scipy.interpolate import CubicSpline

        inner, loop = self._machine.legs[name].servo.position_period, self.loop(name)
        count = math.ceil(float(time[-1]) / inner) + 2
        command = np.zeros((count, 2))
        # a position sample uses the trim that has come by then
        first, last = (math.ceil(t / inner - 1e-9) for t in (delay, delay + period))
        command[first:last, 0] = 1.0
        stem = loop.simulate(command)[:, loop.outputs.index("stem_angle")]
        return np.asarray(CubicSpline(inner * np.arange(count), stem, bc_type="natural")(time))


@one_thread
def pulses(
    machine: Machine,
    gains: Mapping[LegName, CascadeGains],
    point: OperatingPoint,
    settings: OuterLoops,
    inner: InnerLoops | None = None,
) -> Pulses:
    """Pulse responses at a steady point; ``inner``: position loops where several points share them.

    Raises ``ValvectlError`` when they do not die out: an inner loop or the engine is unstable there.
    """
    model = engine_model(machine, point)
    inner = InnerLoops(machine, gains) if inner is None else inner
    period = settings.period
    share = math.ceil(period / FINE - 1e-9)
    h = period / share
    length = max(25.0 * period, 0.5)
    while length <= LONGEST:
        samples = math.ceil(length / period)
        n = samples * share
        time = h * np.arange(n)
        stems = [inner.stem_pulse(name, period, settings.delay, time) for name in LEGS]
        omega = 2.0 * math.pi * np.arange(n // 2 + 1) / (n * h)
        seen, true = measured_response(model, settings, omega)
        out = []
        for response in (seen, true):
            taps = np.zeros((samples, 2, 2))
            for j in range(2):
                spectrum = np.fft.rfft(stems[j])
                for i in range(2):
                    taps[:, i, j] = np.fft.irfft(response[i, j] * spectrum, n)[::share]
            out.append(taps)
        largest = np.max(np.abs(out[0]))
        loud = np.nonzero(np.max(np.abs(out[0]), axis=(1, 2)) > QUIET * largest)[0]
        if math.isfinite(float(largest)) and loud.size and loud[-1] < 0.7 * samples:
            keep = int(loud[-1]) + 2
            return Pulses(period, out[0][:keep], out[1][:keep])
        length *= 2.0
    raise ValvectlError(
        "the outer loops have no plant to act on: a position loop or the engine does not come to rest after a trim at "
        f"{100.0 * point.throttle:.0f} % throttle"
    )


# ------------------------------------------------------------------------------------------------------ the loops


@dataclass(frozen=True)
class OuterModel:
    """Both loops round the plant at a steady point."""

    pulses: Pulses
    decoupler: FloatArray
    """Angles per relative trim, shape (2, 2) [rad]."""
    gains: OuterGains

    def controller(self, omega: FloatArray) -> ComplexArray:
        """Relative trims per relative errors, diagonal, shape (m, 2)."""
        z = np.exp(1j * omega * self.pulses.period)
        out = []
        for loop in LOOPS:
            kp, ki = self.gains.gain[loop], self.gains.integral_rate[loop]
            out.append(kp * (1.0 + ki * self.pulses.period / (z - 1.0)))
        return np.stack(out, axis=1)

    def loop(self, omega: FloatArray) -> ComplexArray:
        """Return ratio L at ``omega`` [rad/s], measured quantities to measured quantities, shape (m, 2, 2)."""
        plant = self.pulses.gain(omega) @ self.decoupler
        return np.asarray(plant * self.controller(omega)[:, None, :])

    def with_other_closed(self, omega: FloatArray, which: int) -> ComplexArray:
        """Gain of one loop with the other closed, shape (m,)."""
        at = self.loop(omega)
        other = 1 - which
        through = at[:, which, other] * at[:, other, which] / (1.0 + at[:, other, other])
        return np.asarray(at[:, which, which] - through)

    def loci(self, omega: FloatArray) -> ComplexArray:
        """Characteristic loci: both eigenvalues of L, shape (m, 2)."""
        return np.asarray(np.linalg.eigvals(self.loop(omega)))

    def sensitivity(self, omega: FloatArray) -> FloatArray:
        """Largest singular value of (I + L)^-1, shape (m,)."""
        s = np.linalg.inv(np.eye(2) + self.loop(omega))
        return np.asarray(np.linalg.norm(s, ord=2, axis=(1, 2)))

    def closed_matrix(self) -> FloatArray:
        """State matrix of the closed loops: trims under way and integrators. Exact: the pulse responses are finite."""
        taps = self.pulses.measured @ self.decoupler
        n = taps.shape[0]
        live = [j for j, loop in enumerate(LOOPS) if self.gains.gain[loop] > 0.0]
        size = 2 * (n - 1) + len(live)
        a = np.zeros((size, size))
        # state: u[k-1], u[k-2], ..., then integrators of the loops that are there; y[k] = sum_j taps[j] u[k-j], taps[0] is zero
        y = np.zeros((2, size))
        for j in range(1, n):
            y[:, 2 * (j - 1) : 2 * j] = taps[j]
        for place, j in enumerate(live):
            loop = LOOPS[j]
            kp, ki = self.gains.gain[loop], self.gains.integral_rate[loop]
            at = 2 * (n - 1) + place
            a[j] = -kp * y[j]
            a[j, at] += 1.0
            a[at] = -kp * ki * self.pulses.period * y[j]
            a[at, at] += 1.0
        a[2 : 2 * (n - 1), : 2 * (n - 2)] += np.eye(2 * (n - 2))
        return a

    @one_thread
    def spectral_radius(self) -> float:
        """Largest magnitude of the closed loops' eigenvalues; below one: stable."""
        return float(np.max(np.abs(np.linalg.eigvals(self.closed_matrix()))))

    def noise(self, errors: FloatArray) -> FloatArray:
        """Standard deviations that the sensors' noise adds to true ln(pc) and ln(O/F) at the samples [-], shape (2,).

        ``errors``: relative measurement errors per unit of white noise of each sensor, shape (2, 3) or wider.
        """
        omega: FloatArray = (np.arange(4096.0) + 0.5) * math.pi / (4096 * self.pulses.period)
        true: Any = self.pulses.gain(omega, "true") @ self.decoupler * self.controller(omega)[:, None, :]
        closed: Any = np.linalg.inv(np.eye(2) + self.loop(omega))
        through = -true @ closed @ errors
        return np.asarray(np.sqrt(np.mean(np.sum(np.abs(through) ** 2, axis=2), axis=0)))


@one_thread
def loop_margins(model: OuterModel, which: int) -> Margins:
    """Margins of one loop with the other closed."""
    highest = math.pi / model.pulses.period
    response: Any = functools.partial(model.with_other_closed, which=which)
    return margins(response, 1e-4 * highest, highest, points=400)


# ------------------------------------------------------------------------------------------------------------ tuning


def moments(taps: FloatArray) -> tuple[float, float]:
    """Mean and standard deviation of the time of a pulse response in samples: its equivalent delay and lag."""
    total = float(taps.sum())
    k = np.arange(taps.size)
    mean = float((k * taps).sum()) / total
    return mean, math.sqrt(max(float(((k - mean) ** 2 * taps).sum()) / total, 0.0))


def path_delay(
    machine: Machine,
    gains: Mapping[LegName, CascadeGains],
    point: OperatingPoint,
    settings: OuterLoops,
    decoupler: FloatArray,
    inner: InnerLoops | None = None,
) -> float:
    """Time by which the measured chamber pressure trails the schedule's in slow changes [s]: servos, engine and sensor, without
    the outer loops' own hold and delay."""
    omega = np.array([SLOW])
    inner = InnerLoops(machine, gains) if inner is None else inner
    seen, _ = measured_response(engine_model(machine, point), settings, omega)
    total = 0.0 + 0.0j
    for j, name in enumerate(LEGS):
        loop = inner.loop(name)
        stem = loop.response(omega)[0, loop.outputs.index("stem_angle"), 0]
        total += complex(seen[0, j, 0] * stem * decoupler[j, 0])
    return -math.atan2(total.imag, total.real) / SLOW


def start_gains(models: list[tuple[Pulses, FloatArray]], period: float, which: int) -> tuple[float, float]:
    """Gain [-] and integral rate [1/s] before they are backed off: first-order lag and delay of the slowest point by the
    moments of its pulse response, then tau / (2 theta) and one over tau (Skogestad 2003, from memory)."""
    kp, rate = math.inf, math.inf
    for p, d in models:
        mean, spread = moments((p.measured @ d)[:, which, which])
        tau = max(spread * period, 0.5 * period)
        theta = max(mean * period - tau, 0.5 * period)
        kp, rate = min(kp, tau / (2.0 * theta)), min(rate, 1.0 / tau)
    return kp, rate


def keeps(model: OuterModel, chug: float) -> bool:
    """True when both loops keep what tuning asks for at this point; ``chug`` lowest frequency of chug [rad/s]."""
    highest = math.pi / model.pulses.period
    omega = np.geomspace(1e-4 * highest, highest, 300)
    if float(np.max(model.sensitivity(omega))) > LARGEST_VALUE:
        return False
    for which, loop in enumerate(LOOPS):
        if model.gains.gain[loop] <= 0.0:
            continue
        gain = model.with_other_closed(omega, which)
        if float(np.max(1.0 / np.abs(1.0 + gain))) > PEAK:
            return False
        above = omega[np.abs(gain) > 1.0]
        if above.size and float(above[-1]) > CHUG_SHARE * chug:
            return False
    return model.spectral_radius() < 1.0


def tuned(settings: OuterLoops, models: list[tuple[Pulses, FloatArray]], chug: float) -> OuterGains:
    """Gains of both loops: those stated, and for the rest the largest common factor on rule-based ones that keeps the targets at
    every point, and then each loop's own. Raises ``ValvectlError`` when no factor does."""
    stated: dict[Loop, tuple[float, float] | None] = {
        "thrust": stated_gains(settings.thrust),
        "mixture": stated_gains(settings.mixture),
    }
    open_ones = [loop for loop in LOOPS if stated[loop] is None]
    start = {loop: start_gains(models, settings.period, LOOPS.index(loop)) for loop in open_ones}

    def at(factors: Mapping[Loop, float]) -> OuterGains:
        both = {loop: stated[loop] or (factors[loop] * start[loop][0], start[loop][1]) for loop in LOOPS}
        return OuterGains({loop: both[loop][0] for loop in LOOPS}, {loop: both[loop][1] for loop in LOOPS})

    def good(factors: Mapping[Loop, float]) -> bool:
        return all(keeps(OuterModel(p, d, at(factors)), chug) for p, d in models)

    factors = dict.fromkeys(LOOPS, 2.0)
    if not open_ones:
        return at(factors)
    while not good(factors):
        factors = {loop: 0.7 * factor for loop, factor in factors.items()}
        if factors["thrust"] < 1e-4:
            raise ValvectlError(
                "no gains keep the outer loops' targets over the throttle range: give gains, a longer period, or "
                "decoupling and scheduling"
            )
    # each by itself as far as the other leaves room, the slower quantity's loop first
    for loop in reversed(open_ones):
        low, high = factors[loop], 8.0
        while high / low > 1.02:
            middle = math.sqrt(low * high)
            low, high = (middle, high) if good({**factors, loop: middle}) else (low, middle)
        factors[loop] = low
    return at(factors)
