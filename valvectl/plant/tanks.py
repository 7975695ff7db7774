"""One tank's gas side over time: ullage, regulator or gas valve, bottle, as numbers and as states that can be advanced.

The liquid's flow comes from outside (``plant.tank_run`` takes it from the quasi-steady balance); here the gas answers to it.
The scheme is an explicit midpoint rule with the heat exchange split off and solved exactly in half steps before and after
it (second order; stable however large hA is). Gas mass and the energy book (gas, bottle, work on the liquid, heat) are sums
of the same increments, so that they close to rounding. A regulator whose response is quicker than the inner step counts
as one inner step.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.parts import regulator, ullage
from valvectl.parts.lookup import FloatArray
from valvectl.parts.ullage import GASES, PressurantGas
from valvectl.parts.valve_gas import gas_density, gas_mass_flow
from valvectl.plant.machine import LegMachine

INNER_STEP = 0.005
"""Longest step of the gas side [s] for outer steps up to five times this."""
INNER_STEPS = 5
"""Fewest inner steps in an outer one."""
_SAME = 1e-9
"""Times closer than this count as one [s]."""
_ANY_SIZE = 0.01
"""Valve size [m] that the gas equations ask for; without fittings it has no effect."""


@dataclass(frozen=True)
class BottleNumbers:
    """A gas bottle, SI."""

    volume: float
    pressure: float
    """At the start [Pa]."""
    temperature: float
    """Of gas at the start and wall throughout [K]."""
    heat_exchange: float
    """hA [W/K]"""
    inlet_effect: float
    """Rise of the regulated pressure over the bottle's fall [-]."""


@dataclass(frozen=True)
class GasValveNumbers:
    """What lets gas in, SI but for Kv [m^3/h]."""

    kv: float
    xt: float
    kind: str | None
    """on-off, proportional; None for a regulator's own valve."""
    sample_period: float
    delay: float
    band: float
    """Dead band or proportional band [Pa]."""


@dataclass(frozen=True)
class TankNumbers:
    """One tank, SI."""

    supply: str
    """held, regulated, blow-down, electronic or trace."""
    pressure: float
    """Set pressure at no flow, or that at the start of a blow-down [Pa]."""
    droop: float
    """Fall at the reference flow that this model takes on itself [Pa]; the rest stays with the balance."""
    reference_flow: float
    lock_up: float
    response_time: float
    gas: PressurantGas | None
    """None: no ullage is modelled."""
    volume: float
    """Whole tank [m^3]; infinite when not stated."""
    gas_volume: float
    """At the start [m^3]."""
    gas_temperature: float
    sink_temperature: float
    """Of liquid and wall [K]."""
    heat_exchange: float
    """hA [W/K]"""
    collapse_share: float
    collapse_time: float
    """[s]; infinite without a collapse."""
    bottle: BottleNumbers | None
    valve: GasValveNumbers | None
    trace: tuple[FloatArray, FloatArray] | None
    """Times [s] and pressures [Pa]."""
    area: float
    """Cross-section of the upright tank [m^2]; infinite: the level stays."""
    frozen: bool = False
    """The gas keeps its volume while liquid leaves: a collapse looked at by itself."""

    @property
    def liquid_volume(self) -> float:
        """Liquid at the start [m^3]; infinite when the tank's volume is not stated."""
        return self.volume - self.gas_volume if math.isfinite(self.volume) else math.inf


def tank_numbers(design: DesignFile, leg: LegMachine, name: LegName) -> TankNumbers:
    """A leg's tank from the design file. ``supply`` is trace where the design gives one."""
    data = design.leg(name).tank
    gas, bottle, valve = data.ullage, data.bottle, data.gas_valve
    collapse = gas.collapse if gas is not None else None
    return TankNumbers(
        supply="trace" if data.trace is not None else data.supply,
        pressure=data.pressure,
        droop=data.droop,
        reference_flow=leg.reference_flow,
        lock_up=data.lock_up or 0.0,
        response_time=data.response_time or 0.0,
        gas=GASES[gas.gas] if gas is not None else None,
        volume=gas.volume if gas is not None else math.inf,
        gas_volume=gas.volume * gas.share if gas is not None else 0.0,
        gas_temperature=gas.gas_temperature if gas is not None else math.nan,
        sink_temperature=design.leg(name).liquid.temperature,
        heat_exchange=gas.heat_exchange if gas is not None else 0.0,
        collapse_share=collapse.share if collapse is not None else 0.0,
        collapse_time=collapse.time if collapse is not None else math.inf,
        bottle=None
        if bottle is None
        else BottleNumbers(
            bottle.volume, bottle.pressure, bottle.temperature, bottle.heat_exchange, bottle.inlet_effect
        ),
        valve=None
        if valve is None
        else GasValveNumbers(
            valve.kv,
            valve.xt,
            valve.kind,
            valve.sample_period or math.inf,
            valve.delay or 0.0,
            valve.dead_band or valve.proportional_band or 0.0,
        ),
        trace=None if data.trace is None else (np.array(data.trace.time), np.array(data.trace.pressure)),
        area=math.inf if data.diameter is None else 0.25 * math.pi * data.diameter**2,
    )


def held(tank: TankNumbers) -> TankNumbers:
    """The tank with its pressure held at the set pressure whatever happens; droop stays with the balance."""
    return dataclasses.replace(tank, supply="held", droop=0.0)


@dataclass
class TankState:
    """State of a tank's gas side; mutable, advanced in place."""

    pressure: float
    """Of a tank without an ullage model [Pa]."""
    mass: float = 0.0
    """Gas [kg]."""
    energy: float = 0.0
    """Internal energy of the gas [J]."""
    volume: float = 0.0
    """Gas [m^3]."""
    bottle_mass: float = 0.0
    bottle_energy: float = 0.0
    opening: float = 0.0
    """Of an electronic regulator's valve [-]."""
    commanded: float = 0.0
    """Last command of its computer [-]."""
    pending: tuple[tuple[float, float], ...] = ()
    """Commands under way: (time at which they act [s], opening)."""
    next_sample: float = 0.0
    collapsed: bool = False
    displaced: float = 0.0
    """Liquid that has left since the start [m^3]."""
    work: float = 0.0
    """Done on the liquid [J]."""
    heat: float = 0.0
    """Lost to liquid and wall [J]."""
    bottle_heat: float = 0.0
    """Taken up by the bottle's gas from its wall [J]."""
    drawn: float = 0.0
    """Gas that has flowed in [kg]."""
    brought: float = 0.0
    """Enthalpy that came with it from outside when there is no bottle [J]."""


def start_state(tank: TankNumbers, flow: float) -> TankState:
    """State at the start of a profile, at a liquid flow [kg/s].

    A regulated tank stands at lock-up when one is stated, else on the regulator's line for that flow.
    """
    pressure = tank.pressure
    if tank.supply == "regulated":
        pressure = tank.pressure + tank.lock_up
        if tank.lock_up == 0.0:
            pressure = _goal(tank, flow, 0.0)
    state = TankState(pressure=pressure)
    if tank.gas is not None and tank.supply not in ("held", "trace"):
        gas = tank.gas
        state.volume = tank.gas_volume
        state.mass = ullage.gas_mass(pressure, tank.gas_volume, tank.gas_temperature, gas.constant)
        state.energy = ullage.internal_energy(pressure, tank.gas_volume, gas.gamma)
        if tank.bottle is not None:
            bottle = tank.bottle
            state.bottle_mass = ullage.gas_mass(bottle.pressure, bottle.volume, bottle.temperature, gas.constant)
            state.bottle_energy = ullage.internal_energy(bottle.pressure, bottle.volume, gas.gamma)
    return state


def _goal(tank: TankNumbers, flow: float, supply: float) -> float:
    """Steady outlet pressure of the regulator [Pa]; ``supply`` what the bottle's fall adds [Pa]."""
    return regulator.outlet_pressure(
        tank.pressure, tank.droop, tank.reference_flow, flow, tank.lock_up, regulator.LOCK_UP_SHARE, supply
    )


def tank_pressure_now(tank: TankNumbers, state: TankState, time: float) -> float:
    """Pressure above the liquid [Pa]."""
    if tank.supply == "held":
        return tank.pressure
    if tank.trace is not None:
        return float(np.interp(time, *tank.trace))
    if tank.gas is not None:
        return ullage.energy_pressure(state.energy, state.volume, tank.gas.gamma)
    return state.pressure


def gas_temperature_now(tank: TankNumbers, state: TankState) -> float:
    """Temperature of the ullage gas [K]; NaN without one."""
    if tank.gas is None or state.mass <= 0.0:
        return math.nan
    return state.energy / (state.mass * tank.gas.cv)


def bottle_now(tank: TankNumbers, state: TankState) -> tuple[float, float]:
    """Pressure [Pa] and temperature [K] in the bottle; NaN without one."""
    if tank.bottle is None or tank.gas is None or state.bottle_mass <= 0.0:
        return math.nan, math.nan
    pressure = ullage.energy_pressure(state.bottle_energy, tank.bottle.volume, tank.gas.gamma)
    return pressure, state.bottle_energy / (state.bottle_mass * tank.gas.cv)


def valve_capacity(tank: TankNumbers, kv: float, before: float, temperature: float, behind: float) -> float:
    """Gas flow [kg/s] that a Kv [m^3/h] passes from a bottle at ``before`` [Pa] and a temperature [K] into the tank."""
    assert tank.gas is not None
    assert tank.valve is not None
    gas = tank.gas
    density = gas_density(before, temperature, gas.molar_mass, 1.0)
    return gas_mass_flow(kv, tank.valve.xt, _ANY_SIZE, 0.0, 0.0, gas.gamma, before, behind, density)


def holding_inflow(tank: TankNumbers, state: TankState, outflow: float) -> float:
    """Inflow of gas [kg/s] that would hold the pressure while liquid leaves at ``outflow`` [m^3/s]; NaN without ullage."""
    if tank.gas is None or state.mass <= 0.0:
        return math.nan
    gas = tank.gas
    pressure = ullage.energy_pressure(state.energy, state.volume, gas.gamma)
    heat = ullage.heat_flow(tank.heat_exchange, gas_temperature_now(tank, state), tank.sink_temperature)
    warm = bottle_now(tank, state)[1] if tank.bottle is not None else tank.gas_temperature
    return ullage.inflow_for_rate(0.0, pressure, state.volume, gas.gamma, gas.cp * warm, outflow, heat)


def advance(
    tank: TankNumbers,
    state: TankState,
    start: float,
    end: float,
    flow: tuple[float, float],
    density: tuple[float, float],
) -> None:
    """Advance a tank's state in place.

    Parameters
    ----------
    start, end : times [s]
    flow : mass flow of liquid at both [kg/s], straight between
    density : of the liquid that leaves, at both [kg/m^3]
    """
    outflow = (flow[0] / density[0], flow[1] / density[1])
    if tank.supply in ("held", "trace"):
        state.displaced += 0.5 * (outflow[0] + outflow[1]) * (end - start)
        return
    longest = max(INNER_STEP, (end - start) / INNER_STEPS)
    now = start
    while now < end - _SAME:
        _events(tank, state, now)
        after = min(end, now + longest)
        if end - after < 0.5 * longest:
            after = end  # no sliver at the end
        if tank.supply == "electronic":
            after = min(after, state.next_sample, *(at for at, _ in state.pending))
        if not state.collapsed and tank.collapse_time > now + _SAME:
            after = min(after, tank.collapse_time)
        share0, share1 = (now - start) / (end - start), (after - start) / (end - start)
        middle = 0.5 * (share0 + share1)
        first = outflow[0] + share0 * (outflow[1] - outflow[0])
        mean = outflow[0] + middle * (outflow[1] - outflow[0])
        flow_first = flow[0] + share0 * (flow[1] - flow[0])
        flow_mean = flow[0] + middle * (flow[1] - flow[0])
        if tank.gas is None:
            goal = _goal(tank, flow_mean, 0.0)
            state.pressure = regulator.first_order(state.pressure, goal, tank.response_time, after - now)
            state.displaced += mean * (after - now)
        else:
            _step(tank, state, after - now, (first, mean), (flow_first, flow_mean))
        now = after
    _events(tank, state, end)


def _events(tank: TankNumbers, state: TankState, now: float) -> None:
    """What happens at an instant: the collapse, a sample of the computer, a command that arrives at the valve."""
    if not state.collapsed and now >= tank.collapse_time - _SAME:
        state.collapsed = True
        if tank.gas is not None:
            warm = gas_temperature_now(tank, state)
            after = ullage.collapsed_temperature(warm, tank.sink_temperature, tank.collapse_share)
            lost = state.mass * tank.gas.cv * (warm - after)
            state.energy -= lost
            state.heat += lost
    if tank.supply != "electronic":
        return
    assert tank.valve is not None
    while state.next_sample <= now + _SAME:
        pressure = tank_pressure_now(tank, state, now)
        if tank.valve.kind == "on-off":
            is_open = regulator.switched(state.commanded > 0.5, pressure, tank.pressure, tank.valve.band)
            state.commanded = 1.0 if is_open else 0.0
        else:
            state.commanded = regulator.proportional_opening(pressure, tank.pressure, tank.valve.band)
        state.pending = (*state.pending, (state.next_sample + tank.valve.delay, state.commanded))
        state.next_sample += tank.valve.sample_period
    while state.pending and state.pending[0][0] <= now + _SAME:
        state.opening = state.pending[0][1]
        state.pending = state.pending[1:]


def _step(
    tank: TankNumbers, state: TankState, step: float, outflow: tuple[float, float], flow: tuple[float, float]
) -> None:
    """One inner step: half the heat, the flows by the midpoint rule, half the heat. Flows at its start and middle."""
    assert tank.gas is not None
    gas, bottle = tank.gas, tank.bottle
    moving = 0.0 if tank.frozen else 1.0
    _exchange(tank, state, 0.5 * step)
    mass, energy, volume = state.mass, state.energy, state.volume
    bottle_mass, bottle_energy = state.bottle_mass, state.bottle_energy
    inflow = enthalpy = work = 0.0
    for half in (0, 1):  # slopes at the start, then in the middle
        out = moving * outflow[half]
        pressure = ullage.energy_pressure(energy, volume, gas.gamma)
        before, warm = math.inf, tank.gas_temperature
        if bottle is not None:
            before = ullage.energy_pressure(bottle_energy, bottle.volume, gas.gamma)
            warm = bottle_energy / (bottle_mass * gas.cv)
        enthalpy = gas.cp * warm
        inflow = _inflow(tank, state.opening, step, flow[half], out, pressure, energy / mass, volume, before, warm)
        work = pressure * out
        if half == 0:
            mass += 0.5 * step * inflow
            energy += 0.5 * step * ullage.energy_rate(inflow, enthalpy, pressure, out, 0.0)
            volume += 0.5 * step * out
            if bottle is not None:
                bottle_mass -= 0.5 * step * inflow
                bottle_energy -= 0.5 * step * inflow * enthalpy
    state.mass += step * inflow
    state.energy += step * (inflow * enthalpy - work)
    state.volume += step * moving * outflow[1]
    state.displaced += step * outflow[1]
    state.work += step * work
    state.drawn += step * inflow
    if bottle is not None:
        state.bottle_mass -= step * inflow
        state.bottle_energy -= step * inflow * enthalpy
    else:
        state.brought += step * inflow * enthalpy
    _exchange(tank, state, 0.5 * step)


def _inflow(
    tank: TankNumbers,
    opening: float,
    step: float,
    flow: float,
    outflow: float,
    pressure: float,
    specific_energy: float,
    volume: float,
    before: float,
    warm: float,
) -> float:
    """Gas inflow [kg/s] at a state: gas at ``pressure`` [Pa] with its specific energy [J/kg] in a volume [m^3], bottle at
    ``before`` [Pa] and ``warm`` [K], liquid leaving at ``flow`` [kg/s], ``outflow`` [m^3/s]."""
    assert tank.gas is not None
    gas, bottle, valve = tank.gas, tank.bottle, tank.valve
    if tank.supply == "blow-down" or before <= pressure:
        return 0.0
    if tank.supply == "electronic":
        assert valve is not None
        wanted = valve_capacity(tank, valve.kv * opening, before, warm, pressure) if opening > 0.0 else 0.0
    else:
        fall = regulator.supply_effect(bottle.inlet_effect, bottle.pressure, before) if bottle is not None else 0.0
        rate = (_goal(tank, flow, fall) - pressure) / max(tank.response_time, step)
        heat = ullage.heat_flow(tank.heat_exchange, specific_energy / gas.cv, tank.sink_temperature)
        wanted = ullage.inflow_for_rate(rate, pressure, volume, gas.gamma, gas.cp * warm, outflow, heat)
        wanted = max(wanted, 0.0)  # a regulator lets no gas out
        if valve is not None:
            wanted = min(wanted, valve_capacity(tank, valve.kv, before, warm, pressure))
    if bottle is None:
        return wanted
    # No more in one step than what makes both pressures equal.
    small = 1.0 / (1.0 / volume + 1.0 / bottle.volume)
    return min(wanted, (before - pressure) * small / (gas.gamma * gas.constant * warm * step))


def _exchange(tank: TankNumbers, state: TankState, time: float) -> None:
    """Heat exchange alone, exact for the gas as it is."""
    assert tank.gas is not None
    if tank.heat_exchange > 0.0 and not tank.frozen:
        capacity = state.mass * tank.gas.cv
        warm = state.energy / capacity
        after = ullage.cooled_temperature(warm, tank.sink_temperature, tank.heat_exchange, capacity, time)
        state.energy -= capacity * (warm - after)
        state.heat += capacity * (warm - after)
    bottle = tank.bottle
    if bottle is not None and bottle.heat_exchange > 0.0:
        capacity = state.bottle_mass * tank.gas.cv
        cold = state.bottle_energy / capacity
        after = ullage.cooled_temperature(cold, bottle.temperature, bottle.heat_exchange, capacity, time)
        state.bottle_energy += capacity * (after - cold)
        state.bottle_heat += capacity * (after - cold)
