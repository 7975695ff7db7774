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
class Courses:
    """What runs side by side are read from; arrays of shape (runs, n) over the reader's times."""

    ratio_error: FloatArray
    """Relative error of O/F [-]."""
    ball: Mapping[LegName, FloatArray]
    """Ball angles [rad]."""
    offset: Mapping[LegName, FloatArray]
    """How far each stem stands beyond the angle that its encoder reads [rad], shape (runs,); no lag."""


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
    """First times [s] at which ``values`` of shape (n,) or (runs, n) pass each of ``levels``, straight between looks; NaN: never.
    Shape (levels,) or (runs, levels).

    The first look counts when it is beyond the level already.
    """
    sign = 1.0 if rising else -1.0
    furthest = np.maximum.accumulate(sign * values, axis=-1)
    if values.ndim == 1:
        first = np.searchsorted(furthest, sign * levels, side="left")
    else:
        first = np.array([np.searchsorted(row, sign * levels, side="left") for row in furthest])
    at = np.minimum(np.maximum(first, 1), time.size - 1)
    low, high = np.take_along_axis(values, at - 1, axis=-1), np.take_along_axis(values, at, axis=-1)
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

    def holds(self, courses: Courses, gains: Sequence[Sequence[Mapping[LegName, float]]]) -> list[tuple[Hold, ...]]:
        """The holds of each run; ``gains`` for each run the relative flow per angle [1/rad] of each leg at each of
        ``settings``."""
        still = [s for s in self._stretches if not s.moves]
        each = [self._hold(s, courses, [own[i] for own in gains]) for i, s in enumerate(still)]
        return [tuple(hold[run] for hold in each) for run in range(len(courses.ratio_error))]

    def _hold(self, s: _Stretch, courses: Courses, gains: Sequence[Mapping[LegName, float]]) -> list[Hold]:
        error = courses.ratio_error[:, s.rows]
        looks = s.rows.stop - s.rows.start
        outside = np.abs(error) > self.band
        last = np.where(outside.any(axis=1), looks - 1 - np.argmax(outside[:, ::-1], axis=1), -1)
        mean = np.mean(courses.ratio_error[:, s.quiet], axis=1)
        hunting = {name: np.ptp(courses.ball[name][:, s.quiet], axis=1) for name in LEGS}
        out: list[Hold] = []
        for run, gain in enumerate(gains):
            at = int(last[run])
            if at < 0:
                settling = 0.0
            elif at == looks - 1 or self.time[s.rows.start + at] >= s.end - 1e-9:
                settling = math.inf
            else:
                settling = float(self.time[s.rows.start + at + 1]) - s.start
            own = {name: float(hunting[name][run]) for name in LEGS}
            out.append(
                Hold(
                    start=s.start,
                    end=s.end,
                    throttle=s.before,
                    ratio_error=float(mean[run]),
                    settling=settling,
                    hunting=own,
                    hunting_flow={name: own[name] * gain[name] for name in LEGS},
                )
            )
        return out

    def changes(self, courses: Courses) -> list[tuple[Change, ...]]:
        """The changes of each run."""
        each = [self._read(s, courses) for s in self._stretches if s.moves]
        return [tuple(change[run] for change in each) for run in range(len(courses.ratio_error))]

    def _read(self, s: _Stretch, courses: Courses) -> list[Change]:
        """Lags at the level where they differ most, not at the middle alone: with speed fed forward the lag has gone by then,
        and the mixture ratio has paid already."""
        error = courses.ratio_error[:, s.rows]
        peak = np.argmax(np.abs(error), axis=1)
        time = self.time[s.rows]
        lags = []
        for n in LEGS:
            shown = courses.ball[n][:, s.rows] - courses.offset[n][:, None]
            lags.append(crossings(time, shown, s.angle[n], s.rising[n]) - s.wanted[n])
        differ = np.abs(lags[0] - lags[1])
        level = np.argmax(np.where(np.isnan(differ), np.inf, differ), axis=1)
        return [
            Change(
                start=s.start,
                end=s.end,
                before=s.before,
                after=s.after,
                peak_error=float(error[run, at]),
                peak_time=float(time[at]),
                lag={name: float(lags[k][run, j]) for k, name in enumerate(LEGS)},
                level=float(s.levels[j]),
            )
            for run, (at, j) in enumerate(zip(peak, level, strict=True))
        ]
