"""Feed legs and chamber in the simulator in lanes: the same laws and order as ``kernel_feed``, one small loop a law."""

from __future__ import annotations

from typing import Any

from valvectl.parts.chamber import chamber_pressure_rate
from valvectl.parts.injector import orifice_midpoint
from valvectl.parts.lookup import blend, locate
from valvectl.parts.tank import tank_pressure
from valvectl.parts.valve import valve_loss
from valvectl.plant import lane_layout as lx
from valvectl.plant import layout as ix
from valvectl.plant.kernel_base import laws, tail
from valvectl.plant.kernel_feed import column_step, delayed_share
from valvectl.plant.lane_kernel_servo import LANES, L, lane
from valvectl.plant.lane_math import ln

laws(chamber_pressure_rate, orifice_midpoint, blend, locate, tank_pressure, valve_loss, delayed_share)


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
def valve_tables(q: Any, cells: Any, tables: Any, points: int) -> None:
    """Flow coefficient and recovery factor from their tables."""
    at, share, c, fl = tail(cells, lx.CELL_BALL * L), tail(q, lx.SHARE * L), tail(q, lx.C * L), tail(q, lx.FL * L)
    first, second = tail(tables, ix.TAB_C * points), tail(tables, ix.TAB_FL * points)
    for j in range(LANES):
        cell = at[j]
        c[j] = blend(first[cell], first[cell + 1], share[j])
        fl[j] = blend(second[cell], second[cell + 1], share[j])


@lane
def loss_tables(q: Any, cells: Any, losses: Any, points: int) -> None:
    """Losses before and behind the valve from their tables."""
    at, share = tail(cells, lx.CELL_LOSS * L), tail(q, lx.LOSS_SHARE * L)
    up, down, second = tail(q, lx.UP_LOSS * L), tail(q, lx.DOWN_LOSS * L), tail(losses, points)
    for j in range(LANES):
        cell = at[j]
        up[j] = blend(losses[cell], losses[cell + 1], share[j])
        down[j] = blend(second[cell], second[cell + 1], share[j])


@lane
def feed_step(q: Any, per_step: float) -> None:
    """Liquid column of a leg over one step, with the valve's free and choked branch."""
    par, st = q, tail(q, lx.STATE * L)
    c_row, fl_row, up, down = tail(q, lx.C * L), tail(q, lx.FL * L), tail(q, lx.UP_LOSS * L), tail(q, lx.DOWN_LOSS * L)
    c_scale, fl_scale, up_scale, down_scale, choked_sum = (
        tail(q, lx.C_SCALE * L),
        tail(q, lx.FL_SCALE * L),
        tail(q, lx.UP_SCALE * L),
        tail(q, lx.DOWN_SCALE * L),
        tail(q, lx.SUM_CHOKED * L),
    )
    for j in range(LANES):
        flow, manifold = st[ix.FLOW * L + j], st[ix.MANIFOLD * L + j]
        fl = fl_row[j] * fl_scale[j]
        # choked, the valve's loss is that of a coefficient FL C; one quotient serves both branches
        choked_loss = valve_loss(c_row[j] * c_scale[j] * fl, par[ix.RHO * L + j])
        loss = choked_loss * (fl * fl)
        upstream, downstream = up[j] * up_scale[j], down[j] * down_scale[j]
        supply = tank_pressure(par[ix.TANK * L + j], par[ix.DROOP_SLOPE * L + j], 1.0, flow) + par[ix.HEAD * L + j]
        free = column_step(flow, supply - manifold, upstream + loss + downstream, par[ix.STEP_OVER_ALL * L + j])
        choked = column_step(
            flow,
            supply - par[ix.FF * L + j] * par[ix.VAPOUR * L + j],
            upstream + choked_loss,
            par[ix.STEP_OVER_UP * L + j],
        )
        after = min(free, choked)
        chokes = 1.0 if choked < free else 0.0
        mean = 0.5 * (flow + after)
        rate = (after - flow) * per_step
        before = supply - upstream * mean * abs(mean) - par[ix.UP_INERTANCE * L + j] * rate
        behind = manifold + downstream * mean * abs(mean) + par[ix.DOWN_INERTANCE * L + j] * rate
        st[ix.CHOKED * L + j] = chokes
        st[ix.FLOW * L + j] = after
        st[ix.VALVE_DROP * L + j] = before - behind
        choked_sum[j] += chokes


@lane
def burnt(q: Any, flows: Any, mask: int, tick: int) -> None:
    """Injector flow that burns now: that of each lane's own delay ago."""
    delay, row = tail(q, ix.DELAY * L), tail(q, lx.BURNT * L)
    for j in range(LANES):
        whole, part = delayed_share(delay[j])
        newer, older = flows[((tick - whole) & mask) * L + j], flows[((tick - whole - 1) & mask) * L + j]
        row[j] = (1.0 - part) * newer + part * older


@lane
def burnt_alike(q: Any, flows: Any, mask: int, tick: int) -> None:
    """``burnt`` where all lanes have one delay."""
    row = tail(q, lx.BURNT * L)
    whole, part = delayed_share(q[ix.DELAY * L])
    newer, older = tail(flows, ((tick - whole) & mask) * L), tail(flows, ((tick - whole - 1) & mask) * L)
    for j in range(LANES):
        row[j] = (1.0 - part) * newer[j] + part * older[j]


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
def c_star_tables(w: Any, nr: int, cells: Any, c_star: Any) -> None:
    """Characteristic velocity from its table, at the two pressures beside the chamber's."""
    e = tail(w, 2 * lx.LEG_ROWS * L)
    u, low, high, behind = (
        tail(e, lx.C_STAR_U * L),
        tail(e, lx.C_STAR_LOW * L),
        tail(e, lx.C_STAR_HIGH * L),
        tail(c_star, nr),
    )
    for j in range(LANES):
        cell = cells[j]
        low[j] = blend(c_star[cell], c_star[cell + 1], u[j])
        high[j] = blend(behind[cell], behind[cell + 1], u[j])


@lane
def chamber_step(w: Any, h: float) -> None:
    """Chamber pressure one step on, by the trapezoidal rule of its linear equation."""
    o, f, e = tail(w, lx.BURNT * L), tail(w, (lx.LEG_ROWS + lx.BURNT) * L), tail(w, 2 * lx.LEG_ROWS * L)
    low, high, v = tail(e, lx.C_STAR_LOW * L), tail(e, lx.C_STAR_HIGH * L), tail(e, lx.C_STAR_V * L)
    pressure, after = tail(e, lx.PRESSURE * L), tail(e, lx.AFTER * L)
    for j in range(LANES):
        velocity = e[ix.EFFICIENCY * L + j] * blend(low[j], high[j], v[j])
        theta = e[ix.RESIDENCE * L + j] / velocity
        rate = chamber_pressure_rate(pressure[j], o[j] + f[j], velocity, e[ix.THROAT_AREA * L + j], theta)
        after[j] = pressure[j] + h * rate / (1.0 + 0.5 * h / theta)


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
