"""What else the pressure ladder tells of the engine side: liquid behind a heated jacket, orifices, nozzle separation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from valvectl.design.schema import LegName
from valvectl.parts import jacket, orifice, separation
from valvectl.parts.lookup import FloatArray
from valvectl.parts.nozzle import thrust_coefficient
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.machine import LegMachine, Machine


@dataclass(frozen=True)
class JacketLadder:
    """Liquid behind a heated jacket at each setting; arrays of shape (n,), NaN beyond the liquid's tables."""

    temperature: FloatArray
    """Mean temperature in the manifold [K]."""
    density: FloatArray
    """Density there [kg/m^3]; flow is worked out with that of full thrust at every setting."""
    vapour_pressure: FloatArray
    """[Pa]"""
    boiling_margin: FloatArray
    """Manifold pressure less vapour pressure [Pa]; at or below zero the liquid boils."""
    boils: NDArray[np.bool_]
    """True where it boils in the manifold or where its tables end."""
    drop_error: FloatArray
    """Injector drop as worked out over that with the density of this setting, less one [-]."""
    flow_error: FloatArray
    """Flow as worked out at the same ball angle over that with the density of this setting, less one [-]."""
    dwell: FloatArray
    """Time the liquid spends in the jacket [s]: the temperature behind it lags a throttle by that much."""


@dataclass(frozen=True)
class OrificeLadder:
    """Orifices of one propellant at each setting; arrays of shape (n,)."""

    coefficient: float
    """Discharge coefficient Cd in use [-]."""
    predicted: bool
    """True when Cd was worked out from inlet and length."""
    flow_number: float
    """Liquid flow number [m^2]: mass flow over sqrt(density times drop)."""
    cavitation_number: FloatArray
    """(manifold - vapour) over (manifold - chamber) pressure [-]; NaN where the liquid behind a jacket is not known."""
    critical_number: float
    """Cavitation number below which it cavitates and may flip [-]; an inlet that is not stated counts as sharp."""

    @property
    def cavitates(self) -> NDArray[np.bool_]:
        """True where the orifice cavitates, shape (n,)."""
        return np.asarray(self.cavitation_number < self.critical_number)


@dataclass(frozen=True)
class SeparationLadder:
    """Where the flow leaves the nozzle wall and what that does to thrust, at each setting's chamber pressure, shape (n,)."""

    in_use: str
    """Criterion that the thrust of the design follows: none, summerfield or schmucker."""
    area_ratio: dict[str, FloatArray]
    """By criterion: area over throat area where it separates [-]; NaN where the flow fills the nozzle."""
    full: FloatArray
    """Thrust with the nozzle flowing full [N]."""
    thrust: dict[str, FloatArray]
    """By criterion: thrust with the flow off the wall [N]."""

    def gain(self, criterion: str) -> FloatArray:
        """Thrust with separation over that of the full nozzle, less one [-], shape (n,)."""
        return np.asarray(self.thrust[criterion] / self.full - 1.0)

    def separates(self, criterion: str) -> NDArray[np.bool_]:
        """True where it separates, shape (n,)."""
        return np.asarray(np.isfinite(self.area_ratio[criterion]))

    def columns(self) -> dict[str, Any]:
        """Columns for a table over the settings."""
        out: dict[str, Any] = {}
        for word in self.area_ratio:
            out[f"nozzle separates at area ratio, {word} [-]"] = self.area_ratio[word]
            out[f"thrust with separation, {word}, over full nozzle less 1 [%]"] = 100.0 * self.gain(word)
        return out


def span(percent: FloatArray) -> str:
    """Settings [%] as words: ``40 to 48 %``, or ``40 %`` when it is one."""
    low, high = f"{float(np.min(percent)):.0f}", f"{float(np.max(percent)):.0f}"
    return f"{low} %" if low == high else f"{low} to {high} %"


def jacket_ladder(leg: LegMachine, points: Sequence[OperatingPoint], name: LegName) -> JacketLadder | None:
    """The liquid behind a leg's jacket at steady points; None without heat."""
    heat = leg.jacket_heat
    if heat is None:
        return None
    rows = np.full((7, len(points)), np.nan)
    for j, point in enumerate(points):
        at = point.legs[name]
        temperature = heat.temperature_at(point.chamber_pressure, at.flow)
        if not math.isfinite(temperature):
            continue
        rho = leg.liquid.density * heat.ratio_at(heat.density_ratio, temperature)
        vapour = heat.vapour_pressure_at(temperature)
        drop = at.manifold - point.chamber_pressure
        right = drop * leg.injector_density / rho
        # all drops go with flow squared: the flow at one angle with the root of what is left; a choked valve does not care
        total = at.tank + leg.head - point.chamber_pressure
        flow = 0.0 if at.choked else math.sqrt((total - drop + right) / total) - 1.0
        mean = 0.5 * (leg.liquid.density + rho)
        rows[:, j] = (
            temperature, rho, vapour, at.manifold - vapour, drop / right - 1.0, flow, jacket.dwell(heat.volume, mean, at.flow)
        )  # fmt: skip
    known = np.isfinite(rows[0])
    return JacketLadder(
        temperature=rows[0],
        density=rows[1],
        vapour_pressure=rows[2],
        boiling_margin=rows[3],
        boils=np.array(
            [
                not ok or jacket.boils(p.legs[name].manifold, float(v))
                for ok, p, v in zip(known, points, rows[2], strict=True)
            ]
        ),
        drop_error=rows[4],
        flow_error=rows[5],
        dwell=rows[6],
    )


def orifice_ladder(
    leg: LegMachine, points: Sequence[OperatingPoint], name: LegName, hot: JacketLadder | None
) -> OrificeLadder:
    """A leg's orifices at steady points."""
    vapour = np.full(len(points), leg.liquid.vapour_pressure) if hot is None else hot.vapour_pressure
    return OrificeLadder(
        coefficient=leg.injector_coefficient,
        predicted=leg.injector_predicted,
        flow_number=orifice.flow_number(leg.cda),
        cavitation_number=np.array(
            [
                orifice.cavitation_number(p.legs[name].manifold, p.chamber_pressure, float(v))
                for p, v in zip(points, vapour, strict=True)
            ]
        ),
        critical_number=orifice.critical_cavitation_number(leg.injector_coefficient, leg.injector_rounding),
    )


def separation_ladder(machine: Machine, pressures: FloatArray) -> SeparationLadder | None:
    """Separation at chamber pressures [Pa]; None in vacuum, where nothing separates."""
    ambient = machine.ambient_pressure
    if ambient <= 0.0:
        return None
    scale = machine.thrust_efficiency * machine.throat_area
    shape = machine.gamma, machine.expansion_ratio, machine.exit_ratio
    full = np.array([scale * p * thrust_coefficient(*shape, float(p), ambient) for p in pressures])
    area: dict[str, FloatArray] = {}
    thrust: dict[str, FloatArray] = {}
    for word, which in separation.CRITERIA.items():
        if which == separation.NONE:
            continue
        at = [
            separation.separation_area_ratio(which, machine.gamma, machine.expansion_ratio, float(p) / ambient)
            for p in pressures
        ]
        area[word] = np.array([a if a < machine.expansion_ratio else np.nan for a in at])
        thrust[word] = np.array(
            [scale * p * separation.separated_thrust_coefficient(which, *shape, float(p), ambient) for p in pressures]
        )
    words = {number: word for word, number in separation.CRITERIA.items()}
    return SeparationLadder(in_use=words[machine.separation], area_ratio=area, full=full, thrust=thrust)
