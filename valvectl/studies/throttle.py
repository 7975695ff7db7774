"""Mixture ratio, chamber pressure and valves while the throttle follows its profile: a simulated run.

The commands are the open-loop schedule through each leg's rate limit, or shaped moves (``plant.command``). Error of the
mixture ratio is that of the injected flows, O/F over the wanted O/F less one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant.command import is_planned, stretches
from valvectl.plant.linear import engine_model
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule, commands, throttle_at
from valvectl.plant.simulate import Trace, simulate
from valvectl.studies.result import Result

SHORTEST_HOLD = 0.3
"""A stretch of constant throttle counts as a hold from this length on [s]."""
LEVELS = np.linspace(0.05, 0.95, 19)
"""Levels of a change at which the lags of the valves are compared [-]."""
NEAREST = math.radians(0.5)
"""Levels nearer than this to either end of the change are left out [rad]."""
QUIET_SHARE = 0.5
"""Share of a hold, its last part, over which steady error and hunting are read."""


@dataclass(frozen=True)
class Hold:
    """A stretch of constant throttle."""

    start: float
    """[s]"""
    end: float
    """[s]"""
    throttle: float
    """[-]"""
    ratio_error: float
    """Mean relative error of O/F over the quiet part [-]."""
    settling: float
    """From the start of the hold until the error stays inside the steady band [s]; infinite if it does not."""
    hunting: dict[LegName, float]
    """Ball angle from peak to peak over the quiet part [rad]."""
    hunting_flow: dict[LegName, float]
    """The same as relative flow [-], by the leg's installed gain."""


@dataclass(frozen=True)
class Change:
    """A stretch in which the throttle moves."""

    start: float
    """[s]"""
    end: float
    """[s]"""
    before: float
    """Throttle before [-]."""
    after: float
    """Throttle after [-]."""
    peak_error: float
    """Largest relative error of O/F from its start until the next change [-], signed."""
    peak_time: float
    """When that is [s]."""
    lag: dict[LegName, float]
    """By how much later than the schedule (planned moves: than the command) each ball passes ``level`` [s]; NaN: never."""
    level: float
    """Share of the way through the change, 5 to 95 %, at which the two lags differ most [-]."""

    @property
    def mismatch(self) -> float:
        """Difference of the two lags [s]; positive: the oxidizer valve is later."""
        return self.lag["oxidizer"] - self.lag["fuel"]


@dataclass(frozen=True)
class ThrottleResult(Result):
    """A run of the throttle profile."""

    band: float
    """Steady band used for settling [-]."""
    wanted_ratio: float
    """Mixture ratio wanted [-]."""
    time: FloatArray
    """[s], shape (n,)."""
    throttle: FloatArray
    """Throttle setting commanded [-], shape (n,)."""
    thrust: FloatArray
    """Thrust over full thrust [-], shape (n,)."""
    ratio_error: FloatArray
    """Relative error of O/F [-], shape (n,)."""
    holds: tuple[Hold, ...]
    changes: tuple[Change, ...]
    lowest_bus: float
    """Lowest voltage at a drive [V]."""
    rms_current: dict[LegName, float]
    """RMS motor current over the profile [A]."""
    peak_current: dict[LegName, float]
    """[A]"""
    choked: dict[LegName, float]
    """Share of the time in which the valve chokes [-]."""
    trace: Trace = field(repr=False)

    @property
    def peak_error(self) -> float:
        """Largest magnitude of the O/F error over the run [-]."""
        return float(np.max(np.abs(self.ratio_error)))

    @property
    def worst_change(self) -> Change | None:
        """The change with the largest error."""
        return max(self.changes, key=lambda c: abs(c.peak_error), default=None)

    def columns(self) -> dict[str, Any]:
        out: dict[str, Any] = {
            "time [s]": self.time,
            "throttle [%]": 100.0 * self.throttle,
            "thrust [%]": 100.0 * self.thrust,
            "chamber pressure [bar abs]": self.trace.chamber_pressure / 1e5,
            "O/F error [%]": 100.0 * self.ratio_error,
            "bus [V]": self.trace.bus_voltage,
        }
        for name in LEGS:
            leg = self.trace.legs[name]
            out[f"{name} command [deg]"] = np.degrees(leg.command)
            out[f"{name} stem [deg]"] = np.degrees(leg.stem)
            out[f"{name} ball [deg]"] = np.degrees(leg.ball)
            out[f"{name} flow [kg/s]"] = leg.flow
            out[f"{name} current [A]"] = leg.current
            out[f"{name} manifold [bar abs]"] = leg.manifold / 1e5
            out[f"{name} valve drop [bar]"] = leg.valve_drop / 1e5
        return out


def _crossing(time: FloatArray, values: FloatArray, level: float, rising: bool) -> float:
    beyond = np.nonzero(values >= level if rising else values <= level)[0]
    if beyond.size == 0:
        return math.nan
    j = int(beyond[0])
    if j == 0:
        return float(time[0])
    share = (level - values[j - 1]) / (values[j] - values[j - 1])
    return float(time[j - 1] + share * (time[j] - time[j - 1]))


def throttle(
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    schedule: Schedule,
    profile: Sequence[tuple[float, float]],
    band: float,
    *,
    step: float | None = None,
    battery: float | None = None,
) -> ThrottleResult:
    """Simulate a throttle profile, corners of (time [s], throttle), and read off what matters.

    ``band`` is the steady band of the O/F error for settling [-].
    """
    duration = profile[-1][0]
    order = commands(machine, schedule, profile, duration)
    first = profile[0][1]
    start = schedule_point(machine, schedule, first)
    trace = simulate(machine, gains, order, start, duration, step=step, battery=battery)
    error = trace.mixture_ratio / machine.mixture_ratio - 1.0
    time = trace.time
    parts = stretches(profile)
    holds: list[Hold] = []
    changes: list[Change] = []
    for index, (t0, t1, x0, x1) in enumerate(parts):
        if x0 == x1 and t1 - t0 >= SHORTEST_HOLD:
            holds.append(_hold(machine, schedule, trace, error, (t0, t1, x0), band))
        elif x0 != x1:
            following = parts[index + 1] if index + 1 < len(parts) else (t1, duration, x1, x1)
            until = following[1] if following[2] == following[3] else t1
            here = (time >= t0 - 1e-12) & (time <= until + 1e-12)
            j = int(np.argmax(np.abs(np.where(here, error, 0.0))))
            lag, level = _lags(schedule, trace, profile, (t0, until, x0, x1), is_planned(machine))
            changes.append(
                Change(
                    start=t0,
                    end=t1,
                    before=x0,
                    after=x1,
                    peak_error=float(error[j]),
                    peak_time=float(time[j]),
                    lag=lag,
                    level=level,
                )
            )
    return ThrottleResult(
        band=band,
        wanted_ratio=machine.mixture_ratio,
        time=time,
        throttle=throttle_at(profile, time),
        thrust=np.array([machine.thrust_at(float(p)) for p in trace.chamber_pressure]) / machine.thrust,
        ratio_error=error,
        holds=tuple(holds),
        changes=tuple(changes),
        lowest_bus=min(leg.lowest_voltage for leg in trace.legs.values()),
        rms_current={name: trace.legs[name].rms_current for name in LEGS},
        peak_current={name: trace.legs[name].peak_current for name in LEGS},
        choked={name: float(np.mean(trace.legs[name].choked)) for name in LEGS},
        trace=trace,
    )


def schedule_point(machine: Machine, schedule: Schedule, setting: float) -> Any:
    """Steady point that the scheduled angles hold at a throttle setting: the schedule's own, or the balance between."""
    from valvectl.plant.balance import balance

    j = int(np.argmin(np.abs(schedule.throttle - setting)))
    if abs(float(schedule.throttle[j]) - setting) < 1e-12:
        return schedule.points[j]
    angles = [float(schedule.angle_at(name, np.array([setting]))[0]) for name in LEGS]
    return balance(machine, angles[0], angles[1])


def _hold(
    machine: Machine,
    schedule: Schedule,
    trace: Trace,
    error: FloatArray,
    stretch: tuple[float, float, float],
    band: float,
) -> Hold:
    t0, t1, setting = stretch
    time = trace.time
    here = (time >= t0 - 1e-12) & (time <= t1 + 1e-12)
    quiet = here & (time >= t1 - QUIET_SHARE * (t1 - t0))
    outside = np.nonzero(here & (np.abs(error) > band))[0]
    if outside.size == 0:
        settling = 0.0
    elif time[outside[-1]] >= t1 - 1e-9 or outside[-1] == np.nonzero(here)[0][-1]:
        settling = math.inf
    else:
        settling = float(time[outside[-1] + 1]) - t0
    model = engine_model(machine, schedule_point(machine, schedule, setting))
    hunting = {name: float(np.ptp(trace.legs[name].ball[quiet])) for name in LEGS}
    return Hold(
        start=t0,
        end=t1,
        throttle=setting,
        ratio_error=float(np.mean(error[quiet])),
        settling=settling,
        hunting=hunting,
        hunting_flow={name: hunting[name] * model.slopes[name].angle_gain for name in LEGS},
    )


def _lags(
    schedule: Schedule,
    trace: Trace,
    profile: Sequence[tuple[float, float]],
    stretch: tuple[float, float, float, float],
    planned: bool = False,
) -> tuple[dict[LegName, float], float]:
    """Lags of both balls behind the schedule's angles at the level of the change where they differ most, and the level.

    Planned moves leave the profile on purpose: there the lag is behind the command as planned.

    Not at the middle alone: with speed fed forward the lag has gone by then, and the mixture ratio has paid already.
    """
    t0, until, x0, x1 = stretch
    here = (trace.time >= t0 - 1e-12) & (trace.time <= until + 1e-12)
    time = trace.time[here]
    settings = throttle_at(profile, time)
    ends = [schedule.angle_at(name, np.array([x0, x1])) for name in LEGS]
    # Nearer to the ends than this, hold band and sticking decide, not the servo's speed.
    nearest = NEAREST / min(abs(float(e[1] - e[0])) or math.inf for e in ends)
    levels = LEVELS[(nearest <= LEVELS) & (1.0 - nearest >= LEVELS)]
    if levels.size == 0:
        levels = np.array([0.5])
    lags = np.empty((2, levels.size))
    for k, name in enumerate(LEGS):
        first, last = ends[k]
        wanted = trace.legs[name].command[here] if planned else schedule.angle_at(name, settings)
        ball = trace.legs[name].ball[here]
        for j, share in enumerate(levels):
            level = float(first + share * (last - first))
            rising = bool(last > first)
            lags[k, j] = _crossing(time, ball, level, rising) - _crossing(time, wanted, level, rising)
    differ = np.abs(lags[0] - lags[1])
    j = int(np.argmax(np.where(np.isnan(differ), np.inf, differ)))
    return {name: float(lags[k, j]) for k, name in enumerate(LEGS)}, float(levels[j])
