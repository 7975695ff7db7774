"""Dispersions: the probability that an engine drawn from the declared tolerances meets each requirement, and how sure that is.

Runs may be counted in advance, or go on until a statement "at least so many of all engines, with this confidence" is decided.
Looking at the runs several times on the way is paid for: look j at twice the runs of the one before spends 2^-j of the chance
of being wrong, so that all looks together keep the confidence asked for (union bound).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.errors import RangeError, ValvectlError
from valvectl.parts import confidence
from valvectl.parts.lookup import FloatArray
from valvectl.studies.campaign import Campaign, Progress, Where, bare, put
from valvectl.studies.drawn_run import Plan, Quantity, Workshop
from valvectl.studies.draws import SAMPLINGS
from valvectl.studies.result import Result, plain
from valvectl.studies.sensitivity import first_order, rank_correlation

COVERAGE = CONFIDENCE = 0.95
"""Share of engines and confidence of the bounds that are always given."""
MOST_RUNS = 100_000
POINTS = 40
"""Points of the convergence figure."""


@dataclass(frozen=True)
class Statement:
    """At least a share ``coverage`` of all engines, with a ``confidence`` [-]."""

    coverage: float
    confidence: float

    def looks(self, runs: int) -> list[tuple[int, float]]:
        """Run counts at which the runs are looked at, and the confidence of each look; the last within ``runs``."""
        out = []
        alpha = 1.0 - self.confidence
        count = confidence.order_size(self.coverage, 1.0 - alpha / 2.0)
        while count < runs:
            alpha /= 2.0
            out.append((count, 1.0 - alpha))
            count *= 2
        return [*out, (runs, 1.0 - alpha / 2.0)]

    def decide(self, held: int, runs: int, sure: float) -> str:
        """ "stated", "refuted" or "open" after ``held`` of ``runs`` at the confidence of a look."""
        if confidence.probability_floor(held, runs, sure) >= self.coverage:
            return "stated"
        if confidence.probability_floor(runs - held, runs, sure) > 1.0 - self.coverage:
            return "refuted"
        return "open"


def read_statement(text: str) -> Statement:
    """Statement from ``"0.95/0.95"`` or ``"95 %/95 %"``: coverage, then confidence. Raises ``RangeError``."""
    found = re.fullmatch(r"\s*([0-9.]+)\s*(%?)\s*/\s*([0-9.]+)\s*(%?)\s*", text)
    try:
        assert found is not None
        shares = [float(found[k]) / (100.0 if found[k + 1] else 1.0) for k in (1, 3)]
    except (AssertionError, ValueError):
        shares = [0.0]
    if len(shares) != 2 or not all(0.5 <= s <= 0.9999 for s in shares):
        raise RangeError(
            f'a statement is coverage/confidence, each from 0.5 to 0.9999, such as "0.95/0.95" (got "{text}")'
        )
    return Statement(*shares)


@dataclass(frozen=True)
class Odds:
    """One requirement over all engines, in the unit of its row."""

    name: str
    unit: str
    operator: str
    limit: float | None
    """None: for information only."""
    mean: float
    deviation: float
    bound: float
    """By order statistics: 95 % of all engines lie on the good side of it, with 95 % confidence; NaN with too few runs."""
    normal_bound: float
    """The same from mean and standard deviation, if the values were normal."""
    held: int
    """Runs in which the limit held; a run without a steady point or a value counts as missed."""
    probability: float
    at_least: float
    """Lower bound of the probability at ``sure``, one-sided (Clopper and Pearson); NaN where runs are not independent."""
    at_most: float
    """Upper bound, likewise."""
    sure: float
    """Confidence of these two bounds."""
    statement: str
    """"stated", "refuted" or "open"; empty when none was asked for."""
    correlation: tuple[tuple[str, float], ...]
    """Largest rank correlations with the drawn inputs; of O/F and thrust those of the signed error at the setting where it
    scatters most."""
    shares: tuple[tuple[str, float], ...]
    """Largest first-order shares of the variance, likewise."""
    failing: tuple[int, ...]
    """Numbers of the runs that missed."""
    converging: tuple[FloatArray, FloatArray, FloatArray, FloatArray] = field(repr=False)
    """Runs, probability, its lower and upper bound at 95 %, for the figure."""


_WHOLE = ("run", "valid")
"""Columns of whole numbers: the run's own, and 1 where it is an engine that flies, else 0."""
_UNITS = {"tracking_mismatch": "s", "peak_current": "A"}
"""Units of the columns that are no pure numbers, SI."""


def _head(name: str) -> str:
    """Name of a column with its unit; draws are shares of the bound."""
    if name in _WHOLE:
        return name
    return f"{name} [bound]" if name.startswith("draw ") else f"{name} [{_UNITS.get(name, '-')}]"


@dataclass(frozen=True)
class DisperseResult(Result):
    """Answer of ``disperse``."""

    runs: int
    """Runs that count."""
    planned: int
    sampling: str
    seed: int
    simulated: bool
    statement: Statement | None
    invalid: tuple[int, ...]
    """Runs whose values make no valid design, or no steady point."""
    throttle: FloatArray
    """Settings of the steady errors [-], shape (m,)."""
    ratio_mean: FloatArray
    """Mean relative error of O/F at the settings, shape (m,)."""
    ratio_deviation: FloatArray
    """Standard deviation of it, shape (m,)."""
    thrust_mean: FloatArray
    thrust_deviation: FloatArray
    odds: tuple[Odds, ...]
    drawn: tuple[str, ...]
    """Keys that scatter."""
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]
    values: dict[str, FloatArray] = field(repr=False)
    """Every number of every run by column [SI]."""

    def columns(self) -> dict[str, Any]:
        return {_head(name): v.astype(int) if name in _WHOLE else v for name, v in self.values.items()}


@dataclass(frozen=True)
class _Measured:
    """A quantity of every run, and what drives it."""

    quantity: Quantity
    values: FloatArray
    """In the unit of its row, shape (runs,); NaN where a run does not give it."""
    correlation: FloatArray
    """Rank correlation with each drawn input."""
    shares: FloatArray
    """First-order share of the variance of each."""


def _measured(shop: Workshop, rows: FloatArray) -> list[_Measured]:
    """The quantities that some run gives. Those that the same runs give are worked out together."""
    names = shop.columns()
    found = [(q, rows[:, names.index(q.name)] * q.scale) for q in shop.judged()]
    given = [(q, v, np.isfinite(v)) for q, v in found if np.isfinite(v).any()]
    driven = [_signed(q.name, shop, rows, v) for q, v, _ in given]
    out: dict[int, _Measured] = {}
    for known in {mask.tobytes(): mask for _, _, mask in given}.values():
        which = [i for i, (_, _, mask) in enumerate(given) if np.array_equal(mask, known)]
        draws, results = _draws(shop, rows)[known], np.stack([driven[i][known] for i in which], axis=1)
        drivers = zip(which, rank_correlation(draws, results), first_order(draws, results), strict=True)
        out |= {i: _Measured(*given[i][:2], correlation, shares) for i, correlation, shares in drivers}
    return [out[i] for i in range(len(given))]


def _odds(measured: _Measured, shop: Workshop, rows: FloatArray, statement: Statement | None, sure: float) -> Odds:
    """The odds of one quantity."""
    quantity, values = measured.quantity, measured.values
    known = np.isfinite(values)
    n, upper = len(values), quantity.operator == "<="
    limit = shop.limit(quantity) * quantity.scale
    with np.errstate(invalid="ignore"):
        good = known & ((values <= limit) if upper else (values >= limit)) if quantity.has_limit else known
    held = int(np.sum(good))
    independent = shop.plan.sampling == "random"
    sign = 1.0 if upper else -1.0
    order = confidence.bound_order(n, COVERAGE, CONFIDENCE) if independent else 0
    sorted_values = np.sort(np.where(known, sign * values, np.inf))
    mean, deviation = (
        float(np.mean(values[known])),
        float(np.std(values[known], ddof=1)) if known.sum() > 1 else math.nan,
    )
    k = confidence.factor_one_sided(int(known.sum()), COVERAGE, CONFIDENCE) if independent else math.nan
    keys = [v.key for v in shop.table]
    return Odds(
        name=quantity.name,
        unit=quantity.unit,
        operator=quantity.operator,
        limit=limit if quantity.has_limit else None,
        mean=mean,
        deviation=deviation,
        bound=sign * float(sorted_values[-order]) if order else math.nan,
        normal_bound=mean + sign * k * deviation,
        held=held,
        probability=held / n,
        at_least=confidence.probability_floor(held, n, sure) if independent else math.nan,
        at_most=1.0 - confidence.probability_floor(n - held, n, sure) if independent else math.nan,
        sure=sure,
        statement=statement.decide(held, n, sure) if statement is not None and quantity.has_limit else "",
        correlation=_largest(keys, measured.correlation),
        shares=_largest(keys, measured.shares),
        failing=tuple(int(r) for r in rows[~good, 0]) if quantity.has_limit else (),
        converging=_converging(good, independent),
    )


def _signed(name: str, shop: Workshop, rows: FloatArray, values: FloatArray) -> FloatArray:
    """What the drivers of a quantity are sought in: of a largest magnitude over the settings the signed error at the setting
    where it scatters most, since a magnitude hides who pushes which way."""
    start = {"mixture_ratio_steady": "O/F error at", "thrust_error": "thrust error at"}.get(name)
    if start is None:
        return values
    errors = rows[:, [j for j, column in enumerate(shop.columns()) if column.startswith(start)]]
    return np.asarray(errors[:, int(np.argmax(np.nanstd(errors, axis=0)))])


def _largest(keys: list[str], values: FloatArray, count: int = 8) -> tuple[tuple[str, float], ...]:
    order = np.argsort(-np.abs(values), kind="stable")[:count]
    return tuple((keys[int(j)], float(values[j])) for j in order if values[j] != 0.0)


def _converging(good: Any, independent: bool) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    at = np.unique(np.geomspace(min(5, good.size), good.size, POINTS).astype(int))
    held = np.cumsum(good)[at - 1]
    bounds = np.array(
        [confidence.probability_bounds(int(k), int(n), CONFIDENCE) for k, n in zip(held, at, strict=True)]
    )
    if not independent:
        bounds = np.full_like(bounds, math.nan)
    return at.astype(float), held / at, bounds[:, 0], bounds[:, 1]


def disperse(
    design: DesignFile,
    runs: int,
    *,
    sampling: str = "random",
    seed: int = 1,
    simulate: bool = True,
    statement: Statement | None = None,
    folder: Path | None = None,
    resume: bool = False,
    where: Where | None = None,
    progress: Progress | None = None,
) -> DisperseResult:
    """Draw up to ``runs`` engines and judge them.

    ``simulate``: run the throttle profile of each; otherwise only the steady balance. With a ``statement`` the runs end
    when it is decided for every requirement. ``folder`` keeps blocks of runs, and ``resume`` goes on with those that are
    there. Raises ``ValvectlError`` for numbers that make no sense and folders that do not fit.
    """
    if not 2 <= runs <= MOST_RUNS:
        raise RangeError(f"runs must be from 2 to {MOST_RUNS} (got {runs})")
    if not 0 <= seed < 2**63:
        raise RangeError(f"seed must be a whole number from 0 (got {seed})")
    if sampling not in SAMPLINGS:
        raise RangeError(f"sampling must be one of {', '.join(SAMPLINGS)} (got {sampling!r})")
    if statement is not None and sampling != "random":
        raise RangeError("a statement with a confidence needs independent runs: sampling must be random")
    plan = Plan(bare(design), sampling, seed, runs, simulate)
    campaign = Campaign(plan, folder, resume, where)
    shop = campaign.shop
    if not shop.table:
        raise ValvectlError("no input of the design carries a tolerance: all engines would be the same")
    rows, sure = np.empty((0, 0)), CONFIDENCE
    for count, sure in statement.looks(runs) if statement is not None else [(runs, CONFIDENCE)]:
        rows = campaign.rows(count, progress)
        if statement is not None and all(o.statement != "open" for o in _all_odds(shop, rows, statement, sure)):
            break
    result = _result(shop, rows, statement, sure)
    if folder is not None:
        _write(folder, result)
    return result


def _draws(shop: Workshop, rows: FloatArray) -> FloatArray:
    return rows[:, rows.shape[1] - len(shop.table) :]


def _all_odds(shop: Workshop, rows: FloatArray, statement: Statement | None, sure: float) -> tuple[Odds, ...]:
    return tuple(_odds(measured, shop, rows, statement, sure) for measured in _measured(shop, rows))


def _result(shop: Workshop, rows: FloatArray, statement: Statement | None, sure: float) -> DisperseResult:
    plan, names = shop.plan, shop.columns()
    at = names.index(next(n for n in names if n.startswith("O/F error at")))
    m = len(shop.settings)
    valid = rows[:, 1] == 1.0
    ratio, thrust = rows[valid, at : at + m], rows[valid, at + m : at + 2 * m]
    invalid = tuple(int(r) for r in rows[~valid, 0])
    assumptions = [
        "schedule and gains are those of the design; each engine is drawn from the tolerances and flies them unchanged",
        "each row's confidence holds for that row alone",
    ]
    if plan.simulate:
        assumptions.append(
            "bus_voltage is that of the profile on the battery as stated; check judges full strokes at the end of discharge too"
        )
        lanes = shop.side_by_side
        assumptions.append(
            "the runs fly one by one, which is slow: the simulator side by side does not have "
            + "; ".join(lanes.why_not)
            if lanes.why_not
            else f"the runs fly side by side at a step of {lanes.grid.words()}; where a valve sticks, the peak of one "
            "run is one of several values some percent of itself apart, at any step"
        )
    cautions = []
    if plan.sampling != "random":
        cautions.append("runs of this sampling are not independent: no confidence is stated, only shares")
    if invalid:
        cautions.append(
            f"{len(invalid)} runs have no valid design, no steady point or stopped being finite; they count as missed in every "
            "row"
        )
    if plan.steady:
        assumptions.append(
            "steady balance at the held settings; places of the balls drawn as tolerances, nothing moves"
        )
    empty = np.full(m, math.nan)
    return DisperseResult(
        runs=len(rows),
        planned=plan.runs,
        sampling=plan.sampling,
        seed=plan.seed,
        simulated=plan.simulate,
        statement=statement,
        invalid=invalid,
        throttle=np.array(shop.settings),
        ratio_mean=ratio.mean(axis=0) if len(ratio) else empty,
        ratio_deviation=ratio.std(axis=0, ddof=1) if len(ratio) > 1 else empty,
        thrust_mean=thrust.mean(axis=0) if len(ratio) else empty,
        thrust_deviation=thrust.std(axis=0, ddof=1) if len(ratio) > 1 else empty,
        odds=_all_odds(shop, rows, statement, sure),
        drawn=tuple(v.key for v in shop.table),
        assumptions=tuple(assumptions),
        cautions=tuple(cautions),
        values={name: rows[:, j] for j, name in enumerate(names)},
    )


def _write(folder: Path, result: DisperseResult) -> None:
    """The answer and all runs beside the blocks, as text; the same bytes whatever stops there were."""
    import json

    put(folder / "result.json", (json.dumps(plain(result), indent=1, allow_nan=False) + "\n").encode())
    table = result.columns()
    lines = [",".join(f'"{name}"' for name in table)]
    lines += [",".join(_cell(x) for x in row) for row in zip(*(c.tolist() for c in table.values()), strict=True)]
    put(folder / "runs.csv", ("\n".join(lines) + "\n").encode())


def _cell(value: float) -> str:
    """A number in full, an integer as one, nothing where there is no number."""
    return "" if isinstance(value, float) and not math.isfinite(value) else repr(value)
