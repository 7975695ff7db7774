"""Pressurant that holds a tank, the cycle of an on-off gas valve, and the head of a falling level, by hand."""

from __future__ import annotations

import dataclasses
import itertools
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from outside import OutsideCheck, verify

import valvectl
from valvectl.design.schema import LEGS
from valvectl.parts import tank, ullage
from valvectl.parts.ullage import GASES
from valvectl.plant import tanks
from valvectl.plant.tank_run import Conditions
from valvectl.plant.tanks import BottleNumbers, GasValveNumbers, TankNumbers

EXAMPLE = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
LAW = "first law, worked out by hand"
P0, V0, T0 = 21e5, 2e-3, 285.0


def made(**changes: Any) -> TankNumbers:
    """A blow-down tank of 10 L with 2 L of nitrogen; everything else left out."""
    base = TankNumbers(
        supply="blow-down",
        pressure=P0,
        droop=0.0,
        reference_flow=0.5,
        lock_up=0.0,
        response_time=0.0,
        gas=GASES["nitrogen"],
        volume=10e-3,
        gas_volume=V0,
        gas_temperature=T0,
        sink_temperature=T0,
        heat_exchange=0.0,
        collapse_share=0.0,
        collapse_time=math.inf,
        bottle=None,
        valve=None,
        trace=None,
        area=math.inf,
    )
    return dataclasses.replace(base, **changes)


def ran(numbers: TankNumbers, outflow: float, end: float, steps: int = 200) -> tanks.TankState:
    """State after liquid of 1000 kg/m^3 has left evenly at ``outflow`` [m^3/s]."""
    flow = 1000.0 * outflow
    state = tanks.start_state(numbers, flow)
    times = np.linspace(0.0, end, steps + 1)
    for first, second in itertools.pairwise(times):
        tanks.advance(numbers, state, float(first), float(second), (flow, flow), (1000.0, 1000.0))
    return state


def test_pressurant_without_heat_loss() -> None:
    """At constant pressure and without heat loss the gas used is just p dV / (R T_in), however warm the ullage is."""
    numbers = made(supply="regulated", gas_temperature=290.0)
    state = ran(numbers, 4e-4, 10.0)
    used = P0 * 4e-3 / (8.314462618 / 28.0134e-3 * 290.0)
    row = OutsideCheck(
        "TW-used", "nitrogen that displaces 4 L at 21 bar, 290 K, no heat loss", used, "kg", 1e-6, LAW, "recomputed"
    )
    verify(row, state.drawn)
    factor = ullage.collapse_factor(state.drawn, P0, 4e-3, 290.0, GASES["nitrogen"].constant)
    verify(OutsideCheck("TW-collapse", "collapse factor without heat loss", 1.0, "", 1e-6, LAW, "recomputed"), factor)
    holding = tanks.holding_inflow(numbers, state, 4e-4)
    verify(
        OutsideCheck("TW-hold", "inflow that holds the pressure", used / 10.0, "kg/s", 1e-6, LAW, "recomputed"), holding
    )


def test_cycle_of_an_on_off_valve() -> None:
    """With small dead band and quick sampling the pressure runs up and down straight lines between its edges."""
    valve = GasValveNumbers(0.06, 0.6, "on-off", 1e-3, 0.0, 0.2e5)
    big = BottleNumbers(1000.0, 200e5, 290.0, 0.0, 0.0)
    numbers = made(supply="electronic", bottle=big, valve=valve, gas_volume=20e-3, volume=1.0)
    state, flow, seen = tanks.start_state(numbers, 1.0), 1.0, []
    for j in range(4000):
        tanks.advance(numbers, state, 1e-3 * j, 1e-3 * (j + 1), (flow, flow), (1000.0, 1000.0))
        seen.append((1e-3 * (j + 1), state.opening))
    opens = [t for (t, now), (_, was) in zip(seen[1:], seen[:-1], strict=True) if now > was]
    first, second = opens[0], opens[1]
    volume = 20e-3 + 1e-3 * 0.5 * (first + second)
    gas = GASES["nitrogen"]
    fall = gas.gamma * P0 * 1e-3 / volume
    inflow = tanks.valve_capacity(numbers, valve.kv, 200e5, 290.0, P0)
    rise = (gas.gamma - 1.0) * inflow * gas.cp * 290.0 / volume - fall
    # Each edge is noticed half a sample late on average, at which the pressure has gone on.
    swing = valve.band + 0.5e-3 * (fall + rise)
    row = OutsideCheck(
        "TW-cycle", "period of an on-off gas valve", swing / fall + swing / rise, "s", 0.03, LAW, "recomputed"
    )
    verify(row, second - first)


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Any:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("VALVECTL_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield valvectl.load(EXAMPLE).machine


def test_head_of_a_falling_level(machine: Any) -> None:
    numbers = {n: made(supply="held", area=0.25 * math.pi * 0.2**2) for n in LEGS}
    conditions = Conditions(
        tanks=numbers,
        height=dict.fromkeys(LEGS, 0.6),
        load_factor=dict.fromkeys(LEGS, 1.0),
        flight=(np.array([0.0, 10.0]), np.array([1.0, 3.0])),
        falling=True,
    )
    leg = conditions.leg_at(machine, "oxidizer", 5.0, P0, 3e-3)
    density = machine.legs["oxidizer"].liquid.density
    level = 0.6 - 3e-3 / (math.pi * 0.01)
    row = OutsideCheck(
        "TW-head",
        "rho g n h at 2 g, 3 L gone from a tank of 200 mm",
        density * 9.80665 * 2.0 * level,
        "Pa",
        1e-9,
        "hydrostatics",
        "recomputed",
    )
    verify(row, leg.head)
    assert tank.head(1000.0, 1.0, 1.0) == pytest.approx(9806.65)
