"""Is the flow through a valve turbulent: valve Reynolds number and Reynolds number factor FR over the throttle range.

The balance and the simulator take the flow as turbulent. This tells where that stops being true and by how much: FR is
the flow that the valve passes at the same opening and drop over the turbulent flow (IEC 60534-2-1; the laws and what they
rest on are in ``parts/valve_fitted``). The valve style modifier Fd is taken as 1, which suits a ball or a cock (0.98 to 1
in the standard's table, from memory); a notch or a needle has less, and then a lower Reynolds number in proportion.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from valvectl.errors import RangeError
from valvectl.parts.lookup import FloatArray, lookup
from valvectl.parts.valve import KV_TO_C
from valvectl.parts.valve_fitted import TURBULENT_REYNOLDS
from valvectl.parts.valve_sizing import FittedValve, LiquidService, liquid_flow
from valvectl.plant.balance import LegPoint
from valvectl.plant.machine import LegMachine

LEAST_FACTOR = 0.97
"""FR below which the turbulent flow is called into question (common practice, no source)."""
STYLE = 1.0
"""Valve style modifier Fd [-]."""


@dataclass(frozen=True)
class Turbulence:
    """Valve Reynolds number and FR of one valve at some points; arrays of shape (n,), NaN where they have no value."""

    reynolds: FloatArray
    """Valve Reynolds number at the flow that passes [-]."""
    factor: FloatArray
    """FR [-]; 1 in turbulent flow."""


def turbulence(leg: LegMachine, points: Sequence[LegPoint]) -> Turbulence:
    """Valve Reynolds number and FR of a leg's valve at its steady points; NaN where a point has no opening."""
    size, before, behind = leg.valve_sizes
    alone, liquid = leg.valve_alone, leg.liquid
    rated = float(alone.c[-1]) / KV_TO_C
    service = LiquidService(liquid.density, liquid.vapour_pressure, leg.ff, liquid.viscosity)
    rows = np.full((2, len(points)), np.nan)
    for j, at in enumerate(points):
        if not math.isfinite(at.angle) or at.valve_drop <= 0.0:
            continue
        kv = lookup(alone.c, alone.start, alone.per_step, at.angle) / KV_TO_C
        fl = lookup(alone.fl, alone.start, alone.per_step, at.angle)
        try:
            fitted = FittedValve(fl, size, before, behind, fd=STYLE, rated_kv=rated)
            found = liquid_flow(kv, fitted, service, at.valve_inlet, max(at.valve_outlet, 0.0))
        except RangeError:  # reducers without a sound FP, or nothing flows: there is no number to show
            continue
        rows[:, j] = found.reynolds, found.fr
    return Turbulence(*rows)


def lowest(reynolds: FloatArray) -> int | None:
    """Index of the lowest Reynolds number; None when there is none."""
    return int(np.nanargmin(reynolds)) if bool(np.any(np.isfinite(reynolds))) else None


def sentence(throttle: FloatArray, reynolds: FloatArray, factor: FloatArray) -> str:
    """The lowest valve Reynolds number over the range and what FR it means, in words; empty when there is none."""
    j = lowest(reynolds)
    if j is None:
        return ""
    at, fr = (
        f"lowest valve Reynolds number {rounded(float(reynolds[j]))} at {100.0 * float(throttle[j]):.0f} % throttle",
        float(factor[j]),
    )
    if fr < LEAST_FACTOR:
        return (
            f"{at}, FR {fr:.3f}: NOT turbulent; at the same opening and drop about {100.0 * (1.0 - fr):.2g} % less flows than "
            "this program works with, so the valve has to open further"
        )
    if float(reynolds[j]) < TURBULENT_REYNOLDS:
        return f"{at}, FR {fr:.3f}: not quite turbulent, about {100.0 * (1.0 - fr):.2g} % less flow than worked with"
    return f"{at}, FR {fr:.3f}: turbulent"


def rounded(reynolds: float) -> str:
    """A Reynolds number to two digits, without an exponent."""
    if not math.isfinite(reynolds) or reynolds <= 0.0:
        return "unknown"
    digits = max(math.floor(math.log10(reynolds)) - 1, 0)
    return f"{round(reynolds / 10**digits) * 10**digits:,}".replace(",", " ")
