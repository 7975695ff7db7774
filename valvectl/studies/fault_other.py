"""What the other valve would have to do when one leg has failed: angle and time that bring O/F back."""

from __future__ import annotations

import itertools
import math

import numpy as np
from scipy.optimize import brentq

from valvectl.design.schema import LegName
from valvectl.errors import NoBalanceError
from valvectl.plant.balance import OperatingPoint, balance
from valvectl.plant.command import shortest
from valvectl.plant.machine import Machine
from valvectl.studies.fault_result import OtherValve

_ANGLES = 40
"""Openings at which the other valve is tried before the crossing is narrowed down."""


def other_leg(leg: LegName) -> LegName:
    """The other of the two."""
    return "fuel" if leg == "oxidizer" else "oxidizer"


def _point(machine: Machine, leg: LegName, failed: float, angle: float) -> OperatingPoint | None:
    pair = (failed, angle) if leg == "oxidizer" else (angle, failed)
    try:
        return balance(machine, *pair)
    except NoBalanceError:
        return None


def other_valve(
    machine: Machine, leg: LegName, failed: float, stands: float, allowed: float, pressures: dict[LegName, float]
) -> OtherValve:
    """The move of the valve beside a failed ``leg`` whose ball stands at ``failed`` [rad], from where it ``stands`` [rad].

    ``pressures``: tank pressures at flow [Pa] where a regulator failed; ``allowed`` time [s] from detection and reaction until
    the limit has been passed for too long. Steady balance: the engine has settled when the move is done.
    """
    for name, pressure in pressures.items():
        machine = machine.with_leg(name, tank_pressure=pressure, tank_droop=0.0)
    other = other_leg(leg)
    part = machine.legs[other]
    low, high = max(part.closed_stop, part.characteristic.shut), part.open_stop
    grid = np.linspace(low + 1e-3 * (high - low), high, _ANGLES)
    found = [(float(a), _point(machine, leg, failed, float(a))) for a in grid]
    errors = [(a, p.mixture_ratio / machine.mixture_ratio - 1.0) for a, p in found if p is not None]
    crossings = [(a0, a1) for (a0, e0), (a1, e1) in itertools.pairwise(errors) if (e0 <= 0.0) != (e1 <= 0.0)]
    if not crossings:
        nearest = min(errors, key=lambda e: abs(e[1]), default=(math.nan, math.nan))
        words = "no opening keeps a flame"
        if errors:
            words = f"not within its travel: {100.0 * nearest[1]:+.0f} % at best, at {math.degrees(nearest[0]):.0f} deg"
        return OtherValve(other, math.nan, math.nan, math.nan, math.inf, allowed, words)

    def error(angle: float) -> float:
        point = _point(machine, leg, failed, angle)
        return math.nan if point is None else point.mixture_ratio / machine.mixture_ratio - 1.0

    # where there are several, the nearest to where the valve stands
    a0, a1 = min(crossings, key=lambda c: abs(0.5 * (c[0] + c[1]) - stands))
    angle = float(brentq(error, a0, a1, xtol=1e-6))
    point = _point(machine, leg, failed, angle)
    change = angle - stands
    time = shortest(part.servo, abs(change))
    thrust = math.nan if point is None else point.throttle
    words = f"{math.degrees(change):+.1f} deg to {math.degrees(angle):.1f}, {1e3 * time:.0f} ms"
    if not math.isfinite(allowed):
        pass
    elif time <= max(allowed, 0.0):
        words += f" of {1e3 * allowed:.0f}"
    else:
        asked = f"{math.degrees(abs(change)) / allowed:.0f} deg/s asked" if allowed > 0.0 else "no time left"
        words += f": too slow, {asked}"
    return OtherValve(other, angle, change, thrust, time, allowed, words)
