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
from valvectl.plant.lane_kernel_servo import LANES, L, W, lane
from valvectl.plant.lane_math import copy_corners, copy_eight, ln

laws(chamber_pressure_rate, chamber_midpoint_step, orifice_midpoint, blend, locate, tank_pressure, valve_loss)


@lane
def feed_cells(q: Any, cells: Any, points: int, loss_points: int) -> None:
    """Where ball and flow stand in their tables."""
    par, st = q, tail(q, lx.STATE * W)
    ball, loss = tail(cells, lx.CELL * W), tail(cells, lx.LOSS_CELL * W)
    own, own_loss = tail(cells, lx.OWN_CELL * W), tail(cells, lx.OWN_LOSS_CELL * W)
    share_row, loss_share, offset = tail(q, lx.SHARE * W), tail(q, lx.LOSS_SHARE * W), tail(q, lx.BALL_OFFSET * W)
    for j in range(W):
        angle = st[ix.BALL_ANGLE * W + j] + offset[j]
        cell, share = locate(points, par[ix.GRID_START * W + j], par[ix.GRID_PER_STEP * W + j], angle)
        ball[j] = own[j] + cell * (2 * lx.PAIRS) + 2 * lx.PAIR_FLOW
        share_row[j] = share
        cell, share = locate(loss_points, 0.0, par[ix.LOSS_PER_STEP * W + j], st[ix.FLOW * W + j])
        loss[j] = own_loss[j] + cell * 2
        loss_share[j] = share


@lane
def corners(at: Any, pairs: Any, behind: int, to: Any) -> None:
    """Copy out of pairs of tables what stands at each cell ``at`` and ``behind`` numbers on, into four rows, for both legs: a
    loop of its own, since it is the one thing that goes lane by lane."""
    for j in range(0, W, 8):
        copy_corners(to, j, W, pairs, at, behind)


@lane
def losses_now(q: Any) -> None:
    """Losses of lines and valve at the start of the step, and what pushes."""
    par, st = q, tail(q, lx.STATE * W)
    valve, lines = tail(q, lx.FOUR * W), tail(q, lx.LOSS_FOUR * W)
    share, loss_share, before = tail(q, lx.SHARE * W), tail(q, lx.LOSS_SHARE * W), tail(q, lx.FLOW_BEFORE * W)
    choked, all_, up, down, supply = (
        tail(q, lx.CHOKED_LOSS * W),
        tail(q, lx.ALL_LOSS * W),
        tail(q, lx.UP_LOSS * W),
        tail(q, lx.DOWN_LOSS * W),
        tail(q, lx.SUPPLY_NOW * W),
    )
    for j in range(W):
        flow = st[ix.FLOW * W + j]
        c = blend(valve[j], valve[2 * W + j], share[j])
        fl = blend(valve[W + j], valve[3 * W + j], share[j])
        # choked, the valve's loss is that of a coefficient FL C; one quotient serves both branches
        choked_loss = valve_loss(c * fl, par[ix.RHO * W + j])
        upstream = blend(lines[j], lines[2 * W + j], loss_share[j])
        downstream = blend(lines[W + j], lines[3 * W + j], loss_share[j])
        choked[j] = upstream + choked_loss
        all_[j] = upstream + choked_loss * (fl * fl) + downstream
        up[j] = upstream
        down[j] = downstream
        supply[j] = tank_pressure(par[lx.SUPPLY * W + j], par[ix.DROOP_SLOPE * W + j], 1.0, flow)
        before[j] = flow


@lane
def column_free(q: Any) -> None:
    """Liquid columns over one step with the valves not choked."""
    par, st = q, tail(q, lx.STATE * W)
    before, loss, supply = tail(q, lx.FLOW_BEFORE * W), tail(q, lx.ALL_LOSS * W), tail(q, lx.SUPPLY_NOW * W)
    for j in range(W):
        st[ix.FLOW * W + j] = column_step(
            before[j], supply[j] - st[ix.MANIFOLD * W + j], loss[j], par[ix.STEP_OVER_ALL * W + j]
        )


@lane
def choking(q: Any) -> int:
    """Mark the lanes whose valves choke; returns how many."""
    par, st = q, tail(q, lx.STATE * W)
    before, loss, supply = tail(q, lx.FLOW_BEFORE * W), tail(q, lx.CHOKED_LOSS * W), tail(q, lx.SUPPLY_NOW * W)
    many = 0
    for j in range(W):
        push = supply[j] - par[lx.THROAT_PRESSURE * W + j]
        chokes = column_lags(st[ix.FLOW * W + j], before[j], push, loss[j], par[ix.STEP_OVER_UP * W + j])
        st[ix.CHOKED * W + j] = 1.0 if chokes else 0.0
        many += 1 if chokes else 0
    return many


@lane
def column_choked(q: Any) -> None:
    """Liquid columns over one step where the valves choke."""
    par, st, choked_sum = q, tail(q, lx.STATE * W), tail(q, lx.SUM_CHOKED * W)
    before, loss, supply = tail(q, lx.FLOW_BEFORE * W), tail(q, lx.CHOKED_LOSS * W), tail(q, lx.SUPPLY_NOW * W)
    for j in range(W):
        push = supply[j] - par[lx.THROAT_PRESSURE * W + j]
        after = column_step(before[j], push, loss[j], par[ix.STEP_OVER_UP * W + j])
        chokes, free = st[ix.CHOKED * W + j], st[ix.FLOW * W + j]
        st[ix.FLOW * W + j] = after if chokes > 0.5 else free
        choked_sum[j] += chokes


@lane
def drop_step(q: Any, per_step: float) -> None:
    """Pressure drop of the valves in the middle of the step."""
    par, st, up, down = q, tail(q, lx.STATE * W), tail(q, lx.UP_LOSS * W), tail(q, lx.DOWN_LOSS * W)
    before, supply = tail(q, lx.FLOW_BEFORE * W), tail(q, lx.SUPPLY_NOW * W)
    for j in range(W):
        st[ix.VALVE_DROP * W + j] = valve_drop(
            supply[j], st[ix.MANIFOLD * W + j], before[j], st[ix.FLOW * W + j], up[j], down[j],
            par[ix.UP_INERTANCE * W + j], par[ix.DOWN_INERTANCE * W + j], per_step,
        )  # fmt: skip


@lane
def burnt(q: Any, cells: Any, flows: Any, mask: int, tick: int) -> None:
    """Injector flows that burn now: those of each lane's own delay ago."""
    before, part, row = tail(cells, lx.BURNT_BEFORE * W), tail(q, lx.DELAY_PART * W), tail(q, lx.BURNT * W)
    last, now = (mask + 1) * W - 1, tick * W  # the ring has a power of two of numbers, the lanes are in the low bits
    for j in range(W):
        at = now - before[j]
        row[j] = blend(flows[at & last], flows[(at - W) & last], part[j])


@lane
def burnt_alike(q: Any, cells: Any, flows: Any, mask: int, tick: int) -> None:
    """``burnt`` of one leg where all lanes have one delay."""
    row, part, last = tail(q, lx.BURNT * W), q[lx.DELAY_PART * W], (mask + 1) * W - 1
    at = tick * W - cells[lx.BURNT_BEFORE * W]
    newer, older = tail(flows, at & last), tail(flows, (at - W) & last)
    for j in range(LANES):
        row[j] = blend(newer[j], older[j], part)


@lane
def c_star_cells(w: Any, nr: int, nx: int, r0: float, per_dr: float, x0: float, per_dx: float, cells: Any) -> None:
    """Where the chamber stands in the table of characteristic velocity."""
    o, f, e = tail(w, lx.BURNT * W), tail(w, lx.BURNT * W + L), tail(w, lx.ENGINE * L)
    u, v, pressure = tail(e, lx.C_STAR_U * L), tail(e, lx.C_STAR_V * L), tail(e, lx.PRESSURE * L)
    for j in range(LANES):
        ratio = o[j] / max(f[j], 1e-9)
        column, share = locate(nr, r0, per_dr, ratio)
        row, other = locate(nx, x0, per_dx, ln(max(pressure[j], 1.0)))
        cells[j] = 2 * (row * nr + column)
        u[j] = share
        v[j] = other


@lane
def c_star_corners(e: Any, cells: Any, c_star: Any) -> None:
    """Characteristic velocity at the four corners of each lane's cell."""
    four = tail(e, lx.FOUR_C_STAR * L)
    for j in range(0, LANES, 8):
        copy_corners(four, j, L, c_star, cells, 2)


@lane
def chamber_step(w: Any) -> None:
    """Chamber pressure one step on, by the trapezoidal rule of its linear equation; and that in the middle of the step, for
    both legs."""
    o, f, e = tail(w, lx.BURNT * W), tail(w, lx.BURNT * W + L), tail(w, lx.ENGINE * L)
    four, u, v = tail(e, lx.FOUR_C_STAR * L), tail(e, lx.C_STAR_U * L), tail(e, lx.C_STAR_V * L)
    pressure, middle_o, middle_f = tail(e, lx.PRESSURE * L), tail(w, lx.MIDDLE * W), tail(w, lx.MIDDLE * W + L)
    for j in range(LANES):
        low, high = blend(four[j], four[2 * L + j], u[j]), blend(four[L + j], four[3 * L + j], u[j])
        velocity = e[ix.EFFICIENCY * L + j] * blend(low, high, v[j])
        steps = e[lx.STEP_OVER_RESIDENCE * L + j] * velocity
        before = pressure[j]
        after = chamber_midpoint_step(before, o[j] + f[j], velocity, e[ix.THROAT_AREA * L + j], steps)
        middle = 0.5 * (before + after)
        pressure[j] = after
        middle_o[j] = middle
        middle_f[j] = middle


@lane
def manifold_step(q: Any, flows: Any) -> None:
    """Manifolds over one step; the injectors' flows go into a row of the ring of delayed flows."""
    par, st, middle, to = q, tail(q, lx.STATE * W), tail(q, lx.MIDDLE * W), tail(q, lx.INJECTED * W)
    for j in range(W):
        behind, manifold = middle[j], st[ix.MANIFOLD * W + j]
        drop, flow = orifice_midpoint(
            manifold - behind, st[ix.FLOW * W + j], par[ix.ORIFICE * W + j], par[ix.HALF_STEP_COMPLIANCE * W + j]
        )
        st[ix.MANIFOLD * W + j] = 2.0 * (drop + behind) - manifold
        to[j] = flow
    for j in range(0, W, 8):
        copy_eight(flows, j, to)
