"""Purge gas of a leg: what flows, whether it is choked, and how long it takes to sweep what lies behind the throttle valve.

Two steady states of an engine that is not lit, chamber at ambient pressure: gas pushing the liquid out through the injector,
and gas following it. In each the pressure in the manifold is the one at which the purge device lets in what the injector
lets out. Gas keeps its temperature through a throttle (perfect gas); the liquid warms and boils nothing (a cold manifold
that boils its liquid is swept later than this says). The injector's CdA is that of the design, for gas as for liquid.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.design.schema_gas import Purge
from valvectl.errors import RangeError
from valvectl.parts import gas_orifice
from valvectl.parts.gas_state import gas_state
from valvectl.parts.line import area
from valvectl.parts.valve import CV_TO_KV
from valvectl.parts.valve_gas import Gas, gas_density, gas_mass_flow
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.studies.gas_service import GasService, gas_orifice_service, gas_valve
from valvectl.studies.result import Result

MIXED_CHANGES = math.log(100.0)
"""Changes of gas that leave 1 % of what was there in a volume that mixes well: exp(-n) = 0.01 (elementary mechanics)."""


@dataclass(frozen=True)
class PurgeResult(Result):
    """Purge of one leg, not lit."""

    leg: LegName
    volume: float
    """Swept: manifold, pipe and jacket behind the throttle valve [m^3]."""
    gas: GasService
    """The purge device with gas alone behind it."""
    manifold: float
    """Manifold pressure then [Pa]: worked out, or the design's back_pressure."""
    stated_back_pressure: bool
    pushing: float
    """Manifold pressure while the liquid is pushed out [Pa]."""
    pushing_flow: float
    """Gas flow then [kg/s]."""
    push_time: float
    """To push the liquid out [s]; NaN when it is not pushed at all."""
    change_time: float
    """To change the gas of the volume once [s]."""
    mixed_time: float
    """To leave 1 % of what was there when the volume mixes well [s]."""
    injector_choked: bool
    """True when the gas is choked in the injector too."""
    running_manifold: tuple[float, float]
    """Manifold pressure with the engine running, lowest and full throttle [Pa]."""
    cautions: tuple[str, ...]
    assumptions: tuple[str, ...]

    def columns(self) -> dict[str, Any]:
        return {
            "leg": [self.leg],
            "gas": [self.gas.gas],
            "flow [g/s]": [1e3 * self.gas.mass_flow],
            "flow [m3/h at 15 degC, 1.01325 bar]": [3600.0 * self.gas.standard_flow],
            "choked": [self.gas.choked],
            "manifold [bar abs]": [self.manifold / 1e5],
            "liquid out in [ms]": [1e3 * self.push_time],
            "one change of gas in [ms]": [1e3 * self.change_time],
            "1 % left, mixed, in [ms]": [1e3 * self.mixed_time],
            "swept [mL]": [1e6 * self.volume],
        }


def device(part: Purge, outlet: float) -> GasService:
    """The purge valve or orifice of a design with an outlet pressure [Pa]."""
    if part.orifice_diameter is not None:
        return gas_orifice_service(
            part.gas, part.pressure, outlet, part.temperature, diameter=part.orifice_diameter,
            cd=part.orifice_coefficient, size=part.bore,
        )  # fmt: skip
    return gas_valve(part.gas, part.pressure, outlet, part.temperature, kv=_kv(part), xt=part.xt, size=part.bore)


def _meet(low: float, high: float, excess: Callable[[float], float]) -> float:
    """Pressure [Pa] between two at which ``excess`` passes through zero; it falls with pressure."""
    from scipy.optimize import brentq

    if excess(low) <= 0.0:
        return low
    return float(brentq(excess, low, high, xtol=1e-12 * low, rtol=1e-14))


def purge(design: DesignFile, machine: Machine, schedule: Schedule, leg: LegName) -> PurgeResult:
    """Purge of a leg as the design's table ``purge`` has it.

    Raises ``RangeError`` when the design has no such table, when the supply does not reach beyond ambient pressure, and
    when the flow is not turbulent.
    """
    part, at = design.leg(leg), machine.legs[leg]
    data = part.purge
    if data is None:
        raise RangeError(
            f"the {leg} leg has no purge; write a table [legs.{leg}.purge] with gas, pressure, temperature, ..."
        )
    ambient = machine.ambient_pressure
    floor = max(ambient, 1.0)
    volume = part.manifold.volume
    if part.downstream is not None:
        volume += part.downstream.length * area(part.downstream.inner_diameter)
    if part.jacket is not None:
        volume += part.jacket.liquid_volume
    if data.pressure <= floor:
        raise RangeError(f"legs.{leg}.purge.pressure: must be above ambient pressure ({floor / 1e5:.4g} bar abs)")
    state = gas_state(data.gas, data.pressure, data.temperature)

    def density(pressure: float) -> float:
        return gas_density(pressure, data.temperature, state.molar_mass, 1.0)

    def through_injector(pressure: float) -> float:
        return gas_orifice.orifice_gas_flow(at.cda, state.gamma, pressure, floor, density(pressure))

    def liquid_out(pressure: float) -> float:
        return at.cda * math.sqrt(2.0 * max(pressure - floor, 0.0) / at.liquid.density)

    def supplied(pressure: float) -> float:
        return _passed(data, state, pressure)

    low, high = floor * (1.0 + 1e-9), data.pressure * (1.0 - 1e-9)
    swept = _meet(low, high, lambda p: supplied(p) - through_injector(p))
    manifold = swept if data.back_pressure is None else data.back_pressure
    gas = device(data, manifold)
    pushing = _meet(low, high, lambda p: supplied(p) - liquid_out(p) * density(p))
    pushing_flow = supplied(pushing)
    out = liquid_out(pushing)
    change = volume * density(manifold) / gas.mass_flow
    running = [p.legs[leg].manifold for p in (schedule.points[0], schedule.points[-1])]
    cautions = list(gas.cautions)
    if data.pressure < running[1]:
        cautions.append(
            f"the supply ({data.pressure / 1e5:.3g} bar abs) is below the manifold's pressure at full throttle "
            f"({running[1] / 1e5:.3g} bar abs): without a check valve propellant runs into the purge line, and gas comes in "
            "only as the engine dies down"
        )
    return PurgeResult(
        leg=leg,
        volume=volume,
        gas=gas,
        manifold=manifold,
        stated_back_pressure=data.back_pressure is not None,
        pushing=pushing,
        pushing_flow=pushing_flow,
        push_time=volume / out if out > 0.0 else math.nan,
        change_time=change,
        mixed_time=MIXED_CHANGES * change,
        injector_choked=floor / manifold <= gas_orifice.critical_ratio(state.gamma),
        running_manifold=(running[0], running[1]),
        cautions=tuple(cautions),
        assumptions=(
            "engine not lit, chamber at ambient pressure; gas at the supply's temperature everywhere; a cold manifold boils its "
            "liquid and is swept later",
            *gas.assumptions,
        ),
    )


def _passed(part: Purge, gas: Gas, outlet: float) -> float:
    """Flow of the purge device [kg/s] at an outlet pressure [Pa], by its law alone: turbulent, without checks."""
    rho = gas_density(part.pressure, part.temperature, gas.molar_mass, gas.z)
    if part.orifice_diameter is not None:
        cda = (part.orifice_coefficient or 0.0) * area(part.orifice_diameter)
        return gas_orifice.orifice_gas_flow(cda, gas.gamma, part.pressure, outlet, rho)
    return gas_mass_flow(_kv(part), part.xt or 0.0, part.bore, 0.0, 0.0, gas.gamma, part.pressure, outlet, rho)


def _kv(part: Purge) -> float:
    return part.cv * CV_TO_KV if part.cv is not None else part.kv or 0.0
