"""Outer loops: margins over the throttle range, what they take away and what they bring in, open against closed.

The schedule alone leaves what the design's tolerances do to O/F. The loops take that away and put the sensors' own error in its
place: steady, with an integrator, O/F is exactly as wrong as it is measured. Which of the two is larger depends on the sensor and
on the throttle setting: an injector drop falls with the square of the flow, and two absolute transducers can not resolve it.
"""

from __future__ import annotations

import dataclasses
import functools
import math
import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.design.schema_outer import OuterLoops
from valvectl.errors import RangeError
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant import layout as ix
from valvectl.plant.balance import OperatingPoint, balance
from valvectl.plant.chug import chug_loop
from valvectl.plant.chug_margins import chug_margins
from valvectl.plant.command import stretches
from valvectl.plant.machine import Machine
from valvectl.plant.outer import (
    LOOPS,
    Loop,
    OuterGains,
    SensorErrors,
    decouplers,
    outer_run,
    plant_matrix,
    relative_gain,
    sensor_noise,
    stated_gains,
)
from valvectl.plant.schedule import Schedule, commands, throttle_at
from valvectl.plant.simulate import Trace, simulate
from valvectl.servo.outer import InnerLoops, OuterModel, loop_margins, path_delay, pulses, sensed, tuned
from valvectl.studies.outer_result import HoldErrors, OuterResult, TrimRun
from valvectl.studies.profile_reading import QUIET_SHARE, SHORTEST_HOLD
from valvectl.studies.spread import COVERAGE, SpreadResult

LEVELS = 7
"""Throttle settings at which the loops are looked at, both ends included; entries of the schedule."""
KV_ERROR, TANK_ERROR = 0.03, -1e5
"""Errors of the runs by default: oxidizer valve's Kv [-], fuel tank's pressure [Pa]."""
METER_ACCURACY = 0.005
"""Usual accuracy of a flow meter over its reading [-]; common practice, no source."""
ABSOLUTE_ACCURACY = 0.0025 * 70e5
"""Usual bound of a transducer of 70 bar and 0.25 % of full scale [Pa]; common practice, no source."""
DIFFERENTIAL_ACCURACY = 0.0025 * 5e5
"""The same of a differential transducer of 5 bar [Pa]; common practice, no source."""
NO_LOOPS = (
    "the design has no outer loops: give it a table [outer_loops] with period, and [outer_loops.thrust], "
    "[outer_loops.mixture] with its source, or both"
)


def standing_error(matrix: FloatArray, accuracy: FloatArray) -> FloatArray:
    """Twice the standard uncertainty of ln(pc) and ln(O/F) from bounds of the three sensors, shape (2,) [-]; a bound counts as
    the half-width of an even distribution, as in the spread of tolerances."""
    return np.asarray(COVERAGE * np.sqrt(np.sum((matrix * accuracy) ** 2, axis=1) / 3.0))


def accuracies(settings: OuterLoops) -> FloatArray:
    """Bounds of chamber, oxidizer and fuel sensor in the units of ``sensed``, shape (3,)."""
    mixture = settings.mixture
    other = 0.0
    if mixture is not None:
        other = mixture.accuracy if mixture.source == "flow_meters" else mixture.pressure_accuracy  # type: ignore[assignment]
    return np.array([settings.chamber_accuracy, other, other])


def noises(machine: Machine, point: OperatingPoint, settings: OuterLoops) -> FloatArray:
    """Standard deviations of the three sensors in the units of ``sensed`` at a point, shape (3,)."""
    meters = settings.mixture is not None and settings.mixture.source == "flow_meters"
    out = [settings.chamber_noise]
    for name in LEGS:
        noise = sensor_noise(machine, settings, name)
        out.append(noise / point.legs[name].flow if meters else noise)
    return np.array(out)


def usual_errors(machine: Machine, point: OperatingPoint, settings: OuterLoops) -> dict[str, float]:
    """O/F error of each kind of source with usual sensors at a point: twice the standard uncertainty [-]."""
    out = {}
    for source, accuracy in (
        ("flow_meters", METER_ACCURACY),
        ("absolute_pressures", ABSOLUTE_ACCURACY),
        ("differential_pressures", DIFFERENTIAL_ACCURACY),
    ):
        assumed = settings.model_copy(update={"mixture": _Source(source)})
        bounds = np.array([ABSOLUTE_ACCURACY if source == "absolute_pressures" else 0.0, accuracy, accuracy])
        out[source] = float(standing_error(sensed(machine, point, assumed).matrix, bounds)[1])
    return out


@dataclasses.dataclass(frozen=True)
class _Source:
    source: str


@dataclasses.dataclass(frozen=True)
class Case:
    """An engine and sensors that are not as the controller believes."""

    what: str
    kv: float = 0.0
    """Relative error of the oxidizer valve's Kv [-]."""
    tank: float = 0.0
    """Error of the fuel tank's pressure [Pa]."""
    sensors: bool = False
    """True: sensors at their bounds, chamber and oxidizer high, fuel low."""


def with_errors(machine: Machine, case: Case) -> Machine:
    """The engine as it is in a case."""
    ox, fuel = machine.legs["oxidizer"], machine.legs["fuel"]
    if case.kv != 0.0:
        grid = dataclasses.replace(ox.characteristic, c=ox.characteristic.c * (1.0 + case.kv))
        machine = machine.with_leg("oxidizer", characteristic=grid)
    if case.tank != 0.0:
        machine = machine.with_leg("fuel", tank_pressure=fuel.tank_pressure + case.tank)
    return machine


def sensor_errors(settings: OuterLoops) -> SensorErrors:
    """Sensors at their bounds: chamber and oxidizer high, fuel low."""
    bounds = accuracies(settings)
    both: dict[LegName, float] = {"oxidizer": float(bounds[1]), "fuel": -float(bounds[2])}
    meters = settings.mixture is not None and settings.mixture.source == "flow_meters"
    return SensorErrors(chamber=float(bounds[0]), relative=both if meters else {}, pressure={} if meters else both)


Engine = tuple[float, float]
"""Which engine a case has: its error of Kv and of the tank's pressure."""


@dataclasses.dataclass(frozen=True)
class TrimWork:
    """What the runs share."""

    machine: Machine
    gains: dict[LegName, CascadeGains]
    schedule: Schedule
    settings: OuterLoops
    profile: Sequence[tuple[float, float]]
    outer: OuterGains
    reference_delay: float
    _alone: dict[Engine, Trace] = dataclasses.field(default_factory=dict, repr=False)

    @functools.cached_property
    def order(self) -> dict[LegName, FloatArray]:
        """Stem commands of the schedule [rad]."""
        return commands(self.machine, self.schedule, self.profile, self.profile[-1][0])

    def runs(self, wanted: Sequence[Case]) -> tuple[TrimRun, ...]:
        """The cases, each as ``run`` gives it; the simulator lets go of Python, so that they use what cores are free."""
        _ = self.order
        engines = list({(case.kv, case.tank): case for case in wanted}.values())
        with ThreadPoolExecutor(max(1, min(len(wanted), os.cpu_count() or 1))) as pool:
            for case, trace in zip(engines, pool.map(self._without, engines), strict=True):
                self._alone[case.kv, case.tank] = trace
            return tuple(pool.map(self.run, wanted))

    def _start(self, real: Machine) -> OperatingPoint:
        return balance(real, *(float(self.order[name][0]) for name in LEGS))

    def _without(self, case: Case) -> Trace:
        """The schedule alone. It asks no sensors: cases of one engine share its run."""
        real = with_errors(self.machine, case)
        return simulate(real, self.gains, self.order, self._start(real), self.profile[-1][0])

    def run(self, case: Case) -> TrimRun:
        """One case, the schedule alone and with the loops."""
        machine, profile, order = self.machine, self.profile, self.order
        duration = profile[-1][0]
        real = with_errors(machine, case)
        start = self._start(real)
        alone = self._alone.get((case.kv, case.tank)) or self._without(case)
        errors = sensor_errors(self.settings) if case.sensors else SensorErrors()
        loops = outer_run(
            machine,
            self.schedule,
            self.settings,
            self.outer,
            profile,
            reference_delay=self.reference_delay,
            errors=errors,
        )
        held = simulate(real, self.gains, order, start, duration, outer=loops)
        thrusts = [machine.thrusts_at(t.chamber_pressure) / machine.thrust for t in (alone, held)]
        ratios = [t.mixture_ratio / machine.mixture_ratio - 1.0 for t in (alone, held)]
        setting = throttle_at(profile, alone.time)
        holds = []
        for t0, t1, x0, x1 in stretches(profile):
            if x0 != x1 or t1 - t0 < SHORTEST_HOLD:
                continue
            quiet = (alone.time >= t1 - QUIET_SHARE * (t1 - t0)) & (alone.time <= t1)
            means = [float(np.mean(r[quiet])) for r in ratios]
            pushes = [float(np.mean(f[quiet])) / x0 - 1.0 for f in thrusts]
            holds.append(HoldErrors(x0, means[0], means[1], pushes[0], pushes[1], float(np.std(ratios[1][quiet]))))
        wanted = throttle_at(profile, loops.time)
        still = np.diff(wanted) == 0.0
        motion: dict[LegName, float] = {}
        for name, column in (("oxidizer", ix.ROW_TRIM_O), ("fuel", ix.ROW_TRIM_F)):
            steps = np.diff(loops.column(column))[still]
            motion[name] = float(np.sqrt(np.mean(steps**2))) if steps.size else 0.0  # type: ignore[index]
        limited = np.zeros(loops.rows.shape[0], dtype=bool)
        for loop, column in ((self.settings.thrust, ix.ROW_U_P), (self.settings.mixture, ix.ROW_U_R)):
            if loop is not None:
                limited |= np.abs(loops.column(column)) >= loop.authority * (1.0 - 1e-9)
        return TrimRun(
            what=case.what,
            time=alone.time,
            throttle=setting,
            open_ratio=ratios[0],
            closed_ratio=ratios[1],
            open_thrust=thrusts[0],
            closed_thrust=thrusts[1],
            holds=tuple(holds),
            limited=float(np.mean(limited)),
            motion=motion,
            stopped=any(bool(np.any(t.legs[name].flow <= 0.0)) for t in (alone, held) for name in LEGS),
        )


def cases(kv: float, tank: float) -> tuple[Case, ...]:
    """The cases that are run: each error alone, and all together."""
    engine = f"oxidizer Kv {100.0 * kv:+.3g} %", f"fuel tank {tank / 1e5:+.3g} bar"
    return (
        Case("as designed"),
        Case(engine[0], kv=kv),
        Case(engine[1], tank=tank),
        Case("sensors at their bounds", sensors=True),
        Case(f"{engine[0]}, {engine[1]}, sensors at their bounds", kv=kv, tank=tank, sensors=True),
    )


def outer_loops(
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    schedule: Schedule,
    settings: OuterLoops | None,
    profile: Sequence[tuple[float, float]],
    spread: SpreadResult,
    kv_error: float = KV_ERROR,
    tank_error: float = TANK_ERROR,
) -> OuterResult:
    """Margins over the throttle range and runs of the profile, corners of (time [s], throttle).

    ``kv_error`` of the oxidizer valve [-] and ``tank_error`` of the fuel tank [Pa] are what the engine of the runs has and the
    schedule does not know. Raises ``RangeError`` without outer loops, ``ValvectlError`` when they can not be tuned.
    """
    if settings is None:
        raise RangeError(NO_LOOPS)
    every = sorted({round(j) for j in np.linspace(0, len(schedule.points) - 1, LEVELS)})
    made = decouplers(machine, schedule, settings)
    points = [schedule.points[j] for j in every]
    inner = InnerLoops(machine, gains)
    plants = [(pulses(machine, gains, p, settings, inner), made[j]) for p, j in zip(points, every, strict=True)]
    chugs = [chug_margins(chug_loop(machine, p)) for p in points]
    lowest = min((c.frequency for c in chugs if math.isfinite(c.frequency)), default=math.inf)
    outer = tuned(settings, plants, lowest)
    delays = [path_delay(machine, gains, p, settings, made[j], inner) for p, j in zip(points, every, strict=True)]
    delay = max(float(np.mean(delays)), 0.0)
    models = tuple(OuterModel(p, d, outer) for p, d in plants)
    highest = math.pi / settings.period
    omega = np.geomspace(1e-4 * highest, highest, 600)
    there = [loop for loop in LOOPS if outer.gain[loop] > 0.0]
    margins = {loop: tuple(loop_margins(m, LOOPS.index(loop)) for m in models) for loop in there}
    radius = np.array([m.spectral_radius() for m in models])
    matrices = [sensed(machine, p, settings).matrix for p in points]
    noise = np.array(
        [m.noise(matrix * noises(machine, p, settings)) for m, matrix, p in zip(models, matrices, points, strict=True)]
    )
    throttle = np.array([float(schedule.throttle[j]) for j in every])
    usual = [usual_errors(machine, p, settings) for p in points]
    work = TrimWork(machine, gains, schedule, settings, profile, outer, delay)
    tolerances = bool(spread.contributions)
    standing = np.array([standing_error(matrix, accuracies(settings))[1] for matrix in matrices])
    result = OuterResult(
        gains=outer,
        tuned={loop: stated_gains(getattr(settings, loop)) is None for loop in LOOPS},
        period=settings.period,
        reference_delay=delay,
        source=settings.mixture.source if settings.mixture is not None else "none",
        throttle=throttle,
        relative_gain=np.array([relative_gain(plant_matrix(machine, p)) for p in points]),
        margins=margins,
        stable=tuple(bool(r < 1.0) for r in radius),
        radius=radius,
        sensitivity=np.array([float(np.max(m.sensitivity(omega))) for m in models]),
        locus_distance=np.array([float(np.min(np.abs(1.0 + m.loci(omega)))) for m in models]),
        chug=np.array([c.frequency / (2.0 * math.pi) for c in chugs]),
        noise_ratio=noise[:, 1],
        noise_pressure=noise[:, 0],
        meter_error=standing if settings.mixture is not None else np.zeros(throttle.size),
        open_error=np.interp(throttle, spread.throttle, spread.spread)
        if tolerances
        else np.full(throttle.size, np.nan),
        by_source={key: np.array([u[key] for u in usual]) for key in usual[0]},
        runs=work.runs(cases(kv_error, tank_error)),
        models=models,
        assumptions=_assumptions(settings, outer, delay),
    )
    return dataclasses.replace(result, cautions=_cautions(result, settings, machine))


def _assumptions(settings: OuterLoops, outer: OuterGains, delay: float) -> tuple[str, ...]:
    return (
        "margins are of the linear plant: no friction, no lost motion, manifolds stiff; the runs have all of that",
        f"the chamber pressure is held to what the schedule wanted {1e3 * delay:.0f} ms ago, the plant's own equivalent delay",
        "sensors' noise is white from sample to sample; their standing errors are bounds, even distributions",
        "outer loops act in this study alone: no row of check but those on trims closes them",
    )


def _cautions(result: OuterResult, settings: OuterLoops, machine: Machine) -> tuple[str, ...]:
    out = []
    if not all(result.stable):
        bad = ", ".join(f"{100.0 * x:.0f}" for x, ok in zip(result.throttle, result.stable, strict=True) if not ok)
        out.append(f"the loops are UNSTABLE at {bad} % throttle")
    worse = result.closed_error > result.open_error
    if settings.mixture is not None and bool(np.any(worse)):
        at = result.throttle[worse]
        out.append(
            f"at {100.0 * float(at[0]):.0f} to {100.0 * float(at[-1]):.0f} % throttle the sensors' error and noise are larger "
            "than what the schedule alone leaves: closing the mixture loop makes O/F worse there"
        )
    for run in result.runs:
        if run.stopped:
            out.append(f"{run.what}: a flow stops or turns back; there is no flame then, and the run means nothing")
        elif run.limited > 0.02:
            out.append(f"{run.what}: a loop lies at its authority in {100.0 * run.limited:.0f} % of the samples")
    for name, moved in result.runs[0].motion.items():
        band = machine.legs[name].servo.hold_band
        if moved > band:
            out.append(
                f"{name}: the sensors' noise moves the valve by {math.degrees(moved):.2g} deg (rms) from sample to sample, "
                f"beyond its hold band of {math.degrees(band):.2g} deg: it does not come to rest; "
                "least_change or lower gains calm it"
            )
    lowest = float(np.nanmin(result.chug)) if np.any(np.isfinite(result.chug)) else math.inf
    for loop in result.margins:
        share = result.crossover(loop) / (2.0 * math.pi) / lowest
        if share > 0.1:
            out.append(f"{loop} loop: its crossover is {share:.2f} of the chug frequency; keep it below a tenth")
    return tuple(out)


__all__ = ["Case", "Loop", "OuterResult", "TrimWork", "cases", "outer_loops", "with_errors"]
