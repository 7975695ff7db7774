"""Motor, gear train, stem and drive of one valve as numbers, all SI."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from valvectl.design.schema import Leg
from valvectl.design.schema_actuator import Actuator
from valvectl.parts import gearing, motor
from valvectl.parts.command_shape import KINDS, PLAIN, Shape
from valvectl.parts.controller import CascadeGains
from valvectl.parts.controller_more import ANTI_WINDUP, PLAIN_CASCADE, STRUCTURES, ControllerMore
from valvectl.parts.encoder import count_size


@dataclass(frozen=True)
class Servo:
    """Motor, train, stem and drive of one valve, SI; angles and speeds of the stem unless said."""

    ratio: float
    train: gearing.Train
    motor_inertia: float
    """Rotor and stages at the motor shaft [kg m^2]."""
    load_inertia: float
    """Stem and ball [kg m^2]."""
    spring: float
    """Stiffness at the stem, motor held [N m/rad]."""
    damping: float
    """Contact damping [N m s/rad]."""
    half_gap: float
    """Half the lost motion of the train [rad]."""
    half_slot: float
    """Half the clearance between stem and ball [rad]."""
    motor_friction: float
    """Coulomb friction at the motor shaft with cold grease [N m]."""
    motor_viscous: float
    """Viscous friction at the motor shaft with cold grease [N m s/rad]."""
    resistance: float
    """Winding at the surroundings' temperature [ohm]."""
    hot_resistance: float
    """Winding at ``hot_winding`` [ohm]."""
    inductance: float
    torque_constant: float
    """At the surroundings' temperature [N m/A]."""
    hot_torque_constant: float
    """With the magnets as hot as the winding is assumed for the margin [N m/A]; cautious."""
    current_limit: float
    duty_limit: float
    harness: float
    idle_power: float
    position_on_motor: bool
    position_count: float
    """One count of the position encoder in stem angle [rad]; zero: not quantised."""
    speed_on_motor: bool
    speed_count: float
    position_accuracy: float
    """Bound of the position encoder's error, in stem angle [rad]."""
    position_period: float
    position_delay: float
    speed_period: float
    speed_delay: float
    current_period: float
    current_delay: float
    speed_filter: float
    feedforward: float
    speed_limit: float
    """Rate limit of the command and limit of the speed set-point [rad/s]."""
    hold_band: float
    command_step: float
    """Resolution of the position command's message, in stem angle [rad]; zero: not rounded."""
    gains: CascadeGains | None
    """Gains from the file; None: to be tuned."""
    return_preload: float = 0.0
    """Torque of the return spring at the closed stop, towards shut [N m]."""
    return_rate: float = 0.0
    """Its rise with opening [N m/rad]."""
    shape: Shape = PLAIN
    """How a new target becomes a command."""
    more: ControllerMore = PLAIN_CASCADE
    """Structure, feed-forward, anti-windup and notch."""
    speed_offset: float = 0.0
    """First sample of the speed loop after the position loop's [s]."""
    current_offset: float = 0.0
    """First sample of the current loop after the position loop's [s]."""
    observer_bandwidth: float = 0.0
    """Natural frequency of the tracking observer of the speed [rad/s]; zero: speed from differences."""
    observer_damping: float = 1.0
    position_sensor_lag: float = 0.0
    """Time constant of the position sensor ahead of its sampler [s]."""
    speed_sensor_lag: float = 0.0
    """The same of the speed loop's sensor [s]."""
    current_sensor_lag: float = 0.0
    """The same of the current measurement [s]."""
    position_jitter: float = 0.0
    """Plus or minus on the position loop's delay [s]."""
    speed_jitter: float = 0.0
    current_jitter: float = 0.0
    trim_gain: float = 0.0
    """Rate at which the stem's error is added to the command where the position loop is closed on the motor [1/s]."""
    trim_limit: float = 0.0
    """Largest trim of the command [rad]."""
    trim_count: float = 0.0
    """One count of the stem's encoder [rad]; zero: not quantised."""
    trim_sensor_lag: float = 0.0

    def without_feedforward(self) -> Servo:
        """The same servo with nothing of the command fed forward."""
        more = replace(self.more, feedforward_acceleration=0.0, feedforward_friction=0.0)
        return replace(self, feedforward=0.0, more=more)

    @property
    def acceleration_per_ampere(self) -> float:
        """Stem acceleration per motor current with both masses moving together, no friction [rad/s^2/A]."""
        factor = 0.5 * (1.0 / self.train.efficiency + self.train.backdrive_efficiency)
        inertia = self.motor_inertia + self.load_inertia * factor / self.ratio**2
        return self.torque_constant / inertia / self.ratio

    @property
    def total_inertia(self) -> float:
        """All inertia seen at the stem [kg m^2]."""
        return self.ratio**2 * self.motor_inertia + self.load_inertia


def stage_numbers(actuator: Actuator) -> list[gearing.StageNumbers]:
    """The gear stages of an actuator as numbers, motor side first."""
    return [
        gearing.StageNumbers(
            ratio=stage.ratio,
            efficiency=stage.efficiency,
            static_efficiency=stage.static_efficiency,
            backdrive_efficiency=(
                gearing.backdrive_default(stage.efficiency)
                if stage.backdrive_efficiency is None
                else stage.backdrive_efficiency
            ),
            inertia=stage.inertia,
            compliance=0.0 if stage.stiffness is None else 1.0 / stage.stiffness,
            lost_motion=stage.lost_motion,
        )
        for stage in actuator.gears
    ]


def coupling_compliance(actuator: Actuator) -> float:
    """Compliance between the last gear and the stem [rad/(N m)]; zero when rigid."""
    return 0.0 if actuator.coupling_stiffness is None else 1.0 / actuator.coupling_stiffness


def servo_numbers(leg: Leg, running: float) -> Servo:
    """Motor, train, stem and drive of a leg's design as numbers; ``running`` torque of the stem, mean of its travel [N m]."""
    actuator, controller, drive = leg.actuator, leg.controller, leg.actuator.motor
    train = gearing.combine(stage_numbers(actuator), coupling_compliance(actuator))
    speed_encoder = actuator.speed_encoder or actuator.position_encoder

    def count(location: str, counts: int) -> float:
        return count_size(counts) / (train.ratio if location == "motor" else 1.0)

    inertia = leg.valve.inertia
    place = actuator.position_encoder.location
    return Servo(
        ratio=train.ratio,
        train=train,
        motor_inertia=drive.rotor_inertia + train.motor_inertia,
        load_inertia=inertia,
        spring=train.stiffness,
        damping=2.0 * actuator.contact_damping * math.sqrt(train.stiffness * inertia),
        half_gap=0.5 * train.lost_motion,
        half_slot=0.5 * leg.valve.slot_clearance,
        motor_friction=drive.friction_torque * drive.cold_friction_factor,
        motor_viscous=drive.viscous_friction * drive.cold_friction_factor,
        resistance=motor.winding_resistance(drive.resistance, drive.resistance_coefficient, actuator.temperature),
        hot_resistance=motor.winding_resistance(drive.resistance, drive.resistance_coefficient, actuator.hot_winding),
        inductance=drive.inductance,
        torque_constant=motor.torque_constant(drive.torque_constant, drive.magnet_coefficient, actuator.temperature),
        hot_torque_constant=motor.torque_constant(
            drive.torque_constant, drive.magnet_coefficient, actuator.hot_winding
        ),
        current_limit=actuator.current_limit,
        duty_limit=actuator.duty_limit,
        harness=actuator.harness_resistance,
        idle_power=actuator.idle_power,
        position_on_motor=place == "motor",
        position_count=count(place, actuator.position_encoder.counts),
        speed_on_motor=speed_encoder.location == "motor",
        speed_count=count(speed_encoder.location, speed_encoder.counts),
        position_accuracy=actuator.position_encoder.accuracy / (train.ratio if place == "motor" else 1.0),
        position_period=controller.position_period,
        position_delay=controller.position_delay,
        speed_period=controller.speed_period,
        speed_delay=controller.speed_delay,
        current_period=controller.current_period,
        current_delay=controller.current_delay,
        speed_filter=controller.speed_filter,
        feedforward=controller.feedforward_speed,
        speed_limit=controller.command_speed_limit,
        hold_band=controller.hold_band,
        command_step=controller.command_step,
        return_preload=0.0 if actuator.return_spring is None else actuator.return_spring.preload,
        return_rate=0.0 if actuator.return_spring is None else actuator.return_spring.rate,
        **_sampling(leg),
        gains=None if controller.gains == "tune" else CascadeGains(**controller.gains.model_dump()),
        shape=Shape(
            kind=KINDS[controller.command_shape],
            acceleration=_or_infinite(controller.command_acceleration_limit),
            jerk=_or_infinite(controller.command_jerk_limit),
        ),
        more=_more(leg, train, running),
    )


def _or_infinite(value: float | None) -> float:
    return math.inf if value is None else value


def _more(leg: Leg, train: gearing.Train, running: float) -> ControllerMore:
    c, drive = leg.controller, leg.actuator.motor
    friction = drive.friction_torque + running / (train.ratio * train.efficiency)
    pid, observer = c.pid, c.state_feedback
    stated = None
    if pid is not None and pid.gain is not None and pid.integral_time is not None and pid.derivative_time is not None:
        stated = (pid.gain, pid.integral_time, pid.derivative_time)
    return ControllerMore(
        structure=STRUCTURES[c.structure],
        anti_windup=ANTI_WINDUP[c.anti_windup],
        tracking_time=c.tracking_time or 0.0,
        dead_zone=c.integral_dead_zone,
        feedforward_acceleration=c.feedforward_acceleration,
        feedforward_friction=c.feedforward_friction,
        friction_current=friction / drive.torque_constant,
        friction_speed=c.friction_speed,
        notch_frequency=c.notch_frequency or 0.0,
        notch_width=c.notch_width,
        notch_depth=c.notch_depth,
        bandwidth=2.0 * math.pi * (c.bandwidth or 0.0),
        damping=c.pole_damping,
        weight=c.setpoint_weight,
        pid=stated,
        derivative_filter=20.0 if pid is None else pid.derivative_filter,
        observer_factor=12.0 if observer is None else observer.observer_factor,
    )


def _sampling(leg: Leg) -> dict[str, float]:
    """Offsets, observer, sensor lags, jitter and trim of a leg's design as numbers."""
    actuator, controller = leg.actuator, leg.controller
    stem = actuator.stem_encoder
    return {
        "speed_offset": controller.speed_offset,
        "current_offset": controller.current_offset,
        "observer_bandwidth": controller.observer_bandwidth or 0.0 if controller.speed_from == "observer" else 0.0,
        "observer_damping": controller.observer_damping,
        "position_sensor_lag": actuator.position_encoder.lag,
        "speed_sensor_lag": (actuator.speed_encoder or actuator.position_encoder).lag,
        "current_sensor_lag": controller.current_sensor_lag,
        "position_jitter": controller.position_jitter,
        "speed_jitter": controller.speed_jitter,
        "current_jitter": controller.current_jitter,
        "trim_gain": controller.stem_trim,
        "trim_limit": controller.stem_trim_limit,
        "trim_count": 0.0 if stem is None else count_size(stem.counts),
        "trim_sensor_lag": 0.0 if stem is None else stem.lag,
    }
