"""Drawn engines flown through the throttle profile side by side, in the simulator in lanes, and read off."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.parts.lookup import FloatArray
from valvectl.plant import lane_layout as lx
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.balance_many import balances
from valvectl.plant.command import is_planned
from valvectl.plant.lane_pack import like
from valvectl.plant.lane_result import Reductions
from valvectl.plant.lane_support import unsupported
from valvectl.plant.lanes import CONTACT_SHARE, lane_grid, outputs_kept, simulate_lanes
from valvectl.plant.linear import leg_slopes
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import commands
from valvectl.plant.time_grid import Grid, feed_every, longest_feed_step, run_steps
from valvectl.studies.analysis import Analysis
from valvectl.studies.draws import Drawn, Variable
from valvectl.studies.profile_reading import Change, Courses, Hold, Reader

STIFFER = 1.25
"""A drawn engine's stem may vibrate on its gears faster than that of the design by this factor at the step of the design's;
beyond, it is run by itself at a step of its own."""
FASTER = 1.25
"""Likewise, what lags and swings in a drawn engine's feed legs and chamber may be faster by this factor than
``longest_feed_step`` wants it."""


@dataclass(frozen=True)
class Read:
    """What is read off a simulated run."""

    holds: tuple[Hold, ...]
    changes: tuple[Change, ...]
    lowest_bus: float
    """Lowest voltage at a drive [V]."""
    peak_current: float
    """Largest motor current [A]."""


@dataclass(frozen=True)
class Flown:
    """What the engines of a block did that stayed finite."""

    which: list[int]
    """Their numbers among the flights."""
    courses: Courses
    lowest_bus: FloatArray
    """[V], shape (runs,)."""
    peak_current: FloatArray
    """[A], shape (runs,)."""


@dataclass(frozen=True)
class Flight:
    """An engine ready to fly."""

    drawn: Drawn
    start: OperatingPoint
    """Where it begins."""
    points: dict[float, OperatingPoint]
    """Steady point at each setting held."""


class SideBySide:
    """The engines of a campaign in lanes: which can be, and their runs.

    Whether an engine runs in lanes, and its numbers, hang on the design and the engine alone, not on who runs beside it.
    """

    def __init__(self, analysis: Analysis, table: Sequence[Variable]) -> None:
        self.machine: Machine = analysis.machine
        self.gains = analysis.gains
        self.schedule = analysis.schedule
        self.profile = analysis.profile
        self.settings = analysis.settings
        self.duration = self.profile[-1][0]
        self.delays_alike = not any(".controller." in v.key for v in table)
        self.why_not = unsupported(self.machine, self.gains)
        """Why no engine of this design runs in lanes, by key; empty when they do."""
        if self.why_not:
            return
        self.command = commands(self.machine, self.schedule, self.profile, self.duration)
        self._orders = _orders(self.machine)
        grid = lane_grid(self.machine)
        steps, every = run_steps(self.duration, self.machine.record, grid.step)
        self.grid: Grid = replace(grid, feed_every=feed_every(self.machine, grid.step, steps, every))
        time = grid.step * np.minimum(every * np.arange((steps - 1) // every + 2), steps)
        planned: dict[LegName, FloatArray] | None = None
        if is_planned(self.machine):
            planned = {n: _held(self.command[n], self.machine.legs[n].servo.position_period, time) for n in LEGS}
        self.reader = Reader(self.schedule, self.profile, analysis.band, time, planned)
        self._first = [float(self.command[n][0]) for n in LEGS]

    def takes(self, drawn: Drawn) -> bool:
        """Whether the lanes can run this engine."""
        if self.why_not:
            return False
        machine = drawn.machine
        if (
            like(machine, self.machine, not self.delays_alike)
            or unsupported(machine, self.gains)
            or _orders(machine) != self._orders
        ):
            return False
        h = self.grid.step
        if self.grid.feed_every > 1 and self.grid.feed_every * h > FASTER * longest_feed_step(machine):
            return False
        for name in LEGS:
            servo, base = machine.legs[name].servo, self.machine.legs[name].servo
            shake = h * (servo.spring / servo.load_inertia) ** 0.5
            own = h * (base.spring / base.load_inertia) ** 0.5
            if shake > max(CONTACT_SHARE, STIFFER * own) or machine.legs[name].delay < h:
                return False
            for loop in ("position", "speed", "current"):
                if getattr(servo, f"{loop}_delay") > (outputs_kept() - 2) * getattr(servo, f"{loop}_period"):
                    return False
        return True

    def flight(self, drawn: Drawn, points: Sequence[OperatingPoint] = ()) -> Flight:
        """An engine that ``takes`` accepts ready to fly; ``points`` its steady points at ``settings``, which ``run`` needs.

        Raises ``NoBalanceError`` when it has no steady point to begin from.
        """
        first = self._first[0] + drawn.offset["oxidizer"], self._first[1] + drawn.offset["fuel"]
        return Flight(drawn, balances(drawn.machine, [first])[0], dict(zip(self.settings, points, strict=False)))

    def run(self, flights: Sequence[Flight]) -> list[Read | None]:
        """The profile of each; None: stopped being finite."""
        out: list[Read | None] = [None for _ in flights]
        for flown in self.fly(flights):
            gains = []
            for number in flown.which:
                flight = flights[number]
                legs = flight.drawn.machine.legs
                slopes = {x: {n: leg_slopes(legs[n], p).angle_gain for n in LEGS} for x, p in flight.points.items()}
                gains.append([slopes[x] for x in self.reader.settings])
            read = zip(self.reader.holds(flown.courses, gains), self.reader.changes(flown.courses), strict=True)
            for i, (holds, changes) in enumerate(read):
                out[flown.which[i]] = Read(holds, changes, float(flown.lowest_bus[i]), float(flown.peak_current[i]))
        return out

    def fly(self, flights: Sequence[Flight]) -> Iterator[Flown]:
        """What they did, block by block, over the times of ``reader``."""
        for at in range(0, len(flights), lx.LANES):
            yield self._block(flights[at : at + lx.LANES], at)

    def _block(self, flights: Sequence[Flight], first: int) -> Flown:
        offsets = {f"{n}.command_offset": np.array([f.drawn.offset[n] for f in flights]) for n in LEGS}
        result = simulate_lanes(
            self.machine,
            self.gains,
            offsets,
            self.command,
            [f.start for f in flights],
            self.duration,
            Reductions(shown=range(len(flights)), brief=True),
            engines=[f.drawn.machine for f in flights],
            step=self.grid.step,
            feed_every=self.grid.feed_every,
            delays_alike=self.delays_alike,
            parts=1,
            threads=1,
        )
        lanes = np.nonzero(result.finite)[0]
        kept = result.kept if lanes.size == len(flights) else result.kept[lanes]
        balls = {"oxidizer": lx.HIST_OXIDIZER_BALL, "fuel": lx.HIST_FUEL_BALL}
        courses = Courses(
            kept[:, lx.HIST_ERROR],
            {n: kept[:, balls[n]] for n in LEGS},
            {n: offsets[f"{n}.command_offset"][lanes] for n in LEGS},
        )
        return Flown(
            [first + int(j) for j in lanes],
            courses,
            np.minimum(*(result.legs[n].lowest_voltage for n in LEGS))[lanes],
            np.maximum(*(result.legs[n].peak_current for n in LEGS))[lanes],
        )


def _orders(machine: Machine) -> tuple[Any, ...]:
    """All of a machine that the commands hang on, beside schedule and profile."""
    servos = [machine.legs[n].servo for n in LEGS]
    return (machine.rate_matched, *((s.position_period, s.command_step, s.speed_limit, s.shape) for s in servos))


def _held(command: FloatArray, period: float, time: FloatArray) -> FloatArray:
    """The command in force at each look."""
    return np.asarray(command[np.minimum(np.floor(time / period + 1e-9).astype(int), command.size - 1)])
