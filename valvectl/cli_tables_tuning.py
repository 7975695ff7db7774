"""Table of the tuning over corners."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import table
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.studies.tuning import TuningResult

_GAINS = (
    ("Kp position [1/s]", "position"),
    ("Kv speed [A s/rad]", "speed"),
    ("Kiv its integral [1/s]", "speed_integral"),
    ("Kc current [V/A]", "current"),
    ("Kic its integral [1/s]", "current_integral"),
)


def tuning(result: TuningResult, out: Console) -> None:
    """Print a result of ``loop --tune``."""
    rows = [[text, number(getattr(result.before, key)), number(getattr(result.gains, key))] for text, key in _GAINS]
    out.print(table(("gain", "in use", "found"), rows, title=f"Gains over {result.corners} corners, {result.leg} leg"))
    rows = [
        [
            h.loop,
            h.name,
            number(h.value, 4, "no limit"),
            ">=" if h.at_least else "<=",
            number(h.limit, 4),
            h.unit,
            "no limit" if math.isinf(h.reserve) else f"{100.0 * h.reserve:+.0f}",
            "MISSED" if not h.kept else "binds" if h.binding else "kept",
        ]
        for h in result.held
        if h.name != "stable" or not h.kept
    ]
    head = ("loop", "constraint", "worst", "", "limit", "unit", "reserve [%]", "")
    out.print(
        table(head, rows, left=2, title="Every constraint at its worst corner, exact margins", words=("constraint",))
    )
    out.print(Text(result.reason))
    out.print(
        Text(
            f"Mean error of the stem in the first 0.2 s of the fastest change ({math.degrees(result.speed):.0f} deg/s, friction "
            f"coming on), worst corner: {math.degrees(result.error):.3f} deg, {100.0 * result.flow_error:.2f} % of flow; gains "
            f"in use {math.degrees(result.before_error):.3f} deg, least reserve {100.0 * result.before_worst.reserve:+.0f} % "
            f"({result.before_worst.name}, {result.before_worst.loop})."
        )
    )
    out.print()
    rows = [
        [r.rule, f"{100.0 * r.worst.reserve:+.0f}" if math.isfinite(r.worst.reserve) else "none",
         f"{r.worst.name}, {r.worst.loop}", f"{math.degrees(r.error):.3f}" if math.degrees(r.error) < 90.0 else "unstable"]
        for r in result.rules
    ]  # fmt: skip
    out.print(table(("rule", "least reserve [%]", "of", "error [deg]"), rows, left=1, words=("rule", "of"),
                    title="Rules at the same corners"))  # fmt: skip
    if result.switched:
        out.print()
        rows = [
            [s.by, s.side, number(s.gains.position), number(s.gains.speed), number(s.gains.speed_integral),
             "kept" if s.feasible else "MISSED"]
            for s in result.switched
        ]  # fmt: skip
        out.print(table(("switched by", "side", "Kp", "Kv", "Kiv", "all"), rows, left=2, title="Two sets of gains"))
    out.print()
    rows = [[f.name, f.low, f.high, f.source] for f in result.factors]
    out.print(
        table(("what differs", "from", "to", "by"), rows, title="Corners: every combination", words=("by",), left=1)
    )
    out.print(
        Text(
            "Linear loops: friction that sticks, lost motion and counts are not in them; simulate (valvectl hunting, response) "
            "before the gains go to a valve."
        )
    )
    out.print()
