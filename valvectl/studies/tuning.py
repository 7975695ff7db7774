"""Gains that hold at every corner: the corners of a design, the optimised gains, and rules with sources beside them.

Seven things that may differ make 128 corners: rotor inertia, torque constant, winding temperature (resistance and magnets),
friction of stem and motor, the valve's angle (friction where the seats press and in mid-travel), battery voltage, delay of the
position loop. Those that the linear loop does not know of (stem friction, angle, battery) share its linear variants.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.parts import tuning_rules
from valvectl.parts.controller import CascadeGains
from valvectl.plant.machine import Machine
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.optimise import Corner, Held, Limits, Optimum, Problem, Progress, least, optimise
from valvectl.studies.result import Result
from valvectl.studies.torque import standstill_current

WINDOW = 0.2
"""Part of the fastest change that is looked at [s]."""
SCHEDULED = ("valve angle", "battery", "winding")
"""What a controller can know, by which gains may be switched."""


@dataclass(frozen=True)
class Factor:
    """One thing that may differ, with its two sides as texts."""

    name: str
    low: str
    high: str
    source: str
    """Where the spread comes from."""


@dataclass(frozen=True)
class RuleGains:
    """Gains of a published rule, and how they fare at the corners."""

    rule: str
    source: str
    gains: CascadeGains
    worst: Held
    """The constraint with the least reserve."""
    error: float
    """Mean error of the stem, worst corner [rad]."""


@dataclass(frozen=True)
class Switched:
    """Gains for one side of something the controller knows."""

    by: str
    side: str
    gains: CascadeGains
    feasible: bool
    error: float


@dataclass(frozen=True)
class TuningResult(Result):
    """Gains of one leg over its corners."""

    leg: LegName
    before: CascadeGains
    """In use: of the design file, or of the rule."""
    gains: CascadeGains
    """Found."""
    feasible: bool
    """True when they keep every constraint at every corner."""
    held: tuple[Held, ...]
    """Every constraint at its worst corner, with the gains found."""
    before_worst: Held
    """Least reserve of the gains in use."""
    error: float
    """Mean error of the stem in the change looked at, worst corner [rad]."""
    error_corner: str
    before_error: float
    flow_error: float
    """The same as error of flow [-], at the steepest setting."""
    speed: float
    """Stem speed of the change looked at [rad/s]."""
    factors: tuple[Factor, ...]
    corners: int
    variants: int
    """Different linear loops among them."""
    rules: tuple[RuleGains, ...]
    switched: tuple[Switched, ...]
    """Offered when no one set of gains keeps everything."""
    reason: str
    trials: int

    @property
    def binding(self) -> tuple[Held, ...]:
        """Constraints that stop the gains."""
        return tuple(h for h in self.held if h.binding)

    def columns(self) -> dict[str, Any]:
        return {
            "loop": [h.loop for h in self.held],
            "constraint": [h.name for h in self.held],
            "worst": [h.value for h in self.held],
            "operator": [">=" if h.at_least else "<=" for h in self.held],
            "limit": [h.limit for h in self.held],
            "unit": [h.unit for h in self.held],
            "reserve [%]": [100.0 * h.reserve for h in self.held],
            "kept": [h.kept for h in self.held],
            "binding": [h.binding for h in self.held],
            "corner": [h.corner for h in self.held],
        }


def _spread(design: DesignFile, name: LegName, key: str, default: float, words: str) -> tuple[float, str]:
    """Relative half-width of an input, and where it comes from."""
    item = design.inputs.get(f"legs.{name}.{key}")
    if item is not None and item.tolerance is not None:
        widths = item.half_widths()
        values = item.value if isinstance(item.value, tuple) else (item.value,)
        found = max((w / abs(float(v)) for w, v in zip(widths, values, strict=True) if v), default=0.0)
        if found > 0.0:
            return min(found, 0.95), f"tolerance of {key}"
    return default, f"tuning.{words}"


def corners_of(design: DesignFile, machine: Machine, name: LegName) -> tuple[tuple[Corner, ...], tuple[Factor, ...]]:
    """Every combination of the seven factors of a leg."""
    tuning, leg = design.data.tuning, machine.legs[name]
    servo, actuator = leg.servo, design.leg(name).actuator
    inertia, by_inertia = _spread(design, name, "actuator.motor.rotor_inertia", tuning.inertia, "inertia")
    constant, by_constant = _spread(
        design, name, "actuator.motor.torque_constant", tuning.torque_constant, "torque_constant"
    )
    rubbing, by_friction = _spread(design, name, "valve.torque.running", tuning.friction, "friction")
    late = tuning.delay * servo.position_delay + servo.position_jitter
    running = leg.cold_factor * leg.running
    angles = (float(np.min(running)), float(np.max(running)))
    buses = tuple(
        standstill_current(machine, name, battery)[1] for battery in (machine.battery, machine.battery_minimum)
    )
    factors = (
        Factor("inertia", f"-{100 * inertia:.3g} %", f"+{100 * inertia:.3g} %", by_inertia),
        Factor("torque constant", f"-{100 * constant:.3g} %", f"+{100 * constant:.3g} %", by_constant),
        Factor("winding", f"{actuator.temperature - 273.15:.0f} degC", f"{actuator.hot_winding - 273.15:.0f} degC",
               "actuator.temperature and hot_winding"),
        Factor("friction", f"-{100 * rubbing:.3g} %", f"+{100 * rubbing:.3g} %", by_friction),
        Factor("valve angle", f"{angles[0]:.3g} N m", f"{angles[1]:.3g} N m", "running torque over the travel, cold"),
        Factor("battery", f"{buses[0]:.3g} V", f"{buses[1]:.3g} V", "battery.voltage and minimum_voltage, sagging"),
        Factor("delay", f"-{1e3 * min(late, servo.position_delay):.3g} ms", f"+{1e3 * late:.3g} ms",
               "tuning.delay and jitter"),
    )  # fmt: skip
    out = []
    for sides in itertools.product((0, 1), repeat=len(factors)):
        i, k, t, f, a, b, d = sides
        sign = [-1.0, 1.0]
        resistance = servo.hot_resistance if t else servo.resistance
        torque_constant = servo.hot_torque_constant if t else servo.torque_constant
        variant = dataclasses.replace(
            servo,
            motor_inertia=servo.motor_inertia * (1.0 + sign[i] * inertia),
            torque_constant=torque_constant * (1.0 + sign[k] * constant),
            resistance=resistance,
            motor_viscous=servo.motor_viscous * (1.0 + sign[f] * rubbing),
            position_delay=max(servo.position_delay + sign[d] * late, 0.0),
        )
        label = ", ".join(f"{x.name} {x.high if s else x.low}" for x, s in zip(factors, sides, strict=True))
        friction = angles[a] * (1.0 + sign[f] * rubbing)
        out.append(Corner(label, variant, friction, buses[b]))
    return tuple(out), factors


def rule_gains(servo: Servo) -> tuple[tuple[str, str, CascadeGains], ...]:
    """Gains by published rules for the rigid actuator, each with its source (``parts.tuning_rules``)."""
    small = 0.5 * servo.current_period + servo.current_delay + servo.current_sensor_lag
    lag = 2.0 * small + servo.speed_period + servo.speed_delay + servo.speed_filter + servo.speed_sensor_lag
    alpha, r, inductance = servo.acceleration_per_ampere, servo.resistance, servo.inductance
    late = servo.position_period + servo.position_delay
    optimum, time = tuning_rules.modulus_optimum(1.0 / r, inductance / r, small)
    speed, rate = tuning_rules.symmetrical_optimum(1.0, 1.0 / alpha, lag)
    first = CascadeGains(
        position=tuning_rules.placed_cascade(1.0 / (4.0 * lag + late), 1.0),
        speed=speed, speed_integral=1.0 / rate, current=optimum, current_integral=1.0 / time,
    )  # fmt: skip
    placed, integral = tuning_rules.placed_pi(1.0, 1.0 / alpha, 0.2 / lag, 1.0)
    second = CascadeGains(
        position=tuning_rules.placed_cascade(0.2 / lag, 1.0),
        speed=placed, speed_integral=integral / placed, current=optimum, current_integral=1.0 / time,
    )  # fmt: skip
    gain, steady = tuning_rules.lambda_pi(1.0 / r, inductance / r, small, 3.0 * small)
    inner = tuning_rules.lambda_p_integrating(alpha, lag, 2.0 * lag)
    closed = 3.0 * lag
    third = CascadeGains(
        position=tuning_rules.lambda_p_integrating(1.0, closed + late, 2.0 * closed),
        speed=inner, speed_integral=1.0 / (12.0 * lag), current=gain, current_integral=1.0 / steady,
    )  # fmt: skip
    return (
        ("modulus and symmetrical optimum", "Kessler (1958); Umland & Safiuddin (1990); from memory", first),
        ("pole placement, critical damping", "Astrom & Hagglund, Advanced PID Control (2006); from memory", second),
        ("lambda", "Rivera, Morari & Skogestad (1986); Skogestad (2003); from memory", third),
    )


def limits_of(design: DesignFile, name: LegName, machine: Machine) -> Limits:
    """What the loops must keep at every corner."""
    wanted, tuning, servo = design.requirements, design.data.tuning, machine.legs[name].servo
    return Limits(
        gain_margin_db=wanted.gain_margin,
        phase_margin=wanted.phase_margin,
        peak_sensitivity=wanted.peak_sensitivity,
        disk=tuning.disk_margin,
        delay_margin=servo.position_period if tuning.delay_margin is None else tuning.delay_margin,
        noise=tuning.noise,
        saturation=tuning.saturation,
        error=math.inf if tuning.tracking_error is None else tuning.tracking_error,
    )


def tuning(
    design: DesignFile,
    machine: Machine,
    name: LegName,
    before: CascadeGains,
    start: CascadeGains,
    speed: float,
    flow_gain: float,
    progress: Progress | None = None,
) -> TuningResult:
    """Gains of a leg over all its corners.

    ``before``: gains in use; ``start``: where the search begins; ``speed``: fastest commanded stem speed [rad/s]; ``flow_gain``:
    largest relative flow per angle [1/rad].
    """
    corners, factors = corners_of(design, machine, name)
    limits = limits_of(design, name, machine)
    problem = Problem(corners, limits, speed, WINDOW)
    found = optimise(problem, start, progress)
    rules = []
    for rule, source, gains in rule_gains(machine.legs[name].servo):
        worst = least(problem.quick(gains))
        rules.append(RuleGains(rule, source, gains, worst, problem.tracking(gains)[0]))
    switched = () if found.feasible else _switched(corners, factors, limits, speed, start)
    return TuningResult(
        leg=name,
        before=before,
        gains=found.gains,
        feasible=found.feasible,
        held=found.held,
        before_worst=least(problem.quick(before)),
        error=found.error,
        error_corner=found.error_corner,
        before_error=problem.tracking(before)[0],
        flow_error=flow_gain * found.error,
        speed=speed,
        factors=factors,
        corners=len(corners),
        variants=len(problem.servos),
        rules=tuple(rules),
        switched=switched,
        reason=_reason(found, switched),
        trials=found.trials,
    )


def _switched(
    corners: Sequence[Corner], factors: Sequence[Factor], limits: Limits, speed: float, start: CascadeGains
) -> tuple[Switched, ...]:
    """Two sets of gains by the first thing that lets both keep everything; else those of all, to show how far each goes."""
    tried: list[Switched] = []
    for factor in factors:
        if factor.name not in SCHEDULED:
            continue
        pair = []
        for side in (factor.low, factor.high):
            word = f"{factor.name} {side}"
            part = [c for c in corners if word in c.name.split(", ")]
            problem = Problem(part, limits, speed, WINDOW)
            found = optimise(problem, start)
            pair.append(Switched(factor.name, side, found.gains, found.feasible, found.error))
        if all(s.feasible for s in pair):
            return tuple(pair)
        tried.extend(pair)
    return tuple(tried)


def _reason(found: Optimum, switched: Sequence[Switched]) -> str:
    if found.feasible:
        stops = [h for h in found.held if h.binding]
        if not stops:
            return "Every constraint holds at every corner, none of them closely: the error has its least value there."
        words = "; ".join(f"{h.name} of the {h.loop} loop at {h.corner}" for h in stops[:3]).replace(
            "the servo loop", "the servo"
        )
        return f"Every constraint holds at every corner. What stops the gains: {words}."
    missed = sorted((h for h in found.held if not h.kept), key=lambda h: h.reserve)
    words = "; ".join(f"{h.name} of the {h.loop} loop at {h.corner}" for h in missed[:3]).replace(
        "the servo loop", "the servo"
    )
    text = f"No gains near the rule's keep everything at every corner. Missed: {words}."
    if switched and all(s.feasible for s in switched):
        return f"{text} Two sets of gains, switched by {switched[0].by}, keep everything."
    if switched:
        return f"{text} Two sets by {', '.join(dict.fromkeys(s.by for s in switched))} do not mend it either."
    return text
