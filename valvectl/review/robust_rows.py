"""The review's rows that a robust choice must keep: all but those that drawn engines judge."""

from __future__ import annotations

from valvectl.errors import ValvectlError
from valvectl.review.requirements import REQUIREMENTS
from valvectl.studies.analysis import Analysis
from valvectl.studies.drawn_run import QUANTITIES

STROKES_TOO = ("bus_voltage",)
"""Judged by drawn engines over the throttle profile, and by the row in full strokes besides."""
OF_THE_FEED = ("mixture_ratio_disturbed", "valve_travel", "chug_margin", "boiling_margin")
"""Rows that no actuator and no controller moves."""


def ordinary_rows(analysis: Analysis, servo_only: bool) -> dict[str, float]:
    """Margin [-] by the row's name and leg, -inf where it could not be assessed.

    ``servo_only``: leave out the rows of the feed system, which cost most and do not move.
    """
    drawn = {q.name for q in QUANTITIES if q.has_limit} - set(STROKES_TOO)
    out: dict[str, float] = {}
    for requirement in REQUIREMENTS:
        if requirement.id in drawn or (servo_only and requirement.id in OF_THE_FEED):
            continue
        try:
            rows = requirement.rows(analysis)
        except ValvectlError:
            out[requirement.id] = -float("inf")
            continue
        for row in rows:
            name = row.id if row.leg is None else f"{row.id} {row.leg}"
            out[f"{name} strokes" if row.id in STROKES_TOO else name] = (
                -float("inf") if row.margin is None else row.margin
            )
    return out
