"""Gains of PID and state feedback by pole placement on the rigid actuator behind its current loop.

The rigid actuator is a double integrator with viscous friction; the current loop counts as a delay of L/Kc, its closed
loop's at low frequency. The bandwidth is the design file's, or the largest with which the exact sampled loop (soft gears,
every delay, the current loop as it is) keeps what is asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from valvectl.errors import ValvectlError
from valvectl.parts.controller import CascadeGains
from valvectl.parts.controller_more import PID
from valvectl.parts.controller_pid import PidGains, derivative_gain, placed_pid
from valvectl.parts.controller_state import MOST_PAST, StateGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant.servo_numbers import Servo

FASTEST = 0.5
"""Largest bandwidth times sample period that is tried [-]."""
SLOWEST = 2.0
"""Smallest bandwidth that is tried [rad/s]; a throttle valve below it is of no use."""


def ackermann(a: FloatArray, b: FloatArray, poles: FloatArray) -> FloatArray:
    """Feedback row L with the eigenvalues of A - b L at ``poles``, shape (n,). Source: Ackermann 1972 (from memory).

    L = [0 ... 0 1] [b, A b, ..., A^(n-1) b]^-1 p(A). Poles are real or in conjugate pairs, equal ones allowed.
    """
    n = a.shape[0]
    columns = [b]
    for _ in range(n - 1):
        columns.append(a @ columns[-1])
    last = np.linalg.solve(np.column_stack(columns).T, np.eye(n)[:, -1])
    wanted = np.eye(n)
    for c in np.real(np.poly(poles))[1:]:
        wanted = wanted @ a + c * np.eye(n)
    return np.asarray(last @ wanted)


def wanted_poles(bandwidth: float, damping: float) -> FloatArray:
    """Roots of (s + w)(s^2 + 2 D w s + w^2) [rad/s], complex, shape (3,)."""
    side = math.sqrt(max(1.0 - damping * damping, 0.0))
    return bandwidth * np.array([-1.0, complex(-damping, side), complex(-damping, -side)])


def current_delay(servo: Servo, gains: CascadeGains) -> float:
    """From a sample of the position loop to its torque, in the rigid model's eyes [s].

    Waiting for the current loop's next sample, then the current loop; the position sensor's lag counts as delay too.
    """
    offset = math.fmod(servo.current_offset, servo.current_period)
    periods = math.ceil((servo.position_delay - offset) / servo.current_period - 1e-9)
    taken = offset + periods * servo.current_period
    return taken + servo.inductance / gains.current + servo.position_sensor_lag


def rigid_plant(servo: Servo, duration: float) -> tuple[FloatArray, FloatArray]:
    """Transition (2, 2) of stem angle and speed over ``duration`` [s] and what a current held for it adds (2,) [per A]."""
    from scipy.linalg import expm

    gain = servo.acceleration_per_ampere
    decay = gain * servo.motor_viscous * servo.ratio / servo.torque_constant
    both = expm(np.array([[0.0, 1.0, 0.0], [0.0, -decay, gain], [0.0, 0.0, 0.0]]) * duration)
    return np.asarray(both[:2, :2]), np.asarray(both[:2, 2])


def pid_gains(servo: Servo, bandwidth: float) -> PidGains:
    """PID by pole placement at ``bandwidth`` [rad/s]."""
    more = servo.more
    gain, integral, derivative = placed_pid(bandwidth, more.damping, 1.0 / servo.acceleration_per_ampere)
    return PidGains(gain, integral, derivative, more.derivative_filter, more.weight)


def state_gains(servo: Servo, gains: CascadeGains, bandwidth: float) -> StateGains:
    """State feedback with observer by pole placement at ``bandwidth`` [rad/s]; the delay's poles go to zero.

    Raises ``ValvectlError`` when the delay is longer than the controller can remember.
    """
    more, period = servo.more, servo.position_period
    delay = current_delay(servo, gains)
    whole = math.floor(delay / period + 1e-9)
    if whole + 1 > MOST_PAST:
        raise ValvectlError(f"state feedback can bridge {MOST_PAST - 1} sample periods of delay, not {whole}")
    part = max(delay - whole * period, 0.0)
    transition, _ = rigid_plant(servo, period)
    rest, early = rigid_plant(servo, period - part)
    late = rest @ rigid_plant(servo, part)[1]
    # angle, speed, the outputs of 1 ... whole + 1 samples ago, integral of the position error
    n = 2 + whole + 1 + 1
    a, b = np.zeros((n, n)), np.zeros(n)
    a[:2, :2] = transition
    a[:2, 2 + whole] = late
    if whole == 0:
        b[:2] = early
    else:
        a[:2, 1 + whole] = early
    b[2] = 1.0
    for j in range(whole):
        a[3 + j, 2 + j] = 1.0
    a[-1, 0], a[-1, -1] = -period, 1.0
    poles = np.concatenate([np.exp(period * wanted_poles(bandwidth, more.damping)), np.zeros(whole + 1)])
    feedback = ackermann(a, b, poles)
    seen = np.exp(-more.observer_factor * bandwidth * period) * np.ones(2)
    first_row = np.array([1.0, 0.0]) @ transition
    observer = ackermann(transition.T, first_row, seen)
    return StateGains(
        angle=float(feedback[0]),
        speed=float(feedback[1]),
        integral=float(-feedback[-1]),
        past=tuple(float(x) for x in feedback[2:-1]),
        observer=(float(observer[0]), float(observer[1])),
        transition=(float(transition[0, 1]), float(transition[1, 1])),
        early=(float(early[0]), float(early[1])),
        late=(float(late[0]), float(late[1])),
        weight=more.weight,
        bandwidth=bandwidth,
    )


def at_bandwidth(servo: Servo, base: CascadeGains, bandwidth: float) -> CascadeGains:
    """The gains with an outer law of the servo's structure placed at ``bandwidth`` [rad/s]."""
    outer = pid_gains(servo, bandwidth) if servo.more.structure == PID else state_gains(servo, base, bandwidth)
    return replace(base, position=0.0, speed=0.0, speed_integral=0.0, outer=outer)


def placed_bandwidth(gains: CascadeGains) -> float:
    """Where the poles of PID or state feedback were placed [Hz], for stated gains of a PID 1/Td; zero for the cascade."""
    outer = gains.outer
    if isinstance(outer, PidGains):
        return 0.0 if outer.derivative_time <= 0.0 else 1.0 / (2.0 * math.pi * outer.derivative_time)
    return 0.0 if outer is None else outer.bandwidth / (2.0 * math.pi)


def position_rate(gains: CascadeGains) -> float:
    """Rate at which a position error is worked off [1/s]: Kp of the cascade, the placed bandwidth of the others."""
    return gains.position if gains.outer is None else 2.0 * math.pi * placed_bandwidth(gains)


def current_per_count(servo: Servo, gains: CascadeGains) -> float:
    """Change of the current set-point by one count of the position encoder, at once [A]."""
    outer = gains.outer
    if isinstance(outer, PidGains):
        rate = derivative_gain(outer.gain, outer.derivative_time, outer.derivative_filter, servo.position_period)
        return servo.position_count * (outer.gain + rate)
    assert outer is not None
    return servo.position_count * abs(outer.angle * outer.observer[0] + outer.speed * outer.observer[1])


def outer_gains(
    servo: Servo, base: CascadeGains, largest: Callable[[float, Callable[[float], bool]], float],
    good: Callable[[CascadeGains], bool],
) -> CascadeGains:  # fmt: skip
    """The gains with PID or state feedback as stated, at the bandwidth stated, or at the largest that is ``good``.

    Raises ``ValvectlError`` when none is.
    """
    more = servo.more
    if more.pid is not None:
        outer = PidGains(*more.pid, more.derivative_filter, more.weight)
        return replace(base, position=0.0, speed=0.0, speed_integral=0.0, outer=outer)
    if more.bandwidth > 0.0:
        return at_bandwidth(servo, base, more.bandwidth)
    bound = FASTEST / servo.position_period
    found = largest(0.3 * bound, lambda w: SLOWEST <= w <= bound and good(at_bandwidth(servo, base, w)))
    if found <= 0.0:
        raise ValvectlError(
            "no bandwidth of the position loop keeps its margins; its period or delay is too long, or its encoder too coarse"
        )
    return at_bandwidth(servo, base, found)
