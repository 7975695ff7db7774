"""What the loops of the compiled simulator read: encoders and current sensor with their lags, speed, lateness of outputs."""

from __future__ import annotations

from typing import Any

from valvectl.parts.controller import clip
from valvectl.parts.encoder import faulty_reading, quantise
from valvectl.parts.speed_estimate import lagged, tracked
from valvectl.plant import layout as ix
from valvectl.plant.kernel_base import jit, laws

laws(clip, faulty_reading, quantise, lagged, tracked)


@jit
def sense(par: Any, st: Any) -> None:
    """Sensors with a lag follow what they see over one step; called after the step."""
    if par[ix.LAGGED] > 0.5:
        motor, stem, current = st[ix.MOTOR_ANGLE] * par[ix.PER_RATIO], st[ix.STEM_ANGLE], st[ix.CURRENT]
        before, after = st[ix.STEM_BEFORE], stem
        if par[ix.POSITION_ON_MOTOR] > 0.5:
            before, after = st[ix.MOTOR_BEFORE], motor
        st[ix.POSITION_SEEN] = lagged(st[ix.POSITION_SEEN], before, after, par[ix.POSITION_KEEP], par[ix.POSITION_RAMP])
        before, after = st[ix.STEM_BEFORE], stem
        if par[ix.SPEED_ON_MOTOR] > 0.5:
            before, after = st[ix.MOTOR_BEFORE], motor
        st[ix.SPEED_SEEN] = lagged(st[ix.SPEED_SEEN], before, after, par[ix.SPEED_KEEP], par[ix.SPEED_RAMP])
        st[ix.TRIM_SEEN] = lagged(st[ix.TRIM_SEEN], st[ix.STEM_BEFORE], stem, par[ix.TRIM_KEEP], par[ix.TRIM_RAMP])
        st[ix.CURRENT_SEEN] = lagged(
            st[ix.CURRENT_SEEN], st[ix.CURRENT_BEFORE], current, par[ix.CURRENT_KEEP], par[ix.CURRENT_RAMP]
        )
        st[ix.MOTOR_BEFORE], st[ix.STEM_BEFORE], st[ix.CURRENT_BEFORE] = motor, stem, current


@jit
def draw_noise(st: Any, queue: Any, late: Any) -> None:
    """The next of the numbers drawn beforehand becomes the noise of the encoder's readings at this sample."""
    at = ix.QUEUE_FORWARD * ix.QUEUE_SIZE + ix.DRAWN_INDEX
    drawn = queue[at]
    queue[at] = (drawn + 1) & (ix.LATE - 1)
    st[ix.SENSE_NOISE] = late[ix.QUEUE_FORWARD * ix.LATE + drawn]


@jit
def position_reading(par: Any, st: Any) -> float:
    """Angle the position loop reads [rad of the stem]."""
    angle = st[ix.STEM_ANGLE]
    if par[ix.POSITION_ON_MOTOR] > 0.5:
        angle = st[ix.MOTOR_ANGLE] * par[ix.PER_RATIO]
    if par[ix.LAGGED] > 0.5:
        angle = st[ix.POSITION_SEEN]
    if par[ix.FAULTY] > 0.5:
        angle = faulty_reading(
            angle, par[ix.POSITION_SLOPE], par[ix.POSITION_OFFSET], par[ix.POSITION_NOISE], st[ix.SENSE_NOISE]
        )
    return quantise(angle, par[ix.POSITION_COUNT])


@jit
def speed_reading(par: Any, st: Any) -> float:
    """Angle from which the speed loop takes its speed [rad of the stem]."""
    angle = st[ix.STEM_ANGLE]
    if par[ix.SPEED_ON_MOTOR] > 0.5:
        angle = st[ix.MOTOR_ANGLE] * par[ix.PER_RATIO]
    if par[ix.LAGGED] > 0.5:
        angle = st[ix.SPEED_SEEN]
    if par[ix.FAULTY] > 0.5:
        angle = faulty_reading(
            angle, par[ix.SPEED_SLOPE], par[ix.SPEED_OFFSET], par[ix.SPEED_NOISE], st[ix.SENSE_NOISE]
        )
    return quantise(angle, par[ix.SPEED_COUNT])


@jit
def raw_speed(par: Any, st: Any, angle: float) -> float:
    """Speed [rad/s] by difference or observer from the angle just read; keeps what the next sample needs."""
    if par[ix.OBSERVED] > 0.5:
        st[ix.ANGLE_BEFORE], st[ix.OBSERVER_SPEED] = tracked(
            angle,
            st[ix.ANGLE_BEFORE],
            st[ix.OBSERVER_SPEED],
            par[ix.SPEED_PERIOD],
            par[ix.OBSERVER_GAIN],
            par[ix.OBSERVER_RATE_GAIN],
        )
        raw = st[ix.OBSERVER_SPEED]
    else:
        raw = (angle - st[ix.ANGLE_BEFORE]) / par[ix.SPEED_PERIOD]
        st[ix.ANGLE_BEFORE] = angle
    return raw


@jit
def current_reading(par: Any, st: Any) -> float:
    """Current the current loop reads [A]."""
    current = st[ix.CURRENT]
    if par[ix.LAGGED] > 0.5:
        current = st[ix.CURRENT_SEEN]
    return current


@jit
def trim_step(par: Any, st: Any) -> float:
    """Trim of the position command from the stem's own encoder [rad] at this position sample; moves it on after."""
    trim = st[ix.TRIM]
    if par[ix.TRIM_GAIN] > 0.0:
        stem = st[ix.STEM_ANGLE]
        if par[ix.LAGGED] > 0.5:
            stem = st[ix.TRIM_SEEN]
        if par[ix.FAULTY] > 0.5:
            stem = faulty_reading(stem, par[ix.TRIM_SLOPE], par[ix.TRIM_OFFSET], 0.0, 0.0)
        error = st[ix.COMMAND] - quantise(stem, par[ix.TRIM_COUNT])
        if abs(error) > par[ix.HOLD_BAND]:  # where the position loop would rest, the trim rests too
            st[ix.TRIM] = clip(trim + par[ix.TRIM_GAIN] * par[ix.POSITION_PERIOD] * error, par[ix.TRIM_LIMIT])
    return trim


@jit
def shift_newest(ring: Any, queue: Any, late: Any, loop: int, jitter: float) -> None:
    """Move the arrival of a loop's newest output by its share of the loop's jitter, drawn beforehand (``late``, -1 to 1)."""
    if jitter > 0.0:
        at = loop * ix.QUEUE_SIZE
        drawn = queue[at + ix.DRAWN_INDEX]
        queue[at + ix.DRAWN_INDEX] = (drawn + 1) & (ix.LATE - 1)
        slot = (queue[at + ix.HEAD_INDEX] + queue[at + ix.COUNT_INDEX] - 1) & (ix.RING - 1)
        ring[2 * (loop * ix.RING + slot) + 1] += jitter * late[loop * ix.LATE + drawn]
