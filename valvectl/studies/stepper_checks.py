"""Checks of stepping motors on a valve: pull-out torque, lost steps, microsteps; the names are those of ``actuator_checks`` where
they ask the same.

Current amplitude of a phase: the rated current. Voltage amplitude: the bus voltage, which a square wave could exceed by 4/pi.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.parts import bang_bang, motor, power_bus, stepper
from valvectl.parts.lookup import FloatArray
from valvectl.studies.actuator_checks import (
    ActuatorCheck,
    Demand,
    Numbers,
    each,
    seen,
    share_of_rise,
    smallest_step,
    through_stages,
)

DERATED = 0.7
"""Share of the pull-out torque of the ideal motor that is counted on (common practice, no source: 10 to 30 % is lost)."""
LOST_STEP_MARGIN = 0.5
"""Pull-out torque at the top of the ramp over the torque of the ramp, less one, at least (common practice, no source)."""
MICROSTEPS = 16.0
"""Microsteps to a full step that the driver is taken to make (common practice, no source)."""


@dataclass(frozen=True)
class StepperData:
    """What only steppers have, arrays of shape (n,)."""

    teeth: FloatArray
    detent: FloatArray
    """[N m]"""
    inductance: FloatArray
    """Of a phase [H]."""
    rated: FloatArray
    """Current of a phase at which a curve was measured [A]."""
    curves: tuple[tuple[tuple[float, float], ...], ...]
    """Measured pull-out curves: speed [rad/s], torque [N m]; empty where there is none."""
    supply: FloatArray
    """Supply of each curve [V]."""


def stepper_checks(demand: Demand, numbers: Numbers, worst: Numbers, data: StepperData) -> tuple[ActuatorCheck, ...]:
    """Judged checks of steppers, shape (n,). In both ``Numbers`` the torque constant is that of a phase and the current limit
    the amplitude of a phase's current.

    A measured pull-out curve is taken as it is, its speeds at the same share of the supply (``speed_on_stated_voltage``), its
    torque lowered with a current limit below the rated one; the ideal motor's counts by ``DERATED``.
    """
    s, w = seen(numbers), seen(worst)
    n, through = s.train.ratio, s.train.ratio * s.train.efficiency
    teeth, detent, inductance = data.teeth, data.detent, data.inductance

    def pull_out(speed: Any, found: Any, limit: Any, volts: Any) -> FloatArray:
        ideal = DERATED * each(
            stepper.pull_out_torque, speed, found.hot_constant, limit, volts, found.resistance, inductance, teeth
        )
        speeds, supplies, limits, weak = (
            np.broadcast_to(v, ideal.shape) for v in (speed, volts, limit, found.hot_constant / s.constant)
        )
        for j, curve in enumerate(data.curves):
            if curve and supplies[j] > 0.0:
                at = stepper.speed_on_stated_voltage(float(speeds[j]), float(supplies[j]), float(data.supply[j]))
                xs, ys = (np.array(column) for column in zip(*curve, strict=True))
                share = min(float(limits[j]) / float(data.rated[j]), 1.0) * min(float(weak[j]), 1.0)
                ideal[j] = share * stepper.pull_out_from_table(xs, ys, at)
        return ideal

    shaft_speed = n * demand.speed_limit
    at_top = pull_out(shaft_speed, s, numbers.current_limit, s.voltage)
    at_rest = pull_out(0.0, w, worst.current_limit, w.voltage)
    available = w.train.ratio * w.train.static_efficiency * np.maximum(at_rest - detent, 0.0)
    load = numbers.running / through
    inertia = s.motor_inertia + numbers.load_inertia / (n * through)
    wanted = n * demand.acceleration
    shape = np.broadcast_shapes(np.shape(n), np.shape(teeth))
    lost = -np.ones(shape)  # a speed limit that forbids the stroke: no torque makes up for it
    if math.isfinite(demand.acceleration):
        lost = each(stepper.lost_step_margin, at_top, inertia, wanted, load)
    # the ramp that keeps the margin against a lost step, not the one that is just about to lose one
    rate = np.maximum(at_top / (1.0 + LOST_STEP_MARGIN) - load, 0.0) / inertia / n
    times = each(
        bang_bang.trapezoidal_time, demand.stroke, np.maximum(rate, 1e-9), np.maximum(rate, 1e-9), demand.speed_limit
    )
    holding = s.hot_constant * numbers.current_limit
    micro = np.maximum(
        each(stepper.full_step, teeth) / MICROSTEPS, 2.0 * each(stepper.detent_error, detent, holding, teeth)
    )
    tooth, fast = through_stages(numbers)
    level = demand.battery - demand.battery_resistance * demand.other_current
    power = s.resistance * numbers.current_limit**2 + holding * shaft_speed + demand.idle_power
    bus = each(power_bus.bus_voltage, level, demand.battery_resistance + numbers.harness, power, 0.0)
    # Two phases a quarter apart: the loss at rest is R I^2 of the amplitude.
    winding = each(
        motor.winding_temperature, numbers.hot_surroundings, numbers.current_limit, numbers.resistance,
        numbers.resistance_coefficient, numbers.thermal_resistance,
    )  # fmt: skip
    rise = share_of_rise(winding, numbers.hot_surroundings, numbers.temperature_limit)
    rows: list[tuple[str, Any, float, bool, str, str]] = [
        ("static torque margin", 100.0 * (available / worst.breakaway - 1.0), 100.0 * demand.torque_margin, True, "%",
         "requirements.torque_margin, pull-out torque at rest"),
        ("stroke time", np.where(rate > 0.0, times, math.inf), demand.stroke_time, False, "s",
         "requirements.stroke_time, lost-step margin kept"),
        ("lost-step margin", 100.0 * lost, 100.0 * LOST_STEP_MARGIN, True, "%", "common practice, no source"),
        ("motor speed", 100.0 * shaft_speed / numbers.max_speed, 100.0 * demand.motor_speed, False, "% of limit",
         "requirements.motor_speed"),
        ("flow step", 100.0 * demand.flow_gain * np.maximum(smallest_step(demand, s), micro / n),
         100.0 * demand.flow_resolution, False, "%", "requirements.flow_resolution, microsteps and detent included"),
        ("gear torque", 100.0 * tooth, 100.0 * demand.gear_torque, False, "% of limit", "requirements.gear_torque"),
        ("gear speed", 100.0 * fast * demand.speed_limit, 100.0, False, "% of limit", "speed_limit of the stages"),
        ("bus voltage", bus / demand.lockout, demand.bus_limit, True, "x lockout", "requirements.bus_voltage"),
        ("motor heating", 100.0 * rise, 100.0 * demand.heating, False, "% of rise",
         "requirements.motor_heating, full current at rest without end"),
    ]  # fmt: skip
    return tuple(
        ActuatorCheck(
            name,
            np.array(np.broadcast_to(value, shape), dtype=float),
            limit,
            least,
            unit,
            note,
            100.0 if name.endswith("margin") else 0.0,
        )
        for name, value, limit, least, unit, note in rows
    )
