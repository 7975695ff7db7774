"""What the requirements on the smallest step of flow find: going on in one direction, and after a reversal."""

from __future__ import annotations

import math

import numpy as np

from valvectl.design.schema import LegName
from valvectl.review.find_feed import Found, at_throttle
from valvectl.studies.analysis import Analysis


def resolution(analysis: Analysis, leg: LegName | None) -> Found:
    """Largest flow change of the smallest reliable step [%] and where."""
    assert leg is not None
    found = analysis.resolution
    value, j = found.worst(leg)
    at = found.legs[leg]
    return (
        100.0 * value,
        f"{at_throttle(float(found.throttle[j]))}, {math.degrees(float(at.angle[j])):.1f} deg open: {at.cause[j]} of "
        f"{math.degrees(float(at.smallest_step[j])):.3f} deg",
    )


def dead_band(analysis: Analysis, leg: LegName | None) -> Found:
    """Largest flow change of the step that moves the ball for certain after a reversal [%] and where."""
    assert leg is not None
    found = analysis.resolution
    at = found.legs[leg]
    j = int(np.argmax(at.reversal_flow))
    return (
        100.0 * float(at.reversal_flow[j]),
        f"{at_throttle(float(found.throttle[j]))}, {math.degrees(float(at.angle[j])):.1f} deg open: "
        f"{math.degrees(float(at.reversal_step[j])):.3f} deg before the ball moves back for certain",
    )
