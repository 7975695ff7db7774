"""Feed legs and chamber in the simulator in lanes: the same laws and order as ``kernel_feed``, one small loop a law."""

from __future__ import annotations

from typing import Any

from valvectl.parts.chamber import chamber_midpoint_step, chamber_pressure_rate
from valvectl.parts.injector import orifice_midpoint
from valvectl.parts.lookup import blend, locate
from valvectl.parts.tank import tank_pressure
from valvectl.parts.valve import valve_loss
from valvectl.plant import lane_layout as lx
from valvectl.plant import layout as ix
from valvectl.plant.kernel_base import laws, tail
from valvectl.plant.kernel_feed import column_lags, column_step, valve_drop
from valvectl.plant.lane_kernel_servo import LANES, L, lane
from valvectl.plant.lane_math import copy_four, ln

laws(chamber_pressure_rate, chamber_midpoint_step, orifice_midpoint, blend, locate, tank_pressure, valve_loss)


@lane
def feed_cells(q: Any, cells: Any, points: int, loss_points: int) -> None:
    """Where ball and flow stand in their tables."""
    par, st = q, tail(q, lx.STATE * L)
    ball, loss = tail(cells, lx.CELL_BALL * L), tail(cells, lx.CELL_LOSS * L)
    tables, losses = tail(cells, lx.CELL_TABLES * L), tail(cells, lx.CELL_LOSSES * L)
    share_row, loss_share, offset = tail(q, lx.SHARE * L), tail(q, lx.LOSS_SHARE * L), tail(q, lx.BALL_OFFSET * L)
    for j in range(LANES):
        angle = st[ix.BALL_ANGLE * L + j] + offset[j]
        cell, share = locate(points, par[ix.GRID_START * L + j], par[ix.GRID_PER_STEP * L + j], angle)
        ball[j] = tables[j] + cell
        share_row[j] = share
        cell, share = locate(loss_points, 0.0, par[ix.LOSS_PER_STEP * L + j], st[ix.FLOW * L + j])
        loss[j] = losses[j] + cell
        loss_share[j] = share


@lane
def fours(at: Any, pairs: Any, to: Any) -> None:
    """Copy out of a pair of tables the two neighbours of each cell ``at``: a loop of its own, which is all that can not be
    done for many lanes at once."""
    for j in range(LANES):
        copy_four(to, 4 * j, pairs, 2 * at[j])


@lane
def feed_step(q: Any, per_step: float) -> int:
    """Liquid column of a leg over one step with the valve not choked. Returns how many lanes' valves choke instead; those are
    the business of ``choked_step``."""
    par, st = q, tail(q, lx.STATE * L)
    valve, lines = tail(q, lx.FOUR_VALVE * L), tail(q, lx.FOUR_LOSS * L)
    share, loss_share = tail(q, lx.SHARE * L), tail(q, lx.LOSS_SHARE * L)
    c_scale, fl_scale, up_scale, down_scale = (
        tail(q, lx.C_SCALE * L),
        tail(q, lx.FL_SCALE * L),
        tail(q, lx.UP_SCALE * L),
        tail(q, lx.DOWN_SCALE * L),
    )
    before_row, choked_sum = tail(q, lx.FLOW_BEFORE * L), tail(q, lx.SUM_CHOKED * L)
    choking = 0
    for j in range(LANES):
        flow, manifold = st[ix.FLOW * L + j], st[ix.MANIFOLD * L + j]
        c = blend(valve[4 * j], valve[4 * j + 2], share[j])
        fl = blend(valve[4 * j + 1], valve[4 * j + 3], share[j]) * fl_scale[j]
        # choked, the valve's loss is that of a coefficient FL C; one quotient serves both branches
        choked_loss = valve_loss(c * c_scale[j] * fl, par[ix.RHO * L + j])
        upstream = blend(lines[4 * j], lines[4 * j + 2], loss_share[j]) * up_scale[j]
        downstream = blend(lines[4 * j + 1], lines[4 * j + 3], loss_share[j]) * down_scale[j]
        supply = tank_pressure(par[ix.TANK * L + j], par[ix.DROOP_SLOPE * L + j], 1.0, flow) + par[ix.HEAD * L + j]
        after = column_step(
            flow, supply - manifold, upstream + choked_loss * (fl * fl) + downstream, par[ix.STEP_OVER_ALL * L + j]
        )
        push = supply - par[ix.FF * L + j] * par[ix.VAPOUR * L + j]
        chokes = column_lags(after, flow, push, upstream + choked_loss, par[ix.STEP_OVER_UP * L + j])
        before_row[j] = flow
        st[ix.FLOW * L + j] = after
        st[ix.CHOKED * L + j] = 1.0 if chokes else 0.0
        choked_sum[j] += 1.0 if chokes else 0.0
        choking += 1 if chokes else 0
        st[ix.VALVE_DROP * L + j] = valve_drop(
            supply, manifold, flow, after, upstream, downstream,
            par[ix.UP_INERTANCE * L + j], par[ix.DOWN_INERTANCE * L + j], per_step,
        )  # fmt: skip
    return choking


@lane
def choked_step(q: Any, per_step: float) -> None:
    """``feed_step`` once more for the lanes whose valves choke."""
    par, st = q, tail(q, lx.STATE * L)
    valve, lines = tail(q, lx.FOUR_VALVE * L), tail(q, lx.FOUR_LOSS * L)
    share, loss_share = tail(q, lx.SHARE * L), tail(q, lx.LOSS_SHARE * L)
    c_scale, fl_scale, up_scale, down_scale = (
        tail(q, lx.C_SCALE * L),
        tail(q, lx.FL_SCALE * L),
        tail(q, lx.UP_SCALE * L),
        tail(q, lx.DOWN_SCALE * L),
    )
    before_row = tail(q, lx.FLOW_BEFORE * L)
    for j in range(LANES):
        flow, manifold = before_row[j], st[ix.MANIFOLD * L + j]
        c = blend(valve[4 * j], valve[4 * j + 2], share[j])
        fl = blend(valve[4 * j + 1], valve[4 * j + 3], share[j]) * fl_scale[j]
        choked_loss = valve_loss(c * c_scale[j] * fl, par[ix.RHO * L + j])
        upstream = blend(lines[4 * j], lines[4 * j + 2], loss_share[j]) * up_scale[j]
        downstream = blend(lines[4 * j + 1], lines[4 * j + 3], loss_share[j]) * down_scale[j]
        supply = tank_pressure(par[ix.TANK * L + j], par[ix.DROOP_SLOPE * L + j], 1.0, flow) + par[ix.HEAD * L + j]
        push = supply - par[ix.FF * L + j] * par[ix.VAPOUR * L + j]
        after = column_step(flow, push, upstream + choked_loss, par[ix.STEP_OVER_UP * L + j])
        behind = valve_drop(
            supply, manifold, flow, after, upstream, downstream,
            par[ix.UP_INERTANCE * L + j], par[ix.DOWN_INERTANCE * L + j], per_step,
        )  # fmt: skip
        chokes = st[ix.CHOKED * L + j] > 0.5
        free, free_drop = st[ix.FLOW * L + j], st[ix.VALVE_DROP * L + j]
        st[ix.FLOW * L + j] = after if chokes else free
        st[ix.VALVE_DROP * L + j] = behind if chokes else free_drop


@lane
def burnt(q: Any, cells: Any, flows: Any, mask: int, tick: int) -> None:
    """Injector flow that burns now: that of each lane's own delay ago."""
    before, part, row = tail(cells, lx.BURNT_BEFORE * L), tail(q, lx.DELAY_PART * L), tail(q, lx.BURNT * L)
    last, now = (mask + 1) * L - 1, tick * L  # the ring has a power of two of numbers, the lanes are in the low bits
    for j in range(LANES):
        at = now - before[j]
        row[j] = blend(flows[at & last], flows[(at - L) & last], part[j])


@lane
def burnt_alike(q: Any, cells: Any, flows: Any, mask: int, tick: int) -> None:
    """``burnt`` where all lanes have one delay."""
    row, part, last = tail(q, lx.BURNT * L), q[lx.DELAY_PART * L], (mask + 1) * L - 1
    at = tick * L - cells[lx.BURNT_BEFORE * L]
    newer, older = tail(flows, at & last), tail(flows, (at - L) & last)
    for j in range(LANES):
        row[j] = blend(newer[j], older[j], part)


@lane
def c_star_cells(w: Any, nr: int, nx: int, r0: float, per_dr: float, x0: float, per_dx: float, cells: Any) -> None:
    """Where the chamber stands in the table of characteristic velocity."""
    o, f, e = tail(w, lx.BURNT * L), tail(w, (lx.LEG_ROWS + lx.BURNT) * L), tail(w, 2 * lx.LEG_ROWS * L)
    u, v, pressure = tail(e, lx.C_STAR_U * L), tail(e, lx.C_STAR_V * L), tail(e, lx.PRESSURE * L)
    for j in range(LANES):
        ratio = o[j] / max(f[j], 1e-9)
        column, share = locate(nr, r0, per_dr, ratio)
        row, other = locate(nx, x0, per_dx, ln(max(pressure[j], 1.0)))
        cells[j] = row * nr + column
        u[j] = share
        v[j] = other


@lane
def chamber_step(w: Any) -> None:
    """Chamber pressure one step on, by the trapezoidal rule of its linear equation, with the characteristic velocity of the
    four corners of its table about the present one."""
    o, f, e = tail(w, lx.BURNT * L), tail(w, (lx.LEG_ROWS + lx.BURNT) * L), tail(w, 2 * lx.LEG_ROWS * L)
    four, u, v = tail(e, lx.FOUR_C_STAR * L), tail(e, lx.C_STAR_U * L), tail(e, lx.C_STAR_V * L)
    pressure, after = tail(e, lx.PRESSURE * L), tail(e, lx.AFTER * L)
    for j in range(LANES):
        low, high = blend(four[4 * j], four[4 * j + 2], u[j]), blend(four[4 * j + 1], four[4 * j + 3], u[j])
        velocity = e[ix.EFFICIENCY * L + j] * blend(low, high, v[j])
        steps = e[lx.STEP_OVER_RESIDENCE * L + j] * velocity
        after[j] = chamber_midpoint_step(pressure[j], o[j] + f[j], velocity, e[ix.THROAT_AREA * L + j], steps)


@lane
def manifold_step(q: Any, e: Any, flows: Any, slot: int) -> None:
    """Manifold of a leg over one step; the injector's flow goes into the ring of delayed flows."""
    par, st, to = q, tail(q, lx.STATE * L), tail(q, lx.INJECTED * L)
    pressure, after = tail(e, lx.PRESSURE * L), tail(e, lx.AFTER * L)
    for j in range(LANES):
        middle = 0.5 * (pressure[j] + after[j])
        manifold = st[ix.MANIFOLD * L + j]
        drop, flow = orifice_midpoint(
            manifold - middle, st[ix.FLOW * L + j], par[ix.ORIFICE * L + j], par[ix.HALF_STEP_COMPLIANCE * L + j]
        )
        st[ix.MANIFOLD * L + j] = 2.0 * (drop + middle) - manifold
        to[j] = flow
    ring = tail(flows, slot * L)
    for j in range(LANES):
        ring[j] = to[j]
