"""Probability that a gear ratio meets every check, over the declared tolerances.

Each toleranced input of the actuator, the valve's torque, the tank's pressure and the battery is drawn evenly between its
bounds, independently of the others (a list moves as a whole); the same draws serve every ratio, so that the curve is smooth
and two ratios can be compared. A probability from a count carries its lower bound after Clopper and Pearson (Biometrika 26
(1934), from memory). The torque margin here is that of the draw, not that of all bounds at once.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile, Input
from valvectl.design.schema import LegName
from valvectl.parts.lookup import FloatArray
from valvectl.plant.machine import LegMachine, Machine
from valvectl.plant.schedule import Schedule
from valvectl.studies.actuator_checks import Numbers, evaluate
from valvectl.studies.actuator_demand import (
    actuator_numbers,
    leg_demand,
    other_drive,
    stem_torques,
    with_last_stage,
)
from valvectl.studies.ratio_choice import standing
from valvectl.studies.result import Result

SAMPLES, RATIOS, SEED, CONFIDENCE = 2000, 41, 1, 0.95
"""Draws, ratios of the curve, seed of the draws, confidence of the bounds."""

Progress = Callable[[str, int, int], None]

_MOTOR = {"resistance", "torque_constant", "resistance_coefficient", "magnet_coefficient", "rotor_inertia", "max_speed",
          "temperature_limit", "thermal_resistance"}  # fmt: skip
_ACTUATOR = {"current_limit": "current_limit", "duty_limit": "duty", "harness_resistance": "harness",
             "hot_winding": "hot_winding", "hot_surroundings": "hot_surroundings", "temperature": "temperature"}  # fmt: skip
_FACTORS = {"actuator.motor.friction_torque", "actuator.motor.cold_friction_factor"}
"""Drawn as factors of the one friction that they make together."""
_STAGE = {"efficiency", "static_efficiency", "inertia", "lost_motion"}
_BATTERY = {"minimum_voltage": "battery_minimum", "resistance": "battery_resistance", "other_loads": "other_loads"}
_VALVE = {"cold_factor", "dwell_factor", "pressure_slope"}


@dataclass(frozen=True)
class RatioOdds(Result):
    """Probability that all checks hold, over the ratio."""

    ratio: FloatArray
    """Total ratio, shape (m,)."""
    probability: FloatArray
    """Share of the draws in which all checks hold [-], shape (m,)."""
    at_least: FloatArray
    """Lower bound of the probability at ``confidence``, one-sided [-], shape (m,)."""
    failing: dict[str, FloatArray]
    """Check -> share of the draws in which it fails [-], shape (m,); dear checks only where the others hold."""
    samples: int
    confidence: float
    drawn: tuple[str, ...]
    """Keys that were drawn."""
    left_out: tuple[str, ...]
    """Toleranced keys of this actuator that no check here reads."""

    def at(self, ratio: float) -> tuple[float, float]:
        """Probability and its lower bound at the nearest ratio of the curve."""
        j = int(np.argmin(np.abs(np.log(self.ratio / ratio))))
        return float(self.probability[j]), float(self.at_least[j])

    def columns(self) -> dict[str, Any]:
        out: dict[str, Any] = {"ratio": self.ratio, "all hold [-]": self.probability, "at least [-]": self.at_least}
        return out | {f"{name} fails [-]": share for name, share in self.failing.items()}


def lower_bound(held: FloatArray, samples: int, confidence: float = CONFIDENCE) -> FloatArray:
    """One-sided lower bound of a probability from ``held`` of ``samples`` draws (Clopper and Pearson)."""
    from scipy.stats import beta

    counts = np.asarray(held, dtype=float)
    bound = beta.ppf(1.0 - confidence, np.maximum(counts, 1.0), samples - counts + 1.0)
    return np.where(counts > 0.0, bound, 0.0)


def _draws(item: Input, unit: FloatArray) -> FloatArray:
    """Values of an input for draws in -1..1; of a list the factor on all its entries."""
    assert item.tolerance is not None
    if isinstance(item.value, tuple):
        largest = max(
            (w / abs(float(v)) for w, v in zip(item.half_widths(), item.value, strict=True) if v), default=0.0
        )
        return 1.0 + unit * largest
    return float(item.value) + unit * item.half_widths()[0]  # type: ignore[arg-type]


def ratio_odds(
    design: DesignFile,
    machine: Machine,
    schedule: Schedule,
    name: LegName,
    factors: FloatArray,
    samples: int = SAMPLES,
    progress: Progress | None = None,
    static_wanted: float | None = None,
) -> RatioOdds:
    """Probability over the range of ``factors`` on the last stage's ratio; ``static_wanted`` as in ``leg_demand``."""
    demand = leg_demand(design, machine, schedule, name, static_wanted)
    base = actuator_numbers(design.leg(name).actuator, machine.legs[name].servo, machine, name)
    points = np.geomspace(float(factors[0]), float(factors[-1]), RATIOS)
    rng = np.random.default_rng(SEED)
    columns: dict[str, FloatArray] = {}
    left_out: list[str] = []
    for item in design.toleranced():
        if not re.match(rf"legs\.{name}\.(actuator|tank\.pressure|valve\.(torque|inertia|slot))|battery\.", item.key):
            continue
        short = item.key.removeprefix(f"legs.{name}.")
        unit = rng.uniform(-1.0, 1.0, samples)
        if _reader(short):
            drawn = _draws(item, unit)
            columns[short] = drawn / float(item.value) if short in _FACTORS else drawn  # type: ignore[arg-type]
        else:
            left_out.append(item.key)
    numbers = _sampled(base, machine, name, columns, samples, progress)
    slot = columns.get("valve.slot_clearance")
    if slot is not None:
        demand = dataclasses.replace(demand, slot=slot[:, None])  # type: ignore[arg-type]
    if any(key.startswith("battery.") for key in columns):
        demand = dataclasses.replace(demand, **_drawn_battery(machine, name, columns, samples, demand.stroke_speed))
    swept = with_last_stage(numbers, points[None, :])
    checks = evaluate(demand, swept, swept, frugal=True)
    holds = np.logical_and.reduce([np.broadcast_to(c.ok, (samples, points.size)) for c in checks])
    count = np.sum(holds, axis=0).astype(float)
    return RatioOdds(
        ratio=machine.legs[name].servo.ratio * points,
        probability=count / samples,
        at_least=lower_bound(count, samples),
        failing={
            c.name: np.mean(np.isfinite(c.values) & np.logical_not(c.ok), axis=0) * np.ones(points.size) for c in checks
        },
        samples=samples,
        confidence=CONFIDENCE,
        drawn=tuple(columns),
        left_out=tuple(left_out),
    )


def _reader(key: str) -> bool:
    last = key.rsplit(".", 1)[-1]
    if key.startswith("actuator.motor."):
        return last in _MOTOR or key in _FACTORS
    if re.match(r"actuator\.gears\[\d+\]\.", key):
        return last in _STAGE or last in ("stiffness", "torque_limit", "speed_limit")
    if key.startswith("actuator."):
        return key.removeprefix("actuator.") in _ACTUATOR
    if key.startswith("battery."):
        return last in _BATTERY
    return key in ("tank.pressure", "valve.inertia", "valve.slot_clearance") or (
        last in _VALVE or last in ("running", "breakaway")
    )


def _sampled(
    base: Numbers,
    machine: Machine,
    name: LegName,
    columns: dict[str, FloatArray],
    samples: int,
    progress: Progress | None,
) -> Numbers:
    """The numbers with drawn ones as columns, shape (samples, 1)."""
    stages = [dict(vars(stage)) for stage in base.stages]
    limits = {"torque_limit": list(base.torque_limits), "speed_limit": list(base.speed_limits)}
    changes: dict[str, Any] = {}
    friction = machine.legs[name].servo.motor_friction
    for key, values in columns.items():
        column, last = values[:, None], key.rsplit(".", 1)[-1]
        stage = re.match(r"actuator\.gears\[(\d+)\]\.", key)
        if stage:
            j = int(stage[1])
            if last in limits:
                limits[last][j] = column
            elif last == "stiffness":
                stages[j]["compliance"] = 1.0 / column
            else:
                stages[j][last] = column
        elif key.startswith("actuator.motor."):
            if last in _MOTOR:
                changes[last] = column
            else:
                changes["friction"] = changes.get("friction", friction) * column
        elif key.startswith("actuator."):
            changes[_ACTUATOR[key.removeprefix("actuator.")]] = column
        elif key == "valve.inertia":
            changes["load_inertia"] = column
    one = [dataclasses.replace(machine, **_battery(columns, i)) for i in range(samples)]  # type: ignore[arg-type]
    found = np.empty((4, samples))
    floats = {k: v for k, v in changes.items() if k in ("resistance", "resistance_coefficient", "hot_winding",
                                                        "current_limit", "duty", "harness")}  # fmt: skip
    for i, changed in enumerate(one):
        valve = changed.with_leg(name, **_valve(machine.legs[name], columns, i))
        found[:2, i] = stem_torques(valve, name)
        here: dict[str, Any] = {k: float(v[i, 0]) for k, v in floats.items()}
        drive = dataclasses.replace(base, **here)
        found[2:, i] = standing(changed, name, drive)
        if progress is not None and i % 100 == 0:
            progress(f"{name}: draws of the tolerances", i, samples)
    return dataclasses.replace(
        base,
        stages=tuple(dataclasses.replace(s, **given) for s, given in zip(base.stages, stages, strict=True)),
        torque_limits=tuple(limits["torque_limit"]),
        speed_limits=tuple(limits["speed_limit"]),
        breakaway=found[0][:, None],
        running=found[1][:, None],
        standing_current=found[2][:, None],
        bus_voltage=found[3][:, None],
        **changes,
    )


def _battery(columns: dict[str, FloatArray], i: int) -> dict[str, float]:
    return {
        field: float(columns[f"battery.{key}"][i]) for key, field in _BATTERY.items() if f"battery.{key}" in columns
    }


def _drawn_battery(
    machine: Machine, name: LegName, columns: dict[str, FloatArray], samples: int, speed: float
) -> dict[str, Any]:
    """What the demand reads of the battery, drawn, shape (samples, 1)."""
    found = np.empty((4, samples))
    for i in range(samples):
        drawn = dataclasses.replace(machine, **_battery(columns, i))  # type: ignore[arg-type]
        found[:, i] = (
            drawn.battery_minimum,
            drawn.battery_resistance,
            drawn.other_loads + other_drive(drawn, name),
            drawn.other_loads + other_drive(drawn, name, speed),
        )
    keys = ("battery", "battery_resistance", "other_current", "other_moving")
    return {key: row[:, None] for key, row in zip(keys, found, strict=True)}


def _valve(leg: LegMachine, columns: dict[str, FloatArray], i: int) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key in ("running", "breakaway"):
        if f"valve.torque.{key}" in columns:
            out[key] = getattr(leg, key) * columns[f"valve.torque.{key}"][i]
    if "breakaway" in out or "running" in out:  # a draw does not put running above breakaway
        out["running"] = np.minimum(out.get("running", leg.running), out.get("breakaway", leg.breakaway))
    for key in _VALVE:
        if f"valve.torque.{key}" in columns:
            out[key] = float(columns[f"valve.torque.{key}"][i])
    if "tank.pressure" in columns:
        out["tank_pressure"] = float(columns["tank.pressure"][i])
    return out
