"""The controller as its exact difference equations: text lines with the numbers of one servo in them.

Every line is an assignment in Python's syntax; run in order at each sample of its loop they are the controller. ``clip(x, m)``
holds x within plus or minus m, ``floor`` rounds down, ``exp`` does not occur: coefficients are worked out. Angles and speeds
are those of the stem [rad, rad/s], currents [A], voltages [V]. A name on the left keeps its value until the next sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from valvectl.parts.command_shape import MINIMUM_JERK, RAMP, TRAPEZOID
from valvectl.parts.controller import CascadeGains, filter_share
from valvectl.parts.controller_more import (
    CLAMPED,
    CONDITIONAL,
    STRUCTURES,
    notch_coefficients,
    tracking_share,
)
from valvectl.parts.controller_pid import PidGains, derivative_decay, derivative_gain, pid_tracking_time
from valvectl.parts.controller_state import StateGains
from valvectl.parts.speed_estimate import observer_gains
from valvectl.plant.pack_control import state_tracking_share
from valvectl.plant.servo_numbers import Servo


@dataclass(frozen=True)
class LoopEquations:
    """Difference equations of one sampled loop."""

    loop: str
    """command, position, speed or current."""
    period: float
    """Sample period [s]."""
    delay: float
    """From the sample to its output in force [s]."""
    reads: str
    """What the loop takes in at a sample."""
    gives: str
    """What it puts out."""
    lines: tuple[str, ...]
    """Assignments in Python's syntax, in their order; for shaped commands sentences."""


def structure_name(servo: Servo) -> str:
    """The structure as the design file names it."""
    return next(name for name, kind in STRUCTURES.items() if kind == servo.more.structure)


def equations(servo: Servo, gains: CascadeGains, digits: int = 6) -> tuple[LoopEquations, ...]:
    """All loops of a servo with its gains, outermost first; numbers with so many significant digits (17: exact)."""
    text = _Numbers(digits)
    if gains.outer is None:
        outer = [_position(servo, gains, text), _speed(servo, gains, text)]
    elif isinstance(gains.outer, PidGains):
        outer = [_pid(servo, gains.outer, text)]
    else:
        outer = [_state(servo, gains.outer, text)]
    return (_command(servo, text), *outer, _current(servo, gains, text))


@dataclass(frozen=True)
class _Numbers:
    digits: int

    def __call__(self, value: float) -> str:
        return f"{value:.{self.digits}g}"

    def sum(self, *terms: tuple[float, str]) -> str:
        """Sum of coefficients times names; a coefficient of one is left out, a term of zero too."""
        out = ""
        for coefficient, name in terms:
            if coefficient == 0.0:
                continue
            sign = "-" if coefficient < 0.0 else "+"
            size = abs(coefficient)
            term = name if size == 1.0 else f"{self(size)}*{name}"
            out += f" {sign} {term}" if out else (f"-{term}" if sign == "-" else term)
        return out or "0.0"


# ------------------------------------------------------------------------------------------------------- pieces


def _reading(sensor: str, count: float, n: _Numbers) -> str:
    return f"angle = {sensor}" if count <= 0.0 else f"angle = {n(count)}*floor({sensor}/{n(count)} + 0.5)"


def _trim(servo: Servo, n: _Numbers) -> list[str]:
    """The trim from the stem's own encoder, as an offset of the reading; it rests inside the hold band."""
    if servo.trim_gain <= 0.0:
        return []
    reading = _reading("stem", servo.trim_count, n).removeprefix("angle = ")
    onward = f"clip({n.sum((1.0, 'trim'), (servo.trim_gain * servo.position_period, 'e_stem'))}, {n(servo.trim_limit)})"
    return [
        "angle = angle - trim",
        f"e_stem = r - {reading}",
        f"trim = {onward} if abs(e_stem) > {n(servo.hold_band)} else trim",
    ]


def _sensors(servo: Servo, sensor: str) -> str:
    return f"{sensor}, stem" if servo.trim_gain > 0.0 else sensor


def _estimate(servo: Servo, n: _Numbers) -> list[str]:
    """Speed from the reading: by difference, or by a tracking observer."""
    period = servo.speed_period
    if servo.observer_bandwidth <= 0.0:
        return [f"w_raw = (angle - angle_before)/{n(period)}", "angle_before = angle"]
    gain, rate_gain = observer_gains(period, servo.observer_bandwidth, servo.observer_damping)
    return [
        f"p = angle_before + {n(period)}*w_raw",
        f"angle_before = p + {n(gain)}*(angle - p)",
        f"w_raw = w_raw + {n(rate_gain / period)}*(angle - p)",
    ]


def _held(servo: Servo, n: _Numbers) -> list[str]:
    """The stiction hold: an error inside the band counts as zero once the command rests."""
    if servo.hold_band <= 0.0:
        return ["e = r - angle"]
    return ["e = r - angle", f"e = 0.0 if r == r_before and abs(e) <= {n(servo.hold_band)} else e"]


def _forward(servo: Servo, n: _Numbers) -> str:
    more, period = servo.more, servo.position_period
    each = more.feedforward_acceleration / servo.acceleration_per_ampere / (period * period)
    friction = more.feedforward_friction * more.friction_current
    parts = []
    if each > 0.0:
        parts.append(f"{n(each)}*(r - 2*r_before + r_earlier)")
    if friction > 0.0:
        parts.append(f"{n(friction)}*clip((r - r_before)/{n(period * more.friction_speed)}, 1.0)")
    return "i_forward = " + " + ".join(parts)


def _memory(servo: Servo) -> list[str]:
    return (["r_earlier = r_before"] if servo.more.fed_forward else []) + ["r_before = r"]


def _notch(servo: Servo, period: float, n: _Numbers) -> list[str]:
    more = servo.more
    if more.notch_frequency <= 0.0:
        return []
    b0, b1, b2, a1, a2 = notch_coefficients(more.notch_frequency, more.notch_width, more.notch_depth, period)
    return [
        "u_in = u",
        f"u = {n.sum((b0, 'u_in'), (1.0, 'n1'))}",
        f"n1 = {n.sum((b1, 'u_in'), (-a1, 'u'), (1.0, 'n2'))}",
        f"n2 = {n.sum((b2, 'u_in'), (-a2, 'u'))}",
    ]


def _integral(servo: Servo, x: str, error: str, each: float, limit: str, share: float, n: _Numbers) -> str:
    """The integral ``x`` one sample on by the kind of anti-windup; ``each`` times the error is added."""
    if each == 0.0:
        return ""
    kind = servo.more.anti_windup
    onward = n.sum((1.0, x), (each, error))
    if kind == CONDITIONAL:
        stands = f"(u > {limit} and {error} > 0.0) or (u < -{limit} and {error} < 0.0)"
        return f"{x} = {x} if {stands} else {onward}"
    if kind == CLAMPED:
        return f"{x} = clip({onward}, {limit})"
    return f"{x} = {onward} + {n(share)}*(clip(u, {limit}) - u)"


# -------------------------------------------------------------------------------------------------------- loops


def _command(servo: Servo, n: _Numbers) -> LoopEquations:
    shape, period = servo.shape, servo.position_period
    lines = []
    if servo.command_step > 0.0:
        lines.append(f"target = {n(servo.command_step)}*floor(target/{n(servo.command_step)} + 0.5)")
    if shape.kind == RAMP:
        lines.append(f"r = r + clip(target - r, {n(servo.speed_limit * period)})")
    else:
        limits = f"speed at most {n(servo.speed_limit)} rad/s"
        if math.isfinite(shape.acceleration):
            limits += f", acceleration {n(shape.acceleration)} rad/s^2"
        if math.isfinite(shape.jerk):
            limits += f", jerk {n(shape.jerk)} rad/s^3"
        if shape.kind == MINIMUM_JERK:
            lines.append("r = start + (target - start)*(10*s**3 - 15*s**4 + 6*s**5)")
            lines.append(
                f"s = t/T from 0 to 1; T the shortest with {limits}, longer where profile or other valve ask for it"
            )
        elif shape.kind == TRAPEZOID:
            lines.append(f"r moves with constant acceleration, constant speed, constant deceleration; {limits}")
        else:
            lines.append(f"r moves with constant jerk +, 0, -, 0, -, 0, + (S-curve); {limits}")
    return LoopEquations("command", period, 0.0, "target", "r", tuple(lines))


def _position(servo: Servo, gains: CascadeGains, n: _Numbers) -> LoopEquations:
    sensor = "motor" if servo.position_on_motor else "stem"
    ahead = servo.feedforward / servo.position_period
    wanted = n.sum((gains.position, "e"), (ahead, "(r - r_before)"))
    lines = [
        _reading(sensor, servo.position_count, n),
        *_trim(servo, n),
        *_held(servo, n),
        f"w_set = clip({wanted}, {n(servo.speed_limit)})",
        *([_forward(servo, n)] if servo.more.fed_forward else []),
        *_memory(servo),
    ]
    gives = "w_set, i_forward" if servo.more.fed_forward else "w_set"
    return LoopEquations(
        "position", servo.position_period, servo.position_delay, f"r, {_sensors(servo, sensor)}", gives, tuple(lines)
    )


def _speed(servo: Servo, gains: CascadeGains, n: _Numbers) -> LoopEquations:
    sensor = "motor" if servo.speed_on_motor else "stem"
    period, more, limit = servo.speed_period, servo.more, n(servo.current_limit)
    share = filter_share(period, servo.speed_filter)
    forward = 1.0 if more.fed_forward else 0.0
    integrated = "e"
    dead = []
    if more.dead_zone > 0.0:
        integrated = "e_out"
        dead = [f"e_out = 0.0 if abs(e) <= {n(more.dead_zone)} else e"]
    tracking = tracking_share(period, more.tracking_time, gains.speed_integral)
    each = gains.speed * gains.speed_integral * period
    lines = [
        _reading(sensor, servo.speed_count, n),
        *_estimate(servo, n),
        f"w = w + {n(share)}*(w_raw - w)" if share < 1.0 else "w = w_raw",
        "e = w_set - w",
        f"u = {n.sum((gains.speed, 'e'), (1.0, 'x'), (forward, 'i_forward'))}",
        *_notch(servo, period, n),
        f"i_set = clip(u, {limit})",
        *dead,
        _integral(servo, "x", integrated, each, limit, tracking, n),
    ]
    reads = f"{sensor}, w_set" + (", i_forward" if more.fed_forward else "")
    return LoopEquations("speed", period, servo.speed_delay, reads, "i_set", tuple(line for line in lines if line))


def _current(servo: Servo, gains: CascadeGains, n: _Numbers) -> LoopEquations:
    period = servo.current_period
    tracking = tracking_share(period, servo.more.tracking_time, gains.current_integral)
    each = gains.current * gains.current_integral * period
    lines = [
        f"v_max = {n(servo.duty_limit)}*bus",
        "e = i_set - i",
        f"u = {n.sum((gains.current, 'e'), (1.0, 'y'))}",
        "v = clip(u, v_max)",
        _integral(servo, "y", "e", each, "v_max", tracking, n),
    ]
    return LoopEquations(
        "current", period, servo.current_delay, "i_set, i, bus", "v", tuple(line for line in lines if line)
    )


def _pid(servo: Servo, g: PidGains, n: _Numbers) -> LoopEquations:
    sensor = "motor" if servo.position_on_motor else "stem"
    period, limit = servo.position_period, n(servo.current_limit)
    decay = derivative_decay(g.derivative_time, g.derivative_filter, period)
    rate = derivative_gain(g.gain, g.derivative_time, g.derivative_filter, period)
    tracking = tracking_share(
        period, pid_tracking_time(servo.more.tracking_time, g.integral_time, g.derivative_time), 0.0
    )
    forward = servo.more.fed_forward
    lines = [
        _reading(sensor, servo.position_count, n),
        *_trim(servo, n),
        f"q = {n.sum((servo.feedforward, 'r'), (-1.0, 'angle'))}",
        f"d = {n.sum((decay, 'd'), (rate, '(q - q_before)'))}",
        "q_before = q",
        *([_forward(servo, n)] if forward else []),
        f"u = {n(g.gain)}*({n.sum((g.weight, 'r'), (-1.0, 'angle'))}) + x + d" + (" + i_forward" if forward else ""),
        *_notch(servo, period, n),
        f"i_set = clip(u, {limit})",
        *_held(servo, n),
        _integral(servo, "x", "e", g.gain * period / g.integral_time, limit, tracking, n),
        *_memory(servo),
    ]
    return LoopEquations(
        "position", period, servo.position_delay, f"r, {_sensors(servo, sensor)}", "i_set", tuple(lines)
    )


def _state(servo: Servo, g: StateGains, n: _Numbers) -> LoopEquations:
    sensor = "motor" if servo.position_on_motor else "stem"
    period, limit, delay = servo.position_period, n(servo.current_limit), len(g.past) - 1
    wanted = n.sum((servo.feedforward / period, "(r - r_before)"), (-1.0, "w"))
    past = [(-share, f"u{j}") for j, share in enumerate(g.past, start=1)]
    forward = 1.0 if servo.more.fed_forward else 0.0
    early, late = ("i_set" if delay == 0 else f"u{delay}"), f"u{delay + 1}"
    output = n.sum(
        (g.angle, f"({n.sum((g.weight, 'r'), (-1.0, 'th'))})"), (g.speed, f"({wanted})"), (1.0, "x"), *past,
        (forward, "i_forward"),
    )  # fmt: skip
    lines = [
        _reading(sensor, servo.position_count, n),
        *_trim(servo, n),
        "e_th = angle - th",
        f"th = {n.sum((1.0, 'th'), (g.observer[0], 'e_th'))}",
        f"w = {n.sum((1.0, 'w'), (g.observer[1], 'e_th'))}",
        *([_forward(servo, n)] if forward else []),
        f"u = {output}",
        f"i_set = clip(u, {limit})",
        *_held(servo, n),
        _integral(servo, "x", "e", g.integral * period, limit, state_tracking_share(servo, g), n),
        f"th = {n.sum((1.0, 'th'), (g.transition[0], 'w'), (g.early[0], early), (g.late[0], late))}",
        f"w = {n.sum((g.transition[1], 'w'), (g.early[1], early), (g.late[1], late))}",
        *(f"u{j} = u{j - 1}" for j in range(delay + 1, 1, -1)),
        "u1 = i_set",
        *_memory(servo),
    ]
    return LoopEquations(
        "position", period, servo.position_delay, f"r, {_sensors(servo, sensor)}", "i_set", tuple(lines)
    )
