"""Text with a unit in, SI number out. The only place where pint is used and where gauge becomes absolute.

A design file writes ``"38 bar abs"``, ``"12 arcmin"``, ``"0.42 mN m"``. A bare number for a key with a dimension is an
error, and so is a pressure that does not say whether it is absolute or gauge where that matters.
"""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BeforeValidator, ValidationInfo
from pydantic_core import PydanticCustomError

from valvectl.design.unit_table import FACTORS

STANDARD_ATMOSPHERE = 101325.0
"""Pressure of the standard atmosphere [Pa], ISO 2533."""


@dataclass(frozen=True)
class Kind:
    """What sort of quantity a key holds."""

    name: str
    """Plain name, as printed in messages."""
    unit: str
    """SI unit in pint's spelling; the number kept in the program has this unit."""
    shown: str
    """Unit in which tables and messages show it, in pint's spelling."""
    example: str
    """A value as a user would write it."""
    plain: bool = False
    """True when a bare number is allowed (fractions, ratios)."""
    absolute: bool = False
    """True for pressures that must say absolute or gauge."""


ABSOLUTE_PRESSURE = Kind("pressure, absolute or gauge", "Pa", "bar", '"38 bar abs"', absolute=True)
PRESSURE_DIFFERENCE = Kind("pressure difference", "Pa", "bar", '"1.2 bar"')
LENGTH = Kind("length", "m", "mm", '"25 mm"')
AREA = Kind("area", "m^2", "mm^2", '"50 mm^2"')
VOLUME = Kind("volume", "m^3", "mL", '"20 mL"')
ANGLE = Kind("angle", "rad", "deg", '"12 arcmin"')
ANGULAR_SPEED = Kind("angular speed", "rad/s", "deg/s", '"300 deg/s"')
ANGULAR_ACCELERATION = Kind("angular acceleration", "rad/s^2", "deg/s^2", '"8000 deg/s^2"')
ANGULAR_JERK = Kind("angular jerk", "rad/s^3", "deg/s^3", '"4e5 deg/s^3"')
FREQUENCY = Kind("frequency", "Hz", "Hz", '"120 Hz"')
ANGLE_GAIN = Kind("current per angle of the stem", "A/rad", "A/rad", '"300 A/rad"')
TIME = Kind("time", "s", "ms", '"2.5 ms"')
FORCE = Kind("force", "N", "N", '"2 kN"')
TORQUE = Kind("torque", "N m", "N m", '"0.42 mN m"')
TORQUE_PER_PRESSURE = Kind("torque per pressure", "N m/Pa", "N m/bar", '"0.05 N m/bar"')
INERTIA = Kind("moment of inertia", "kg m^2", "kg m^2", '"24 g cm^2"')
ELASTICITY = Kind("modulus of elasticity", "Pa", "GPa", '"200 GPa"')
STRESS = Kind("stress", "Pa", "MPa", '"700 MPa"')
STIFFNESS = Kind("torsional stiffness", "N m/rad", "N m/rad", '"300 N m/rad"')
ROTARY_DAMPING = Kind("viscous friction", "N m s/rad", "N m s/rad", '"2e-6 N m s/rad"')
TEMPERATURE = Kind("temperature", "K", "K", '"91 K" or "-20 degC"')
DENSITY = Kind("density", "kg/m^3", "kg/m^3", '"1140 kg/m^3"')
VISCOSITY = Kind("dynamic viscosity", "Pa s", "mPa s", '"0.19 mPa s"')
SPEED = Kind("speed", "m/s", "m/s", '"1700 m/s"')
VOLTAGE = Kind("voltage", "V", "V", '"24 V"')
CURRENT = Kind("current", "A", "A", '"10 A"')
RESISTANCE = Kind("resistance", "ohm", "ohm", '"0.6 ohm"')
CAPACITANCE = Kind("capacitance", "F", "mF", '"10 mF"')
INDUCTANCE = Kind("inductance", "H", "mH", '"0.5 mH"')
POWER = Kind("power", "W", "W", '"6 W"')
TORQUE_CONSTANT = Kind("torque constant", "N m/A", "mN m/A", '"38 mN m/A"')
THERMAL_RESISTANCE = Kind("thermal resistance", "K/W", "K/W", '"4.5 K/W"')
PER_KELVIN = Kind("temperature coefficient", "1/K", "%/K", '"0.39 %/K"')
RATE = Kind("rate", "1/s", "1/s", '"40 1/s"')
SPEED_GAIN = Kind("current per speed of the stem", "A s/rad", "A s/rad", '"2.0 A s/rad"')
CURRENT_GAIN = Kind("voltage per current", "V/A", "V/A", '"1.5 V/A"')
WARMING_RATE = Kind("rate of temperature", "K/s", "K/s", '"0.05 K/s"')
HEAT_CONDUCTANCE = Kind("heat flow per temperature difference", "W/K", "W/K", '"3 W/K"')
MASS_FLOW = Kind("mass flow", "kg/s", "kg/s", '"0.4 kg/s"')
TEMPERATURE_DIFFERENCE = Kind("temperature difference", "K", "K", '"60 K"')
HEAT_FLOW = Kind("heat flow", "W", "kW", '"90 kW"')
SPECIFIC_HEAT = Kind("specific heat", "J/kg/K", "J/kg/K", '"2500 J/kg/K"')
CHARGE = Kind("charge", "C", "A h", '"2.2 A h"')
CURRENT_SQUARED_TIME = Kind("I2t", "A^2 s", "A^2 s", '"80 A^2 s"')
HEAT_CAPACITY = Kind("heat capacity", "J/K", "J/K", '"12 J/K"')
FRACTION = Kind("fraction", "", "%", '"40 %" or 0.4', plain=True)
NUMBER = Kind("pure number", "", "", "1.2", plain=True)

_PAIR = re.compile(r"^\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*(\S.*?)?\s*$")
# Letters, one operator at a time and small exponents that do not chain: pint would work out "9**9**9**9" for hours.
_UNIT = re.compile(r"^(?:[A-Za-zµμΩ°%_²³·/()\s]|(?:\^|\*\*)\s*-?[1-4](?!\s*(?:\^|\*\*|[0-9]))|\*(?!\*)|1(?=\s*/))+$")
_LONGEST_UNIT = 40
_ABSOLUTE = re.compile(r"^(?P<unit>.*?)(?:\s+(?:abs|absolute)|(?<=[A-Za-z])(?<=bar|psi)a)$")
_GAUGE = re.compile(r"^(?P<unit>.*?)(?:\s+gauge|(?<=[A-Za-z])(?<=bar|psi)g)$")
_LONGEST_TEXT = 200


@functools.lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    return pint.UnitRegistry(cache_folder=None, autoconvert_offset_to_baseunit=True)


def visible(text: str, longest: int = 60) -> str:
    """Text with control characters written as escapes, cut to ``longest`` characters."""
    shown = "".join(c if c.isprintable() else repr(c)[1:-1] for c in text[: longest + 1])
    return shown if len(shown) <= longest else shown[: longest - 3] + "..."


def _fail(message: str) -> PydanticCustomError:
    # The text may hold braces of the user's own: pass it as a value, never as a template.
    return PydanticCustomError("quantity", "{text}", {"text": message})


@functools.lru_cache(maxsize=4096)
def _unit_factor(unit: str, kind: Kind) -> tuple[float, float]:
    """Factor and offset that turn a number in ``unit`` into the kind's SI unit; raises on a wrong dimension."""
    usual = FACTORS.get(kind.unit, {}).get(unit)
    return _asked_of_pint(unit, kind) if usual is None else usual


def _asked_of_pint(unit: str, kind: Kind) -> tuple[float, float]:
    seen = visible(unit, _LONGEST_UNIT)
    if len(unit) > _LONGEST_UNIT or _UNIT.match(unit) is None:
        raise _fail(f"unit '{seen}' is not known; write {kind.name} as {kind.example}")
    registry = _registry()
    text = unit.replace("°C", "degC").replace("°", "deg").replace("µ", "u").replace("μ", "u")
    text = text.replace("·", "*").replace("Ω", "ohm").replace("²", "^2").replace("³", "^3")
    text = text.replace("%", "percent")
    try:
        parsed = registry.Unit(text)
        target = registry.Unit(kind.unit)
        # Root units rather than dimensions: to pint an angle has no dimension, so that it would take "3 %" for an
        # angle, "5 deg" for a fraction and "40 1/s" for an angular speed.
        same = registry.get_root_units(parsed)[1] == registry.get_root_units(target)[1]
    except Exception as error:  # pint raises many sorts of errors on a unit it can not read
        raise _fail(f"unit '{seen}' is not known; write {kind.name} as {kind.example}") from error
    if not same:
        raise _fail(f"unit '{seen}' is not a unit of {kind.name}; write it as {kind.example}")
    if kind == RATE and "hertz" in str(parsed):
        raise _fail('Hz may mean turns or radians a second; write a rate as "40 1/s"')
    zero = float(registry.Quantity(0.0, parsed).to(target).magnitude)
    one = float(registry.Quantity(1.0, parsed).to(target).magnitude)
    return one - zero, zero


def parse(raw: object, kind: Kind, ambient: float = STANDARD_ATMOSPHERE) -> float:
    """SI value of what the file says.

    Parameters
    ----------
    raw : text such as ``"38 bar abs"``; a bare number only where ``kind.plain``
    kind : what sort of quantity is expected
    ambient : pressure that gauge pressures are counted from [Pa]

    Raises ``PydanticCustomError`` with a sentence for the reader.
    """
    if isinstance(raw, bool) or not isinstance(raw, (str, int, float)):
        raise _fail(f"is no {kind.name}; write it as {kind.example}")
    if isinstance(raw, (int, float)):
        try:
            number = float(raw)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise _fail(f"must be a finite number; write {kind.name} as {kind.example}")
        if not kind.plain:
            raise _fail(f"a bare number has no unit; write {kind.name} as {kind.example}")
        return number
    if len(raw) > _LONGEST_TEXT:
        raise _fail(f"text is too long for a quantity; write {kind.name} as {kind.example}")
    match = _PAIR.match(raw)
    if match is None:
        raise _fail(f"can not be read as a number with a unit; write {kind.name} as {kind.example}")
    number, unit = float(match.group(1)), (match.group(2) or "")
    if not math.isfinite(number):
        raise _fail(f"must be a finite number; write {kind.name} as {kind.example}")
    gauge = False
    if kind.absolute:
        absolute_match, gauge_match = _ABSOLUTE.match(unit), _GAUGE.match(unit)
        found = absolute_match or gauge_match
        if found is None:
            if unit:
                _unit_factor(unit, kind)  # a unit of something else is the first thing to say
            raise _fail(f'say whether it is absolute or gauge, as in {kind.example} or "37 bar gauge"')
        gauge = gauge_match is not None
        unit = found.group("unit").strip()
    elif _ABSOLUTE.match(unit) or _GAUGE.match(unit):
        raise _fail(f"this is a {kind.name}; leave out absolute or gauge, as in {kind.example}")
    if not unit:
        if kind.plain:
            return number
        raise _fail(f"a bare number has no unit; write {kind.name} as {kind.example}")
    if kind == NUMBER:
        raise _fail(f"a pure number has no unit; write it as {kind.example}")
    factor, offset = _unit_factor(unit, kind)
    value = number * factor + (0.0 if kind == TEMPERATURE_DIFFERENCE else offset)  # a rise has no zero to count from
    if gauge:
        value += ambient
    _check_possible(value, kind)
    return value


def _check_possible(value: float, kind: Kind) -> None:
    if kind.absolute and value < 0.0:
        raise _fail(
            f"is below absolute zero pressure ({value / 1e5:.4g} bar abs): is absolute meant where it says gauge?"
        )
    if value <= 0.0 and kind == TEMPERATURE:
        raise _fail(f"is at or below absolute zero ({value:.4g} K)")


def parse_width(raw: object, kind: Kind, zero: bool = False) -> tuple[float, bool]:
    """Half-width of a tolerance, and whether it is relative to the value. ``zero``: none at all is allowed too.

    ``"3 %"`` is relative (0.03, True), whatever the kind; ``"0.4 bar"`` or, for a plain kind, ``0.01`` is a half-width
    in the dimension of the key [SI]. A width has no zero to count from: abs, gauge and the offset of degC do not apply.
    Raises ``PydanticCustomError`` with a sentence for the reader.
    """
    advice = 'write a tolerance as "3 %" of the value or as a width in the unit of the key'
    if isinstance(raw, str) and (match := _PAIR.match(raw[:_LONGEST_TEXT])) and match.group(2) == "%":
        width, relative = float(match.group(1)) / 100.0, True
    elif isinstance(raw, str) and (match := _PAIR.match(raw[:_LONGEST_TEXT])):
        unit = match.group(2) or ""
        if not unit and not kind.plain:
            raise _fail(f"a bare number has no unit; {advice}")
        if unit and kind == NUMBER:
            raise _fail(f"a pure number has no unit; {advice}")
        if kind.absolute and (_ABSOLUTE.match(unit) or _GAUGE.match(unit)):
            raise _fail(f"a width is neither absolute nor gauge; {advice}")
        kind = PRESSURE_DIFFERENCE if kind.absolute else kind
        width, relative = float(match.group(1)) * (_unit_factor(unit, kind)[0] if unit else 1.0), False
    elif isinstance(raw, (int, float)) and not isinstance(raw, bool) and kind.plain and abs(raw) < 1e300:
        width, relative = float(raw), False
    else:
        raise _fail(advice)
    if not math.isfinite(width) or width < 0.0 or (width == 0.0 and not zero):
        raise _fail(f"must be {'zero or above' if zero else 'above zero'}; {advice}")
    if relative and width > 1.0:
        raise _fail("must be at most 100 % of the value")
    return width, relative


def show(value: float, kind: Kind, digits: int = 4) -> str:
    """Value [SI] as text in the unit that tables use, such as ``38 bar``."""
    if not kind.shown:
        return f"{value:.{digits}g}"
    if kind == TEMPERATURE:
        return f"{value:.{digits}g} K"
    factor, offset = _unit_factor(kind.shown, kind) if kind.unit or kind.shown != "%" else (0.01, 0.0)
    suffix = " abs" if kind.absolute else ""
    return f"{(value - offset) / factor:.{digits}g} {kind.shown}{suffix}"


def _validator(kind: Kind) -> BeforeValidator:
    limited = kind.absolute or kind == TEMPERATURE

    def read(raw: Any, info: ValidationInfo) -> float:
        context = info.context or {}
        number = type(raw) is float or (isinstance(raw, (int, float)) and not isinstance(raw, bool))
        if number and context.get("si") and -1e300 < raw < 1e300:  # SI already, as when a program changes a design
            if limited:
                _check_possible(raw, kind)
            return float(raw)
        return parse(raw, kind, float(context.get("ambient", STANDARD_ATMOSPHERE)))

    return BeforeValidator(read)


def _quantity(kind: Kind) -> Any:
    return Annotated[float, _validator(kind), kind]


AbsolutePressure = _quantity(ABSOLUTE_PRESSURE)
PressureDifference = _quantity(PRESSURE_DIFFERENCE)
Length = _quantity(LENGTH)
Area = _quantity(AREA)
Volume = _quantity(VOLUME)
Angle = _quantity(ANGLE)
AngularSpeed = _quantity(ANGULAR_SPEED)
AngularAcceleration = _quantity(ANGULAR_ACCELERATION)
AngularJerk = _quantity(ANGULAR_JERK)
Frequency = _quantity(FREQUENCY)
AngleGain = _quantity(ANGLE_GAIN)
Time = _quantity(TIME)
Force = _quantity(FORCE)
Torque = _quantity(TORQUE)
TorquePerPressure = _quantity(TORQUE_PER_PRESSURE)
Inertia = _quantity(INERTIA)
Elasticity = _quantity(ELASTICITY)
Stress = _quantity(STRESS)
Stiffness = _quantity(STIFFNESS)
RotaryDamping = _quantity(ROTARY_DAMPING)
Temperature = _quantity(TEMPERATURE)
Density = _quantity(DENSITY)
Viscosity = _quantity(VISCOSITY)
Speed = _quantity(SPEED)
Voltage = _quantity(VOLTAGE)
Current = _quantity(CURRENT)
Resistance = _quantity(RESISTANCE)
Capacitance = _quantity(CAPACITANCE)
Inductance = _quantity(INDUCTANCE)
Power = _quantity(POWER)
TorqueConstant = _quantity(TORQUE_CONSTANT)
ThermalResistance = _quantity(THERMAL_RESISTANCE)
PerKelvin = _quantity(PER_KELVIN)
Rate = _quantity(RATE)
SpeedGain = _quantity(SPEED_GAIN)
CurrentGain = _quantity(CURRENT_GAIN)
WarmingRate = _quantity(WARMING_RATE)
HeatConductance = _quantity(HEAT_CONDUCTANCE)
MassFlow = _quantity(MASS_FLOW)
TemperatureDifference = _quantity(TEMPERATURE_DIFFERENCE)
HeatFlow = _quantity(HEAT_FLOW)
SpecificHeat = _quantity(SPECIFIC_HEAT)
Charge = _quantity(CHARGE)
CurrentSquaredTime = _quantity(CURRENT_SQUARED_TIME)
HeatCapacity = _quantity(HEAT_CAPACITY)
Fraction = _quantity(FRACTION)
Number = _quantity(NUMBER)
