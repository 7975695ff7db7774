"""The servos in the simulator in lanes: the same laws and order as ``kernel_servo``, one small loop over lanes a law.

``q`` is where the legs' rows begin (``lane_layout``), of one leg in what is done at its samples, of both in the rest.
Delays of the loops may differ from lane to lane, their periods may not: each lane looks up the sample that has reached it in a
ring of the last outputs, outs[loop, sample, lane].
"""

from __future__ import annotations

import math
from typing import Any

from numba import njit

from valvectl.parts.controller import clip, pi_integral, pi_output, position_law
from valvectl.parts.encoder import quantise
from valvectl.parts.friction import faded, half_way_speed, pressure_rise, stick_or_slip
from valvectl.parts.gearing import play, spring_torque
from valvectl.parts.lookup import blend, locate
from valvectl.parts.motor import current_decay_step
from valvectl.parts.return_spring import return_torque
from valvectl.plant import lane_layout as lx
from valvectl.plant import layout as ix
from valvectl.plant.kernel_base import FAST, laws, tail
from valvectl.plant.lane_math import copy_eight, exp_down

laws(clip, pi_integral, pi_output, position_law, quantise, faded, half_way_speed, pressure_rise)
laws(stick_or_slip, play, spring_torque, blend, locate, current_decay_step, return_torque)

LANES = lx.LANES
L, W = lx.LANES, lx.WIDE
OUTS = 32
"""Outputs of a loop that are kept, a power of two; a delay may be at most OUTS - 2 sample periods."""

lane = njit(fastmath=FAST, error_model="numpy")


@lane
def arrive(q: Any, outs: Any, loop: int, delay: int, per_period: float, first: int, now: float, into: int) -> None:
    """Put into row ``into`` the output of a loop that has reached each lane at ``now`` (in steps, may be fractional)."""
    d, to = tail(q, delay * W), tail(q, into * W)
    ring = tail(outs, loop * OUTS * L)
    for j in range(LANES):
        n = math.floor((now + 1e-9 - first - d[j]) * per_period)
        to[j] = ring[(n & (OUTS - 1)) * L + j]


@lane
def arrive_alike(
    q: Any, outs: Any, loop: int, delay: int, per_period: float, first: int, now: float, into: int
) -> None:
    """``arrive`` where all lanes have one delay."""
    to = tail(q, into * W)
    n = math.floor((now + 1e-9 - first - q[delay * W]) * per_period)
    ring = tail(outs, (loop * OUTS + (n & (OUTS - 1))) * L)
    for j in range(0, LANES, 8):
        copy_eight(to, j, ring)


@lane
def sample_position(q: Any, outs: Any, command: float, slot: int) -> None:
    """Position loop at one of its samples; ``command`` [rad] is the one in force."""
    par, st = q, tail(q, lx.STATE * W)
    offset, stem_offset, out = tail(q, lx.COMMAND_OFFSET * W), tail(q, lx.STEM_OFFSET * W), tail(outs, slot * L)
    for j in range(LANES):
        before = st[ix.COMMAND * W + j]
        now = command + offset[j]
        on_motor = par[ix.POSITION_ON_MOTOR * W + j] > 0.5
        motor = st[ix.MOTOR_ANGLE * W + j] * par[ix.PER_RATIO * W + j]
        angle = quantise(
            (motor if on_motor else st[ix.STEM_ANGLE * W + j]) + stem_offset[j], par[ix.POSITION_COUNT * W + j]
        )
        wanted = position_law(
            now,
            before,
            angle,
            par[ix.KP_POSITION * W + j],
            par[ix.FEEDFORWARD * W + j],
            par[ix.POSITION_PERIOD * W + j],
            par[ix.HOLD_BAND * W + j],
        )
        st[ix.COMMAND_BEFORE * W + j] = before
        st[ix.COMMAND * W + j] = now
        out[j] = clip(wanted, par[ix.SPEED_LIMIT * W + j])


@lane
def sample_speed(q: Any, outs: Any, slot: int) -> None:
    """Speed loop at one of its samples."""
    par, st, out = q, tail(q, lx.STATE * W), tail(outs, (OUTS + slot) * L)
    for j in range(LANES):
        on_motor = par[ix.SPEED_ON_MOTOR * W + j] > 0.5
        motor = st[ix.MOTOR_ANGLE * W + j] * par[ix.PER_RATIO * W + j]
        angle = quantise(motor if on_motor else st[ix.STEM_ANGLE * W + j], par[ix.SPEED_COUNT * W + j])
        raw = (angle - st[ix.ANGLE_BEFORE * W + j]) / par[ix.SPEED_PERIOD * W + j]
        st[ix.ANGLE_BEFORE * W + j] = angle
        filtered = st[ix.SPEED_FILTERED * W + j]
        filtered += par[ix.FILTER_SHARE * W + j] * (raw - filtered)
        st[ix.SPEED_FILTERED * W + j] = filtered
        error = st[ix.SPEED_SET * W + j] - filtered
        limit, kp = par[ix.CURRENT_LIMIT * W + j], par[ix.KP_SPEED * W + j]
        integral = st[ix.SPEED_INTEGRAL * W + j]
        output = pi_output(error, integral, kp)
        rate = par[ix.KI_SPEED * W + j] * par[ix.SPEED_PERIOD * W + j]
        st[ix.SPEED_INTEGRAL * W + j] = pi_integral(error, integral, kp, rate, output, limit)
        out[j] = clip(output, limit)


@lane
def sample_current(q: Any, outs: Any, slot: int) -> None:
    """Current loop at one of its samples; its limit is what the bus gives now."""
    par, st, out = q, tail(q, lx.STATE * W), tail(outs, (2 * OUTS + slot) * L)
    for j in range(LANES):
        error = st[ix.CURRENT_SET * W + j] - st[ix.CURRENT * W + j]
        limit, kp = par[ix.DUTY_LIMIT * W + j] * st[ix.BUS * W + j], par[ix.KP_CURRENT * W + j]
        integral = st[ix.CURRENT_INTEGRAL * W + j]
        output = pi_output(error, integral, kp)
        rate = par[lx.CURRENT_RATE * W + j]
        st[ix.CURRENT_INTEGRAL * W + j] = pi_integral(error, integral, kp, rate, output, limit)
        out[j] = clip(output, limit)


@lane
def step_voltage(
    q: Any, outs: Any, period: int, per_period: float, first: int, now: float, length: float, per_length: float
) -> None:
    """Mean voltage from ``now`` over ``length`` (both in steps): a change in between counts for its share of it.

    Updates the voltage held.
    """
    d, held, mean = (
        tail(q, ix.CURRENT_DELAY_TICKS * W),
        tail(q, (lx.STATE + ix.VOLTAGE) * W),
        tail(q, lx.STEP_VOLTAGE * W),
    )
    ring = tail(outs, ix.LOOP_CURRENT * OUTS * L)
    for j in range(LANES):
        late = now + 1e-9 - first - d[j]
        n = math.floor(late * per_period)
        m = math.floor((late + length) * per_period)
        before, after = ring[(n & (OUTS - 1)) * L + j], ring[(m & (OUTS - 1)) * L + j]
        share = (now + length - (m * period + first + d[j])) * per_length if m != n else 0.0
        mean[j] = before + share * (after - before)
        held[j] = after


@lane
def step_voltage_alike(
    q: Any, outs: Any, period: int, per_period: float, first: int, now: float, length: float, per_length: float
) -> None:
    """``step_voltage`` where all lanes have one delay."""
    d, held, mean = q[ix.CURRENT_DELAY_TICKS * W], tail(q, (lx.STATE + ix.VOLTAGE) * W), tail(q, lx.STEP_VOLTAGE * W)
    late = now + 1e-9 - first - d
    n, m = math.floor(late * per_period), math.floor((late + length) * per_period)
    old, new = (
        tail(outs, (ix.LOOP_CURRENT * OUTS + (n & (OUTS - 1))) * L),
        tail(outs, (ix.LOOP_CURRENT * OUTS + (m & (OUTS - 1))) * L),
    )
    share = (now + length - (m * period + first + d)) * per_length if m != n else 0.0
    for j in range(LANES):
        before, after = old[j], new[j]
        mean[j] = before + share * (after - before)
        held[j] = after


@lane
def motor_step(q: Any, cells: Any, points: int, h: float) -> None:
    """Torque through the gears and the rotor over one step, its dry friction by projection; then the stem as if it were free.

    Also where the stem stands in the friction tables of its direction. One loop for all: they share what they read, and it
    is the memory that they wait for.
    """
    par, st, cell_row = q, tail(q, lx.STATE * W), tail(cells, lx.CELL * W)
    own = tail(cells, lx.OWN_CELL * W)
    peak, over_row, decay_row = tail(q, lx.PEAK_SPRING * W), tail(q, lx.OVER_MOTOR * W), tail(q, lx.MOTOR_DECAY * W)
    share_row, free_row, factor = tail(q, lx.SHARE * W), tail(q, lx.FREE * W), tail(q, lx.FACTOR * W)
    for j in range(W):
        per_ratio = par[ix.PER_RATIO * W + j]
        angle, speed, drop = st[ix.STEM_ANGLE * W + j], st[ix.STEM_SPEED * W + j], st[ix.VALVE_DROP * W + j]
        motor_angle, motor_speed = st[ix.MOTOR_ANGLE * W + j], st[ix.MOTOR_SPEED * W + j]
        spring = spring_torque(
            motor_angle * per_ratio - angle,
            motor_speed * per_ratio - speed,
            par[ix.SPRING * W + j],
            par[ix.DAMPING * W + j],
            par[ix.HALF_GAP * W + j],
        )
        over, decay = over_row[j], decay_row[j]
        torque = par[ix.TORQUE_CONSTANT * W + j] * st[ix.CURRENT * W + j] - par[ix.MESH_MEAN * W + j] * spring
        level = par[ix.MOTOR_FRICTION * W + j] + par[ix.MESH_LOSS * W + j] * abs(spring)
        motor_speed = stick_or_slip(motor_speed * decay + over * torque, level, over)
        cell, share = locate(points, par[ix.GRID_START * W + j], par[ix.GRID_PER_STEP * W + j], angle)
        stream = par[lx.STREAM * W + j] * drop
        shutting = return_torque(
            angle - par[ix.CLOSED_STOP * W + j], par[ix.RETURN_PRELOAD * W + j], par[ix.RETURN_RATE * W + j]
        )
        free = speed + par[ix.STEP_OVER_LOAD * W + j] * (spring - stream - shutting)
        closing = speed < 0.0 or (speed == 0.0 and free < 0.0)
        st[ix.MOTOR_SPEED * W + j] = motor_speed
        st[ix.MOTOR_ANGLE * W + j] = motor_angle + h * motor_speed
        peak[j] = max(peak[j], abs(spring))
        cell_row[j] = own[j] + cell * (2 * lx.PAIRS) + (2 * lx.PAIR_CLOSING if closing else 2 * lx.PAIR_OPENING)
        share_row[j] = share
        free_row[j] = free
        factor[j] = par[ix.COLD * W + j] * pressure_rise(par[ix.RELATIVE_SLOPE * W + j], drop)


@lane
def stem_tables(q: Any) -> None:
    """Friction of the stem from the tables: breakaway and running torque."""
    four, share = tail(q, lx.FOUR * W), tail(q, lx.SHARE * W)
    loose, run = tail(q, lx.BREAK * W), tail(q, lx.RUN * W)
    for j in range(W):
        loose[j] = blend(four[j], four[2 * W + j], share[j])
        run[j] = blend(four[W + j], four[3 * W + j], share[j])


@lane
def fade(q: Any, moving: int) -> None:
    """Friction level of the stem for the squares of relative speed in row ``SQUARE``; ``moving`` of the lanes are not at rest.

    Valves rest most of the time: where a whole block does, its exponentials are ones.
    """
    level, square = tail(q, lx.LEVEL * W), tail(q, lx.SQUARE * W)
    loose, run, factor = tail(q, lx.BREAK * W), tail(q, lx.RUN * W), tail(q, lx.FACTOR * W)
    if moving > 0:
        for j in range(W):
            level[j] = factor[j] * faded(loose[j], run[j], exp_down(square[j]))
    else:
        for j in range(W):
            level[j] = factor[j] * faded(loose[j], run[j], 1.0)


@lane
def friction_level(q: Any) -> int:
    """Friction level of the stem at the speed of the start of the step. Returns how many stems are not at rest."""
    st, square, per_stribeck = tail(q, lx.STATE * W), tail(q, lx.SQUARE * W), tail(q, lx.PER_STRIBECK * W)
    moving = 0
    for j in range(W):
        x = st[ix.STEM_SPEED * W + j] * per_stribeck[j]
        square[j] = min(x * x, 700.0)
        moving += 1 if x != 0.0 else 0
    fade(q, moving)
    return moving


@lane
def level_half_way(q: Any, moved: int) -> None:
    """Friction level of the stem at the speed half-way through the step; ``moved`` of the lanes were not at rest before."""
    st, level, free, over = (
        tail(q, lx.STATE * W),
        tail(q, lx.LEVEL * W),
        tail(q, lx.FREE * W),
        tail(q, ix.STEP_OVER_LOAD * W),
    )
    square, per_stribeck = tail(q, lx.SQUARE * W), tail(q, lx.PER_STRIBECK * W)
    moving = 0
    for j in range(W):
        x = half_way_speed(st[ix.STEM_SPEED * W + j], free[j], level[j], over[j]) * per_stribeck[j]
        square[j] = min(x * x, 700.0)
        moving += 1 if x != 0.0 else 0
    if moving > 0 or moved > 0:
        fade(q, moving)


@lane
def stem_step(q: Any, h: float) -> None:
    """Stem and ball over one step, then the current, and what is kept of current and motor speed."""
    par, st, free, level = q, tail(q, lx.STATE * W), tail(q, lx.FREE * W), tail(q, lx.LEVEL * W)
    volts, squares, peak, fastest = (
        tail(q, lx.STEP_VOLTAGE * W),
        tail(q, lx.SUM_CURRENT_SQUARED * W),
        tail(q, lx.PEAK_CURRENT * W),
        tail(q, lx.PEAK_MOTOR_SPEED * W),
    )
    for j in range(W):
        speed = stick_or_slip(free[j], level[j], par[ix.STEP_OVER_LOAD * W + j])
        angle = st[ix.STEM_ANGLE * W + j] + h * speed
        stop = par[ix.OPEN_STOP * W + j]
        speed = min(speed, 0.0) if angle >= stop else speed
        angle = stop if angle >= stop else angle
        stop = par[ix.CLOSED_STOP * W + j]
        speed = max(speed, 0.0) if angle <= stop else speed
        angle = stop if angle <= stop else angle
        motor_speed = st[ix.MOTOR_SPEED * W + j]
        current = current_decay_step(
            volts[j] - par[ix.TORQUE_CONSTANT * W + j] * motor_speed,
            st[ix.CURRENT * W + j],
            par[ix.CURRENT_HALF * W + j],
            par[ix.CURRENT_GAIN * W + j],
        )
        st[ix.STEM_SPEED * W + j] = speed
        st[ix.STEM_ANGLE * W + j] = angle
        st[ix.BALL_ANGLE * W + j] = play(st[ix.BALL_ANGLE * W + j], angle, par[ix.HALF_SLOT * W + j])
        st[ix.CURRENT * W + j] = current
        squares[j] += current * current
        peak[j] = max(peak[j], abs(current))
        fastest[j] = max(fastest[j], abs(motor_speed))
