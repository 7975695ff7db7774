"""Search for the choice that meets all requirements most often; knows numbers between 0 and 1 and margins, no engines.

Two problems over the same free quantities. Nominal: the largest worst margin of the engine without dispersions. Robust: first
the most drawn engines that meet everything, then (open tie-break, where that is equal) the most that meet what the free
quantities move at all, then the 5 % quantile of the worst margin of those. Constraints that no dispersion judges must hold.

Common random numbers: every choice sees the same draws, so that two choices differ by what they do and not by luck. Both
problems are searched by differential evolution (SciPy; Storn and Price, J. Global Optimization 11 (1997) 341-359), the robust
one raced: a choice that is behind after its first draws gets no more (McNemar's test against the last of the crowd on the same
draws), and only the best go on to larger numbers of draws. A margin is the distance to a limit over the limit, positive when
met; not finite upwards counts as no limit.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from valvectl.errors import RangeError
from valvectl.parts.lookup import FloatArray
from valvectl.parts.paired import mcnemar_exact

QUANTILE = 0.05
"""Quantile of the worst margin that breaks ties [-]."""
MOVES = 0.01
"""A margin that differs by less than this between the first choices counts as not moved by what is free [-]."""
CAP = 1e3
LUCK = 0.1
"""A choice is dropped when it is behind the last of the crowd and the chance of such luck is less than this [-]."""
RUNS_OF_A_CHOICE = 32
"""Engines that take about as long as judging one choice without dispersions; for the progress."""
Progress = Callable[[str, int, int], None]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Ordinary:
    """One choice without dispersions."""

    margins: FloatArray
    """Of everything judged on that engine, shape (r,); -inf: not assessed."""
    shortfall: float
    """Sum of what the constraints lack [-]; zero: all kept; infinite: no valid design."""


class Evaluator(Protocol):
    """What judges choices, several at once so that it can share the work out. Answers depend on the choice alone."""

    def key(self, place: FloatArray) -> Any:
        """What the choice is; two places with one key are the same choice."""

    def ordinary(self, places: Sequence[FloatArray]) -> list[Ordinary]:
        """Each choice without dispersions."""

    def drawn(self, places: Sequence[FloatArray], first: int, count: int) -> list[FloatArray]:
        """Margins of the drawn engines ``first`` to ``first + count`` of each choice, shape (count, q)."""


@dataclass(frozen=True)
class Effort:
    """How much is tried."""

    trials: int = 120
    """Choices tried in each of the two searches, at most."""
    first: int = 32
    """Draws after which a choice may be dropped."""
    search: int = 64
    """Draws of a choice in the search."""
    race: int = 256
    """Draws of those that go on."""
    final: int = 1024
    """Draws of the last few."""
    going_on: tuple[int, int] = (8, 3)
    """How many go on to ``race`` and to ``final``."""

    def __post_init__(self) -> None:
        if not 1 <= self.first <= self.search <= self.race <= self.final:
            raise RangeError("numbers of draws must rise from stage to stage")
        if self.trials < 8:
            raise RangeError(f"at least 8 choices must be tried (got {self.trials})")


@dataclass(frozen=True)
class Score:
    """How often a choice meets its requirements."""

    runs: int
    held: int
    """Runs that meet all."""
    held_moved: int
    """Runs that meet what the free quantities move."""
    quantile: float
    """5 % quantile of the worst margin of those [-]."""

    @property
    def order(self) -> tuple[float, float, float]:
        """The larger the better; compare choices of as many runs only."""
        return self.held / self.runs, self.held_moved / self.runs, self.quantile


def score(margins: FloatArray, moving: Bools) -> Score:
    """Score of a choice from its drawn margins, shape (n, q); ``moving``: which of the q the free quantities move."""
    good = margins >= 0.0
    moved = margins[:, moving] if moving.any() else margins
    worst = np.sort(np.clip(np.where(np.isnan(moved), -CAP, moved), -CAP, CAP).min(axis=1))
    return Score(
        len(margins),
        int(good.all(axis=1).sum()),
        int((moved >= 0.0).all(axis=1).sum()),
        float(worst[int(QUANTILE * (len(worst) - 1))]),
    )


def as_number(s: Score) -> float:
    """The order of scores of as many runs as one number: whole part the runs held, the rest decides ties."""
    share = 0.5 + math.atan(4.0 * s.quantile) / math.pi
    return s.held + (s.held_moved + min(max(share, 0.0), 1.0 - 1e-9)) / (s.runs + 1)


def worst_of(margins: FloatArray, moving: Bools) -> float:
    """Worst of the margins that move, or of all where none does [-]."""
    used = margins[moving] if moving.any() else margins
    return float(np.clip(np.where(np.isnan(used), -CAP, used), -CAP, CAP).min())


def moved_by(rows: Sequence[FloatArray]) -> Bools:
    """Which entries differ among several arrays of one shape (..., q)."""
    stack = np.clip(np.nan_to_num(np.stack(rows), nan=-CAP, posinf=CAP, neginf=-CAP), -CAP, CAP)
    flat = stack.reshape(len(rows), -1, stack.shape[-1])
    return np.asarray((np.ptp(flat, axis=0) > MOVES).any(axis=0))


def _behind(margins: FloatArray, bar: FloatArray) -> bool:
    """True when a choice meets all less often than another on the same draws, and that is hardly luck."""
    mine, other = (margins >= 0.0).all(axis=1), (bar >= 0.0).all(axis=1)
    lost, won = int((other & ~mine).sum()), int((mine & ~other).sum())
    return won < lost and mcnemar_exact(lost, won) < LUCK


@dataclass
class Search:
    """Both searches over one evaluator, with what they have found out so far."""

    evaluator: Evaluator
    start: FloatArray
    """Place of the present design, shape (d,)."""
    effort: Effort
    seed: int = 1
    progress: Progress | None = None
    nominal_moving: Bools | None = None
    """Which of the ordinary margins the free quantities move; known after the nominal search."""
    drawn_moving: Bools | None = None
    """Which of the drawn ones; known after the robust search."""
    tried: int = 0
    """Different choices tried."""
    dropped: int = 0
    """Choices dropped after their first draws."""
    runs: int = 0
    """Engines run."""
    _ordinary: dict[Any, Ordinary] = field(default_factory=dict)
    _drawn: dict[Any, FloatArray] = field(default_factory=dict)
    _places: dict[Any, FloatArray] = field(default_factory=dict)
    _begun: float = field(default_factory=time.monotonic)
    _done: float = 0.0
    _planned: float = 1.0

    # ---------------------------------------------------------------------------------------------- what is known

    def ordinary(self, places: Sequence[FloatArray]) -> list[Ordinary]:
        """Choices without dispersions, each worked out once."""
        keys = [self.evaluator.key(p) for p in places]
        todo = {k: p for k, p in zip(keys, places, strict=True) if k not in self._ordinary}
        self._places.update(todo)
        self._ordinary.update(zip(todo, self.evaluator.ordinary(list(todo.values())), strict=True))
        return [self._ordinary[k] for k in keys]

    def drawn(self, places: Sequence[FloatArray], count: int) -> list[FloatArray]:
        """The first ``count`` draws of choices, each engine run once."""
        keys = [self.evaluator.key(p) for p in places]
        by_have: dict[int, dict[Any, FloatArray]] = {}
        for k, p in zip(keys, places, strict=True):
            have = len(self._drawn.get(k, ()))
            if have < count:
                by_have.setdefault(have, {})[k] = p
        for have, todo in sorted(by_have.items()):
            found = self.evaluator.drawn(list(todo.values()), have, count - have)
            self.runs += sum(len(rows) for rows in found)
            for k, rows in zip(todo, found, strict=True):
                self._drawn[k] = np.concatenate([self._drawn[k], rows]) if have else rows
        return [self._drawn[k][:count] for k in keys]

    def _tell(self, stage: str) -> None:
        self._done = len(self._ordinary) + self.runs / RUNS_OF_A_CHOICE
        if self.progress is None:
            return
        spent = time.monotonic() - self._begun
        left = spent / max(self._done, 1e-9) * max(self._planned - self._done, 0.0)
        words = f"{left:.0f} s" if left < 90.0 else f"{left / 60.0:.0f} min"
        self.progress(f"{stage}, {words} left", int(1000 * self._done), int(1000 * max(self._planned, self._done)))

    def plan(self, runs: int) -> None:
        """How much work there is in all, for the progress; ``runs``: engines run after the search."""
        e = self.effort
        raced = sum(n * r for n, r in zip(e.going_on, (e.race, e.final), strict=True))
        self._planned = 2 * e.trials + (e.trials * e.search + raced + runs) / RUNS_OF_A_CHOICE

    # ---------------------------------------------------------------------------------------------- the searches

    def _population(self, seeds: Sequence[FloatArray]) -> FloatArray:
        """Places to begin with: those given, some near the first, most spread evenly so that the crowd does not close in."""
        from scipy.stats import qmc

        d = self.start.size
        size = min(max(12, 2 * d), max(8, self.effort.trials // 4))
        near = max(2, size // 4)
        cloud = np.asarray(qmc.Sobol(d, scramble=True, rng=self.seed).random_base2(max(3, math.ceil(math.log2(size)))))
        out = [np.asarray(s, dtype=float) for s in seeds][: size - 2]
        for k in range(near):
            if len(out) < size:
                out.append(np.clip(out[0] + 0.3 * (cloud[k] - 0.5), 0.0, 1.0))
        out.extend(cloud[k] for k in range(size - len(out)))
        return np.array(out)

    def _evolve(
        self, worth: Callable[[list[FloatArray]], list[float]], seeds: Sequence[FloatArray], stage: str
    ) -> None:
        from scipy.optimize import differential_evolution

        first = self._population(seeds)
        size = len(first)
        rounds = max(1, self.effort.trials // size)

        def cost(x: FloatArray) -> FloatArray:
            places = [np.clip(column, 0.0, 1.0) for column in np.atleast_2d(x.T)]
            found = np.array([-w for w in worth(places)])
            self._tell(stage)
            return found

        differential_evolution(
            cost, [(0.0, 1.0)] * self.start.size, init=first, maxiter=rounds - 1, strategy="best1bin", mutation=(0.4, 0.9),
            recombination=0.8, tol=0.0, atol=0.0, polish=False, rng=self.seed, vectorized=True, updating="deferred",
        )  # fmt: skip

    def nominal_optimum(self) -> FloatArray:
        """Place of the largest worst margin without dispersions, of what the free quantities move."""

        def worth(places: list[FloatArray]) -> list[float]:
            found = self.ordinary(places)
            if self.nominal_moving is None:
                self.nominal_moving = moved_by([o.margins for o in found])
            return [worst_of(o.margins, self.nominal_moving) for o in found]

        self._evolve(worth, [self.start], "nominal optimum")
        moving = self.nominal_moving
        assert moving is not None
        self.tried = len(self._ordinary)
        best = max(self._places, key=lambda k: worst_of(self._ordinary[k].margins, moving))
        return self._places[best]

    def robust_optimum(self, nominal: FloatArray) -> FloatArray:
        """Place of the best score; ``nominal`` is where the nominal search ended. Raises ``RangeError`` when no choice tried
        keeps the constraints."""
        effort = self.effort
        best_of_all: dict[Any, float] = {}
        crowd = len(self._population([self.start]))

        def worth(places: list[FloatArray]) -> list[float]:
            lacking = [o.shortfall for o in self.ordinary(places)]
            unique = {self.evaluator.key(p): p for p, x in zip(places, lacking, strict=True) if x <= 0.0}
            begun = self.drawn(list(unique.values()), effort.first)
            if self.drawn_moving is None and len(begun) > 1:
                self.drawn_moving = moved_by(begun)
            moving = self._moving(begun)
            ranked = sorted(best_of_all, key=lambda k: best_of_all[k], reverse=True)
            bar = self._drawn[ranked[crowd - 1]][: effort.first] if len(ranked) >= crowd else None
            early = {k: score(m, moving) for k, m in zip(unique, begun, strict=True)}
            going = {
                k: p for (k, p), m in zip(unique.items(), begun, strict=True) if bar is None or not _behind(m, bar)
            }
            full = dict(zip(going, self.drawn(list(going.values()), effort.search), strict=True))
            out: dict[Any, float] = {}
            for k in unique:
                if k in full:
                    out[k] = as_number(score(full[k], moving))
                else:
                    self.dropped += 1
                    out[k] = early[k].held / early[k].runs * effort.search
            best_of_all.update({k: out[k] for k in full})
            return [
                out[self.evaluator.key(p)] if x <= 0.0 else -min(x, CAP) for p, x in zip(places, lacking, strict=True)
            ]

        self._evolve(worth, [self.start, nominal, *self._best_ordinary(1)], "robust optimum")
        self.tried = len(self._ordinary)
        return self._race()

    def _moving(self, rows: Sequence[FloatArray]) -> Bools:
        if self.drawn_moving is not None:
            return self.drawn_moving
        return np.ones(rows[0].shape[-1] if rows else 1, dtype=bool)

    def _best_ordinary(self, count: int) -> list[FloatArray]:
        """Choices of the nominal search that keep the constraints, best first."""
        moving = self.nominal_moving
        if moving is None:
            return []
        kept = [k for k, o in self._ordinary.items() if o.shortfall <= 0.0]
        kept.sort(key=lambda k: -worst_of(self._ordinary[k].margins, moving))
        return [self._places[k] for k in kept[:count]]

    def _race(self) -> FloatArray:
        """The best of all tried, over more and more draws."""
        effort = self.effort
        known = [k for k, rows in self._drawn.items() if len(rows) >= effort.search]
        if not known:
            raise RangeError(
                "no choice tried keeps all constraints; the constraints that fail are those of check: widen the bounds, free "
                "other quantities, or try more"
            )
        moving = self._moving([self._drawn[k] for k in known])
        self.drawn_moving = moving
        runs = effort.search
        for more, keep in ((effort.race, effort.going_on[0]), (effort.final, effort.going_on[1])):
            ranked = sorted(known, key=lambda k: as_number(score(self._drawn[k][:runs], moving)), reverse=True)
            known = ranked[:keep]
            self.drawn([self._places[k] for k in known], more)
            self._tell("race of the best")
            runs = more
        best = max(known, key=lambda k: as_number(score(self._drawn[k][:runs], moving)))
        return self._places[best]
