"""What the requirement on the liquid behind a heated jacket finds."""

from __future__ import annotations

import numpy as np

from valvectl.design.schema import LegName
from valvectl.errors import NoBalanceError
from valvectl.review.find_feed import Found, at_throttle, bounds
from valvectl.studies.analysis import Analysis
from valvectl.studies.ladder import LegLadder

HOT_METHOD = "steady balance at adverse bounds, heat with chamber pressure^0.8, mean temperature"
"""Method of the row."""


def is_heated(analysis: Analysis, leg: LegName | None) -> bool:
    """True when the design states heat for the leg's jacket."""
    return leg is not None and analysis.machine.legs[leg].jacket_heat is not None


def boiling(analysis: Analysis, leg: LegName | None) -> Found:
    """Manifold pressure over the vapour pressure of the hot liquid [-], adverse bounds; 0 beyond the liquid's tables."""
    assert leg is not None
    nominal = _least(analysis.ladder.legs[leg])
    try:
        found, moved = analysis.boiling_corner
    except NoBalanceError as error:
        return 0.0, f"with tolerances at their adverse bounds there is no steady point: {error}"
    hot = found.legs[leg].jacket
    value = _least(found.legs[leg])
    assert hot is not None
    j = value[1]
    at = f"{at_throttle(float(found.throttle[j]))}, {bounds(leg, moved, f'{nominal[0]:.3f}')}"
    if not np.isfinite(hot.temperature[j]):
        return 0.0, f"{at}: hotter than the liquid's properties reach"
    case = f"{at}: {float(hot.temperature[j]):.0f} K, vapour pressure {float(hot.vapour_pressure[j]) / 1e5:.2f} bar abs"
    if value[0] <= 1.0:
        case += "; it BOILS: the injector starves, the feed chugs, the wall burns through"
    return value[0], f"{case}; mean temperature, the hot wall is nearer to boiling"


def _least(leg: LegLadder) -> tuple[float, int]:
    """Least manifold over vapour pressure of a leg, zero where there is no vapour pressure, and at which setting."""
    assert leg.jacket is not None
    vapour = leg.jacket.vapour_pressure
    share = np.where(np.isfinite(vapour), leg.manifold / vapour, 0.0)
    j = int(np.argmin(share))
    return float(share[j]), j
