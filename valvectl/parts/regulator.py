"""What feeds gas into a tank: a spring-loaded regulator, a sampled gas valve, and the bottle before them."""

from __future__ import annotations

import math

LOCK_UP_SHARE = 0.10
"""Share of the reference flow over which the lock-up rise fades (common practice, no source)."""


def lock_up_rise(lock_up: float, share: float, reference_flow: float, flow: float) -> float:
    """Rise of outlet pressure [Pa] over the droop line near no flow: ``lock_up`` [Pa] at no flow, zero from ``share`` [-]
    of the reference flow [kg/s] on, straight between."""
    return lock_up * max(0.0, 1.0 - flow / (share * reference_flow))


def supply_effect(effect: float, bottle_start: float, bottle: float) -> float:
    """Rise of outlet pressure [Pa] as the inlet falls: ``effect`` [-] (bar a bar) times the bottle's fall [Pa].

    Positive for a regulator whose inlet pressure pushes its seat shut, the usual sign of a single-stage one; negative
    when the outlet falls with the bottle.
    """
    return effect * (bottle_start - bottle)


def outlet_pressure(
    pressure: float, droop: float, reference_flow: float, flow: float, lock_up: float, share: float, supply: float
) -> float:
    """Steady outlet pressure [Pa]: set pressure at no flow, droop [Pa] linear to the reference flow [kg/s], lock-up rise
    near no flow, and what the inlet's fall adds (``supply`` [Pa]).

    The set pressure is the line's value at no flow with the lock-up left out.
    """
    line = pressure - droop * flow / reference_flow
    return line + lock_up_rise(lock_up, share, reference_flow, flow) + supply


def first_order(value: float, goal: float, time_constant: float, time: float) -> float:
    """Value after a time [s] on its way to a constant goal with a time constant [s]; the goal itself when that is zero."""
    if time_constant <= 0.0:
        return goal
    return goal + (value - goal) * math.exp(-time / time_constant)


def switched(is_open: bool, pressure: float, set_pressure: float, dead_band: float) -> bool:
    """Command of an on/off gas valve at one sample: opens half a dead band [Pa] below the set pressure, shuts half of it
    above, else stays."""
    if pressure < set_pressure - 0.5 * dead_band:
        return True
    if pressure > set_pressure + 0.5 * dead_band:
        return False
    return is_open


def proportional_opening(pressure: float, set_pressure: float, band: float) -> float:
    """Opening [-] of a proportional gas valve at one sample: 0 at the set pressure, 1 from ``band`` [Pa] below it on."""
    return min(max((set_pressure - pressure) / band, 0.0), 1.0)
