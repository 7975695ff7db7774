"""Numbers for ``actuator_checks`` from a design: what a leg asks for, and its own actuator."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, LegName
from valvectl.design.schema_actuator import Actuator
from valvectl.parts import bus
from valvectl.parts.encoder import count_size
from valvectl.plant.linear import engine_model
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.plant.servo_numbers import Servo, coupling_compliance, stage_numbers
from valvectl.servo.tune import NOISE_SHARE
from valvectl.studies.actuator_checks import Demand, Numbers
from valvectl.studies.resolution import step_causes
from valvectl.studies.torque import greatest_need, largest_pressure_drop, rule_in_force, standstill_current
from valvectl.studies.torque_moves import least_acceleration


def leg_demand(
    design: DesignFile, machine: Machine, schedule: Schedule, name: LegName, static_wanted: float | None = None
) -> Demand:
    """What a leg asks of any actuator; worked out once a leg.

    ``static_wanted``: plain static margin [-] that a named torque rule asks for at the design's ratio (how a rule that counts
    inertia changes with the ratio is not followed), NaN: not judged; by default ``requirements.torque_margin``.
    """
    leg, servo, given = machine.legs[name], machine.legs[name].servo, design.leg(name)
    limits = design.requirements
    gains = [engine_model(machine, point).slopes[name].angle_gain for point in schedule.points]
    jump = max(step_causes(machine, name, point)["jump after sticking"] for point in schedule.points)
    speed_sensor = given.actuator.speed_encoder or given.actuator.position_encoder
    named = limits.torque_rule is not None
    dynamic = limits.dynamic_torque_margin
    if dynamic is None and named:
        dynamic = rule_in_force(limits).dynamic_margin
    small = 0.5 * servo.current_period + servo.current_delay
    stroke = leg.open_stop - leg.closed_stop
    top = min(servo.speed_limit, 2.0 * stroke / limits.stroke_time)
    return Demand(
        stroke=stroke,
        span=float(np.ptp(schedule.angle[name])),
        speed_limit=servo.speed_limit,
        acceleration=least_acceleration(stroke, limits.stroke_time, servo.speed_limit),
        flow_gain=float(np.max(gains)),
        jump_torque=jump * servo.spring,
        position_on_motor=servo.position_on_motor,
        count=count_size(given.actuator.position_encoder.counts),
        fixed_step=max(servo.command_step, 2.0 * servo.hold_band),
        slot=2.0 * servo.half_slot,
        lag=2.0 * small + servo.speed_period + servo.speed_delay + servo.speed_filter + _estimate_lag(servo),
        speed_on_motor=servo.speed_on_motor,
        speed_count=count_size(speed_sensor.counts),
        speed_period=servo.speed_period,
        battery=machine.battery_minimum,
        battery_resistance=machine.battery_resistance,
        other_current=machine.other_loads + other_drive(machine, name),
        stroke_speed=top,
        other_moving=machine.other_loads + other_drive(machine, name, top),
        idle_power=servo.idle_power,
        lockout=machine.undervoltage,
        torque_margin=limits.torque_margin if static_wanted is None else static_wanted,
        dynamic_margin=math.nan if dynamic is None else dynamic,
        stroke_time=limits.stroke_time,
        motor_speed=limits.motor_speed,
        flow_resolution=limits.flow_resolution,
        gear_torque=limits.gear_torque,
        bus_limit=limits.bus_voltage,
        heating=limits.motor_heating,
        noise_share=NOISE_SHARE,
    )


def other_drive(machine: Machine, name: LegName, speed: float | None = None) -> float:
    """Bus current [A] of the other drives: at a stem speed [rad/s] what they then draw, without one all their voltage and
    current on the motor, which is more than they can draw."""
    total = 0.0
    for other in LEGS:
        if other != name:
            s = machine.legs[other].servo
            current, volts = standstill_current(machine, other, machine.battery_minimum, speed or 0.0)
            most = s.duty_limit * volts
            if speed is not None:
                most = min(most, s.hot_resistance * current + s.torque_constant * s.ratio * speed)
            total += bus.drive_current(most, current, volts, s.idle_power)
    return total


def stem_torques(machine: Machine, name: LegName) -> tuple[float, float]:
    """Largest breakaway and running torque of a valve either way [N m], cold, at the largest pressure difference, breakaway
    after a rest."""
    leg, drop = machine.legs[name], largest_pressure_drop(machine, name)
    return (
        greatest_need(leg, drop, breakaway=True, dwell=leg.dwell_factor),
        greatest_need(leg, drop, breakaway=False),
    )


def actuator_numbers(actuator: Actuator, servo: Servo, machine: Machine, name: LegName) -> Numbers:
    """An actuator on a leg as numbers. ``servo`` is its own; ``machine`` lends valve, battery and the other drive."""
    drive = actuator.motor
    holding = machine.with_leg(name, servo=servo)
    current, volts = standstill_current(holding, name, machine.battery_minimum)
    breakaway, running = stem_torques(machine, name)
    return Numbers(
        resistance=drive.resistance,
        torque_constant=drive.torque_constant,
        resistance_coefficient=drive.resistance_coefficient,
        magnet_coefficient=drive.magnet_coefficient,
        rotor_inertia=drive.rotor_inertia,
        friction=servo.motor_friction,
        viscous=servo.motor_viscous,
        max_speed=drive.max_speed,
        temperature_limit=drive.temperature_limit,
        thermal_resistance=drive.thermal_resistance,
        stages=tuple(stage_numbers(actuator)),
        torque_limits=tuple(math.inf if s.torque_limit is None else s.torque_limit for s in actuator.gears),
        speed_limits=tuple(math.inf if s.speed_limit is None else s.speed_limit for s in actuator.gears),
        coupling=coupling_compliance(actuator),
        current_limit=actuator.current_limit,
        duty=actuator.duty_limit,
        harness=actuator.harness_resistance,
        temperature=actuator.temperature,
        hot_winding=actuator.hot_winding,
        hot_surroundings=actuator.hot_surroundings,
        standing_current=current,
        bus_voltage=volts,
        breakaway=breakaway,
        running=running,
        load_inertia=servo.load_inertia,
    )


def with_last_stage(numbers: Numbers, factors: object) -> Numbers:
    """The same with its last stage's ratio times a factor or an array of factors."""
    last = numbers.stages[-1]
    changed = dataclasses.replace(last, ratio=last.ratio * np.asarray(factors))  # type: ignore[arg-type]
    return dataclasses.replace(numbers, stages=(*numbers.stages[:-1], changed))


def _estimate_lag(servo: Servo) -> float:
    """Lag of the speed's estimate [s] beyond that of a difference: sensor, and observer (2 z/w at low frequency)."""
    if servo.observer_bandwidth <= 0.0:
        return servo.speed_sensor_lag
    observer = 2.0 * servo.observer_damping / servo.observer_bandwidth - 0.5 * servo.speed_period
    return servo.speed_sensor_lag + max(observer, 0.0)
