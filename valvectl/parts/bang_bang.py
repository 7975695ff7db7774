"""Fastest move of one inertia with current, voltage and speed limits against a constant load; ratios; stops; back-driving.

Full current up to the corner speed (constant acceleration), then full voltage (exponential approach to the speed at which
torque and load meet), a speed limit, then braking at full current. Seen at the stem: ``drive_gain`` torque per ampere
with the motor driving (N eta Kt), ``brake_gain`` torque per ampere when it brakes (N Kt / eta_back; taking N eta Kt there
too makes the move longer, on the safe side), ``back_emf`` voltage per stem speed (N Kt). The current is set at once.
Source: elementary mechanics of a direct-current motor. Ratios: Pasch and Seering, ASME J. Mech. Transm. Autom. Des. 106 (1984)
102-108 (from memory), the rest derived beside it.
"""

from __future__ import annotations

import math

from valvectl.parts import gearing

# --------------------------------------------------------------------------------------- moves without a motor


def triangular_time(angle: float, acceleration: float, deceleration: float) -> float:
    """Time [s] of a move [rad] from rest to rest, rates [rad/s^2] both positive: sqrt(2 angle (1/a + 1/d))."""
    return math.sqrt(2.0 * angle * (1.0 / acceleration + 1.0 / deceleration))


def triangular_speed(angle: float, acceleration: float, deceleration: float) -> float:
    """Highest speed [rad/s] of a triangular move [rad]."""
    return math.sqrt(2.0 * angle * acceleration * deceleration / (acceleration + deceleration))


def trapezoidal_time(angle: float, acceleration: float, deceleration: float, top: float) -> float:
    """Time [s] of a move [rad] with a speed limit ``top`` [rad/s]: angle/top + top (1/a + 1/d)/2, or triangular."""
    if triangular_speed(angle, acceleration, deceleration) <= top:
        return triangular_time(angle, acceleration, deceleration)
    return angle / top + 0.5 * top * (1.0 / acceleration + 1.0 / deceleration)


# ------------------------------------------------------------------------------------------ moves with a motor


def meeting_speed(drive_gain: float, back_emf: float, resistance: float, voltage: float, load: float) -> float:
    """Speed [rad/s] at which the voltage [V] just carries the load [N m]; negative when it can not at any."""
    return (voltage - resistance * load / drive_gain) / back_emf


def corner_speed(back_emf: float, resistance: float, current: float, voltage: float) -> float:
    """Speed [rad/s] up to which the voltage drives the full current [A]; zero when it can not even at rest."""
    corner = (voltage - resistance * current) / back_emf
    return corner if corner > 0.0 else 0.0


def run_up(
    speed: float,
    drive_gain: float,
    back_emf: float,
    resistance: float,
    current: float,
    voltage: float,
    load: float,
    inertia: float,
) -> tuple[float, float]:
    """Time [s] and angle [rad] from rest to ``speed`` [rad/s]; both infinite when it is never reached.

    Current limit [A], voltage limit [V], load [N m] against the motion, inertia at the stem [kg m^2].
    """
    strongest = min(current, voltage / resistance)
    rate = (drive_gain * strongest - load) / inertia
    if rate <= 0.0:
        return math.inf, math.inf
    corner = corner_speed(back_emf, resistance, current, voltage)
    first = min(speed, corner)
    time, angle = first / rate, 0.5 * first * first / rate
    if speed > corner:
        end = meeting_speed(drive_gain, back_emf, resistance, voltage, load)
        if speed >= end:
            return math.inf, math.inf
        tau = inertia * resistance / (drive_gain * back_emf)
        later = tau * math.log((end - corner) / (end - speed))
        time += later
        angle += end * later - tau * (speed - corner)
    return time, angle


NEARLY = 1.0 - 1e-9
"""Share of the meeting speed that counts as reached, since it is only approached [-]."""


def move(
    angle: float,
    speed_limit: float,
    drive_gain: float,
    brake_gain: float,
    back_emf: float,
    resistance: float,
    current: float,
    voltage: float,
    load: float,
    inertia: float,
) -> tuple[float, float]:
    """Shortest time [s] from rest to rest over an angle [rad], and the highest speed [rad/s] on the way.

    Infinite time and zero speed when the load can not be moved. Braking: full current and the load together.
    """
    meeting = meeting_speed(drive_gain, back_emf, resistance, voltage, load)
    strongest = min(current, voltage / resistance)
    if drive_gain * strongest <= load or meeting <= 0.0:
        return math.inf, 0.0
    if angle <= 0.0:
        return 0.0, 0.0
    brake = (brake_gain * current + load) / inertia
    top = min(speed_limit, meeting * NEARLY)
    time, covered = run_up(top, drive_gain, back_emf, resistance, current, voltage, load, inertia)
    covered += 0.5 * top * top / brake
    if covered <= angle:
        return time + top / brake + (angle - covered) / top, top
    low, high = 0.0, top
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle <= low or middle >= high:
            break
        _, way = run_up(middle, drive_gain, back_emf, resistance, current, voltage, load, inertia)
        if way + 0.5 * middle * middle / brake > angle:
            high = middle
        else:
            low = middle
    time, _ = run_up(low, drive_gain, back_emf, resistance, current, voltage, load, inertia)
    return time + low / brake, low


def run_up_energy(
    speed: float,
    drive_gain: float,
    back_emf: float,
    resistance: float,
    current: float,
    voltage: float,
    load: float,
    inertia: float,
) -> tuple[float, float]:
    """Electrical energy into the motor [J] and copper loss [J] of a run-up from rest to ``speed`` [rad/s].

    The rest of the electrical energy is motion, work on the load and the gears' loss. Infinite as in ``run_up``.
    """
    strongest = min(current, voltage / resistance)
    corner = corner_speed(back_emf, resistance, current, voltage)
    first = min(speed, corner)
    time, angle = run_up(first, drive_gain, back_emf, resistance, current, voltage, load, inertia)
    if time == math.inf:
        return math.inf, math.inf
    copper = resistance * strongest * strongest * time
    electrical = copper + back_emf * strongest * angle
    if speed > corner:
        whole, way = run_up(speed, drive_gain, back_emf, resistance, current, voltage, load, inertia)
        if whole == math.inf:
            return math.inf, math.inf
        later, turned = whole - time, way - angle
        end = meeting_speed(drive_gain, back_emf, resistance, voltage, load)
        tau = inertia * resistance / (drive_gain * back_emf)
        # Voltage over the resistance: settled + fading exp(-t/tau).
        settled, fading = voltage - back_emf * end, back_emf * (end - corner)
        left = math.exp(-later / tau)
        square = settled * settled * later + 2.0 * settled * fading * tau * (1.0 - left)
        square += 0.5 * fading * fading * tau * (1.0 - left * left)
        copper += square / resistance
        electrical += voltage * (voltage * later - back_emf * turned) / resistance
    return electrical, copper


def move_energy(
    angle: float,
    speed_limit: float,
    drive_gain: float,
    brake_gain: float,
    back_emf: float,
    resistance: float,
    current: float,
    voltage: float,
    load: float,
    inertia: float,
) -> tuple[float, float, float]:
    """Of the shortest move: energy taken by the motor [J], copper loss [J], energy it gives back in braking [J].

    Taken: run-up, cruise, and any part of the braking in which the copper loss exceeds what comes back. Given back is
    positive, from the fast part of the braking, at the drive's terminals before the drive's own loss. Infinite, infinite,
    zero when the load can not be moved.
    """
    time, top = move(angle, speed_limit, drive_gain, brake_gain, back_emf, resistance, current, voltage, load, inertia)
    if time == math.inf:
        return math.inf, math.inf, 0.0
    if top <= 0.0:
        return 0.0, 0.0, 0.0
    taken, copper = run_up_energy(top, drive_gain, back_emf, resistance, current, voltage, load, inertia)
    _, way = run_up(top, drive_gain, back_emf, resistance, current, voltage, load, inertia)
    brake = (brake_gain * current + load) / inertia
    cruise = max(angle - way - 0.5 * top * top / brake, 0.0)
    steady = load / drive_gain
    taken += (resistance * steady + back_emf * top) * steady * cruise / top
    copper += resistance * steady * steady * cruise / top
    # In braking the terminals see K w - R I times I: it comes back above this speed, and is taken below it.
    even = min(resistance * current / back_emf, top)
    copper += resistance * current * current * top / brake
    returned = back_emf * current * 0.5 * (top * top - even * even) / brake
    returned -= resistance * current * current * (top - even) / brake
    taken += resistance * current * current * even / brake - back_emf * current * 0.5 * even * even / brake
    return taken, copper, returned


# ------------------------------------------------------------------------------------------------------ ratios


def stem_acceleration(
    ratio: float, motor_torque: float, motor_inertia: float, load: float, load_inertia: float, efficiency: float
) -> float:
    """Acceleration of the stem [rad/s^2]: (N eta Tm - TL)/(N^2 eta Jm + JL); negative when the load is the stronger."""
    reflected = ratio * ratio * efficiency * motor_inertia + load_inertia
    return (ratio * efficiency * motor_torque - load) / reflected


def ratio_of_greatest_acceleration(
    motor_torque: float, motor_inertia: float, load: float, load_inertia: float, efficiency: float
) -> float:
    """Ratio [-] at which the stem accelerates most: TL/(eta Tm) + sqrt((TL/(eta Tm))^2 + JL/(eta Jm)).

    Without load sqrt(JL/(eta Jm)).
    """
    share = load / (efficiency * motor_torque)
    return share + math.sqrt(share * share + load_inertia / (efficiency * motor_inertia))


def ratio_of_shortest_move(
    motor_torque: float, motor_inertia: float, load: float, load_inertia: float, efficiency: float
) -> float:
    """Ratio [-] of the shortest triangular move against dry friction [N m], which helps to brake.

    Least sqrt(2 angle (1/a + 1/d)), a and d from eta N Tm less and plus the load: N^2 is the positive root of
    A B^2 x^2 - (3 A TL^2 + JL B^2) x - JL TL^2 = 0 with A = eta Jm, B = eta Tm (derived here). No speed limit.
    """
    a, b = efficiency * motor_inertia, efficiency * motor_torque
    middle = 3.0 * a * load * load + load_inertia * b * b
    root = math.sqrt(middle * middle + 4.0 * a * b * b * load_inertia * load * load)
    return math.sqrt((middle + root) / (2.0 * a * b * b))


# ------------------------------------------------------------------------------------------------------- stops


def kinetic_energy(inertia: float, speed: float) -> float:
    """Energy of motion [J] of an inertia [kg m^2] at a speed [rad/s]: what a stop must take up."""
    return 0.5 * inertia * speed * speed


def stop_torque(inertia: float, stiffness: float, speed: float, drive: float) -> float:
    """Peak torque [N m] in an elastic stop [N m/rad] hit at a speed [rad/s], with a torque [N m] still driving.

    T + sqrt(T^2 + J k w^2); sqrt(J k) w without drive. No damping, all the inertia behind the spring.
    """
    return drive + math.sqrt(drive * drive + inertia * stiffness * speed * speed)


# ------------------------------------------------------------------------------------------------ back-driving

LOCKS, SLIPS = 0.45, 0.55
"""Efficiency (motor drives) below which a worm or screw locks, and above which it does not; between them it depends on wear,
vibration and grease (bands of a gear maker's public FAQ; the theoretical edge is 0.5) [-]."""


def locks(efficiency: float) -> bool:
    """True when the train can surely not be driven back: ``efficiency`` motor drives, at rest, below ``LOCKS``."""
    return efficiency < LOCKS


def slips(efficiency: float) -> bool:
    """True when the train can surely be driven back: ``efficiency`` motor drives, at rest, above ``SLIPS``."""
    return efficiency > SLIPS


def backdrive_torque(ratio: float, efficiency: float, motor_friction: float) -> float:
    """Torque [N m] at the stem that turns an unpowered motor: N Tf/eta_back; infinite when the train locks.

    eta_back = 2 - 1/eta of the efficiency at rest (``gearing.backdrive_default``); motor friction with detent [N m].
    """
    back = gearing.backdrive_default(efficiency)
    return ratio * motor_friction / back if back > 0.0 else math.inf
