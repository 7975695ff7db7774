"""The compiled simulator: both servos, both feed legs and the chamber, one engine a call.

One function a law, plain arrays only, no allocation, no globals that change. The laws themselves are those of
``valvectl.parts``; here they are only joined and stepped. Angles, currents and pressures live at whole steps, speeds
and line flows half a step earlier (leapfrog), dry friction is a stick-or-slip projection, and the stiff linear and
square-law parts are implicit (midpoint). Smooth motion is second order in the step but for four small first-order terms:
the contact damper sees speeds half a step old, tank droop and loss tables use the flow and c* the pressure at the start of
the step. Where feed legs and chamber take several steps of the servos at once there is a fifth: the stem feels the valve's
pressure drop as it was at the first of them.

This is the scalar build; one loop over lanes round each of the functions below is the next step.
"""

from __future__ import annotations

import math
from typing import Any

from valvectl.parts.bus import drive_current, sagging_voltage
from valvectl.parts.injector import orifice_flow, orifice_midpoint
from valvectl.plant import layout as ix
from valvectl.plant.kernel_base import FAST, flat, jit, laws, tail
from valvectl.plant.kernel_feed import delayed, engine, feed
from valvectl.plant.kernel_sensors import sense
from valvectl.plant.kernel_servo import control, mechanics, step_voltage
from valvectl.plant.kernel_trim import sample_trims, take_trims, trim_sensors

__all__ = ["FAST", "run"]

laws(drive_current, sagging_voltage, orifice_flow, orifice_midpoint)


@jit
def record_leg(rec: Any, pressure: float, par: Any, st: Any) -> None:
    """A leg's part of one row of the record; its flow is that at the same instant as its pressures."""
    rec[ix.REC_COMMAND] = st[ix.COMMAND]
    rec[ix.REC_STEM] = st[ix.STEM_ANGLE]
    rec[ix.REC_BALL] = st[ix.BALL_ANGLE]
    rec[ix.REC_MOTOR] = st[ix.MOTOR_ANGLE] * par[ix.PER_RATIO]
    rec[ix.REC_CURRENT] = st[ix.CURRENT]
    rec[ix.REC_VOLTAGE] = st[ix.VOLTAGE]
    drop = st[ix.MANIFOLD] - pressure
    rec[ix.REC_FLOW] = orifice_flow(par[ix.ORIFICE], drop)
    rec[ix.REC_MANIFOLD] = st[ix.MANIFOLD]
    rec[ix.REC_DROP] = st[ix.VALVE_DROP]
    rec[ix.REC_CHOKED] = st[ix.CHOKED]
    rec[ix.REC_SPEED] = st[ix.STEM_SPEED]


def run(
    par: Any,
    glob: Any,
    valve_tables: Any,
    losses: Any,
    c_star: Any,
    command: Any,
    periods: Any,
    due: Any,
    late: Any,
    st: Any,
    flows: Any,
    ring: Any,
    queue: Any,
    acc: Any,
    rec: Any,
    out: Any,
    outer_rows: Any,
    gas: Any,
    clock: Any,
    until: int,
    steps: int,
    record_every: int,
) -> int:
    """Advance one engine from step ``clock[TICK]`` to ``until`` of a run of ``steps`` steps; fill ``rec``. Returns the steps
    done while finite. All that a run knows is in the arrays, so that between two calls numbers and state may be changed; a
    run cut in two gives the same bits as one.

    Shapes: par (2, PAR_SIZE), glob (GLOB_SIZE,), valve_tables (2, TAB_SIZE, n), losses (2, 2, m), c_star (nx, nr),
    command (2, samples) [rad], periods (2, LOOPS) [steps], due (2, LOOPS + 1), late (2, QUEUES, LATE), st (2, ST_SIZE),
    flows (2, 2^b) ring, ring (2, QUEUES, RING, 2), queue (2, QUEUES, QUEUE_SIZE), acc (2, ACC_SIZE), rec (rows, REC_SIZE),
    out (OUT_SIZE,), outer_rows (samples, ROW_SIZE), gas (1,) chamber pressure, clock (CLOCK_SIZE,). All C-contiguous.
    """
    h, per_feed_step, feed_every = glob[ix.STEP], glob[ix.PER_FEED_STEP], int(glob[ix.FEED_EVERY])
    hydraulics = glob[ix.HYDRAULICS] > 0.5
    bus_now = glob[ix.BATTERY]
    points, loss_points, samples = valve_tables.shape[2], losses.shape[2], command.shape[1]
    mask, rows = flows.shape[1] - 1, rec.shape[0]
    par_, st_, acc_, periods_, due_ = flat(par), flat(st), flat(acc), flat(periods), flat(due)
    tables_, losses_, command_, flows_ = flat(valve_tables), flat(losses), flat(command), flat(flows)
    ring_, queue_, rec_, late_ = flat(ring), flat(queue), flat(rec), flat(late)
    pressure = gas[0]
    row, next_record = clock[ix.ROW], clock[ix.NEXT_RECORD]
    outer, outer_row, outer_next = hydraulics and out[ix.OUT_ON] > 0.5, clock[ix.OUTER_ROW], clock[ix.OUTER_NEXT]
    out_, outer_rows_ = flat(out), flat(outer_rows)
    # the loops and the record of the last step of all still belong to the run, though nothing moves any more
    for tick in range(clock[ix.TICK], until + 1 if until == steps else until):
        if outer:
            take_trims(out_, st_, tail(st_, ix.ST_SIZE), tick)
            if tick == outer_next and outer_row < outer_rows.shape[0]:
                sample_trims(out_, tail(outer_rows_, outer_row * ix.ROW_SIZE))
                outer_row, outer_next = outer_row + 1, outer_next + int(out_[ix.OUT_PERIOD])
                out_[ix.OUT_DUE] = tick + out_[ix.OUT_DELAY]
                take_trims(out_, st_, tail(st_, ix.ST_SIZE), tick)
        # what the battery gives now, from the currents of the step before
        drawn = glob[ix.OTHER_LOADS]
        for k in range(2):
            s, p = tail(st_, k * ix.ST_SIZE), tail(par_, k * ix.PAR_SIZE)
            current = drive_current(s[ix.VOLTAGE], s[ix.CURRENT], s[ix.BUS], p[ix.IDLE_POWER])
            drawn += current
            s[ix.DRAWN] = current
        bus_now = sagging_voltage(glob[ix.BATTERY], glob[ix.BATTERY_RESISTANCE], drawn)
        for k in range(2):
            s, p, a = tail(st_, k * ix.ST_SIZE), tail(par_, k * ix.PAR_SIZE), tail(acc_, k * ix.ACC_SIZE)
            s[ix.BUS] = sagging_voltage(bus_now, p[ix.HARNESS], s[ix.DRAWN])
            a[ix.LOWEST_BUS] = min(a[ix.LOWEST_BUS], s[ix.BUS])
            if p[ix.AUDIT] > 0.5 and tick < steps:
                # the current that belongs to the bus as it is now: DRAWN is from that of the step before
                energy = h * drive_current(s[ix.VOLTAGE], s[ix.CURRENT], s[ix.BUS], p[ix.IDLE_POWER])
                a[ix.E_DRAWN] += glob[ix.BATTERY] * energy
                a[ix.E_BATTERY] += (glob[ix.BATTERY] - bus_now) * energy
                a[ix.E_HARNESS] += (bus_now - s[ix.BUS]) * energy
                a[ix.E_IDLE] += h * p[ix.IDLE_POWER]
            control(
                p,
                s,
                tail(ring_, k * ix.QUEUES * ix.RING * 2),
                tail(queue_, k * ix.QUEUES * ix.QUEUE_SIZE),
                tail(late_, k * ix.QUEUES * ix.LATE),
                tail(command_, k * samples),
                samples,
                tick,
                tail(periods_, k * ix.LOOPS),
                tail(due_, k * (ix.LOOPS + 1)),
            )
        if tick == next_record or tick == steps:
            next_record += record_every
            if row < rows:
                r = tail(rec_, row * ix.REC_SIZE)
                r[ix.REC_TIME] = tick * h
                r[ix.REC_PC] = pressure
                r[ix.REC_BUS] = bus_now
                for k in range(2):
                    record_leg(
                        tail(r, ix.REC_ENGINE + k * ix.LEG_RECORD),
                        pressure,
                        tail(par_, k * ix.PAR_SIZE),
                        tail(st_, k * ix.ST_SIZE),
                    )
                row += 1
            total = pressure
            for k in range(2):
                s = tail(st_, k * ix.ST_SIZE)
                total += s[ix.STEM_ANGLE] + s[ix.CURRENT] + s[ix.MANIFOLD]
            if not math.isfinite(total):
                return tick
        if tick == steps:
            break
        feeds = hydraulics and tick % feed_every == 0
        for k in range(2):
            s, p, a = tail(st_, k * ix.ST_SIZE), tail(par_, k * ix.PAR_SIZE), tail(acc_, k * ix.ACC_SIZE)
            tables = tail(tables_, k * ix.TAB_SIZE * points)
            voltage = step_voltage(
                s, tail(ring_, k * ix.QUEUES * ix.RING * 2), tail(queue_, k * ix.QUEUES * ix.QUEUE_SIZE), tick
            )
            dead = tick >= p[ix.OFF_TICK]
            opened = dead and p[ix.SHORTED] < 0.5
            if dead:  # the drive gives no voltage; with open terminals no current flows either
                s[ix.VOLTAGE] = 0.0
                voltage = 0.0
            if opened:
                s[ix.CURRENT] = 0.0
                voltage = p[ix.TORQUE_CONSTANT] * s[ix.MOTOR_SPEED]
            if feeds:  # first: it needs the ball where it is now, at the start of the step
                feed(p, s, tables, points, tail(losses_, k * 2 * loss_points), loss_points, per_feed_step)
            mechanics(p, s, a, tables, points, voltage, h)
            if opened:
                s[ix.CURRENT] = 0.0
            sense(p, s)
            a[ix.SUM_CURRENT_SQUARED] += s[ix.CURRENT] * s[ix.CURRENT]
            a[ix.PEAK_CURRENT] = max(a[ix.PEAK_CURRENT], abs(s[ix.CURRENT]))
            a[ix.PEAK_MOTOR_SPEED] = max(a[ix.PEAK_MOTOR_SPEED], abs(s[ix.MOTOR_SPEED]))
        if feeds:
            turn = tick // feed_every
            burnt_o = delayed(flows_, mask, turn, par_[ix.DELAY])
            burnt_f = delayed(tail(flows_, mask + 1), mask, turn, par_[ix.PAR_SIZE + ix.DELAY])
            after = engine(glob, c_star, burnt_o, burnt_f, pressure)
            middle = 0.5 * (pressure + after)
            for k in range(2):
                s, p = tail(st_, k * ix.ST_SIZE), tail(par_, k * ix.PAR_SIZE)
                drop, flow = orifice_midpoint(
                    s[ix.MANIFOLD] - middle, s[ix.FLOW], p[ix.ORIFICE], p[ix.HALF_STEP_COMPLIANCE]
                )
                s[ix.MANIFOLD] = 2.0 * (drop + middle) - s[ix.MANIFOLD]
                flows_[k * (mask + 1) + (turn & mask)] = flow
            pressure = after
            if outer:
                s, p = st_, tail(st_, ix.ST_SIZE)
                trim_sensors(out_, s[ix.FLOW], p[ix.FLOW], s[ix.MANIFOLD], p[ix.MANIFOLD], pressure)
    gas[0] = pressure
    clock[ix.TICK], clock[ix.ROW], clock[ix.NEXT_RECORD] = until, row, next_record
    clock[ix.OUTER_ROW], clock[ix.OUTER_NEXT] = outer_row, outer_next
    return until
