"""Two-phase hybrid stepping motor: holding, microsteps, resonance, pull-out under voltage and current limits.

Model: p rotor teeth (50 for 1.8 degrees a step), each phase with resistance R and inductance L, EMF K w sin(p theta)
and torque K i, the two phases a quarter of a tooth apart. With sine and cosine currents of amplitude I the torque is
T_h sin(p lag), T_h = K I, and lag [rad] is the rotor's angle behind the field. Detent torque has four periods a tooth.
Not in it: saturation, iron loss, a driver's poor following of current, mid-range instability. A real motor loses some 10
to 30 % against the pull-out torque here (common practice, no source); a measured curve goes through
``pull_out_from_table``.

Sources: Acarnley, Stepping Motors: a guide to theory and practice, 4th ed. (2002), chapters 3 to 5 (statics, resonance,
pull-out of the hybrid motor; from memory); Jones, Stepping Motors, chapter on physics (open web text).
"""

from __future__ import annotations

import math

from valvectl.parts.lookup import FloatArray, blend


def full_step(teeth: float) -> float:
    """Angle of a full step [rad]: a quarter of a tooth pitch; 1.8 degrees for 50 teeth."""
    return 0.5 * math.pi / teeth


def constant_from_holding(holding: float, rated_current: float) -> float:
    """K [N m/A] = [V s/rad] of a phase from a catalogue's holding torque [N m], both phases at rated current [A].

    T_hold = sqrt(2) K I: two phases at once stand a quarter apart.
    """
    return holding / (math.sqrt(2.0) * rated_current)


def torque_at_lag(holding: float, teeth: float, lag: float) -> float:
    """Torque [N m] on a rotor that stands ``lag`` [rad] behind the field, holding torque [N m]."""
    return holding * math.sin(teeth * lag)


def holding_stiffness(holding: float, teeth: float) -> float:
    """Slope of the torque at no load [N m/rad]: p T_h."""
    return teeth * holding


def load_error(load: float, holding: float, teeth: float) -> float:
    """Angle [rad] by which a standing load [N m] pulls the rotor off: asin(T/T_h)/p; infinite when it breaks away."""
    share = abs(load) / holding
    if share >= 1.0:
        return math.inf
    return math.asin(share) / teeth


def natural_frequency(holding: float, teeth: float, inertia: float) -> float:
    """Small-angle resonance [Hz]: sqrt(p T_h/J)/(2 pi); ``inertia`` of rotor and load at the shaft [kg m^2]."""
    return math.sqrt(holding_stiffness(holding, teeth) / inertia) / (2.0 * math.pi)


# -------------------------------------------------------------------------------------------------- microsteps


def microstep_torque(holding: float, microsteps: float) -> float:
    """Torque [N m] that one microstep adds: T_h sin(90 deg/N), N microsteps to a full step."""
    return holding * math.sin(0.5 * math.pi / microsteps)


def microsteps_to_move(friction: float, holding: float, microsteps: float) -> float:
    """Microsteps commanded before a rotor held by friction [N m] moves: asin(Tf/T_h)/(90 deg/N).

    Not rounded; infinite when friction exceeds the holding torque.
    """
    share = friction / holding
    if share >= 1.0:
        return math.inf
    return math.asin(share) * 2.0 * microsteps / math.pi


def detent_error(detent: float, holding: float, teeth: float) -> float:
    """Greatest error of a microstep's angle [rad] from detent torque [N m], no load: asin(T_d/T_h)/p.

    An upper bound, met where the detent torque is at its crest; infinite when detent holds against the field.
    """
    return load_error(detent, holding, teeth)


# ---------------------------------------------------------------------------------------------------- pull-out


def current_reversal_time(current: float, voltage: float, resistance: float, inductance: float) -> float:
    """Time [s] to turn a phase current [A] round at standstill: L/R ln((V + R I)/(V - R I)), without EMF.

    2 L I/V where R I is small. Infinite when the voltage [V] can not hold the current.
    """
    drop = resistance * current
    if drop >= voltage:
        return math.inf
    if drop <= 1e-9 * voltage:
        return 2.0 * inductance * current / voltage
    return inductance / resistance * math.log((voltage + drop) / (voltage - drop))


def voltage_limited_torque(
    speed: float, k: float, voltage: float, resistance: float, inductance: float, teeth: float
) -> float:
    """Pull-out torque [N m] at a voltage amplitude [V] a phase and a shaft speed [rad/s], any current.

    K V/Z - K^2 w R/Z^2 with Z^2 = R^2 + (p w L)^2, at the load angle where the voltage leads the EMF by the impedance's
    angle. Square waves of a bridge on V_dc have V = 4/pi V_dc. Infinite at rest without resistance.
    """
    reactance = teeth * speed * inductance
    square = resistance * resistance + reactance * reactance
    if square <= 0.0:
        return math.inf
    return k * (voltage / math.sqrt(square) - k * speed * resistance / square)


def corner_speed(k: float, current: float, voltage: float, resistance: float, inductance: float, teeth: float) -> float:
    """Speed [rad/s] up to which the voltage drives the full current in phase with the EMF; zero if R I exceeds V.

    Solves (R I + K w)^2 + (p w L I)^2 = V^2.
    """
    drop = resistance * current
    if drop >= voltage:
        return 0.0
    flux = teeth * inductance * current
    square = k * k + flux * flux
    root = math.sqrt(drop * drop * k * k + square * (voltage * voltage - drop * drop))
    return (root - drop * k) / square


def pull_out_torque(
    speed: float, k: float, current: float, voltage: float, resistance: float, inductance: float, teeth: float
) -> float:
    """Pull-out torque [N m] of a driver that holds the current's amplitude [A] while its voltage amplitude [V] lasts.

    Greatest K i_q over all currents within both limits: K I up to the corner speed, then the crossing of the two circles
    (current turned against the magnets), then the voltage's own limit. Zero when neither can be met. Friction and iron
    loss not taken off. ``speed`` [rad/s], not negative.
    """
    emf = k * speed
    reactance = teeth * speed * inductance
    square = resistance * resistance + reactance * reactance
    if square <= 0.0:
        return k * current if emf <= voltage else 0.0
    # Centre of the voltage circle in the plane of currents, along the EMF (q) and across it (d).
    centre_q, centre_d = -emf * resistance / square, -emf * reactance / square
    radius = voltage / math.sqrt(square)
    # In phase with the EMF and at full current?
    dq, dd = current - centre_q, -centre_d
    if dq * dq + dd * dd <= radius * radius:
        return k * current
    top = centre_q + radius
    if top * top + centre_d * centre_d <= current * current:
        return k * top if top > 0.0 else 0.0
    away = math.sqrt(centre_q * centre_q + centre_d * centre_d)
    if away >= current + radius or away <= 0.0:
        return k * radius if away <= 0.0 else 0.0
    along = (current * current - radius * radius + away * away) / (2.0 * away)
    inside = current * current - along * along
    if inside <= 0.0:
        return 0.0
    crossing = (along * centre_q + math.sqrt(inside) * abs(centre_d)) / away
    return k * crossing if crossing > 0.0 else 0.0


def pull_out_from_table(speeds: FloatArray, torques: FloatArray, speed: float) -> float:
    """Pull-out torque [N m] from a measured curve, linear between its points.

    ``speeds`` [rad/s] rise, shape (n,); ``torques`` [N m], shape (n,). Below the first speed the first torque; above the
    last speed zero, for nothing is known there.
    """
    count = speeds.shape[0]
    if speed <= speeds[0]:
        return float(torques[0])
    if not speed <= speeds[count - 1]:
        return 0.0
    index = 0
    while index < count - 2 and speed > speeds[index + 1]:
        index += 1
    share = (speed - speeds[index]) / (speeds[index + 1] - speeds[index])
    return blend(float(torques[index]), float(torques[index + 1]), float(share))


def speed_on_stated_voltage(speed: float, voltage: float, stated_voltage: float) -> float:
    """Speed [rad/s] at which a curve measured at ``stated_voltage`` has the torque found at ``speed`` and ``voltage``.

    Speeds go with voltage at the same current where R I is small against it. Supply voltages [V].
    """
    return speed * stated_voltage / voltage


# --------------------------------------------------------------------------------------------------- lost steps


def ramp_torque(inertia: float, acceleration: float, load: float) -> float:
    """Torque [N m] the motor must give on a ramp: J a + T."""
    return inertia * acceleration + load


def lost_step_margin(pull_out: float, inertia: float, acceleration: float, load: float) -> float:
    """Margin [-] against a lost step at the top of a ramp: pull-out torque there over J a + T, less one.

    Pull-out torque falls with speed, so that the top of a trapezoid's ramp governs; braking needs |J a - T|, which is
    less. Infinite when nothing is asked.
    """
    needed = ramp_torque(inertia, acceleration, load)
    return pull_out / needed - 1.0 if needed > 0.0 else math.inf


def pull_in_speed(holding: float, load: float, teeth: float, inertia: float) -> float:
    """Highest speed [rad/s] of a field that a standing rotor catches without a ramp.

    The rotor stands until the lag a with T_h sin(p a) = T: held by dry friction, or carried there by a load that pulls back
    [N m]. Seen from the field it then runs back at the field's speed, and is caught when its energy does not reach the crest
    of the torque beyond: J w^2/2 = (2 T_h cos(p a) - T (pi - 2 p a))/p. Full current from the start, no damping (which would
    help), steps small. Zero when the load holds the rotor.
    """
    share = load / holding
    if share >= 1.0:
        return 0.0
    angle = math.asin(share)
    energy = (2.0 * holding * math.cos(angle) - load * (math.pi - 2.0 * angle)) / teeth
    return math.sqrt(2.0 * energy / inertia) if energy > 0.0 else 0.0
