"""Catalogues of motors and gearboxes: what a row of the table (``catalogue_table``) means.

Every fault of a file is reported at once, with line and column. Data sheets' conventions
(volt of a speed constant, ampere of a torque constant and of the peak current) are stated a row and turned into the model's by
``parts.motor_ratings``; nothing is guessed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from valvectl.design.catalogue_table import Column, Row, read_table
from valvectl.errors import DesignError, Fault
from valvectl.parts import motor_ratings, stepper
from valvectl.parts.motor_ratings import RPM, CurrentConvention, EmfConvention

DEMO = Path(__file__).parents[1] / "catalogue"
"""Folder of the invented catalogue that ships with the package."""
MotorKind = Literal["brushed", "brushless", "stepper"]

_NUMBER = {"-": 1.0}
_SHARE = {"%": 0.01, "-": 1.0}
_INERTIA = {"kg m2": 1.0, "kg cm2": 1e-4, "g cm2": 1e-7}
_TORQUE = {"N m": 1.0, "mN m": 1e-3, "N cm": 1e-2}
_SPEED = {"rpm": RPM, "rad/s": 1.0}
_ANGLE = {"rad": 1.0, "deg": math.radians(1.0), "arcmin": math.radians(1.0 / 60.0)}
_MASS = {"kg": 1.0, "g": 1e-3}
_COST = {"EUR": 1.0, "USD": 1.0, "-": 1.0}
_SPEED_CONSTANT = {"rpm/V": RPM, "rad/(s V)": 1.0}
_TORQUE_CONSTANT = {"N m/A": 1.0, "mN m/A": 1e-3}
_OHM, _HENRY = {"ohm": 1.0, "mohm": 1e-3}, {"H": 1.0, "mH": 1e-3, "uH": 1e-6}


_MOTOR_COLUMNS: dict[str, Column] = {
    "speed_constant": Column(_SPEED_CONSTANT, 0.1, 1e4, needed=False),
    "torque_constant": Column(_TORQUE_CONSTANT, 1e-5, 100.0, needed=False),
    "resistance": Column(_OHM, 1e-4, 1e3),
    "inductance": Column(_HENRY, 1e-7, 1.0),
    "peak_current": Column({"A": 1.0}, 1e-3, 1e3),
    "no_load_current": Column({"A": 1.0}, 0.0, 100.0, needed=False),
    "rotor_inertia": Column(_INERTIA, 1e-10, 1.0),
    "max_speed": Column(_SPEED, 1.0, 1e4),
    "winding_limit": Column({"degC": 1.0, "K": 1.0}, 300.0, 600.0),
    "thermal_resistance": Column({"K/W": 1.0}, 1e-3, 1e3),
    "mass": Column(_MASS, 1e-4, 100.0),
    "cost": Column(_COST, 0.0, 1e6, needed=False),
    "tolerance": Column(_SHARE, 0.0, 0.5, needed=False),
    "teeth": Column(_NUMBER, 4.0, 400.0, needed=False),
    "holding_torque": Column(_TORQUE, 1e-4, 1e3, needed=False),
    "detent_torque": Column(_TORQUE, 0.0, 1e2, needed=False),
    "pull_out_voltage": Column({"V": 1.0}, 1.0, 400.0, needed=False),
}
_GEAR_COLUMNS: dict[str, Column] = {
    "ratio": Column(_NUMBER, 1.0, 2000.0),
    "efficiency": Column(_SHARE, 0.05, 1.0),
    "static_efficiency": Column(_SHARE, 0.05, 1.0),
    "lost_motion": Column(_ANGLE, 0.0, math.radians(20.0)),
    "stiffness": Column({"N m/rad": 1.0, "N m/arcmin": 60.0 * 180.0 / math.pi}, 1e-2, 1e8),
    "inertia": Column(_INERTIA, 0.0, 1.0),
    "peak_torque": Column(_TORQUE, 1e-3, 1e5),
    "max_input_speed": Column(_SPEED, 1.0, 1e4),
    "mass": Column(_MASS, 1e-4, 1e3),
    "cost": Column(_COST, 0.0, 1e6, needed=False),
}
_CURVE = {"rpm: N m": (RPM, 1.0), "rpm: mN m": (RPM, 1e-3), "rpm: N cm": (RPM, 1e-2)}
_MOTOR_CURVES = {"pull_out": _CURVE}
"""Curves in one cell: speed, colon, torque; the points apart by semicolons."""
_MOTOR_WORDS: dict[str, tuple[str, ...]] = {
    "kind": get_args(MotorKind),
    "volt_is": get_args(EmfConvention),
    "ampere_is": get_args(CurrentConvention),
}


@dataclass(frozen=True)
class CatalogueMotor:
    """A motor of a catalogue in the model's numbers, SI."""

    name: str
    kind: MotorKind
    torque_constant: float
    """At 25 degC, direct-current equivalent [N m/A]; of a stepper that of a phase."""
    resistance: float
    """Between two terminals, of a stepper of one phase, at 25 degC [ohm]."""
    inductance: float
    peak_current: float
    """The model's [A]; of a stepper the rated current of a phase."""
    friction: float
    """[N m], warm; from the no-load current, of a stepper none."""
    rotor_inertia: float
    max_speed: float
    winding_limit: float
    thermal_resistance: float
    mass: float
    cost: float
    """In the catalogue's money; NaN when not stated."""
    tolerance: float
    """Of torque constant and resistance [-]."""
    teeth: float = math.nan
    """Rotor teeth of a stepper."""
    detent_torque: float = 0.0
    pull_out: tuple[tuple[float, float], ...] = ()
    """Measured pull-out curve of a stepper: speed [rad/s], torque [N m]; empty: the ideal motor's, derated."""
    pull_out_voltage: float = math.nan
    """Supply at which it was measured [V]."""


@dataclass(frozen=True)
class CatalogueGear:
    """A gearbox of a catalogue, SI."""

    name: str
    kind: str
    ratio: float
    efficiency: float
    static_efficiency: float
    lost_motion: float
    stiffness: float
    inertia: float
    peak_torque: float
    max_input_speed: float
    mass: float
    cost: float


def read_motors(path: Path | None = None) -> tuple[CatalogueMotor, ...]:
    """Motors of a catalogue; without a path the invented one. DesignError with all faults."""
    path = DEMO / "motors.csv" if path is None else path
    rows, faults = read_table(path, _MOTOR_COLUMNS, _MOTOR_WORDS, _MOTOR_CURVES)
    motors = []
    for line, row in rows:

        def fault(key: str, message: str, line: int = line) -> None:
            faults.append(Fault(message, key=key, file=str(path), line=line))

        made = _stepper(row, fault) if row["kind"] == "stepper" else _direct(row, fault)
        if made is not None:
            motors.append(made)
    if faults:
        raise DesignError(faults)
    return tuple(motors)


def _number(row: Row, key: str, default: float = math.nan) -> float:
    value = row.get(key)
    return float(value) if isinstance(value, (int, float)) else default


def _common(row: Row) -> dict[str, Any]:
    keys = ("resistance", "inductance", "rotor_inertia", "max_speed", "winding_limit", "thermal_resistance", "mass")
    return {key: _number(row, key) for key in keys} | {
        "cost": _number(row, "cost"),
        "tolerance": _number(row, "tolerance", 0.0),
    }


def _direct(row: Row, fault: Callable[[str, str], None]) -> CatalogueMotor | None:
    """A motor with brushes or without from its row; the current is the model's."""
    for key in ("pull_out", "pull_out_voltage"):
        if row[key] is not None:
            fault(key, "only a stepper has a pull-out curve; leave this empty")
    speed, torque = row["speed_constant"], row["torque_constant"]
    if (speed is None) == (torque is None):
        fault("speed_constant", "give one of speed_constant and torque_constant")
        return None
    brushed = row["kind"] == "brushed"
    ampere, volt = row["ampere_is"], row["volt_is"]
    if not brushed and ampere is None:
        fault("ampere_is", "a brushless motor must say what its ampere is: " + ", ".join(_MOTOR_WORDS["ampere_is"]))
        return None
    if not brushed and speed is not None and volt is None:
        fault("volt_is", "a speed constant must say what its volt is: " + ", ".join(_MOTOR_WORDS["volt_is"]))
        return None
    if brushed and (volt is not None or ampere not in (None, "direct")):
        fault("ampere_is", 'a motor with brushes has only "direct" amperes and no volt_is')
        return None
    if any(row[key] is None for key in ("resistance", "peak_current", "inductance")):
        return None  # its cell is at fault already
    if brushed and speed is not None:  # K is one over the speed constant, no phases in it
        constant, current = 1.0 / _number(row, "speed_constant"), _number(row, "peak_current")
        friction = motor_ratings.no_load_friction(constant, _number(row, "no_load_current", 0.0))
    else:
        numbers = motor_ratings.model_numbers(
            motor_ratings.CatalogueRow(
                constant=_number(row, "speed_constant") if speed is not None else _number(row, "torque_constant"),
                constant_is="speed" if speed is not None else "torque",
                emf_convention=volt or "line peak",  # type: ignore[arg-type]
                current_convention=ampere or "direct",  # type: ignore[arg-type]
                terminal_resistance=_number(row, "resistance"),
                terminal_inductance=_number(row, "inductance"),
                peak_current=_number(row, "peak_current"),
                no_load_current=_number(row, "no_load_current", 0.0),
            )
        )
        constant, current, friction = numbers.torque_constant, numbers.peak_current, numbers.no_load_friction
    return CatalogueMotor(
        name=str(row["name"]),
        kind=row["kind"],  # type: ignore[arg-type]
        torque_constant=constant,
        peak_current=current,
        friction=friction,
        **_common(row),
    )


def _stepper(row: Row, fault: Callable[[str, str], None]) -> CatalogueMotor | None:
    """A stepper from its row: K of a phase from holding torque and rated current."""
    missing = [key for key in ("teeth", "holding_torque") if row[key] is None]
    for key in missing:
        fault(key, "a stepper needs it")
    for key in ("speed_constant", "torque_constant"):
        if row[key] is not None:
            fault(key, "a stepper is given by its holding torque; leave this empty")
    curve, volts = row["pull_out"], row["pull_out_voltage"]
    if (curve is None) != (volts is None):
        fault(
            "pull_out_voltage",
            "pull_out and pull_out_voltage belong together: a curve holds at the supply it was taken at",
        )
    if missing or row["peak_current"] is None:
        return None
    return CatalogueMotor(
        name=str(row["name"]),
        kind="stepper",
        torque_constant=stepper.constant_from_holding(_number(row, "holding_torque"), _number(row, "peak_current")),
        peak_current=_number(row, "peak_current"),
        friction=0.0,
        teeth=_number(row, "teeth"),
        detent_torque=_number(row, "detent_torque", 0.0),
        pull_out=curve if isinstance(curve, tuple) else (),
        pull_out_voltage=_number(row, "pull_out_voltage"),
        **_common(row),
    )


def read_gears(path: Path | None = None) -> tuple[CatalogueGear, ...]:
    """Gearboxes of a catalogue; without a path the invented one. DesignError with all faults."""
    path = DEMO / "gears.csv" if path is None else path
    rows, faults = read_table(path, _GEAR_COLUMNS, {"kind": ()})
    for line, row in rows:
        if _number(row, "static_efficiency") > _number(row, "efficiency"):
            faults.append(Fault("must not be above efficiency", key="static_efficiency", file=str(path), line=line))
    if faults:
        raise DesignError(faults)
    return tuple(
        CatalogueGear(str(row["name"]), str(row["kind"]), **{key: _number(row, key) for key in _GEAR_COLUMNS})
        for _, row in rows
    )
