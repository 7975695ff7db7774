"""Gas side of a tank: books that close, order of the scheme, regulator and gas valve, runs of both tanks."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import LEGS
from valvectl.errors import DesignError, RangeError
from valvectl.parts import regulator, ullage
from valvectl.parts.ullage import GASES
from valvectl.plant import tanks
from valvectl.plant.tank_run import EVENT, make_grid, run, warm_leg
from valvectl.plant.tanks import BottleNumbers, GasValveNumbers, TankNumbers
from valvectl.studies.disturbance import TankWork

EXAMPLE = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
BOTTLE = BottleNumbers(2e-3, 150e5, 285.0, 3.0, 0.002)
VALVE = GasValveNumbers(0.05, 0.6, "on-off", 0.01, 0.015, 0.3e5)


def made(**changes: Any) -> TankNumbers:
    base = TankNumbers(
        supply="regulated", pressure=21e5, droop=0.3e5, reference_flow=0.5, lock_up=0.2e5, response_time=0.05,
        gas=GASES["nitrogen"], volume=10e-3, gas_volume=2e-3, gas_temperature=285.0, sink_temperature=95.0,
        heat_exchange=4.0, collapse_share=0.1, collapse_time=1.234, bottle=BOTTLE, valve=None, trace=None, area=math.inf,
    )  # fmt: skip
    return dataclasses.replace(base, **changes)


SUPPLIES = {
    "regulated": made(),
    "regulated, no bottle": made(bottle=None),
    "regulated, small valve": made(valve=dataclasses.replace(VALVE, kv=0.01)),
    "blow-down": made(supply="blow-down", droop=0.0, lock_up=0.0, bottle=None),
    "on-off": made(supply="electronic", droop=0.0, lock_up=0.0, valve=VALVE),
    "proportional": made(
        supply="electronic",
        droop=0.0,
        lock_up=0.0,
        valve=dataclasses.replace(VALVE, kind="proportional", band=1e5),
    ),
    "bottle runs empty": made(bottle=dataclasses.replace(BOTTLE, pressure=25e5)),
}


def ran(numbers: TankNumbers, steps: int = 300, end: float = 3.0) -> tanks.TankState:
    """State after a flow that swings between 0.1 and 0.4 kg/s."""
    times = np.linspace(0.0, end, steps + 1)
    flows = 0.25 + 0.15 * np.sin(4.0 * times)
    state = tanks.start_state(numbers, float(flows[0]))
    for j in range(steps):
        first, second = float(times[j]), float(times[j + 1])
        tanks.advance(numbers, state, first, second, (float(flows[j]), float(flows[j + 1])), (1100.0, 1100.0))
    return state


# ------------------------------------------------------------------------------------------------------ the books


@pytest.mark.parametrize("name", SUPPLIES)
def test_mass_and_energy_close(name: str) -> None:
    numbers = SUPPLIES[name]
    before, after = tanks.start_state(numbers, 0.25), ran(numbers)
    assert after.mass + after.bottle_mass - (0.0 if numbers.bottle else after.drawn) == pytest.approx(
        before.mass + before.bottle_mass, rel=1e-9
    )
    assert after.mass - before.mass == pytest.approx(after.drawn, abs=1e-9 * before.mass)
    held = after.energy + after.bottle_energy + after.work + after.heat - after.bottle_heat - after.brought
    assert held == pytest.approx(before.energy + before.bottle_energy, rel=1e-9)


@pytest.mark.parametrize("name", SUPPLIES)
def test_liquid_volume_closes(name: str) -> None:
    numbers = SUPPLIES[name]
    after = ran(numbers)
    times = np.linspace(0.0, 3.0, 301)
    left = float(np.trapezoid(0.25 + 0.15 * np.sin(4.0 * times), times)) / 1100.0
    assert after.displaced == pytest.approx(left, rel=1e-9)
    assert after.volume - numbers.gas_volume == pytest.approx(after.displaced, rel=1e-9)


def test_the_second_law_is_not_mocked() -> None:
    """Heat goes from gas to liquid while the gas is warmer; the bottle never ends below the tank it feeds."""
    assert ran(made()).heat > 0.0
    empty = SUPPLIES["bottle runs empty"]
    after = ran(empty, end=8.0, steps=800)
    assert tanks.bottle_now(empty, after)[0] >= 0.999 * tanks.tank_pressure_now(empty, after, 0.0)
    assert tanks.tank_pressure_now(empty, after, 0.0) < 20e5


# ------------------------------------------------------------------------------------------------------ the scheme


@pytest.mark.parametrize(
    "numbers",
    [
        made(supply="blow-down", droop=0.0, collapse_time=math.inf),
        made(lock_up=0.0, collapse_time=math.inf, response_time=0.3),
    ],
    ids=["blow-down", "regulated"],
)
def test_order_of_convergence(numbers: TankNumbers, monkeypatch: pytest.MonkeyPatch) -> None:
    """Halving the inner step divides the error by four."""
    found = []
    for count in (1, 2, 4, 8, 64):
        monkeypatch.setattr(tanks, "INNER_STEP", 0.05 / count)
        monkeypatch.setattr(tanks, "INNER_STEPS", count)
        state = ran(numbers, steps=60)  # the flow between the points stays the same
        found.append(tanks.tank_pressure_now(numbers, state, 0.0))
    errors = np.abs(np.array(found[:-1]) - found[-1])
    orders = np.log2(errors[:-1] / errors[1:])
    assert orders[-1] == pytest.approx(2.0, abs=0.15), (errors, orders)


def test_strong_heat_exchange_is_stable() -> None:
    numbers = made(supply="blow-down", droop=0.0, collapse_time=math.inf, heat_exchange=1e5)
    after = ran(numbers)
    assert tanks.gas_temperature_now(numbers, after) == pytest.approx(95.0, abs=1e-2)


def test_a_quick_regulator_holds_its_line() -> None:
    """Without response time, lock-up and collapse the pressure is the regulator's own, up to the heat of one inner step."""
    numbers = made(response_time=0.0, lock_up=0.0, collapse_time=math.inf, droop=0.0)
    state = tanks.start_state(numbers, 0.25)
    fall = 0.0
    for j in range(200):
        tanks.advance(numbers, state, 0.01 * j, 0.01 * (j + 1), (0.25, 0.25), (1100.0, 1100.0))
        fall = regulator.supply_effect(BOTTLE.inlet_effect, BOTTLE.pressure, tanks.bottle_now(numbers, state)[0])
    heat = ullage.heat_flow(numbers.heat_exchange, tanks.gas_temperature_now(numbers, state), numbers.sink_temperature)
    slack = tanks.INNER_STEP * 0.4 * heat / state.volume
    assert slack < 600.0
    assert tanks.tank_pressure_now(numbers, state, 2.0) == pytest.approx(21e5 + fall, abs=slack)
    assert fall > 1e3


def test_a_small_valve_lets_the_pressure_sink() -> None:
    small = SUPPLIES["regulated, small valve"]
    after = ran(small)
    wide = tanks.tank_pressure_now(made(), ran(made()), 3.0)
    assert tanks.tank_pressure_now(small, after, 3.0) < wide - 1e5
    outflow = 0.25 / 1100.0
    pressure, temperature = tanks.bottle_now(small, after)
    most = tanks.valve_capacity(small, 0.01, pressure, temperature, tanks.tank_pressure_now(small, after, 3.0))
    assert tanks.holding_inflow(made(), ran(made()), outflow) > most


def test_lock_up_stands_until_liquid_leaves() -> None:
    numbers = made(collapse_time=math.inf, heat_exchange=0.0)
    state = tanks.start_state(numbers, 0.0)
    assert tanks.tank_pressure_now(numbers, state, 0.0) == pytest.approx(21.2e5)
    tanks.advance(numbers, state, 0.0, 1.0, (0.0, 0.0), (1100.0, 1100.0))
    assert tanks.tank_pressure_now(numbers, state, 1.0) == pytest.approx(21.2e5)
    assert state.drawn == pytest.approx(0.0, abs=1e-12)


# -------------------------------------------------------------------------------------------- electronic regulator


def test_samples_and_delay_of_the_gas_valve() -> None:
    """The first command that opens acts a delay after the first sample below the band's lower edge."""
    numbers = dataclasses.replace(SUPPLIES["on-off"], heat_exchange=0.0, collapse_time=math.inf)
    state = tanks.start_state(numbers, 0.3)
    opened, below = math.nan, math.nan
    for j in range(2000):
        now = 1e-3 * (j + 1)
        tanks.advance(numbers, state, 1e-3 * j, now, (0.3, 0.3), (1100.0, 1100.0))
        if math.isnan(below) and tanks.tank_pressure_now(numbers, state, now) < 21e5 - 0.15e5:
            below = now
        if math.isnan(opened) and state.opening > 0.0:
            opened = now
    sample = math.ceil(below / 0.01 - 1e-9) * 0.01
    assert opened == pytest.approx(sample + 0.015, abs=1.1e-3)


def test_the_on_off_valve_stays_near_its_band() -> None:
    numbers = dataclasses.replace(SUPPLIES["on-off"], collapse_time=math.inf)
    state, seen = tanks.start_state(numbers, 0.3), []
    for j in range(300):
        tanks.advance(numbers, state, 0.01 * j, 0.01 * (j + 1), (0.3, 0.3), (1100.0, 1100.0))
        seen.append(tanks.tank_pressure_now(numbers, state, 0.0))
    late = np.array(seen[100:])
    assert late.min() > 20.3e5
    assert late.max() < 21.9e5
    assert float(np.ptp(late)) > 0.3e5


def test_the_proportional_valve_settles_with_its_offset() -> None:
    numbers = dataclasses.replace(SUPPLIES["proportional"], collapse_time=math.inf, heat_exchange=0.0)
    state = tanks.start_state(numbers, 0.3)
    for j in range(300):
        tanks.advance(numbers, state, 0.01 * j, 0.01 * (j + 1), (0.3, 0.3), (1100.0, 1100.0))
    pressure = tanks.tank_pressure_now(numbers, state, 0.0)
    assert 20e5 < pressure < 21e5
    assert state.opening == pytest.approx((21e5 - pressure) / 1e5, abs=0.03)
    assert regulator.proportional_opening(30e5, 21e5, 1e5) == 0.0
    assert regulator.proportional_opening(10e5, 21e5, 1e5) == 1.0


def test_hysteresis_of_the_on_off_law() -> None:
    assert regulator.switched(False, 20.84e5, 21e5, 0.3e5)
    assert not regulator.switched(False, 20.9e5, 21e5, 0.3e5)
    assert regulator.switched(True, 21.1e5, 21e5, 0.3e5)
    assert not regulator.switched(True, 21.16e5, 21e5, 0.3e5)


def test_laws_of_the_ullage_agree_with_each_other() -> None:
    """Rates of energy, pressure and temperature are one balance; the holding inflow is its inverse."""
    gas, volume, warm, inflow, out, heat = GASES["helium"], 3e-3, 250.0, 2e-3, 4e-4, 120.0
    pressure = 20e5
    mass = ullage.gas_mass(pressure, volume, warm, gas.constant)
    assert ullage.gas_pressure(mass, warm, volume, gas.constant) == pytest.approx(pressure)
    energy = ullage.energy_rate(inflow, gas.cp * 290.0, pressure, out, heat)
    rate = ullage.pressure_rate(pressure, volume, gas.gamma, inflow, gas.cp * 290.0, out, heat)
    slope = ullage.temperature_rate(mass, warm, gas.cv, energy, inflow)
    # p = m R T / V differentiated
    assert rate == pytest.approx(pressure * (inflow / mass + slope / warm - out / volume), rel=1e-9)
    back = ullage.inflow_for_rate(rate, pressure, volume, gas.gamma, gas.cp * 290.0, out, heat)
    assert back == pytest.approx(inflow, rel=1e-9)


# ------------------------------------------------------------------------------------------------- runs of both tanks


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[valvectl.Design]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("VALVECTL_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield valvectl.load(EXAMPLE)


def test_the_run_converges_with_second_order(rig: valvectl.Design) -> None:
    """Of the whole run, ratio carried on and balance once a step: the O/F error at the end of a blow-down."""
    changes: dict[str, Any] = {}
    for leg in LEGS:
        at = f"legs.{leg}.tank"
        changes |= {f"{at}.ullage.volume": "9 L", f"{at}.ullage.share": 0.25, f"{at}.ullage.gas": "nitrogen"}
        changes |= {f"{at}.ullage.gas_temperature": "285 K", f"{at}.supply": "blow-down", f"{at}.droop": "0 bar"}
    changes["legs.fuel.tank.ullage.heat_exchange"] = "8 W/K"
    bare = bare_design(rig).with_values(changes)
    profile = ((0.0, 1.0), (4.0, 0.5))
    work = TankWork(bare, bare.machine, bare.analysis.schedule, profile)
    found = []
    for steps in (16, 32, 64, 256):
        grid = make_grid(bare.machine, bare.analysis.schedule, profile, steps)
        found.append(float(run(bare.machine, work.conditions(frozenset(work.declared)), grid).ratio_error[-1]))
    errors = np.abs(np.array(found[:-1]) - found[-1])
    assert abs(found[-1]) > 1e-3
    assert np.log2(errors[:-1] / errors[1:]).min() > 1.7, (found, errors)
    assert errors[-1] < 1e-5  # of O/F, at steps of 62 ms


def bare_design(design: valvectl.Design) -> Any:
    """The example without anything that disturbs its tanks."""
    data = design.data
    legs = {}
    for leg in LEGS:
        part = design.leg(leg)
        fields = {k: getattr(part.tank, k) for k in ("pressure", "droop", "height", "load_factor")}
        tank = type(part.tank).model_validate(fields, context={"si": True})
        legs[leg] = part.model_copy(update={"tank": tank})
    inputs = {k: i for k, i in design.inputs.items() if ".tank." not in k}
    changed = data.model_copy(update={"legs": data.legs.model_copy(update=legs), "flight": None})
    return type(design)(data=changed, path=design.path, _inputs=inputs)


def test_grid_has_every_corner_and_jump(rig: valvectl.Design) -> None:
    profile = ((0.0, 1.0), (0.123, 1.0), (0.123, 0.6), (1.0, 0.6))
    grid = make_grid(rig.machine, rig.analysis.schedule, profile, 10, corners=(0.777,), jumps=(0.5,))
    for time in (0.0, 0.123, 0.123 - EVENT, 0.777, 0.5, 0.5 - EVENT, 1.0):
        assert np.min(np.abs(grid.time - time)) < 1e-12
    assert np.all(np.diff(grid.time) > 0.0)
    j = int(np.argmin(np.abs(grid.time - 0.123)))
    assert grid.throttle[j] == 0.6
    assert grid.throttle[j - 1] == 1.0
    assert all(a is b for a, b in itertools.pairwise(grid.points[:j]))  # a held throttle is balanced once


def test_warming_follows_the_liquid(rig: valvectl.Design) -> None:
    from valvectl.plant.machine import build

    warm = warm_leg(rig, rig.machine, "oxidizer", 0.4, 10.0)
    halfway = warm.at(7.5)
    exact = build(rig.with_values({"legs.oxidizer.liquid.temperature": 91.0})).legs["oxidizer"]
    assert halfway.liquid.temperature == pytest.approx(91.0)
    assert halfway.liquid.density == pytest.approx(exact.liquid.density, rel=3e-5)
    assert halfway.liquid.vapour_pressure == pytest.approx(exact.liquid.vapour_pressure, rel=3e-3)
    assert float(halfway.up_loss[50]) == pytest.approx(float(exact.up_loss[50]), rel=1e-4)
    assert halfway.ff == pytest.approx(exact.ff, rel=1e-3)
    assert warm.at(99.0).liquid.temperature == pytest.approx(92.0)


def test_a_liquid_that_would_boil_is_refused(rig: valvectl.Design) -> None:
    with pytest.raises(DesignError, match="brings the liquid to") as caught:
        warm_leg(rig, rig.machine, "oxidizer", 8.0, 10.0)
    assert caught.value.faults[0].key == "legs.oxidizer.tank.warming"
    assert "not liquid" in caught.value.faults[0].message


def test_an_empty_tank_ends_the_run(rig: valvectl.Design) -> None:
    small = rig.with_values({"legs.fuel.tank.ullage.volume": "3 L"})
    found = TankWork(small, small.machine, small.analysis.schedule, small.analysis.profile).together
    assert "the fuel tank is empty at" in found.ended
    assert 0.0 < float(found.time[-1]) < 10.0


def test_a_pressure_that_runs_out_ends_the_run(rig: valvectl.Design) -> None:
    trace = {"legs.fuel.tank.trace.time": ["0 s", "5 s"], "legs.fuel.tank.trace.pressure": ["22 bar abs", "2 bar abs"]}
    bare = bare_design(rig).with_values(trace)
    found = TankWork(bare, bare.machine, bare.analysis.schedule, bare.analysis.profile).together
    assert found.ended.startswith("no steady point from")
    low = bare_design(rig).with_values({**trace, "legs.fuel.tank.trace.pressure": ["2 bar abs", "22 bar abs"]})
    with pytest.raises(RangeError, match="no steady point at the start"):
        _ = TankWork(low, low.machine, low.analysis.schedule, low.analysis.profile).together
