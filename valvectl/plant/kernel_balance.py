"""The steady balance compiled: chamber pressure and flows of one engine at many pairs of angles.

The laws are those of ``balance``, the solver is another (bisection in the pressure), and each checks the other.
"""

from __future__ import annotations

import math
from typing import Any

from valvectl.parts.chamber import steady_chamber_pressure
from valvectl.parts.combustion import c_star_lookup
from valvectl.parts.injector import injector_drop
from valvectl.parts.lookup import blend, locate
from valvectl.parts.tank import tank_pressure
from valvectl.parts.valve import inlet_pressure
from valvectl.plant.kernel_base import FAST, jit, laws

__all__ = ["FAST", "steady_points"]

laws(steady_chamber_pressure, c_star_lookup, injector_drop, blend, locate, tank_pressure, inlet_pressure)

(RHO, FF, VAPOUR, TANK, DROOP, REFERENCE, HEAD, PER_STEP, CDA, INJECTED, LEG_SIZE) = range(11)
"""Numbers of a leg, SI: as the fields of ``LegMachine``; INJECTED is the density in the injector."""
(THROAT, EFFICIENCY, R_START, R_STEP, X_START, X_STEP, LOWEST, HIGHEST, FINE, ENGINE_SIZE) = range(10)
"""Numbers of the engine, SI; LOWEST and HIGHEST bracket the chamber pressure, FINE is how near it is found."""
ROUNDS = 25
HALVINGS = 200
TIGHT = 1e-13
"""Flows are found to this share of the reference flow."""


@jit
def missing_pressure(leg: Any, losses: Any, c: float, fl: float, flow: float, pressure: float) -> float:
    """Pressure before the valve that a flow into a chamber pressure needs, less the one that it finds there [Pa]."""
    cell, share = locate(losses.shape[1], 0.0, leg[PER_STEP], flow)
    up = blend(losses[0, cell], losses[0, cell + 1], share)
    down = blend(losses[1, cell], losses[1, cell + 1], share)
    before = tank_pressure(leg[TANK], leg[DROOP], leg[REFERENCE], flow) + leg[HEAD] - up * flow * flow
    behind = pressure + injector_drop(leg[CDA], leg[INJECTED], flow) + down * flow * flow
    return float(inlet_pressure(c, fl, leg[RHO], flow, behind, leg[FF], leg[VAPOUR]) - before)


@jit
def steady_flow(leg: Any, losses: Any, c: float, fl: float, pressure: float, start: float) -> float:
    """Flow [kg/s] of a leg into a chamber pressure; zero when nothing can flow. ``start``: a flow near it, or zero."""
    rest = missing_pressure(leg, losses, c, fl, 0.0, pressure)
    if rest >= 0.0:
        return 0.0
    fine = TIGHT * leg[REFERENCE]
    flow = start if start > 0.0 else leg[REFERENCE]
    for _ in range(ROUNDS):
        before = flow
        flow = flow * math.sqrt(-rest / (missing_pressure(leg, losses, c, fl, flow, pressure) - rest))
        if abs(flow - before) <= fine:
            return flow
    low, high = 0.0, leg[REFERENCE]
    while missing_pressure(leg, losses, c, fl, high, pressure) < 0.0:
        high *= 2.0
    for _ in range(HALVINGS):
        flow = 0.5 * (low + high)
        if missing_pressure(leg, losses, c, fl, flow, pressure) < 0.0:
            low = flow
        else:
            high = flow
        if high - low <= fine:
            break
    return float(0.5 * (low + high))


@jit
def surplus(engine: Any, c_star: Any, first: float, second: float, pressure: float) -> Any:
    """Chamber pressure less the one that both flows would hold [Pa]; the pressure itself when one does not flow."""
    if first <= 0.0 or second <= 0.0:
        return pressure
    ideal = c_star_lookup(
        c_star,
        engine[R_START],
        engine[R_STEP],
        c_star.shape[1],
        engine[X_START],
        engine[X_STEP],
        c_star.shape[0],
        first / second,
        math.log(pressure),
    )
    return float(pressure - steady_chamber_pressure(first + second, engine[EFFICIENCY] * ideal, engine[THROAT]))


def steady_points(legs: Any, losses: Any, engine: Any, c_star: Any, valves: Any, out: Any) -> None:
    """Fill ``out`` (n, 3) with chamber pressure [Pa] and both flows [kg/s]; NaN where there is no steady point.

    Shapes: legs (2, LEG_SIZE), losses (2, 2, m), engine (ENGINE_SIZE,), c_star (nx, nr), valves (n, 2, 2) with flow
    coefficient [m^2] and FL [-] of each leg at each pair of angles.
    """
    for i in range(valves.shape[0]):
        c_o, fl_o, c_f, fl_f = valves[i, 0, 0], valves[i, 0, 1], valves[i, 1, 0], valves[i, 1, 1]
        low, high = engine[LOWEST], engine[HIGHEST]
        first = steady_flow(legs[0], losses[0], c_o, fl_o, low, 0.0)
        second = steady_flow(legs[1], losses[1], c_f, fl_f, low, 0.0)
        out[i, 0] = out[i, 1] = out[i, 2] = math.nan
        if not surplus(engine, c_star, first, second, low) <= 0.0:
            continue
        for _ in range(HALVINGS):
            if high - low <= engine[FINE]:
                break
            pressure = 0.5 * (low + high)
            first = steady_flow(legs[0], losses[0], c_o, fl_o, pressure, first)
            second = steady_flow(legs[1], losses[1], c_f, fl_f, pressure, second)
            if surplus(engine, c_star, first, second, pressure) <= 0.0:
                low = pressure
            else:
                high = pressure
        pressure = 0.5 * (low + high)
        first = steady_flow(legs[0], losses[0], c_o, fl_o, pressure, first)
        second = steady_flow(legs[1], losses[1], c_f, fl_f, pressure, second)
        # where a leg stops flowing the balance jumps: a change of sign, but no steady point
        if first > 0.0 and second > 0.0 and abs(surplus(engine, c_star, first, second, pressure)) <= 1e3 * engine[FINE]:
            out[i, 0], out[i, 1], out[i, 2] = pressure, first, second
