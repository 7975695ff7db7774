"""Pressure ladder over the throttle range: where the pressure goes, station by station; how near the valves choke."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.studies.engine_side import (
    JacketLadder,
    OrificeLadder,
    SeparationLadder,
    jacket_ladder,
    orifice_ladder,
    separation_ladder,
)
from valvectl.studies.result import Result
from valvectl.studies.turbulence import Turbulence, turbulence


@dataclass(frozen=True)
class LegLadder:
    """One leg; pressures [Pa], arrays of shape (n,)."""

    angle: FloatArray
    """Ball angle [rad]."""
    flow: FloatArray
    """[kg/s]"""
    tank: FloatArray
    valve_inlet: FloatArray
    valve_outlet: FloatArray
    manifold: FloatArray
    choking: FloatArray
    """Valve drop over the drop at which it chokes [-]."""
    authority: FloatArray
    """Valve drop over the drop from tank to chamber [-]."""
    stiffness: FloatArray
    """Injector drop over chamber pressure [-]."""
    turbulence: Turbulence
    """Valve Reynolds number and FR at each setting; flow is worked out as turbulent whatever they say."""
    jacket: JacketLadder | None = None
    """The liquid behind a heated jacket; None without heat."""
    orifice: OrificeLadder | None = None
    """The injector's orifices."""


@dataclass(frozen=True)
class LadderResult(Result):
    """Steady points over the throttle range."""

    throttle: FloatArray
    """[-], shape (n,)"""
    chamber_pressure: FloatArray
    """[Pa], shape (n,)"""
    legs: dict[LegName, LegLadder]
    exit_pressure_ratio: FloatArray
    """Nozzle exit pressure over ambient [-], shape (n,); NaN in vacuum. Below about 0.4 the flow may separate."""
    points: tuple[OperatingPoint, ...] = field(repr=False)
    separation: SeparationLadder | None = None
    """Flow leaving the nozzle's wall; None in vacuum."""

    def columns(self) -> dict[str, Any]:
        out: dict[str, Any] = {
            "throttle [%]": 100.0 * self.throttle,
            "chamber pressure [bar abs]": self.chamber_pressure / 1e5,
        }
        for name, leg in self.legs.items():
            out[f"{name} angle [deg]"] = np.degrees(leg.angle)
            out[f"{name} flow [kg/s]"] = leg.flow
            out[f"{name} tank [bar abs]"] = leg.tank / 1e5
            out[f"{name} valve inlet [bar abs]"] = leg.valve_inlet / 1e5
            out[f"{name} valve outlet [bar abs]"] = leg.valve_outlet / 1e5
            out[f"{name} manifold [bar abs]"] = leg.manifold / 1e5
            out[f"{name} drop over choking drop"] = leg.choking
            out[f"{name} authority"] = leg.authority
            out[f"{name} injector stiffness"] = leg.stiffness
            out[f"{name} valve Reynolds number"] = leg.turbulence.reynolds
            out[f"{name} FR"] = leg.turbulence.factor
            if leg.orifice is not None:
                out[f"{name} injector cavitation number"] = leg.orifice.cavitation_number
            if leg.jacket is not None:
                out[f"{name} behind jacket [K]"] = leg.jacket.temperature
                out[f"{name} vapour pressure behind jacket [bar abs]"] = leg.jacket.vapour_pressure / 1e5
                out[f"{name} margin to boiling [bar]"] = leg.jacket.boiling_margin / 1e5
                out[f"{name} boils behind jacket"] = leg.jacket.boils
                out[f"{name} flow error by one density [%]"] = 100.0 * leg.jacket.flow_error
                out[f"{name} time in jacket [ms]"] = 1e3 * leg.jacket.dwell
        out["nozzle exit over ambient pressure [-]"] = self.exit_pressure_ratio
        if self.separation is not None:
            out.update(self.separation.columns())
        return out


def ladder(machine: Machine, schedule: Schedule) -> LadderResult:
    """Pressure ladder of both legs at every setting of a schedule."""
    points = schedule.points
    legs: dict[LegName, LegLadder] = {}
    for name in LEGS:
        at = [p.legs[name] for p in points]
        hot = jacket_ladder(machine.legs[name], points, name)
        legs[name] = LegLadder(
            angle=np.array([p.angle for p in at]),
            flow=np.array([p.flow for p in at]),
            tank=np.array([p.tank for p in at]),
            valve_inlet=np.array([p.valve_inlet for p in at]),
            valve_outlet=np.array([p.valve_outlet for p in at]),
            manifold=np.array([p.manifold for p in at]),
            choking=np.array([p.valve_drop / p.choked_drop for p in at]),
            authority=np.array([p.authority(name) for p in points]),
            stiffness=np.array([p.injector_stiffness(name) for p in points]),
            turbulence=turbulence(machine.legs[name], at),
            jacket=hot,
            orifice=orifice_ladder(machine.legs[name], points, name, hot),
        )
    pressure = np.array([p.chamber_pressure for p in points])
    ambient = machine.ambient_pressure
    ratio = machine.exit_ratio * pressure / ambient if ambient > 0.0 else np.full(pressure.size, np.nan)
    return LadderResult(
        throttle=schedule.throttle,
        chamber_pressure=pressure,
        legs=legs,
        exit_pressure_ratio=ratio,
        points=points,
        separation=separation_ladder(machine, pressure),
    )
