"""Tables of the studies of valve servo and profile: ratio, loop, resolution, throttle."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from rich.console import Console
from rich.text import Text

from valvectl import cli_tables_loop
from valvectl.cli_print import SETTINGS_SHOWN, table
from valvectl.cli_tables_control import gains
from valvectl.design.schema import LEGS
from valvectl.parts.controller_more import CASCADE
from valvectl.review.report_resolution import FIX_HEAD, coarse_words, fix_rows, no_help, offset_rows
from valvectl.review.wording import number, signed
from valvectl.studies.turbulence import sentence

if TYPE_CHECKING:
    from valvectl.studies.loop import LoopResult
    from valvectl.studies.resolution import ResolutionResult
    from valvectl.studies.resolution_fix import ResolutionAnswer, StepFixes
    from valvectl.studies.throttle import ThrottleResult


def loop(result: LoopResult, out: Console) -> None:
    """Print a result of ``loop``."""
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
    gains(result.gains, result.tuned, result.bandwidth, out)
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
    if result.detail is not None:
        cli_tables_loop.detail(result.detail, result.leg, out)
    elif result.servo is not None and result.servo.more.structure != CASCADE:
        out.print(Text("Stiffness, encoder noise, poles and word lengths are worked out for structure cascade only."))


def resolution(answer: ResolutionAnswer, out: Console) -> None:
    """Print a result of ``resolution``."""
    result = answer.found
    n = result.throttle.size
    shown = [int(j) for j in np.unique(np.linspace(0, n - 1, min(n, SETTINGS_SHOWN)).round())][::-1]
    for name, leg in result.legs.items():
        rows = [
            [
                number(100.0 * float(result.throttle[j]), 3),
                number(math.degrees(float(leg.angle[j])), 3),
                number(math.degrees(float(leg.smallest_step[j])), 3),
                number(100.0 * float(leg.flow_step[j]), 3),
                number(100.0 * float(leg.ratio_step[j]), 3),
                leg.cause[j],
                number(math.degrees(float(leg.reversal_step[j])), 3),
                number(100.0 * float(leg.reversal_flow[j]), 3),
            ]
            for j in shown
        ]
        head = (
            "throttle\n[%]", "open\n[deg]", "step\n[deg]", "flow\n[%]", "O/F\n[%]", "largest\ncause",
            "reversal\n[deg]", "flow\n[%]",
        )  # fmt: skip
        title = f"Smallest reliable step, and step after a reversal, {name} leg"
        out.print(table(head, rows, left=0, title=title, words=("largest\ncause",)))
        worst, j = result.worst(name)
        within = "within" if worst <= result.limit else "beyond"
        out.print(
            f"Coarsest at {100.0 * float(result.throttle[j]):.0f} % throttle: {number(100.0 * worst, 3)} % of flow, "
            f"{within} the limit of {number(100.0 * result.limit, 3)} %."
        )
        out.print(Text(coarse_words(result, name)))
        if leg.turbulence is not None:
            out.print(Text(f"Flow: {sentence(result.throttle, leg.turbulence.reynolds, leg.turbulence.factor)}."))
        out.print()
        j, offsets = offset_rows(result, name)
        title = (
            f"Angle measured minus angle of the ball, {name} leg, {100.0 * float(result.throttle[j]):.0f} % throttle"
        )
        out.print(table(("cause, at its bound", "angle [deg]", "flow [%]", "O/F [%]"), offsets, title=title))
        out.print()
    if len(result.legs) == len(LEGS):
        _both_legs(result, shown, out)
    for name, fixes in answer.fixes.items():
        _fixes(name, fixes, out)
    out.print(
        "Step: the largest cause by itself (row flow_resolution). Reversal: the change of command that moves the "
        "ball for certain whatever direction it came from, all causes together (row flow_dead_band)."
    )
    out.print()


def _both_legs(result: ResolutionResult, shown: list[int], out: Console) -> None:
    both = result.both()
    rows = [
        [
            number(100.0 * float(result.throttle[j]), 3),
            *(number(100.0 * float(v[j]), 3) for b in both.values() for v in (b.worst, b.rss)),
            number(100.0 * float(result.both_offset.alike[j]), 3),
        ]
        for j in shown
    ]
    head = ["throttle\n[%]"]
    for what in ("step", "reversal", "offset"):
        head += [f"{what},\nworst", f"{what},\nsquares"]
    out.print(table([*head, "offset,\nalike"], rows, left=0, title="Change of O/F [%], both valves off at once"))
    out.print(
        "Worst: each the wrong way. Squares: independent of one another. Alike: both the same way, as after one throttle "
        "change; chamber pressure free."
    )
    out.print()


def _fixes(name: str, fixes: StepFixes, out: Console) -> None:
    limit = number(100.0 * fixes.limit, 3)
    if not fixes.too_coarse:
        out.print(f"{name} leg: every cause is within {limit} % of flow; nothing has to change.")
        out.print()
        return
    title = f"What would bring the step to {limit} % of flow ({number(math.degrees(fixes.allowed), 3)} deg), {name} leg"
    out.print(table(FIX_HEAD, fix_rows(fixes), title=title, words=("then",)))
    if no_help(fixes):
        out.print(Text(no_help(fixes)))
    out.print()


def throttle(result: ThrottleResult, out: Console) -> None:
    """Print a result of ``throttle``."""
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
    head = ("held\n[s]", "throttle\n[%]", "O/F error\n[%]", "settling\n[s]", *(f"{leg}\nhunts [deg]" for leg in LEGS))
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
    head = ("moving\n[s]", "throttle\n[%]", "peak error\n[%]", "at\n[s]", *(f"{leg}\nlag [ms]" for leg in LEGS))
    out.print()
    out.print(table(head, changes, title="Moving throttle"))
    out.print(
        f"Wanted O/F {number(result.wanted_ratio)}. Largest error {number(100.0 * result.peak_error, 3)} %. "
        f"Lowest voltage at a drive {number(result.lowest_bus, 3)} V."
    )
