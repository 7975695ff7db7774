"""Structures in place of position and speed loop in the compiled simulator: PID, state feedback; and the notch of both.

Each function makes one sample of the law in ``parts`` and returns the current set-point; sending it is ``kernel_servo``'s.
"""

from __future__ import annotations

from typing import Any

from valvectl.parts.controller import clip
from valvectl.parts.controller_more import (
    biquad_first,
    biquad_output,
    biquad_second,
    dead_zone,
    feedforward_current,
    integral_back_calculated,
    integral_clamped,
    next_integral,
)
from valvectl.parts.controller_pid import held_error, pid_derivative, pid_proportional
from valvectl.parts.controller_state import corrected, predicted_angle, predicted_speed, state_output
from valvectl.plant import layout as ix
from valvectl.plant.kernel_base import jit, laws

laws(biquad_first, biquad_output, biquad_second, dead_zone, feedforward_current, held_error)
laws(integral_back_calculated, integral_clamped, next_integral)
laws(corrected, pid_derivative, pid_proportional, predicted_angle, predicted_speed, state_output)


@jit
def forward_current(par: Any, st: Any) -> float:
    """Current that the command's acceleration and friction take."""
    return feedforward_current(
        st[ix.COMMAND],
        st[ix.COMMAND_BEFORE],
        st[ix.COMMAND_EARLIER],
        par[ix.POSITION_PERIOD],
        par[ix.FORWARD_ACCELERATION],
        par[ix.FORWARD_FRICTION],
        par[ix.FRICTION_SPEED],
    )


@jit
def notched(par: Any, st: Any, value: float) -> float:
    """Current set-point behind the notch."""
    output = biquad_output(value, st[ix.NOTCH_1], par[ix.NOTCH_B0])
    st[ix.NOTCH_1] = biquad_first(value, output, st[ix.NOTCH_2], par[ix.NOTCH_B1], par[ix.NOTCH_A1])
    st[ix.NOTCH_2] = biquad_second(value, output, par[ix.NOTCH_B2], par[ix.NOTCH_A2])
    return output


@jit
def pid_current(par: Any, st: Any, angle: float) -> float:
    """One sample of the PID: current set-point within its limit. The command of this sample is in the state already."""
    weighed = par[ix.FEEDFORWARD] * st[ix.COMMAND] - angle
    difference = weighed - st[ix.WEIGHED_BEFORE]
    st[ix.WEIGHED_BEFORE] = weighed
    st[ix.DERIVATIVE] = pid_derivative(st[ix.DERIVATIVE], difference, par[ix.PID_DECAY], par[ix.OUTER_SPEED])
    output = pid_proportional(st[ix.COMMAND], angle, par[ix.OUTER_ANGLE], par[ix.OUTER_WEIGHT])
    output += st[ix.SPEED_INTEGRAL] + st[ix.DERIVATIVE]
    if par[ix.FORWARD_ON] > 0.5:
        output += forward_current(par, st)
    if par[ix.NOTCH_ON] > 0.5:
        output = notched(par, st, output)
    limit = par[ix.CURRENT_LIMIT]
    st[ix.SPEED_INTEGRAL] = next_integral(
        par[ix.ANTI_WINDUP],
        held_error(st[ix.COMMAND], st[ix.COMMAND_BEFORE], angle, par[ix.HOLD_BAND]),
        st[ix.SPEED_INTEGRAL],
        par[ix.OUTER_ANGLE],
        par[ix.OUTER_INTEGRAL],
        output,
        limit,
        par[ix.TRACK_OUTER],
    )
    return clip(output, limit)


@jit
def state_current(par: Any, st: Any, angle: float) -> float:
    """One sample of state feedback: current set-point within its limit. The command is in the state already."""
    innovation = angle - st[ix.HAT_ANGLE]
    hat = corrected(st[ix.HAT_ANGLE], par[ix.STATE_M1], innovation)
    speed = corrected(st[ix.HAT_SPEED], par[ix.STATE_M2], innovation)
    wanted = par[ix.FEEDFORWARD] * (st[ix.COMMAND] - st[ix.COMMAND_BEFORE]) / par[ix.POSITION_PERIOD]
    output = state_output(
        par[ix.OUTER_WEIGHT] * st[ix.COMMAND] - hat,
        wanted - speed,
        st[ix.SPEED_INTEGRAL],
        par[ix.OUTER_ANGLE],
        par[ix.OUTER_SPEED],
    )
    delay = int(par[ix.STATE_DELAY])
    for j in range(delay + 1):
        output -= par[ix.STATE_PAST + j] * st[ix.PAST + j]
    if par[ix.FORWARD_ON] > 0.5:
        output += forward_current(par, st)
    limit = par[ix.CURRENT_LIMIT]
    st[ix.SPEED_INTEGRAL] = next_integral(
        par[ix.ANTI_WINDUP],
        held_error(st[ix.COMMAND], st[ix.COMMAND_BEFORE], angle, par[ix.HOLD_BAND]),
        st[ix.SPEED_INTEGRAL],
        1.0,
        par[ix.OUTER_INTEGRAL],
        output,
        limit,
        par[ix.TRACK_OUTER],
    )
    output = clip(output, limit)
    late = st[ix.PAST + delay]
    for j in range(delay, 0, -1):
        st[ix.PAST + j] = st[ix.PAST + j - 1]
    st[ix.PAST] = output
    early = st[ix.PAST + delay]
    st[ix.HAT_ANGLE] = predicted_angle(hat, speed, par[ix.STATE_F12], par[ix.STATE_P0], par[ix.STATE_P1], early, late)
    st[ix.HAT_SPEED] = predicted_speed(speed, par[ix.STATE_F22], par[ix.STATE_Q0], par[ix.STATE_Q1], early, late)
    return output
