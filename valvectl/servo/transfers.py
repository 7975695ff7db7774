"""Loop gains, sensitivities and transfers of the sampled servo at each place where it can be cut, all exact.

``outer`` is the place outside the position loop. With a trim from the stem's own encoder it is that trim's loop. Without
one no loop closes there: its transfer is command to stem angle with all loops closed, which is what any loop further out
(thrust, mixture ratio) sees, and its sensitivity is the stem's error for a command, 1 minus that.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from valvectl.parts.controller import CascadeGains
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.sampled import Discrete, Place, _Schedule, open_loop

PLACES: tuple[Place, ...] = ("outer", "position", "speed", "current")


def loop_gain(servo: Servo, gains: CascadeGains, at: Place = "position") -> Discrete:
    """L(z) at a place, from error to measurement: one input, one output, negative feedback taken out.

    At ``outer`` without a trim: command to stem angle, all loops closed.
    """
    if at == "outer" and servo.trim_gain <= 0.0:
        return _command_to_stem(servo, gains)
    cut = open_loop(servo, gains, at)
    return replace(cut, inputs=(f"{at}_error",), outputs=(f"{at}_measured",))


def sensitivity(servo: Servo, gains: CascadeGains, at: Place = "position") -> Discrete:
    """S(z) = 1/(1 + L): set-point, or noise on the measurement, to error at a place."""
    if at == "outer" and servo.trim_gain <= 0.0:
        t = _command_to_stem(servo, gains)
        return replace(t, c=-t.c, d=1.0 - t.d, outputs=("outer_error",))
    loop = loop_gain(servo, gains, at)
    return replace(
        loop,
        a=loop.a - loop.b @ loop.c,
        c=-loop.c,
        d=np.ones((1, 1)),
        inputs=(f"{at}_reference",),
        outputs=(f"{at}_error",),
    )


def complementary(servo: Servo, gains: CascadeGains, at: Place = "position") -> Discrete:
    """T(z) = L/(1 + L) = 1 - S(z): what noise on the measurement does to what is measured, sign taken out."""
    if at == "outer" and servo.trim_gain <= 0.0:
        return _command_to_stem(servo, gains)
    loop = loop_gain(servo, gains, at)
    return replace(loop, a=loop.a - loop.b @ loop.c, inputs=(f"{at}_reference",), outputs=(f"{at}_measured",))


def _command_to_stem(servo: Servo, gains: CascadeGains) -> Discrete:
    both = transfers(servo, gains, "outer")
    stem = both.outputs.index("stem_angle")
    return replace(
        both,
        b=both.b[:, :1],
        c=both.c[stem : stem + 1],
        d=both.d[stem : stem + 1, :1],
        inputs=("command",),
        outputs=("stem_angle",),
    )


def transfers(servo: Servo, gains: CascadeGains, at: Place = "position") -> Discrete:
    """Everything that goes into the loop at a place to everything that comes out, the loop closed, loops outside open.

    Inputs, held over one sample of that loop: ``command`` (position and outer: stem angle [rad], with the feed-forward;
    speed: stem speed [rad/s]; current: [A]), ``noise`` on the loop's measurement [same unit; speed: on the speed after
    its filter], ``load`` on the stem against opening [N m]. Outputs at the sample, before it acts: ``measured`` (without
    the noise), ``stem_angle``, ``motor_angle`` over the ratio [rad], ``stem_speed`` [rad/s], ``current`` [A].
    """
    closed_outside = at == "outer" and servo.trim_gain <= 0.0  # nothing to cut: noise then is on the position's reading
    cut: Place = "position" if closed_outside else at
    schedule = _Schedule(servo, gains, cut)
    period, _ = schedule.timing("position" if cut == "outer" else cut)
    total = schedule.period_map(period)
    n = schedule.size
    source = {name: n + j for j, name in enumerate(schedule.inputs)}
    read = schedule.measurement_at_sample(cut)[:n]
    noise = total[:n, source["injected"]]
    a = total[:n, :n] + np.outer(noise, read)
    # Inside an open outer loop its set-point is a state that stands still: it is the command there.
    held = {"speed": "w_set", "current": "i_set"}.get(cut)
    if held is None:
        command, keep = total[:n, source["command"]], np.ones(n, dtype=bool)
    else:
        command, keep = a[:, schedule.at[held]], np.arange(n) != schedule.at[held]
    rows = np.array([read, *(schedule.row(name)[:n] for name in ("as", "am", "ws", "i"))])
    if closed_outside:
        rows[0] = schedule.row("as")[:n]
    return Discrete(
        a=a[np.ix_(keep, keep)],
        b=np.column_stack([command, noise, total[:n, source["load"]]])[keep],
        c=rows[:, keep],
        d=np.zeros((5, 3)),
        period=period,
        inputs=("command", "noise", "load"),
        outputs=("measured", "stem_angle", "motor_angle", "stem_speed", "current"),
    )
