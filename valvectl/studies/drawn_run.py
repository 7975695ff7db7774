"""One drawn engine worked out: the steady balance at the scheduled angles, or a simulated run of the throttle profile.

Everything that a block of runs needs stands in a ``Plan``, which travels to other processes; ``run_block`` is the one place
where runs are worked out, so that a faster simulator can take it over.
"""

from __future__ import annotations

import functools
import math
import pickle
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS
from valvectl.errors import DesignError, NoBalanceError, RangeError, SimulationError, ValvectlError
from valvectl.parts.cache import memory_only
from valvectl.parts.lookup import FloatArray
from valvectl.plant import lane_layout as lx
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.balance_many import balances
from valvectl.plant.machine import Machine
from valvectl.studies.analysis import Analysis
from valvectl.studies.draws import Drawn, Variable, engine, engines, units, variables
from valvectl.studies.side_by_side import Flight, Read, SideBySide
from valvectl.studies.throttle import ThrottleResult, throttle

Judge = Callable[[ThrottleResult, Analysis], float]


@dataclass(frozen=True)
class Quantity:
    """One number read off a run."""

    name: str
    """That of its requirement where it has one."""
    unit: str
    scale: float
    """Number in ``unit`` per SI number."""
    operator: str
    """<= or >=; the side on which the limit holds."""
    steady: bool
    """True when the steady balance gives it."""
    has_limit: bool = True


QUANTITIES: tuple[Quantity, ...] = (
    Quantity("mixture_ratio_steady", "%", 100.0, "<=", True),
    Quantity("thrust_error", "%", 100.0, "<=", True, has_limit=False),
    Quantity("injector_stiffness", "%", 100.0, ">=", True),
    Quantity("cavitation", "", 1.0, "<=", True),
    Quantity("mixture_ratio_transient", "%", 100.0, "<=", False),
    Quantity("tracking_mismatch", "ms", 1000.0, "<=", False),
    Quantity("limit_cycle", "%", 100.0, "<=", False),
    Quantity("bus_voltage", "", 1.0, ">=", False),
    Quantity("peak_current", "A", 1.0, "<=", False, has_limit=False),
)
"""What every run is judged by; the ones without a limit are for information."""


@dataclass(frozen=True)
class Plan:
    """Everything that decides the numbers of a campaign's runs."""

    design: DesignFile
    sampling: str
    seed: int
    runs: int
    simulate: bool

    @property
    def steady(self) -> bool:
        """True when only the steady balance is worked out."""
        return not self.simulate


def _largest(values: list[float]) -> float:
    """Largest; NaN where any is (``max`` would pass over it) or there is none."""
    return float(np.max(values)) if values else math.nan


def judged(machine: Machine, run: Read) -> dict[str, float]:
    """What a simulated run gives beside its steady points, by quantity [SI]."""
    mismatch = [abs(c.mismatch) for c in run.changes]
    return {
        "mixture_ratio_steady": _largest([abs(h.ratio_error) for h in run.holds]),
        "mixture_ratio_transient": _largest([abs(c.peak_error) for c in run.changes]),
        "tracking_mismatch": _largest(mismatch),  # NaN: a valve does not follow
        "limit_cycle": _largest([h.hunting_flow[n] for h in run.holds for n in LEGS]),
        "bus_voltage": run.lowest_bus / machine.undervoltage,
        "peak_current": run.peak_current,
    }


class Workshop:
    """What all runs of a plan share, worked out once in a process."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.analysis = Analysis(plan.design)
        self.machine = self.analysis.machine
        self.schedule = self.analysis.schedule
        self.settings = self.analysis.settings
        self.table: tuple[Variable, ...] = variables(plan.design, self.machine, plan.steady)
        self.angles = [[float(self.schedule.angle_at(n, np.array([x]))[0]) for n in LEGS] for x in self.settings]

    def unit(self, first: int, count: int = 1) -> FloatArray:
        """Draws of runs in shares of the bounds, shape (count, d)."""
        plan = self.plan
        return units(self.table, plan.sampling, plan.seed, first, count, plan.runs)

    def engine(self, unit: FloatArray) -> Drawn:
        """The engine of a draw."""
        return engine(self.plan.design, self.machine, self.table, unit)

    def engines(self, unit: FloatArray) -> list[Drawn | DesignError]:
        """The engines of many draws, shape (n, d), made together; a draw that makes none is its error."""
        return engines(self.plan.design, self.machine, self.table, unit)

    def points(self, drawn: Drawn) -> list[OperatingPoint]:
        """Steady points of a drawn engine at the scheduled angles of ``settings``. Raises ``NoBalanceError``."""
        return balances(drawn.machine, [self._pair(pair, drawn) for pair in self.angles])

    @staticmethod
    def _pair(angles: Sequence[float], drawn: Drawn) -> tuple[float, float]:
        first, second = (a + drawn.offset[n] for a, n in zip(angles, LEGS, strict=True))
        return first, second

    def steady(self, points: list[OperatingPoint]) -> tuple[FloatArray, FloatArray]:
        """Relative error of O/F and of thrust over the thrust wanted, each of shape (settings,)."""
        ratio = np.array([p.mixture_ratio for p in points]) / self.machine.mixture_ratio - 1.0
        return ratio, np.array([p.throttle for p in points]) / np.array(self.settings) - 1.0

    def run(self, drawn: Drawn, number: int = 0) -> ThrottleResult:
        """The throttle profile of a drawn engine by itself, schedule and gains of the design; ``number`` seeds jitter.

        An engine that the lanes take runs by their scheme and step: the same numbers to rounding, but for a valve that sticks,
        where rounding may decide at which of two counts it stops.
        """
        a, lanes = self.analysis, self.side_by_side
        side = lanes.takes(drawn)
        return throttle(
            drawn.machine,
            a.gains,
            self.schedule,
            a.profile,
            a.band,
            step=lanes.grid.step if side else None,
            half_way=side,
            feed_every=lanes.grid.feed_every if side else 1,
            offset=drawn.offset,
            seed=number,
        )

    def ratio_errors(
        self, drawn: Sequence[Drawn], progress: Callable[[int], None] = lambda done: None
    ) -> list[tuple[FloatArray, FloatArray] | ValvectlError]:
        """Time [s] and relative O/F error over it of each engine's profile, or why there is none; ``progress`` hears how many
        are done."""
        out: list[tuple[FloatArray, FloatArray] | ValvectlError] = [SimulationError("no run") for _ in drawn]
        flights: list[tuple[int, Flight]] = []
        lanes = self.side_by_side
        for k, one in enumerate(drawn):
            try:
                if lanes.takes(one):
                    flights.append((k, lanes.flight(one)))
                else:
                    run = self.run(one, k)
                    out[k] = run.time, run.ratio_error
                    progress(k + 1)
            except (NoBalanceError, RangeError, SimulationError) as error:
                out[k] = error
        for k, _ in flights:
            out[k] = SimulationError("the run stopped being finite")
        done = len(drawn) - len(flights)
        for flown in lanes.fly([f for _, f in flights]):
            for i, number in enumerate(flown.which):
                out[flights[number][0]] = lanes.reader.time, flown.courses.ratio_error[i]
            done += lx.LANES
            progress(min(done, len(drawn)))
        return out

    @functools.cached_property
    def side_by_side(self) -> SideBySide:
        """What runs engines in lanes."""
        return SideBySide(self.analysis, self.table)

    def columns(self) -> list[str]:
        """Names of a run's numbers, in order."""
        percent = [f"{100.0 * x:.4g} %" for x in self.settings]
        names = ["run", "valid", *(q.name for q in QUANTITIES)]
        names += [f"O/F error at {x}" for x in percent] + [f"thrust error at {x}" for x in percent]
        return names + [f"draw {v.key}" for v in self.table]

    def rows(self, first: int, unit: FloatArray) -> FloatArray:
        """Runs from number ``first`` as numbers [SI], shape (n, columns), in the order of ``columns``.

        NaN where an engine has no valid design, no steady point or a run that stopped being finite. A row hangs on plan and run
        number alone, whatever the other runs beside it.
        """
        found: list[dict[str, float]] = [dict.fromkeys((q.name for q in QUANTITIES), math.nan) for _ in unit]
        errors = np.full((len(unit), 2, len(self.settings)), math.nan)
        valid = np.ones(len(unit))
        together: list[tuple[int, Flight]] = []
        alone: list[tuple[int, Drawn]] = []
        with _drawing:
            for k, drawn in enumerate(self.engines(unit)):
                try:
                    if isinstance(drawn, DesignError):
                        raise drawn
                    points = self.points(drawn)
                    errors[k] = ratio, thrust = self.steady(points)
                    found[k] |= {
                        "mixture_ratio_steady": float(np.max(np.abs(ratio))),
                        "thrust_error": float(np.max(np.abs(thrust))),
                        "injector_stiffness": min(p.injector_stiffness(n) for p in points for n in LEGS),
                        "cavitation": max(p.legs[n].valve_drop / p.legs[n].choked_drop for p in points for n in LEGS),
                    }
                    if self.plan.simulate and self.side_by_side.takes(drawn):
                        together.append((k, self.side_by_side.flight(drawn, points)))
                    elif self.plan.simulate:
                        alone.append((k, drawn))
                except (DesignError, NoBalanceError, RangeError, SimulationError):
                    valid[k] = 0.0
        for k, drawn in alone:
            try:
                found[k] |= self._judged(self.run(drawn, first + k))
            except (NoBalanceError, RangeError, SimulationError):
                valid[k] = 0.0
        if together:
            for (k, _), read in zip(together, self.side_by_side.run([f for _, f in together]), strict=True):
                if read is None:
                    valid[k] = 0.0
                else:
                    found[k] |= judged(self.machine, read)
        numbers = np.array([list(f.values()) for f in found]).reshape(len(unit), len(QUANTITIES))
        numbers[valid == 0.0] = math.nan  # steady numbers of a run that failed later meet nothing
        runs = first + np.arange(len(unit), dtype=float)
        return np.column_stack([runs, valid, numbers, errors[:, 0], errors[:, 1], unit])

    def _judged(self, run: ThrottleResult) -> dict[str, float]:
        return judged(self.machine, Read(run.holds, run.changes, run.lowest_bus, max(run.peak_current.values())))

    def judged(self) -> list[Quantity]:
        """The quantities that this plan gives."""
        return [q for q in QUANTITIES if q.steady or self.plan.simulate]

    def limit(self, quantity: Quantity) -> float:
        """Limit of a quantity [SI]; NaN without one."""
        return float(getattr(self.plan.design.requirements, quantity.name)) if quantity.has_limit else math.nan


_drawing = threading.Lock()
"""Held while engines are drawn: threads that all draw at once hand the interpreter to and fro at each larger array, which costs
more than waiting for each other while the others simulate."""
_workshops: OrderedDict[bytes, Workshop] = OrderedDict()
_opening = threading.Lock()


def workshop(packed: bytes) -> Workshop:
    """The workshop of a pickled ``Plan``, one for all threads of this process; the last two plans' are kept."""
    with _opening:
        if packed not in _workshops:
            shop = _workshops[packed] = Workshop(pickle.loads(packed))
            if shop.plan.simulate:
                shop.side_by_side  # noqa: B018  (worked out before threads ask for it)
            while len(_workshops) > 2:
                _workshops.popitem(last=False)
        return _workshops[packed]


def run_block(packed: bytes, first: int, count: int) -> FloatArray:
    """Runs ``first`` to ``first + count`` of a pickled ``Plan``, shape (count, columns), in SI; see ``Workshop.columns``."""
    with memory_only():
        shop = workshop(packed)
        return shop.rows(first, shop.unit(first, count))
