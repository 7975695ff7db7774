"""Which numbers of an engine may differ from lane to lane of the simulator in lanes, by name, and where they enter.

A column is one number a lane: ``"oxidizer.tank_pressure"`` is that of ``Machine.legs["oxidizer"].tank_pressure``,
``"fuel.servo.half_gap"`` that of its servo. Names of a leg begin with ``oxidizer.`` or ``fuel.``. A column replaces the
machine's number, all others stay as they are: nothing is worked out anew from it (a new density does not change head,
line losses or compliance; give those as columns too). Names that end in ``_scale`` multiply a table that all lanes share.
"""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.errors import RangeError
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant.machine import Machine

Home = Literal["engine", "leg", "liquid", "servo", "train", "gains", "lane"]
Range = Literal["any", "not negative", "positive"]


@dataclass(frozen=True)
class Column:
    """One number that may differ from lane to lane."""

    home: Home
    """Where it lives: engine, leg, its liquid, servo, gear train or gains; ``lane``: in the simulator in lanes alone."""
    field: str
    """Name of the field there."""
    unit: str
    allowed: Range
    meaning: str


def _column(home: Home, field: str, unit: str, allowed: Range, meaning: str) -> Column:
    return Column(home, field, unit, allowed, meaning)


ENGINE_COLUMNS: dict[str, Column] = {
    "throat_area": _column("engine", "throat_area", "m^2", "positive", "throat area"),
    "characteristic_length": _column("engine", "characteristic_length", "m", "positive", "characteristic length L*"),
    "c_star_efficiency": _column("engine", "c_star_efficiency", "-", "positive", "delivered over ideal c*"),
    "c_star_scale": _column("lane", "c_star_scale", "-", "positive", "factor on c*, on top of its efficiency"),
    "battery": _column("engine", "battery", "V", "positive", "open-circuit voltage of the battery"),
    "battery_resistance": _column("engine", "battery_resistance", "ohm", "not negative", "resistance of the battery"),
    "other_loads": _column("engine", "other_loads", "A", "not negative", "current of other loads"),
}
"""Columns of the engine, by name."""

LEG_COLUMNS: dict[str, Column] = {
    "tank_pressure": _column("leg", "tank_pressure", "Pa", "positive", "tank pressure without flow, absolute"),
    "tank_droop": _column("leg", "tank_droop", "Pa", "any", "fall of tank pressure at the flow of full thrust"),
    "head": _column("leg", "head", "Pa", "any", "pressure of the column between tank and valve"),
    "density": _column("liquid", "density", "kg/m^3", "positive", "density in valve and injector, nothing else"),
    "vapour_pressure": _column("liquid", "vapour_pressure", "Pa", "not negative", "vapour pressure at the valve"),
    "ff": _column("leg", "ff", "-", "positive", "critical pressure ratio factor FF"),
    "up_inertance": _column("leg", "up_inertance", "1/m", "positive", "inertance between tank and valve"),
    "down_inertance": _column("leg", "down_inertance", "1/m", "not negative", "inertance behind the valve"),
    "up_loss_scale": _column("lane", "up_loss_scale", "-", "not negative", "factor on line losses before the valve"),
    "down_loss_scale": _column("lane", "down_loss_scale", "-", "not negative", "factor on losses behind the valve"),
    "c_scale": _column("lane", "c_scale", "-", "positive", "factor on the valve's flow coefficient, all angles"),
    "fl_scale": _column("lane", "fl_scale", "-", "positive", "factor on the valve's recovery factor FL, all angles"),
    "running_scale": _column("lane", "running_scale", "-", "not negative", "factor on the stem's running torque"),
    "breakaway_scale": _column("lane", "breakaway_scale", "-", "not negative", "factor on the stem's breakaway torque"),
    "pressure_slope": _column("leg", "pressure_slope", "N m/Pa", "not negative", "breakaway torque per valve drop"),
    "cold_factor": _column("leg", "cold_factor", "-", "not negative", "factor of cold on the stem's friction"),
    "stribeck_speed": _column("leg", "stribeck_speed", "rad/s", "positive", "speed at which stiction has gone"),
    "hydrodynamic": _column("leg", "hydrodynamic", "-", "any", "torque coefficient of the stream"),
    "closed_stop": _column("leg", "closed_stop", "rad", "any", "stem angle of the closed stop"),
    "open_stop": _column("leg", "open_stop", "rad", "any", "stem angle of the open stop"),
    "ball_offset": _column("lane", "ball_offset", "rad", "any", "valve tables are read at angle plus this"),
    "compliance": _column("leg", "compliance", "kg/Pa", "positive", "compliance of the manifold"),
    "cda": _column("leg", "cda", "m^2", "positive", "injector Cd times area"),
    "delay": _column("leg", "delay", "s", "positive", "combustion delay"),
    "stem_offset": _column("lane", "stem_offset", "rad", "any", "the position encoder shows the angle plus this"),
    "command_offset": _column("lane", "command_offset", "rad", "any", "added to the stem command"),
}
"""Columns of a leg, by name behind ``oxidizer.`` or ``fuel.``."""

_SERVO: tuple[tuple[str, str, Range, str], ...] = (
    ("motor_inertia", "kg m^2", "positive", "rotor and stages at the motor shaft"),
    ("load_inertia", "kg m^2", "positive", "stem and ball"),
    ("spring", "N m/rad", "positive", "stiffness of the train at the stem"),
    ("damping", "N m s/rad", "not negative", "contact damping"),
    ("half_gap", "rad", "not negative", "half the lost motion of the train"),
    ("half_slot", "rad", "not negative", "half the clearance between stem and ball"),
    ("motor_friction", "N m", "not negative", "dry friction at the motor shaft"),
    ("motor_viscous", "N m s/rad", "not negative", "viscous friction at the motor shaft"),
    ("resistance", "ohm", "not negative", "winding"),
    ("inductance", "H", "positive", "winding"),
    ("torque_constant", "N m/A", "positive", "motor"),
    ("current_limit", "A", "positive", "limit of the current set-point"),
    ("duty_limit", "-", "positive", "largest share of the bus voltage"),
    ("harness", "ohm", "not negative", "harness of the drive"),
    ("idle_power", "W", "not negative", "electronics of the drive"),
    ("position_count", "rad", "not negative", "one count of the position encoder, zero: none"),
    ("speed_count", "rad", "not negative", "one count of the speed loop's encoder, zero: none"),
    ("position_delay", "s", "not negative", "computation delay of the position loop"),
    ("speed_delay", "s", "not negative", "computation delay of the speed loop"),
    ("current_delay", "s", "not negative", "computation delay of the current loop"),
    ("speed_filter", "s", "not negative", "time constant of the speed filter"),
    ("feedforward", "-", "any", "share of the command's speed that is fed forward"),
    ("speed_limit", "rad/s", "positive", "limit of the speed set-point; the command's own limit stays"),
    ("hold_band", "rad", "not negative", "band in which a resting command counts as reached"),
    ("return_preload", "N m", "any", "return spring at the closed stop"),
    ("return_rate", "N m/rad", "any", "rise of the return spring's torque"),
)
LEG_COLUMNS.update({f"servo.{field}": _column("servo", field, *rest) for field, *rest in _SERVO})  # type: ignore[arg-type]
LEG_COLUMNS.update(
    {
        "train.efficiency": _column("train", "efficiency", "-", "positive", "running efficiency, motor drives"),
        "train.backdrive_efficiency": _column("train", "backdrive_efficiency", "-", "any", "efficiency, valve drives"),
        "gains.position": _column("gains", "position", "1/s", "any", "position loop, proportional"),
        "gains.speed": _column("gains", "speed", "A s/rad", "any", "speed loop, proportional"),
        "gains.speed_integral": _column("gains", "speed_integral", "1/s", "any", "speed loop, integral rate"),
        "gains.current": _column("gains", "current", "V/A", "any", "current loop, proportional"),
        "gains.current_integral": _column("gains", "current_integral", "1/s", "any", "current loop, integral rate"),
    }
)


def column(name: str) -> tuple[LegName | None, Column]:
    """Leg (None: the engine) and column of a name. Raises ``RangeError`` with the nearest name for an unknown one."""
    leg, _, rest = name.partition(".")
    for known in LEGS:
        if leg == known and rest in LEG_COLUMNS:
            return known, LEG_COLUMNS[rest]
    if name in ENGINE_COLUMNS:
        return None, ENGINE_COLUMNS[name]
    near = difflib.get_close_matches(name, column_names(), n=1)
    hint = f"; nearest: {near[0]!r}" if near else ""
    raise RangeError(f"{name!r} is not a number that may differ from lane to lane{hint}")


def column_names() -> list[str]:
    """All names that may be columns."""
    return [*ENGINE_COLUMNS, *(f"{leg}.{name}" for leg in LEGS for name in LEG_COLUMNS)]


def checked(columns: Mapping[str, FloatArray], lanes: int | None = None) -> tuple[dict[str, FloatArray], int]:
    """Columns as arrays of one length, shape (n,), and that length; each value within what its column allows.

    ``lanes`` : the length wanted; needed when there is no column. Raises ``RangeError``.
    """
    out: dict[str, FloatArray] = {}
    for name, values in columns.items():
        _, known = column(name)
        array = np.atleast_1d(np.asarray(values, dtype=float))
        if array.ndim != 1:
            raise RangeError(f"column {name!r} has {array.ndim} dimensions; one number a lane is wanted")
        wrong = ~np.isfinite(array)
        if known.allowed == "positive":
            wrong |= array <= 0.0
        elif known.allowed == "not negative":
            wrong |= array < 0.0
        if wrong.any():
            at = int(np.argmax(wrong))
            what = "finite" if known.allowed == "any" else f"finite and {known.allowed}"
            raise RangeError(f"column {name!r}: {array[at]:g} {known.unit} in lane {at}; it must be {what}")
        out[name] = array
    sizes = {name: array.size for name, array in out.items()}
    count = lanes if lanes is not None else max(sizes.values(), default=1)
    for name, size in sizes.items():
        if size != count:
            raise RangeError(f"column {name!r} has {size} values for {count} lanes")
    return out, count


def applied(
    machine: Machine, gains: Mapping[LegName, CascadeGains], columns: Mapping[str, FloatArray]
) -> tuple[Machine, dict[LegName, CascadeGains], dict[str, FloatArray]]:
    """Machine and gains with columns in place of their numbers (fields that are arrays, shape (n,)), and the columns that
    live in the lanes alone, by full name.

    Such a machine serves ``simulate.pack`` and nothing else.
    """
    changed_gains = dict(gains)
    engine: dict[str, FloatArray] = {}
    rest: dict[str, FloatArray] = {}
    for name, values in columns.items():
        leg, known = column(name)
        if known.home == "lane":
            rest[name] = values
        elif leg is None:
            engine[known.field] = values
        elif known.home == "gains":
            changed_gains[leg] = dataclasses.replace(changed_gains[leg], **{known.field: values})  # type: ignore[arg-type]
        elif known.home == "leg":
            machine = machine.with_leg(leg, **{known.field: values})
        elif known.home == "servo":
            machine = machine.with_servo(leg, **{known.field: values})
        elif known.home == "train":
            train = dataclasses.replace(machine.legs[leg].servo.train, **{known.field: values})  # type: ignore[arg-type]
            machine = machine.with_servo(leg, train=train)
        else:
            liquid = dataclasses.replace(machine.legs[leg].liquid, **{known.field: values})  # type: ignore[arg-type]
            machine = machine.with_leg(leg, liquid=liquid)
    return dataclasses.replace(machine, **engine), changed_gains, rest  # type: ignore[arg-type]
