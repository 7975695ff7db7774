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
from valvectl.parts.torque_rule_table import RULES
from valvectl.plant.linear import engine_model
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.plant.servo_numbers import Servo, coupling_compliance, stage_numbers
from valvectl.servo.tune import NOISE_SHARE
from valvectl.studies.actuator_checks import Demand, Numbers
from valvectl.studies.resolution import step_causes
from valvectl.studies.torque import largest_pressure_drop, standstill_current, stem_torque_needed
from valvectl.studies.torque_demand import least_acceleration


def leg_demand(design: DesignFile, machine: Machine, schedule: Schedule, name: LegName) -> Demand:
    """What a leg asks of any actuator; worked out once a leg."""
    leg, servo, given = machine.legs[name], machine.legs[name].servo, design.leg(name)
    limits = design.requirements
    gains = [engine_model(machine, point).slopes[name].angle_gain for point in schedule.points]
    jump = max(step_causes(machine, name, point)["jump after sticking"] for point in schedule.points)
    speed_sensor = given.actuator.speed_encoder or given.actuator.position_encoder
    rule = RULES[limits.torque_rule] if limits.torque_rule else None
    small = 0.5 * servo.current_period + servo.current_delay
    stroke = leg.open_stop - leg.closed_stop
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
        lag=2.0 * small + servo.speed_period + servo.speed_delay + servo.speed_filter,
        speed_on_motor=servo.speed_on_motor,
        speed_count=count_size(speed_sensor.counts),
        speed_period=servo.speed_period,
        battery=machine.battery_minimum,
        battery_resistance=machine.battery_resistance,
        other_current=machine.other_loads + _other_drive(machine, name),
        idle_power=servo.idle_power,
        lockout=machine.undervoltage,
        torque_margin=limits.torque_margin,
        dynamic_margin=limits.torque_dynamic_margin if rule is not None and rule.dynamic_margin else math.nan,
        stroke_time=limits.stroke_time,
        motor_speed=limits.motor_speed,
        flow_resolution=limits.flow_resolution,
        gear_torque=limits.gear_torque,
        bus_limit=limits.bus_voltage,
        heating=limits.motor_heating,
        noise_share=NOISE_SHARE,
    )


def _other_drive(machine: Machine, name: LegName) -> float:
    """Bus current [A] of the other drives with all their voltage and current on the motor: more than they can draw."""
    total = 0.0
    for other in LEGS:
        if other != name:
            s = machine.legs[other].servo
            current, volts = standstill_current(machine, other, machine.battery_minimum)
            total += bus.drive_current(s.duty_limit * volts, current, volts, s.idle_power)
    return total


def stem_torques(machine: Machine, name: LegName) -> tuple[float, float]:
    """Largest breakaway and running torque of a valve [N m], cold, at the largest pressure difference, breakaway after a rest."""
    leg, drop = machine.legs[name], largest_pressure_drop(machine, name)
    breakaway = float(np.max(stem_torque_needed(leg, drop, breakaway=True, dwell=leg.dwell_factor)))
    return breakaway, float(np.max(stem_torque_needed(leg, drop, breakaway=False)))


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
