"""The watch: what the engine computer reads, how far that is off the fault-free run, and the thresholds that see it.

Every reading is held against what the simulated fault-free run of the design shows at that moment. Engines within tolerance
differ from it and must not trip; noise on top of that must trip as seldom as the design asks.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, LegName
from valvectl.errors import DesignError, NoBalanceError, RangeError, SimulationError
from valvectl.parts import alarm
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant import layout as ix
from valvectl.plant.balance import balance
from valvectl.plant.machine import Machine
from valvectl.plant.outer import sensor_noise
from valvectl.plant.simulate import Trace, simulate
from valvectl.studies.draws import engine, variables
from valvectl.studies.fault_result import Threshold

Progress = Callable[[str, int, int], None]
_SEED = 1
_NO_FLOW = 1e-9
SURE = 0.99
"""Probability that noise leaves all looks of a sure alarm beyond the threshold [-]."""


@dataclass(frozen=True)
class Channel:
    """A reading that is watched."""

    kind: str
    """position, disagreement, chamber, mixture or tank."""
    leg: LegName | None
    noise: float
    """Standard deviation of one reading [SI]."""
    least: float
    """Finest step that the reading can tell [SI]; no threshold is proposed below it."""

    @property
    def name(self) -> str:
        """Kind and leg."""
        words = {"chamber": "chamber pressure", "mixture": "measured O/F", "tank": "tank pressure"}.get(
            self.kind, self.kind
        )
        return f"{self.leg} {words}" if self.leg else words

    @property
    def unit(self) -> tuple[str, float]:
        """Unit of tables, and number in it per SI number."""
        if self.kind in ("position", "disagreement"):
            return "deg", 180.0 / math.pi
        return ("%", 100.0) if self.kind == "mixture" else ("bar", 1e-5)


def channels(design: DesignFile, machine: Machine, nominal: Trace) -> tuple[list[Channel], list[str]]:
    """Readings that the design has sensors for, and in words what is not watched."""
    out: list[Channel] = []
    missing: list[str] = []
    watch, outer = design.faults.watch, design.outer_loops
    for name in LEGS:
        servo = machine.legs[name].servo
        count = servo.position_count
        out.append(Channel("position", name, count / math.sqrt(12.0), count))
        if servo.position_on_motor != servo.speed_on_motor:
            both = math.hypot(count, servo.speed_count)
            out.append(Channel("disagreement", name, both / math.sqrt(12.0), both))
        else:
            missing.append(f"{name}: one place is read only, so that motor and stem can not be held against each other")
    noise = watch.chamber_noise
    if noise is None and outer is not None:
        noise = outer.chamber_noise
    if noise is None:
        missing.append("chamber pressure: no transducer stated (outer_loops or faults.watch.chamber_noise)")
    else:
        out.append(Channel("chamber", None, float(noise), 0.0))
    if outer is None or outer.mixture is None:
        missing.append("O/F: no sensors stated (outer_loops.mixture)")
    else:
        out.append(Channel("mixture", None, _ratio_noise(design, machine, nominal), 0.0))
    if watch.tank_noise is None:
        missing.append("tank pressures: no transducer stated (faults.watch.tank_noise)")
    else:
        out += [Channel("tank", name, float(watch.tank_noise), 0.0) for name in LEGS]
    if watch.message_timeout is None:
        missing.append("messages: no faults.watch.message_timeout stated")
    return out, missing


def _ratio_noise(design: DesignFile, machine: Machine, nominal: Trace) -> float:
    """Relative standard deviation of a reading of O/F where the flows are smallest [-]: both sensors, first order."""
    settings = design.outer_loops
    assert settings is not None
    assert settings.mixture is not None
    total = 0.0
    for name in LEGS:
        leg, noise = nominal.legs[name], sensor_noise(machine, settings, name)
        if settings.mixture.source == "flow_meters":
            total += (noise / float(np.min(leg.flow))) ** 2
            continue
        if settings.mixture.source == "absolute_pressures":
            noise = math.hypot(noise, settings.chamber_noise)
        drop = float(np.min(leg.manifold - nominal.chamber_pressure))
        total += (0.5 * noise / drop) ** 2  # flow goes with the root of the drop
    return math.sqrt(total)


def _lagged(time: FloatArray, value: FloatArray, lag: float) -> FloatArray:
    if lag <= 0.0 or time.size < 3:
        return value
    share = -math.expm1(-float(time[1] - time[0]) / lag)
    return np.asarray(lfilter([share], [1.0, share - 1.0], value, zi=[(1.0 - share) * value[0]])[0])


def readings(
    design: DesignFile,
    machine: Machine,
    trace: Trace,
    watched: list[Channel],
    times: FloatArray,
    *,
    par: FloatArray | None = None,
    offset: dict[LegName, float] | None = None,
    tank: dict[LegName, tuple[list[float], list[float]]] | None = None,
    seed: int = 0,
) -> dict[str, FloatArray]:
    """What each channel reads at times [s], sensors' noise apart, shape as ``times``.

    ``par``: the kernel's numbers of a run whose encoders are faulty; ``offset`` how far each stem stands beyond its reading
    [rad]; ``tank`` times and pressures of a leg whose regulator failed.
    """
    out: dict[str, FloatArray] = {}
    outer = design.outer_loops
    draw = np.random.default_rng(seed)
    for channel in watched:
        name = channel.leg
        if channel.kind == "chamber":
            lag = 0.0 if outer is None else float(outer.chamber_lag)
            value = _lagged(trace.time, trace.chamber_pressure, lag)
        elif channel.kind == "mixture":
            assert outer is not None
            assert outer.mixture is not None
            flows = [_lagged(trace.time, trace.legs[n].flow, float(outer.mixture.lag)) for n in LEGS]
            value = np.maximum(flows[0], 0.0) / np.maximum(flows[1], _NO_FLOW)
        elif channel.kind == "tank":
            assert name is not None
            leg = machine.legs[name]
            value = leg.tank_pressure - leg.tank_droop / leg.reference_flow * trace.legs[name].flow
            if tank is not None and name in tank:
                value = np.interp(trace.time, *tank[name])
        else:
            assert name is not None
            value = _encoder(machine, trace, name, channel.kind, par, (offset or {}).get(name, 0.0))
        out[channel.name] = np.interp(times, trace.time, value)
        if channel.kind == "position" and par is not None:
            k = LEGS.index(name)  # type: ignore[arg-type]
            out[channel.name] = out[channel.name] + par[k, ix.POSITION_NOISE] * draw.standard_normal(times.size)
    return out


def _encoder(
    machine: Machine, trace: Trace, name: LegName, kind: str, par: FloatArray | None, offset: float
) -> FloatArray:
    leg, servo, k = trace.legs[name], machine.legs[name].servo, LEGS.index(name)

    def read(on_motor: bool, slope: int, shift: int) -> FloatArray:
        angle = leg.motor if on_motor else leg.stem
        if par is not None and par[k, ix.FAULTY] > 0.5:
            return np.asarray(par[k, slope] * angle + par[k, shift])
        return angle - offset

    position = read(servo.position_on_motor, ix.POSITION_SLOPE, ix.POSITION_OFFSET)
    if kind == "position":
        return position
    return read(servo.speed_on_motor, ix.SPEED_SLOPE, ix.SPEED_OFFSET) - position


def departures(
    watched: list[Channel], found: dict[str, FloatArray], expected: dict[str, FloatArray]
) -> dict[str, FloatArray]:
    """Reading less expectation, O/F relative to it."""
    out = {}
    for channel in watched:
        off = found[channel.name] - expected[channel.name]
        out[channel.name] = off / expected[channel.name] if channel.kind == "mixture" else off
    return out


def corner_levels(
    design: DesignFile,
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    command: dict[LegName, FloatArray],
    watched: list[Channel],
    times: FloatArray,
    expected: dict[str, FloatArray],
    progress: Progress,
) -> tuple[dict[str, float], int]:
    """Level that engines at random corners of the tolerances hold in each channel, and how many engines ran."""
    watch = design.faults.watch
    levels = {c.name: 0.0 for c in watched}
    table = variables(design, machine)
    if not table:
        return levels, 0
    draw, ran, duration = np.random.default_rng(_SEED), 0, float(times[-1])
    for number in range(watch.engines):
        progress("fault-free engines within tolerance", number, watch.engines)
        unit = draw.choice([-1.0, 1.0], len(table))
        try:
            drawn = engine(design, machine, table, unit)
            shifted = {n: command[n] + drawn.offset[n] for n in LEGS}
            start = balance(drawn.machine, *(float(shifted[n][0]) for n in LEGS))
            trace = simulate(drawn.machine, gains, shifted, start, duration, seed=number)
        except (DesignError, NoBalanceError, RangeError, SimulationError):
            continue
        ran += 1
        found = readings(design, drawn.machine, trace, watched, times, offset=drawn.offset)
        for name, off in departures(watched, found, expected).items():
            levels[name] = max(levels[name], alarm.held_level(np.abs(off).tolist(), watch.persistence))
    return levels, ran


def thresholds(
    design: DesignFile, watched: list[Channel], levels: dict[str, float], looks: int
) -> tuple[Threshold, ...]:
    """Threshold of each channel; the false-alarm rate is shared evenly between them. ``looks`` in one firing."""
    watch = design.faults.watch
    rate = float(watch.false_alarms) / max(len(watched), 1)
    out = []
    for c in watched:
        bias = levels[c.name]
        proposed = alarm.alarm_threshold(rate, c.noise, watch.margin * bias, watch.persistence, looks)
        proposed = max(proposed, c.least)
        given = getattr(watch, c.kind)
        value = proposed if given is None else float(given)
        beyond = alarm.exceedance(value, c.noise, bias)
        unit, scale = c.unit
        out.append(
            Threshold(
                channel=c.name,
                noise=c.noise,
                fault_free=bias,
                proposed=proposed,
                threshold=value,
                stated=given is not None,
                false_alarms=alarm.run_probability(beyond, watch.persistence, looks),
                mean_time=float(watch.period) * alarm.mean_wait(beyond, watch.persistence),
                unit=unit,
                scale=scale,
            )
        )
    return tuple(out)


def alarms(
    off: dict[str, FloatArray], levels: tuple[Threshold, ...], times: FloatArray, persistence: int, sure: bool
) -> dict[str, float]:
    """When each channel raises its alarm [s], at the times of ``times``; channels that do not are left out.

    ``sure``: in an engine that stands off to the other side, within tolerance, and so has farther to go, and by so much more
    that noise holds none of the looks back (with the probability ``SURE``).
    """
    out = {}
    deviations = alarm.clearance(SURE, persistence)
    for level in levels:
        needed = level.threshold + (level.fault_free + deviations * level.noise if sure else 0.0)
        at = alarm.first_alarm((np.abs(off[level.channel]) > needed).tolist(), persistence)
        if at >= 0:
            out[level.channel] = float(times[at])
    return out
