"""Torque demand of a valve by its contributions, and the margin by named rules: at the stem and at the motor's shaft.

Demand: worst-case torques against opening at the opening where the whole is largest, every toleranced input at its adverse
bound (``studies.adverse``). A factor that the table already holds (``torque.includes_factor``) has been divided out, here as
everywhere. Friction counts as measured only where the design says so of breakaway torque and, for a cold valve, of the cold
factor: a warm measurement says nothing about the cold.

At the stem (after the gears) the motor's friction and the gears' loss are on the side of what is available, at breakaway
efficiency. At the shaft (before the gears) they are part of the demand, as friction, and available is the motor's torque
alone: a rule's factor then falls on them too, which is why that margin can be the smaller one.

Dynamic margin: inertia times the least acceleration with which a full stroke takes ``requirements.stroke_time`` within the
commanded speed limit, against the torque left at that speed on a sagging bus over the resistance at breakaway (cautious: it
runs easier than it breaks away).
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.parts import friction
from valvectl.parts.lookup import FloatArray
from valvectl.parts.return_spring import return_torque
from valvectl.parts.torque_rule_table import RULES
from valvectl.parts.torque_rules import Contribution, MarginResult, MarginRule, assess
from valvectl.plant.machine import LegMachine, Machine
from valvectl.studies.result import Result
from valvectl.studies.torque import available_torque, largest_pressure_drop, standstill_current


@dataclass(frozen=True)
class Corner:
    """Stem torque over the travel at a named corner; arrays of shape (n,), against the motion, zero where the valve would go
    by itself [N m]."""

    name: str
    opening_break: FloatArray
    opening_run: FloatArray
    closing_break: FloatArray
    closing_run: FloatArray

    def at_ends(self, angle: FloatArray) -> dict[str, float]:
        """The trade's six torques [N m]: break and end of either way at the stops, running as the largest between."""
        inner = slice(angle.size // 8, -(angle.size // 8))
        return {
            "break to open": float(self.opening_break[0]),
            "run to open": float(np.max(self.opening_run[inner])),
            "end to open": float(self.opening_run[-1]),
            "break to close": float(self.closing_break[-1]),
            "run to close": float(np.max(self.closing_run[inner])),
            "end to close": float(self.closing_run[0]),
        }


@dataclass(frozen=True)
class RuleMargins:
    """Margins by one rule."""

    stem: MarginResult
    """After the gears."""
    shaft: MarginResult
    """Before the gears."""

    @property
    def smaller(self) -> float:
        """The smaller static margin of both places [-]."""
        return min(self.stem.margin, self.shaft.margin)


@dataclass(frozen=True)
class TorqueDemand(Result):
    """Torque demand of one leg and its margins."""

    leg: LegName
    angle: FloatArray
    """Opening [rad], shape (n,)."""
    corners: tuple[Corner, ...]
    """From the easiest to the worst."""
    worst_angle: float
    """Opening of the largest demand [rad]."""
    measured: bool
    """True when friction counts as measured."""
    measured_why: str
    """Why, or why not."""
    current: float
    """Motor current behind the available torque [A]."""
    bus_voltage: float
    """[V]"""
    stem_available: float
    """At rest, after the gears [N m]."""
    shaft_available: float
    """At rest, motor alone [N m]."""
    acceleration: float
    """Of the stem, as the dynamic margin takes it [rad/s^2]."""
    rules: dict[str, RuleMargins] = field(repr=False)
    """By every known rule."""
    chosen: str
    """Rule that the design names; empty when it names none."""
    moved: tuple[str, ...] = ()
    """Toleranced inputs at their adverse bound."""

    def columns(self) -> dict[str, Any]:
        rules = list(self.rules.values())
        return {
            "rule": list(self.rules),
            "required at the stem [N m]": [r.stem.required for r in rules],
            "margin after the gears [%]": [100.0 * r.stem.margin for r in rules],
            "margin before the gears [%]": [100.0 * r.shaft.margin for r in rules],
            "dynamic margin [%]": [100.0 * r.stem.dynamic_margin for r in rules],
            "dynamic wanted [%]": [
                math.nan if r.stem.rule.dynamic_margin is None else 100.0 * r.stem.rule.dynamic_margin for r in rules
            ],
            "certainty": [r.stem.rule.certainty for r in rules],
        }

    def to_dict(self) -> dict[str, Any]:
        """All fields; of each rule its margins, required torque, clause and certainty."""
        out = super().to_dict()
        out["rules"] = {
            name: {
                "required_at_stem": r.stem.required,
                "margin_after_gears": r.stem.margin,
                "margin_before_gears": r.shaft.margin,
                "dynamic_margin": None if math.isnan(r.stem.dynamic_margin) else r.stem.dynamic_margin,
                "clause": r.stem.rule.clause,
                "certainty": r.stem.rule.certainty,
                "note": r.stem.rule.note,
            }
            for name, r in self.rules.items()
        }
        return out


def corner(leg: LegMachine, name: str, drop: float, cold: float, dwell: float) -> Corner:
    """Stem torque over the travel both ways at a pressure drop [Pa], cold and dwell factor [-]."""
    rise = cold * friction.pressure_rise(leg.relative_slope, drop)
    helping = friction.hydrodynamic_torque(leg.hydrodynamic, leg.bore, drop) + return_torque(
        leg.characteristic.angles - leg.closed_stop,  # type: ignore[arg-type]
        leg.servo.return_preload,
        leg.servo.return_rate,
    )
    shut = np.asarray(helping)

    def against(table: FloatArray, sign: float, factor: float = 1.0) -> FloatArray:
        return np.maximum(rise * factor * table + sign * shut, 0.0)

    return Corner(
        name=name,
        opening_break=against(leg.breakaway, +1.0, dwell),
        opening_run=against(leg.running, +1.0),
        closing_break=against(leg.breakaway, -1.0, dwell),
        closing_run=against(leg.running, -1.0),
    )


def friction_measured(design: DesignFile, name: LegName) -> tuple[bool, str]:
    """Whether friction counts as measured, and why."""
    at = f"legs.{name}.valve.torque"
    table = design.inputs.get(f"{at}.breakaway")
    cold = design.inputs.get(f"{at}.cold_factor")
    if table is None or table.origin != "measured":
        return False, "breakaway torque is not said to be measured"
    if design.leg(name).valve.torque.cold_factor > 1.0 and (cold is None or cold.origin != "measured"):
        return False, "breakaway was measured warm, but the cold factor is not said to be measured"
    return True, "breakaway torque is said to be measured" + (", cold factor too" if cold is not None else "")


def least_acceleration(way: float, time: float, speed: float) -> float:
    """Least acceleration [rad/s^2] of a move over ``way`` [rad] in ``time`` [s] within a speed [rad/s], from rest to rest with
    equal braking; infinite when the speed does not suffice (kinematics)."""
    if speed * time >= 2.0 * way:
        return 4.0 * way / (time * time)
    spare = time - way / speed
    return speed / spare if spare > 0.0 else math.inf


def _parts(leg: LegMachine, drop: float, index: int, measured: bool, includes: float) -> list[Contribution]:
    angle = float(leg.characteristic.angles[index])
    rise = leg.cold_factor * leg.dwell_factor * friction.pressure_rise(leg.relative_slope, drop)
    parts = [
        Contribution(
            "stem friction, breakaway", "friction", includes * rise * float(leg.breakaway[index]), measured, includes
        ),
        Contribution("stream", "stream", friction.hydrodynamic_torque(leg.hydrodynamic, leg.bore, drop)),
    ]
    spring = return_torque(angle - leg.closed_stop, leg.servo.return_preload, leg.servo.return_rate)
    if spring > 0.0:
        parts.append(Contribution("return spring", "spring", spring))
    return [p for p in parts if p.torque > 0.0]


def torque_demand(
    design: DesignFile,
    nominal: Machine,
    worst: Machine,
    moved: tuple[str, ...],
    name: LegName,
) -> TorqueDemand:
    """Torque demand and margins of one leg. ``worst`` has the toleranced inputs at their adverse bounds."""
    leg, plain = worst.legs[name], nominal.legs[name]
    servo = leg.servo
    drop, most = largest_pressure_drop(nominal, name), largest_pressure_drop(worst, name)
    corners = (
        corner(plain, "warm, no pressure", 0.0, 1.0, 1.0),
        corner(plain, "warm, largest pressure", drop, 1.0, 1.0),
        corner(plain, "cold, largest pressure", drop, plain.cold_factor, 1.0),
        corner(plain, "cold, long rest", drop, plain.cold_factor, plain.dwell_factor),
        corner(leg, "cold, long rest, tolerances adverse", most, leg.cold_factor, leg.dwell_factor),
    )
    index = int(np.argmax(corners[-1].opening_break))
    measured, why = friction_measured(design, name)
    includes = design.leg(name).valve.torque.includes_factor
    current, volts = standstill_current(worst, name, worst.battery_minimum)
    n, static = servo.ratio, servo.train.static_efficiency
    at_stem = available_torque(worst, name, current)
    at_shaft = servo.hot_torque_constant * current
    acceleration = least_acceleration(
        leg.open_stop - leg.closed_stop, design.requirements.stroke_time, servo.speed_limit
    )
    inertia = servo.total_inertia * acceleration if math.isfinite(acceleration) else 0.0
    running_current = min(
        servo.current_limit,
        max((servo.duty_limit * volts - servo.torque_constant * n * servo.speed_limit) / servo.hot_resistance, 0.0),
    )
    moving_shaft = servo.hot_torque_constant * running_current
    moving_stem = n * servo.train.efficiency * max(moving_shaft - servo.motor_friction, 0.0)
    if not math.isfinite(acceleration):
        moving_shaft = moving_stem = math.nan  # no torque makes up for a speed limit that is too low: not assessed
    parts = _parts(leg, most, index, measured, includes)
    accelerating = Contribution("acceleration of the stroke wanted", "inertia", inertia)
    bare = sum(p.torque / (p.includes_factor or 1.0) for p in parts)
    shaft_parts = [
        *(dataclasses.replace(p, torque=p.torque / n) for p in parts),
        Contribution("loss of the gears at breakaway", "friction", bare / n * (1.0 / static - 1.0)),
        Contribution("motor friction and cogging, cold", "motor magnetic", servo.motor_friction),
        dataclasses.replace(accelerating, torque=inertia / n),
    ]

    def by(rule: MarginRule) -> RuleMargins:
        return RuleMargins(
            stem=assess(rule, [*parts, accelerating], at_stem, moving_stem),
            shaft=assess(rule, [p for p in shaft_parts if p.torque > 0.0], at_shaft, moving_shaft),
        )

    return TorqueDemand(
        leg=name,
        angle=leg.characteristic.angles,
        corners=corners,
        worst_angle=float(leg.characteristic.angles[index]),
        measured=measured,
        measured_why=why,
        current=current,
        bus_voltage=volts,
        stem_available=at_stem,
        shaft_available=at_shaft,
        acceleration=acceleration,
        rules={key: by(rule) for key, rule in RULES.items()},
        chosen=design.requirements.torque_rule or "",
        moved=tuple(key for key in moved if key.startswith((f"legs.{name}.", "battery."))),
    )
