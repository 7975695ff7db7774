"""Properties of the tank side: balances of gas, energy and liquid, borders of a blow-down, inverses, and no error without a
disturbance."""

from __future__ import annotations

import dataclasses
import itertools
import math
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tank_rig import DENSITY, EXAMPLE, tank

import valvectl
from valvectl.design.schema import LEGS
from valvectl.parts import regulator, ullage
from valvectl.parts.ullage import GASES
from valvectl.plant import tanks
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.plant.tank_run import Conditions, Grid, make_grid, run
from valvectl.plant.tanks import BottleNumbers, GasValveNumbers, TankNumbers

gases = st.sampled_from(sorted(GASES))
pressures = st.floats(2e5, 60e5)
warm = st.floats(80.0, 500.0)
volumes = st.floats(1e-3, 0.1)
heats = st.one_of(st.just(0.0), st.floats(0.1, 1e4))
flows = st.floats(0.0, 0.5)


@st.composite
def supplied(draw: st.DrawFn) -> TankNumbers:
    """A tank of any supply with an ullage, with and without bottle, valve, heat exchange, lock-up and collapse."""
    supply = draw(st.sampled_from(["regulated", "blow-down", "electronic"]))
    pressure, gas = draw(pressures), draw(volumes)
    bottle = None
    valve = None
    if supply == "electronic" or (supply == "regulated" and draw(st.booleans())):
        bottle = BottleNumbers(
            volume=draw(st.floats(5e-4, 0.05)),
            pressure=pressure * draw(st.floats(1.05, 20.0)),
            temperature=draw(warm),
            heat_exchange=draw(heats),
            inlet_effect=draw(st.floats(-0.01, 0.01)) if supply == "regulated" else 0.0,
        )
        if supply == "electronic" or draw(st.booleans()):
            kind = draw(st.sampled_from(["on-off", "proportional"])) if supply == "electronic" else None
            valve = GasValveNumbers(
                kv=draw(st.floats(1e-3, 1.0)),
                xt=0.7,
                kind=kind,
                sample_period=draw(st.floats(2e-3, 0.1)) if kind else math.inf,
                delay=draw(st.floats(0.0, 0.05)) if kind else 0.0,
                band=draw(st.floats(1e3, 1e5)) if kind else 0.0,
            )
    collapse = draw(st.booleans())
    return tank(
        supply=supply,
        pressure=pressure,
        droop=draw(st.floats(0.0, 0.5e5)) if supply == "regulated" else 0.0,
        reference_flow=0.5,
        lock_up=draw(st.floats(0.0, 0.5e5)) if supply == "regulated" else 0.0,
        response_time=draw(st.sampled_from([0.0, 0.02, 0.3])) if supply == "regulated" else 0.0,
        gas=GASES[draw(gases)],
        volume=gas + 0.1,
        gas_volume=gas,
        gas_temperature=draw(warm),
        sink_temperature=draw(warm),
        heat_exchange=draw(heats),
        collapse_share=draw(st.floats(0.01, 1.0)) if collapse else 0.0,
        collapse_time=draw(st.floats(0.0, 1.0)) if collapse else math.inf,
        bottle=bottle,
        valve=valve,
    )


@settings(max_examples=200, deadline=None)
@given(supplied(), st.lists(flows, min_size=2, max_size=12), st.floats(0.02, 0.3))
def test_gas_energy_and_liquid_balance(numbers: TankNumbers, liquid: list[float], step: float) -> None:
    """Gas that came in is gas that left the bottle; energy in gas, bottle, work and heat is that of the start; the gas has
    what volume the liquid left."""
    state = tanks.start_state(numbers, liquid[0])
    first = dataclasses.replace(state)
    left = 0.0
    for j, pair in enumerate(itertools.pairwise(liquid)):
        tanks.advance(numbers, state, step * j, step * (j + 1), pair, (DENSITY, DENSITY))
        left += 0.5 * step * (pair[0] + pair[1]) / DENSITY
    assert state.mass - first.mass == pytest.approx(state.drawn, rel=1e-9, abs=1e-9 * first.mass)
    assert state.drawn >= 0.0
    whole, at_first = state.energy + state.work + state.heat, first.energy + state.brought
    if numbers.bottle is not None:
        assert first.bottle_mass - state.bottle_mass == pytest.approx(
            state.drawn, rel=1e-9, abs=1e-9 * first.bottle_mass
        )
        whole += state.bottle_energy - state.bottle_heat
        at_first += first.bottle_energy
    assert whole == pytest.approx(at_first, rel=1e-9)
    assert state.displaced == pytest.approx(left, rel=1e-9, abs=1e-15)
    assert state.volume - first.volume == pytest.approx(left, rel=1e-9, abs=1e-12 * first.volume)
    pressure = tanks.tank_pressure_now(numbers, state, 1.0)
    assert math.isfinite(pressure)
    assert pressure > 0.0
    assert ullage.gas_pressure(
        state.mass,
        tanks.gas_temperature_now(numbers, state),
        state.volume,
        GASES[numbers.gas.name].constant,  # type: ignore[union-attr]
    ) == pytest.approx(pressure, rel=1e-12)


@settings(max_examples=150, deadline=None)
@given(gases, pressures, volumes, warm, heats, st.floats(0.05, 4.0), st.floats(0.2, 20.0))
def test_blow_down_lies_between_isentropic_and_isothermal(
    gas: str, pressure: float, volume: float, temperature: float, heat: float, growth: float, time: float
) -> None:
    """Wall at the temperature at which the gas started."""
    numbers = tank(
        gas=GASES[gas],
        pressure=pressure,
        gas_volume=volume,
        volume=10.0 * volume,
        gas_temperature=temperature,
        sink_temperature=temperature,
        heat_exchange=heat,
    )
    state = tanks.start_state(numbers, 0.0)
    flow = growth * volume * DENSITY / time
    steps = 60
    for j in range(steps):
        tanks.advance(numbers, state, time * j / steps, time * (j + 1) / steps, (flow, flow), (DENSITY, DENSITY))
    after = volume * (1.0 + growth)
    isentropic = ullage.polytropic_pressure(pressure, volume, after, GASES[gas].gamma)
    isothermal = ullage.polytropic_pressure(pressure, volume, after, 1.0)
    found = tanks.tank_pressure_now(numbers, state, time)
    # The scheme's own error, second order in the growth of one inner step; those are 5 ms at least.
    inner = max(steps, min(tanks.INNER_STEPS * steps, int(time / tanks.INNER_STEP)))
    slack = (growth / inner) ** 2 + 1e-9
    assert isentropic * (1.0 - slack) <= found <= isothermal * (1.0 + slack)
    if heat == 0.0:
        assert found == pytest.approx(isentropic, rel=slack)


@settings(max_examples=100, deadline=None)
@given(pressures, volumes, warm, st.floats(0.05, 2.0), st.floats(0.5, 20.0), st.floats(1.1, 10.0), st.floats(0.1, 1e3))
def test_more_heat_exchange_keeps_more_pressure(
    pressure: float, volume: float, temperature: float, growth: float, time: float, factor: float, heat: float
) -> None:
    found = []
    for exchange in (heat, factor * heat):
        numbers = tank(
            pressure=pressure, gas_volume=volume, volume=4.0 * volume, gas_temperature=temperature,
            sink_temperature=temperature, heat_exchange=exchange,
        )  # fmt: skip
        state = tanks.start_state(numbers, 0.0)
        flow = growth * volume * DENSITY / time
        for j in range(40):
            tanks.advance(numbers, state, time * j / 40, time * (j + 1) / 40, (flow, flow), (DENSITY, DENSITY))
        found.append(tanks.tank_pressure_now(numbers, state, time))
    assert found[1] >= found[0] * (1.0 - 1e-4)


# ------------------------------------------------------------------------------------------------ inverses


@given(gases, pressures, volumes, warm)
def test_mass_pressure_energy_round_trip(gas: str, pressure: float, volume: float, temperature: float) -> None:
    number = GASES[gas]
    mass = ullage.gas_mass(pressure, volume, temperature, number.constant)
    assert ullage.gas_pressure(mass, temperature, volume, number.constant) == pytest.approx(pressure, rel=1e-12)
    energy = ullage.internal_energy(pressure, volume, number.gamma)
    assert ullage.energy_pressure(energy, volume, number.gamma) == pytest.approx(pressure, rel=1e-12)
    assert energy == pytest.approx(mass * number.cv * temperature, rel=1e-12)


@given(gases, pressures, volumes, warm, st.floats(-1e5, 1e6), flows, st.floats(-1e4, 1e4))
def test_inflow_is_the_inverse_of_the_pressure_rate(
    gas: str, pressure: float, volume: float, temperature: float, rate: float, flow: float, heat: float
) -> None:
    gamma, enthalpy = GASES[gas].gamma, GASES[gas].cp * temperature
    inflow = ullage.inflow_for_rate(rate, pressure, volume, gamma, enthalpy, flow / DENSITY, heat)
    back = ullage.pressure_rate(pressure, volume, gamma, inflow, enthalpy, flow / DENSITY, heat)
    terms = abs(rate) + (gamma * pressure * flow / DENSITY + (gamma - 1.0) * abs(heat)) / volume
    assert back == pytest.approx(rate, abs=1e-11 * terms + 1e-9)


@given(gases, pressures, volumes, warm, flows, flows, st.floats(-1e4, 1e4), warm)
def test_rates_of_pressure_temperature_and_mass_fit_the_gas_law(
    gas: str,
    pressure: float,
    volume: float,
    temperature: float,
    liquid: float,
    inflow: float,
    heat: float,
    inlet: float,
) -> None:
    """d ln p = d ln m + d ln T - d ln V."""
    number, out = GASES[gas], liquid / DENSITY
    mass = ullage.gas_mass(pressure, volume, temperature, number.constant)
    energy = ullage.energy_rate(inflow, number.cp * inlet, pressure, out, heat)
    warming = ullage.temperature_rate(mass, temperature, number.cv, energy, inflow)
    rate = ullage.pressure_rate(pressure, volume, number.gamma, inflow, number.cp * inlet, out, heat)
    parts = (inflow / mass, warming / temperature, -out / volume)
    assert rate / pressure == pytest.approx(sum(parts), abs=1e-10 * (sum(map(abs, parts)) + 1.0))


@given(pressures, volumes, st.floats(0.1, 10.0), st.floats(1.0, 1.67))
def test_polytropic_there_and_back(pressure: float, volume: float, growth: float, exponent: float) -> None:
    there = ullage.polytropic_pressure(pressure, volume, growth * volume, exponent)
    assert ullage.polytropic_pressure(there, growth * volume, volume, exponent) == pytest.approx(pressure, rel=1e-12)


@given(pressures, warm, warm, st.floats(0.0, 1.0))
def test_collapse_never_passes_the_liquid(pressure: float, gas: float, sink: float, share: float) -> None:
    after = ullage.collapsed_temperature(gas, sink, share)
    assert min(gas, sink) - 1e-9 <= after <= max(gas, sink) + 1e-9
    assert ullage.collapsed_pressure(pressure, gas, sink, share) == pytest.approx(pressure * after / gas)


@given(st.floats(0.0, 2.0), st.floats(0.0, 2.0), st.floats(0.0, 1e5), st.floats(0.0, 1e5))
def test_regulator_falls_with_flow(one: float, two: float, droop: float, lock_up: float) -> None:
    low, high = sorted((one, two))
    outlet = [regulator.outlet_pressure(20e5, droop, 1.0, flow, lock_up, 0.1, 0.0) for flow in (low, high)]
    assert outlet[0] >= outlet[1] - 1e-9
    assert outlet[0] <= 20e5 + lock_up


@given(pressures, pressures, st.floats(1e3, 1e5), st.booleans())
def test_gas_valve_commands_stay_in_range(pressure: float, goal: float, band: float, is_open: bool) -> None:
    assert 0.0 <= regulator.proportional_opening(pressure, goal, band) <= 1.0
    command = regulator.switched(is_open, pressure, goal, band)
    if abs(pressure - goal) < 0.49 * band:
        assert command == is_open
    elif abs(pressure - goal) > 0.51 * band:
        assert command == (pressure < goal)


@settings(max_examples=50, deadline=None)
@given(supplied())
def test_holding_inflow_holds(numbers: TankNumbers) -> None:
    """Advancing a little with no inflow but the holding one taken as a rate: the pressure rate is zero."""
    state = tanks.start_state(numbers, 0.2)
    inflow = tanks.holding_inflow(numbers, state, 2e-4)
    gas = numbers.gas
    assert gas is not None
    inlet = numbers.bottle.temperature if numbers.bottle is not None else numbers.gas_temperature
    pressure = tanks.tank_pressure_now(numbers, state, 0.0)
    heat = numbers.heat_exchange * (numbers.gas_temperature - numbers.sink_temperature)
    rate = ullage.pressure_rate(pressure, state.volume, gas.gamma, inflow, gas.cp * inlet, 2e-4, heat)
    terms = gas.gamma * (pressure * 2e-4 + abs(heat)) / state.volume
    assert rate == pytest.approx(0.0, abs=1e-10 * terms)


# ------------------------------------------------------------------------------------------- no disturbance


@cache
def engine() -> tuple[Machine, Schedule]:
    design = valvectl.load(EXAMPLE)
    return design.machine, design.analysis.schedule


@cache
def grid(throttle: float, later: float) -> Grid:
    machine, schedule = engine()
    return make_grid(machine, schedule, [(0.0, throttle), (0.2, throttle), (0.5, later), (1.0, later)], 12)


def calm() -> Conditions:
    """Conditions that change nothing: pressures held, heads as the machine has them."""
    machine, _ = engine()
    density = {n: machine.legs[n].liquid.density for n in LEGS}
    return Conditions(
        tanks={
            n: tank(supply="held", pressure=machine.legs[n].tank_pressure, gas=None, volume=math.inf, gas_volume=0.0)
            for n in LEGS
        },
        height={n: machine.legs[n].head / (density[n] * 9.80665) for n in LEGS},
        load_factor=dict.fromkeys(LEGS, 1.0),
    )


@settings(max_examples=15, deadline=None)
@given(st.floats(0.45, 1.0), st.floats(0.45, 1.0))
def test_no_disturbance_no_error(throttle: float, later: float) -> None:
    machine, _ = engine()
    found = run(machine, calm(), grid(throttle, later))
    assert found.ended == ""
    for errors in (found.ratio_error, found.thrust_error, found.pressure_error):
        assert float(np.max(np.abs(errors))) < 1e-10
    for name in LEGS:
        assert float(np.max(np.abs(found.tanks[name].shift))) < 1e-6


@settings(max_examples=8, deadline=None)
@given(st.floats(0.5, 1.0), st.floats(1e3, 1e5))
def test_ratio_error_follows_the_sign_of_the_pressure(throttle: float, shift: float) -> None:
    """More pressure on the oxidizer raises O/F, on the fuel lowers it; on both, thrust rises."""
    machine, _ = engine()
    same = grid(throttle, throttle)

    def with_shift(oxidizer: float, fuel: float) -> tuple[float, float]:
        quiet = calm()
        add = {"oxidizer": oxidizer, "fuel": fuel}
        moved = {n: dataclasses.replace(quiet.tanks[n], pressure=quiet.tanks[n].pressure + add[n]) for n in LEGS}
        found = run(machine, dataclasses.replace(quiet, tanks=moved), same)
        return float(found.ratio_error[-1]), float(found.thrust_error[-1])

    assert with_shift(shift, 0.0)[0] > 0.0
    assert with_shift(0.0, shift)[0] < 0.0
    assert with_shift(shift, shift)[1] > 0.0
