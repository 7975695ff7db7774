"""Tables of the study of single faults."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import said, table
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.studies.fault_result import FaultRow, FaultsResult

_LOOK = {"too late": "bold red", "not detected": "bold red", "not assessed": "yellow"}
_WORDS = {"within limits without action": "within", "detected in time": "in time"}
_SHORT = {"chamber pressure": "chamber", "measured O/F": "O/F", "disagreement": "two enc.", "tank pressure": "tank"}


def _named(row: FaultRow) -> str:
    return f"{'ox.' if row.leg == 'oxidizer' else row.leg or 'both'} {row.fault}"


def _ms(value: float) -> str:
    return f"{1e3 * value:.0f}" if math.isfinite(value) else "never"


def _shut(value: float) -> str:
    return f"{1e3 * value:.0f}" if math.isfinite(value) else "-"


def _seen_by(channel: str) -> str:
    bare = channel.removeprefix("oxidizer ").removeprefix("fuel ")
    return _SHORT.get(bare, bare) or "nothing"


def _percent(value: float) -> str:
    if math.isnan(value):
        return "-"
    text = f"{100.0 * value:+.1f}" if math.isfinite(value) else "no fuel"
    return "0.0" if text in ("-0.0", "+0.0") else text


def faults(result: FaultsResult, out: Console) -> None:
    """Print a result of ``faults``."""
    rows: list[list[str | Text]] = []
    for row in result.rows:
        c = row.worst
        known = c.verdict != "not assessed"
        verdict = _WORDS.get(c.verdict, c.verdict)
        rows.append(
            [
                _named(row),
                f"{c.time:.2f}",
                _ms(c.limit_after) if known else "-",
                _ms(c.seen_after) if known else "-",
                _ms(c.sure_after) if known else "-",
                _seen_by(c.sure_by or c.seen_by) if known else "-",
                _shut(c.shut_after) if known else "-",
                Text(verdict, style=_LOOK.get(verdict, "")),
            ]
        )
    counts = {
        v: sum(r.worst.verdict == v for r in result.rows) for v in dict.fromkeys(r.worst.verdict for r in result.rows)
    }
    said_first = ", ".join(f"{n} {v}" for v, n in sorted(counts.items(), key=lambda one: -one[1]))
    out.print(Text(f"{len(result.rows)} single faults, each at its worst time: {said_first}."))
    out.print()
    head = ("single fault", "at", "limit", "alarm", "sure", "by", "shut", "verdict")
    many = f"the worst of {len(result.times)} times" if len(result.times) > 1 else "one time"
    title = f"Single faults at {many} [s]; the rest in ms after the fault"
    out.print(table(head, rows, left=1, title=title, words=("by", "verdict")))
    out.print(
        Text(
            f"Limits: O/F {result.ratio_high:.3g} (wanted {result.wanted_ratio:.3g}), chamber "
            f"{result.pressure_limit / 1e5:.3g} bar abs, passed for {1e3 * result.wall_time:.3g} ms or more. "
            "limit, alarm, shut: when it is passed, seen, and both flows stopped (-: not at all). sure: the alarm of an engine "
            "that stands off "
            "to the other side, within tolerance; shut and verdict go by it."
        )
    )
    out.print()
    boils = any(math.isfinite(r.worst.boiling) for r in result.rows)
    plain = [
        [
            _named(r),
            _percent(r.highest_ratio),
            _percent(r.lowest_ratio),
            f"{r.peak_pressure / 1e5:.2f}" if math.isfinite(r.peak_pressure) else "-",
            f"{100.0 * max(r.coolant, 0.0):.0f}" if math.isfinite(r.coolant) else "-",
            *([number(r.worst.boiling, 3, "-")] if boils else []),
            f"{r.passing} of {r.times}",
            f"{1e3 * r.abort.unburnt:.0f}" if r.abort is not None else "-",
        ]
        for r in result.rows
    ]
    columns = ["single fault", "O/F most\n[%]", "O/F least\n[%]", "chamber\n[bar abs]", "fuel\n[%]"]
    columns += ["boiling\nmargin"] if boils else []
    title = "Excursions over all times: O/F off the wanted, least fuel flow"
    out.print(table([*columns, "passes\na limit", "ox. alone,\nshut [ms]"], plain, title=title))
    out.print()
    others = [[_named(r), r.other.words] for r in result.rows if r.other is not None]
    if others:
        title = "What the other valve would have to do, and how fast"
        out.print(
            table(
                ("single fault", "change to angle, time of the move of the time there is"), others, left=2, title=title
            )
        )
        out.print()
    levels = [
        [
            t.channel,
            t.unit,
            number(t.noise * t.scale, 2),
            number(t.fault_free * t.scale, 3),
            number(t.proposed * t.scale, 3),
            number(t.threshold * t.scale, 3) if t.stated else "-",
            number(t.false_alarms, 2),
        ]
        for t in result.thresholds
    ]
    columns = ["reading", "unit", "noise", "fault-free", "proposed", "stated", "alarms"]
    title = f"Thresholds: {result.persistence} looks {1e3 * result.period:.3g} ms apart; false alarms a firing"
    out.print(table(columns, levels, left=1, title=title))
    out.print(Text(f"False alarms of all readings together: {number(result.false_alarms, 2)} a firing at most."))
    out.print()
    said(result, out)
