"""Mixture ratio, chamber pressure and valves while the throttle follows its profile: a simulated run.

The commands are the open-loop schedule through each leg's rate limit, or shaped moves (``plant.command``). Error of the
mixture ratio is that of the injected flows, O/F over the wanted O/F less one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import balance
from valvectl.plant.command import is_planned
from valvectl.plant.lanes import CONTACT_SHARE as LANES_CONTACT_SHARE
from valvectl.plant.linear import leg_slopes
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule, commands, throttle_at
from valvectl.plant.simulate import Trace, simulate
from valvectl.plant.time_grid import CONTACT_SHARE
from valvectl.studies.profile_reading import Change, Courses, Hold, Reader
from valvectl.studies.result import Result


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


def throttle(
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    schedule: Schedule,
    profile: Sequence[tuple[float, float]],
    band: float,
    *,
    step: float | None = None,
    half_way: bool = False,
    feed_every: int = 1,
    battery: float | None = None,
    offset: Mapping[LegName, float] | None = None,
    seed: int = 0,
    trace: Trace | None = None,
) -> ThrottleResult:
    """Simulate a throttle profile, corners of (time [s], throttle), and read off what matters.

    ``band`` is the steady band of the O/F error for settling [-]; ``offset`` how far each stem stands beyond the angle that its
    encoder reads [rad] (the run sees it as a shifted command); ``seed`` of the random delays where a loop has jitter;
    ``half_way``: the scheme of the lanes, which allows their longer ``step`` [s], and ``feed_every`` as they have it; ``trace``:
    that run, where it was made before.
    """
    duration = profile[-1][0]
    order = commands(machine, schedule, profile, duration)
    first = profile[0][1]
    beyond = dict.fromkeys(LEGS, 0.0) if offset is None else dict(offset)
    if offset is None:
        start = schedule_point(machine, schedule, first)
    else:
        # The schedule belongs to the engine as designed; this one finds its own balance at the shifted angles.
        order = {name: order[name] + offset[name] for name in LEGS}
        start = balance(machine, *(float(order[name][0]) for name in LEGS))
    share = LANES_CONTACT_SHARE if half_way else CONTACT_SHARE
    if trace is None:
        trace = simulate(
            machine,
            gains,
            order,
            start,
            duration,
            step=step,
            battery=battery,
            seed=seed,
            half_way=half_way,
            feed_every=feed_every,
            contact_share=share,
        )
    error = trace.mixture_ratio / machine.mixture_ratio - 1.0
    time = trace.time
    planned = {name: trace.legs[name].command - beyond[name] for name in LEGS} if is_planned(machine) else None
    reader = Reader(schedule, profile, band, time, planned)
    slopes = []
    for setting in reader.settings:
        if offset is None:
            point = schedule_point(machine, schedule, setting)
        else:
            angles = [float(schedule.angle_at(name, np.array([setting]))[0]) + offset[name] for name in LEGS]
            point = balance(machine, *angles)
        slopes.append({name: leg_slopes(machine.legs[name], point).angle_gain for name in LEGS})
    courses = Courses(
        error[None],
        {name: trace.legs[name].ball[None] for name in LEGS},
        {name: np.array([beyond[name]]) for name in LEGS},
    )
    return ThrottleResult(
        band=band,
        wanted_ratio=machine.mixture_ratio,
        time=time,
        throttle=throttle_at(profile, time),
        thrust=machine.thrusts_at(trace.chamber_pressure) / machine.thrust,
        ratio_error=error,
        holds=reader.holds(courses, [slopes])[0],
        changes=reader.changes(courses)[0],
        lowest_bus=min(leg.lowest_voltage for leg in trace.legs.values()),
        rms_current={name: trace.legs[name].rms_current for name in LEGS},
        peak_current={name: trace.legs[name].peak_current for name in LEGS},
        choked={name: float(np.mean(trace.legs[name].choked)) for name in LEGS},
        trace=trace,
    )


def schedule_point(machine: Machine, schedule: Schedule, setting: float) -> Any:
    """Steady point that the scheduled angles hold at a throttle setting: the schedule's own, or the balance between."""
    j = int(np.argmin(np.abs(schedule.throttle - setting)))
    if abs(float(schedule.throttle[j]) - setting) < 1e-12:
        return schedule.points[j]
    angles = [float(schedule.angle_at(name, np.array([setting]))[0]) for name in LEGS]
    return balance(machine, angles[0], angles[1])
