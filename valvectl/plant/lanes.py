"""Many dispersed engines side by side: packs them into blocks of lanes, runs the compiled kernel in threads, unpacks.

Blocks do not know of each other and all lanes run through the same code, so results are the same bit for bit whatever the
number of lanes or threads. Memory is that of a block for each thread and of the reductions asked for.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from valvectl.design.schema import LEGS, LegName
from valvectl.errors import RangeError
from valvectl.parts.controller import CascadeGains, filter_share
from valvectl.parts.encoder import quantise
from valvectl.parts.lookup import FloatArray
from valvectl.plant import lane_columns
from valvectl.plant import lane_layout as lx
from valvectl.plant import layout as ix
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.compiled import compiled_lanes
from valvectl.plant.lane_result import RESULT_ROWS, History, LaneResult, Reductions, leg_of, window_of
from valvectl.plant.lane_support import refuse
from valvectl.plant.machine import Machine
from valvectl.plant.sampling_numbers import first_samples
from valvectl.plant.simulate import pack
from valvectl.plant.time_grid import Grid, IntArray, run_steps, time_grid

CONTACT_SHARE = 0.45
"""Longest step times natural frequency of the stem on the gears' stiffness [rad], with friction taken half-way."""

PART = 25e-6
"""Longest step of the servos' mechanics [s], which may be a part of the step of all the rest: see ``lane_grid``."""

_PER_PART = (ix.STEP_OVER_MOTOR, ix.STEP_OVER_LOAD, ix.VISCOUS_DECAY, ix.CURRENT_HALF, ix.CURRENT_GAIN)
_SCALES: dict[str, int] = {
    "up_loss_scale": lx.UP_SCALE,
    "down_loss_scale": lx.DOWN_SCALE,
    "c_scale": lx.C_SCALE,
    "fl_scale": lx.FL_SCALE,
    "running_scale": lx.RUN_SCALE,
    "breakaway_scale": lx.BREAK_SCALE,
}
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
class _Job:
    """All that the blocks of a run share."""

    machine: Machine
    gains: Mapping[LegName, CascadeGains]
    columns: dict[str, FloatArray]
    start: OperatingPoint
    grid: Grid
    valve: FloatArray
    losses: FloatArray
    command: FloatArray
    starts: IntArray
    alike: NDArray[np.bool_]
    wanted: FloatArray
    windows: Any
    slots: int
    steps: int
    every: int
    parts: int
    rows: int
    band: float
    half_way: bool


def lane_grid(machine: Machine, step: float | None = None) -> Grid:
    """Step of the lanes: the largest that divides all sample periods and ``CONTACT_SHARE`` allows, at most ``step`` [s].

    Without ``step`` the fastest sample period is the limit, not the design's step: with friction taken half-way that
    moves the largest O/F error of the example engines by less than 0.2 % of itself (``tests/crosscheck``).
    """
    fastest = min(machine.legs[name].servo.current_period for name in LEGS)
    return time_grid(machine, fastest if step is None else step, CONTACT_SHARE)


def simulate_lanes(
    machine: Machine,
    gains: Mapping[LegName, CascadeGains],
    columns: Mapping[str, FloatArray],
    command: Mapping[LegName, FloatArray],
    start: OperatingPoint,
    duration: float,
    reductions: Reductions | None = None,
    *,
    lanes: int | None = None,
    step: float | None = None,
    parts: int | None = None,
    threads: int | None = None,
    half_way: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> LaneResult:
    """Run many engines that differ in ``columns`` through the same commands.

    Parameters
    ----------
    machine, gains : the engine that all lanes are, but for the columns
    columns : numbers by lane, names as in ``lane_columns``, each of shape (n,)
    command, start, duration : as in ``simulate.simulate``; each lane begins at the same steady point, so that one that
        differs needs a moment to find its own: leave that out of the windows
    reductions : what to keep
    lanes : number of lanes; needed when there is no column
    step : longest step [s]; by default see ``lane_grid``
    parts : steps of motor, gears and stem that make one of all the rest; by default so many that they are at most ``PART``
    threads : by default one a core
    half_way : friction of the stem taken half-way through a step. A lane is ``simulate`` with the same ``half_way`` and step when
        ``parts`` is 1
    progress : called with blocks done and blocks in all, from the thread that called

    Raises ``RangeError`` for a column that is not known or out of range, and for a machine that has what the lanes do not
    simulate (``lane_support``). Outer loops that trim the commands are not in the lanes either: run those one by one. A lane
    that stops being finite raises nothing: see ``LaneResult.done``.
    """
    asked = reductions if reductions is not None else Reductions()
    refuse(machine, gains)
    checked, count = lane_columns.checked(columns, lanes)
    grid = lane_grid(machine, step)
    h = grid.step
    pieces = max(1, math.ceil(h / PART - 1e-9)) if parts is None else parts
    steps, every = run_steps(duration, machine.record if asked.record is None else asked.record, h)
    rows = (steps - 1) // every + 2
    time = h * np.minimum(every * np.arange(rows), steps)
    job = _job(machine, gains, checked, command, start, grid, asked, steps, every, pieces, time, half_way)
    work = np.empty((len(RESULT_ROWS), count))
    red = np.empty((job.windows.shape[0], lx.RED_SIZE, count))
    shown = sorted(set(asked.shown))
    if shown and not 0 <= shown[0] <= shown[-1] < count:
        raise RangeError(f"lanes whose history is wanted must be 0 to {count - 1} (got {shown[0]} to {shown[-1]})")
    histories: dict[int, History] = {}
    blocks = [(at, min(at + lx.LANES, count)) for at in range(0, count, lx.LANES)]

    def run(block: tuple[int, int]) -> None:
        first, last = block
        here = [j for j in shown if first <= j < last]
        done, reduced, hist = _block(job, first, last, np.array([j - first for j in here], dtype=np.int64))
        work[:, first:last] = done[list(RESULT_ROWS), : last - first]
        red[:, :, first:last] = reduced[:, :, : last - first]
        for i, j in enumerate(here):
            histories[j] = History(
                ratio_error=hist[:, lx.HIST_ERROR, i].copy(),
                chamber_pressure=hist[:, lx.HIST_PRESSURE, i].copy(),
                stem={"oxidizer": hist[:, lx.HIST_OXIDIZER, i].copy(), "fuel": hist[:, lx.HIST_FUEL, i].copy()},
            )

    many = min(threads if threads is not None else os.cpu_count() or 1, len(blocks))
    if many > 1:
        compiled_lanes()
        with ThreadPoolExecutor(many) as pool:
            for done, _ in enumerate(pool.map(run, blocks), 1):
                if progress is not None:
                    progress(done, len(blocks))
    else:
        for done, block in enumerate(blocks, 1):
            run(block)
            if progress is not None:
                progress(done, len(blocks))
    whole = np.full((lx.ROWS, count), np.nan)
    whole[list(RESULT_ROWS)] = work
    finished = whole[2 * lx.LEG_ROWS + lx.DONE].astype(np.int64)
    failed = finished < steps
    return LaneResult(
        step=h,
        steps=steps,
        time=time,
        done=finished,
        windows=tuple(
            window_of(time, (int(a), int(b)), red[i], failed) for i, (a, b) in enumerate(job.windows.tolist())
        ),
        legs={name: leg_of(whole, k, steps, pieces, failed) for k, name in enumerate(LEGS)},
        chamber_pressure=np.where(failed, np.nan, whole[2 * lx.LEG_ROWS + lx.PRESSURE]),
        histories=histories,
    )


def _job(
    machine: Machine,
    gains: Mapping[LegName, CascadeGains],
    columns: dict[str, FloatArray],
    command: Mapping[LegName, FloatArray],
    start: OperatingPoint,
    grid: Grid,
    asked: Reductions,
    steps: int,
    every: int,
    parts: int,
    time: FloatArray,
    half_way: bool,
) -> _Job:
    h = grid.step
    _, _, valve, losses = pack(machine, gains, grid, True, machine.battery)
    samples = max(command[name].size for name in LEGS)
    orders = np.stack([np.pad(command[name], (0, samples - command[name].size), mode="edge") for name in LEGS])
    wanted = machine.mixture_ratio if asked.wanted_ratio is None else asked.wanted_ratio
    ratio = np.array(np.broadcast_to(np.asarray(wanted, dtype=float), time.shape))
    windows = []
    for begin, end in asked.windows or ((0.0, float(time[-1])),):
        first = int(np.searchsorted(time, begin - 1e-9))
        last = int(np.searchsorted(time, end + 1e-9))
        if last <= first:
            raise RangeError(f"no look at the engines falls into the window from {begin:g} to {end:g} s")
        windows.append((first, last))
    longest = max(float(np.max(columns.get(f"{n}.delay", np.array(machine.legs[n].delay)))) for n in LEGS) / h
    least = min(float(np.min(columns.get(f"{n}.delay", np.array(machine.legs[n].delay)))) for n in LEGS)
    if least < h:
        raise RangeError(f"a combustion delay of {least:g} s is shorter than the step of {h:g} s; give a smaller step")
    _delays_fit(machine, columns)
    starts = np.array([first_samples(machine.legs[name].servo, h)[: ix.LOOPS] for name in LEGS], dtype=np.int64)
    delays = [f"servo.{loop}_delay" for loop in ("position", "speed", "current")] + ["delay"]
    alike = np.array([[f"{name}.{delay}" not in columns for delay in delays] for name in LEGS])
    return _Job(
        machine, gains, columns, start, grid, valve, losses, orders, starts, alike, ratio, np.array(windows, dtype=np.int64),
        1 << (int(longest) + 3).bit_length(), steps, every, parts, time.size, asked.band, half_way,
    )  # fmt: skip


def _delays_fit(machine: Machine, columns: Mapping[str, FloatArray]) -> None:
    """Raise ``RangeError`` when a loop's delay reaches further back than its outputs are kept."""
    from valvectl.plant.lane_kernel_servo import OUTS

    for name in LEGS:
        servo = machine.legs[name].servo
        for loop in ("position", "speed", "current"):
            period = getattr(servo, f"{loop}_period")
            delay = columns.get(f"{name}.servo.{loop}_delay", np.array(getattr(servo, f"{loop}_delay")))
            if float(np.max(delay)) > (OUTS - 2) * period:
                raise RangeError(f"{name} leg: the {loop} loop's delay is longer than {OUTS - 2} of its periods")


def _block(job: _Job, first: int, last: int, shown: Any) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Run lanes ``first`` to ``last``; lanes left over in the block repeat the last one. Returns work, reductions, history."""
    pick = np.minimum(np.arange(first, first + lx.STRIDE), last - 1)
    work = _packed(job, {name: values[pick] for name, values in job.columns.items()})
    outs = np.zeros((2, ix.LOOPS, _outs(), lx.STRIDE))
    flows = np.empty((2, job.slots, lx.STRIDE))
    for k, name in enumerate(LEGS):
        flows[k] = job.start.legs[name].flow
    red = np.zeros((job.windows.shape[0], lx.RED_SIZE, lx.STRIDE))
    red[:, [lx.ERROR_HIGHEST, lx.PRESSURE_HIGHEST]] = -np.inf
    red[:, [lx.ERROR_LOWEST, lx.PRESSURE_LOWEST]] = np.inf
    red[:, lx.LAST_OUT] = -np.inf
    hist = np.zeros((job.rows if shown.size else 0, lx.HIST_SIZE, shown.size))
    compiled_lanes()(
        work,
        work.copy(),
        np.zeros((2, lx.CELLS, lx.STRIDE), dtype=np.int64),
        job.valve,
        job.losses,
        np.array(job.machine.c_star.values),
        job.command,
        job.grid.periods,
        job.starts,
        job.alike,
        flows,
        outs,
        job.wanted,
        job.windows,
        red,
        shown,
        hist,
        job.grid.step,
        job.band,
        job.steps,
        job.every,
        job.parts,
        job.half_way,
    )
    return work, red, hist


def _outs() -> int:
    from valvectl.plant.lane_kernel_servo import OUTS

    return OUTS


def _packed(job: _Job, columns: Mapping[str, FloatArray]) -> FloatArray:
    """A block's work space at the start, shape (ROWS, LANES)."""
    plain = {n: v for n, v in columns.items() if ".gains." not in n and not n.endswith(".servo.speed_filter")}
    machine, _, own = lane_columns.applied(job.machine, job.gains, plain)
    battery: Any = machine.battery
    par, glob, _, _ = pack(machine, job.gains, job.grid, True, battery, (lx.STRIDE,))
    work = np.zeros((lx.ROWS, lx.STRIDE))
    for k, name in enumerate(LEGS):
        rows, point, leg = work[k * lx.LEG_ROWS : (k + 1) * lx.LEG_ROWS], job.start.legs[name], machine.legs[name]
        rows[: ix.PAR_SIZE] = par[k]
        for index in _PER_PART:
            rows[index] /= job.parts
        for field, index in _GAINS.items():
            if f"{name}.gains.{field}" in columns:
                rows[index] = columns[f"{name}.gains.{field}"]
        if f"{name}.servo.speed_filter" in columns:
            taus = columns[f"{name}.servo.speed_filter"]
            rows[ix.FILTER_SHARE] = [filter_share(leg.servo.speed_period, float(tau)) for tau in taus]
        for field, index in _SCALES.items():
            rows[index] = own.get(f"{name}.{field}", 1.0)
        for field, index in _OFFSETS.items():
            rows[index] = own.get(f"{name}.{field}", 0.0)
        # friction that pressure adds does not grow with the table
        rows[ix.RELATIVE_SLOPE] = np.where(
            rows[lx.BREAK_SCALE] > 0.0, rows[ix.RELATIVE_SLOPE] / np.maximum(rows[lx.BREAK_SCALE], 1e-300), 0.0
        )
        half = rows[ix.VISCOUS_DECAY]
        rows[lx.OVER_MOTOR] = rows[ix.STEP_OVER_MOTOR] / (1.0 + half)
        rows[lx.MOTOR_DECAY] = (1.0 - half) / (1.0 + half)
        rows[lx.PER_STRIBECK] = 1.0 / rows[ix.STRIBECK]
        rows[lx.LOWEST_BUS] = np.inf
        st = rows[lx.STATE : lx.STATE + ix.ST_SIZE]
        st[ix.STEM_ANGLE] = st[ix.BALL_ANGLE] = point.angle
        st[ix.MOTOR_ANGLE] = point.angle * leg.servo.ratio
        st[ix.FLOW], st[ix.MANIFOLD], st[ix.VALVE_DROP] = point.flow, point.manifold, point.valve_drop
        st[ix.BUS] = battery
        st[ix.COMMAND] = st[ix.COMMAND_BEFORE] = job.command[k, 0] + rows[lx.COMMAND_OFFSET]
        st[ix.ANGLE_BEFORE] = [quantise(point.angle, float(count)) for count in rows[ix.SPEED_COUNT]]
    e = work[2 * lx.LEG_ROWS :]
    e[: ix.GLOB_SIZE] = glob
    e[ix.EFFICIENCY] *= own.get("c_star_scale", 1.0)
    e[lx.PRESSURE] = job.start.chamber_pressure
    e[lx.ALIVE] = 1.0
    e[lx.DONE] = job.steps
    if np.isnan(work).any():
        at = int(np.argmax(np.isnan(work).any(axis=1)))
        raise RangeError(f"parameter {at} of the simulator in lanes is not a number")
    return work
