"""Many dispersed engines side by side: packs them into blocks of lanes, runs the compiled kernel in threads, unpacks.

Blocks do not know of each other and all lanes run through the same code, so results are the same bit for bit whatever the
number of lanes or threads. Memory is that of a block for each thread and of the reductions asked for.
"""

from __future__ import annotations

import dataclasses
import math
import os
from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.errors import RangeError
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant import lane_columns
from valvectl.plant import lane_layout as lx
from valvectl.plant import layout as ix
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.compiled import compiled_lanes
from valvectl.plant.lane_pack import Job, aligned, like, packed
from valvectl.plant.lane_result import RESULT_ROWS, LaneResult, Reductions, leg_of, tapered_waves, window_of
from valvectl.plant.lane_support import refuse
from valvectl.plant.machine import Machine
from valvectl.plant.sampling_numbers import first_samples
from valvectl.plant.time_grid import Grid, run_steps, time_grid
from valvectl.plant.time_grid import feed_every as usual_feed_every

CONTACT_SHARE = 0.45
"""Longest step times natural frequency of the stem on the gears' stiffness [rad], with friction taken half-way."""

PART = 25e-6
"""Longest step of the servos' mechanics [s], which may be a part of the step of all the rest: see ``lane_grid``."""


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
    start: OperatingPoint | Sequence[OperatingPoint],
    duration: float,
    reductions: Reductions | None = None,
    *,
    engines: Sequence[Machine] = (),
    delays_alike: bool = False,
    lanes: int | None = None,
    step: float | None = None,
    parts: int | None = None,
    feed_every: int | None = None,
    threads: int | None = None,
    half_way: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> LaneResult:
    """Run many engines that differ in ``columns`` through the same commands.

    Parameters
    ----------
    machine, gains : the engine that all lanes are, but for the columns
    columns : numbers by lane, names as in ``lane_columns``, each of shape (n,)
    command, start, duration : as in ``simulate.simulate``. With one steady point for all, a lane that differs needs a
        moment to find its own: leave that out of the windows; or give one a lane
    engines : each lane's own engine in place of ``machine``, tables and all; its grid of combustion, loop periods and offsets
        are those of ``machine`` (``lane_pack.like``), and so is the step
    delays_alike : say that no loop's delay differs among ``engines``, which is faster. A caller must say so for all of its calls
        or for none, or the last digit hangs on who is beside whom
    reductions : what to keep
    lanes : number of lanes; needed when there is no column
    step : longest step [s]; by default see ``lane_grid``
    parts : steps of motor, gears and stem that make one of all the rest; by default so many that they are at most ``PART``
    threads : by default one a core
    feed_every : steps that make one of feed legs and chamber; by default 1 where ``step`` is given, else ``time_grid.feed_every``
        of ``machine``. The run and the time between looks must be whole numbers of these
    half_way : friction of the stem taken half-way through a step. A lane is ``simulate`` with the same ``half_way``,
        ``feed_every`` and step when ``parts`` is 1
    progress : called with blocks done and blocks in all, from the thread that called

    Raises ``RangeError`` for a column that is not known or out of range, and for a machine that has what the lanes do not
    simulate (``lane_support``). Outer loops that trim the commands are not in the lanes either: run those one by one. A lane
    that stops being finite raises nothing: see ``LaneResult.done``.
    """
    asked = reductions if reductions is not None else Reductions()
    refuse(machine, gains)
    for engine in engines:
        refuse(engine, gains)
        other = like(engine, machine, delays=not delays_alike)
        if other:
            raise RangeError(f"engines side by side must be alike in this: {other}")
    checked, count = lane_columns.checked(columns, len(engines) or lanes)
    starts = [start] if isinstance(start, OperatingPoint) else list(start)
    if len(starts) not in (1, count):
        raise RangeError(f"{len(starts)} steady points to begin from for {count} lanes")
    grid = lane_grid(machine, step)
    h = grid.step
    pieces = max(1, math.ceil(h / PART - 1e-9)) if parts is None else parts
    steps, every = run_steps(duration, machine.record if asked.record is None else asked.record, h)
    if feed_every is None:
        feed_every = usual_feed_every(machine, h, steps, every) if step is None else 1
    if feed_every < 1 or steps % feed_every or every % feed_every:
        raise RangeError(f"a run of {steps} steps, looked at each {every}, is no whole number of {feed_every}")
    grid = dataclasses.replace(grid, feed_every=feed_every)
    rows = (steps - 1) // every + 2
    time = h * np.minimum(every * np.arange(rows), steps)
    job = _job(
        machine,
        engines,
        delays_alike,
        gains,
        checked,
        command,
        starts,
        grid,
        asked,
        steps,
        every,
        pieces,
        time,
        half_way,
    )
    work = np.empty((len(RESULT_ROWS), count))
    red = np.empty((job.windows.shape[0], lx.RED_SIZE, count))
    tones = np.empty((job.windows.shape[0], job.waves.shape[1], lx.TONE_SIZE, count))
    shown = sorted(set(asked.shown))
    if shown and not 0 <= shown[0] <= shown[-1] < count:
        raise RangeError(f"lanes whose history is wanted must be 0 to {count - 1} (got {shown[0]} to {shown[-1]})")
    kept = np.empty((len(shown), lx.HIST_BRIEF if asked.brief else lx.HIST_SIZE, rows))
    blocks = [(at, min(at + lx.LANES, count)) for at in range(0, count, lx.LANES)]

    def run(block: tuple[int, int]) -> None:
        first, last = block
        low, high = bisect_left(shown, first), bisect_left(shown, last)
        here = np.array(shown[low:high], dtype=np.int64) - first
        done, reduced, waves = _block(job, first, last, here, kept[low:high])
        work[:, first:last] = done[list(RESULT_ROWS), : last - first]
        red[:, :, first:last] = reduced[:, :, : last - first]
        tones[..., first:last] = waves[..., : last - first]

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
    finished = whole[lx.ENGINE + lx.DONE].astype(np.int64)
    failed = finished < steps
    return LaneResult(
        step=h,
        steps=steps,
        time=time,
        done=finished,
        windows=tuple(
            window_of(time, (a, b), red[i], tapered_waves(time[a:b], asked.frequencies), tones[i], failed)
            for i, (a, b) in enumerate(job.windows.tolist())
        ),
        legs={name: leg_of(whole, k, steps, pieces, feed_every, failed) for k, name in enumerate(LEGS)},
        chamber_pressure=np.where(failed, np.nan, whole[lx.ENGINE + lx.PRESSURE]),
        shown=tuple(shown),
        kept=kept,
    )


def _job(
    machine: Machine,
    engines: Sequence[Machine],
    delays_alike: bool,
    gains: Mapping[LegName, CascadeGains],
    columns: dict[str, FloatArray],
    command: Mapping[LegName, FloatArray],
    starts: Sequence[OperatingPoint],
    grid: Grid,
    asked: Reductions,
    steps: int,
    every: int,
    parts: int,
    time: FloatArray,
    half_way: bool,
) -> Job:
    h = grid.step
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
    highest = 0.5 / (every * h) * (1.0 + 1e-9)
    if not all(0.0 < f <= highest for f in asked.frequencies):
        raise RangeError(
            f"frequencies must be above zero and at most {highest:.4g} Hz, half the rate of the looks (got "
            f"{', '.join(f'{f:g}' for f in asked.frequencies)})"
        )
    waves = np.concatenate([tapered_waves(time[a:b], asked.frequencies) for a, b in windows])
    burns = [columns.get(f"{n}.delay", np.array([m.legs[n].delay for m in engines or [machine]])) for n in LEGS]
    longest, least = max(float(np.max(d)) for d in burns) / h, min(float(np.min(d)) for d in burns)
    if least < grid.feed_every * h:
        longest_step = grid.feed_every * h
        raise RangeError(
            f"a combustion delay of {least:g} s is shorter than the step of {longest_step:g} s; give a smaller step"
        )
    _delays_fit(machine, engines, columns)
    first_looks = np.array([first_samples(machine.legs[name].servo, h)[: ix.LOOPS] for name in LEGS], dtype=np.int64)
    delays = [f"servo.{loop}_delay" for loop in ("position", "speed", "current")] + ["delay"]
    alike = np.array([[f"{name}.{delay}" not in columns for delay in delays] for name in LEGS])
    if engines:  # which path a lane takes may not hang on who is beside it
        alike[:, : ix.LOOPS] &= delays_alike
        alike[:, ix.LOOPS] = False
    return Job(
        machine, engines, gains, columns, starts, grid, orders, first_looks, alike, ratio,
        np.array(windows, dtype=np.int64), waves, 1 << (int(longest) + 3).bit_length(), steps, every, parts, time.size,
        asked.band, half_way,
    )  # fmt: skip


def _delays_fit(machine: Machine, engines: Sequence[Machine], columns: Mapping[str, FloatArray]) -> None:
    """Raise ``RangeError`` when a loop's delay reaches further back than its outputs are kept."""
    for name in LEGS:
        for loop in ("position", "speed", "current"):
            period = getattr(machine.legs[name].servo, f"{loop}_period")
            longest = max(getattr(m.legs[name].servo, f"{loop}_delay") for m in engines or [machine])
            delay = columns.get(f"{name}.servo.{loop}_delay", np.array(longest))
            if float(np.max(delay)) > (outputs_kept() - 2) * period:
                raise RangeError(
                    f"{name} leg: the {loop} loop's delay is longer than {outputs_kept() - 2} of its periods"
                )


def _block(job: Job, first: int, last: int, shown: Any, hist: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Run lanes ``first`` to ``last``; lanes left over in the block repeat the last one. Histories of the lanes ``shown``,
    counted from ``first``, go into ``hist``. Returns work, reductions and tones."""
    block = packed(job, np.minimum(np.arange(first, first + lx.LANES), last - 1))
    red = aligned((job.windows.shape[0], lx.RED_SIZE, lx.LANES))
    red[:, [lx.ERROR_HIGHEST, lx.PRESSURE_HIGHEST]] = -np.inf
    red[:, [lx.ERROR_LOWEST, lx.PRESSURE_LOWEST]] = np.inf
    red[:, lx.LAST_OUT] = -np.inf
    tones = aligned((job.windows.shape[0], job.waves.shape[1], lx.TONE_SIZE, lx.LANES))
    compiled_lanes()(
        block.work,
        block.work.copy(),
        block.cells,
        block.pairs,
        block.losses,
        block.c_star,
        job.command,
        job.grid.periods,
        1.0 / job.grid.periods,
        job.first,
        job.alike,
        block.flows,
        aligned((2, ix.LOOPS, outputs_kept(), lx.LANES)),
        job.wanted,
        job.windows,
        red,
        job.waves,
        tones,
        shown,
        hist,
        job.grid.step,
        job.band,
        job.steps,
        job.every,
        job.parts,
        job.grid.feed_every,
        job.half_way,
    )
    return block.work, red, tones


def outputs_kept() -> int:
    """How many outputs of a loop the lanes keep; a delay may reach back two fewer of its periods."""
    from valvectl.plant.lane_kernel_servo import OUTS

    return OUTS
