"""The report's group on flow resolution, and the words for what would mend a coarse step (the command line uses them too)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from valvectl.design.schema import LEGS
from valvectl.review.report_groups import Group, Table, _plot
from valvectl.review.verdict import Review
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.design.schema import LegName
    from valvectl.studies.resolution import ResolutionResult
    from valvectl.studies.resolution_fix import StepFix, StepFixes

FIX_HEAD = ("input alone", "now", "needed", "then")
"""Columns of ``fix_rows``."""


def fix_rows(fixes: StepFixes) -> list[tuple[str, str, str, str]]:
    """One row an input: its key without the leg, its value now, the value at which its own causes meet the limit, and what
    that leaves too coarse. Those that suffice alone come first; inputs whose own causes are fine are left out."""
    useful = [f for f in fixes.fixes if f.alone or f.needed is None or f.needed != f.now]
    ordered = sorted(useful, key=lambda f: (not f.alone, f.needed is None))
    return [(_name(f, fixes.leg), _value(f, f.now), _value(f, f.needed), _left(f)) for f in ordered]


def no_help(fixes: StepFixes) -> str:
    """A sentence on the inputs that ``fix_rows`` leaves out; empty when there are none."""
    fine = [_name(f, fixes.leg) for f in fixes.fixes if not f.alone and f.needed is not None and f.needed == f.now]
    return f"Fine as they are, their own causes being within the limit: {', '.join(fine)}." if fine else ""


def _name(fix: StepFix, leg: LegName) -> str:
    return fix.key.removeprefix(f"legs.{leg}.").removesuffix(" (1: stem)")


def _value(fix: StepFix, value: float | None) -> str:
    if value is None:
        return "none does"
    if "location" in fix.key:
        return "stem" if value else "motor"
    return f"{number(value, 6 if fix.unit == '' and value == round(value) else 4)} {fix.unit}".rstrip()


def _left(fix: StepFix) -> str:
    if fix.alone:
        return "limit met"
    return f"too coarse {fix.remains}" if fix.remains.startswith("at ") else f"left: {fix.remains}"


def coarse_words(result: ResolutionResult, leg: LegName) -> str:
    """Below which opening a leg's step is coarser than the limit, in a sentence."""
    out = []
    for what, limit, opening in (
        ("smallest reliable step", result.limit, result.coarse_below(leg)),
        ("step after a reversal", result.dead_band_limit, result.coarse_below_after_reversal(leg)),
    ):
        where = f"up to {number(math.degrees(opening), 3)} deg open" if math.isfinite(opening) else "nowhere"
        out.append(f"{what} over {number(100.0 * limit, 3)} % of flow {where}")
    return f"Where it is too coarse: {'; '.join(out)}."


def offset_rows(result: ResolutionResult, leg: LegName) -> tuple[int, list[tuple[str, str, str, str]]]:
    """Where a leg's ball offset costs most flow, as an index of the throttle, and there the causes above zero and both
    sums: name, angle [deg], flow [%], O/F [%]."""
    at = result.legs[leg]
    j = int(at.offset_flow.argmax())
    named = [(cause, float(angle[j])) for cause, angle in at.offsets.items() if angle[j] > 0.0]
    named += [("all to one side", float(at.offset_sum[j])), ("independent causes by squares", float(at.offset_rss[j]))]
    gain, ratio_gain = float(at.gain[j]), float(at.ratio_gain[j])
    rows = [
        (
            cause,
            number(math.degrees(angle), 3),
            number(100.0 * gain * angle, 3),
            number(100.0 * ratio_gain * angle, 3),
        )
        for cause, angle in named
    ]
    return j, rows


def resolution_group(review: Review, result: ResolutionResult) -> Group:
    """Figure, tables and sentences on the flow resolution; what would mend it where the row is missed."""
    from valvectl.review.figures import resolution_chart

    group = Group("resolution", "Flow resolution", "How finely can flow be set, and what stands in the way?")
    group.plots.append(
        _plot(
            resolution_chart(result),
            "resolution",
            "Flow change of the smallest reliable step over the throttle range by cause, and the change of O/F",
            "A panel a leg: each cause by itself; the largest (wide pale line) is judged and should lie in the "
            "shaded range, the dashed one below its own limit. The dashed line is the change of command "
            "that moves the ball for certain after a turn, all causes together; "
            "the dotted one the ball's difference from the angle measured. Below: what both legs do to O/F.",
        )
    )
    for leg in LEGS:
        group.notes.append(f"{leg} leg. {coarse_words(result, leg)}")
        j, rows = offset_rows(result, leg)
        caption = (
            f"Angle measured minus angle of the ball, {leg} leg, at {100.0 * float(result.throttle[j]):.0f} % throttle"
        )
        group.tables.append(Table(caption, ("cause, at its bound", "angle [deg]", "flow [%]", "O/F [%]"), tuple(rows)))
    fixes: Mapping[str, StepFixes] = review.studies.get("resolution_fix", {})
    for name, found in fixes.items():
        caption = (
            f"What would bring the flow step to {number(100.0 * found.limit, 3)} %, {name} leg: each input alone; the ball's "
            f"step may be {number(math.degrees(found.allowed), 3)} deg"
        )
        group.tables.append(Table(caption, FIX_HEAD, tuple(fix_rows(found))))
        if no_help(found):
            group.notes.append(f"{name} leg. {no_help(found)}")
    return group
