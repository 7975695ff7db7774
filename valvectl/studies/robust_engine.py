"""Choices of a design judged on engines: the ordinary rows and loops over their corners, and drawn engines.

Work is shared over processes choice by choice; an answer depends on choice and run numbers alone, so that results are the same
whatever the number of processes. All choices see the same draws (``studies.draws``: a draw belongs to its run number).
"""

from __future__ import annotations

import contextlib
import functools
import math
import pickle
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Any, cast

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS
from valvectl.errors import ValvectlError
from valvectl.parts.cache import memory_only
from valvectl.parts.lookup import FloatArray
from valvectl.servo.optimise import Problem
from valvectl.servo.sampled import BreakPoint
from valvectl.servo.small import one_thread
from valvectl.studies.analysis import Analysis
from valvectl.studies.drawn_run import Plan, Quantity, Workshop
from valvectl.studies.draws import Drawn
from valvectl.studies.robust_free import Knobs
from valvectl.studies.robust_search import Ordinary
from valvectl.studies.throttle import ThrottleResult
from valvectl.studies.tuning import WINDOW, corners_of, limits_of

Judge = Callable[[Analysis, bool], dict[str, float]]
"""Margins of the ordinary rows by name; the flag: only what actuator and controller move."""
Changes = tuple[tuple[str, Any], ...]
CORNER_LOOPS: tuple[BreakPoint, ...] = ("speed", "position")
CORNER_ROWS = ("gain margin", "phase margin", "peak sensitivity")
"""What these loops must keep at every corner of their tolerances (``studies.tuning``); the current loop's gains are not free."""


@dataclass(frozen=True)
class Task:
    """What all choices share; travels to other processes."""

    design: DesignFile
    seed: int
    runs: int
    """Largest number of draws."""
    servo_only: bool
    judge: Judge


def margin_of(quantity: Quantity, values: FloatArray, limit: float) -> FloatArray:
    """Distance to the limit over the limit [-], positive when met; -inf without a value."""
    distance = limit - values if quantity.operator == "<=" else values - limit
    return np.asarray(np.where(np.isnan(values), -math.inf, distance / abs(limit)))


class _NoLanes:
    """Takes no engine."""

    def takes(self, drawn: Drawn) -> bool:
        return False


class _Undispersed(Workshop):
    """Judges the engine as designed; its run is the one that the ordinary rows have simulated already."""

    side_by_side = cast(Any, _NoLanes())

    def run(self, drawn: Drawn, number: int = 0) -> ThrottleResult:
        return self.analysis.throttle


class Bench:
    """Judges choices in this process."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self.base = Analysis(task.design)
        self.shop = Workshop(self._plan(task.design))
        self.quantities = [q for q in self.shop.judged() if q.has_limit]
        self.limits = [self.shop.limit(q) for q in self.quantities]
        self._columns = [self.shop.columns().index(q.name) for q in self.quantities]
        self._kept: dict[Changes, DesignFile | None] = {}
        self._shops: dict[tuple[Changes, int | None], Workshop] = {}

    def _plan(self, design: DesignFile, seed: int | None = None) -> Plan:
        return Plan(design, "random", self.task.seed if seed is None else seed, self.task.runs, True)

    def design(self, changes: Changes) -> DesignFile | None:
        """The design with a choice's values; None where they make no valid one."""
        if changes not in self._kept:
            try:
                self._kept[changes] = self.task.design.with_values(dict(changes)) if changes else self.task.design
            except ValvectlError:
                self._kept[changes] = None
        return self._kept[changes]

    def rows(self, changes: Changes) -> dict[str, float] | None:
        """Margins [-] without dispersions, by name: the ordinary rows, the loops at their corners (names begin with
        ``corner``), the drawn quantities of the undispersed engine (``nominal``). None: no valid design."""
        design = self.design(changes)
        if design is None:
            return None
        analysis = Analysis(design)
        self._share(analysis)
        try:
            with memory_only():
                out = one_thread(self.task.judge)(analysis, self.task.servo_only)
                out |= self._corners(analysis)
                shop = _Undispersed(self._plan(design))
                shop.analysis = analysis
                row = shop.rows(0, np.zeros((1, len(shop.table))))[0]
        except ValvectlError:
            return None
        for q, limit, at in zip(self.quantities, self.limits, self._columns, strict=True):
            out[f"nominal {q.name}"] = float(margin_of(q, np.array([row[at]]), limit)[0])
        return out

    @one_thread
    def _corners(self, analysis: Analysis) -> dict[str, float]:
        """Least reserve of every loop's margins over the corners of its tolerances [-]."""
        out: dict[str, float] = {}
        for name in LEGS:
            if analysis.design.leg(name).controller.structure != "cascade":
                continue
            corners, _ = corners_of(analysis.design, analysis.machine, name)
            limits = limits_of(analysis.design, name, analysis.machine)
            speed = analysis.machine.legs[name].servo.speed_limit
            problem = Problem(corners, limits, speed, WINDOW)
            for loop in CORNER_LOOPS:
                short = problem.shortfalls(analysis.gains[name], loop)
                for row, value in zip(CORNER_ROWS, short, strict=False):  # disk and delay margin are no requirements
                    out[f"corner {row} {loop} {name}"] = -value
        return out

    def _shop(self, changes: Changes, design: DesignFile, seed: int | None) -> Workshop:
        """The workshop of a choice; the last few are kept."""
        key = changes, seed
        if key not in self._shops:
            while len(self._shops) >= KEPT:
                self._shops.pop(next(iter(self._shops)))
            self._shops[key] = Workshop(self._plan(design, seed))
            self._share(self._shops[key].analysis)
        return self._shops[key]

    def _share(self, analysis: Analysis) -> None:
        """Lend a choice the feed's spread of the present design (a cached property), which actuator and controller hardly
        move: it only sets the band for settling."""
        if self.task.servo_only:
            analysis.__dict__["spread"] = self.base.spread

    def drawn(self, changes: Changes, first: int, count: int, seed: int | None = None) -> FloatArray:
        """Margins [-] of drawn engines, shape (count, q); -inf all through where the choice makes no valid design."""
        design = self.design(changes)
        if design is None:
            return np.full((count, len(self.quantities)), -math.inf)
        with memory_only():
            shop = self._shop(changes, design, seed)
            rows = shop.rows(first, shop.unit(first, count))
        found = [
            margin_of(q, rows[:, at], limit)
            for q, limit, at in zip(self.quantities, self.limits, self._columns, strict=True)
        ]
        return np.stack(found, axis=1)


@functools.lru_cache(maxsize=1)
def _bench(packed: bytes) -> Bench:
    return Bench(pickle.loads(packed))


_PACKED: bytes = b""


def _begin(packed: bytes) -> None:
    global _PACKED
    _PACKED = packed


def _rows(changes: Changes) -> dict[str, float] | None:
    return _bench(_PACKED).rows(changes)


def _drawn(changes: Changes, first: int, count: int, seed: int | None) -> FloatArray:
    return _bench(_PACKED).drawn(changes, first, count, seed)


class Engines:
    """The evaluator for ``robust_search``: choices of ``knobs`` on engines."""

    def __init__(self, task: Task, knobs: Knobs, pool: ProcessPoolExecutor | None = None) -> None:
        self.task, self.knobs, self.pool = task, knobs, pool
        self.bench = Bench(task)
        present = self.bench.rows(())
        if present is None:
            raise ValvectlError(
                "the design as it is can not be judged: its simulation does not end; valvectl check says why"
            )
        self.present = present
        self.names = tuple(n for n in present if not n.startswith("corner"))
        """Of the margins without dispersions."""

    # ------------------------------------------------------------------------------------------------ evaluator

    def key(self, place: FloatArray) -> Changes:
        """What a place writes into the design; nothing where it is the design as it is."""
        values = self.knobs.values(place)
        return () if self.knobs.is_present(values) else tuple(sorted(self.knobs.changes(values).items()))

    def ordinary(self, places: Sequence[FloatArray]) -> list[Ordinary]:
        """Choices without dispersions."""
        return [self.judged(rows) for rows in self.rows([self.key(p) for p in places])]

    def drawn(self, places: Sequence[FloatArray], first: int, count: int) -> list[FloatArray]:
        """Drawn engines ``first`` to ``first + count`` of choices, each of shape (count, q)."""
        return self.runs([self.key(p) for p in places], first, count)

    # ------------------------------------------------------------------------------------------------ by changes

    def rows(self, choices: Sequence[Changes]) -> list[dict[str, float] | None]:
        """Margins without dispersions by name; None: no valid design."""
        if self.pool is not None and len(choices) > 1:
            return list(self.pool.map(_rows, choices))
        return [self.bench.rows(c) for c in choices]

    def runs(self, choices: Sequence[Changes], first: int, count: int, seed: int | None = None) -> list[FloatArray]:
        """Margins of drawn engines, each of shape (count, q). ``seed``: other draws than those of the search."""
        if self.pool is None:
            return [self.bench.drawn(c, first, count, seed) for c in choices]
        parts = [(c, at, min(PART, first + count - at)) for c in choices for at in range(first, first + count, PART)]
        changes, starts, counts = zip(*parts, strict=True) if parts else ((), (), ())
        found = list(self.pool.map(_drawn, changes, starts, counts, [seed] * len(parts)))
        each = len(parts) // max(len(choices), 1)
        return [np.concatenate(found[k * each : (k + 1) * each]) for k in range(len(choices))]

    def judged(self, rows: dict[str, float] | None) -> Ordinary:
        """Margins in the order of ``names``, and what the constraints lack."""
        if rows is None:
            return Ordinary(np.full(len(self.names), -math.inf), math.inf)
        return Ordinary(np.array([rows.get(n, -math.inf) for n in self.names]), sum(x for _, x in self.lacking(rows)))

    @staticmethod
    def missed(rows: dict[str, float]) -> list[str]:
        """Constraints that a choice misses or that could not be assessed, whatever the present design does."""
        return [n for n, margin in rows.items() if not n.startswith("nominal ") and not margin >= 0.0]

    def lacking(self, rows: dict[str, float]) -> list[tuple[str, float]]:
        """Constraints that a choice does not keep, and by how much [-]. What the present design misses already counts when it
        gets worse."""
        out = []
        for name, before in self.present.items():
            if name.startswith("nominal ") or not before > -math.inf:
                continue
            found = rows.get(name, -math.inf)
            short = min(0.0, before) - (-math.inf if math.isnan(found) else found)
            if short > 1e-9:
                out.append((name, min(short, 100.0)))
        return out


KEPT = 12
"""Workshops of choices kept in a process."""
PART = 64
"""Drawn engines that one process takes at a time: two blocks of the simulator in lanes."""


@contextlib.contextmanager
def engines(task: Task, knobs: Knobs, jobs: int) -> Iterator[Engines]:
    """The evaluator with its processes, which end with the block."""
    if jobs < 2:
        yield Engines(task, knobs)
        return
    import multiprocessing

    pool = ProcessPoolExecutor(
        jobs, mp_context=multiprocessing.get_context("spawn"), initializer=_begin, initargs=(pickle.dumps(task),)
    )
    try:
        yield Engines(task, knobs, pool)
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
