"""A liquid along a rise of its temperature: density, vapour pressure, sound speed, viscosity and heat content, tabulated.

One table a jacket, through the cache, so that CoolProp is not asked again in studies. Above saturation the numbers are
those of the liquid just above its vapour pressure: whether it boils is judged by whoever reads the table.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from valvectl.errors import RangeError
from valvectl.parts.alcohol_water import HOTTEST, alcohol_water, check_range
from valvectl.parts.cache import cached
from valvectl.parts.fluid_state import liquid_numbers, saturation_pressure
from valvectl.parts.liquid import alcohol_of, coolprop_name, trade_name

NODES = 25
"""Temperatures of a table."""
NEAREST_CRITICAL = 0.97
"""Highest temperature over the critical one [-]: above, density changes too fast for one number behind a jacket."""
_ALGORITHM = 1
COLUMNS = ("density", "vapour_pressure", "sound_speed", "viscosity", "heat_capacity")


def known(name: str) -> bool:
    """True when properties over temperature can be had for this name."""
    if alcohol_of(name) is not None:
        return True
    try:
        return bool(coolprop_name(name)) and highest_temperature(name) > 0.0
    except RangeError:
        return False


def highest_temperature(name: str) -> float:
    """Highest temperature of a table [K]. Raises ``RangeError`` for a name that is not known."""
    if alcohol_of(name) is not None:
        return HOTTEST
    return float(_ask_critical(name)["temperature"]) * NEAREST_CRITICAL


def _ask_critical(name: str) -> dict[str, Any]:
    def compute() -> dict[str, Any]:
        from CoolProp import CoolProp as coolprop

        try:
            return {"temperature": float(coolprop.PropsSI("Tcrit", coolprop_name(name)))}
        except ValueError as error:
            raise RangeError(
                f"liquid {trade_name(name)!r} is not known to CoolProp; for a heated jacket give jacket.specific_heat, "
                "jacket.outlet_density and jacket.outlet_vapour_pressure"
            ) from error

    return cached("critical", {"fluid": coolprop_name(name).casefold()}, compute, libraries=("CoolProp",))


def warm_table(name: str, temperatures: Sequence[float], pressure: float) -> dict[str, list[float]]:
    """Properties at temperatures [K] and an absolute pressure [Pa]: lists under ``COLUMNS``, SI.

    Raises ``RangeError`` for a name that is not known and for temperatures that the liquid does not reach.
    """
    mixture = alcohol_of(name)
    highest = highest_temperature(name)
    if max(temperatures) > highest * (1.0 + 1e-9):
        raise RangeError(f"{trade_name(name)} at {max(temperatures):.1f} K: its table ends at {highest:.1f} K")
    fluid = f"{mixture[0]} {mixture[1]!r}" if mixture else coolprop_name(name).casefold()
    key = {"fluid": fluid, "temperatures": [float(t) for t in temperatures], "pressure": float(pressure)}

    def compute() -> dict[str, Any]:
        rows = [_row(name, mixture, float(t), float(pressure)) for t in temperatures]
        return {column: [row[column] for row in rows] for column in COLUMNS}

    return cached("warm-liquid", key, compute, libraries=("CoolProp",), algorithm=_ALGORITHM, quick=True)


def _row(name: str, mixture: tuple[str, float] | None, temperature: float, pressure: float) -> dict[str, float]:
    if mixture is not None:
        check_range(*mixture, temperature)
        return {key: float(value) for key, value in alcohol_water(*mixture, temperature, pressure).items()}
    fluid = coolprop_name(name)
    try:
        vapour = saturation_pressure(fluid, temperature)
        numbers = liquid_numbers(fluid, temperature, max(pressure, 1.0001 * vapour))
    except ValueError as error:
        raise RangeError(f"CoolProp has no liquid {trade_name(name)} at {temperature:.1f} K") from error
    if None in (numbers["density"], numbers["sound_speed"], numbers["heat_capacity"]):
        raise RangeError(f"CoolProp has no liquid {trade_name(name)} at {temperature:.1f} K")
    # a fluid may have no viscosity; it serves the orifice's Reynolds number only
    return {column: numbers.get(column) or 0.0 for column in COLUMNS} | {"vapour_pressure": vapour}
