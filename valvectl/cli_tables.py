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
    from valvectl.studies.fill import FillResult
    from valvectl.studies.loop import LoopResult
    from valvectl.studies.port_result import PortsResult
    from valvectl.studies.ratio import RatioResult
    from valvectl.studies.resolution import ResolutionResult
    from valvectl.studies.stability import StabilityResult
    from valvectl.studies.surge import SurgeResult
    from valvectl.studies.throttle import ThrottleResult

WIDEST = 100
"""Columns used at most; a pipe gets 80."""
LAW_SHOWN = 9
"""Points of the closing law printed; --json has them all."""
PORTS_SHOWN = 8
"""Ports shown of those compared."""
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


_WHOLE = ("requirement", "leg", "found", "", "limit", "margin", "verdict")
"""Columns that are not broken over lines."""


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
            # a number broken over two lines reads as another number
            no_wrap=flush == "right" or name in _WHOLE or (j == 0 and name.endswith("[s]")),
        )
    for row in rows:
        made.add_row(*(c if isinstance(c, Text) else Text(c) for c in row))
    return made


FULL_WIDTH = 74
"""Width from which the verdict table shows all its columns [characters]."""


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
    head = ("requirement", "leg", "found", "", "limit", "unit", "margin", "verdict")
    keep = range(len(head)) if out.width >= FULL_WIDTH else (0, 1, 2, 3, 4, 7)  # narrow: without unit and margin
    out.print(table([head[j] for j in keep], [[row[j] for j in keep] for row in rows], left=8))
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
        "ports": _ports,
        "stability": _stability,
        "surge": _surge_or_start,
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
            number(m.gain_margin_db, 3, "no crossing") if result.stable[at] else "unstable",
            number(math.degrees(m.phase_margin), 3, "no crossing") if result.stable[at] else "unstable",
            number(m.gain_crossover / (2.0 * math.pi), 3),
            number(1e3 * m.delay_margin, 3, "no crossing") if result.stable[at] else "unstable",
            number(m.peak_sensitivity, 3) if result.stable[at] else "unstable",
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


def _ports(result: PortsResult, out: Console) -> None:
    shown = result.shortlist()[:PORTS_SHOWN]
    roles = {result.recommended: "take", result.next_best: "next", 0: "now"}
    rows = []
    for j in shown:
        c = result.candidates[j]
        rows.append(
            [
                roles.get(j, ""),
                c.label,
                f"{number(math.degrees(float(c.angle[0])), 3)} to {number(math.degrees(float(c.angle[-1])), 3)}",
                number(c.worst_choking, 3),
                number(c.gain_variation, 3),
                number(100.0 * c.worst_step, 3),
                str(len(c.missed)),
                str(len(c.flags)),
            ]
        )
    head = ("", "port", "angles [deg]", "choking", "gain var.", "step [%]", "missed", "flags")
    out.print(table(head, rows, left=2, title=f"Ports, {result.leg} leg"))
    out.print(
        "choking: largest drop over choking drop, tolerances at their adverse bounds; gain var.: largest over smallest "
        "installed gain; step: flow of the smallest reliable step; missed: requirements; flags: rules of common practice."
    )
    out.print(Text(result.reason))
    for flag in result.leg_flags:
        out.print(Text(f"note: {flag}"))
    out.print()


def _stability(result: StabilityResult, out: Console) -> None:
    n = result.throttle.size
    shown = np.unique(np.linspace(0, n - 1, min(n, SETTINGS_SHOWN)).round().astype(int))
    rows = [
        [
            number(100.0 * float(result.throttle[j]), 3),
            *(number(float(case.gain_margin[j]), 3, "> 80") for case in result.cases),
            number(float(result.as_stated.frequency[j]), 3),
            number(1e3 * float(result.as_stated.delay_margin[j]), 3, "any"),
            number(100.0 * float(result.gas_share_border[j]), 2),
        ]
        for j in shown[::-1]
    ]
    head = (
        "throttle [%]",
        *(case.label.removesuffix(" limit") for case in result.cases),
        "at [Hz]",
        "delay [ms]",
        "gas [%]",
    )
    out.print(table(head, rows, left=0, title="Feed-system stability: gain margin [dB] by state of the manifolds"))
    stated = result.as_stated.label
    out.print(
        f"at: frequency of the border, and delay: extra delay to it, both {stated}; gas: share of the manifolds at which "
        "it becomes unstable."
    )
    for case in result.cases:
        out.print(Text(f"{case.label}: {result.verdict(case)}", style="bold" if case is result.as_stated else ""))
    for note in result.notes:
        out.print(Text(f"note: {note}"))
    if not result.throat_choked.all():
        out.print("caution: the throat may not be choked at the lowest settings; these numbers do not hold there")
    if not result.soft.stable.all():
        out.print(
            "caution: gas or warm liquid behind a valve makes this engine chug; bleed and chill before throttling down"
        )
    out.print()


def _surge_or_start(result: Any, out: Console) -> None:
    (_start if hasattr(result, "arrival_lead") else _surge)(result, out)


def _surge(result: SurgeResult, out: Console) -> None:
    rows = [
        [
            m.name,
            f"{math.degrees(m.start_angle):.0f} to {math.degrees(m.end_angle):.0f}",
            number(1e3 * m.duration, 3),
            number(m.peak / 1e5, 4),
            number(m.rise / 1e5, 3),
            number(m.trough / 1e5, 3),
            "whole" if m.cavity == 0.0 else "PARTS",
        ]
        for m in result.movements
    ]
    head = ("movement", "angle [deg]", "in [ms]", "peak", "rise", "lowest", "column")
    out.print(table(head, rows, title=f"Surge, {result.leg} leg: pressures [bar abs], rise [bar]", words=("column",)))
    safe = result.safe_speed
    fastest = (
        "none that shuts within 5 s"
        if safe == 0.0
        else "any"
        if math.isinf(safe)
        else f"{number(math.degrees(safe), 3)} deg/s"
    )
    out.print(
        f"Limit {number(result.pressure_limit / 1e5)} bar abs, at rest {number(result.static_pressure / 1e5)}. Wave speed "
        f"{number(result.wave_speed)} m/s, 2L/a {number(1e3 * result.reflection, 3)} ms. Sudden stop from full thrust: "
        f"+{number(result.joukowsky / 1e5, 3)} bar. Fastest constant closing speed within the limit: {fastest} (command "
        f"limit {number(math.degrees(result.speed_limit), 3)})."
    )
    law = result.law
    if law is not None:
        at = np.linspace(0, law.time.size - 1, LAW_SHOWN).round().astype(int)
        rows = [
            ["time [ms]", *(number(1e3 * float(law.time[j]), 3) for j in at)],
            ["angle [deg]", *(f"{math.degrees(float(law.angle[j])):.1f}" for j in at)],
        ]
        out.print()
        out.print(
            table(
                ("closing law", *("" for _ in at)),
                rows,
                title=f"Closing law of least surge in {1e3 * law.duration:.0f} ms, {result.leg} leg",
            )
        )
        out.print(
            f"Peak {number(law.peak / 1e5, 5)} bar abs; {number(law.constant_speed_peak / 1e5, 5)} at constant speed in the "
            "same time. Check it on the stand with water before it is trusted."
        )
    if result.law_note:
        out.print(Text(result.law_note))
    _said(result, out)


def _start(result: FillResult, out: Console) -> None:
    rows = [
        [
            name,
            number(1e6 * leg.volume, 3),
            number(1e3 * leg.cracking, 3),
            number(1e3 * leg.full, 3),
            number(1e3 * leg.arrival, 3),
            number(1e3 * leg.mass, 3),
            f"{number(1e3 * leg.mass_low, 3)} to {number(1e3 * leg.mass_high, 3)}",
        ]
        for name, leg in result.legs.items()
    ]
    head = ("leg", "fills [mL]", "flow [ms]", "full [ms]", "clock [ms]", "waits [g]", "low, high [g]")
    out.print(table(head, rows, title=f"Start to {100.0 * result.throttle:.0f} % throttle"))
    first = "fuel" if result.arrival_lead > 0.0 else "oxidizer"
    out.print(
        f"Clock: arrival on the engine's, oxidizer command at 0; {first} first by {number(1e3 * abs(result.arrival_lead), 3)} "
        f"ms; ignition at {number(1e3 * result.ignition, 3)} ms. Waits: in the unlit chamber at ignition; low, high: two "
        "standard deviations of timing."
    )
    limit = (
        "no burst_limit stated, not assessed"
        if result.burst_limit is None
        else f"{'within' if result.within_limit else 'ABOVE'} the limit of {number(result.burst_limit / 1e5, 3)} bar"
    )
    out.print(
        f"Burnt at once in the closed chamber: +{number(result.burst / 1e5, 3)} bar, +{number(result.burst_high / 1e5, 3)} "
        f"with both high; {limit}."
    )
    _said(result, out)


def _said(result: SurgeResult | FillResult, out: Console) -> None:
    for line in result.assumptions:
        out.print(Text(f"note: {line}"))
    for line in result.cautions:
        out.print(Text(f"caution: {line}", style="yellow"))
    out.print()


def figure_bytes(drawn: Any, ending: str) -> bytes:
    """A figure, or the figure of some axes, as a file's content; ``ending`` is .svg, .png or .pdf."""
    from valvectl.review.figure_style import style

    figure = drawn if hasattr(drawn, "savefig") else drawn.get_figure()
    metadata: dict[str, dict[str, None]] = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}, ".png": {}}
    buffer = io.BytesIO()
    with style():
        figure.savefig(buffer, format=ending[1:], metadata=metadata[ending])
    return buffer.getvalue()
