"""Feed leg and chamber in the compiled simulator: liquid columns, valve with its choked branch, combustion delay.

Pressures live at whole steps, line flows half a step earlier; resistive and square-law parts are implicit (midpoint).
Tank droop and loss tables use the flow and c* the pressure at the start of the step: first order, and small.
"""

from __future__ import annotations

import math
from typing import Any

from valvectl.parts.chamber import chamber_midpoint_step, chamber_pressure_rate
from valvectl.parts.combustion import c_star_lookup
from valvectl.parts.lookup import blend, locate
from valvectl.parts.tank import tank_pressure
from valvectl.parts.valve import valve_loss
from valvectl.plant import layout as ix
from valvectl.plant.kernel_base import jit, laws

laws(chamber_pressure_rate, chamber_midpoint_step, c_star_lookup, blend, locate, tank_pressure, valve_loss)


@jit
def column_weight(push_pressure: float, loss: float, step_over_inertance: float) -> tuple[float, float]:
    """Where in a step a liquid column's loss is taken, and one over that: implicit midpoint; where the loss is so large that
    the column has no inertia on the scale of a step (a valve that shuts), its end, since the midpoint rule would ring there.

    Inertance dm/dt = push - loss m |m|; ``push_pressure`` [Pa].
    """
    # the column's time constant I / (2 sqrt(loss push)) against the step, without a root or a quotient
    if 4.0 * step_over_inertance * step_over_inertance * loss * max(abs(push_pressure), 1.0) > 1.0:
        return 1.0, 1.0
    return 0.5, 2.0


@jit
def column_step(flow: float, push_pressure: float, loss: float, step_over_inertance: float) -> float:
    """Flow [kg/s] of a liquid column one step on."""
    weight, per_weight = column_weight(push_pressure, loss, step_over_inertance)
    gain = weight * step_over_inertance
    q = flow + gain * push_pressure
    at = 2.0 * q / (1.0 + math.sqrt(1.0 + 4.0 * gain * loss * abs(q)))
    return flow + (at - flow) * per_weight


@jit
def column_lags(after: float, flow: float, push_pressure: float, loss: float, step_over_inertance: float) -> bool:
    """True when ``column_step`` would give less than ``after``: its equation with that put in, no root or quotient."""
    weight, _ = column_weight(push_pressure, loss, step_over_inertance)
    gain = weight * step_over_inertance
    at = flow + (after - flow) * weight
    return at + gain * loss * at * abs(at) > flow + gain * push_pressure


@jit
def valve_drop(
    supply: float, manifold: float, flow: float, after: float, upstream: float, downstream: float,
    up_inertance: float, down_inertance: float, per_step: float,
) -> float:  # fmt: skip
    """Pressure drop of the valve in the middle of a step [Pa]: what the lines before and behind it leave."""
    mean = 0.5 * (flow + after)
    rate = (after - flow) * per_step
    before = supply - upstream * mean * abs(mean) - up_inertance * rate
    behind = manifold + downstream * mean * abs(mean) + down_inertance * rate
    return before - behind


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
    # choked, the valve's loss is that of a coefficient FL C; one quotient serves both branches
    choked_loss = valve_loss(c * fl, par[ix.RHO])
    cell, share = locate(loss_points, 0.0, par[ix.LOSS_PER_STEP], flow)
    upstream = blend(losses[cell], losses[cell + 1], share)
    downstream = blend(losses[loss_points + cell], losses[loss_points + cell + 1], share)
    supply = tank_pressure(par[ix.TANK], par[ix.DROOP_SLOPE], 1.0, flow) + par[ix.HEAD]
    after = column_step(flow, supply - manifold, upstream + choked_loss * (fl * fl) + downstream, par[ix.STEP_OVER_ALL])
    push = supply - par[ix.FF] * par[ix.VAPOUR]
    st[ix.CHOKED] = 0.0
    if column_lags(after, flow, push, upstream + choked_loss, par[ix.STEP_OVER_UP]):
        st[ix.CHOKED] = 1.0
        after = column_step(flow, push, upstream + choked_loss, par[ix.STEP_OVER_UP])
    st[ix.FLOW] = after
    st[ix.VALVE_DROP] = valve_drop(
        supply, manifold, flow, after, upstream, downstream, par[ix.UP_INERTANCE], par[ix.DOWN_INERTANCE], per_step
    )


def delayed_share(delay: float) -> tuple[int, float]:
    """Whole steps of a delay and the rest of it [-]."""
    whole = int(delay)
    return whole, delay - whole


laws(delayed_share)


@jit
def delayed(flows: Any, mask: int, tick: int, delay: float) -> float:
    """Injector flow ``delay`` steps ago, linear between stored steps; ``delay`` >= 1, ``mask`` + 1 a power of two."""
    whole, part = delayed_share(delay)
    return blend(flows[(tick - whole) & mask], flows[(tick - whole - 1) & mask], part)


@jit
def engine(glob: Any, c_star: Any, burnt_o: float, burnt_f: float, pressure: float) -> float:
    """Chamber pressure one step on, from the flows that burn in the middle of the step."""
    h = glob[ix.FEED_STEP]
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
    return chamber_midpoint_step(pressure, total, velocity, glob[ix.THROAT_AREA], h / glob[ix.RESIDENCE] * velocity)
