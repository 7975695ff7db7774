"""The simulator in lanes: one call advances a block of ``LANES`` engines side by side and keeps only what is asked for.

The scheme and its order are those of ``kernel.run``; here each law has a loop over lanes of its own, and table look-ups have
theirs, since a compiler makes vector code of small loops only. A lane that stops being finite is put back to its start,
where it harms nobody, and its time is noted.
"""

from __future__ import annotations

import math
from typing import Any

from valvectl.parts.bus import drive_current, sagging_voltage
from valvectl.parts.injector import orifice_flow
from valvectl.plant import lane_layout as lx
from valvectl.plant import layout as ix
from valvectl.plant.kernel_base import FAST, flat, laws, tail
from valvectl.plant.lane_kernel_feed import (
    burnt,
    burnt_alike,
    c_star_cells,
    c_star_corners,
    chamber_step,
    choking,
    column_choked,
    column_free,
    corners,
    drop_step,
    feed_cells,
    losses_now,
    manifold_step,
)
from valvectl.plant.lane_kernel_servo import (
    LANES,
    OUTS,
    L,
    W,
    arrive,
    arrive_alike,
    friction_level,
    lane,
    level_half_way,
    motor_step,
    sample_current,
    sample_position,
    sample_speed,
    stem_step,
    stem_tables,
    step_voltage,
    step_voltage_alike,
)

__all__ = ["FAST", "advance"]

laws(drive_current, sagging_voltage, orifice_flow)


@lane
def bus(w: Any) -> None:
    """What the battery gives now, from the currents of the step before."""
    par_o, par_f, e = w, tail(w, L), tail(w, lx.ENGINE * L)
    o, f, now = tail(par_o, lx.STATE * W), tail(par_f, lx.STATE * W), tail(e, lx.BUS_NOW * L)
    low_o, low_f = tail(par_o, lx.LOWEST_BUS * W), tail(par_f, lx.LOWEST_BUS * W)
    for j in range(LANES):
        first = drive_current(
            o[ix.VOLTAGE * W + j], o[ix.CURRENT * W + j], o[ix.BUS * W + j], par_o[ix.IDLE_POWER * W + j]
        )
        second = drive_current(
            f[ix.VOLTAGE * W + j], f[ix.CURRENT * W + j], f[ix.BUS * W + j], par_f[ix.IDLE_POWER * W + j]
        )
        drawn = e[ix.OTHER_LOADS * L + j] + first
        drawn += second
        volts = sagging_voltage(e[ix.BATTERY * L + j], e[ix.BATTERY_RESISTANCE * L + j], drawn)
        one = sagging_voltage(volts, par_o[ix.HARNESS * W + j], first)
        other = sagging_voltage(volts, par_f[ix.HARNESS * W + j], second)
        now[j] = volts
        o[ix.BUS * W + j] = one
        f[ix.BUS * W + j] = other
        low_o[j] = min(low_o[j], one)
        low_f[j] = min(low_f[j], other)


@lane
def ratio_error(w: Any, wanted: float) -> None:
    """Relative O/F error of the injected flows, and how far each stem is from its command."""
    par_o, par_f, e = w, tail(w, L), tail(w, lx.ENGINE * L)
    o, f = tail(par_o, lx.STATE * W), tail(par_f, lx.STATE * W)
    pressure, error, alive = tail(e, lx.PRESSURE * L), tail(e, lx.ERROR * L), tail(e, lx.ALIVE * L)
    off_o, off_f = tail(par_o, lx.PEAK_TRACKING * W), tail(par_f, lx.PEAK_TRACKING * W)
    per_wanted = 1.0 / wanted
    for j in range(LANES):
        first = orifice_flow(par_o[ix.ORIFICE * W + j], o[ix.MANIFOLD * W + j] - pressure[j])
        second = orifice_flow(par_f[ix.ORIFICE * W + j], f[ix.MANIFOLD * W + j] - pressure[j])
        error[j] = first / second * per_wanted - 1.0
        lives = alive[j] > 0.5
        one = abs(o[ix.STEM_ANGLE * W + j] - o[ix.COMMAND * W + j])
        other = abs(f[ix.STEM_ANGLE * W + j] - f[ix.COMMAND * W + j])
        off_o[j] = max(off_o[j], one) if lives else off_o[j]
        off_f[j] = max(off_f[j], other) if lives else off_f[j]


@lane
def reduce(e: Any, red: Any, band: float, now: float) -> None:
    """Enter the present O/F error and chamber pressure of each lane into a window."""
    error, pressure, alive = tail(e, lx.ERROR * L), tail(e, lx.PRESSURE * L), tail(e, lx.ALIVE * L)
    for j in range(LANES):
        lives = alive[j] > 0.5
        x, p = error[j], pressure[j]
        highest, lowest = red[lx.ERROR_HIGHEST * L + j], red[lx.ERROR_LOWEST * L + j]
        out = lives and not abs(x) <= band
        red[lx.ERROR_HIGHEST * L + j] = max(highest, x) if lives else highest
        red[lx.ERROR_LOWEST * L + j] = min(lowest, x) if lives else lowest
        red[lx.ERROR_SUM * L + j] += x if lives else 0.0
        red[lx.ERROR_SQUARES * L + j] += x * x if lives else 0.0
        red[lx.ROWS_OUT * L + j] += 1.0 if out else 0.0
        last = red[lx.LAST_OUT * L + j]
        red[lx.LAST_OUT * L + j] = now if out else last
        highest, lowest = red[lx.PRESSURE_HIGHEST * L + j], red[lx.PRESSURE_LOWEST * L + j]
        red[lx.PRESSURE_HIGHEST * L + j] = max(highest, p) if lives else highest
        red[lx.PRESSURE_LOWEST * L + j] = min(lowest, p) if lives else lowest
        red[lx.PRESSURE_SUM * L + j] += p if lives else 0.0


@lane
def reduce_tone(e: Any, to: Any, cosine: float, sine: float) -> None:
    """Add the present O/F error and chamber pressure of each lane to the sums of one frequency, times its tapered wave."""
    error, pressure, alive = tail(e, lx.ERROR * L), tail(e, lx.PRESSURE * L), tail(e, lx.ALIVE * L)
    for j in range(LANES):
        lives = alive[j] > 0.5
        x, p = error[j] if lives else 0.0, pressure[j] if lives else 0.0
        to[lx.ERROR_COSINE * L + j] += x * cosine
        to[lx.ERROR_SINE * L + j] += x * sine
        to[lx.PRESSURE_COSINE * L + j] += p * cosine
        to[lx.PRESSURE_SINE * L + j] += p * sine


@lane
def guard(w: Any, first: Any, flows: Any, outs: Any, slots: int, tick: int) -> None:
    """Note lanes that have stopped being finite and put them back to their start."""
    e = tail(w, lx.ENGINE * L)
    alive, done, pressure = tail(e, lx.ALIVE * L), tail(e, lx.DONE * L), tail(e, lx.PRESSURE * L)
    for j in range(LANES):
        total = pressure[j]
        for k in range(2):
            s = tail(w, lx.STATE * W + k * L)
            total += s[ix.STEM_ANGLE * W + j] + s[ix.CURRENT * W + j] + s[ix.MANIFOLD * W + j]
        if not math.isfinite(total):
            if alive[j] > 0.5:
                done[j] = tick
                alive[j] = 0.0
            pressure[j] = first[(lx.ENGINE + lx.PRESSURE) * L + j]
            for k in range(2):
                for i in range(ix.ST_SIZE):
                    at = (lx.STATE + i) * W + k * L + j
                    w[at] = first[at]
                for i in range(slots):
                    flows[i * W + k * L + j] = first[(lx.STATE + ix.FLOW) * W + k * L + j]
                for i in range(ix.LOOPS * OUTS):
                    outs[(k * ix.LOOPS * OUTS + i) * L + j] = 0.0


@lane
def keep(w: Any, hist: Any, kept: int, rows: int, row: int, shown: Any, count: int) -> None:
    """One look into the histories of the lanes that are shown, ``kept`` numbers each; a lane's history of ``rows`` looks lies
    in one piece."""
    o, f, e = tail(w, lx.STATE * W), tail(w, lx.STATE * W + L), tail(w, lx.ENGINE * L)
    for i in range(count):
        j = shown[i]
        to = tail(hist, i * kept * rows + row)
        to[lx.HIST_ERROR * rows] = e[lx.ERROR * L + j]
        to[lx.HIST_OXIDIZER_BALL * rows] = o[ix.BALL_ANGLE * W + j]
        to[lx.HIST_FUEL_BALL * rows] = f[ix.BALL_ANGLE * W + j]
        if kept == lx.HIST_SIZE:
            to[lx.HIST_PRESSURE * rows] = e[lx.PRESSURE * L + j]
            to[lx.HIST_OXIDIZER * rows] = o[ix.STEM_ANGLE * W + j]
            to[lx.HIST_FUEL * rows] = f[ix.STEM_ANGLE * W + j]


def advance(
    work: Any,
    first: Any,
    cells: Any,
    pairs: Any,
    losses: Any,
    c_star: Any,
    command: Any,
    periods: Any,
    per: Any,
    starts: Any,
    alike: Any,
    flows: Any,
    outs: Any,
    wanted: Any,
    windows: Any,
    red: Any,
    waves: Any,
    tones: Any,
    shown: Any,
    hist: Any,
    h: float,
    band: float,
    steps: int,
    every: int,
    parts: int,
    feed_every: int,
    twice: bool,
) -> None:
    """Advance a block of engines by ``steps`` steps of ``h`` [s] from the state in ``work``.

    Shapes, with LANES a row: work, first (ROWS, .), the second a copy of the start; cells (CELLS, 2, .); pairs (., n, PAIRS,
    2), losses (., m, 2), of each lane's legs or of two for all; c_star (nx - 1, nr, 2), each pressure beside the next;
    command (2, samples) [rad]; periods, starts (2, LOOPS) [steps], per one over the periods; alike (2, LOOPS + 1) whether a
    loop's delay, and the combustion's, is that of all lanes; flows (2^b, 2, .); outs (2, LOOPS, OUTS, .); wanted (rows,)
    mixture ratio; windows (v, 2) first and one past the last row; red (v, RED_SIZE, .); waves (looks of all windows, f, 2)
    and tones (v, f, TONE_SIZE, .); shown (c,) lanes of which ``hist`` (c, HIST_SIZE or HIST_BRIEF, rows) is kept. A row is a
    look at the engines, each ``every`` steps and at the end; ``band`` [-] is that of the O/F error; ``parts`` steps of the
    servos' mechanics make one of the rest, ``feed_every`` of which make one of feed legs and chamber; ``twice``: friction of
    the stem is taken half-way through the step.
    """
    points, loss_points, samples = pairs.shape[1], losses.shape[1], command.shape[1]
    slots, nr, nx, count = flows.shape[0], c_star.shape[1], c_star.shape[0] + 1, shown.shape[0]
    mask = slots - 1
    w, first_, cells_, pairs_, losses_, c_star_ = (
        flat(work),
        flat(first),
        flat(cells),
        flat(pairs),
        flat(losses),
        flat(c_star),
    )
    flows_, outs_, red_, tones_, hist_, shown_ = (
        flat(flows),
        flat(outs),
        flat(red),
        flat(tones),
        flat(hist),
        flat(shown),
    )
    e = tail(w, lx.ENGINE * L)
    per_feed_step, length, per_length = 1.0 / (feed_every * h), 1.0 / parts, 1.0 * parts
    r0, per_dr = work[lx.ENGINE + ix.R_START, 0], 1.0 / work[lx.ENGINE + ix.R_STEP, 0]
    x0, per_dx = work[lx.ENGINE + ix.X_START, 0], 1.0 / work[lx.ENGINE + ix.X_STEP, 0]
    row = 0
    for tick in range(steps + 1):
        bus(w)
        for k in range(2):
            q, out = tail(w, k * L), tail(outs_, k * ix.LOOPS * OUTS * L)
            begin = starts[k, ix.LOOP_POSITION]
            since, period, per_period = tick - begin, periods[k, ix.LOOP_POSITION], per[k, ix.LOOP_POSITION]
            if since >= 0 and since % period == 0:
                n = since // period
                sample_position(q, out, command[k, min(n, samples - 1)], n & (OUTS - 1))
            since, period = tick - starts[k, ix.LOOP_SPEED], periods[k, ix.LOOP_SPEED]
            if since >= 0 and since % period == 0:
                into = lx.STATE + ix.SPEED_SET
                arrive(q, out, ix.LOOP_POSITION, ix.POSITION_DELAY_TICKS, per_period, begin, tick, into)
                sample_speed(q, out, (since // period) & (OUTS - 1))
            begin, per_period = starts[k, ix.LOOP_SPEED], per[k, ix.LOOP_SPEED]
            since, period = tick - starts[k, ix.LOOP_CURRENT], periods[k, ix.LOOP_CURRENT]
            if since >= 0 and since % period == 0:
                into = lx.STATE + ix.CURRENT_SET
                if alike[k, ix.LOOP_SPEED]:
                    arrive_alike(q, out, ix.LOOP_SPEED, ix.SPEED_DELAY_TICKS, per_period, begin, tick, into)
                else:
                    arrive(q, out, ix.LOOP_SPEED, ix.SPEED_DELAY_TICKS, per_period, begin, tick, into)
                sample_current(q, out, (since // period) & (OUTS - 1))
        if tick % every == 0 or tick == steps:
            guard(w, first_, flows_, outs_, slots, tick)
            ratio_error(w, wanted[row])
            before = 0
            for i in range(windows.shape[0]):
                if windows[i, 0] <= row < windows[i, 1]:
                    reduce(e, tail(red_, i * lx.RED_SIZE * L), band, tick * h)
                    for f in range(waves.shape[1]):
                        to = tail(tones_, (i * waves.shape[1] + f) * lx.TONE_SIZE * L)
                        at = before + row - windows[i, 0]
                        reduce_tone(e, to, waves[at, f, 0], waves[at, f, 1])
                before += windows[i, 1] - windows[i, 0]
            if count > 0:
                keep(w, hist_, hist.shape[1], hist.shape[2], row, shown_, count)
            row += 1
        if tick == steps:
            break
        if tick % feed_every == 0:
            turn = tick // feed_every
            feed_cells(w, cells_, points, loss_points)
            corners(tail(cells_, lx.CELL * W), pairs_, 2 * lx.PAIRS, tail(w, lx.FOUR * W))
            corners(tail(cells_, lx.LOSS_CELL * W), losses_, 2, tail(w, lx.LOSS_FOUR * W))
            losses_now(w)
            column_free(w)
            if choking(w) > 0:
                column_choked(w)
            drop_step(w, per_feed_step)
            if alike[0, ix.LOOPS] and alike[1, ix.LOOPS]:
                for k in range(2):
                    burnt_alike(tail(w, k * L), tail(cells_, k * L), flows_, mask, turn)
            else:
                burnt(w, cells_, flows_, mask, turn)
            c_star_cells(w, nr, nx, r0, per_dr, x0, per_dx, cells_)
            c_star_corners(e, cells_, c_star_)
            chamber_step(w)
            manifold_step(w, tail(flows_, (turn & mask) * W))
        for i in range(parts):
            now = tick + i * length
            for k in range(2):
                q, out = tail(w, k * L), tail(outs_, k * ix.LOOPS * OUTS * L)
                period, per_period = periods[k, ix.LOOP_CURRENT], per[k, ix.LOOP_CURRENT]
                if alike[k, ix.LOOP_CURRENT]:
                    step_voltage_alike(q, out, period, per_period, starts[k, ix.LOOP_CURRENT], now, length, per_length)
                else:
                    step_voltage(q, out, period, per_period, starts[k, ix.LOOP_CURRENT], now, length, per_length)
            motor_step(w, cells_, points, h * length)
            if i == 0:  # the tables change little within a step
                corners(tail(cells_, lx.CELL * W), pairs_, 2 * lx.PAIRS, tail(w, lx.FOUR * W))
                stem_tables(w)
            moving = friction_level(w)
            if twice:
                level_half_way(w, moving)
            stem_step(w, h * length)
