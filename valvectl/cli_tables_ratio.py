"""Tables of the gear ratio and of the catalogue search."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from rich.console import Console
from rich.text import Text

from valvectl.cli_print import table
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.studies.catalogue import CatalogueResult
    from valvectl.studies.ratio import RatioResult


def ratio(result: RatioResult, out: Console) -> None:
    """Print a result of ``ratio``."""
    places = [("design", result.current)]
    if result.recommended is not None:
        places.append(("recommended", result.recommended))
    at = [int(np.argmin(np.abs(np.log(result.ratio / value)))) for _, value in places]
    rows: list[list[str]] = []
    for check in result.checks:
        sign = ">=" if check.at_least else "<="
        row = [check.name, f"{sign} {number(check.limit, 3)}", check.unit]
        for j in at:
            row += [number(float(check.values[j]), 3), "holds" if check.ok[j] else "FAILS"]
        rows.append(row)
    for check in result.shown or ():
        row = [check.name, "", check.unit]
        for j in at:
            value = float(check.values[j])
            row += [number(value, 3) if math.isfinite(value) else "none", ""]
        rows.append(row)
    if not result.shown:
        rows.append(["throttle move", "", "s", *(t for j in at for t in (number(float(result.move_time[j]), 3), ""))])
    head = ["check", "limit", "unit", *(t for name, v in places for t in (f"{name}\n{number(v, 3)}", ""))]
    out.print(Text(f"Gear ratio, {result.leg} leg", style="bold"))
    out.print(Text(result.reason))
    for line in result.close[2:12]:
        out.print(Text(f"  {line}"))
    out.print()
    out.print(table(head, rows, title=f"Checks, {result.leg} leg"))
    if math.isfinite(result.loaded_optimum):
        out.print(
            Text(
                f"Ratio of greatest acceleration: {number(result.inertia_optimum, 3)} unloaded, "
                f"{number(result.loaded_optimum, 3)} against the running torque; of the shortest stroke without a speed "
                f"limit {number(result.shortest_optimum, 3)}. They lie below what the torque margin allows where that closes it."
            )
        )
    if result.odds is not None:
        words = []
        for name, value in places:
            share, least = result.odds.at(value)
            words.append(f"{name} {number(value, 3)}: {100.0 * share:.3g} % (at least {100.0 * least:.3g} %)")
        out.print(
            Text(
                f"All checks hold over the declared tolerances, {result.odds.samples} draws, even between the bounds: "
                f"{'; '.join(words)}; lower bound at {100.0 * result.odds.confidence:.0f} % confidence."
            )
        )
    if result.simulated:
        words = [f"{number(n, 3)}: {1e3 * t:.0f} ms" if math.isfinite(t) else f"{number(n, 3)}: does not arrive"
                 for n, t in result.simulated.items()]  # fmt: skip
        out.print(
            Text(
                f"Simulated stroke (servo, both valves, to 2 % before the end) at {', '.join(words)}; the stroke time above is "
                "the fastest possible to the very end."
            )
        )
    if result.split:
        out.print()
        rows = [
            [
                number(r.maker, 3),
                number(r.own, 3),
                "-" if math.isnan(r.own_low) else f"{r.own_low:.2f} to {r.own_high:.2f}",
                number(r.box_torque, 3),
                "yes" if r.sensible else "no",
            ]
            for r in result.split
        ]
        total = result.current if result.recommended is None else result.recommended
        head = [
            "maker's\ngearbox",
            "own\nstage",
            "own stage\nwithin window",
            "torque out of\ngearbox [N m]",
            "own stage\n1.5 to 5",
        ]
        out.print(
            table(head, rows, title=f"Splits of {number(total, 3)}, {result.leg} leg; common ratios of gearboxes")
        )
    out.print()


def motors(result: CatalogueResult, out: Console) -> None:
    """Print a result of ``motors``."""
    hold = int(np.count_nonzero(result.holds))
    rows = []
    for place, (index, score) in enumerate(zip(result.front[:15], result.score, strict=False), 1):
        cost = result.cost[index]
        rows.append(
            [
                str(place),
                result.motor[index].removeprefix("motor "),
                result.gear[index],
                number(float(result.ratio[index]), 3),
                f"{100.0 * result.margin[index]:.0f}",
                f"{1e3 * result.time[index]:.0f}",
                number(float(result.mass[index]), 3),
                number(float(result.current[index]), 3),
                "-" if math.isnan(cost) else f"{cost:.0f}",
                f"{score:.2f}",
            ]
        )
    if rows:
        head = (
            "",
            "motor",
            "gearbox",
            "ratio\n[-]",
            "margin\n[%]",
            "stroke\n[ms]",
            "mass\n[kg]",
            "limit\n[A]",
            "cost",
            "mean\nplace",
        )
        out.print(table(head, rows, words=("motor", "gearbox"), title=f"Pareto front, {result.leg} leg"))
        if len(result.front) > len(rows):
            out.print(Text(f"{len(result.front) - len(rows)} more on the front: --json or --csv has them."))
        out.print(
            Text(
                "On the front: no other that holds is as good in margin, stroke, mass, current and cost and better in one. "
                "Order: mean place between best (0) and worst (1) of the front, equal weights."
            )
        )
    if result.front:
        told = "; ".join(result.close[:4]) + (
            f"; {len(result.close) - 4} more (--json)" if len(result.close) > 4 else ""
        )
        out.print(
            Text(
                f"Close call: {told}."
                if result.close
                else "One percent on any one input neither fails one of the first five nor changes who is first."
            )
        )
    out.print(
        Text(
            f"{len(result.motor)} combinations, {hold} hold every check, {len(result.front)} on the front; "
            f"{result.left_out} left out by filters. "
            + (
                f"Behind each gearbox the design's last stage, {number(result.own_ratio, 3)}:1."
                if result.own_ratio != 1.0
                else "No stage behind the gearbox."
            )
        )
    )
    out.print()
    rows = [[name, str(count), str(result.alone[name])] for name, count in result.rejected.items() if count]
    rows.sort(key=lambda row: -int(row[1]))
    out.print(table(("check", "fail it", "fail it alone"), rows, title="Why the others fall"))
    lost = [name for name, count in result.rejected.items() if count == len(result.motor)]
    if lost:
        out.print(
            Text(
                f"Every combination fails {', '.join(lost)}: no motor or gearbox mends that here, and what follows is near to "
                "holding only in the other checks."
            )
        )
    if result.near:
        out.print()
        rows = [
            [
                result.motor[n.index].removeprefix("motor "),
                result.gear[n.index],
                n.check,
                number(100.0 * (n.factor - 1.0), 2) if n.factor < 2.0 else f"{100.0 * (n.factor - 1.0):.0f}",
            ]
            for n in result.near
        ]
        columns = ("motor", "gearbox", "fails only", "misses by [%]")
        out.print(table(columns, rows, words=("motor", "gearbox", "fails only"), title="Nearest misses"))
    if any(result.kind[index] == "stepper" for index in result.front):
        out.print(
            Text(
                "A stepper draws its current at rest too, and its pull-out torque here is 70 % of the ideal motor's: measure the "
                "curve before you rely on it."
            )
        )
    if result.invented:
        out.print(Text("The demonstration catalogue is INVENTED: no such motor or gearbox exists.", style="yellow"))
    out.print()
