"""Error budget: what each contributor does to O/F and thrust at each held throttle, and to O/F while the throttle changes.

Sensitivities are central differences over one standard deviation: of the steady balance at the scheduled angles, so that the
coupling through chamber pressure is in, and of the simulated throttle profile for the largest error in each change. Independent
contributors add by squares (JCGM 100:2008, 5.1.2), those of one group with their correlation (5.2.2). Engines drawn from the same
tolerances and worked out without any linearisation show where that sum holds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.errors import ValvectlError
from valvectl.parts.cache import memory_only
from valvectl.parts.lookup import FloatArray
from valvectl.studies.campaign import bare
from valvectl.studies.drawn_run import Plan, Workshop
from valvectl.studies.draws import Drawn, Variable, combined, pearson
from valvectl.studies.result import Result
from valvectl.studies.throttle import ThrottleResult

AGREE = 0.10
"""Largest difference of the sum of squares and the deviation of drawn engines that counts as linear [-]."""
BENT = 0.1
"""Quadratic part of one contributor, over the root of the sum of squares, from which it is named [-]."""
FEWEST, CHANGE_SHARE = 50, 2
"""Fewest engines drawn; every so many of the steady ones is simulated for the changes too."""

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Contributor:
    """One input or place of a ball; changes are those of one standard deviation, signed."""

    key: str
    effect: str
    """systematic: the same in every run of an engine; random: anew in every run."""
    group: str
    """Correlation group; empty when on its own."""
    distribution: str
    bound: float
    """Half-width: SI, or relative where the tolerance is."""
    deviations: float
    """One standard deviation over the bound [-]."""
    ratio: FloatArray
    """Relative change of O/F at each setting [-], shape (n,)."""
    thrust: FloatArray
    """Relative change of thrust at each setting [-], shape (n,)."""
    change: FloatArray
    """Change of the largest O/F error in each change of the throttle [-], shape (k,)."""
    curvature: float
    """Largest quadratic part of the O/F change over the linear one's root of the sum of squares [-]."""
    share: FloatArray
    """Share of the variance of O/F at each setting, correlation counted half to each of two [-], shape (n,)."""
    halved: FloatArray
    """By how much the deviation of O/F falls at each setting when this contributor alone is halved [-], shape (n,)."""


@dataclass(frozen=True)
class Sums:
    """All contributors of one quantity together, each of shape (n,)."""

    rss: FloatArray
    """Standard deviation: root of the sum of squares, correlation in [-]."""
    systematic: FloatArray
    """Of it the systematic ones alone."""
    random: FloatArray
    """The random ones alone."""
    worst_case: FloatArray
    """All at their bounds and on the bad side, by the linear sensitivities [-]."""
    drawn: FloatArray
    """Standard deviation of the engines drawn [-]."""
    drawn_spread: float
    """Standard deviation of ``drawn`` itself, relative, from the number of engines [-]."""

    @property
    def agreement(self) -> FloatArray:
        """Root of the sum of squares over the deviation of the drawn engines, less one [-]."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(self.rss / self.drawn - 1.0)


@dataclass(frozen=True)
class BudgetResult(Result):
    """Answer of ``budget``."""

    throttle: FloatArray
    """Held settings [-], shape (n,)."""
    changes: tuple[str, ...]
    """The changes of the throttle, in words, shape (k,)."""
    nominal_change: FloatArray
    """Largest O/F error in each change without any tolerance [-], shape (k,)."""
    contributors: tuple[Contributor, ...]
    """Largest first, by their share of the O/F variance at the setting where that is largest."""
    ratio: Sums
    thrust: Sums
    change: Sums
    groups: dict[str, tuple[str, ...]]
    """Members of each correlation group."""
    engines: int
    """Engines drawn for the steady settings."""
    engines_run: int
    """Of them simulated for the changes."""
    left_out: tuple[str, ...]
    """Contributors that could not be worked out, with the reason."""
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]

    def columns(self) -> dict[str, Any]:
        c = self.contributors
        out: dict[str, Any] = {
            "input": [x.key for x in c],
            "effect": [x.effect for x in c],
            "group": [x.group for x in c],
        }
        for j, x in enumerate(self.throttle):
            out[f"O/F at {100 * x:.4g} % throttle, one deviation [%]"] = [100.0 * float(y.ratio[j]) for y in c]
            out[f"thrust at {100 * x:.4g} % throttle, one deviation [%]"] = [100.0 * float(y.thrust[j]) for y in c]
            out[f"O/F deviation saved by halving at {100 * x:.4g} % [%]"] = [100.0 * float(y.halved[j]) for y in c]
        for k, words in enumerate(self.changes):
            out[f"O/F error in change {words}, one deviation [%]"] = [100.0 * float(y.change[k]) for y in c]
        return out


def bounded(parts: FloatArray, table: Sequence[Variable]) -> FloatArray:
    """All at their bounds: groups that move as one keep their signs, everything else adds in magnitude. ``parts`` (d, n) at
    one deviation; shape (n,)."""
    at = parts / np.array([v.deviation for v in table])[:, None]
    total = np.zeros(parts.shape[1])
    tied: dict[str, FloatArray] = {}
    for v, row in zip(table, at, strict=True):
        if v.scatter.group and abs(v.scatter.correlation) == 1.0:
            tied[v.scatter.group] = tied.get(v.scatter.group, np.zeros_like(total)) + v.scatter.correlation * row
        else:
            total += np.abs(row)
    return np.asarray(total + sum((np.abs(row) for row in tied.values()), np.zeros_like(total)))


Reading = Callable[[FloatArray, str], list[FloatArray | ValvectlError]]
"""Engines at shares of their bounds, shape (n, d), to what is read from each, or why nothing is."""


class _Changes:
    """The largest O/F error in each change of the throttle, on the side of the nominal one."""

    def __init__(self, nominal: ThrottleResult) -> None:
        starts = [c.start for c in nominal.changes]
        ends = [*starts[1:], math.inf]
        self.windows = list(zip(starts, ends, strict=True))
        self.sides = [math.copysign(1.0, c.peak_error) for c in nominal.changes]
        self.words = tuple(f"{100 * c.before:.0f}-{100 * c.after:.0f} % at {c.start:.3g} s" for c in nominal.changes)
        self.nominal = self.read(nominal.time, nominal.ratio_error)

    def read(self, time: FloatArray, ratio_error: FloatArray) -> FloatArray:
        """That of a run, by change."""
        out = []
        for (start, end), side in zip(self.windows, self.sides, strict=True):
            here = ratio_error[(time >= start) & (time < end)]
            out.append(side * float(np.max(side * here)))
        return np.array(out)


def budget(design: DesignFile, runs: int = 400, seed: int = 1, progress: Progress | None = None) -> BudgetResult:
    """Error budget of a design; ``runs`` engines are drawn to hold the sum against.

    Raises ``ValvectlError`` without any tolerance, with too few engines, or where the nominal run fails.
    """
    if not FEWEST <= runs <= 100_000:
        raise ValvectlError(f"the budget draws {FEWEST} to 100000 engines (got {runs})")
    with memory_only():
        return _Budget(design, runs, seed, progress or (lambda *_: None)).result()


class _Budget:
    def __init__(self, design: DesignFile, runs: int, seed: int, progress: Progress) -> None:
        self.progress = progress
        self.still = Workshop(Plan(bare(design), "random", seed, runs, False))
        self.moving = Workshop(Plan(bare(design), "random", seed, max(FEWEST, runs // CHANGE_SHARE), True))
        if not self.still.table and not self.moving.table:
            raise ValvectlError("no input of the design carries a tolerance: there is nothing to budget")
        self.changes = _Changes(self.moving.analysis.throttle)
        self.left_out: list[str] = []

    def _steady(self, units: FloatArray, what: str) -> list[FloatArray | ValvectlError]:
        """Steady errors of O/F, then of thrust, of engines at shares of their bounds, or why there are none."""
        out: list[FloatArray | ValvectlError] = []
        for k, unit in enumerate(units):
            if k % 10 == 0:
                self.progress(what, k, len(units))
            try:
                out.append(np.concatenate(self.still.steady(self.still.points(self.still.engine(unit)))))
            except ValvectlError as error:
                out.append(error)
        return out

    def _flown(self, units: FloatArray, what: str) -> list[FloatArray | ValvectlError]:
        """Largest O/F error in each change of engines at shares of their bounds, or why there is none."""
        shop, out = self.moving, list[FloatArray | ValvectlError]()
        drawn: list[Drawn] = []
        for unit in units:
            try:
                drawn.append(shop.engine(unit))
                out.append(np.empty(0))
            except ValvectlError as error:
                out.append(error)
        runs = iter(shop.ratio_errors(drawn, lambda done: self.progress(what, done, len(units))))
        for k, one in enumerate(out):
            if not isinstance(one, ValvectlError):
                run = next(runs)
                out[k] = run if isinstance(run, ValvectlError) else self.changes.read(*run)
        return out

    def _slopes(
        self, table: tuple[Variable, ...], read: Reading, base: FloatArray, what: str
    ) -> tuple[FloatArray, FloatArray]:
        """One-deviation changes and their quadratic parts, each of shape (d, values)."""
        d = len(table)
        linear, square = np.zeros((d, base.size)), np.zeros((d, base.size))
        deviations = np.diag([v.deviation for v in table]).reshape(d, d)
        found = read(np.concatenate([deviations, -deviations]), what)
        for j, v in enumerate(table):
            up, down = found[j], found[d + j]
            for one in (up, down):
                if isinstance(one, ValvectlError):
                    self.left_out.append(f"{v.key}, {what}: {one}")
                    break
            else:
                assert isinstance(up, np.ndarray)
                assert isinstance(down, np.ndarray)
                linear[j], square[j] = 0.5 * (up - down), 0.5 * (up + down) - base
        return linear, square

    def _drawn(self, shop: Workshop, read: Reading, what: str) -> FloatArray:
        """What is read from drawn engines, shape (valid, values)."""
        out = []
        for k, one in enumerate(read(shop.unit(0, shop.plan.runs), what)):
            if isinstance(one, ValvectlError):
                self.left_out.append(f"drawn engine {k}, {what}: {one}")
            else:
                out.append(one)
        return np.array(out)

    def result(self) -> BudgetResult:
        still, n = self.still.table, len(self.still.settings)
        base = np.concatenate(self.still.steady(self.still.points(self.still.engine(np.zeros(len(still))))))
        linear, square = self._slopes(still, self._steady, base, "held throttle")
        in_changes, _ = self._slopes(self.moving.table, self._flown, self.changes.nominal, "changes of the throttle")
        engines = self._drawn(self.still, self._steady, "engines at held throttle")
        engines_run = self._drawn(self.moving, self._flown, "engines over the profile")
        relation = pearson(still)
        rss = combined(linear[:, :n], relation)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.nan_to_num(linear[:, :n] * (relation @ linear[:, :n]) / rss**2)
            bend = np.nan_to_num(np.abs(square[:, :n]) / rss)
        by_key = {v.key: in_changes[j] for j, v in enumerate(self.moving.table)}
        nothing = np.zeros(len(self.changes.words))
        contributors = []
        for j, v in enumerate(still):
            less = linear[:, :n].copy()
            less[j] *= 0.5
            with np.errstate(divide="ignore", invalid="ignore"):
                halved = np.nan_to_num(1.0 - combined(less, relation) / rss)
            contributors.append(
                self._contributor(
                    v, linear[j, :n], linear[j, n:], by_key.get(v.key, nothing), float(bend[j].max()), share[j], halved
                )
            )
        zero = np.zeros(n)
        known = {v.key for v in still}
        for v in self.moving.table:
            if v.key not in known:
                contributors.append(self._contributor(v, zero, zero, by_key[v.key], 0.0, zero, zero))
        contributors.sort(key=lambda c: (-float(np.max(c.share)), -float(np.max(np.abs(c.change), initial=0.0))))
        ratio = self._sums(still, linear[:, :n], engines[:, :n])
        thrust = self._sums(still, linear[:, n:], engines[:, n:])
        change = self._sums(self.moving.table, in_changes, engines_run)
        groups: dict[str, tuple[str, ...]] = {}
        for v in (*still, *(v for v in self.moving.table if v.key not in known)):
            if v.scatter.group:
                groups[v.scatter.group] = (*groups.get(v.scatter.group, ()), v.key)
        return BudgetResult(
            throttle=np.array(self.still.settings),
            changes=self.changes.words,
            nominal_change=self.changes.nominal,
            contributors=tuple(contributors),
            ratio=ratio,
            thrust=thrust,
            change=change,
            groups=groups,
            engines=len(engines),
            engines_run=len(engines_run),
            left_out=tuple(self.left_out),
            assumptions=(
                "one standard deviation of each; even tolerances count bound / sqrt 3, triangular / sqrt 6, normal / 2",
                "held throttle: ball's places (encoder, hold band, rounding, slot, unseen lost motion) as contributors; changes: "
                "a simulated run finds them, only encoder errors are set",
            ),
            cautions=tuple(self._cautions(ratio, change, contributors)),
        )

    def _contributor(
        self,
        v: Variable,
        ratio: FloatArray,
        thrust: FloatArray,
        change: FloatArray,
        bend: float,
        share: FloatArray,
        halved: FloatArray,
    ) -> Contributor:
        s = v.scatter
        return Contributor(
            v.key, s.effect, s.group, s.distribution, v.bound, v.deviation, ratio, thrust, change, bend, share, halved
        )

    def _sums(self, table: tuple[Variable, ...], parts: FloatArray, engines: FloatArray) -> Sums:
        relation = pearson(table)
        by_effect = []
        for effect in ("systematic", "random"):
            mine = np.array([v.scatter.effect == effect for v in table])
            by_effect.append(
                combined(parts[mine], relation[np.ix_(mine, mine)]) if mine.any() else np.zeros(parts.shape[1])
            )
        count = len(engines)
        drawn = engines.std(axis=0, ddof=1) if count > 1 else np.full(parts.shape[1], math.nan)
        return Sums(
            rss=combined(parts, relation),
            systematic=by_effect[0],
            random=by_effect[1],
            worst_case=bounded(parts, table),
            drawn=drawn,
            drawn_spread=1.0 / math.sqrt(2.0 * (count - 1)) if count > 1 else math.inf,
        )

    def _cautions(self, ratio: Sums, change: Sums, contributors: list[Contributor]) -> list[str]:
        out = []
        bent = [c.key for c in contributors if c.curvature > BENT]
        if bent:
            out.append(
                f"one deviation of {', '.join(bent)} acts otherwise to one side than to the other (choking?): see worst"
            )
        off = [
            f"{100 * x:.0f} %" for x, a in zip(self.still.settings, ratio.agreement, strict=True) if not abs(a) <= AGREE
        ]
        if off:
            out.append(
                f"not linear at {', '.join(off)} throttle: sum of squares and drawn engines differ by more than 10 %"
            )
        # With few simulated engines their own deviation is not known to 10 %.
        wide = AGREE + 2.0 * change.drawn_spread
        off = [w for w, a in zip(self.changes.words, change.agreement, strict=True) if not abs(a) <= wide]
        if off:
            out.append(
                f"not linear in the changes {', '.join(off)}: sum of squares and simulated engines differ by more than "
                f"{100 * wide:.0f} % (sticking, lost motion and limits)"
            )
        return out
