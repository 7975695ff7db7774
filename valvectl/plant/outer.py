"""The outer loops of a design as numbers: settings, decoupler over the throttle range, and what a simulated run is given.

Seen from outside, both valves together are one plant: trims of the angles in, relative chamber pressure and mixture ratio out.
At rest it is the matrix K of ``plant_matrix`` [1/rad]; its inverse is the decoupler, and since K holds the installed gains at
the throttle setting, that is the gain schedule too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.design.schema_outer import LoopGains, OuterLoops
from valvectl.parts.lookup import FloatArray
from valvectl.plant import layout as ix
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.linear import engine_model
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule, throttle_at

Loop = Literal["thrust", "mixture"]
LOOPS: tuple[Loop, Loop] = ("thrust", "mixture")
SOURCES = ("flow_meters", "absolute_pressures", "differential_pressures")


@dataclass(frozen=True)
class OuterGains:
    """Gains of both outer loops; zero for a loop that is not there."""

    gain: dict[Loop, float]
    """Relative trim per relative error [-]."""
    integral_rate: dict[Loop, float]
    """[1/s]"""


def stated_gains(loop: LoopGains | None) -> tuple[float, float] | None:
    """Gain [-] and integral rate [1/s] that the design file states; None: to be tuned; zeros: no such loop."""
    if loop is None:
        return 0.0, 0.0
    if loop.gain is None or loop.integral_rate is None:
        return None
    return float(loop.gain), float(loop.integral_rate)


def plant_matrix(machine: Machine, point: OperatingPoint) -> FloatArray:
    """K at a steady point: relative chamber pressure (row 0) and mixture ratio (row 1) per angle of the oxidizer (column 0) and
    the fuel ball (column 1) at rest [1/rad]."""
    ratio, pressure = engine_model(machine, point).response(np.zeros(1))
    return np.array([pressure[:, 0].real, [ratio[name][0].real for name in LEGS]])


def relative_gain(k: FloatArray) -> float:
    """Relative gain of the pair (row 0, column 0) of a 2 x 2 plant [-]: its gain with the other loop open over that with the
    other loop holding its quantity perfectly (Bristol 1966)."""
    return float(1.0 / (1.0 - k[0, 1] * k[1, 0] / (k[0, 0] * k[1, 1])))


def decoupler(k: FloatArray, kind: Literal["static", "none"]) -> FloatArray:
    """Angles of oxidizer and fuel ball (rows) per relative trim of chamber pressure and mixture ratio (columns) [rad].

    static: the inverse of K. none: the diagonal alone, thrust by the oxidizer valve and mixture ratio by the fuel valve.
    """
    if kind == "static":
        return np.asarray(np.linalg.inv(k))
    return np.diag([1.0 / k[0, 0], 1.0 / k[1, 1]])


def decouplers(machine: Machine, schedule: Schedule, settings: OuterLoops) -> FloatArray:
    """The decoupler at each entry of the schedule, shape (n, 2, 2) [rad]; all alike, those at full thrust, when not scheduled."""
    made = [decoupler(plant_matrix(machine, p), settings.decoupling) for p in schedule.points]
    return np.array(made if settings.scheduled else [made[-1]] * len(made))


@dataclass(frozen=True)
class SensorErrors:
    """Standing errors of the sensors in a run."""

    chamber: float = 0.0
    """[Pa]"""
    relative: dict[LegName, float] = field(default_factory=dict)
    """Of the flow meters' readings [-]."""
    pressure: dict[LegName, float] = field(default_factory=dict)
    """Of the manifold or differential transducers [Pa]."""


@dataclass(frozen=True)
class OuterRun:
    """What a simulated run with outer loops is given, and its record.

    ``rows`` has one row a sample of the loops with the columns ``layout.ROW_*``; the run fills the last ones.
    """

    period: float
    """[s]"""
    delay: float
    """[s]"""
    numbers: dict[int, float]
    """Constant entries of ``layout.OUT_*`` that do not depend on the step."""
    lags: tuple[float, float]
    """Time constants of the chamber pressure sensor and of the others [s]."""
    rows: FloatArray

    def column(self, index: int) -> FloatArray:
        """A column of the record, shape (samples,)."""
        return self.rows[:, index]

    @property
    def time(self) -> FloatArray:
        """Time of each sample [s], shape (samples,)."""
        return np.asarray(self.period * np.arange(self.rows.shape[0]))


def outer_run(
    machine: Machine,
    schedule: Schedule,
    settings: OuterLoops,
    gains: OuterGains,
    profile: Sequence[tuple[float, float]],
    *,
    reference_delay: float,
    errors: SensorErrors | None = None,
    seed: int | None = 0,
) -> OuterRun:
    """Rows and numbers for a run over a throttle profile, corners of (time [s], throttle).

    ``machine`` is what the controller believes, not the engine with its errors. ``reference_delay``: what is wanted is what the
    schedule wanted that long ago, so that the loops do not fight the servos' own lag [s]. ``seed`` None: no noise.
    """
    wrong = SensorErrors() if errors is None else errors
    mixture = settings.mixture
    source = SOURCES.index(mixture.source) if mixture is not None else 0
    count = math.floor(profile[-1][0] / settings.period + 1e-9) + 1
    time = settings.period * np.arange(count)
    now = throttle_at(profile, time)
    before = throttle_at(profile, np.maximum(time - reference_delay, 0.0))
    rows = np.zeros((count, ix.ROW_SIZE))
    pressures = np.array([p.chamber_pressure for p in schedule.points])
    rows[:, ix.ROW_PC] = np.interp(before, schedule.throttle, pressures)
    rows[:, ix.ROW_RATIO] = machine.mixture_ratio
    d = decouplers(machine, schedule, settings)
    for column, (i, j) in {
        ix.ROW_D_OP: (0, 0), ix.ROW_D_OR: (0, 1), ix.ROW_D_FP: (1, 0), ix.ROW_D_FR: (1, 1)
    }.items():  # fmt: skip
        rows[:, column] = np.interp(now, schedule.throttle, d[:, i, j])
    for name, low, high in (("oxidizer", ix.ROW_LOW_O, ix.ROW_HIGH_O), ("fuel", ix.ROW_LOW_F, ix.ROW_HIGH_F)):
        leg = machine.legs[name]  # type: ignore[index]
        angle = schedule.angle_at(name, now)  # type: ignore[arg-type]
        rows[:, low], rows[:, high] = leg.closed_stop - angle, leg.open_stop - angle
    if seed is not None:
        drawn = np.random.default_rng(seed).standard_normal((count, 3))
        rows[:, ix.ROW_NOISE_PC] = settings.chamber_noise * drawn[:, 0]
        for k, name in enumerate(LEGS):
            rows[:, ix.ROW_NOISE_O + k] = sensor_noise(machine, settings, name) * drawn[:, 1 + k]
    thrust_authority = 0.0 if settings.thrust is None else float(settings.thrust.authority)
    ratio_authority = 0.0 if mixture is None else float(mixture.authority)
    numbers = {
        ix.OUT_ON: 1.0,
        ix.OUT_KP_P: gains.gain["thrust"],
        ix.OUT_KI_P: gains.integral_rate["thrust"] * settings.period,
        ix.OUT_MOST_P: thrust_authority,
        ix.OUT_KP_R: gains.gain["mixture"],
        ix.OUT_KI_R: gains.integral_rate["mixture"] * settings.period,
        ix.OUT_MOST_R: ratio_authority,
        ix.OUT_SOURCE: float(source),
        ix.OUT_LEAST: float(settings.least_change),
        ix.OUT_PC_OFFSET: wrong.chamber,
    }
    for k, name in enumerate(LEGS):
        leg = machine.legs[name]
        numbers[ix.OUT_ORIFICE_O + k] = leg.cda * math.sqrt(2.0 * leg.injector_density)
        numbers[ix.OUT_SCALE_O + k] = 1.0 + wrong.relative.get(name, 0.0)
        numbers[ix.OUT_OFFSET_O + k] = wrong.pressure.get(name, 0.0)
    return OuterRun(
        period=settings.period,
        delay=settings.delay,
        numbers=numbers,
        lags=(settings.chamber_lag, 0.0 if mixture is None else mixture.lag),
        rows=rows,
    )


def sensor_noise(machine: Machine, settings: OuterLoops, name: LegName) -> float:
    """Standard deviation of a leg's sensor: flow meter [kg/s] or transducer [Pa]; zero without a mixture loop."""
    mixture = settings.mixture
    if mixture is None:
        return 0.0
    if mixture.source == "flow_meters":
        return float(mixture.noise or 0.0) * machine.legs[name].reference_flow
    return float(mixture.pressure_noise or 0.0)


def outer_arrays(run: OuterRun | None, h: float, start: OperatingPoint) -> tuple[FloatArray, FloatArray]:
    """The kernel's arrays at a step [s]; switched off without a run. The sensors begin at what ``start`` shows them."""
    out = np.zeros(ix.OUT_SIZE)
    if run is None:
        return out, np.zeros((1, ix.ROW_SIZE))
    for index, value in run.numbers.items():
        out[index] = value
    out[ix.OUT_PERIOD], out[ix.OUT_DELAY] = round(run.period / h), run.delay / h
    for index, lag in zip((ix.OUT_PC_SHARE, ix.OUT_SHARE), run.lags, strict=True):
        out[index] = 1.0 if lag <= 0.0 else -math.expm1(-h / lag)
    out[ix.OUT_PC] = start.chamber_pressure
    source = run.numbers[ix.OUT_SOURCE]
    for k, name in enumerate(LEGS):
        at = start.legs[name]
        shown = (at.flow, at.manifold, at.manifold - start.chamber_pressure)
        out[ix.OUT_FIRST + k] = shown[int(source)]
    return out, run.rows
