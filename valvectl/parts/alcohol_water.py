"""Alcohols with water as liquids: density, vapour pressure, viscosity, speed of sound, heat capacity.

Methanol, ethanol and isopropanol with 0 to 60 % water by mass, 0 to 150 degC. Each property is that of the two liquids by
themselves plus an excess that is tabulated at one temperature (ethanol: several):

    density       molar volumes at temperature and pressure, plus the excess volume of a published density table
    vapour        p = x1 g1 p1(T) + x2 g2 p2(T), activity coefficients g by Wilson (1964) with published constants
    viscosity     ln mu = x1 ln mu1 + x2 ln mu2 + D, D from a published table (Grunberg and Nissan's form)
    sound         a table at 25 degC, moved in temperature and pressure as the ideal mixture moves
    heat          mass-weighted heat capacities plus an excess at 20 degC
    critical      pressure of the pure liquids, weighted by mole fraction (Kay); it enters the valve's FF factor alone

Pure water, ethanol and methanol come from CoolProp, pure isopropanol from the correlations below.
"""

from __future__ import annotations

import functools
import itertools
import math
import types
from collections.abc import Mapping
from typing import Any

from valvectl.errors import RangeError
from valvectl.parts.fluid_state import liquid_numbers, saturation_pressure
from valvectl.parts.oiml import HIGHEST, ethanol_water_density

ALCOHOLS = ("methanol", "ethanol", "isopropanol")
"""Alcohols that may carry water."""
MOST_WATER = 0.60
"""Largest mass fraction of water [-]."""
HOTTEST = 423.15
"""Highest temperature [K]; Wilson's constants were fitted near the normal boiling points."""
COLDEST, COLDEST_PURE = 273.16, 220.0
"""Lowest temperature with water in it and, for isopropanol, without [K]."""

MOLAR_MASS = {"methanol": 32.042e-3, "ethanol": 46.068e-3, "isopropanol": 60.095e-3, "water": 18.015e-3}
"""[kg/mol]"""
_LIBRARY = {"methanol": "Methanol", "ethanol": "Ethanol", "water": "Water"}

# Wilson's energies [cal/mol] and molar volumes [cm^3/mol], alcohol then water: Gmehling and Onken's data series as printed
# in Perry's Handbook (methanol, ethanol) and in Smith, Van Ness and Abbott's text (isopropanol), from memory.
_WILSON = {
    "methanol": (107.3832, 469.5509, 40.73),
    "ethanol": (325.0757, 953.2792, 58.69),
    "isopropanol": (437.98, 1238.00, 76.92),
}
_WATER_VOLUME = 18.07
_GAS = 1.98720425
"""Gas constant [cal/(mol K)]."""

# Density at 20 degC [kg/m^3] over the mass fraction of alcohol: methanol from the CRC Handbook (concentrative properties of
# aqueous solutions), isopropanol from R. B. Lebo, J. Am. Chem. Soc. 43 (1921).
_DENSITY: dict[str, tuple[tuple[float, float], ...]] = {
    "methanol": ((0.40, 934.7), (0.50, 915.6), (0.60, 894.4), (0.70, 871.5), (0.80, 846.8), (0.90, 820.4), (1.0, 791.7)),
    "isopropanol": (
        (0.3317, 945.90), (0.4302, 924.18), (0.5307, 898.68), (0.6522, 870.03), (0.7435, 848.28), (0.8509, 822.82),
        (0.9035, 808.66), (1.0, 785.56),
    ),
}  # fmt: skip
_WATER_AT_20 = 998.2

# Viscosity [mPa s] of ethanol with water: Bingham and Jackson, Bulletin of the Bureau of Standards 14 (1918), abridged, over
# temperature [degC] and mass per cent of ethanol; the last row's empty places are held from the row above.
_ETHANOL_PERCENT = (0.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0)
_ETHANOL_VISCOSITY: tuple[tuple[float, tuple[float, ...]], ...] = (
    (0.0, (1.792, 7.14, 6.58, 5.75, 4.762, 3.690, 2.732, 1.773)),
    (10.0, (1.308, 4.39, 4.18, 3.77, 3.268, 2.710, 2.101, 1.466)),
    (20.0, (1.005, 2.91, 2.87, 2.67, 2.370, 2.008, 1.610, 1.200)),
    (30.0, (0.801, 2.02, 2.02, 1.93, 1.767, 1.531, 1.279, 1.003)),
    (40.0, (0.656, 1.482, 1.499, 1.447, 1.344, 1.203, 1.035, 0.834)),
    (50.0, (0.549, 1.132, 1.155, 1.127, 1.062, 0.968, 0.848, 0.702)),
    (60.0, (0.469, 0.893, 0.913, 0.902, 0.856, 0.789, 0.704, 0.592)),
    (70.0, (0.406, 0.727, 0.740, 0.729, 0.695, 0.650, 0.589, 0.504)),
)
# Viscosity [mPa s] at one temperature: methanol at 20 degC (CRC Handbook), isopropanol at 25 degC (from memory, within 5 %).
_VISCOSITY: dict[str, tuple[float, tuple[tuple[float, float], ...]]] = {
    "methanol": (1.002, ((0.40, 1.837), (0.50, 1.761), (0.60, 1.600), (0.70, 1.368), (0.80, 1.128), (0.90, 0.861), (1.0, 0.586))),
    "isopropanol": (0.890, ((0.40, 3.03), (0.50, 3.12), (0.60, 3.05), (0.70, 2.86), (0.80, 2.57), (0.90, 2.28), (1.0, 2.05))),
}  # fmt: skip
# Speed of sound at 25 degC [m/s] over the mole fraction of alcohol; from memory of measurements, within 2 %.
_SOUND: dict[str, tuple[tuple[float, float], ...]] = {
    "methanol": ((0.2, 1553.0), (0.3, 1515.0), (0.4, 1456.0), (0.5, 1394.0), (0.6, 1332.0), (0.7, 1273.0), (0.8, 1216.0),
                 (0.9, 1158.0), (1.0, 1102.0)),
    "ethanol": ((0.2, 1547.0), (0.3, 1461.0), (0.4, 1391.0), (0.5, 1335.0), (0.6, 1287.0), (0.8, 1208.0), (1.0, 1143.0)),
    "isopropanol": ((0.1, 1587.0), (0.2, 1481.0), (0.3, 1404.0), (0.4, 1347.0), (0.5, 1303.0), (0.6, 1266.0), (0.8, 1198.0),
                    (1.0, 1139.0)),
}  # fmt: skip
# Excess heat capacity at 20 degC [J/(kg K)] over the mass fraction of alcohol; up to 60 % alcohol within 3 % of the fits in
# CoolProp's library (Melinder 2010), beyond from memory; isopropanol by likeness.
_HEAT: dict[str, tuple[tuple[float, float], ...]] = {
    "methanol": ((0.4, 310.0), (0.5, 260.0), (0.6, 200.0), (0.7, 140.0), (0.8, 90.0), (0.9, 40.0), (1.0, 0.0)),
    "ethanol": ((0.4, 550.0), (0.5, 490.0), (0.6, 380.0), (0.7, 250.0), (0.8, 160.0), (0.9, 80.0), (1.0, 0.0)),
    "isopropanol": ((0.4, 450.0), (0.5, 400.0), (0.6, 300.0), (0.7, 200.0), (0.8, 120.0), (0.9, 60.0), (1.0, 0.0)),
}
_ROOM, _ROOM_PRESSURE = 298.15, 101325.0
_ISOPROPANOL_CRITICAL = 4.765e6


def mole_fraction(alcohol: str, water: float) -> float:
    """Mole fraction of the alcohol [-] in a mixture with a mass fraction ``water`` [-]."""
    moles = (1.0 - water) / MOLAR_MASS[alcohol]
    return moles / (moles + water / MOLAR_MASS["water"])


def wilson(alcohol: str, x: float, temperature: float) -> tuple[float, float]:
    """Activity coefficients [-] of alcohol and water at a mole fraction ``x`` of alcohol [-] and a temperature [K]."""
    first, second, volume = _WILSON[alcohol]
    a = _WATER_VOLUME / volume * math.exp(-first / (_GAS * temperature))
    b = volume / _WATER_VOLUME * math.exp(-second / (_GAS * temperature))
    y = 1.0 - x
    s, t = x + a * y, y + b * x
    d = a / s - b / t
    return math.exp(-math.log(s) + y * d), math.exp(-math.log(t) - x * d)


def isopropanol_vapour_pressure(temperature: float) -> float:
    """Saturation pressure of isopropanol [Pa] at a temperature [K], 185 to 508 K (DIPPR form 101 as in Perry's Handbook)."""
    t = temperature
    return math.exp(76.964 - 7623.8 / t - 7.4924 * math.log(t) + 5.9436e-18 * t**6)


def isopropanol_density(temperature: float) -> float:
    """Density of saturated liquid isopropanol [kg/m^3] at a temperature [K] (DIPPR form 105 as in Perry's Handbook, from
    memory)."""
    return 1e3 * MOLAR_MASS["isopropanol"] * 1.24 / math.pow(0.27342, 1.0 + math.pow(1.0 - temperature / 508.3, 0.2353))


def isopropanol_viscosity(temperature: float) -> float:
    """Viscosity of liquid isopropanol [Pa s] at a temperature [K], 187 to 356 K (DIPPR form 101, from memory)."""
    return math.exp(-8.23 + 2282.2 / temperature - 0.98495 * math.log(temperature))


def _at(points: tuple[tuple[float, float], ...], where: float) -> float:
    """Straight lines between points, held at the ends."""
    if where <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        if where <= x1:
            return y0 + (y1 - y0) * (where - x0) / (x1 - x0)
    return points[-1][1]


def excess_volume(alcohol: str, water: float, temperature: float) -> float:
    """Volume of mixing [m^3/mol], negative: mixture over the two liquids apart.

    Ethanol: from OIML R 22 between 0 and 40 degC, held outside; the others: from their table at 20 degC.
    """
    w, x = 1.0 - water, mole_fraction(alcohol, water)
    mass = x * MOLAR_MASS[alcohol] + (1.0 - x) * MOLAR_MASS["water"]
    if alcohol == "ethanol":
        t = min(max(temperature, 273.15), HIGHEST)
        mixed, pure, plain = (ethanol_water_density(share, t) for share in (w, 1.0, 0.0))
    else:
        mixed, pure, plain = _at(_DENSITY[alcohol], w), _DENSITY[alcohol][-1][1], _WATER_AT_20
    return mass / mixed - x * MOLAR_MASS[alcohol] / pure - (1.0 - x) * MOLAR_MASS["water"] / plain


def excess_log_viscosity(alcohol: str, water: float, temperature: float) -> float:
    """D [-]: ln viscosity over its mole-weighted mean; that of the others fades with temperature as ethanol's does."""
    w = 1.0 - water

    def ethanol(share: float, degrees: float) -> float:
        x = mole_fraction("ethanol", 1.0 - share)
        rows = []
        for t, row in _ETHANOL_VISCOSITY:
            logs = tuple((p / 100.0, math.log(mu)) for p, mu in zip(_ETHANOL_PERCENT[1:], row[1:], strict=True))
            rows.append((t, _at(logs, share) - x * math.log(row[-1]) - (1.0 - x) * math.log(row[0])))
        return _at(tuple(rows), degrees)

    degrees = temperature - 273.15
    if alcohol == "ethanol":
        return ethanol(w, degrees)
    if water == 0.0:
        return 0.0
    plain, points = _VISCOSITY[alcohol]
    x = mole_fraction(alcohol, water)
    there = _at(tuple((p, math.log(mu)) for p, mu in points), w)
    there -= x * math.log(points[-1][1]) + (1.0 - x) * math.log(plain)
    home = 20.0 if alcohol == "methanol" else 25.0
    return there * ethanol(w, degrees) / ethanol(w, home)


def _pure(name: str, temperature: float, pressure: float) -> dict[str, float]:
    """Density, vapour pressure, viscosity, sound speed, heat capacity and critical pressure of one of the liquids; below
    its own saturation pressure the liquid just above it."""
    if name == "isopropanol":
        sound = 1139.0 - 3.5 * (temperature - _ROOM)
        vapour, rho = isopropanol_vapour_pressure(temperature), isopropanol_density(temperature)
        # isothermal over isentropic compressibility of the lower alcohols: about 1.15
        rho *= 1.0 + 1.15 / (rho * sound * sound) * max(pressure - vapour, 0.0)
        return {
            "density": rho,
            "vapour_pressure": vapour,
            "viscosity": isopropanol_viscosity(temperature),
            "sound_speed": sound,
            "heat_capacity": 2600.0 + 9.0 * (temperature - _ROOM),
            "critical_pressure": _ISOPROPANOL_CRITICAL,
        }
    fluid = _LIBRARY[name]
    vapour = saturation_pressure(fluid, temperature)
    numbers = liquid_numbers(fluid, temperature, max(pressure, 1.0001 * vapour))
    known = {key: float(value) for key, value in numbers.items() if value is not None}
    return known | {"vapour_pressure": vapour, "critical_pressure": _critical_pressure(fluid)}


@functools.lru_cache(maxsize=8)
def _critical_pressure(fluid: str) -> float:
    from CoolProp import CoolProp as coolprop

    return float(coolprop.PropsSI("pcrit", fluid))


@functools.lru_cache(maxsize=8)
def _at_room(name: str) -> Mapping[str, float]:
    return types.MappingProxyType(_pure(name, _ROOM, _ROOM_PRESSURE))


def _ideal_sound(x: float, alcohol: str, one: Mapping[str, float], two: Mapping[str, float]) -> float:
    """Speed of sound when compressibilities add by volume [m/s] (Wood)."""
    masses = x * MOLAR_MASS[alcohol], (1.0 - x) * MOLAR_MASS["water"]
    volumes = masses[0] / one["density"], masses[1] / two["density"]
    squeeze = sum(v / (p["density"] * p["sound_speed"] ** 2) for v, p in zip(volumes, (one, two), strict=True))
    return math.sqrt(sum(volumes) / sum(masses) / (squeeze / sum(volumes)))


def bubble_pressure(alcohol: str, water: float, temperature: float) -> float:
    """Pressure at which the mixture begins to boil [Pa], by Wilson's activities and the pure vapour pressures."""
    x = mole_fraction(alcohol, water)
    one = _vapour_pressure(alcohol, temperature)
    if water == 0.0:
        return one
    g1, g2 = wilson(alcohol, x, temperature)
    return x * g1 * one + (1.0 - x) * g2 * _vapour_pressure("water", temperature)


def _vapour_pressure(name: str, temperature: float) -> float:
    """Saturation pressure of one of the liquids by itself [Pa]."""
    if name == "isopropanol":
        return isopropanol_vapour_pressure(temperature)
    return saturation_pressure(_LIBRARY[name], temperature)


def check_range(alcohol: str, water: float, temperature: float) -> None:
    """Raise ``RangeError`` where the correlations do not reach."""
    if not 0.0 <= water <= MOST_WATER:
        raise RangeError(
            f"{alcohol} with {100 * water:.3g} % water: the mixture's properties reach from 0 to {100 * MOST_WATER:.0f} % "
            "water by mass; give its numbers in the design file"
        )
    coldest = COLDEST if water > 0.0 else COLDEST_PURE
    if not coldest <= temperature <= HOTTEST:
        raise RangeError(
            f"{alcohol} with {100 * water:.3g} % water at {temperature:.2f} K: the mixture's properties reach from "
            f"{coldest:.2f} to {HOTTEST:.2f} K; give its numbers in the design file"
        )


def alcohol_water(alcohol: str, water: float, temperature: float, pressure: float) -> dict[str, Any]:
    """Properties of an alcohol with water; keys as ``liquid.PROPERTIES``, and ``heat_capacity`` [J/(kg K)].

    alcohol : one of ``ALCOHOLS``; water : mass fraction, 0 to 0.6 [-]; temperature : [K]; pressure : absolute [Pa]. At or
    below the vapour pressure the numbers are those of the liquid just above it: the caller says that it boils.

    Accuracy against tables: density 0.15 % at 0 to 40 degC (isopropanol 0.3 %), 1 % hot (the excess volume is held);
    vapour pressure 3 % near the boiling points, 10 % at 150 degC; viscosity 3 % (ethanol), 10 % (the others, and above
    80 degC); sound 3 %; heat capacity 5 %. Hot numbers and those of sound are estimates, not compared with a table.

    Raises ``RangeError`` outside the range.
    """
    check_range(alcohol, water, temperature)
    x = mole_fraction(alcohol, water)
    vapour = bubble_pressure(alcohol, water, temperature)
    at = max(pressure, vapour)
    one = _pure(alcohol, temperature, at)
    if water == 0.0:
        return one | {"vapour_pressure": vapour}
    two = _pure("water", temperature, at)
    mass = x * MOLAR_MASS[alcohol] + (1.0 - x) * MOLAR_MASS["water"]
    volume = x * MOLAR_MASS[alcohol] / one["density"] + (1.0 - x) * MOLAR_MASS["water"] / two["density"]
    logs = x * math.log(one["viscosity"]) + (1.0 - x) * math.log(two["viscosity"])
    room = _ideal_sound(x, alcohol, _at_room(alcohol), _at_room("water"))
    return {
        "density": mass / (volume + excess_volume(alcohol, water, temperature)),
        "vapour_pressure": vapour,
        "critical_pressure": x * one["critical_pressure"] + (1.0 - x) * two["critical_pressure"],
        "viscosity": math.exp(logs + excess_log_viscosity(alcohol, water, temperature)),
        "sound_speed": _at(_SOUND[alcohol], x) * _ideal_sound(x, alcohol, one, two) / room,
        "heat_capacity": (1.0 - water) * one["heat_capacity"]
        + water * two["heat_capacity"]
        + _at(_HEAT[alcohol], 1.0 - water),
    }
