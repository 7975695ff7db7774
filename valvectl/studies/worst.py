"""The worst engine within tolerance: for O/F and thrust at held throttle, for choking, and for O/F in a change of the throttle.

Each starts at the corner of the bounds that the slopes point to, goes through all corners of the strongest inputs, flips one
input after the other as long as that makes it worse, and then searches inside the bounds too (differential evolution, with a
seed): across the choke line the worst need be no corner. A search proves nothing: what is found is a case, not a bound.
"""

from __future__ import annotations

import dataclasses
import difflib
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, Corner
from valvectl.errors import DesignError, Fault, NoBalanceError, SimulationError, ValvectlError
from valvectl.parts.cache import memory_only
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import balance
from valvectl.plant.machine import Machine, build
from valvectl.studies.adverse import BOILING, FLOW, STIFFNESS, adverse, keep_order, moved_value
from valvectl.studies.campaign import bare
from valvectl.studies.drawn_run import Plan, Workshop
from valvectl.studies.draws import Drawn, Variable, as_built
from valvectl.studies.result import Result
from valvectl.studies.throttle import ThrottleResult

STRONGEST, INSIDE = 5, 6
"""Inputs whose corners are all tried, and those that the search inside the bounds moves."""
GENERATIONS, CROWD, SEED = 12, 4, 1
"""Of that search: generations, members for each input, seed."""

LITTLE = 1e-3
"""Share of the sum of all slopes below which an input counts as without effect [-]."""

Progress = Callable[[str, int, int], None]
Measure = Callable[[FloatArray], float]


@dataclass(frozen=True)
class WorstCase:
    """The worst found for one quantity."""

    quantity: str
    unit: str
    throttle: float
    """Setting [-]; that of the change's end where it is in a change."""
    nominal: float
    """Value without tolerances [SI]."""
    linear: float
    """Sum of all slopes to the bounds [SI]."""
    corner: float
    """Worst corner found [SI]."""
    value: float
    """Worst found at all [SI]."""
    inside: tuple[str, ...]
    """Inputs that stand inside their bounds there."""
    at: dict[str, float]
    """Input -> where it stands, in shares of its bound from -1 to 1."""
    tried: int
    """Engines worked out."""
    effect: dict[str, float] = field(default_factory=dict)
    """Input -> its change of the value to its bound, by its slope [SI]; zero for those that do not enter."""

    def strong(self) -> tuple[str, ...]:
        """Inputs that stand somewhere for a reason, strongest first; the rest changes the value by less than ``LITTLE`` of the
        sum each."""
        total = sum(abs(x) for x in self.effect.values())
        told = [key for key in self.at if abs(self.effect.get(key, math.inf)) > LITTLE * total]
        return tuple(sorted(told, key=lambda key: -abs(self.effect.get(key, math.inf))))


@dataclass(frozen=True)
class NamedCorner:
    """A corner that the design declares, or that ``check`` uses for another question; what it does to O/F and thrust."""

    name: str
    moved: tuple[str, ...]
    ratio_error: float
    """Largest by magnitude over the settings [-]; NaN without a steady point."""
    thrust_error: float
    peak_error: float
    """Largest O/F error of the simulated profile [-], signed; NaN where the run failed."""


@dataclass(frozen=True)
class WorstResult(Result):
    """Answer of ``worst``."""

    throttle: FloatArray
    """Held settings [-]."""
    cases: tuple[WorstCase, ...]
    corners: tuple[NamedCorner, ...]
    peak_error: float
    """Largest O/F error of the simulated profile with the engine of the worst held O/F [-], signed."""
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]
    run: ThrottleResult | None = field(repr=False)
    """That run; None where it failed."""
    nominal_run: ThrottleResult = field(repr=False)

    def columns(self) -> dict[str, Any]:
        keys = list(dict.fromkeys(key for c in self.cases for key in c.at))
        out: dict[str, Any] = {"input": keys}
        for c in self.cases:
            name = f"{c.quantity} at {100 * c.throttle:.4g} %: {100 * c.value:+.3f} %, share of the bound [-]"
            out[name] = [c.at.get(key, 0.0) for key in keys]
        return out


class _Search:
    """Search over free directions: one a variable, or one a group whose members move as one."""

    def __init__(self, table: Sequence[Variable]) -> None:
        groups: dict[str, list[tuple[int, float]]] = {}
        for j, v in enumerate(table):
            tied = v.scatter.group and abs(v.scatter.correlation) == 1.0
            groups.setdefault(f"group {v.scatter.group}" if tied else v.key, []).append(
                (j, v.scatter.correlation if tied else 1.0)
            )
        self.names = list(groups)
        self.spread = np.zeros((len(groups), len(table)))
        for row, members in enumerate(groups.values()):
            for j, share in members:
                self.spread[row, j] = share

    def unit(self, free: FloatArray) -> FloatArray:
        return np.asarray(free @ self.spread)

    def worst(
        self, measure: Measure, name: str, unit: str, throttle: float, slopes: FloatArray, inside: bool = True
    ) -> WorstCase:
        """The largest ``measure`` [SI] over -1..1 in all directions; ``slopes`` of shape (directions,)."""
        tried = 0

        def at(free: FloatArray) -> float:
            nonlocal tried
            tried += 1
            value = measure(self.unit(free))
            return value if np.isfinite(value) else -np.inf

        nominal = at(np.zeros(len(self.names)))
        best = np.where(slopes >= 0.0, 1.0, -1.0)
        value = at(best)
        order = np.argsort(-np.abs(slopes), kind="stable")
        for signs in itertools.product((1.0, -1.0), repeat=min(STRONGEST, order.size)):
            trial = best.copy()
            trial[order[: len(signs)]] *= signs
            if (found := at(trial)) > value:
                best, value = trial, found
        for _ in range(3):
            before = value
            for j in order[np.abs(slopes[order]) > 1e-9]:
                trial = best.copy()
                trial[j] = -trial[j]
                if (found := at(trial)) > value:
                    best, value = trial, found
            if value <= before:
                break
        corner = value
        if inside:
            from scipy.optimize import differential_evolution

            moving = order[: min(INSIDE, order.size)]

            def less(part: FloatArray) -> float:
                trial = best.copy()
                trial[moving] = part
                return -min(at(trial), 1e9)

            found = differential_evolution(
                less,
                [(-1.0, 1.0)] * len(moving),
                maxiter=GENERATIONS,
                popsize=CROWD,
                rng=SEED,
                polish=False,
                x0=best[moving],
            )
            if -found.fun > value:
                best, value = best.copy(), -float(found.fun)
                best[moving] = found.x
        return WorstCase(
            quantity=name,
            unit=unit,
            throttle=throttle,
            nominal=nominal,
            linear=nominal + float(np.sum(np.abs(slopes))),
            corner=corner,
            value=value,
            inside=tuple(n for n, x in zip(self.names, best, strict=True) if abs(x) < 0.999),
            at={n: float(x) for n, x, s in zip(self.names, best, slopes, strict=True) if abs(s) > 1e-9},
            tried=tried,
            effect=dict(zip(self.names, slopes.tolist(), strict=True)),
        )


class _Worst:
    def __init__(self, design: DesignFile, progress: Progress) -> None:
        self.progress = progress
        self.design = design
        self.still = Workshop(Plan(bare(design), "random", SEED, 2, False))
        self.moving = Workshop(Plan(bare(design), "random", SEED, 2, True))
        if not self.still.table:
            raise ValvectlError("no input of the design carries a tolerance: the design itself is the worst engine")
        self.search = _Search(self.still.table)

    def _values(self, unit: FloatArray) -> FloatArray:
        """O/F errors, thrust errors, and shares of the choking drop at all settings, shape (3 n,); NaN without a steady point."""
        n = len(self.still.settings)
        try:
            points = self.still.points(self.still.engine(unit))
        except ValvectlError:
            return np.full(3 * n, np.nan)
        ratio, thrust = self.still.steady(points)
        choking = [max(p.valve_drop / p.choked_drop for p in point.legs.values()) for point in points]
        return np.concatenate([ratio, thrust, choking])

    def _slopes(self) -> FloatArray:
        """Changes to the bounds by each direction, shape (directions, 3 n)."""
        out = []
        directions = np.eye(len(self.search.names))
        for row in directions:
            up, down = self._values(self.search.unit(row)), self._values(self.search.unit(-row))
            out.append(np.nan_to_num(0.5 * (up - down)))
        return np.array(out)

    def held(self) -> list[WorstCase]:
        slopes = self._slopes()
        settings = self.still.settings
        n = len(settings)
        wanted = [("O/F error", "%", 0, 1.0), ("O/F error", "%", 0, -1.0), ("thrust error", "%", n, 1.0),
                  ("thrust error", "%", n, -1.0), ("drop over choking drop", "%", 2 * n, 1.0)]  # fmt: skip
        cases = []
        for k, (name, unit, first, side) in enumerate(wanted):
            self.progress(f"worst {name}, {'high' if side > 0 else 'low'}", k, len(wanted) + 1)
            total = np.sum(np.abs(slopes[:, first : first + n]), axis=0)
            start = self._values(np.zeros(len(self.still.table)))[first : first + n]
            j = int(np.argmax(total + side * start))

            def measure(u: FloatArray, at: int = first + j, sign: float = side) -> float:
                return sign * float(self._values(u)[at])

            found = self.search.worst(measure, name, unit, settings[j], side * slopes[:, first + j])
            cases.append(_signed(found, side))
        return cases

    def in_change(self) -> WorstCase | None:
        """Worst O/F error in the change of the throttle that has the largest one, by corners of simulated runs."""
        nominal = self.moving.analysis.throttle
        change = nominal.worst_change
        if change is None:
            return None
        table = self.moving.table
        search = _Search(table)
        side = 1.0 if change.peak_error >= 0.0 else -1.0
        end = min((c.start for c in nominal.changes if c.start > change.start), default=float("inf"))

        def measure(unit: FloatArray) -> float:
            try:
                run = self.moving.run(self.moving.engine(unit))
            except ValvectlError:
                return float("nan")
            here = (run.time >= change.start) & (run.time < end)
            return float(np.max(side * run.ratio_error[here]))

        slopes = np.zeros(len(search.names))
        for j, row in enumerate(np.eye(len(search.names))):
            self.progress("worst change of the throttle, simulated", j, len(search.names))
            slopes[j] = np.nan_to_num(0.5 * (measure(search.unit(row)) - measure(search.unit(-row))))
        found = search.worst(measure, "O/F error in a change", "%", change.after, slopes, inside=False)
        return _signed(found, side)

    def corners(self) -> list[NamedCorner]:
        """The design's declared corners, then those of ``check``. Raises ``DesignError`` for an input that can not be moved."""
        out = [self._corner(c.name, build(self._declared(c)), (*c.upper, *c.lower)) for c in self.design.data.corners]
        for name, sides in (
            ("nearest to choking", FLOW),
            ("softest injector", STIFFNESS),
            ("nearest to boiling", BOILING),
        ):
            machine, moved = adverse(self.design, sides)
            if moved:
                out.append(self._corner(name, machine, moved))
        return out

    def _declared(self, corner: Corner) -> DesignFile:
        changes: dict[str, Any] = {}
        faults = []
        k = self.design.data.corners.index(corner)
        for side, keys, sign in (("upper", corner.upper, 1), ("lower", corner.lower, -1)):
            for i, key in enumerate(keys):
                item = self.design.inputs.get(key)
                place = f"corners[{k}].{side}[{i}]"
                if item is None or item.tolerance is None:
                    known = [x.key for x in self.design.toleranced()]
                    near = difflib.get_close_matches(key, known, 1)
                    hint = f"; did you mean {near[0]!r}?" if near else ""
                    said = f"must be the dotted key of an input with a tolerance{hint}"
                    faults.append(Fault(said, key=place, file=str(self.design.path or ""), got=key))
                elif key in changes:
                    faults.append(Fault("is named twice in this corner", key=place, got=key))
                else:
                    changes[key] = moved_value(item, sign)
        if faults:
            raise DesignError(faults)
        keep_order(self.design, changes)
        return self.design.with_values(changes)

    def _corner(self, name: str, machine: Machine, moved: tuple[str, ...]) -> NamedCorner:
        drawn = Drawn(as_built(machine, self.still.machine), dict.fromkeys(LEGS, 0.0))
        errors = [math.nan] * 3
        try:
            ratio, thrust = self.still.steady([balance(drawn.machine, *pair) for pair in self.still.angles])
            errors[:2] = [float(x[np.argmax(np.abs(x))]) for x in (ratio, thrust)]
            run = self.moving.run(drawn).ratio_error
            errors[2] = float(run[np.argmax(np.abs(run))])
        except (NoBalanceError, SimulationError):
            pass
        return NamedCorner(name, moved, *errors)

    def shown(self, case: WorstCase) -> ThrottleResult | None:
        """The profile of the engine of a held case; places of the ball other than the encoders' errors come by themselves."""
        unit = np.zeros(len(self.moving.table))
        free = np.array([case.at.get(name, 0.0) for name in self.search.names])
        still = dict(zip((v.key for v in self.still.table), self.search.unit(free), strict=True))
        for j, v in enumerate(self.moving.table):
            unit[j] = still.get(v.key, 0.0)
        try:
            return self.moving.run(self.moving.engine(unit))
        except ValvectlError:
            return None


def _signed(case: WorstCase, side: float) -> WorstCase:
    return dataclasses.replace(
        case, nominal=side * case.nominal, linear=side * case.linear, corner=side * case.corner, value=side * case.value,
        effect={key: side * x for key, x in case.effect.items()},
    )  # fmt: skip


def worst(design: DesignFile, progress: Progress | None = None) -> WorstResult:
    """The worst engine within tolerance. Raises ``ValvectlError`` without any tolerance."""
    with memory_only():
        work = _Worst(design, progress or (lambda *_: None))
        corners = work.corners()  # first: a corner that can not be moved is said at once
        cases = work.held()
        change = work.in_change()
        run = work.shown(max(cases[:2], key=lambda c: abs(c.value)))
    cautions = []
    for c in cases:
        if c.inside:
            cautions.append(
                f"{c.quantity} at {100 * c.throttle:.0f} % throttle is worst inside the bounds of {', '.join(c.inside)}"
            )
        if abs(c.value) > 1.1 * abs(c.linear):
            cautions.append(
                f"{c.quantity} at {100 * c.throttle:.0f} % throttle: the slopes understate the worst by more than 10 %"
            )
    if run is None:
        cautions.append("the engine of the worst held O/F does not finish the throttle profile")
    return WorstResult(
        throttle=np.array(work.still.settings),
        cases=(*cases, *([change] if change is not None else ())),
        corners=tuple(corners),
        peak_error=run.ratio_error[np.argmax(np.abs(run.ratio_error))] if run is not None else float("nan"),
        assumptions=(
            "every input anywhere within its bound (a normal one within two standard deviations); members of a group that "
            "move as one stay together, partly correlated ones are free",
            "a search finds a bad case, it proves no bound; the odds of such an engine are what disperse answers",
        ),
        cautions=tuple(cautions),
        run=run,
        nominal_run=work.moving.analysis.throttle,
    )
