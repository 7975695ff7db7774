"""The further structures in the exact sampled model: notch, feed-forward, PID and state feedback as rows of its matrices.

The laws are those of ``parts``: being linear, they take rows over the model's states as well as numbers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from valvectl.parts.controller import CascadeGains
from valvectl.parts.controller_more import (
    CASCADE,
    biquad_first,
    biquad_output,
    biquad_second,
    notch_coefficients,
)
from valvectl.parts.controller_pid import (
    PidGains,
    derivative_decay,
    derivative_gain,
    pid_derivative,
    pid_proportional,
)
from valvectl.parts.controller_state import (
    StateGains,
    corrected,
    predicted_angle,
    predicted_speed,
    state_output,
)
from valvectl.plant.servo_numbers import Servo

if TYPE_CHECKING:
    from valvectl.servo.sampled import BreakPoint

CASCADE_LOOPS: tuple[BreakPoint, ...] = ("position", "speed", "current")
DIRECT_LOOPS: tuple[BreakPoint, ...] = ("position", "current")
Row = Any
"""Row over the states and inputs of the sampled model, shape (width,)."""


def loops_of(servo: Servo) -> tuple[BreakPoint, ...]:
    """Loops of a servo's structure, outermost first; each is a place where it can be broken."""
    return CASCADE_LOOPS if servo.more.structure == CASCADE else DIRECT_LOOPS


def extra_names(servo: Servo, gains: CascadeGains) -> list[str]:
    """Names of the states that a structure has beyond the plain cascade's."""
    out = []
    if servo.more.feedforward_acceleration > 0.0:
        out += ["cmd_earlier", "i_forward"]
    if servo.more.notch_frequency > 0.0:
        out += ["n1", "n2"]
    if isinstance(gains.outer, PidGains):
        out += ["d", "weighed_before"]
    elif isinstance(gains.outer, StateGains):
        out += ["th_hat", "w_hat", *(f"past{j}" for j in range(1, len(gains.outer.past) + 1))]
    return out


def forward_row(model: Any, m: Any) -> Row:
    """Current fed forward for the command's acceleration at a position sample; moves the command's memory on."""
    s: Servo = model.servo
    command, before, earlier = model.source("command"), model.row("cmd_before"), model.row("cmd_earlier")
    m[model.at["cmd_earlier"]] = before
    period = s.position_period
    return (command - 2.0 * before + earlier) * (
        s.more.feedforward_acceleration / s.acceleration_per_ampere / (period * period)
    )


def notch_row(model: Any, m: Any, value: Row, period: float) -> Row:
    """Current set-point behind the notch; moves its states on."""
    more = model.servo.more
    b0, b1, b2, a1, a2 = notch_coefficients(more.notch_frequency, more.notch_width, more.notch_depth, period)
    output = biquad_output(value, model.row("n1"), b0)
    m[model.at["n1"]] = biquad_first(value, output, model.row("n2"), b1, a1)
    m[model.at["n2"]] = biquad_second(value, output, b2, a2)
    return output


def outer_row(model: Any, m: Any, angle: Row) -> Row:
    """Current set-point of PID or state feedback at one sample, from the angle used; moves the states on."""
    if isinstance(model.gains.outer, PidGains):
        return _pid_row(model, m, angle, model.gains.outer)
    return _state_row(model, m, angle, model.gains.outer)


def _pid_row(model: Any, m: Any, angle: Row, g: PidGains) -> Row:
    s: Servo = model.servo
    period, command = s.position_period, model.source("command")
    weighed: Row = s.feedforward * command - angle
    decay = derivative_decay(g.derivative_time, g.derivative_filter, period)
    rate = derivative_gain(g.gain, g.derivative_time, g.derivative_filter, period)
    part: Row = pid_derivative(model.row("d"), weighed - model.row("weighed_before"), decay, rate)
    output: Row = pid_proportional(command, angle, g.gain, g.weight) + model.row("x") + part
    m[model.at["weighed_before"]] = weighed
    m[model.at["d"]] = part
    m[model.at["x"]] = model.row("x") + g.gain * period / g.integral_time * (command - angle)
    if s.more.feedforward_acceleration > 0.0:
        output = output + forward_row(model, m)
    if s.more.notch_frequency > 0.0:
        output = notch_row(model, m, output, period)
    m[model.at["cmd_before"]] = command
    return output


def _state_row(model: Any, m: Any, angle: Row, g: StateGains) -> Row:
    s: Servo = model.servo
    period, command = s.position_period, model.source("command")
    innovation: Row = angle - model.row("th_hat")
    hat: Row = corrected(model.row("th_hat"), g.observer[0], innovation)
    speed: Row = corrected(model.row("w_hat"), g.observer[1], innovation)
    wanted: Row = s.feedforward * (command - model.row("cmd_before")) / period
    output: Row = state_output(g.weight * command - hat, wanted - speed, model.row("x"), g.angle, g.speed)
    for j, share in enumerate(g.past, start=1):
        output = output - share * model.row(f"past{j}")
    if s.more.feedforward_acceleration > 0.0:
        output = output + forward_row(model, m)
    m[model.at["x"]] = model.row("x") + g.integral * period * (command - angle)
    m[model.at["cmd_before"]] = command
    delay = len(g.past) - 1
    early = output if delay == 0 else model.row(f"past{delay}")
    late = model.row(f"past{delay + 1}")
    m[model.at["th_hat"]] = predicted_angle(hat, speed, g.transition[0], g.early[0], g.late[0], early, late)
    m[model.at["w_hat"]] = predicted_speed(speed, g.transition[1], g.early[1], g.late[1], early, late)
    m[model.at["past1"]] = output
    for j in range(2, delay + 2):
        m[model.at[f"past{j}"]] = model.row(f"past{j - 1}")
    return output
