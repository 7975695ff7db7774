"""What a block of lanes starts from: numbers of the engines and their steady points put into the work space."""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from valvectl.design.schema import LEGS, LegName
from valvectl.errors import RangeError
from valvectl.parts.controller import CascadeGains, filter_share
from valvectl.parts.encoder import quantise
from valvectl.parts.friction import hydrodynamic_torque
from valvectl.parts.lookup import FloatArray
from valvectl.plant import lane_columns
from valvectl.plant import lane_layout as lx
from valvectl.plant import layout as ix
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.kernel_feed import delayed_share
from valvectl.plant.machine import Machine
from valvectl.plant.simulate import pack
from valvectl.plant.time_grid import Grid, IntArray

_PER_PART = (ix.STEP_OVER_MOTOR, ix.STEP_OVER_LOAD, ix.VISCOUS_DECAY, ix.CURRENT_HALF, ix.CURRENT_GAIN)
LINE = 8
"""Numbers in a line of the cache."""
_SCALES: dict[str, tuple[int, ...]] = {
    "c_scale": (ix.TAB_C,),
    "fl_scale": (ix.TAB_FL,),
    "running_scale": (ix.TAB_RUN, ix.TAB_RUN_CLOSING),
    "breakaway_scale": (ix.TAB_BREAK, ix.TAB_BREAK_CLOSING),
}
_LOSS_SCALES = {"up_loss_scale": 0, "down_loss_scale": 1}
_OFFSETS: dict[str, int] = {
    "ball_offset": lx.BALL_OFFSET,
    "stem_offset": lx.STEM_OFFSET,
    "command_offset": lx.COMMAND_OFFSET,
}
_GAINS: dict[str, int] = {
    "position": ix.KP_POSITION,
    "speed": ix.KP_SPEED,
    "speed_integral": ix.KI_SPEED,
    "current": ix.KP_CURRENT,
    "current_integral": ix.KI_CURRENT,
}


@dataclass(frozen=True)
class Job:
    """All that the blocks of a run share."""

    machine: Machine
    engines: Sequence[Machine]
    """Each lane's own engine; empty: all are ``machine``."""
    gains: Mapping[LegName, CascadeGains]
    columns: dict[str, FloatArray]
    starts: Sequence[OperatingPoint]
    """One for all lanes or one a lane."""
    grid: Grid
    command: FloatArray
    first: IntArray
    """First samples of the loops."""
    alike: NDArray[np.bool_]
    wanted: FloatArray
    windows: Any
    waves: FloatArray
    """``lane_result.tapered_waves`` of all windows, one behind the other."""
    slots: int
    steps: int
    every: int
    parts: int
    rows: int
    band: float
    half_way: bool


@dataclass(frozen=True)
class Packed:
    """A block before its first step; shapes as in ``lane_kernel.advance``."""

    work: FloatArray
    pairs: FloatArray
    losses: FloatArray
    c_star: FloatArray
    flows: FloatArray
    cells: IntArray


def packed(job: Job, pick: IntArray) -> Packed:
    """The block whose lanes are the numbers ``pick``, of shape (LANES,). Raises ``RangeError`` where a number is NaN."""
    columns = {name: values[pick] for name, values in job.columns.items()}
    plain = {n: v for n, v in columns.items() if ".gains." not in n and not n.endswith(".servo.speed_filter")}
    if job.engines:
        _, _, own = lane_columns.applied(job.machine, job.gains, plain)
        par, glob, valve, losses = _each(job, pick)
    else:
        machine, _, own = lane_columns.applied(job.machine, job.gains, plain)
        battery: Any = machine.battery
        par, glob, valve, losses = pack(machine, job.gains, job.grid, True, battery, (lx.LANES,))
        valve, losses = valve[None], losses[None]  # one for all lanes
    starts = [job.starts[int(j) if len(job.starts) > 1 else 0] for j in pick]
    work = aligned((lx.ROWS, lx.LANES))
    flows = aligned((job.slots, 2, lx.LANES))
    cells: IntArray = aligned((lx.CELLS, 2, lx.LANES)).view(np.int64)
    e = work[lx.ENGINE :]
    e[: ix.GLOB_SIZE] = glob
    for k, name in enumerate(LEGS):
        rows, points = work[lx.leg_row(k, 0) : lx.ENGINE : 2], [s.legs[name] for s in starts]
        rows[: ix.PAR_SIZE] = par[k]
        for index in _PER_PART:
            rows[index] /= job.parts
        for field, index in _GAINS.items():
            if f"{name}.gains.{field}" in columns:
                rows[index] = columns[f"{name}.gains.{field}"]
        if f"{name}.servo.speed_filter" in columns:
            period = job.machine.legs[name].servo.speed_period
            rows[ix.FILTER_SHARE] = [filter_share(period, float(tau)) for tau in columns[f"{name}.servo.speed_filter"]]
        for field, which in _SCALES.items():
            if f"{name}.{field}" in own:
                valve = _scaled(valve, k, which, own[f"{name}.{field}"])
        for field, index in _LOSS_SCALES.items():
            if f"{name}.{field}" in own:
                losses = _scaled(losses, k, (index,), own[f"{name}.{field}"])
        for field, index in _OFFSETS.items():
            rows[index] = own.get(f"{name}.{field}", 0.0)
        # friction that pressure adds does not grow with the table
        loose = own.get(f"{name}.breakaway_scale", np.ones(1))
        rows[ix.RELATIVE_SLOPE] = np.where(loose > 0.0, rows[ix.RELATIVE_SLOPE] / np.maximum(loose, 1e-300), 0.0)
        rows[lx.SUPPLY] = rows[ix.TANK] + rows[ix.HEAD]
        rows[lx.THROAT_PRESSURE] = rows[ix.FF] * rows[ix.VAPOUR]
        rows[lx.STREAM] = hydrodynamic_torque(rows[ix.HYDRO], rows[ix.BORE], 1.0)
        rows[lx.CURRENT_RATE] = rows[ix.KI_CURRENT] * rows[ix.CURRENT_PERIOD]
        half = rows[ix.VISCOUS_DECAY]
        rows[lx.OVER_MOTOR] = rows[ix.STEP_OVER_MOTOR] / (1.0 + half)
        rows[lx.MOTOR_DECAY] = (1.0 - half) / (1.0 + half)
        rows[lx.PER_STRIBECK] = 1.0 / rows[ix.STRIBECK]
        rows[lx.LOWEST_BUS] = np.inf
        st = rows[lx.STATE : lx.STATE + ix.ST_SIZE]
        angle = np.array([p.angle for p in points])
        st[ix.STEM_ANGLE] = st[ix.BALL_ANGLE] = angle
        st[ix.MOTOR_ANGLE] = angle * rows[ix.RATIO]
        st[ix.FLOW] = flows[:, k] = [p.flow for p in points]
        st[ix.MANIFOLD] = [p.manifold for p in points]
        st[ix.VALVE_DROP] = [p.valve_drop for p in points]
        st[ix.BUS] = e[ix.BATTERY]
        st[ix.COMMAND] = st[ix.COMMAND_BEFORE] = job.command[k, 0] + rows[lx.COMMAND_OFFSET]
        st[ix.ANGLE_BEFORE] = [
            quantise(float(a), float(count)) for a, count in zip(angle, rows[ix.SPEED_COUNT], strict=True)
        ]
        whole, part = np.array([delayed_share(float(delay)) for delay in rows[ix.DELAY]]).T
        rows[lx.DELAY_PART] = part
        cells[lx.BURNT_BEFORE, k] = whole.astype(np.int64) * lx.WIDE - np.arange(k * lx.LANES, (k + 1) * lx.LANES)
    e[ix.EFFICIENCY] *= own.get("c_star_scale", 1.0)
    with np.errstate(over="ignore"):  # a lane that can not be is told of when it stops being finite
        e[lx.STEP_OVER_RESIDENCE] = e[ix.FEED_STEP] / e[ix.RESIDENCE]
    e[lx.PRESSURE] = [s.chamber_pressure for s in starts]
    e[lx.ALIVE] = 1.0
    e[lx.DONE] = job.steps
    for what, numbers in (("parameter", work), ("valve table", valve), ("line loss", losses)):
        if np.isnan(numbers).any():
            raise RangeError(f"a {what} of the simulator in lanes is not a number")
    for row, tables, wide in ((lx.OWN_CELL, valve, 2 * lx.PAIRS), (lx.OWN_LOSS_CELL, losses, 2)):
        whose = np.arange(2)[:, None] + (2 * np.arange(lx.LANES) if len(tables) > 1 else 0)
        cells[row] = whose * tables.shape[3] * wide
    c_star = np.asarray(job.machine.c_star.values)
    lines = np.ascontiguousarray(np.swapaxes(losses, 2, 3)).reshape(-1, losses.shape[3], 2)
    return Packed(work, _pairs(valve), lines, np.stack([c_star[:-1], c_star[1:]], axis=2), flows, cells)


def _pairs(valve: FloatArray) -> FloatArray:
    """Tables (whose, leg, which, point) as pairs that share a grid, (whose and leg, point, PAIRS, 2)."""
    whose, legs, _, points = valve.shape
    out = _room("pairs", (whose * legs, points, lx.PAIRS, 2))
    for which, pair in enumerate(lx.PAIR_OF):
        for i, table in enumerate(pair):
            out[:, :, which, i] = valve[:, :, table].reshape(-1, points)
    return out


def aligned(shape: tuple[int, ...]) -> FloatArray:
    """Zeros that begin with a line of the cache: vectors that straddle two lines cost twice."""
    room = np.zeros(math.prod(shape) + LINE)
    first = -(room.ctypes.data // room.itemsize) % LINE
    return room[first : first + math.prod(shape)].reshape(shape)


_rooms = threading.local()
_OWN = ("valve", "losses")


def _room(name: str, shape: tuple[int, ...]) -> FloatArray:
    """An array of this thread's, with whatever was in it, used again for each block: memory of millions of bytes that is got
    and given back for each costs a twentieth of a run."""
    kept = _rooms.__dict__.get(name)
    if kept is None or kept.shape != shape:
        kept = _rooms.__dict__[name] = aligned(shape)
    return kept


def _scaled(tables: FloatArray, k: int, which: tuple[int, ...], scale: FloatArray) -> FloatArray:
    """Tables (whose, leg, which, point) as each lane's own, some of leg ``k`` times a number a lane."""
    out = np.array(np.broadcast_to(tables, (lx.LANES, *tables.shape[1:])))
    for index in which:
        out[:, k, index] *= scale[:, None]
    return out


def _each(job: Job, pick: IntArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """``pack`` of each lane's own engine; a lane left over in the block repeats the one before it."""
    for j, number in enumerate(pick):
        if j == 0 or number != pick[j - 1]:
            engine = job.engines[int(number)]
            numbers = pack(engine, job.gains, job.grid, True, engine.battery)
        if j == 0:
            par, glob = (np.empty((*n.shape, pick.size)) for n in numbers[:2])
            valve, losses = (_room(name, (pick.size, *n.shape)) for name, n in zip(_OWN, numbers[2:], strict=True))
        par[..., j], glob[..., j], valve[j], losses[j] = numbers
    return par, glob, valve, losses


def like(engine: Machine, machine: Machine, delays: bool = True) -> str:
    """Why an engine can not run beside ``machine`` in lanes, in a few words; empty when it can.

    All lanes share the grid of combustion, the periods and offsets of the loops; ``delays``: whether those of the loops may
    differ.
    """
    one, other = engine.c_star, machine.c_star
    same = (one.r0, one.dr, one.x0, one.dx) == (other.r0, other.dr, other.x0, other.dx)
    if not (one is other or (same and np.array_equal(np.asarray(one.values), np.asarray(other.values)))):
        return "another table of characteristic velocity"
    for name in LEGS:
        mine, theirs = engine.legs[name].servo, machine.legs[name].servo
        for field in ("position_period", "speed_period", "current_period", "speed_offset", "current_offset"):
            if getattr(mine, field) != getattr(theirs, field):
                return f"another {field.replace('_', ' ')} of the {name} leg"
        loops = [f"{loop}_delay" for loop in ("position", "speed", "current")]
        if not delays and any(getattr(mine, field) != getattr(theirs, field) for field in loops):
            return f"other delays of the {name} leg's loops"
        sizes = [(leg.characteristic.c.size, leg.up_loss.size) for leg in (engine.legs[name], machine.legs[name])]
        if sizes[0] != sizes[1]:
            return f"tables of other sizes in the {name} leg"
    return ""
