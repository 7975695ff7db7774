"""What the study of tank disturbances answers with."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from valvectl.design.schema import LEGS, LegName
from valvectl.parts.lookup import FloatArray
from valvectl.studies.result import Result

SETTLED = 1e-6
"""O/F error that counts as none [-]."""


@dataclass(frozen=True)
class Disturbance:
    """One disturbance by itself, or all together; the valves stay on their schedule."""

    name: str
    """In words."""
    legs: tuple[LegName, ...]
    """Tanks for which it is declared."""
    worst: float
    """O/F error of largest size, with its sign [-]; against the undisturbed steady value at the same angles."""
    time: float
    """When [s]."""
    throttle: float
    """Setting of the schedule then [-]."""
    final: float
    """O/F error at the end [-]."""
    thrust: float
    """Thrust error of largest size [-]."""
    chamber_pressure: float
    """Chamber-pressure error of largest size [-]."""
    from_leg: dict[LegName, float]
    """O/F error at that time when only this tank is disturbed [-]."""
    common: float
    """Part of ``worst`` that both tanks' mean pressure change would make [-]."""
    difference: float
    """The rest: what makes the tanks unlike, liquid properties included [-]."""
    in_schedule: bool
    """True: the schedule is made with it, so that it is no part of all together."""
    ended: str
    """Why the run ended before the profile; empty when it did not."""
    ratio_error: FloatArray
    """O/F error over the result's time [-], shape (n,); NaN after the end of the run."""


@dataclass(frozen=True)
class TankEnd:
    """One tank with all disturbances together."""

    leg: LegName
    supply: str
    """regulated, blow-down, electronic, trace or held."""
    lowest: float
    """Tank pressure, lowest and highest [Pa]."""
    highest: float
    final: float
    """At the end [Pa]."""
    choking: float
    """Largest valve drop over choking drop [-]."""
    choking_time: float
    stiffness: float
    """Least injector drop over chamber pressure [-]."""
    stiffness_time: float
    used: float
    """Liquid used [kg]."""
    residual: float
    """Liquid left at the end [m^3]; NaN when the tank's volume is not stated."""
    left: float
    """The same as mass [kg]."""
    fall: float
    """Fall of the level [m]; NaN when the tank's diameter is not stated."""


@dataclass(frozen=True)
class GasDemand:
    """Pressurant of one tank with all disturbances together."""

    leg: LegName
    gas: str
    start: float
    """Gas in the ullage at the start [kg]."""
    drawn: float
    """Gas that has flowed in [kg]."""
    ideal: float
    """What the displaced volume takes at final pressure and the gas's inlet temperature [kg]."""
    collapse_factor: float
    """Drawn over ideal [-]; NaN for a blow-down."""
    gas_temperature: float
    """Of the ullage at the end [K]."""
    bottle_start: float
    """[Pa]; NaN without a bottle."""
    bottle_end: float
    """[Pa]"""
    bottle_temperature: float
    """At the end [K]."""
    kv_needed: float
    """Kv that would hold the pressure at the hardest moment [m^3/h]; NaN when not assessed."""
    kv_time: float
    """That moment [s]."""
    kv_given: float
    """[m^3/h]; NaN when not stated."""


@dataclass(frozen=True)
class Trim:
    """What one valve would have to do at the worst moment to hold thrust and O/F."""

    leg: LegName
    scheduled: float
    """Angle of the schedule [rad]."""
    needed: float
    """Angle that holds both [rad]; NaN when there is none."""
    to_open: float
    """From there to the open stop [rad]."""
    to_shut: float
    """From there to the shut end [rad]."""

    @property
    def change(self) -> float:
        """Trim [rad]; positive opens."""
        return self.needed - self.scheduled


@dataclass(frozen=True)
class DisturbanceResult(Result):
    """Effect of the tank side on the mixture ratio. Arrays over ``time``, shape (n,); NaN after the end of a run."""

    time: FloatArray
    """[s]"""
    throttle: FloatArray
    """Setting of the schedule [-]."""
    declared: tuple[str, ...]
    """Disturbances that the design declares; none: nothing was held against the limit."""
    cases: tuple[Disturbance, ...]
    """Each by itself, the costliest first; those that are in the schedule last."""
    together: Disturbance
    """All declared ones at once."""
    thrust_error: FloatArray
    """All together [-]."""
    pressure_error: FloatArray
    """Chamber pressure, all together [-]."""
    pressure: dict[LegName, FloatArray]
    """Tank pressures, all together [Pa]."""
    undisturbed: dict[LegName, FloatArray]
    """Tank pressures without disturbances, droop in [Pa]."""
    bottle: dict[LegName, FloatArray]
    """Bottle pressures, all together [Pa]; NaN without a bottle."""
    tanks: dict[LegName, TankEnd]
    gas: dict[LegName, GasDemand]
    """Legs with an ullage model."""
    trims: dict[LegName, Trim]
    trim_note: str
    """Why there is no trim that holds both, or that there is one within the travel."""
    assumptions: tuple[str, ...]
    """What was taken for granted, and what could not be assessed."""
    cautions: tuple[str, ...]

    def columns(self) -> dict[str, Any]:
        out: dict[str, Any] = {"time [s]": self.time, "throttle [%]": 100.0 * self.throttle}
        out["O/F error, all together [%]"] = 100.0 * self.together.ratio_error
        for case in self.cases:
            out[f"O/F error, {case.name} [%]"] = 100.0 * case.ratio_error
        out["thrust error [%]"] = 100.0 * self.thrust_error
        out["chamber pressure error [%]"] = 100.0 * self.pressure_error
        for leg in LEGS:
            out[f"{leg} tank [bar abs]"] = self.pressure[leg] / 1e5
            if math.isfinite(float(self.bottle[leg][0])):
                out[f"{leg} bottle [bar abs]"] = self.bottle[leg] / 1e5
        return out
