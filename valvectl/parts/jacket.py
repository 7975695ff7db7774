"""Heat that a cooling jacket takes up and what it does to the liquid behind it, as plain laws."""

from __future__ import annotations

import math

BARTZ_EXPONENT = 0.8
"""Exponent of chamber pressure in the gas-side heat flux (Bartz, Jet Propulsion 27 (1957), from memory): at a fixed mixture
ratio and wall temperature the heat taken up goes with it."""


def heat_ratio(pressure_ratio: float) -> float:
    """Heat taken up over that at full thrust [-]; ``pressure_ratio`` chamber pressure over that at full thrust [-]."""
    return math.pow(pressure_ratio, BARTZ_EXPONENT)


def absorbed(full: float, pressure_ratio: float, flow_ratio: float) -> float:
    """Heat taken up per mass of liquid [J/kg].

    full : the same at full thrust [J/kg]; pressure_ratio, flow_ratio : chamber pressure and flow of the jacket over those
    at full thrust [-]. As flow goes nearly with pressure it rises towards low thrust, as throttle^-0.2.
    """
    return full * heat_ratio(pressure_ratio) / flow_ratio


def dwell(volume: float, rho: float, flow: float) -> float:
    """Time that liquid spends in the jacket [s]: volume [m^3], mean density [kg/m^3], flow [kg/s]. A change of temperature
    at the injector lags a change of heat or flow by about this much."""
    return volume * rho / flow


def boils(pressure: float, vapour_pressure: float) -> bool:
    """True when the liquid boils: static pressure [Pa] at or below its vapour pressure [Pa]; mean temperature, no surface
    boiling at the hot wall, no dissolved gas."""
    return pressure <= vapour_pressure
