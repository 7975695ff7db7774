"""Limits of the study of single faults, and when one has been passed for too long."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from valvectl.design.design_file import DesignFile
from valvectl.parts.lookup import FloatArray

BoolArray = NDArray[np.bool_]

PRESSURE_SHARE = 1.2
"""Chamber pressure allowed over the design's where none is stated (common practice, no source)."""
LEAST_FLOW = 0.02
"""Share of a leg's full flow below which no flame is taken to hold [-] (common practice, no source)."""


@dataclass(frozen=True)
class Limits:
    """What must not be passed for long."""

    high: float
    """O/F [-]"""
    low: float
    """O/F [-]; NaN: not judged."""
    pressure: float
    """Chamber pressure [Pa]."""
    wall_time: float
    """[s]"""


def limits_of(design: DesignFile) -> Limits:
    """Limits that a design states, or those that follow from its requirements."""
    f, wanted = design.faults, float(design.engine.mixture_ratio)
    high = f.mixture_ratio_high
    if high is None:
        high = wanted * (1.0 + design.requirements.mixture_ratio_transient)
    low, pressure = f.mixture_ratio_low, f.chamber_pressure_limit
    return Limits(
        high=float(high),
        low=math.nan if low is None else float(low),
        pressure=float(PRESSURE_SHARE * design.engine.chamber_pressure if pressure is None else pressure),
        wall_time=float(f.wall_time),
    )


def first_passed(time: FloatArray, beyond: BoolArray, stands: float, lasts: bool = False) -> tuple[float, float]:
    """When something has been beyond its limit for ``stands`` [s] without a break, and the longest such stretch [s].

    ``time`` [s] and ``beyond`` (true or false) of shape (n,); infinite when it never is. ``lasts``: what is beyond at the end is
    taken to stay so, since nothing says that it would not.
    """
    if not bool(np.any(beyond)):
        return math.inf, 0.0
    edges = np.diff(np.concatenate([[0], beyond.astype(int), [0]]))
    starts, ends = np.nonzero(edges > 0)[0], np.nonzero(edges < 0)[0] - 1
    lengths = time[ends] - time[starts]
    enough = lengths >= stands
    enough[-1] |= lasts and bool(beyond[-1])
    long = np.nonzero(enough)[0]
    when = float(time[starts[long[0]]]) + stands if long.size else math.inf
    return when, float(np.max(lengths))
