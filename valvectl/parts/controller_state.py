"""State feedback of a rigid actuator with an observer and integral action, sampled, as its difference equations.

The plant in the controller's eyes: stem angle th and speed w, driven by the current set-point u, which acts as a torque d + 1
to d samples later (the delay is d periods and a part of one):

    th+ = th + f12 w + p0 u[k-d] + p1 u[k-d-1],   w+ = f22 w + q0 u[k-d] + q1 u[k-d-1]

One sample: the measured angle y corrects the prediction, the command r and the integral x make the output, the limited output
u is remembered and the prediction moves on.

    e = y - th;  th += m1 e;  w += m2 e
    u = l1 (b r - th) + l2 (c (r - r_before)/T - w) + x - sum_j lj u[k-j];   u = clip(u, +-limit)
    x += l3 T (r - y), with anti-windup

Past outputs are known to the controller and need no observer (Franklin, Powell and Workman, Digital Control of Dynamic
Systems, sections 8.2 and 8.4, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

MOST_PAST = 11
"""Past outputs that can be remembered."""


@dataclass(frozen=True)
class StateGains:
    """Gains and model of state feedback, SI, stem units."""

    angle: float
    """l1: motor current per angle [A/rad]."""
    speed: float
    """l2: motor current per speed [A s/rad]."""
    integral: float
    """l3: motor current per integral of the position error [A/(rad s)]."""
    past: tuple[float, ...]
    """lj: share of the outputs of 1, 2, ... samples ago that is taken off again [-], shape (d + 1,)."""
    observer: tuple[float, float]
    """m1 [-] and m2 [1/s]."""
    transition: tuple[float, float]
    """f12 [s] and f22 [-]."""
    early: tuple[float, float]
    """p0 [rad/A] and q0 [rad/s/A], of the output d samples ago."""
    late: tuple[float, float]
    """p1 [rad/A] and q1 [rad/s/A], of the output d + 1 samples ago."""
    weight: float = 1.0
    """b: share of the command in the proportional part [-]; c of its speed is ``Servo.feedforward``."""
    bandwidth: float = 0.0
    """Where the closed-loop poles were placed [rad/s]."""


def corrected(predicted: float, gain: float, innovation: float) -> float:
    """A state after the measurement."""
    return predicted + gain * innovation


def predicted_angle(
    angle: float, speed: float, f12: float, early: float, late: float, u_d: float, u_d1: float
) -> float:
    """Angle one sample on [rad]."""
    return angle + f12 * speed + early * u_d + late * u_d1


def predicted_speed(speed: float, f22: float, early: float, late: float, u_d: float, u_d1: float) -> float:
    """Speed one sample on [rad/s]."""
    return f22 * speed + early * u_d + late * u_d1


def state_output(
    angle_error: float, speed_error: float, integral: float, angle_gain: float, speed_gain: float
) -> float:
    """Current set-point [A] before past outputs are taken off and before its limit."""
    return angle_gain * angle_error + speed_gain * speed_error + integral
