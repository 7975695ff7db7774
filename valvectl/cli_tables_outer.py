"""Tables of the plant by symbols and of the outer loops."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import said, table
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.studies.model import ModelResult
    from valvectl.studies.outer_result import OuterResult


def model(result: ModelResult, out: Console) -> None:
    """Print a result of ``model``."""
    rows = [
        [r.what, r.leg or "both", number(r.symbolic), number(r.program), r.unit or "-", f"{r.difference:.0e}"]
        for r in result.rows
    ]
    head = ("quantity", "leg", "by\nsymbols", "by the\nprogram", "unit", "differ\nby")
    title = f"Plant at {100.0 * result.throttle:.3g} % throttle, two ways; transfer functions where they differ most"
    out.print(table(head, rows, left=2, title=title, words=("unit",)))
    out.print()
    what = "agree" if result.agrees else "do NOT agree"
    out.print(Text(f"The two ways {what}: the largest relative difference is {result.largest_difference:.1e}."))
    out.print(Text("The equations: --latex FILE, --json, or the report of valvectl check."))
    said(result, out)


def _sourced(source: str) -> str:
    return {
        "flow_meters": "flow meters",
        "absolute_pressures": "two absolute transducers a leg",
        "differential_pressures": "differential transducers",
    }.get(source, source)


def trim(result: OuterResult, out: Console) -> None:
    """Print a result of ``trim``."""
    rows = []
    for loop, margins in result.margins.items():
        for j, m in enumerate(margins):
            rows.append(
                [
                    loop,
                    f"{100.0 * float(result.throttle[j]):.0f}",
                    "yes" if result.stable[j] else "NO",
                    number(m.gain_margin_db, 3, "none"),
                    number(math.degrees(m.phase_margin), 3, "none"),
                    number(m.gain_crossover / (2.0 * math.pi), 3, "none"),
                    number(m.peak_sensitivity, 3),
                    number(float(result.sensitivity[j]), 3),
                    number(float(result.chug[j]), 3, "none"),
                ]
            )
    head = (
        "loop, other\nclosed", "throttle\n[%]", "stable", "gain\n[dB]", "phase\n[deg]", "crosses\n[Hz]", "peak\n|S|",
        "both,\n|S|", "chug\n[Hz]",
    )  # fmt: skip
    out.print(table(head, rows, title=f"Margins, sampled every {1e3 * result.period:.3g} ms"))
    out.print()
    rows = [
        [
            f"{100.0 * float(x):.0f}",
            number(float(result.relative_gain[j]), 3),
            number(100.0 * float(result.open_error[j]), 3, "no tolerances"),
            number(100.0 * float(result.meter_error[j]), 3),
            number(100.0 * float(result.noise_ratio[j]), 3),
            *(number(100.0 * float(result.by_source[key][j]), 3) for key in result.by_source),
        ]
        for j, x in enumerate(result.throttle)
    ]
    errors = (
        "throttle\n[%]", "relative\ngain", "schedule\nalone", "by these\nsensors", "noise,\n1 sigma", "usual\nmeters",
        "usual\nabsolute", "usual\ndifferential",
    )  # fmt: skip
    out.print(table(errors, rows, title=f"Error of O/F [%]; mixture ratio by {_sourced(result.source)}"))
    out.print()
    last = result.runs[-1]
    rows = [
        [
            f"{100.0 * h.throttle:.0f}",
            f"{100.0 * h.open_ratio:+.2f}",
            f"{100.0 * h.closed_ratio:+.2f}",
            f"{100.0 * h.closed_scatter:.2f}",
            f"{100.0 * h.open_thrust:+.2f}",
            f"{100.0 * h.closed_thrust:+.2f}",
        ]
        for h in last.holds
    ]
    holds = (
        "hold at\n[%]", "O/F, schedule\nalone [%]", "O/F,\nloops [%]", "scatter\n[%]", "thrust,\nalone [%]",
        "thrust,\nloops [%]",
    )  # fmt: skip
    out.print(table(holds, rows, title=f"Holds of the profile: {last.what}"))
    out.print()
    rows = [[r.what, f"{100.0 * r.worst[0]:.2f}", f"{100.0 * r.worst[1]:.2f}"] for r in result.runs]
    title = "Largest steady O/F error over the holds [%]"
    out.print(table(("case", "schedule alone", "with loops"), rows, title=title))
    out.print()
    for loop in result.margins:
        how = "tuned here" if result.tuned[loop] else "design file"
        gain, rate = result.gains.gain[loop], result.gains.integral_rate[loop]
        out.print(Text(f"{loop} loop: gain {number(gain, 3)}, integral rate {number(rate, 3)} 1/s ({how})"))
    said(result, out)
