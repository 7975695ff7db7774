"""The machine as numbers: a design with liquid properties, c* grid, valve curves and gear trains worked out, all SI.

Everything downstream (balance, linear model, simulation, studies) reads a ``Machine`` and never the design file.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from dataclasses import dataclass

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, Leg, LegName, Valve
from valvectl.errors import DesignError, Fault, RangeError
from valvectl.parts import combustion, injector, line, nozzle, orifice, separation, tank, valve
from valvectl.parts.liquid import LiquidState, liquid_state, propellant
from valvectl.parts.lookup import FloatArray
from valvectl.plant import port_curve
from valvectl.plant.jacket_heat import JacketHeat, jacket_heat
from valvectl.plant.servo_numbers import Servo, servo_numbers
from valvectl.plant.stem_tables import bristles, stem_tables

FLOW_HEADROOM = 1.6
"""Loss tables reach to this multiple of the flow at full thrust."""
LOWEST_NOZZLE_EFFICIENCY, HIGHEST_NOZZLE_EFFICIENCY = 0.80, 1.02
"""Range of delivered over ideal thrust that thrust, chamber pressure and throat may imply (common practice)."""


@dataclass(frozen=True)
class LegMachine:
    """One leg, SI."""

    name: LegName
    liquid: LiquidState
    ff: float
    tank_pressure: float
    tank_droop: float
    reference_flow: float
    """Flow at full thrust and the wanted mixture ratio [kg/s]."""
    head: float
    up_inertance: float
    down_inertance: float
    up_loss: FloatArray
    """Pressure drop over flow squared, tank to valve, on a uniform grid of flow from zero, shape (m,)."""
    down_loss: FloatArray
    """The same from valve to manifold, jacket included, shape (m,)."""
    loss_per_step: float
    """Grid points of the loss tables per kg/s."""
    characteristic: valve.FlowCharacteristic
    """As it passes flow in its line: with reducers where the design says so."""
    valve_alone: valve.FlowCharacteristic
    """The same without reducers."""
    valve_sizes: tuple[float, float, float]
    """Valve size and pipe before and behind as valve sizing sees them [m]; all equal without reducers."""
    running: FloatArray
    """Running torque, warm, no pressure, on the characteristic's grid [N m]."""
    breakaway: FloatArray
    """Breakaway torque, likewise; both while the valve opens."""
    pressure_slope: float
    cold_factor: float
    dwell_factor: float
    stribeck_speed: float
    hydrodynamic: float
    bore: float
    closed_stop: float
    open_stop: float
    compliance: float
    """Manifold compliance [kg/Pa]."""
    cda: float
    """Injector Cd times area [m^2]."""
    delay: float
    """Combustion delay [s]."""
    servo: Servo
    jacket_heat: JacketHeat | None = None
    bristles: tuple[float, float] | None = None
    """Stiffness [N m/rad] and damping [N m s/rad] of the stem friction's bristles (LuGre); None: it truly sticks."""
    """Heat pick-up of the jacket; None: the liquid behind it is as cold as before."""
    jacket_share: float = 0.0
    """Liquid of the jacket that counts as manifold [m^3]; in ``compliance`` already."""
    injector_coefficient: float = math.nan
    """Cd of the injector's orifices [-]; in ``cda`` already."""
    injector_predicted: bool = False
    """True when Cd was predicted from inlet and length."""
    injector_rounding: float = 0.0
    """Inlet radius of the orifices over their diameter [-]; zero when sharp or not stated."""

    @property
    def injector_density(self) -> float:
        """Density of the liquid in manifold and injector [kg/m^3]; behind a heated jacket that at full thrust, everywhere."""
        heat = self.jacket_heat
        if heat is None:
            return self.liquid.density
        return self.liquid.density * heat.ratio_at(heat.density_ratio, heat.full_temperature)

    @property
    def manifold_sound_speed(self) -> float:
        """Speed of sound in the manifold [m/s]; behind a heated jacket that at full thrust."""
        heat = self.jacket_heat
        if heat is None:
            return self.liquid.sound_speed
        return self.liquid.sound_speed * heat.ratio_at(heat.sound_ratio, heat.full_temperature)

    running_closing: FloatArray | None = None
    """Running torque while the valve closes [N m]; None: as while it opens."""
    breakaway_closing: FloatArray | None = None
    """Breakaway torque, likewise."""

    def stem_table(self, breakaway: bool, closing: bool) -> FloatArray:
        """Running or breakaway torque of either direction, warm, no pressure [N m], on the characteristic's grid."""
        if closing:
            table = self.breakaway_closing if breakaway else self.running_closing
            if table is not None:
                return table
        return self.breakaway if breakaway else self.running

    @property
    def relative_slope(self) -> float:
        """Rise of breakaway torque per pressure drop over its peak [1/Pa]; zero for a valve without friction."""
        peak = float(self.breakaway.max())
        return self.pressure_slope / peak if peak > 0.0 else 0.0


@dataclass(frozen=True)
class Machine:
    """The whole engine, SI."""

    name: str
    legs: dict[LegName, LegMachine]
    thrust: float
    chamber_pressure: float
    mixture_ratio: float
    throat_area: float
    expansion_ratio: float
    exit_ratio: float
    """Nozzle exit pressure over chamber pressure [-]."""
    thrust_efficiency: float
    """Delivered over ideal thrust, from thrust, chamber pressure and throat as stated [-]."""
    characteristic_length: float
    ambient_pressure: float
    c_star_efficiency: float
    c_star: combustion.CStarGrid
    gamma: float
    battery: float
    battery_minimum: float
    battery_resistance: float
    undervoltage: float
    other_loads: float
    throttle_minimum: float
    step: float
    record: float
    separation: int = separation.NONE
    """Criterion by which the flow leaves the nozzle's wall (``parts.separation``)."""
    rate_matched: bool = False
    """True: each change of throttle takes both valves the same time."""

    def c_star_at(self, ratio: float, pressure: float) -> float:
        """Delivered characteristic velocity [m/s] at a mixture ratio [-] and chamber pressure [Pa]."""
        grid = self.c_star
        ideal = combustion.c_star_lookup(
            grid.values, grid.r0, grid.dr, grid.nr, grid.x0, grid.dx, grid.nx, ratio, math.log(pressure)
        )
        return self.c_star_efficiency * ideal

    def thrust_at(self, pressure: float) -> float:
        """Thrust [N] at a chamber pressure [Pa]."""
        coefficient = separation.separated_thrust_coefficient(
            self.separation, self.gamma, self.expansion_ratio, self.exit_ratio, pressure, self.ambient_pressure
        )
        return self.thrust_efficiency * coefficient * self.throat_area * pressure

    def thrusts_at(self, pressures: FloatArray) -> FloatArray:
        """Thrust [N] at each of many chamber pressures [Pa], shape (n,)."""
        if self.separation != separation.NONE and self.ambient_pressure > 0.0:
            return np.array([self.thrust_at(float(p)) for p in pressures])
        return np.asarray(self.thrust_at(pressures))  # type: ignore[arg-type]

    def with_leg(self, name: LegName, **changes: object) -> Machine:
        """Copy with some numbers of one leg replaced."""
        legs = dict(self.legs)
        legs[name] = dataclasses.replace(legs[name], **changes)  # type: ignore[arg-type]
        return dataclasses.replace(self, legs=legs)

    def with_servo(self, name: LegName, **changes: object) -> Machine:
        """Copy with some numbers of one servo replaced."""
        servo = dataclasses.replace(self.legs[name].servo, **changes)  # type: ignore[arg-type]
        return self.with_leg(name, servo=servo)

    def smooth(self) -> Machine:
        """Copy without dry friction, lost motion, quantisation, limits and bus sag: what the linear model describes."""
        machine = dataclasses.replace(self, battery_resistance=0.0)
        for name in LEGS:
            machine = machine.with_servo(
                name,
                half_gap=0.0,
                half_slot=0.0,
                motor_friction=0.0,
                position_count=0.0,
                speed_count=0.0,
                trim_count=0.0,
                trim_limit=1e6,
                current_limit=1e6,
                duty_limit=1e6,
                speed_limit=1e6,
                hold_band=0.0,
                command_step=0.0,
                harness=0.0,
                train=dataclasses.replace(self.legs[name].servo.train, efficiency=1.0, backdrive_efficiency=1.0),
            )
            machine = machine.with_leg(
                name,
                running=np.zeros_like(self.legs[name].running),
                breakaway=np.zeros_like(self.legs[name].breakaway),
                running_closing=None,
                breakaway_closing=None,
                pressure_slope=0.0,
                hydrodynamic=0.0,
                closed_stop=-1e3,
                open_stop=1e3,
            )
        return machine


@functools.lru_cache(maxsize=256)
def _loss_table(
    length: float, diameter: float, roughness: float, fittings: float, rho: float, viscosity: float, largest: float
) -> FloatArray:
    return line.loss_table(length, diameter, roughness, fittings, rho, viscosity, largest)


@functools.lru_cache(maxsize=128)
def _characteristic(
    part: Valve, before: float, behind: float
) -> tuple[valve.FlowCharacteristic, valve.FlowCharacteristic]:
    alone = port_curve.grid(part, before, behind, reducers=False)
    return (port_curve.grid(part, before, behind) if part.reducers else alone), alone


def _leg(name: LegName, leg: Leg, flow: float, chamber_pressure: float, delay: float) -> LegMachine:
    given = {
        key: getattr(leg.liquid, key)
        for key in ("density", "vapour_pressure", "critical_pressure", "viscosity", "sound_speed")
        if getattr(leg.liquid, key) is not None
    }
    called = propellant(leg.liquid.name, leg.liquid.water)
    liquid = liquid_state(called, leg.liquid.temperature, leg.tank.pressure, **given)
    rho, largest = liquid.density, FLOW_HEADROOM * flow
    up = leg.line
    down = leg.downstream

    def losses(pipe: object) -> FloatArray:
        assert pipe is up or pipe is down
        p = up if pipe is up else down
        assert p is not None
        total = sum(fitting.loss_coefficient * fitting.count for fitting in p.fittings)
        return _loss_table(p.length, p.inner_diameter, p.roughness, total, rho, liquid.viscosity, largest)

    up_loss = losses(up)
    down_loss = losses(down) if down is not None else np.zeros_like(up_loss)
    down_inertance = line.inertance(down.length, line.area(down.inner_diameter)) if down is not None else 0.0
    if leg.jacket is not None:
        down_loss = down_loss + leg.jacket.pressure_drop / leg.jacket.reference_flow**2
        down_inertance += line.inertance(leg.jacket.length, leg.jacket.flow_area)
    behind = up.inner_diameter if down is None else down.inner_diameter
    characteristic, alone = _characteristic(leg.valve, up.inner_diameter, behind)
    size = leg.valve.bore * math.sqrt(leg.valve.port_scale)
    torque = leg.valve.torque
    tables = stem_tables(torque, characteristic.angles, leg.valve.closed_stop, leg.valve.open_stop)
    coefficient = _coefficient(leg, flow, liquid.viscosity)
    cda = _cda(leg, coefficient)
    manifold_pressure = chamber_pressure + injector.injector_drop(cda, rho, flow)  # trapped gas is under both
    heat, share, hot, sound = None, 0.0, rho, liquid.sound_speed
    if leg.jacket is not None:
        heat = jacket_heat(leg.jacket, called, liquid, flow, chamber_pressure, manifold_pressure)
        share = leg.jacket.liquid_volume if leg.jacket.compliant else 0.0
    if heat is not None:
        at = heat.full_temperature
        hot, sound = rho * heat.ratio_at(heat.density_ratio, at), sound * heat.ratio_at(heat.sound_ratio, at)
        coefficient = _coefficient(leg, flow, liquid.viscosity * heat.ratio_at(heat.viscosity_ratio, at))
        cda = _cda(leg, coefficient)
        manifold_pressure = chamber_pressure + injector.injector_drop(cda, hot, flow)
    return LegMachine(
        name=name,
        liquid=liquid,
        ff=valve.critical_pressure_ratio_factor(liquid.vapour_pressure, liquid.critical_pressure),
        tank_pressure=leg.tank.pressure,
        tank_droop=leg.tank.droop,
        reference_flow=flow,
        head=tank.head(rho, leg.tank.height, leg.tank.load_factor),
        up_inertance=line.inertance(up.length, line.area(up.inner_diameter)),
        down_inertance=down_inertance,
        up_loss=up_loss,
        down_loss=down_loss,
        loss_per_step=(up_loss.size - 1) / largest,
        characteristic=characteristic,
        valve_alone=alone,
        valve_sizes=(size, up.inner_diameter, behind) if leg.valve.reducers else (size, size, size),
        running=tables.running,
        breakaway=tables.breakaway,
        running_closing=tables.running_closing,
        breakaway_closing=tables.breakaway_closing,
        pressure_slope=tables.pressure_slope,
        cold_factor=torque.cold_factor,
        dwell_factor=torque.dwell_factor,
        stribeck_speed=torque.stribeck_speed,
        hydrodynamic=torque.hydrodynamic_coefficient,
        bore=leg.valve.bore,
        closed_stop=leg.valve.closed_stop,
        open_stop=leg.valve.open_stop,
        compliance=injector.manifold_compliance(
            leg.manifold.volume + share, sound, hot, leg.manifold.gas_volume, manifold_pressure
        ),
        cda=cda,
        delay=delay,
        servo=servo_numbers(leg, float(np.mean(tables.running))),
        jacket_heat=heat,
        jacket_share=share,
        injector_coefficient=coefficient,
        injector_predicted=leg.injector.discharge_coefficient is None,
        injector_rounding=inlet_rounding(leg),
        bristles=bristles(torque, leg.valve.inertia, torque.cold_factor * float(tables.breakaway.max())),
    )


def _cda(leg: Leg, coefficient: float) -> float:
    """Injector Cd times area [m^2]."""
    return coefficient * leg.injector.hole_count * line.area(leg.injector.hole_diameter)


def _coefficient(leg: Leg, flow: float, viscosity: float) -> float:
    """Injector Cd [-], as stated or predicted at the flow of full thrust [kg/s]."""
    part = leg.injector
    if part.discharge_coefficient is not None:
        return float(part.discharge_coefficient)
    assert part.length is not None
    reynolds = line.reynolds(flow / part.hole_count, part.hole_diameter, viscosity)
    return orifice.discharge_coefficient(part.length / part.hole_diameter, reynolds, inlet_rounding(leg))


def inlet_rounding(leg: Leg) -> float:
    """Inlet radius of the injector's orifices over their diameter [-]; zero when sharp or not stated."""
    part = leg.injector
    if part.inlet != "rounded":
        return 0.0
    return orifice.ROUND_ENOUGH if part.inlet_radius is None else float(part.inlet_radius / part.hole_diameter)


_equilibrium = functools.lru_cache(maxsize=16)(combustion.c_star_grid)
"""Drawn engines share one grid, by the thousand."""


def _c_star(design: DesignFile) -> combustion.CStarGrid:
    engine = design.engine
    table = engine.combustion.table
    if table is not None:
        return combustion.c_star_grid_from_table(table.mixture_ratio, table.chamber_pressure, table.c_star, table.gamma)
    fuel = design.legs.fuel.liquid
    return _equilibrium(
        design.legs.oxidizer.liquid.name,
        propellant(fuel.name, fuel.water),
        engine.mixture_ratio,
        engine.chamber_pressure,
    )


def build(design: DesignFile) -> Machine:
    """Work out the numbers of a design.

    Raises ``DesignError`` when a liquid is not liquid, a propellant is not known, or thrust, chamber pressure and throat
    contradict each other.
    """
    faults: list[Fault] = []
    file = str(design.path) if design.path is not None else ""
    engine = design.engine
    try:
        grid = _c_star(design)
    except RangeError as error:
        raise DesignError(Fault(str(error), key="engine.combustion", file=file)) from error
    gamma = grid.gamma
    throat = line.area(engine.throat_diameter)
    exit_ratio = nozzle.area_ratio_to_pressure_ratio(engine.expansion_ratio, gamma)
    ideal = (
        throat
        * engine.chamber_pressure
        * separation.separated_thrust_coefficient(
            separation.CRITERIA[engine.separation],
            gamma,
            engine.expansion_ratio,
            exit_ratio,
            engine.chamber_pressure,
            engine.ambient_pressure,
        )
    )
    efficiency = engine.thrust / ideal if ideal > 0.0 else math.inf
    if not LOWEST_NOZZLE_EFFICIENCY <= efficiency <= HIGHEST_NOZZLE_EFFICIENCY:
        faults.append(
            Fault(
                f"thrust, chamber_pressure and throat_diameter contradict each other: with this throat and pressure an "
                f"ideal nozzle gives {max(ideal, 0.0):.0f} N, so the thrust wanted is {100 * efficiency:.0f} % of it; "
                f"allowed is {100 * LOWEST_NOZZLE_EFFICIENCY:.0f} to {100 * HIGHEST_NOZZLE_EFFICIENCY:.0f} %",
                key="engine.throat_diameter",
                file=file,
                got=f"{1e3 * engine.throat_diameter:.4g} mm",
            )
        )
    ratio = engine.mixture_ratio
    velocity = engine.combustion.efficiency * combustion.c_star_lookup(
        grid.values, grid.r0, grid.dr, grid.nr, grid.x0, grid.dx, grid.nx, ratio, math.log(engine.chamber_pressure)
    )
    total = engine.chamber_pressure * throat / velocity
    shares: dict[LegName, float] = {"oxidizer": ratio / (1.0 + ratio), "fuel": 1.0 / (1.0 + ratio)}
    delays: dict[LegName, float] = {
        "oxidizer": engine.combustion.delay_oxidizer,
        "fuel": engine.combustion.delay_fuel,
    }
    legs: dict[LegName, LegMachine] = {}
    for name in LEGS:
        try:
            legs[name] = _leg(name, design.leg(name), total * shares[name], engine.chamber_pressure, delays[name])
        except RangeError as error:
            part = "valve" if str(error).startswith("reducers") else "jacket" if "jacket" in str(error) else "liquid"
            faults.append(Fault(str(error), key=f"legs.{name}.{part}", file=file))
    if faults:
        raise DesignError(faults)
    battery = design.battery
    return Machine(
        name=design.name,
        legs=legs,
        thrust=engine.thrust,
        chamber_pressure=engine.chamber_pressure,
        mixture_ratio=ratio,
        throat_area=throat,
        expansion_ratio=engine.expansion_ratio,
        exit_ratio=exit_ratio,
        thrust_efficiency=efficiency,
        characteristic_length=engine.characteristic_length,
        ambient_pressure=engine.ambient_pressure,
        c_star_efficiency=engine.combustion.efficiency,
        c_star=grid,
        gamma=gamma,
        battery=battery.voltage,
        battery_minimum=battery.minimum_voltage,
        battery_resistance=battery.resistance,
        undervoltage=battery.undervoltage_lockout,
        other_loads=battery.other_loads,
        throttle_minimum=design.throttle.minimum,
        step=design.simulation.step,
        record=design.simulation.record,
        separation=separation.CRITERIA[engine.separation],
        rate_matched=design.throttle.rate_matched,
    )
