"""Combustion chamber: filling and emptying of a well-stirred volume fed by delayed flows.

theta dpc/dt + pc = (c* / At) [mo(t - tau_o) + mf(t - tau_f)], with theta the residence time (``combustion``).
A usual lumped model of feed-coupled (chug) dynamics, e.g. Wenzel and Szuch, NASA TN D-3080 (1965), form from memory.
"""

from __future__ import annotations


def chamber_pressure_rate(pressure: float, burnt_flow: float, c_star: float, throat_area: float, theta: float) -> float:
    """Rate of chamber pressure [Pa/s] from the flow that burns now [kg/s], c* [m/s], throat area [m^2], theta [s]."""
    return (c_star * burnt_flow / throat_area - pressure) / theta


def chamber_midpoint_step(pressure: float, burnt_flow: float, c_star: float, throat_area: float, steps: float) -> float:
    """Chamber pressure [Pa] one step on by the trapezoidal rule of ``chamber_pressure_rate``, the flow that burns held;
    ``steps`` is the step over theta [-]."""
    return pressure + steps * chamber_pressure_rate(pressure, burnt_flow, c_star, throat_area, 1.0) / (
        1.0 + 0.5 * steps
    )


def steady_chamber_pressure(flow: float, c_star: float, throat_area: float) -> float:
    """Chamber pressure [Pa] of a steady flow [kg/s]: c* mdot / At."""
    return c_star * flow / throat_area


def chamber_flow(pressure: float, c_star: float, throat_area: float) -> float:
    """Flow [kg/s] that holds a chamber pressure [Pa]: pc At / c*."""
    return pressure * throat_area / c_star
