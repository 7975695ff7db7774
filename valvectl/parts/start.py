"""Start of an engine: gas that a liquid compresses, propellant that burns at once. Bounds, not predictions."""

from __future__ import annotations

import math


def compressed_temperature(temperature: float, pressure: float, end_pressure: float, gamma: float) -> float:
    """Temperature [K] of a gas compressed without heat loss from ``pressure`` to ``end_pressure`` [Pa], isentropic.

    T (p2/p1)^((gamma - 1)/gamma). An upper bound for the bulk of the gas in a small line, where the walls cool it.
    """
    exponent = (gamma - 1.0) / gamma
    return temperature * math.pow(end_pressure / pressure, exponent)


def gas_energy_per_mass(c_star: float, gamma: float) -> float:
    """R T of the chamber gas [J/kg] from its characteristic velocity [m/s]: (c* Gamma)^2.

    Gamma = sqrt(gamma) (2/(gamma+1))^((gamma+1)/(2(gamma-1))), any rocket propulsion text (c* = sqrt(R T) / Gamma).
    """
    function = math.sqrt(gamma) * math.pow(2.0 / (gamma + 1.0), (gamma + 1.0) / (2.0 * (gamma - 1.0)))
    return (c_star * function) * (c_star * function)


def closed_force(c_star: float, gamma: float) -> float:
    """Pressure over density [J/kg] of propellant burnt at once in a closed volume, from its c* [m/s]: gamma R T.

    Constant-volume combustion heats to about gamma times the constant-pressure temperature; within 3 % of equilibrium at
    constant volume with the shifting gamma, near the mixture ratio that gamma belongs to.
    """
    return gamma * gas_energy_per_mass(c_star, gamma)


def burnable_mass(oxidizer: float, fuel: float, mixture_ratio: float) -> float:
    """Mass [kg] that can burn at a mixture ratio out of two masses present [kg]: the scarcer one decides."""
    by_oxidizer = oxidizer * (1.0 + mixture_ratio) / mixture_ratio
    by_fuel = fuel * (1.0 + mixture_ratio)
    return by_oxidizer if by_oxidizer < by_fuel else by_fuel
