"""Which inputs the scatter of each requirement comes from: Sobol' indices, first order and total, by simulated runs.

The first-order index is the share of the variance that would go if the input were known exactly; the total index the share that
would stay if it alone were unknown: what the input does together with others is the difference.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.errors import RangeError, ValvectlError
from valvectl.parts.cache import memory_only
from valvectl.parts.lookup import FloatArray
from valvectl.studies.campaign import bare
from valvectl.studies.drawn_run import Plan, Workshop
from valvectl.studies.draws import factors, from_even
from valvectl.studies.result import Result
from valvectl.studies.sensitivity import sobol_indices

FEWEST, MOST = 16, 4096
RESAMPLES, CONFIDENCE = 400, 0.95
"""Of the bootstrap that says how well an index is known."""
PIECE = 64
"""Runs worked out between two signs of progress."""

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Index:
    """One factor's part in the scatter of a quantity."""

    factor: str
    """Key of the input, or what a group has in common."""
    first: float
    """Share of the variance by itself [-]."""
    total: float
    """Share of the variance with all that it does together with others [-]."""
    first_bounds: tuple[float, float]
    """95 % of resamples lie between [-]."""
    total_bounds: tuple[float, float]


@dataclass(frozen=True)
class Driven:
    """One quantity."""

    name: str
    unit: str
    deviation: float
    """Standard deviation [unit]."""
    signed: bool
    """True when the indices are those of the signed error at the held throttle where it scatters most."""
    indices: tuple[Index, ...]
    """Largest total first."""
    unresolved: bool
    """True when so few runs tell the factors apart that the largest one's bounds reach down to the second's."""


@dataclass(frozen=True)
class DriversResult(Result):
    """Answer of ``drivers``."""

    base: int
    """Points of each of the two samples."""
    runs: int
    """Engines worked out."""
    left_out: int
    """Points of the samples where an engine had no valid design, no steady point or no value."""
    seed: int
    simulated: bool
    driven: tuple[Driven, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]

    def columns(self) -> dict[str, Any]:
        rows = [(d, i) for d in self.driven for i in d.indices]
        return {
            "quantity": [d.name for d, _ in rows],
            "factor": [i.factor for _, i in rows],
            "first [-]": np.array([i.first for _, i in rows]),
            "first, low [-]": np.array([i.first_bounds[0] for _, i in rows]),
            "first, high [-]": np.array([i.first_bounds[1] for _, i in rows]),
            "total [-]": np.array([i.total for _, i in rows]),
            "total, low [-]": np.array([i.total_bounds[0] for _, i in rows]),
            "total, high [-]": np.array([i.total_bounds[1] for _, i in rows]),
        }


def drivers(
    design: DesignFile, base: int = 64, *, seed: int = 1, simulate: bool = True, progress: Progress | None = None
) -> DriversResult:
    """Sobol' indices of every drawn input for every quantity that a run gives.

    ``base`` points in each of two samples (Latin hypercube), base (d + 2) engines in all for d factors; ``simulate``: with the
    throttle profile, otherwise the steady balance alone. Raises ``ValvectlError``.
    """
    if not FEWEST <= base <= MOST:
        raise RangeError(f"the number of points must be from {FEWEST} to {MOST} (got {base})")
    if not 0 <= seed < 2**63:
        raise RangeError(f"seed must be a whole number from 0 (got {seed})")
    from scipy.stats import qmc

    with memory_only():
        shop = Workshop(Plan(bare(design), "latin", seed, base, simulate))
        if not shop.table:
            raise ValvectlError("no input of the design carries a tolerance: all engines would be the same")
        names = factors(shop.table)
        d = len(names)
        # not a Sobol' sequence: over so many dimensions its pairs are not independent before some hundred points
        both = qmc.LatinHypercube(2 * d, seed=np.random.default_rng(seed)).random(base)
        first, second = both[:, :d], both[:, d:]
        points = [first, second]
        for i in range(d):
            one = first.copy()
            one[:, i] = second[:, i]
            points.append(one)
        rows = _rows(shop, np.concatenate(points), progress or (lambda *_: None))
    values = rows.reshape(d + 2, base, rows.shape[1])
    generator = np.random.default_rng(seed)
    driven = tuple(x for x in (_driven(shop, q.name, values, names, generator) for q in shop.judged()) if x is not None)
    bad = int(np.sum(~np.all(values[:, :, 1] == 1.0, axis=0)))
    cautions = []
    if bad:
        cautions.append(
            f"{bad} of {base} points are left out: an engine there has no valid design, no steady point or no finite run"
        )
    rough = [x.name for x in driven if x.unresolved]
    if any(i.first < 0.0 or i.total < 0.0 for x in driven for i in x.indices[:8]):
        cautions.append(
            "shares below zero are noise of too few points: read them as none that can be told from nothing"
        )
    if rough:
        cautions.append(f"too few runs to tell the largest two apart in {', '.join(rough)}: give more points")
    return DriversResult(
        base=base,
        runs=len(rows),
        left_out=bad,
        seed=seed,
        simulated=simulate,
        driven=driven,
        assumptions=(
            "shares of the variance over the declared tolerances and their distributions, nothing else",
            "inputs of a group count twice: each by its own part, the group by what its members have in common",
        ),
        cautions=tuple(cautions),
    )


def _rows(shop: Workshop, even: FloatArray, progress: Progress) -> FloatArray:
    """Runs at all points, shape (n, columns), on all cores; the order of work changes nothing."""
    import os
    from concurrent.futures import ThreadPoolExecutor

    from valvectl.studies.campaign import MOST_THREADS

    unit = from_even(shop.table, even)
    pieces = [(at, unit[at : at + PIECE]) for at in range(0, len(unit), PIECE)]
    if shop.plan.simulate:
        shop.side_by_side  # noqa: B018  (worked out before threads ask for it)
    out = []
    with ThreadPoolExecutor(min(os.cpu_count() or 1, MOST_THREADS)) as pool:
        for done in pool.map(lambda piece: shop.rows(*piece), pieces):
            out.append(done)
            progress("engines", sum(len(x) for x in out), len(unit))
    return np.concatenate(out)


def _driven(shop: Workshop, name: str, values: FloatArray, names: list[str], generator: Any) -> Driven | None:
    """Indices of one quantity; None when it does not vary or has too few values."""
    quantity = next(q for q in shop.judged() if q.name == name)
    columns = shop.columns()
    start = {"mixture_ratio_steady": "O/F error at", "thrust_error": "thrust error at"}.get(name)
    mine = values[:, :, columns.index(name)]
    if start is not None:  # a magnitude hides who pushes which way
        settings = [j for j, column in enumerate(columns) if column.startswith(start)]
        mine = values[:, :, settings[int(np.argmax(np.nanstd(values[0][:, settings], axis=0)))]]
    mine = mine[:, np.isfinite(mine).all(axis=0)]
    n = mine.shape[1]
    if n < FEWEST // 2 or not float(np.std(mine[:2])) > 0.0:
        return None
    first, total = sobol_indices(mine[0], mine[1], mine[2:])
    again = np.array(
        [sobol_indices(*_picked(mine, generator.integers(0, n, n))) for _ in range(RESAMPLES)]
    )  # (resamples, 2, d)
    low, high = np.nanquantile(again, [0.5 - 0.5 * CONFIDENCE, 0.5 + 0.5 * CONFIDENCE], axis=0)
    order = np.argsort(-total, kind="stable")
    indices = tuple(
        Index(
            names[j],
            float(first[j]),
            float(total[j]),
            (float(low[0, j]), float(high[0, j])),
            (float(low[1, j]), float(high[1, j])),
        )
        for j in order
    )
    unresolved = len(indices) > 1 and not indices[0].total_bounds[0] > indices[1].total
    deviation = float(np.std(mine[:2], ddof=1)) * quantity.scale
    return (
        Driven(name, quantity.unit, deviation, start is not None, indices, unresolved)
        if math.isfinite(deviation)
        else None
    )


def _picked(mine: FloatArray, pick: Any) -> tuple[FloatArray, FloatArray, FloatArray]:
    return mine[0][pick], mine[1][pick], mine[2:][:, pick]
