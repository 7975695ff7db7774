"""Gas above the liquid in a tank: what inflow, outflow of liquid and cooling do to its pressure and temperature.

One well-mixed perfect gas with constant specific heats, no vapour of the propellant in it. Energy balance of the gas with
internal energy U = m cv T = p V / (gamma - 1):

    dU/dt = inflow cp T_in - p dV/dt - hA (T - T_sink)

Without inflow it runs between the isentropic (hA = 0) and the isothermal (hA large) expansion. Validity: perfect gas; see
``tests/reference`` for what a real gas differs at tank pressures. Source: any textbook on thermodynamics of open systems,
for example Moran & Shapiro, control-volume analysis (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from valvectl.parts.valve_gas import GAS_CONSTANT


@dataclass(frozen=True)
class PressurantGas:
    """A perfect gas."""

    name: str
    molar_mass: float
    """[kg/mol]"""
    gamma: float
    """Ratio of specific heats [-], dilute gas near room temperature."""

    @property
    def constant(self) -> float:
        """Specific gas constant [J/(kg K)]."""
        return GAS_CONSTANT / self.molar_mass

    @property
    def cv(self) -> float:
        """Specific heat at constant volume [J/(kg K)]."""
        return self.constant / (self.gamma - 1.0)

    @property
    def cp(self) -> float:
        """Specific heat at constant pressure [J/(kg K)]."""
        return self.gamma * self.cv


GASES = {
    gas.name: gas
    for gas in (
        PressurantGas("nitrogen", 28.0134e-3, 1.40),
        PressurantGas("helium", 4.002602e-3, 5.0 / 3.0),
        PressurantGas("argon", 39.948e-3, 5.0 / 3.0),
        PressurantGas("oxygen", 31.9988e-3, 1.40),
    )
}
"""Gases by name; molar masses of the IUPAC table, gamma of a dilute gas. Oxygen stands for a tank that is pressurised with
its own warm vapour."""


def gas_pressure(mass: float, temperature: float, volume: float, constant: float) -> float:
    """Pressure [Pa] of a mass [kg] at a temperature [K] in a volume [m^3]; ``constant`` R [J/(kg K)]."""
    return mass * constant * temperature / volume


def gas_mass(pressure: float, volume: float, temperature: float, constant: float) -> float:
    """Mass [kg] that fills a volume [m^3] at a pressure [Pa] and temperature [K]; ``constant`` R [J/(kg K)]."""
    return pressure * volume / (constant * temperature)


def internal_energy(pressure: float, volume: float, gamma: float) -> float:
    """Internal energy [J] of the gas, counted from 0 K: p V / (gamma - 1), from pressure [Pa] and volume [m^3]."""
    return pressure * volume / (gamma - 1.0)


def energy_pressure(energy: float, volume: float, gamma: float) -> float:
    """Pressure [Pa] of a gas with an internal energy [J] in a volume [m^3]."""
    return (gamma - 1.0) * energy / volume


def energy_rate(inflow: float, enthalpy: float, pressure: float, outflow: float, heat: float) -> float:
    """Rate of internal energy [W]: gas inflow [kg/s] with its enthalpy [J/kg], less p dV work on the liquid that leaves
    (``outflow`` [m^3/s] at ``pressure`` [Pa]), less heat lost [W]."""
    return inflow * enthalpy - pressure * outflow - heat


def pressure_rate(
    pressure: float, volume: float, gamma: float, inflow: float, enthalpy: float, outflow: float, heat: float
) -> float:
    """Rate of pressure [Pa/s]: ((gamma - 1)(inflow h - heat) - gamma p dV/dt) / V.

    ``pressure`` [Pa], ``volume`` of the gas [m^3], ``inflow`` [kg/s], its ``enthalpy`` [J/kg], liquid ``outflow`` [m^3/s],
    ``heat`` lost [W].
    """
    return ((gamma - 1.0) * (inflow * enthalpy - heat) - gamma * pressure * outflow) / volume


def temperature_rate(mass: float, temperature: float, cv: float, energy_change: float, inflow: float) -> float:
    """Rate of temperature [K/s] from the rate of internal energy [W] and the inflow [kg/s]: (dU/dt - cv T dm/dt)/(m cv)."""
    return (energy_change - cv * temperature * inflow) / (mass * cv)


def inflow_for_rate(
    rate: float, pressure: float, volume: float, gamma: float, enthalpy: float, outflow: float, heat: float
) -> float:
    """Inflow of gas [kg/s] at which the pressure changes at a ``rate`` [Pa/s]: the inverse of ``pressure_rate``.

    With rate zero it is the flow that holds the pressure; negative when gas would have to leave.
    """
    return ((rate * volume + gamma * pressure * outflow) / (gamma - 1.0) + heat) / enthalpy


def heat_flow(exchange: float, temperature: float, sink: float) -> float:
    """Heat [W] from gas at a temperature [K] to wall and liquid at ``sink`` [K]; ``exchange`` hA [W/K]."""
    return exchange * (temperature - sink)


def cooled_temperature(temperature: float, sink: float, exchange: float, capacity: float, time: float) -> float:
    """Temperature [K] after a time [s] of heat exchange alone: exponential towards ``sink`` [K] with capacity/hA.

    ``exchange`` hA [W/K], heat ``capacity`` of the gas [J/K]; exact at constant capacity.
    """
    return sink + (temperature - sink) * math.exp(-exchange * time / capacity)


def polytropic_pressure(pressure: float, volume: float, later_volume: float, exponent: float) -> float:
    """Pressure [Pa] after a closed gas grew from one volume [m^3] to another: p (V/V')^n.

    n = 1 is isothermal (slow), gamma isentropic (quick). A bottle that is drawn down to a share x of its gas counts as one
    whose gas grew by 1/x.
    """
    return float(pressure * (volume / later_volume) ** exponent)


def collapsed_temperature(temperature: float, sink: float, share: float) -> float:
    """Temperature [K] after the gas lost a share [-] of its excess over the liquid at ``sink`` [K]."""
    return temperature - share * (temperature - sink)


def collapsed_pressure(pressure: float, temperature: float, sink: float, share: float) -> float:
    """Pressure [Pa] after a collapse too quick for inflow or outflow: constant mass and volume, p T'/T."""
    return pressure * collapsed_temperature(temperature, sink, share) / temperature


def collapse_factor(mass: float, pressure: float, displaced: float, temperature: float, constant: float) -> float:
    """Pressurant used [kg] over what the displaced volume [m^3] takes at tank pressure [Pa] and the gas's own inlet
    temperature [K]: 1 without heat loss and at constant pressure, more when the gas is cooled."""
    return mass / gas_mass(pressure, displaced, temperature, constant)
