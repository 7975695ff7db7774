"""Offsets, sensor lags, observer and jitter of the loops, packed for the compiled simulator."""

from __future__ import annotations

import math

import numpy as np

from valvectl.parts.lookup import FloatArray
from valvectl.parts.speed_estimate import lag_shares, observer_gains
from valvectl.plant import layout as ix
from valvectl.plant.servo_numbers import Servo


def sampling_parameters(servo: Servo, step: float) -> dict[int, float]:
    """Parameters of ``plant.kernel_sensors`` by their place in ``par``; ``step`` [s]."""
    position, speed = lag_shares(step, servo.position_sensor_lag), lag_shares(step, servo.speed_sensor_lag)
    current, trim = lag_shares(step, servo.current_sensor_lag), lag_shares(step, servo.trim_sensor_lag)
    observed = servo.observer_bandwidth > 0.0
    gains = (
        observer_gains(servo.speed_period, servo.observer_bandwidth, servo.observer_damping) if observed else (0.0, 0.0)
    )
    lags = (servo.position_sensor_lag, servo.speed_sensor_lag, servo.current_sensor_lag, servo.trim_sensor_lag)
    return {
        ix.OBSERVED: float(observed),
        ix.OBSERVER_GAIN: gains[0],
        ix.OBSERVER_RATE_GAIN: gains[1],
        ix.LAGGED: float(max(lags) > 0.0),
        ix.POSITION_KEEP: position[0],
        ix.POSITION_RAMP: position[1],
        ix.SPEED_KEEP: speed[0],
        ix.SPEED_RAMP: speed[1],
        ix.CURRENT_KEEP: current[0],
        ix.CURRENT_RAMP: current[1],
        ix.TRIM_KEEP: trim[0],
        ix.TRIM_RAMP: trim[1],
        ix.TRIM_GAIN: servo.trim_gain,
        ix.TRIM_LIMIT: servo.trim_limit,
        ix.TRIM_COUNT: servo.trim_count,
        ix.POSITION_JITTER: servo.position_jitter / step,
        ix.SPEED_JITTER: servo.speed_jitter / step,
        ix.CURRENT_JITTER: servo.current_jitter / step,
    }


def first_samples(servo: Servo, step: float) -> list[int]:
    """Step of each loop's first sample and, last, the number of position samples so far (none)."""
    return [0, round(servo.speed_offset / step), round(servo.current_offset / step), 0]


def at_rest(st: FloatArray, angle: float, motor_turn: float) -> None:
    """Put a leg's sensors at rest at a stem angle [rad]; ``motor_turn`` is the motor's over the ratio. Changes ``st``."""
    for slot in (ix.STEM_BEFORE, ix.POSITION_SEEN, ix.SPEED_SEEN, ix.TRIM_SEEN):
        st[slot] = angle
    st[ix.MOTOR_BEFORE] = motor_turn


def drawn_lateness(seed: int) -> FloatArray:
    """Lateness of outputs in shares of the loops' jitter, even from -1 to 1, and, last, standard normal noise for an encoder
    that is faulty: shape (2 legs, 3 loops and the noise, LATE).

    The first LATE outputs of a loop each have their own; then they come round again.
    """
    draw = np.random.default_rng(seed)
    late = draw.uniform(-1.0, 1.0, (2, ix.LOOPS, ix.LATE))
    return np.concatenate([late, draw.standard_normal((2, 1, ix.LATE))], axis=1)


def common_divisor(values: list[float]) -> float:
    """Largest time [s] of which all of ``values`` [s] are whole multiples, to rounding; zeros do not count."""
    result = 0.0
    for value in values:
        a, b = max(result, value), min(result, value)
        while b > 1e-9 * a and b > 1e-9:
            a, b = b, math.fmod(a, b)
            if b > a * (1.0 - 1e-6) or b < a * 1e-6:  # a remainder that is a rounding error below the divisor
                b = 0.0
        result = a
    return result
