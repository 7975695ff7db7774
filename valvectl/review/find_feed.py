"""What the requirements on the feed system find: choking of the valve, injector drop, chug."""

from __future__ import annotations

import math

import numpy as np

from valvectl.design.schema import LegName
from valvectl.errors import NoBalanceError
from valvectl.studies.analysis import Analysis
from valvectl.studies.stability import StabilityResult

Found = tuple[float | None, str]
"""Value in the row's unit, and the governing case (or the reason why there is no value)."""
EARLY_CAVITATION = 0.5
"""Share of the choking drop above which a ball valve is likely to cavitate audibly (common practice, no source)."""
SOFT_INJECTOR = 0.15
"""Injector drop over chamber pressure below which chug needs evidence of its own (common practice; NASA SP-8089 gives 15
to 20 % at full flow, from memory)."""


def at_throttle(throttle: float) -> str:
    """Where in the throttle range, in words."""
    return f"at {100.0 * throttle:.0f} % throttle"


def bounds(leg: LegName, moved: tuple[str, ...], nominal: str) -> str:
    """How the tolerances entered a worst-corner row."""
    mine = [key for key in moved if key.startswith((f"legs.{leg}.", "battery."))]
    if not mine:
        return "no tolerance declared"
    return f"{len(mine)} toleranced input{'s' if len(mine) > 1 else ''} at the adverse bound (nominal {nominal})"


def cavitation(analysis: Analysis, leg: LegName | None) -> Found:
    """Valve drop over the drop at which it chokes [-], adverse bounds."""
    assert leg is not None
    try:
        found, moved = analysis.flow_corner
    except NoBalanceError as error:
        return math.inf, f"with tolerances at their adverse bounds there is no steady point: {error}"
    share = found.legs[leg].choking
    j = int(np.argmax(share))
    nominal = float(analysis.ladder.legs[leg].choking.max())
    straddles = bool(np.any(share >= 1.0)) and bool(np.any(share < 1.0))
    case = f"{at_throttle(float(found.throttle[j]))}, {bounds(leg, moved, f'{nominal:.3f}')}"
    if straddles:
        case += "; the leg crosses the choke line within the range"
    elif float(share[j]) > EARLY_CAVITATION:
        case += "; cavitation begins before choking: expect noise and some loss of flow"
    return float(share[j]), case


def stiffness(analysis: Analysis, leg: LegName | None) -> Found:
    """Injector drop over chamber pressure [%], adverse bounds."""
    assert leg is not None
    try:
        found, moved = analysis.stiffness_corner
    except NoBalanceError as error:
        return 0.0, f"with tolerances at their adverse bounds there is no steady point: {error}"
    share = found.legs[leg].stiffness
    j = int(np.argmin(share))
    nominal = 100.0 * float(analysis.ladder.legs[leg].stiffness.min())
    case = f"{at_throttle(float(found.throttle[j]))}, {bounds(leg, moved, f'{nominal:.1f} %')}"
    if float(share[j]) < SOFT_INJECTOR:
        case += f"; below {100 * SOFT_INJECTOR:.0f} % stability needs evidence of its own"
    return 100.0 * float(share[j]), case


def chug(analysis: Analysis, leg: LegName | None) -> Found:
    """Smallest gain margin of the chug loop over the throttle range, manifolds as stated [dB]; not above 0: unstable."""
    found = analysis.stability
    if not found.throat_choked.all():
        bad = float(found.throttle[~found.throat_choked].max())
        return None, f"the throat may not be choked up to {100.0 * bad:.0f} % throttle: the chamber's law does not hold"
    stated = found.as_stated
    bad_settings = ~stated.stable
    # An unstable setting governs whatever the margin of a stable one.
    value = np.where(bad_settings, np.minimum(stated.gain_margin, 0.0), stated.gain_margin)
    j = int(np.argmin(value))
    case = f"manifolds {stated.label}, {at_throttle(float(found.throttle[j]))}"
    if math.isfinite(float(stated.frequency[j])):
        case += f", {'' if bad_settings[j] else 'would '}chug near {float(stated.frequency[j]):.0f} Hz"
    least = float(np.min(stated.neutral_scale))
    if not bad_settings.any():
        if math.isfinite(least):
            case += f"; border at {least:.2f} times the stated delays"
        else:
            case += f"; no border up to {float(found.delay_scale[-1]):.2g} times the stated delays"
    return float(value[j]), f"{case}; {_soft(found)}"


def _soft(found: StabilityResult) -> str:
    """What gas or vapour in the manifolds would do, in words."""
    soft, border = found.soft, float(np.min(found.gas_share_border))
    bad = ~soft.stable
    if not bad.any():
        text = "soft manifolds (vapour) would be stable too"
    else:
        low, high = 100.0 * float(found.throttle[bad].min()), 100.0 * float(found.throttle[bad].max())
        where = f"{low:.0f} %" if round(low) == round(high) else f"{low:.0f} to {high:.0f} %"
        text = f"with vapour in the manifolds it would be unstable at {where} throttle"
    if border == 0.0:
        return f"{text}; unstable with no gas in them"
    if math.isfinite(border):
        return f"{text}; border at {100.0 * border:.2g} % gas in both"
    return f"{text}; no share of gas reaches the border"
