"""A simulated throttle profile read off: holds and changes, from O/F error and balls over time.

One reader serves many runs of one profile: what hangs on schedule and command alone is worked out once.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.parts.lookup import FloatArray
from valvectl.plant.command import stretches
from valvectl.plant.schedule import Schedule, throttle_at

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
class Course:
    """What a run is read from; arrays of shape (n,) over the reader's times."""

    ratio_error: FloatArray
    """Relative error of O/F [-]."""
    ball: Mapping[LegName, FloatArray]
    """Ball angles [rad]."""
    offset: Mapping[LegName, float]
    """How far each stem stands beyond the angle that its encoder reads [rad]; no lag."""


@dataclass(frozen=True)
class _Stretch:
    """A hold or a change, cut out of the looks."""

    start: float
    end: float
    before: float
    after: float
    rows: slice
    """Looks in it; of a change until the next one."""
    quiet: slice
    """Looks of a hold's last part."""
    angle: dict[LegName, FloatArray]
    """Angle at each level of a change [rad]."""
    rising: dict[LegName, bool]
    wanted: dict[LegName, FloatArray]
    """When the schedule (planned moves: the command) passes each level [s]; NaN: never."""
    levels: FloatArray

    @property
    def moves(self) -> bool:
        return self.before != self.after


def crossings(time: FloatArray, values: FloatArray, levels: FloatArray, rising: bool) -> FloatArray:
    """First times [s] at which ``values`` pass each of ``levels``, straight between looks; NaN: never.

    The first look counts when it is beyond the level already.
    """
    sign = 1.0 if rising else -1.0
    first = np.searchsorted(np.maximum.accumulate(sign * values), sign * levels, side="left")
    at = np.clip(first, 1, time.size - 1)
    low, high = values[at - 1], values[at]
    with np.errstate(invalid="ignore", divide="ignore"):
        found = time[at - 1] + (levels - low) / (high - low) * (time[at] - time[at - 1])
    return np.where(first == 0, time[0], np.where(first >= time.size, math.nan, found))


class Reader:
    """Reads runs of one profile."""

    def __init__(
        self,
        schedule: Schedule,
        profile: Sequence[tuple[float, float]],
        band: float,
        time: FloatArray,
        planned: Mapping[LegName, FloatArray] | None = None,
    ) -> None:
        """``time`` of the looks [s], shape (n,); ``planned``: commands there [rad], without offsets, where moves are planned and
        leave the profile on purpose."""
        self.time = time
        self.band = band
        self._stretches: list[_Stretch] = []
        parts = stretches(profile)
        duration = profile[-1][0]
        for index, (t0, t1, x0, x1) in enumerate(parts):
            if x0 == x1 and t1 - t0 >= SHORTEST_HOLD:
                rows = self._rows(t0, t1)
                quiet = self._rows(max(t0, t1 - QUIET_SHARE * (t1 - t0) + 1e-12), t1)
                self._stretches.append(_Stretch(t0, t1, x0, x1, rows, quiet, {}, {}, {}, LEVELS))
            elif x0 != x1:
                following = parts[index + 1] if index + 1 < len(parts) else (t1, duration, x1, x1)
                until = following[1] if following[2] == following[3] else t1
                self._stretches.append(self._change(schedule, profile, (t0, t1, x0, x1), until, planned))

    def _rows(self, start: float, end: float) -> slice:
        first, last = np.searchsorted(self.time, [start - 1e-12, end + 1e-12], side="left")
        return slice(int(first), int(last))

    def _change(
        self,
        schedule: Schedule,
        profile: Sequence[tuple[float, float]],
        stretch: tuple[float, float, float, float],
        until: float,
        planned: Mapping[LegName, FloatArray] | None,
    ) -> _Stretch:
        t0, t1, x0, x1 = stretch
        rows = self._rows(t0, until)
        time = self.time[rows]
        settings = throttle_at(profile, time)
        ends = {name: schedule.angle_at(name, np.array([x0, x1])) for name in LEGS}
        # Nearer to the ends than this, hold band and sticking decide, not the servo's speed.
        nearest = NEAREST / min(abs(float(e[1] - e[0])) or math.inf for e in ends.values())
        levels = LEVELS[(nearest <= LEVELS) & (1.0 - nearest >= LEVELS)]
        if levels.size == 0:
            levels = np.array([0.5])
        angle = {name: e[0] + levels * (e[1] - e[0]) for name, e in ends.items()}
        rising = {name: bool(e[1] > e[0]) for name, e in ends.items()}
        wanted = {}
        for name in LEGS:
            course = planned[name][rows] if planned is not None else schedule.angle_at(name, settings)
            wanted[name] = crossings(time, course, angle[name], rising[name])
        return _Stretch(t0, t1, x0, x1, rows, rows, angle, rising, wanted, levels)

    @property
    def settings(self) -> tuple[float, ...]:
        """Throttle of each hold, in order [-]."""
        return tuple(s.before for s in self._stretches if not s.moves)

    def holds(self, course: Course, gains: Sequence[Mapping[LegName, float]]) -> tuple[Hold, ...]:
        """The holds; ``gains`` the relative flow per angle [1/rad] of each leg at each of ``settings``."""
        still = [s for s in self._stretches if not s.moves]
        return tuple(self._hold(s, course, g) for s, g in zip(still, gains, strict=True))

    def _hold(self, s: _Stretch, course: Course, gains: Mapping[LegName, float]) -> Hold:
        outside = np.nonzero(np.abs(course.ratio_error[s.rows]) > self.band)[0]
        looks = s.rows.stop - s.rows.start
        if outside.size == 0:
            settling = 0.0
        elif outside[-1] == looks - 1 or self.time[s.rows.start + outside[-1]] >= s.end - 1e-9:
            settling = math.inf
        else:
            settling = float(self.time[s.rows.start + outside[-1] + 1]) - s.start
        hunting = {name: float(np.ptp(course.ball[name][s.quiet])) for name in LEGS}
        return Hold(
            start=s.start,
            end=s.end,
            throttle=s.before,
            ratio_error=float(np.mean(course.ratio_error[s.quiet])),
            settling=settling,
            hunting=hunting,
            hunting_flow={name: hunting[name] * gains[name] for name in LEGS},
        )

    def changes(self, course: Course) -> tuple[Change, ...]:
        """The changes."""
        return tuple(self._read(s, course) for s in self._stretches if s.moves)

    def _read(self, s: _Stretch, course: Course) -> Change:
        """Lags at the level where they differ most, not at the middle alone: with speed fed forward the lag has gone by then,
        and the mixture ratio has paid already."""
        error = course.ratio_error[s.rows]
        at = int(np.argmax(np.abs(error)))
        time = self.time[s.rows]
        lags = np.array(
            [
                crossings(time, course.ball[n][s.rows] - course.offset.get(n, 0.0), s.angle[n], s.rising[n])
                - s.wanted[n]
                for n in LEGS
            ]
        )
        differ = np.abs(lags[0] - lags[1])
        j = int(np.argmax(np.where(np.isnan(differ), np.inf, differ)))
        return Change(
            start=s.start,
            end=s.end,
            before=s.before,
            after=s.after,
            peak_error=float(error[at]),
            peak_time=float(time[at]),
            lag={name: float(lags[k, j]) for k, name in enumerate(LEGS)},
            level=float(s.levels[j]),
        )
