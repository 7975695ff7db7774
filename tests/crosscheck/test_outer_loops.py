"""Outer loops: the compiled simulator against the exact sampled model, and against a plain replay of its own record.

The linear model is compared on the smooth machine (no friction, lost motion, quantisation, limits) with manifolds next to stiff,
which is what it describes; errors are small enough for the plant's curvature not to matter.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest

from valvectl.design.schema import LEGS
from valvectl.design.schema_outer import MixtureLoop, OuterLoops, ThrustLoop
from valvectl.plant import layout as ix
from valvectl.plant.balance import OperatingPoint, balance, solve
from valvectl.plant.machine import Machine
from valvectl.plant.outer import OuterGains, OuterRun, SensorErrors, decoupler, outer_run, plant_matrix
from valvectl.plant.schedule import Schedule, build_schedule
from valvectl.plant.simulate import Trace, simulate
from valvectl.servo.outer import OuterModel, Pulses, pulses, sensed, tuned
from valvectl.studies.outer_loops import noises

METERS = OuterLoops(
    period="20 ms", delay="4 ms", chamber_lag="6 ms", chamber_noise="0.02 bar", chamber_accuracy="0.1 bar",
    thrust=ThrustLoop(authority=0.3),
    mixture=MixtureLoop(source="flow_meters", noise=0.002, accuracy=0.005, lag="12 ms", authority=0.3),
)  # fmt: skip
DROPS = {"pressure_noise": "0.005 bar", "pressure_accuracy": "0.05 bar", "lag": "3 ms", "authority": 0.3}


def with_source(source: Any) -> OuterLoops:
    if source == "flow_meters":
        return METERS
    return METERS.model_copy(update={"mixture": MixtureLoop(source=source, **DROPS)})  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def smooth(design: Any) -> Machine:
    machine: Machine = dataclasses.replace(design.machine.smooth(), battery_resistance=0.0)
    for name in LEGS:
        machine = machine.with_leg(name, compliance=0.05 * machine.legs[name].compliance)
    return machine


@pytest.fixture(scope="module")
def schedule(smooth: Machine) -> Schedule:
    return build_schedule(smooth, 7)


def held(machine: Machine, point: OperatingPoint, duration: float, trims: Any = None) -> dict[Any, Any]:
    """Commands that hold a point, with trims (position samples -> rad) added."""
    out = {}
    for name in LEGS:
        count = int(duration / machine.legs[name].servo.position_period) + 1
        out[name] = np.full(count, point.legs[name].angle)
        if trims is not None and name in trims:
            out[name] += trims[name](machine.legs[name].servo.position_period * np.arange(count))
    return out


def lagged(trace: Trace, values: Any, lag: float) -> Any:
    """First-order lag of a record that is straight between its points."""
    out = np.empty_like(values)
    out[0] = values[0]
    h = float(trace.time[1] - trace.time[0])
    decay = math.exp(-h / lag)
    for k in range(1, values.size):
        slope = (values[k] - values[k - 1]) / h
        at_end = values[k] - lag * slope
        out[k] = at_end + (out[k - 1] - (values[k - 1] - lag * slope)) * decay
    return out


@pytest.mark.parametrize("leg", [0, 1])
@pytest.mark.parametrize("throttle", [0.5, 0.9])
def test_pulse_responses(design: Any, smooth: Machine, leg: int, throttle: float) -> None:
    """A trim held for one period, small: the simulator's measured quantities against the pulse response, at every sample."""
    point = solve(smooth, throttle)
    gains = design.analysis.gains
    exact = pulses(smooth, gains, point, METERS)
    size, period = 1e-4, METERS.period
    name = LEGS[leg]
    inner = smooth.legs[name].servo.position_period
    first = math.ceil(METERS.delay / inner - 1e-9) * inner
    trims = {name: lambda t: np.where((t > first - 1e-9) & (t < first + period - 1e-9), size, 0.0)}
    trace = simulate(smooth, gains, held(smooth, point, 0.4, trims), point, 0.4, step=5e-6, record=1e-4)
    pc = np.log(lagged(trace, trace.chamber_pressure, METERS.chamber_lag) / point.chamber_pressure)
    flows = [lagged(trace, trace.legs[n].flow, METERS.mixture.lag) for n in LEGS]  # type: ignore[union-attr]
    ratio = np.log(flows[0] / flows[1] / point.mixture_ratio)
    at = np.searchsorted(trace.time, period * np.arange(12) - 1e-9)
    for row, seen in enumerate((pc, ratio)):
        wanted = exact.measured[:12, row, leg]
        got = np.zeros(12)
        got[: wanted.size] = seen[at][: wanted.size] / size
        scale = float(np.max(np.abs(exact.measured[:, row, leg])))
        assert np.max(np.abs(got[: wanted.size] - wanted)) < 0.003 * scale


def closed(
    smooth: Machine, real: Machine, schedule: Schedule, design: Any, settings: OuterLoops, outer: OuterGains, throttle: float,
    duration: float, errors: SensorErrors | None = None, seed: int | None = None,
) -> tuple[OuterRun, Trace]:  # fmt: skip
    point = solve(smooth, throttle)
    angles = [point.legs[n].angle for n in LEGS]
    start = balance(real, *angles)
    run = outer_run(
        smooth,
        schedule,
        settings,
        outer,
        [(0.0, throttle), (duration, throttle)],
        reference_delay=0.0,
        errors=errors,
        seed=seed,
    )
    return run, simulate(real, design.analysis.gains, held(smooth, point, duration), start, duration, outer=run)


def linear(smooth: Machine, design: Any, settings: OuterLoops, throttle: float) -> tuple[Pulses, Any]:
    point = solve(smooth, throttle)
    return pulses(smooth, design.analysis.gains, point, settings), decoupler(plant_matrix(smooth, point), "static")


@pytest.mark.parametrize("source", ["flow_meters", "absolute_pressures", "differential_pressures"])
def test_recovery_from_an_error_of_the_valve(smooth: Machine, schedule: Schedule, design: Any, source: Any) -> None:
    """Kv 0.2 % too large: the measured errors at the samples are those of the linear closed loop, and die out."""
    settings = with_source(source)
    throttle = float(schedule.throttle[3])
    p, d = linear(smooth, design, settings, throttle)
    outer = tuned(settings, [(p, d)], 2.0 * math.pi * 100.0)
    curve = smooth.legs["oxidizer"].characteristic
    real = smooth.with_leg("oxidizer", characteristic=dataclasses.replace(curve, c=1.002 * curve.c))
    run, trace = closed(smooth, real, schedule, design, settings, outer, throttle, 1.0)
    got = np.stack([run.column(ix.ROW_GOT_PC), run.column(ix.ROW_GOT_RATIO)], axis=1)
    got = got / np.array([run.rows[0, ix.ROW_PC], run.rows[0, ix.ROW_RATIO]]) - 1.0
    # the linear loop by its own recursion: disturbance = the first reading, y = disturbance + pulses * trims
    n, taps = got.shape[0], p.measured @ d
    y, u, x = np.zeros((n, 2)), np.zeros((n, 2)), np.zeros(2)
    kp = np.array([outer.gain["thrust"], outer.gain["mixture"]])
    ki = np.array([outer.integral_rate["thrust"], outer.integral_rate["mixture"]]) * settings.period
    for k in range(n):
        y[k] = got[0] + sum(taps[j] @ u[k - j] for j in range(1, min(k, taps.shape[0] - 1) + 1))
        u[k] = -kp * y[k] + x
        x = x - kp * ki * y[k]
    assert np.max(np.abs(got - y)) < 0.03 * np.max(np.abs(got[0]))
    assert np.max(np.abs(got[-1])) < 0.01 * np.max(np.abs(got[0]))
    assert abs(float(trace.mixture_ratio[-1]) / smooth.mixture_ratio - 1.0) < 1e-4


def test_noise_in_the_mixture_ratio(smooth: Machine, schedule: Schedule, design: Any) -> None:
    """Deviation of the true O/F and chamber pressure at the samples: 40 s of simulated noise against the frequency integral."""
    throttle = float(schedule.throttle[2])
    point = solve(smooth, throttle)
    p, d = linear(smooth, design, METERS, throttle)
    outer = tuned(METERS, [(p, d)], 2.0 * math.pi * 100.0)
    model = OuterModel(p, d, outer)
    expected = model.noise(sensed(smooth, point, METERS).matrix * noises(smooth, point, METERS))
    _, trace = closed(smooth, smooth, schedule, design, METERS, outer, throttle, 40.0, seed=7)
    at = np.searchsorted(trace.time, METERS.period * np.arange(50, 2000) - 1e-9)
    got = [float(np.std(np.log(v[at]))) for v in (trace.chamber_pressure, trace.mixture_ratio)]
    # about 2000 samples, correlated over a few: some 5 % is the sampling of a deviation
    assert got == pytest.approx(expected, rel=0.12)


@pytest.mark.parametrize("source", ["flow_meters", "absolute_pressures", "differential_pressures"])
def test_steady_error_is_the_sensors(smooth: Machine, schedule: Schedule, design: Any, source: Any) -> None:
    """At rest O/F and chamber pressure are as wrong as they are measured: the simulator against ``sensed``."""
    settings = with_source(source)
    throttle = float(schedule.throttle[3])
    point = solve(smooth, throttle)
    p, d = linear(smooth, design, settings, throttle)
    outer = tuned(settings, [(p, d)], 2.0 * math.pi * 100.0)
    small = {"oxidizer": 1e-3, "fuel": -5e-4} if source == "flow_meters" else {"oxidizer": 200.0, "fuel": -100.0}
    errors = SensorErrors(
        chamber=300.0,
        relative=small if source == "flow_meters" else {},
        pressure={} if source == "flow_meters" else small,
    )
    _, trace = closed(smooth, smooth, schedule, design, settings, outer, throttle, 1.5, errors=errors)
    expected = -sensed(smooth, point, settings).matrix @ np.array([300.0, small["oxidizer"], small["fuel"]])
    got = [
        float(trace.chamber_pressure[-1]) / point.chamber_pressure - 1.0,
        float(trace.mixture_ratio[-1]) / point.mixture_ratio - 1.0,
    ]
    assert got == pytest.approx(expected, rel=0.02)


def test_without_loops_and_with_idle_ones_the_run_is_the_same_to_the_bit(design: Any) -> None:
    """No authority, no trim: adding nothing changes nothing."""
    analysis = design.analysis
    profile = [(0.0, 0.6), (0.1, 0.6), (0.3, 0.9), (0.5, 0.9)]
    from valvectl.plant.schedule import commands

    start = balance(design.machine, *(float(analysis.schedule.angle_at(n, np.array([0.6]))[0]) for n in LEGS))
    order = commands(design.machine, analysis.schedule, profile, 0.5)
    alone = simulate(design.machine, analysis.gains, order, start, 0.5)
    idle = OuterGains({"thrust": 0.0, "mixture": 0.0}, {"thrust": 0.0, "mixture": 0.0})
    run = outer_run(design.machine, analysis.schedule, METERS, idle, profile, reference_delay=0.0)
    other = simulate(design.machine, analysis.gains, order, start, 0.5, outer=run)
    assert np.array_equal(alone.chamber_pressure, other.chamber_pressure)
    for name in LEGS:
        assert np.array_equal(alone.legs[name].stem, other.legs[name].stem)
        assert np.array_equal(alone.legs[name].command, other.legs[name].command)


def test_the_record_replayed_in_plain_python(design: Any) -> None:
    """From what the loops read, their outputs and the trims worked out again by the difference equations as written."""
    analysis = design.analysis
    profile = [(0.0, 0.5), (0.4, 0.5), (0.7, 0.95), (1.5, 0.95)]
    from valvectl.plant.schedule import commands

    tight = METERS.model_copy(
        update={
            "thrust": ThrustLoop(authority=0.01),
            "mixture": MixtureLoop(source="flow_meters", noise=0.004, accuracy=0.005, authority=0.01),
            "least_change": math.radians(0.02),
        }
    )
    outer = OuterGains({"thrust": 0.3, "mixture": 0.25}, {"thrust": 60.0, "mixture": 70.0})
    real = design.machine.with_leg("fuel", tank_pressure=design.machine.legs["fuel"].tank_pressure - 0.5e5)
    start = balance(real, *(float(analysis.schedule.angle_at(n, np.array([0.5]))[0]) for n in LEGS))
    run = outer_run(design.machine, analysis.schedule, tight, outer, profile, reference_delay=0.02, seed=3)
    order = commands(design.machine, analysis.schedule, profile, 1.5)
    trace = simulate(real, analysis.gains, order, start, 1.5, outer=run)
    x, sent = [0.0, 0.0], [0.0, 0.0]
    limited = 0
    for k in range(run.rows.shape[0]):
        row = run.rows[k]
        us = []
        for j, (got, wanted) in enumerate(((ix.ROW_GOT_PC, ix.ROW_PC), (ix.ROW_GOT_RATIO, ix.ROW_RATIO))):
            kp = (0.3, 0.25)[j]
            rate = (60.0, 70.0)[j]
            e = (row[wanted] - row[got]) / row[wanted]
            raw = kp * e + x[j]
            u = max(-0.01, min(0.01, raw))
            if u == raw or (raw - u) * e < 0.0:
                x[j] += kp * rate * 0.02 * e
            else:
                limited += 1
            us.append(u)
        assert us == pytest.approx([row[ix.ROW_U_P], row[ix.ROW_U_R]], abs=1e-12)
        for j, (dp, dr, out) in enumerate(
            ((ix.ROW_D_OP, ix.ROW_D_OR, ix.ROW_TRIM_O), (ix.ROW_D_FP, ix.ROW_D_FR, ix.ROW_TRIM_F))
        ):
            wanted_trim = row[dp] * us[0] + row[dr] * us[1]
            if abs(wanted_trim - sent[j]) >= math.radians(0.02):
                sent[j] = wanted_trim
            assert sent[j] == pytest.approx(row[out], abs=1e-12)
    assert limited > 5
    # each trim is in the command from the first position sample at or after sample plus delay
    for name, column in (("oxidizer", ix.ROW_TRIM_O), ("fuel", ix.ROW_TRIM_F)):
        inner = design.machine.legs[name].servo.position_period  # type: ignore[index]
        for k in range(5, 70, 7):
            when = math.ceil((0.02 * k + 0.004) / inner - 1e-9) * inner + 0.4 * inner
            j = int(np.searchsorted(trace.time, when))
            sample = min(math.floor(trace.time[j] / inner + 1e-9), order[name].size - 1)  # type: ignore[index]
            expected = order[name][sample] + run.rows[k, column]  # type: ignore[index]
            assert trace.legs[name].command[j] == pytest.approx(expected, abs=1e-12)  # type: ignore[index]


def test_gain_at_rest_is_the_balance(design: Any, smooth: Machine) -> None:
    """K by differences of the balance, and the pulse responses' sum."""
    point = solve(smooth, 0.7)
    k = plant_matrix(smooth, point)
    h = 1e-4
    for j in range(2):
        angles = [point.legs[n].angle for n in LEGS]
        ends = []
        for sign in (1.0, -1.0):
            moved = list(angles)
            moved[j] += sign * h
            b = balance(smooth, *moved)
            ends.append(np.log([b.chamber_pressure, b.mixture_ratio]))
        assert (ends[0] - ends[1]) / (2 * h) == pytest.approx(k[:, j], rel=0.02)
    assert pulses(smooth, design.analysis.gains, point, METERS).at_rest == pytest.approx(k, rel=1e-4)
