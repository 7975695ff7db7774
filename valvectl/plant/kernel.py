"""The compiled simulator: both servos, both feed legs and the chamber, one engine a call.

One function a law, plain arrays only, no allocation, no globals that change. The laws themselves are those of
``valvectl.parts``; here they are only joined and stepped. Angles, currents and pressures live at whole steps, speeds
and line flows half a step earlier (leapfrog), dry friction is a stick-or-slip projection, and the stiff linear and
square-law parts are implicit (midpoint). Smooth motion is second order in the step but for four small first-order terms:
the contact damper sees speeds half a step old, tank droop and loss tables use the flow and c* the pressure at the start of
the step.

This is the scalar build; one loop over lanes round each of the functions below is the next step.
"""

from __future__ import annotations

import math
from typing import Any

from numba import njit, types
from numba.extending import intrinsic, overload, register_jitable

from valvectl.parts.bus import drive_current, sagging_voltage
from valvectl.parts.chamber import chamber_pressure_rate
from valvectl.parts.combustion import c_star_lookup
from valvectl.parts.controller import clip, pi_integral, pi_output, position_law
from valvectl.parts.encoder import quantise
from valvectl.parts.friction import hydrodynamic_torque, pressure_rise, stick_or_slip, stribeck
from valvectl.parts.gearing import play, spring_torque
from valvectl.parts.injector import orifice_flow, orifice_midpoint
from valvectl.parts.lookup import blend, locate
from valvectl.parts.motor import current_decay_step
from valvectl.parts.tank import tank_pressure
from valvectl.parts.valve import valve_loss
from valvectl.plant import layout as ix

FAST = {"contract", "arcp", "nsz"}
"""Fast-math flags that keep NaN checks and the order of sums."""

for _law in (
    drive_current,
    sagging_voltage,
    chamber_pressure_rate,
    c_star_lookup,
    clip,
    pi_integral,
    pi_output,
    position_law,
    quantise,
    hydrodynamic_torque,
    pressure_rise,
    stick_or_slip,
    stribeck,
    play,
    spring_torque,
    orifice_flow,
    orifice_midpoint,
    blend,
    locate,
    current_decay_step,
    tank_pressure,
    valve_loss,
):
    register_jitable(fastmath=FAST, error_model="numpy")(_law)


def jit(function: Any) -> Any:
    """Compile an inner function of the kernel; only the entry point is cached on disk."""
    return njit(function, fastmath=FAST, error_model="numpy", inline="always")


# Inner functions take bare pointers, not arrays: numba counts references to arrays that go through calls inside loops,
# which cost more here than all the arithmetic. In plain Python (tests with bounds checks) they are ordinary views.
def flat(array: Any) -> Any:
    """A C-contiguous array as one run of numbers."""
    return array.reshape(-1)


def tail(run: Any, start: int) -> Any:
    """The same numbers from ``start`` on."""
    return run[start:]


@intrinsic
def _pointer(typingctx: Any, array: Any) -> Any:
    def codegen(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return context.make_array(array)(context, builder, args[0]).data

    return types.CPointer(array.dtype)(array), codegen


@intrinsic
def _offset(typingctx: Any, pointer: Any, start: Any) -> Any:
    def codegen(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.gep(args[0], [args[1]])

    return pointer(pointer, types.intp), codegen


@overload(flat, strict=False)
def _flat(array: Any) -> Any:
    return lambda array: _pointer(array)


@overload(tail, strict=False)
def _tail(run: Any, start: int) -> Any:
    return lambda run, start: _offset(run, start)


@jit
def push(ring: Any, queue: Any, loop: int, value: float, tick: float) -> None:
    """Put a loop's new output on its way; it takes effect at ``tick`` (in steps, may be fractional)."""
    slot = (queue[loop * ix.QUEUE_SIZE + ix.HEAD_INDEX] + queue[loop * ix.QUEUE_SIZE + ix.COUNT_INDEX]) & (ix.RING - 1)
    ring[2 * (loop * ix.RING + slot)] = value
    ring[2 * (loop * ix.RING + slot) + 1] = tick
    queue[loop * ix.QUEUE_SIZE + ix.COUNT_INDEX] += 1


@jit
def arrived(ring: Any, queue: Any, loop: int, now: float, held: float) -> float:
    """The output in force at ``now``: the one that has arrived, else the one held so far.

    At most one can arrive between two looks, since a loop is looked at at least as often as it samples.
    """
    head = queue[loop * ix.QUEUE_SIZE + ix.HEAD_INDEX]
    if queue[loop * ix.QUEUE_SIZE + ix.COUNT_INDEX] > 0 and ring[2 * (loop * ix.RING + head) + 1] <= now + 1e-9:
        held = ring[2 * (loop * ix.RING + head)]
        queue[loop * ix.QUEUE_SIZE + ix.HEAD_INDEX] = (head + 1) & (ix.RING - 1)
        queue[loop * ix.QUEUE_SIZE + ix.COUNT_INDEX] -= 1
    return held


@jit
def sample_position(par: Any, st: Any, ring: Any, queue: Any, command: Any, tick: int, row: int) -> None:
    """Position loop at one of its samples; ``row`` is the command in force."""
    st[ix.COMMAND_BEFORE] = st[ix.COMMAND]
    st[ix.COMMAND] = command[row]
    angle = st[ix.STEM_ANGLE]
    if par[ix.POSITION_ON_MOTOR] > 0.5:
        angle = st[ix.MOTOR_ANGLE] * par[ix.PER_RATIO]
    angle = quantise(angle, par[ix.POSITION_COUNT])
    wanted = position_law(
        st[ix.COMMAND],
        st[ix.COMMAND_BEFORE],
        angle,
        par[ix.KP_POSITION],
        par[ix.FEEDFORWARD],
        par[ix.POSITION_PERIOD],
        par[ix.HOLD_BAND],
    )
    wanted = clip(wanted, par[ix.SPEED_LIMIT])
    push(ring, queue, ix.LOOP_POSITION, wanted, tick + par[ix.POSITION_DELAY_TICKS])


@jit
def sample_speed(par: Any, st: Any, ring: Any, queue: Any, tick: int) -> None:
    """Speed loop at one of its samples."""
    angle = st[ix.STEM_ANGLE]
    if par[ix.SPEED_ON_MOTOR] > 0.5:
        angle = st[ix.MOTOR_ANGLE] * par[ix.PER_RATIO]
    angle = quantise(angle, par[ix.SPEED_COUNT])
    raw = (angle - st[ix.ANGLE_BEFORE]) / par[ix.SPEED_PERIOD]
    st[ix.ANGLE_BEFORE] = angle
    st[ix.SPEED_FILTERED] += par[ix.FILTER_SHARE] * (raw - st[ix.SPEED_FILTERED])
    error = st[ix.SPEED_SET] - st[ix.SPEED_FILTERED]
    limit = par[ix.CURRENT_LIMIT]
    output = pi_output(error, st[ix.SPEED_INTEGRAL], par[ix.KP_SPEED])
    st[ix.SPEED_INTEGRAL] = pi_integral(
        error,
        st[ix.SPEED_INTEGRAL],
        par[ix.KP_SPEED],
        par[ix.KI_SPEED] * par[ix.SPEED_PERIOD],
        output,
        limit,
    )
    push(ring, queue, ix.LOOP_SPEED, clip(output, limit), tick + par[ix.SPEED_DELAY_TICKS])


@jit
def sample_current(par: Any, st: Any, ring: Any, queue: Any, tick: int) -> None:
    """Current loop at one of its samples; its limit is what the bus gives now."""
    error = st[ix.CURRENT_SET] - st[ix.CURRENT]
    limit = par[ix.DUTY_LIMIT] * st[ix.BUS]
    output = pi_output(error, st[ix.CURRENT_INTEGRAL], par[ix.KP_CURRENT])
    st[ix.CURRENT_INTEGRAL] = pi_integral(
        error,
        st[ix.CURRENT_INTEGRAL],
        par[ix.KP_CURRENT],
        par[ix.KI_CURRENT] * par[ix.CURRENT_PERIOD],
        output,
        limit,
    )
    push(ring, queue, ix.LOOP_CURRENT, clip(output, limit), tick + par[ix.CURRENT_DELAY_TICKS])


@jit
def control(
    par: Any, st: Any, ring: Any, queue: Any, command: Any, samples: int, tick: int, periods: Any, due: Any
) -> None:
    """All loops of a leg that sample at this step, outer loops first; outputs that have arrived take effect.

    ``due`` holds the step of each loop's next sample and, last, the number of position samples so far: counting is
    cheaper than a remainder in every step. The slower periods are multiples of the current loop's.
    """
    if tick == due[ix.LOOP_CURRENT]:
        due[ix.LOOP_CURRENT] += periods[ix.LOOP_CURRENT]
        if tick == due[ix.LOOP_POSITION]:
            due[ix.LOOP_POSITION] += periods[ix.LOOP_POSITION]
            sample_position(par, st, ring, queue, command, tick, min(due[ix.LOOPS], samples - 1))
            due[ix.LOOPS] += 1
        if tick == due[ix.LOOP_SPEED]:
            due[ix.LOOP_SPEED] += periods[ix.LOOP_SPEED]
            st[ix.SPEED_SET] = arrived(ring, queue, ix.LOOP_POSITION, tick, st[ix.SPEED_SET])
            sample_speed(par, st, ring, queue, tick)
        st[ix.CURRENT_SET] = arrived(ring, queue, ix.LOOP_SPEED, tick, st[ix.CURRENT_SET])
        sample_current(par, st, ring, queue, tick)


@jit
def step_voltage(st: Any, ring: Any, queue: Any, tick: int) -> float:
    """Mean voltage over the step: a change inside the step counts for its share of it. Updates the voltage held."""
    before = arrived(ring, queue, ix.LOOP_CURRENT, tick, st[ix.VOLTAGE])
    head = queue[ix.LOOP_CURRENT * ix.QUEUE_SIZE + ix.HEAD_INDEX]
    share = tick + 1.0 - ring[2 * (ix.LOOP_CURRENT * ix.RING + head) + 1]
    after = arrived(ring, queue, ix.LOOP_CURRENT, tick + 1.0, before)
    st[ix.VOLTAGE] = after
    return before + share * (after - before) if after != before else before


@jit
def mechanics(par: Any, st: Any, acc: Any, tables: Any, points: int, voltage: float, h: float) -> None:
    """Rotor, gears, stem and ball over one step, then the current."""
    per_ratio = par[ix.PER_RATIO]
    stem_angle, stem_speed = st[ix.STEM_ANGLE], st[ix.STEM_SPEED]
    spring = spring_torque(
        st[ix.MOTOR_ANGLE] * per_ratio - stem_angle,
        st[ix.MOTOR_SPEED] * per_ratio - stem_speed,
        par[ix.SPRING],
        par[ix.DAMPING],
        par[ix.HALF_GAP],
    )
    acc[ix.PEAK_SPRING] = max(acc[ix.PEAK_SPRING], abs(spring))

    # rotor: viscous part implicit (trapezoidal), Coulomb and mesh friction by projection
    half = par[ix.VISCOUS_DECAY]
    over = par[ix.STEP_OVER_MOTOR] / (1.0 + half)
    decay = (1.0 - half) / (1.0 + half)
    torque = par[ix.TORQUE_CONSTANT] * st[ix.CURRENT] - par[ix.MESH_MEAN] * spring
    level = par[ix.MOTOR_FRICTION] + par[ix.MESH_LOSS] * abs(spring)
    motor_speed = stick_or_slip(st[ix.MOTOR_SPEED] * decay + over * torque, level, over)
    st[ix.MOTOR_SPEED] = motor_speed
    st[ix.MOTOR_ANGLE] += h * motor_speed

    # stem and ball
    over = par[ix.STEP_OVER_LOAD]
    drop = st[ix.VALVE_DROP]
    cell, share = locate(points, par[ix.GRID_START], par[ix.GRID_PER_STEP], stem_angle)
    factor = par[ix.COLD] * pressure_rise(par[ix.RELATIVE_SLOPE], drop)
    level = factor * stribeck(
        stem_speed,
        blend(tables[ix.TAB_BREAK * points + cell], tables[ix.TAB_BREAK * points + cell + 1], share),
        blend(tables[ix.TAB_RUN * points + cell], tables[ix.TAB_RUN * points + cell + 1], share),
        par[ix.STRIBECK],
    )
    torque = spring - hydrodynamic_torque(par[ix.HYDRO], par[ix.BORE], drop)
    stem_speed = stick_or_slip(stem_speed + over * torque, level, over)
    stem_angle += h * stem_speed
    if stem_angle >= par[ix.OPEN_STOP]:
        stem_angle, stem_speed = par[ix.OPEN_STOP], min(stem_speed, 0.0)
    if stem_angle <= par[ix.CLOSED_STOP]:
        stem_angle, stem_speed = par[ix.CLOSED_STOP], max(stem_speed, 0.0)
    st[ix.STEM_SPEED], st[ix.STEM_ANGLE] = stem_speed, stem_angle
    st[ix.BALL_ANGLE] = play(st[ix.BALL_ANGLE], stem_angle, par[ix.HALF_SLOT])

    st[ix.CURRENT] = current_decay_step(
        voltage - par[ix.TORQUE_CONSTANT] * motor_speed,
        st[ix.CURRENT],
        par[ix.CURRENT_HALF],
        par[ix.CURRENT_GAIN],
    )


@jit
def column_step(flow: float, push_pressure: float, loss: float, step_over_inertance: float) -> float:
    """Flow [kg/s] of a liquid column one step on: inertance dm/dt = push - loss m |m|.

    Implicit midpoint; where the loss is so large that the column has no inertia on the scale of a step (a valve that
    shuts), backward Euler instead, since the midpoint rule would ring there. ``push_pressure`` [Pa].
    """
    weight = 0.5
    # the column's time constant I / (2 sqrt(loss push)) against the step, without a root or a quotient
    if 4.0 * step_over_inertance * step_over_inertance * loss * max(abs(push_pressure), 1.0) > 1.0:
        weight = 1.0
    gain = weight * step_over_inertance
    q = flow + gain * push_pressure
    at = 2.0 * q / (1.0 + math.sqrt(1.0 + 4.0 * gain * loss * abs(q)))
    return flow + (at - flow) / weight


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


@jit
def delayed(flows: Any, mask: int, tick: int, delay: float) -> float:
    """Injector flow ``delay`` steps ago, linear between stored steps; ``delay`` >= 1, ``mask`` + 1 a power of two."""
    whole = int(delay)
    part = delay - whole
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
    st: Any,
    flows: Any,
    ring: Any,
    queue: Any,
    acc: Any,
    rec: Any,
    pressure: float,
    steps: int,
    record_every: int,
) -> int:
    """Advance one engine by ``steps`` steps from the state in ``st``; fill ``rec``. Returns steps done while finite.

    Shapes: par (2, PAR_SIZE), glob (GLOB_SIZE,), valve_tables (2, TAB_SIZE, n), losses (2, 2, m), c_star (nx, nr),
    command (2, samples) [rad], periods (2, LOOPS) [steps], due (2, LOOPS + 1), st (2, ST_SIZE), flows (2, 2^b) ring,
    ring (2, LOOPS, RING, 2), queue (2, LOOPS, QUEUE_SIZE), acc (2, ACC_SIZE), rec (rows, REC_SIZE). All C-contiguous.
    """
    h, per_step = glob[ix.STEP], glob[ix.PER_STEP]
    hydraulics = glob[ix.HYDRAULICS] > 0.5
    bus_now = glob[ix.BATTERY]
    points, loss_points, samples = valve_tables.shape[2], losses.shape[2], command.shape[1]
    mask, rows = flows.shape[1] - 1, rec.shape[0]
    par_, st_, acc_, periods_, due_ = flat(par), flat(st), flat(acc), flat(periods), flat(due)
    tables_, losses_, command_, flows_ = flat(valve_tables), flat(losses), flat(command), flat(flows)
    ring_, queue_, rec_ = flat(ring), flat(queue), flat(rec)
    row, next_record = 0, 0
    for tick in range(steps + 1):
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
            control(
                p,
                s,
                tail(ring_, k * ix.LOOPS * ix.RING * 2),
                tail(queue_, k * ix.LOOPS * ix.QUEUE_SIZE),
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
        for k in range(2):
            s, p, a = tail(st_, k * ix.ST_SIZE), tail(par_, k * ix.PAR_SIZE), tail(acc_, k * ix.ACC_SIZE)
            tables = tail(tables_, k * ix.TAB_SIZE * points)
            voltage = step_voltage(
                s, tail(ring_, k * ix.LOOPS * ix.RING * 2), tail(queue_, k * ix.LOOPS * ix.QUEUE_SIZE), tick
            )
            if hydraulics:  # first: it needs the ball where it is now, at the start of the step
                feed(p, s, tables, points, tail(losses_, k * 2 * loss_points), loss_points, per_step)
            mechanics(p, s, a, tables, points, voltage, h)
            a[ix.SUM_CURRENT_SQUARED] += s[ix.CURRENT] * s[ix.CURRENT]
            a[ix.PEAK_CURRENT] = max(a[ix.PEAK_CURRENT], abs(s[ix.CURRENT]))
            a[ix.PEAK_MOTOR_SPEED] = max(a[ix.PEAK_MOTOR_SPEED], abs(s[ix.MOTOR_SPEED]))
        if hydraulics:
            burnt_o = delayed(flows_, mask, tick, par_[ix.DELAY])
            burnt_f = delayed(tail(flows_, mask + 1), mask, tick, par_[ix.PAR_SIZE + ix.DELAY])
            after = engine(glob, c_star, burnt_o, burnt_f, pressure)
            middle = 0.5 * (pressure + after)
            for k in range(2):
                s, p = tail(st_, k * ix.ST_SIZE), tail(par_, k * ix.PAR_SIZE)
                drop, flow = orifice_midpoint(
                    s[ix.MANIFOLD] - middle, s[ix.FLOW], p[ix.ORIFICE], p[ix.HALF_STEP_COMPLIANCE]
                )
                s[ix.MANIFOLD] = 2.0 * (drop + middle) - s[ix.MANIFOLD]
                flows_[k * (mask + 1) + (tick & mask)] = flow
            pressure = after
    return steps
