"""The heated jacket of a leg as numbers: what the liquid behind it is at any setting, and at full thrust.

The flow laws of the whole program (balance, linear model, simulation, chug) use one density behind the jacket, that of full
thrust, so that they agree with each other; ``temperature_at`` and the tables tell what it really is elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from valvectl.design.schema import Jacket
from valvectl.errors import RangeError
from valvectl.parts import jacket as laws
from valvectl.parts.liquid import LiquidState
from valvectl.parts.lookup import FloatArray
from valvectl.parts.warm_liquid import NODES, highest_temperature, known, warm_table

REACH = 2.3
"""Tables reach to this multiple of the rise at full thrust: throttle^-0.2 at 2 % is 2.2."""
ROOM_TO_HOTTEST = 0.1
"""Least step of temperature that a table may have over its whole length [K]."""


@dataclass(frozen=True, eq=False)
class JacketHeat:
    """Heat pick-up of a leg's jacket, SI; tables over temperature have shape (n,)."""

    absorbed: float
    """Heat taken up per mass of liquid at full thrust [J/kg]."""
    heat: float
    """Heat taken up at full thrust [W]."""
    rise: float
    """Rise of the mean temperature at full thrust [K]."""
    full_pressure: float
    """Chamber pressure at full thrust [Pa]."""
    full_flow: float
    """Flow at full thrust [kg/s]."""
    volume: float
    """Liquid in the jacket [m^3]."""
    temperature: FloatArray
    """Rising from the inlet's [K]."""
    content: FloatArray
    """Heat content above the inlet [J/kg]."""
    density_ratio: FloatArray
    """Density over that before the jacket [-]."""
    sound_ratio: FloatArray
    """Speed of sound over that before the jacket [-]."""
    viscosity_ratio: FloatArray
    """Viscosity over that before the jacket [-]."""
    vapour_pressure: FloatArray
    """[Pa]"""
    source: str
    """Where the numbers come from."""

    @property
    def full_temperature(self) -> float:
        """Mean temperature behind the jacket at full thrust [K]."""
        return float(self.temperature[0]) + self.rise

    def temperature_at(self, chamber_pressure: float, flow: float) -> float:
        """Mean temperature behind the jacket [K] in steady flow; NaN beyond the table."""
        heat = laws.absorbed(self.absorbed, chamber_pressure / self.full_pressure, flow / self.full_flow)
        return float(np.interp(heat, self.content, self.temperature, right=np.nan))

    def ratio_at(self, table: FloatArray, temperature: float) -> float:
        """Value of one of the tables at a temperature [K]."""
        return float(np.interp(temperature, self.temperature, table))

    def vapour_pressure_at(self, temperature: float) -> float:
        """Vapour pressure behind the jacket [Pa]; ln p is straight in 1/T between the table's points. NaN stays NaN."""
        logs = np.interp(-1.0 / temperature, -1.0 / self.temperature, np.log(self.vapour_pressure))
        return float(np.exp(logs))


def jacket_heat(
    given: Jacket, name: str, state: LiquidState, flow: float, chamber_pressure: float, manifold: float
) -> JacketHeat | None:
    """Heat pick-up that a design states; None without one.

    given : the table of the design; name : of the liquid with its strength; state : before the jacket;
    flow, chamber_pressure, manifold : at full thrust [kg/s], [Pa], pressure behind the jacket [Pa].

    Raises ``RangeError`` when the liquid's properties do not reach the temperature behind the jacket.
    """
    if given.heat is None and given.temperature_rise is None:
        return None
    stated = given.outlet_density is not None and given.outlet_vapour_pressure is not None
    if known(name) and not (stated and given.specific_heat is not None):
        return _from_tables(given, name, state, flow, chamber_pressure, manifold)
    return _from_numbers(given, state, flow, chamber_pressure)


def _from_tables(
    given: Jacket, name: str, state: LiquidState, flow: float, chamber_pressure: float, manifold: float
) -> JacketHeat:
    inlet, highest = state.temperature, highest_temperature(name)
    if highest - inlet < ROOM_TO_HOTTEST:
        raise RangeError(
            f"{state.name} at {inlet:.2f} K leaves a jacket no room: its properties end at {highest:.1f} K"
        )
    first = warm_table(name, (inlet,), manifold)["heat_capacity"][0]
    capacity = given.specific_heat if given.specific_heat is not None else first
    guess = given.temperature_rise if given.temperature_rise is not None else float(given.heat or 0.0) / flow / capacity
    temperature = np.linspace(inlet, min(inlet + REACH * guess, highest), NODES)
    table = {key: np.array(values) for key, values in warm_table(name, temperature.tolist(), manifold).items()}
    heats = np.full(NODES, given.specific_heat) if given.specific_heat is not None else table["heat_capacity"]
    steps = np.diff(temperature) * 0.5 * (heats[1:] + heats[:-1])
    content = np.concatenate(([0.0], np.cumsum(steps)))
    if given.temperature_rise is not None:
        rise = float(given.temperature_rise)
        absorbed = float(np.interp(inlet + rise, temperature, content))
    else:
        absorbed = float(given.heat or 0.0) / flow
        rise = float(np.interp(absorbed, content, temperature)) - inlet
    if inlet + rise >= highest - 1e-9 or absorbed >= content[-1]:
        raise RangeError(
            f"the jacket heats {state.name} to {inlet + rise:.0f} K or more at full thrust; its properties as a liquid end at "
            f"{highest:.0f} K. Lower the heat, or give jacket.specific_heat, jacket.outlet_density and "
            "jacket.outlet_vapour_pressure"
        )
    density = table["density"] / table["density"][0]
    vapour = table["vapour_pressure"] * (state.vapour_pressure / table["vapour_pressure"][0])
    hot = inlet + rise
    # A number given for full thrust scales the table's change between inlet and outlet.
    if given.outlet_density is not None:
        wanted = given.outlet_density / state.density
        density = 1.0 + (density - 1.0) * (wanted - 1.0) / (float(np.interp(hot, temperature, density)) - 1.0)
    if given.outlet_vapour_pressure is not None:
        change = np.log(vapour / vapour[0])
        wanted = float(np.log(given.outlet_vapour_pressure / state.vapour_pressure))
        vapour = vapour[0] * np.exp(change * wanted / float(np.interp(-1.0 / hot, -1.0 / temperature, change)))
    if bool(np.any(density <= 0.0)):
        raise RangeError("jacket.outlet_density can not be that far from the density before the jacket")
    viscosity = table["viscosity"]
    return JacketHeat(
        absorbed=absorbed,
        heat=absorbed * flow,
        rise=rise,
        full_pressure=chamber_pressure,
        full_flow=flow,
        volume=given.liquid_volume,
        temperature=temperature,
        content=content,
        density_ratio=density,
        sound_ratio=table["sound_speed"] / table["sound_speed"][0],
        viscosity_ratio=viscosity / viscosity[0] if viscosity[0] > 0.0 else np.ones(NODES),
        vapour_pressure=vapour,
        source="properties over temperature by name",
    )


def _from_numbers(given: Jacket, state: LiquidState, flow: float, chamber_pressure: float) -> JacketHeat:
    """A liquid that is only known by numbers: straight in density, ln of vapour pressure straight in 1/T."""
    missing = [k for k in ("specific_heat", "outlet_density", "outlet_vapour_pressure") if getattr(given, k) is None]
    if missing:
        names = " and ".join(f"jacket.{key}" for key in missing)
        raise RangeError(f"{state.name} is not known over temperature; for its heated jacket give {names} as well")
    capacity = float(given.specific_heat or 0.0)
    absorbed = float(given.heat) / flow if given.heat is not None else capacity * float(given.temperature_rise or 0.0)
    rise = absorbed / capacity
    temperature = np.linspace(state.temperature, state.temperature + REACH * rise, NODES)
    share = (temperature - state.temperature) / rise
    density = 1.0 + (float(given.outlet_density or 0.0) / state.density - 1.0) * share
    hot = state.temperature + rise
    slope = np.log(float(given.outlet_vapour_pressure or 0.0) / state.vapour_pressure) / (
        1 / state.temperature - 1 / hot
    )
    return JacketHeat(
        absorbed=absorbed,
        heat=absorbed * flow,
        rise=rise,
        full_pressure=chamber_pressure,
        full_flow=flow,
        volume=given.liquid_volume,
        temperature=temperature,
        content=capacity * (temperature - state.temperature),
        density_ratio=np.maximum(density, 0.05),
        sound_ratio=np.ones(NODES),
        viscosity_ratio=np.ones(NODES),
        vapour_pressure=state.vapour_pressure * np.exp(slope * (1 / state.temperature - 1 / temperature)),
        source="numbers of the design file; speed of sound and viscosity as before the jacket",
    )
