"""The simulator's numbers of what a controller does beyond the plain cascade, and its state at the start of a run."""

from __future__ import annotations

from valvectl.parts.controller import CascadeGains
from valvectl.parts.controller_more import notch_coefficients, tracking_share
from valvectl.parts.controller_pid import PidGains, derivative_decay, derivative_gain, pid_tracking_time
from valvectl.parts.controller_state import StateGains
from valvectl.parts.encoder import quantise
from valvectl.parts.lookup import FloatArray
from valvectl.plant import layout as ix
from valvectl.plant.servo_numbers import Servo


def control_numbers(servo: Servo, gains: CascadeGains) -> dict[int, float]:
    """Entries of ``par`` by their index in ``layout``."""
    more = servo.more
    outer_period = servo.speed_period if more.structure == 0.0 else servo.position_period
    out = {
        ix.STRUCTURE: more.structure,
        ix.ANTI_WINDUP: more.anti_windup,
        ix.TRACK_OUTER: tracking_share(servo.speed_period, more.tracking_time, gains.speed_integral),
        ix.TRACK_CURRENT: tracking_share(servo.current_period, more.tracking_time, gains.current_integral),
        ix.DEAD_ZONE: more.dead_zone,
        ix.FORWARD_ON: float(more.fed_forward),
        ix.FORWARD_ACCELERATION: forward_acceleration(servo),
        ix.FORWARD_FRICTION: more.feedforward_friction * more.friction_current,
        ix.FRICTION_SPEED: more.friction_speed,
        ix.NOTCH_ON: float(more.notch_frequency > 0.0),
    }
    if more.notch_frequency > 0.0:
        found = notch_coefficients(more.notch_frequency, more.notch_width, more.notch_depth, outer_period)
        out.update(zip((ix.NOTCH_B0, ix.NOTCH_B1, ix.NOTCH_B2, ix.NOTCH_A1, ix.NOTCH_A2), found, strict=True))
    if isinstance(gains.outer, PidGains):
        out.update(_pid(servo, gains.outer))
    elif isinstance(gains.outer, StateGains):
        out.update(_state(servo, gains.outer))
    return out


def forward_acceleration(servo: Servo) -> float:
    """Current fed forward per acceleration of the command [A s^2/rad]; none without feed-forward, whatever the motor."""
    share = servo.more.feedforward_acceleration
    return share / servo.acceleration_per_ampere if share > 0.0 else 0.0


def _pid(servo: Servo, g: PidGains) -> dict[int, float]:
    period = servo.position_period
    tracking = pid_tracking_time(servo.more.tracking_time, g.integral_time, g.derivative_time)
    return {
        ix.OUTER_ANGLE: g.gain,
        ix.OUTER_SPEED: derivative_gain(g.gain, g.derivative_time, g.derivative_filter, period),
        ix.OUTER_INTEGRAL: period / g.integral_time,
        ix.OUTER_WEIGHT: g.weight,
        ix.PID_DECAY: derivative_decay(g.derivative_time, g.derivative_filter, period),
        ix.TRACK_OUTER: tracking_share(period, tracking, 0.0),
    }


def state_tracking_share(servo: Servo, g: StateGains) -> float:
    """T/Tt of state feedback [-]: with the stated tracking time, or three times the closed loop's time constant."""
    stated = servo.more.tracking_time
    return tracking_share(servo.position_period, stated if stated > 0.0 else 3.0 / g.bandwidth, 0.0)


def _state(servo: Servo, g: StateGains) -> dict[int, float]:
    out = {
        ix.OUTER_ANGLE: g.angle,
        ix.OUTER_SPEED: g.speed,
        ix.OUTER_INTEGRAL: g.integral * servo.position_period,
        ix.OUTER_WEIGHT: g.weight,
        ix.STATE_M1: g.observer[0],
        ix.STATE_M2: g.observer[1],
        ix.STATE_F12: g.transition[0],
        ix.STATE_F22: g.transition[1],
        ix.STATE_P0: g.early[0],
        ix.STATE_Q0: g.early[1],
        ix.STATE_P1: g.late[0],
        ix.STATE_Q1: g.late[1],
        ix.STATE_DELAY: float(len(g.past) - 1),
        ix.TRACK_OUTER: state_tracking_share(servo, g),
    }
    out.update({ix.STATE_PAST + j: value for j, value in enumerate(g.past)})
    return out


def start_control(st: FloatArray, servo: Servo, gains: CascadeGains) -> None:
    """Set the controller's memory for a valve at rest at ``st[STEM_ANGLE]`` with the command ``st[COMMAND]`` [rad].

    A set-point weight below one leaves a part of the command to the integral: that part stands in it already.
    """
    if gains.outer is not None:
        gain = gains.outer.gain if isinstance(gains.outer, PidGains) else gains.outer.angle
        st[ix.SPEED_INTEGRAL] = gain * (1.0 - gains.outer.weight) * st[ix.COMMAND]
    angle = quantise(float(st[ix.STEM_ANGLE]), servo.position_count)
    st[ix.COMMAND_EARLIER] = st[ix.COMMAND]
    st[ix.WEIGHED_BEFORE] = servo.feedforward * st[ix.COMMAND] - angle
    st[ix.HAT_ANGLE] = angle
