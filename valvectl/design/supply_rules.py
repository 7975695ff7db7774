"""Which keys of a tank go together: what each supply needs, and what would have no effect in it and is refused."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

from valvectl.design.quantities import ABSOLUTE_PRESSURE, TEMPERATURE, show

if TYPE_CHECKING:
    from valvectl.design.schema_feed import Tank

TALLEST_TANK = 10.0
"""Tallest upright tank [m]; more is taken for a slip of the pen."""
GAS_TEMPERATURES = (50.0, 800.0)
"""Range for the temperature of a pressurant [K]; outside it is taken for a slip of the pen."""
ELECTRONIC_KEYS = ("kind", "sample_period", "delay", "dead_band", "proportional_band")
"""Keys of a gas valve that only an electronic regulator has."""
_BAND = {"on-off": "dead_band", "proportional": "proportional_band"}


def missing_for_supply(tank: Tank) -> tuple[str, str] | None:
    """Key and sentence about the first thing that a tank's supply needs and does not have; None when it has all."""
    if tank.supply in ("blow-down", "electronic") and tank.ullage is None:
        return "supply", f'"{tank.supply}" needs the table ullage: the gas above the liquid is what changes'
    if tank.supply == "electronic":
        for key in ("bottle", "gas_valve"):
            if getattr(tank, key) is None:
                return "supply", f'"electronic" needs the table {key}'
        valve = tank.gas_valve
        assert valve is not None
        for key in ("kind", "sample_period", "delay"):
            if getattr(valve, key) is None:
                return f"gas_valve.{key}", "key is missing: an electronic regulator needs it"
        assert valve.kind is not None
        band = _BAND[valve.kind]
        if getattr(valve, band) is None:
            return f"gas_valve.{band}", f'key is missing: kind "{valve.kind}" needs it'
    if tank.bottle is not None and tank.ullage is None and tank.supply == "regulated":
        return "bottle", "needs the table ullage: without it nothing says how much gas is drawn"
    if tank.gas_valve is not None and tank.bottle is None and tank.supply == "regulated":
        return "gas_valve", "needs the table bottle: without it nothing says what drives the gas"
    if tank.lock_up and tank.response_time is None and tank.ullage is None:
        return "lock_up", "needs response_time or the table ullage: without one the pressure is back in no time at all"
    return None


def supply_checks(get: Callable[[str], Any], leg: str) -> Iterator[tuple[str, str]]:
    """Rules of one leg's tank; yields a sentence and the dotted key to look at first.

    ``get`` gives the value [SI] at a dotted key, None when it is not there or wrong; ``leg`` such as ``legs.fuel``.
    """
    at = f"{leg}.tank"
    if leg.endswith("fuel") and get(f"{at}.ullage.gas") == "oxygen":
        yield "must not be oxygen over a fuel: gas and fuel in one tank explode", f"{at}.ullage.gas"
    supply = get(f"{at}.supply")
    if supply not in ("regulated", "blow-down", "electronic"):
        return
    pressure, band = get(f"{at}.pressure"), get(f"{at}.gas_valve.dead_band")
    if pressure is not None and band is not None and band >= pressure:
        yield f"must be below tank.pressure ({show(pressure, ABSOLUTE_PRESSURE)})", f"{at}.gas_valve.dead_band"
    volume, width = get(f"{at}.ullage.volume"), get(f"{at}.diameter")
    if volume is not None and width is not None and volume > TALLEST_TANK * 0.7854 * width * width:
        yield f"is too small for ullage.volume: the tank would be over {TALLEST_TANK:.0f} m tall", f"{at}.diameter"
    if get(f"{at}.trace") is not None:
        if supply != "regulated":
            yield (
                f'supply "{supply}" has no effect beside a trace of the pressure; leave one of them out',
                f"{at}.supply",
            )
        for key in ("lock_up", "response_time", "ullage", "bottle", "gas_valve"):
            if get(f"{at}.{key}") is not None:
                yield "has no effect beside a trace: the tank pressure is the trace's", f"{at}.{key}"
        return
    if supply != "regulated":
        if get(f"{at}.droop"):
            yield f'has no effect with supply "{supply}"; droop belongs to a spring-loaded regulator', f"{at}.droop"
        for key in ("lock_up", "response_time"):
            if get(f"{at}.{key}") is not None:
                yield f'has no effect with supply "{supply}"; it belongs to a spring-loaded regulator', f"{at}.{key}"
        if get(f"{at}.bottle.inlet_effect"):
            yield (
                f'has no effect with supply "{supply}"; it belongs to a spring-loaded regulator',
                f"{at}.bottle.inlet_effect",
            )
    if supply == "blow-down":
        for key in ("bottle", "gas_valve"):
            if get(f"{at}.{key}") is not None:
                yield 'has no effect with supply "blow-down": nothing flows into the tank', f"{at}.{key}"
    else:
        yield from _gas_valve(get, f"{at}.gas_valve", supply)
    yield from _gas(get, leg)


def _gas_valve(get: Callable[[str], Any], at: str, supply: str) -> Iterator[tuple[str, str]]:
    if supply == "regulated":
        for key in ELECTRONIC_KEYS:
            if get(f"{at}.{key}") is not None:
                yield 'has no effect with supply "regulated"; it belongs to an electronic regulator', f"{at}.{key}"
        return
    kind = get(f"{at}.kind")
    for word, key in _BAND.items():
        if kind is not None and kind != word and get(f"{at}.{key}") is not None:
            yield f'has no effect with kind "{kind}"', f"{at}.{key}"


def _gas(get: Callable[[str], Any], leg: str) -> Iterator[tuple[str, str]]:
    low, high = GAS_TEMPERATURES
    for key in ("ullage.gas_temperature", "bottle.temperature"):
        warm = get(f"{leg}.tank.{key}")
        if warm is not None and not low <= warm <= high:
            yield f"must lie between {show(low, TEMPERATURE)} and {show(high, TEMPERATURE)}", f"{leg}.tank.{key}"
    pressure, bottle = get(f"{leg}.tank.pressure"), get(f"{leg}.tank.bottle.pressure")
    if pressure is not None and bottle is not None and bottle <= pressure:
        yield f"must be above tank.pressure ({show(pressure, ABSOLUTE_PRESSURE)})", f"{leg}.tank.bottle.pressure"
    gas, liquid = get(f"{leg}.tank.ullage.gas_temperature"), get(f"{leg}.liquid.temperature")
    if get(f"{leg}.tank.ullage.collapse.share") and gas is not None and liquid is not None and gas <= liquid:
        limit = show(liquid, TEMPERATURE)
        yield f"has no effect: the gas is no warmer than the liquid ({limit})", f"{leg}.tank.ullage.collapse"


def warming_checks(get: Callable[[str], Any], leg: str) -> Iterator[tuple[str, str]]:
    """A warming that could change nothing is refused; arguments as in ``supply_checks``."""
    given = [get(f"{leg}.liquid.{key}") is not None for key in ("density", "vapour_pressure")]
    if get(f"{leg}.tank.warming") is not None and all(given):
        yield (
            "has no effect while liquid.density and liquid.vapour_pressure are given as numbers",
            f"{leg}.tank.warming",
        )


def flight_checks(get: Callable[[str], Any]) -> Iterator[tuple[str, str]]:
    """A load-factor profile that could change nothing is refused; ``get`` as in ``supply_checks``."""
    heads = [get(f"legs.{leg}.tank.{key}") for leg in ("oxidizer", "fuel") for key in ("height", "diameter")]
    if get("flight.load_factor") is not None and not any(heads):
        yield "has no effect while height of both tanks is 0 and no diameter lets a level fall", "flight.load_factor"
