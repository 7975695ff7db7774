"""The servo of one valve in the compiled simulator: sampled loops with their delays, drive, motor, gears, stem and ball.

Angles and currents live at whole steps, speeds half a step earlier (leapfrog); dry friction is a stick-or-slip projection.
The contact damper sees speeds half a step old: first order in the step, and small.
"""

from __future__ import annotations

from typing import Any

from valvectl.parts.controller import clip, pi_integral, pi_output, position_law
from valvectl.parts.controller_more import dead_zone, next_integral
from valvectl.parts.friction import faded, half_way_speed, hydrodynamic_torque, pressure_rise, stick_or_slip, stribeck
from valvectl.parts.gearing import play, spring_torque
from valvectl.parts.lookup import blend, locate
from valvectl.parts.lugre import lugre_step
from valvectl.parts.motor import current_decay_step
from valvectl.parts.return_spring import return_torque
from valvectl.plant import layout as ix
from valvectl.plant.kernel_base import jit, laws
from valvectl.plant.kernel_outer import forward_current, notched, pid_current, state_current
from valvectl.plant.kernel_sensors import (
    current_reading,
    draw_noise,
    position_reading,
    raw_speed,
    shift_newest,
    speed_reading,
    trim_step,
)

laws(clip, pi_integral, pi_output, position_law, hydrodynamic_torque, pressure_rise)
laws(stick_or_slip, faded, half_way_speed, stribeck)
laws(play, spring_torque, blend, locate, current_decay_step, return_torque, lugre_step)


@jit
def push(ring: Any, queue: Any, loop: int, value: float, tick: float) -> None:
    """Put a loop's new output on its way; it takes effect at ``tick`` (in steps, may be fractional)."""
    slot = (queue[loop * ix.QUEUE_SIZE + ix.HEAD_INDEX] + queue[loop * ix.QUEUE_SIZE + ix.COUNT_INDEX]) & (ix.RING - 1)
    ring[2 * (loop * ix.RING + slot)] = value
    ring[2 * (loop * ix.RING + slot) + 1] = tick
    queue[loop * ix.QUEUE_SIZE + ix.COUNT_INDEX] += 1


@jit
def arrived(ring: Any, queue: Any, loop: int, now: float, held: float) -> float:
    """The output in force at ``now``: the newest that has arrived, else the one held so far."""
    head = queue[loop * ix.QUEUE_SIZE + ix.HEAD_INDEX]
    while queue[loop * ix.QUEUE_SIZE + ix.COUNT_INDEX] > 0 and ring[2 * (loop * ix.RING + head) + 1] <= now + 1e-9:
        held = ring[2 * (loop * ix.RING + head)]
        head = (head + 1) & (ix.RING - 1)
        queue[loop * ix.QUEUE_SIZE + ix.HEAD_INDEX] = head
        queue[loop * ix.QUEUE_SIZE + ix.COUNT_INDEX] -= 1
    return held


@jit
def sample_position(par: Any, st: Any, ring: Any, queue: Any, command: Any, tick: int, row: int) -> None:
    """Position loop at one of its samples; ``row`` is the command in force."""
    st[ix.COMMAND_EARLIER] = st[ix.COMMAND_BEFORE]
    st[ix.COMMAND_BEFORE] = st[ix.COMMAND]
    st[ix.COMMAND] = command[row] + st[ix.OUTER_TRIM]
    angle = position_reading(par, st) - trim_step(par, st)
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
def send_forward(par: Any, st: Any, ring: Any, queue: Any) -> None:
    """Current fed forward, in one message with the position loop's newest output: it arrives at the same time."""
    at = ix.LOOP_POSITION * ix.QUEUE_SIZE
    slot = (queue[at + ix.HEAD_INDEX] + queue[at + ix.COUNT_INDEX] - 1) & (ix.RING - 1)
    push(ring, queue, ix.QUEUE_FORWARD, forward_current(par, st), ring[2 * (ix.LOOP_POSITION * ix.RING + slot) + 1])


@jit
def sample_outer(par: Any, st: Any, ring: Any, queue: Any, command: Any, tick: int, row: int) -> None:
    """PID or state feedback at one of the position loop's samples: straight to the current set-point."""
    st[ix.COMMAND_EARLIER] = st[ix.COMMAND_BEFORE]
    st[ix.COMMAND_BEFORE] = st[ix.COMMAND]
    st[ix.COMMAND] = command[row] + st[ix.OUTER_TRIM]
    angle = position_reading(par, st) - trim_step(par, st)
    current = pid_current(par, st, angle) if par[ix.STRUCTURE] < 1.5 else state_current(par, st, angle)
    push(ring, queue, ix.LOOP_SPEED, current, tick + par[ix.POSITION_DELAY_TICKS])


@jit
def sample_speed(par: Any, st: Any, ring: Any, queue: Any, tick: int) -> None:
    """Speed loop at one of its samples."""
    raw = raw_speed(par, st, speed_reading(par, st))
    st[ix.SPEED_FILTERED] += par[ix.FILTER_SHARE] * (raw - st[ix.SPEED_FILTERED])
    error = st[ix.SPEED_SET] - st[ix.SPEED_FILTERED]
    limit = par[ix.CURRENT_LIMIT]
    output = pi_output(error, st[ix.SPEED_INTEGRAL], par[ix.KP_SPEED])
    if par[ix.FORWARD_ON] > 0.5:
        output += st[ix.CURRENT_FORWARD]
    if par[ix.NOTCH_ON] > 0.5:
        output = notched(par, st, output)
    st[ix.SPEED_INTEGRAL] = next_integral(
        par[ix.ANTI_WINDUP],
        dead_zone(error, par[ix.DEAD_ZONE]),
        st[ix.SPEED_INTEGRAL],
        par[ix.KP_SPEED],
        par[ix.KI_SPEED] * par[ix.SPEED_PERIOD],
        output,
        limit,
        par[ix.TRACK_OUTER],
    )
    push(ring, queue, ix.LOOP_SPEED, clip(output, limit), tick + par[ix.SPEED_DELAY_TICKS])


@jit
def sample_current(par: Any, st: Any, ring: Any, queue: Any, tick: int) -> None:
    """Current loop at one of its samples; its limit is what the bus gives now."""
    error = st[ix.CURRENT_SET] - current_reading(par, st)
    limit = par[ix.DUTY_LIMIT] * st[ix.BUS]
    output = pi_output(error, st[ix.CURRENT_INTEGRAL], par[ix.KP_CURRENT])
    st[ix.CURRENT_INTEGRAL] = next_integral(
        par[ix.ANTI_WINDUP],
        error,
        st[ix.CURRENT_INTEGRAL],
        par[ix.KP_CURRENT],
        par[ix.KI_CURRENT] * par[ix.CURRENT_PERIOD],
        output,
        limit,
        par[ix.TRACK_CURRENT],
    )
    push(ring, queue, ix.LOOP_CURRENT, clip(output, limit), tick + par[ix.CURRENT_DELAY_TICKS])


@jit
def control(
    par: Any, st: Any, ring: Any, queue: Any, late: Any, command: Any, samples: int, tick: int, periods: Any, due: Any
) -> None:
    """All loops of a leg that sample at this step, outer loops first; outputs that have arrived take effect.

    ``due`` holds the step of each loop's next sample and, last, the number of position samples so far: counting is
    cheaper than a remainder in every step.
    """
    if tick == due[ix.LOOP_POSITION]:
        due[ix.LOOP_POSITION] += periods[ix.LOOP_POSITION]
        if par[ix.FAULTY] > 0.5:
            draw_noise(st, queue, late)
        if par[ix.STRUCTURE] < 0.5:
            sample_position(par, st, ring, queue, command, tick, min(due[ix.LOOPS], samples - 1))
            shift_newest(ring, queue, late, ix.LOOP_POSITION, par[ix.POSITION_JITTER])
            if par[ix.FORWARD_ON] > 0.5:
                send_forward(par, st, ring, queue)
        else:
            sample_outer(par, st, ring, queue, command, tick, min(due[ix.LOOPS], samples - 1))
            shift_newest(ring, queue, late, ix.LOOP_SPEED, par[ix.POSITION_JITTER])
        due[ix.LOOPS] += 1
    if par[ix.STRUCTURE] < 0.5 and tick == due[ix.LOOP_SPEED]:
        due[ix.LOOP_SPEED] += periods[ix.LOOP_SPEED]
        if par[ix.FAULTY] > 0.5:
            draw_noise(st, queue, late)
        st[ix.SPEED_SET] = arrived(ring, queue, ix.LOOP_POSITION, tick, st[ix.SPEED_SET])
        if par[ix.FORWARD_ON] > 0.5:
            st[ix.CURRENT_FORWARD] = arrived(ring, queue, ix.QUEUE_FORWARD, tick, st[ix.CURRENT_FORWARD])
        sample_speed(par, st, ring, queue, tick)
        shift_newest(ring, queue, late, ix.LOOP_SPEED, par[ix.SPEED_JITTER])
    if tick == due[ix.LOOP_CURRENT]:
        due[ix.LOOP_CURRENT] += periods[ix.LOOP_CURRENT]
        st[ix.CURRENT_SET] = arrived(ring, queue, ix.LOOP_SPEED, tick, st[ix.CURRENT_SET])
        sample_current(par, st, ring, queue, tick)
        shift_newest(ring, queue, late, ix.LOOP_CURRENT, par[ix.CURRENT_JITTER])


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
def stretch(twist: float, half_gap: float) -> float:
    """Elastic part of a twist [rad]: what lies beyond the gap."""
    if twist > half_gap:
        return twist - half_gap
    return twist + half_gap if twist < -half_gap else 0.0


@jit
def book(
    par: Any, st: Any, acc: Any, voltage: float, h: float, spring: float, stream: float, shutting: float,
    motor_before: float, stem_before: float, moving: float, current_before: float, twist_before: float, twist: float,
    way: float,
) -> None:  # fmt: skip
    """Enter one step of the mechanics into the energy book (``plant.energy``): torque times mean speed of the step.

    ``moving`` is the stem's speed before a stop took it, ``way`` what it has turned [rad].
    """
    motor_inertia, load_inertia = h / par[ix.STEP_OVER_MOTOR], h / par[ix.STEP_OVER_LOAD]
    inductance = h / par[ix.CURRENT_GAIN]
    k = par[ix.TORQUE_CONSTANT]
    current = 0.5 * (current_before + st[ix.CURRENT])
    motor, stem = 0.5 * (motor_before + st[ix.MOTOR_SPEED]), 0.5 * (stem_before + moving)
    acc[ix.E_MOTOR] += h * voltage * current
    acc[ix.E_THROUGH] += h * abs(voltage * current)
    acc[ix.E_COPPER] += 2.0 * par[ix.CURRENT_HALF] * inductance * current * current
    viscous = 2.0 * par[ix.VISCOUS_DECAY] * motor_inertia * motor
    mesh = par[ix.MESH_MEAN] * spring
    # what friction must have taken for the speed to come out as it did
    taken = h * (k * current_before - mesh) - viscous - motor_inertia * (st[ix.MOTOR_SPEED] - motor_before)
    level = par[ix.MOTOR_FRICTION] + par[ix.MESH_LOSS] * abs(spring)
    share = par[ix.MESH_LOSS] * abs(spring) / level if level > 0.0 else 0.0
    dry = taken * motor
    acc[ix.E_MOTOR_FRICTION] += viscous * motor + (1.0 - share) * dry
    acc[ix.E_GEAR] += share * dry + h * (mesh - par[ix.PER_RATIO] * spring) * motor
    elastic = par[ix.SPRING] * stretch(twist_before, par[ix.HALF_GAP])
    driving = spring - stream - shutting
    held = 0.0
    if st[ix.STEM_SPEED] == moving:
        held = (h * driving - load_inertia * (moving - stem_before)) * stem
    else:  # against a stop: it takes what is left when the little way that was possible has been gone
        stem = way / h
        acc[ix.E_STOP] += driving * way + 0.5 * load_inertia * (stem_before * stem_before - st[ix.STEM_SPEED] ** 2)
    acc[ix.E_STEM_FRICTION] += held
    acc[ix.E_GIVEN] -= min(dry, 0.0) + min(held, 0.0)
    acc[ix.E_CONTACT] += h * (spring - elastic) * (par[ix.PER_RATIO] * motor - stem)
    acc[ix.E_STREAM] += h * stream * stem
    acc[ix.E_RETURN] += h * shutting * stem
    after = par[ix.SPRING] * stretch(twist, par[ix.HALF_GAP])
    acc[ix.E_STORED] += 0.5 * (
        motor_inertia * (st[ix.MOTOR_SPEED] * st[ix.MOTOR_SPEED] - motor_before * motor_before)
        + load_inertia * (st[ix.STEM_SPEED] * st[ix.STEM_SPEED] - stem_before * stem_before)
        + inductance * (st[ix.CURRENT] * st[ix.CURRENT] - current_before * current_before)
        + (after * after - elastic * elastic) / par[ix.SPRING]
    )


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
    motor_before, stem_before, current_before = st[ix.MOTOR_SPEED], stem_speed, st[ix.CURRENT]
    twist_before = st[ix.MOTOR_ANGLE] * per_ratio - stem_angle
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
    stream = hydrodynamic_torque(par[ix.HYDRO], par[ix.BORE], drop)
    shutting = return_torque(stem_angle - par[ix.CLOSED_STOP], par[ix.RETURN_PRELOAD], par[ix.RETURN_RATE])
    free = stem_speed + over * (spring - stream - shutting)
    # The way it goes, or would go from rest, says which friction stands against it; both closing columns lie as far on. The
    # speed comes first because it is known early: a choice by ``free`` alone cost 6 % of the whole run.
    if stem_speed < 0.0 or (stem_speed == 0.0 and free < 0.0):
        cell += (ix.TAB_RUN_CLOSING - ix.TAB_RUN) * points
    stiction = blend(tables[ix.TAB_BREAK * points + cell], tables[ix.TAB_BREAK * points + cell + 1], share)
    running = blend(tables[ix.TAB_RUN * points + cell], tables[ix.TAB_RUN * points + cell + 1], share)
    level = factor * stribeck(stem_speed, stiction, running, par[ix.STRIBECK])
    if par[ix.HALF_WAY] > 0.5:
        middle = half_way_speed(stem_speed, free, level, over)
        level = factor * stribeck(middle, stiction, running, par[ix.STRIBECK])
    if par[ix.SIGMA0] > 0.0:
        stem_speed, st[ix.BRISTLE] = lugre_step(
            free, stem_speed, st[ix.BRISTLE], level, par[ix.SIGMA0], par[ix.SIGMA1], h, over
        )
    else:
        stem_speed = stick_or_slip(free, level, over)
    moving, from_angle = stem_speed, stem_angle
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
    if par[ix.AUDIT] > 0.5:
        twist = st[ix.MOTOR_ANGLE] * per_ratio - stem_angle
        book(
            par,
            st,
            acc,
            voltage,
            h,
            spring,
            stream,
            shutting,
            motor_before,
            stem_before,
            moving,
            current_before,
            twist_before,
            twist,
            stem_angle - from_angle,
        )
