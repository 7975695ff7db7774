"""Designs with other tanks than the example's, and tanks as numbers, for the tests of the tank side."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

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


def rig(folder: Path, oxidizer: str = "", fuel: str = "", tail: str = "", bare: dict[LegName, str] | None = None) -> valvectl.Design:
    """``rig_text`` as a design whose file lies in ``folder``."""
    file = folder / "rig.toml"
    file.write_text(rig_text(oxidizer, fuel, tail, bare), encoding="utf-8")
    return valvectl.load(file)
