"""What the report says of offsets, sensor lags and jitter of a leg's controller, where it has any."""

from __future__ import annotations

from valvectl.plant.servo_numbers import Servo
from valvectl.review.wording import number


def timing_lines(servo: Servo) -> list[str]:
    """One sentence a line; none for a controller that has nothing beyond periods and delays."""
    out = []
    for loop, offset in (("speed", servo.speed_offset), ("current", servo.current_offset)):
        if offset > 0.0:
            out.append(f"The {loop} loop first samples {number(1e3 * offset)} ms after the position loop.")
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
