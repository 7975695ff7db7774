"""What the report says of offsets, observer, sensor lags, jitter and trim of a leg's controller, where it has any."""

from __future__ import annotations

from valvectl.parts.speed_estimate import observer_gains
from valvectl.plant.servo_numbers import Servo
from valvectl.review.wording import number


def timing_lines(servo: Servo) -> list[str]:
    """One sentence or equation a line; none for a controller that has nothing beyond periods, delays and filter."""
    out = []
    for loop, offset in (("speed", servo.speed_offset), ("current", servo.current_offset)):
        if offset > 0.0:
            out.append(f"The {loop} loop first samples {number(1e3 * offset)} ms after the position loop.")
    if servo.observer_bandwidth > 0.0:
        gain, rate_gain = observer_gains(servo.speed_period, servo.observer_bandwidth, servo.observer_damping)
        out.append(
            "w_raw is the speed of a tracking observer, every Ts: p = q + Ts · w_raw, d = angle − p, q ← p + g · d, "
            f"w_raw ← w_raw + (h / Ts) · d, with g = {number(gain, 6)}, h = {number(rate_gain, 6)}."
        )
    if servo.trim_gain > 0.0:
        out.append(
            "The command is trimmed from the stem's own encoder, every Tp: cmd + m in place of cmd in e, then "
            f"m ← clip( m + {number(servo.trim_gain)} 1/s · Tp · (cmd − stem angle), {number(servo.trim_limit)} rad ); m rests "
            "inside the hold band."
        )
    for what, lag in (
        ("position sensor", servo.position_sensor_lag),
        ("speed loop's sensor", servo.speed_sensor_lag),
        ("current measurement", servo.current_sensor_lag),
        ("stem encoder", servo.trim_sensor_lag),
    ):
        if lag > 0.0:
            out.append(f"The {what} lags by {number(1e3 * lag)} ms (first order) ahead of its sampler.")
    for loop in ("position", "speed", "current"):
        jitter = float(getattr(servo, f"{loop}_jitter"))
        if jitter > 0.0:
            out.append(f"The {loop} loop's delay varies by plus or minus {number(1e3 * jitter)} ms.")
    return out
