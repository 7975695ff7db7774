"""Nozzle: one-dimensional flow of a perfect gas from the throat to the exit, and the thrust it gives.

Equations as in any text on rocket propulsion, e.g. Sutton and Biblarz, Rocket Propulsion Elements, chapter on nozzle
theory. No losses are in them; the flow fills the nozzle. ``summerfield_separation`` says when it may not.
"""

from __future__ import annotations

import math

from valvectl.parts.combustion import vandenkerckhove

SUMMERFIELD_RATIO = 0.4
"""Exit over ambient pressure below which flow in a conical nozzle may separate (Summerfield, Foster and Swan 1954, who
found 0.35 to 0.4, from memory); a rule of thumb."""


def critical_pressure_ratio(gamma: float) -> float:
    """Throat over chamber pressure of choked flow [-]; gamma : isentropic exponent [-], above 1."""
    return math.pow(2.0 / (gamma + 1.0), gamma / (gamma - 1.0))


def mach_area_ratio(mach: float, gamma: float) -> float:
    """Area over throat area [-] where the flow has this Mach number [-]; gamma : isentropic exponent [-]."""
    stagnation = 2.0 / (gamma + 1.0) * (1.0 + 0.5 * (gamma - 1.0) * mach * mach)
    return math.pow(stagnation, (gamma + 1.0) / (2.0 * (gamma - 1.0))) / mach


def area_ratio_to_mach(expansion_ratio: float, gamma: float) -> float:
    """Supersonic Mach number [-] at an area over throat area [-]; 1 when the ratio is 1 or less.

    Newton's method kept inside a bracket, on the logarithm of the area ratio. gamma : isentropic exponent [-], above 1.
    """
    if math.isnan(expansion_ratio):
        return expansion_ratio
    if expansion_ratio <= 1.0:
        return 1.0
    low = 1.0
    high = 2.0
    while mach_area_ratio(high, gamma) < expansion_ratio and high < 1e6:
        low = high
        high *= 2.0
    mach = 0.5 * (low + high)
    target = math.log(expansion_ratio)
    for _ in range(100):
        miss = math.log(mach_area_ratio(mach, gamma)) - target
        if miss > 0.0:
            high = mach
        else:
            low = mach
        slope = (mach * mach - 1.0) / (mach * (1.0 + 0.5 * (gamma - 1.0) * mach * mach))
        step = mach - miss / slope if slope > 0.0 else low
        if not low < step < high:
            step = 0.5 * (low + high)
        done = abs(step - mach) <= 1e-14 * mach
        mach = step
        if done:
            break
    return mach


def area_ratio_to_pressure_ratio(expansion_ratio: float, gamma: float) -> float:
    """Exit over chamber pressure [-] of the supersonic, full nozzle.

    expansion_ratio : exit area over throat area [-]; 1 or less gives the throat's ratio;
    gamma : isentropic exponent [-].
    """
    mach = area_ratio_to_mach(expansion_ratio, gamma)
    return math.pow(1.0 + 0.5 * (gamma - 1.0) * mach * mach, -gamma / (gamma - 1.0))


def thrust_coefficient(
    gamma: float, expansion_ratio: float, pressure_ratio_exit: float, chamber_pressure: float, ambient_pressure: float
) -> float:
    """Ideal thrust coefficient [-]: thrust over chamber pressure times throat area.

    gamma : isentropic exponent [-]; expansion_ratio : exit over throat area [-]; pressure_ratio_exit : exit over
    chamber pressure [-] (``area_ratio_to_pressure_ratio``); chamber_pressure, ambient_pressure : absolute [Pa]. Holds
    for a choked throat and a nozzle that flows full.
    """
    speed = math.sqrt(2.0 * gamma / (gamma - 1.0) * (1.0 - math.pow(pressure_ratio_exit, (gamma - 1.0) / gamma)))
    ambient_ratio = ambient_pressure / chamber_pressure
    return vandenkerckhove(gamma) * speed + expansion_ratio * (pressure_ratio_exit - ambient_ratio)


def thrust(
    chamber_pressure: float, throat_area: float, gamma: float, expansion_ratio: float, ambient_pressure: float
) -> float:
    """Ideal thrust [N]; it rises with chamber pressure at a constant rate.

    chamber_pressure, ambient_pressure : absolute [Pa]; throat_area : [m^2]; gamma : isentropic exponent [-];
    expansion_ratio : exit over throat area [-]. Holds for a choked throat and a nozzle that flows full.
    """
    exit_ratio = area_ratio_to_pressure_ratio(expansion_ratio, gamma)
    vacuum = thrust_coefficient(gamma, expansion_ratio, exit_ratio, 1.0, 0.0)
    return throat_area * (vacuum * chamber_pressure - expansion_ratio * ambient_pressure)


def thrust_to_chamber_pressure(
    thrust_wanted: float, throat_area: float, gamma: float, expansion_ratio: float, ambient_pressure: float
) -> float:
    """Chamber pressure [Pa] that gives an ideal thrust [N]: the inverse of ``thrust``, same arguments and limits."""
    exit_ratio = area_ratio_to_pressure_ratio(expansion_ratio, gamma)
    vacuum = thrust_coefficient(gamma, expansion_ratio, exit_ratio, 1.0, 0.0)
    return (thrust_wanted / throat_area + expansion_ratio * ambient_pressure) / vacuum


def throat_choked(chamber_pressure: float, gamma: float, ambient_pressure: float) -> bool:
    """True when the pressure ratio alone is enough to choke the throat; pressures absolute [Pa], gamma [-]."""
    return ambient_pressure <= critical_pressure_ratio(gamma) * chamber_pressure


def summerfield_separation(chamber_pressure: float, pressure_ratio_exit: float, ambient_pressure: float) -> bool:
    """True when the flow may separate from the nozzle wall: exit pressure below 0.4 of ambient.

    chamber_pressure, ambient_pressure : absolute [Pa]; pressure_ratio_exit : exit over chamber pressure of the full
    nozzle [-]. Rule of Summerfield, Foster and Swan (1954); the thrust laws here do not follow a separated flow.
    """
    return pressure_ratio_exit * chamber_pressure < SUMMERFIELD_RATIO * ambient_pressure
