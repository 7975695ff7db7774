"""What the requirement on tank disturbances finds."""

from __future__ import annotations

import math

from valvectl.design.schema import LEGS, LegName
from valvectl.review.find_feed import Found, at_throttle
from valvectl.studies.analysis import Analysis

NOT_DECLARED = (
    "tank disturbances: none is declared (supply, lock_up, response_time, ullage, trace, diameter, warming, "
    "flight.load_factor), so mixture_ratio_disturbed is not assessed and has no row."
)
"""For a design that says nothing about what disturbs its tanks."""


def is_disturbed(analysis: Analysis, leg: LegName | None) -> bool:
    """True when the design declares a disturbance of a tank."""
    return bool(analysis.tank_work.declared)


def disturbed(analysis: Analysis, leg: LegName | None) -> Found:
    """Largest O/F error with all declared disturbances together [%]."""
    work = analysis.tank_work
    found = work.together
    if found.ended:
        return math.inf, found.ended
    j = found.worst
    shifts = ", ".join(f"{name} {float(found.tanks[name].shift[j]) / 1e5:+.2f} bar" for name in LEGS)
    names = ", ".join(work.declared)
    where = f"at {float(found.time[j]):.2f} s, {at_throttle(float(work.grid.throttle[j])).removeprefix('at ')}"
    value = 100.0 * float(found.ratio_error[j])
    return abs(value), f"{where}: {value:+.2f} %; pressure and head against undisturbed: {shifts}; from {names}"
