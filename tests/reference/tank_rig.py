"""Designs with other tanks than the example's, and tanks as numbers, for the tests of the tank side."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest

import valvectl
from valvectl.design.schema import LegName
from valvectl.parts.ullage import GASES
from valvectl.plant.tanks import BottleNumbers, GasValveNumbers, TankNumbers, TankState, advance, start_state

EXAMPLE = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
BARE: dict[LegName, str] = {
    "oxidizer": 'pressure = "20.6 bar abs"\nheight = "0.6 m"\n',
    "fuel": 'pressure = "22.5 bar abs"\nheight = "0.4 m"\n',
}
"""Both tanks without anything that disturbs them, droop left out."""
DENSITY = 1000.0
"""Of the liquid in the tanks made here [kg/m^3]."""
RIGID = TankNumbers(
    supply="blow-down",
    pressure=20e5,
    droop=0.0,
    reference_flow=1.0,
    lock_up=0.0,
    response_time=0.0,
    gas=GASES["nitrogen"],
    volume=0.05,
    gas_volume=0.01,
    gas_temperature=290.0,
    sink_temperature=290.0,
    heat_exchange=0.0,
    collapse_share=0.0,
    collapse_time=float("inf"),
    bottle=None,
    valve=None,
    trace=None,
    area=float("inf"),
)
"""A blow-down of nitrogen without heat exchange: 50 L at 20 bar, 10 L of them gas."""
BOTTLE = BottleNumbers(volume=0.01, pressure=200e5, temperature=290.0, heat_exchange=0.0, inlet_effect=0.0)
"""10 L at 200 bar, without heat exchange."""
VALVE = GasValveNumbers(kv=0.5, xt=0.7, kind=None, sample_period=float("inf"), delay=0.0, band=0.0)
"""A regulator's own."""


def tank(**changes: object) -> TankNumbers:
    """``RIGID`` with other numbers."""
    return dataclasses.replace(RIGID, **changes)  # type: ignore[arg-type]


def emptied(numbers: TankNumbers, volume: float, time: float, steps: int, flow: float = 0.0) -> TankState:
    """State after a volume [m^3] has left at an even rate in a time [s], with so many outer steps.

    ``flow`` [kg/s] is what the tank starts at; zero: the even rate.
    """
    even = volume * DENSITY / time
    state = start_state(numbers, flow or even)
    for j in range(steps):
        advance(numbers, state, time * j / steps, time * (j + 1) / steps, (even, even), (DENSITY, DENSITY))
    return state


def rig_text(oxidizer: str = "", fuel: str = "", tail: str = "", bare: dict[LegName, str] | None = None) -> str:
    """The example as text with other tanks: keys and tables added to ``bare`` (else ``BARE``), ``tail`` at its end."""
    text = re.sub(r"\n\[flight\].*?(?=\n\[)", "", EXAMPLE.read_text(encoding="utf-8"), flags=re.DOTALL)
    tables: dict[LegName, str] = {"oxidizer": oxidizer, "fuel": fuel}
    for leg, added in tables.items():
        found = re.compile(rf"\[legs\.{leg}\.tank\].*?(?=\[legs\.{leg}\.line\])", re.DOTALL)
        table = f"[legs.{leg}.tank]\n{(bare or BARE)[leg]}{added}\n"
        text, count = found.subn(lambda _, table=table: table, text)  # type: ignore[misc]
        assert count == 1
    return f"{text}\n{tail}\n"


def rig(
    folder: Path, oxidizer: str = "", fuel: str = "", tail: str = "", bare: dict[LegName, str] | None = None
) -> valvectl.Design:
    """``rig_text`` as a design whose file lies in ``folder``."""
    file = folder / "rig.toml"
    file.write_text(rig_text(oxidizer, fuel, tail, bare), encoding="utf-8")
    return valvectl.load(file)


# ------------------------------------------------------------- tank keys, and designs made of them once each

Make = Callable[..., valvectl.Design]
DROOP: dict[LegName, str] = {leg: text + 'droop = "0.3 bar"\n' for leg, text in BARE.items()}
GAS = 'volume = "14 L", share = "20 %", gas = "nitrogen", gas_temperature = "290 K"'
ULLAGE = f"ullage = {{ {GAS} }}\n"
BOTTLE_KEYS = 'bottle = { volume = "5 L", pressure = "200 bar abs", temperature = "290 K" }\n'
SWITCHED = (
    f'supply = "electronic"\n{ULLAGE}{BOTTLE_KEYS}gas_valve = {{ kv = 0.2, xt = 0.6, kind = "on-off", sample_period = "20 ms", '
    'delay = "10 ms", dead_band = "0.2 bar" }\n'
)
SLIDING = SWITCHED.replace('"on-off"', '"proportional"').replace('dead_band = "0.2', 'proportional_band = "0.5')
FLIGHT = '[flight]\nload_factor = [{ time = "0 s", load_factor = 1.0 }, { time = "1 s", load_factor = 4.0 }]\n'
TRACE = 'trace = { time = ["0 s", "1 s", "2 s"], pressure = ["20.6 bar abs", "20.1 bar abs", "20.6 bar abs"] }\n'
BLOW_DOWN = f'supply = "blow-down"\n{ULLAGE}'
FULL = (
    'lock_up = "0.2 bar"\nresponse_time = "80 ms"\ndiameter = "0.2 m"\nwarming = "0.1 K/s"\n'
    f'ullage = {{ {GAS}, heat_exchange = "4 W/K", collapse = {{ share = "3 %", time = "5 s" }} }}\n'
    'bottle = { volume = "5 L", pressure = "200 bar abs", temperature = "290 K", heat_exchange = "6 W/K", '
    "inlet_effect = 0.002 }\n"
    "gas_valve = { kv = 0.1, xt = 0.6 }\n"
)
"""Everything that a regulated tank can declare."""


def maker(folders: pytest.TempPathFactory) -> Iterator[Make]:
    """Yields what makes a design of tank keys (oxidizer, fuel, tail, True for a droop of 0.3 bar), once each."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("VALVECTL_CACHE", str(folders.mktemp("cache")))

        @cache
        def made(oxidizer: str = "", fuel: str = "", tail: str = "", droop: bool = False) -> valvectl.Design:
            return rig(folders.mktemp("rig"), oxidizer, fuel, tail, DROOP if droop else None)

        yield made
