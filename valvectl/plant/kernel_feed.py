"""Feed leg and chamber in the compiled simulator: liquid columns, valve with its choked branch, combustion delay.

Pressures live at whole steps, line flows half a step earlier; resistive and square-law parts are implicit (midpoint).
Tank droop and loss tables use the flow and c* the pressure at the start of the step: first order, and small.
"""

from __future__ import annotations

import math
from typing import Any

from valvectl.parts.chamber import chamber_pressure_rate
from valvectl.parts.combustion import c_star_lookup
from valvectl.parts.lookup import blend, locate
from valvectl.parts.tank import tank_pressure
from valvectl.parts.valve import valve_loss
from valvectl.plant import layout as ix
from valvectl.plant.kernel_base import jit, laws

laws(chamber_pressure_rate, c_star_lookup, blend, locate, tank_pressure, valve_loss)


@jit
def column_step(flow: float, push_pressure: float, loss: float, step_over_inertance: float) -> float:
    """Flow [kg/s] of a liquid column one step on: inertance dm/dt = push - loss m |m|.

    Implicit midpoint; where the loss is so large that the column has no inertia on the scale of a step (a valve that
    shuts), backward Euler instead, since the midpoint rule would ring there. ``push_pressure`` [Pa].
    """
    weight, per_weight = 0.5, 2.0
    # the column's time constant I / (2 sqrt(loss push)) against the step, without a root or a quotient
    if 4.0 * step_over_inertance * step_over_inertance * loss * max(abs(push_pressure), 1.0) > 1.0:
        weight, per_weight = 1.0, 1.0
    gain = weight * step_over_inertance
    q = flow + gain * push_pressure
    at = 2.0 * q / (1.0 + math.sqrt(1.0 + 4.0 * gain * loss * abs(q)))
    return flow + (at - flow) * per_weight


@jit
def feed(par: Any, st: Any, tables: Any, points: int, losses: Any, loss_points: int, per_step: float) -> None:
    """Liquid column of a leg over one step, with the valve's free and choked branch.

    The flow's rate is the lesser of the rates of the two branches, since the inlet pressure that the valve asks for is
    the larger of the two (``valve.inlet_pressure``).
    """
    flow, manifold = st[ix.FLOW], st[ix.MANIFOLD]
    cell, share = locate(points, par[ix.GRID_START], par[ix.GRID_PER_STEP], st[ix.BALL_ANGLE])
    c = blend(tables[ix.TAB_C * points + cell], tables[ix.TAB_C * points + cell + 1], share)
    fl = blend(tables[ix.TAB_FL * points + cell], tables[ix.TAB_FL * points + cell + 1], share)
    loss = valve_loss(c, par[ix.RHO])
    cell, share = locate(loss_points, 0.0, par[ix.LOSS_PER_STEP], flow)
    upstream = blend(losses[cell], losses[cell + 1], share)
    downstream = blend(losses[loss_points + cell], losses[loss_points + cell + 1], share)
    supply = tank_pressure(par[ix.TANK], par[ix.DROOP_SLOPE], 1.0, flow) + par[ix.HEAD]
    free = column_step(flow, supply - manifold, upstream + loss + downstream, par[ix.STEP_OVER_ALL])
    choked = column_step(flow, supply - par[ix.FF] * par[ix.VAPOUR], upstream + loss / (fl * fl), par[ix.STEP_OVER_UP])
    after = min(free, choked)
    st[ix.CHOKED] = 1.0 if choked < free else 0.0
    st[ix.FLOW] = after
    mean = 0.5 * (flow + after)
    rate = (after - flow) * per_step
    before = supply - upstream * mean * abs(mean) - par[ix.UP_INERTANCE] * rate
    behind = manifold + downstream * mean * abs(mean) + par[ix.DOWN_INERTANCE] * rate
    st[ix.VALVE_DROP] = before - behind


def delayed_share(delay: float) -> tuple[int, float]:
    """Whole steps of a delay and the rest of it [-]."""
    whole = int(delay)
    return whole, delay - whole


laws(delayed_share)


@jit
def delayed(flows: Any, mask: int, tick: int, delay: float) -> float:
    """Injector flow ``delay`` steps ago, linear between stored steps; ``delay`` >= 1, ``mask`` + 1 a power of two."""
    whole, part = delayed_share(delay)
    return (1.0 - part) * flows[(tick - whole) & mask] + part * flows[(tick - whole - 1) & mask]


@jit
def engine(glob: Any, c_star: Any, burnt_o: float, burnt_f: float, pressure: float) -> float:
    """Chamber pressure one step on, from the flows that burn in the middle of the step."""
    h = glob[ix.STEP]
    total = burnt_o + burnt_f
    ratio = burnt_o / max(burnt_f, 1e-9)
    velocity = glob[ix.EFFICIENCY] * c_star_lookup(
        c_star,
        glob[ix.R_START],
        glob[ix.R_STEP],
        c_star.shape[1],
        glob[ix.X_START],
        glob[ix.X_STEP],
        c_star.shape[0],
        ratio,
        math.log(max(pressure, 1.0)),
    )
    theta = glob[ix.RESIDENCE] / velocity
    rate = chamber_pressure_rate(pressure, total, velocity, glob[ix.THROAT_AREA], theta)
    # trapezoidal rule of the linear equation: the explicit rate divided by (1 + h / 2 theta)
    return pressure + h * rate / (1.0 + 0.5 * h / theta)
