"""What the command line prints: tables that fit 80 columns, with and without colour; verdicts are words."""

from __future__ import annotations

import io
import math
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from valvectl.design.quantities import visible
from valvectl.design.schema import LEGS
from valvectl.review import wording
from valvectl.review.verdict import Review
from valvectl.review.wording import number, signed

if TYPE_CHECKING:
    from valvectl.studies.loop import LoopResult
    from valvectl.studies.ratio import RatioResult
    from valvectl.studies.resolution import ResolutionResult
    from valvectl.studies.throttle import ThrottleResult

WIDEST = 100
"""Columns used at most; a pipe gets 80."""
SETTINGS_SHOWN = 7
"""Throttle settings in the table of the resolution."""
_LOOK = {"met": "green", "missed": "bold red", "not assessed": "yellow"}


class PatientConsole(Console):
    """Goes on in silence when the reader of a pipe, such as ``head``, has seen enough: the exit code is the verdict's."""

    def on_broken_pipe(self) -> None:
        self.quiet = True
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def console() -> Console:
    """Standard output; texts are never read as markup, numbers are not coloured."""
    made = PatientConsole(markup=False, highlight=False, emoji=False, soft_wrap=False)
    made.width = min(made.width, WIDEST)
    return made


def table(
    head: Sequence[str], rows: Sequence[Sequence[str | Text]], left: int = 1, title: str = "", words: Sequence[str] = ()
) -> Table:
    """A table with its first ``left`` columns and those named in ``words`` flush left and numbers flush right."""
    made = Table(
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        padding=(0, 1, 0, 0),
        title=Text(title) if title else None,
        title_justify="left",
        title_style="bold",
        show_edge=False,
        header_style="",
    )
    for j, name in enumerate(head):
        flush: Any = "left" if j < left or name in words else "right"
        made.add_column(
            Text(name),
            justify=flush,
            overflow="fold",
            no_wrap=j == 0 and (name.endswith("[s]") or name == "requirement"),
        )
    for row in rows:
        made.add_row(*(c if isinstance(c, Text) else Text(c) for c in row))
    return made


def show_review(review: Review, report: Path | None) -> None:
    """The verdict table, the missed rows with their remedies, where the report is, and the caution."""
    out = console()
    out.print(Text(visible(review.design, 120), style="bold"))
    rows = [
        (
            r.id,
            r.leg or "engine",
            Text(wording.found(r, short=True), justify="right"),
            r.operator,
            Text(number(r.limit) + ("*" if r.limit_is_default else ""), justify="right"),
            r.unit,
            Text(wording.margin(r), justify="right"),
            Text(r.verdict, style=_LOOK[r.verdict]),
        )
        for r in review.rows
    ]
    out.print(table(("requirement", "leg", "found", "", "limit", "unit", "margin", "verdict"), rows, left=8))
    if any(r.limit_is_default for r in review.rows):
        out.print("* the program's default; the design states no limit")
    for row in review.rows:
        if row.verdict == "met":
            continue
        out.print()
        leg = f", {row.leg} leg" if row.leg else ""
        out.print(Text.assemble((f"{row.verdict}: {row.title}{leg}", _LOOK[row.verdict])))
        out.print(_indented(f"case: {row.case}"))
        for remedy in review.remedies:
            if (remedy.row_id, remedy.leg) == (row.id, row.leg):
                out.print(_indented(f"to mend it: {remedy.text}"))
    out.print()
    met = sum(r.verdict == "met" for r in review.rows)
    counts = wording.count_line(met, len(review.missed), len(review.not_assessed))
    out.print(Text(f"{wording.outcome(review.all_met)} {counts}.", style="bold"))
    if report is not None:
        out.print(Text(f"Report: {report}"), soft_wrap=True)  # one line, so that it can be copied
    out.print("Passing is no permission to operate: test in stages, with people clear.")


def _indented(text: str) -> Padding:
    return Padding(Text(text), (0, 0, 0, 2))


def show(study: str, result: Any) -> None:
    """One study's result as text."""
    shows: dict[str, Callable[[Any, Console], None]] = {
        "ratio": _ratio,
        "loop": _loop,
        "resolution": _resolution,
        "throttle": _throttle,
    }
    shows[study](result, console())


def _ratio(result: RatioResult, out: Console) -> None:
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
    rows.append(["throttle move", "", "s", *(t for j in at for t in (number(float(result.move_time[j]), 3), ""))])
    head = ["check", "limit", "unit", *(t for name, v in places for t in (f"{name} {number(v, 3)}", ""))]
    out.print(table(head, rows, title=f"Gear ratio, {result.leg} leg"))
    out.print(Text(result.reason))
    out.print()


def _loop(result: LoopResult, out: Console) -> None:
    rows = [
        [
            at,
            "yes" if result.stable[at] else "NO",
            number(m.gain_margin_db, 3, "no crossing"),
            number(math.degrees(m.phase_margin), 3, "no crossing"),
            number(m.gain_crossover / (2.0 * math.pi), 3),
            number(1e3 * m.delay_margin, 3, "no crossing"),
            number(m.peak_sensitivity, 3),
        ]
        for at, m in result.margins.items()
    ]
    head = ("loop", "stable", "gain [dB]", "phase [deg]", "crossover [Hz]", "delay [ms]", "peak |S|")
    out.print(table(head, rows, title=f"Stability margins, {result.leg} leg"))
    g = result.gains
    source = "tuned here" if result.tuned else "from the design file"
    out.print(
        f"Gains, {source}: Kp {number(g.position)} 1/s, Kv {number(g.speed)} A s/rad, "
        f"Kiv {number(g.speed_integral)} 1/s, Kc {number(g.current)} V/A, Kic {number(g.current_integral)} 1/s. "
        f"Bandwidth {number(result.bandwidth / (2.0 * math.pi), 3)} Hz."
    )
    steps = [
        [
            way,
            number(math.degrees(s.metrics.size), 3),
            number(1e3 * s.metrics.dead_time, 3),
            number(1e3 * s.metrics.t63, 3),
            number(100.0 * s.metrics.overshoot, 3),
            number(1e3 * s.metrics.settling, 3, "does not settle"),
            number(100.0 * s.metrics.residual, 3),
        ]
        for way, s in result.steps.items()
    ]
    out.print()
    head = ("step", "size [deg]", "dead [ms]", "t63 [ms]", "over [%]", "settled [ms]", "left [%]")
    out.print(table(head, steps, title=f"Simulated steps, {result.leg} leg"))
    out.print()


def _resolution(result: ResolutionResult, out: Console) -> None:
    n = result.throttle.size
    shown = np.unique(np.linspace(0, n - 1, min(n, SETTINGS_SHOWN)).round().astype(int))
    for name, leg in result.legs.items():
        rows = [
            [
                number(100.0 * float(result.throttle[j]), 3),
                number(math.degrees(float(leg.angle[j])), 3),
                number(math.degrees(float(leg.smallest_step[j])), 3),
                number(100.0 * float(leg.flow_step[j]), 3),
                number(100.0 * float(leg.ratio_step[j]), 3),
                leg.cause[j],
            ]
            for j in shown[::-1]
        ]
        head = ("throttle [%]", "open [deg]", "step [deg]", "flow [%]", "O/F [%]", "cause")
        out.print(table(head, rows, left=0, title=f"Smallest reliable step, {name} leg", words=("cause",)))
        worst, j = result.worst(name)
        within = "within" if worst <= result.limit else "beyond"
        out.print(
            f"Coarsest at {100.0 * float(result.throttle[j]):.0f} % throttle: {number(100.0 * worst, 3)} % of flow, "
            f"{within} the limit of {number(100.0 * result.limit, 3)} %."
        )
        out.print()


def _throttle(result: ThrottleResult, out: Console) -> None:
    holds = [
        [
            f"{h.start:.2f} to {h.end:.2f}",
            number(100.0 * h.throttle, 3),
            signed(100.0 * h.ratio_error),
            number(h.settling, 3, "does not settle"),
            *(number(math.degrees(h.hunting[leg]), 3) for leg in LEGS),
        ]
        for h in result.holds
    ]
    head = ("held [s]", "throttle [%]", "O/F error [%]", "settling [s]", *(f"{leg} hunts [deg]" for leg in LEGS))
    out.print(table(head, holds, title="Held throttle"))
    changes = [
        [
            f"{c.start:.2f} to {c.end:.2f}",
            f"{100.0 * c.before:.0f} to {100.0 * c.after:.0f}",
            signed(100.0 * c.peak_error),
            f"{c.peak_time:.3f}",
            *(number(1e3 * c.lag[leg], 3, "does not follow") for leg in LEGS),
        ]
        for c in result.changes
    ]
    head = ("moving [s]", "throttle [%]", "peak error [%]", "at [s]", *(f"{leg} lag [ms]" for leg in LEGS))
    out.print()
    out.print(table(head, changes, title="Moving throttle"))
    out.print(
        f"Wanted O/F {number(result.wanted_ratio)}. Largest error {number(100.0 * result.peak_error, 3)} %. "
        f"Lowest voltage at a drive {number(result.lowest_bus, 3)} V."
    )


def figure_bytes(drawn: Any, ending: str) -> bytes:
    """A figure, or the figure of some axes, as a file's content; ``ending`` is .svg, .png or .pdf."""
    from valvectl.review.figure_style import style

    figure = drawn if hasattr(drawn, "savefig") else drawn.get_figure()
    metadata: dict[str, dict[str, None]] = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}, ".png": {}}
    buffer = io.BytesIO()
    with style():
        figure.savefig(buffer, format=ending[1:], metadata=metadata[ending])
    return buffer.getvalue()
