"""Tables of the studies of tolerances: error budget, worst case, dispersions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import said, table
from valvectl.review.wording import number, signed
from valvectl.studies.worst import LITTLE

if TYPE_CHECKING:
    from valvectl.studies.budget import BudgetResult
    from valvectl.studies.disperse import DisperseResult
    from valvectl.studies.drivers import DriversResult
    from valvectl.studies.worst import WorstResult

FAILING_SHOWN, INPUTS_SHOWN, CONTRIBUTORS_SHOWN, FEW = 8, 5, 20, 5


def short(key: str) -> str:
    """A dotted key without what every reader knows, to fit a column."""
    for long, brief in (
        ("legs.oxidizer.", "ox. "),
        ("legs.fuel.", "fuel "),
        ("engine.", ""),
        ("actuator.position_encoder.", "encoder "),
        ("actuator.", ""),
        ("controller.", ""),
        ("discharge_coefficient", "Cd"),
    ):
        key = key.replace(long, brief)
    return key


def percent(throttle: Sequence[float]) -> list[str]:
    return [f"{100.0 * x:.0f} %" for x in throttle]


def drivers(result: DriversResult, out: Console) -> None:
    """Print a result of ``drivers``."""
    what = "throttle profile simulated" if result.simulated else "steady balance"
    out.print(f"{result.runs} engines ({result.base} points, seed {result.seed}); {what}")
    for one in result.driven:
        rows = [
            [
                short(i.factor),
                f"{100.0 * i.first:.0f}",
                f"{100.0 * i.first_bounds[0]:.0f} to {100.0 * i.first_bounds[1]:.0f}",
                f"{100.0 * i.total:.0f}",
                f"{100.0 * i.total_bounds[0]:.0f} to {100.0 * i.total_bounds[1]:.0f}",
            ]
            for i in one.indices[:INPUTS_SHOWN]
        ]
        unit = f" {one.unit}" if one.unit else ""
        sort = ", signed error" if one.signed else ""
        title = f"{one.name}{sort}: deviation {number(one.deviation, 3)}{unit}; shares of the variance [%]"
        out.print()
        out.print(table(["input", "alone", "95 %", "total", "95 %"], rows, title=title))
    said(result, out)


def disperse(result: DisperseResult, out: Console) -> None:
    """Print a result of ``disperse``."""
    what = "throttle profile simulated" if result.simulated else "steady balance"
    rows = []
    for o in result.odds:
        limit = "-" if o.limit is None else f"{o.operator} {number(o.limit)}"
        odds = "-" if o.limit is None else f"{100.0 * o.probability:.1f}"
        low = "-" if o.limit is None or math.isnan(o.at_least) else f"{100.0 * o.at_least:.1f}"
        rows.append(
            [
                o.name,
                o.unit,
                number(o.mean, 3),
                number(o.deviation, 2),
                number(o.bound, 3, "-"),
                limit,
                odds,
                low,
                o.statement,
            ]
        )
    head = ["requirement", "", "mean", "dev.", "95/95", "limit", "holds\n[%]", "at least\n[%]", "statement"]
    drop = 8 if result.statement is None else 3  # what fits 80 columns
    head, rows = head[:drop] + head[drop + 1 :], [row[:drop] + row[drop + 1 :] for row in rows]
    title = f"{result.runs} engines drawn ({result.sampling}, seed {result.seed}); {what}"
    out.print(table(head, rows, left=2, title=title, words=("statement",)))
    out.print()
    m = result.throttle.size
    chosen = range(m) if m <= 6 else sorted({round(k * (m - 1) / 5) for k in range(6)})
    lines = [
        ["O/F, mean [%]", *(signed(100.0 * float(result.ratio_mean[j])) for j in chosen)],
        ["O/F, deviation [%]", *(f"{100.0 * float(result.ratio_deviation[j]):.2f}" for j in chosen)],
        ["thrust, mean [%]", *(signed(100.0 * float(result.thrust_mean[j])) for j in chosen)],
        ["thrust, deviation [%]", *(f"{100.0 * float(result.thrust_deviation[j]):.2f}" for j in chosen)],
    ]
    out.print(
        table(["steady error", *percent([float(result.throttle[j]) for j in chosen])], lines, title="At held throttle")
    )
    out.print()
    for o in result.odds:
        if o.shares and o.limit is not None:
            drivers = ", ".join(
                f"{short(key)} {100.0 * share:.0f} %" for key, share in o.shares[:INPUTS_SHOWN] if share > 0.02
            )
            if drivers:
                out.print(Text(f"{o.name} is driven by {drivers} (first-order share of its variance)"))
    for o in result.odds:
        if o.failing:
            more = f" and {len(o.failing) - FAILING_SHOWN} more" if len(o.failing) > FAILING_SHOWN else ""
            numbers = ", ".join(str(n) for n in o.failing[:FAILING_SHOWN])
            out.print(Text(f"{o.name} is missed in runs {numbers}{more}; throttle --run N --from DIR shows one"))
    if result.statement is not None:
        s = result.statement
        count = result.runs if result.runs < result.planned else f"all {result.planned}"
        out.print(
            Text(
                f"Statement: at least {100.0 * s.coverage:.4g} % of all engines, confidence {100.0 * s.confidence:.4g} %; "
                f"ended after {count} runs."
            )
        )
    out.print("95/95: with 95 % confidence, 95 % of all engines are on the good side (order statistics).")
    said(result, out)


def _some(count: int, most: int = 5) -> list[int]:
    """Indices of at most ``most`` of ``count``, ends in."""
    return list(range(count)) if count <= most else sorted({round(k * (count - 1) / (most - 1)) for k in range(most)})


def budget(result: BudgetResult, out: Console) -> None:
    """Print a result of ``budget``."""
    at = _some(result.throttle.size)
    heads = percent([float(result.throttle[j]) for j in at])
    shown = [c for c in result.contributors if float(abs(c.ratio).max()) > 5e-6][:CONTRIBUTORS_SHOWN]
    rows = [
        [short(c.key) + (f" ({c.group})" if c.group else ""), c.effect[0], *(signed(100.0 * float(c.ratio[j])) for j in at),
         f"{100.0 * float(c.halved.max()):.1f}"]
        for c in shown
    ]  # fmt: skip
    for name, values in (
        ("root of the sum of squares", result.ratio.rss), ("  systematic", result.ratio.systematic),
        ("  random", result.ratio.random), (f"{result.engines} engines drawn", result.ratio.drawn),
        ("worst-case sum", result.ratio.worst_case),
    ):  # fmt: skip
        rows.append([name, "", *(f"{100.0 * float(values[j]):.2f}" for j in at), ""])
    title = "O/F at held throttle, one standard deviation [%]; s systematic, r random"
    out.print(table(["contributor", "", *heads, "halved\nsaves [%]"], rows, left=2, title=title))
    out.print()
    sums = (
        ("root of the sum of squares", "rss"),
        (f"{result.engines} engines drawn", "drawn"),
        ("worst-case sum", "worst_case"),
    )
    first = sorted(result.contributors, key=lambda c: -float(abs(c.thrust).max()))[:FEW]
    rows = [
        [short(c.key), *(signed(100.0 * float(c.thrust[j])) for j in at)]
        for c in first
        if float(abs(c.thrust).max()) > 5e-6
    ]
    rows += [[n, *(f"{100.0 * float(getattr(result.thrust, f)[j]):.2f}" for j in at)] for n, f in sums]
    out.print(
        table(["contributor", *heads], rows, title="Thrust at held throttle, one standard deviation [%]; the largest")
    )
    out.print()
    if result.changes:
        order = sorted(range(len(result.changes)), key=lambda k: -abs(float(result.nominal_change[k])))[:4]
        order.sort()
        first = sorted(result.contributors, key=lambda c: -float(abs(c.change[order]).max()))[:FEW]
        rows = [["without tolerances", *(signed(100.0 * float(result.nominal_change[k])) for k in order)]]
        rows += [[short(c.key), *(signed(100.0 * float(c.change[k])) for k in order)] for c in first]
        named = (("root of the sum of squares", "rss"), (f"{result.engines_run} engines run", "drawn"))
        rows += [[n, *(f"{100.0 * float(getattr(result.change, f)[k]):.2f}" for k in order)] for n, f in named]
        heads = [result.changes[k].replace(" at ", "\nat ") for k in order]
        out.print(
            table(["contributor", *heads], rows, title="O/F in changes of the throttle, one deviation [%]; the largest")
        )
        out.print()
    for name, members in result.groups.items():
        out.print(Text(f'group "{name}": {", ".join(short(m) for m in members)}'))
    for text in result.left_out:
        out.print(Text(f"left out: {text}", style="yellow"))
    said(result, out)


def _error(value: float) -> str:
    return "none" if math.isnan(value) else signed(100.0 * value)


def worst(result: WorstResult, out: Console) -> None:
    """Print a result of ``worst``."""
    rows = [
        [c.quantity, f"{100.0 * c.throttle:.0f}", signed(100.0 * c.nominal), signed(100.0 * c.linear), signed(100.0 * c.corner),
         signed(100.0 * c.value), str(c.tried)]
        for c in result.cases
    ]  # fmt: skip
    heads = (
        "quantity",
        "throttle\n[%]",
        "nominal\n[%]",
        "by slopes\n[%]",
        "corner\n[%]",
        "worst\n[%]",
        "engines\ntried",
    )
    out.print(table(heads, rows, title="Worst engine within tolerance"))
    out.print()
    for c in result.cases:
        by_side: dict[str, list[str]] = {"upper": [], "lower": [], "between": []}
        strong = c.strong()
        for key in strong:
            x = c.at[key]
            side = "upper" if x > 0.999 else "lower" if x < -0.999 else "between"
            by_side[side].append(short(key) + (f" at {x:+.2f} of it" if side == "between" else ""))
        text = "; ".join(f"{side} bound: {', '.join(keys)}" for side, keys in by_side.items() if keys)
        idle = len(c.effect) - len(strong)
        if idle > 0:
            text += f"; {idle} {'input has' if idle == 1 else 'inputs have'} no effect (below {100.0 * LITTLE:g} % of the sum)"
        out.print(Text(f"{c.quantity} {signed(100.0 * c.value)} %: {text}"))
    out.print("Strongest inputs first.")
    out.print()
    rows = [
        [c.name, str(len(c.moved)), *(_error(x) for x in (c.ratio_error, c.thrust_error, c.peak_error))]
        for c in result.corners
    ]
    if rows:
        head = ("corner", "inputs\nmoved", "held O/F\n[%]", "held thrust\n[%]", "O/F in the run\n[%]")
        out.print(table(head, rows, title="Declared corners and those of check: largest errors, valves as scheduled"))
        out.print()
    if result.run is not None:
        peak = signed(100.0 * float(result.peak_error))
        out.print(Text(f"Simulated with the engine of the worst held O/F: largest O/F error {peak} %."))
    said(result, out)
