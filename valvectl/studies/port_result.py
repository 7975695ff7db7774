"""Results of the study of ports: what a leg needs, what each candidate makes of it, and the order of preference."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from valvectl.design.schema import LegName
from valvectl.parts.lookup import FloatArray
from valvectl.studies.port_facts import CoefficientBounds, StatedCharacteristic
from valvectl.studies.port_shapes import Port
from valvectl.studies.result import Result
from valvectl.studies.turbulence import Turbulence, sentence

ALIKE = 0.05
"""Flow steps within this share of the finest count as equal."""


@dataclass(frozen=True)
class PortNeed:
    """What the leg asks of any valve, by throttle setting; arrays of shape (n,)."""

    throttle: FloatArray
    """Thrust over full thrust [-]."""
    flow: FloatArray
    """[kg/s]"""
    inlet: FloatArray
    """Pressure before the valve [Pa]."""
    outlet: FloatArray
    """Pressure behind the valve that the rest of the leg needs [Pa]."""
    kv: FloatArray
    """Kv needed while the valve does not choke, fittings included [m^3/h at 1 bar]; a choked valve needs more."""
    authority: FloatArray
    """Valve drop over the drop from tank to chamber [-]; the same whatever the valve."""
    choking_fl: FloatArray
    """FL at which the valve just chokes [-]; a port with a lower FL at its angle is choked."""

    @property
    def rangeability(self) -> float:
        """Largest over smallest Kv needed [-], choking left out."""
        return float(np.max(self.kv) / np.min(self.kv))


@dataclass(frozen=True)
class PortChoice:
    """One candidate over the throttle range; arrays of shape (n,), NaN where it can not pass the flow."""

    port: Port
    label: str
    """As printed."""
    angle: FloatArray
    """Ball angle [rad]."""
    kv: FloatArray
    """Kv at that angle, fittings included [m^3/h at 1 bar]."""
    choking: FloatArray
    """Valve drop over the drop at which it chokes [-]."""
    choking_adverse: FloatArray
    """The same with the design's tolerances at their adverse bounds [-], at ``PortsResult.corner_throttle``, shape (m,)."""
    turbulence: Turbulence
    """Valve Reynolds number and FR at that angle; Kv and flow here are turbulent whatever they say."""
    gain: FloatArray
    """Installed gain: relative flow per angle at held chamber pressure [1/rad]."""
    step: FloatArray
    """Smallest reliable step of the ball with the design's servo [rad]."""
    flow_step: FloatArray
    """Relative flow change of that step [-]."""
    shut: float
    """End of the dead band: nothing passes up to here [rad]."""
    stated: tuple[float, float]
    """Angles between which Kv is stated [rad]; outside the curve is extrapolated or held."""
    left_shut: float
    """Travel from the dead band (or the shut stop) to the lowest angle used [rad]."""
    left_open: float
    """Travel from the highest angle used to the open stop [rad]."""
    travel_used: float
    """Angle used over the travel between the stops [-]."""
    gain_variation: float
    """Largest over smallest gain over the range [-]."""
    rangeability_needed: float
    """Largest over smallest Kv at the angles used, choking included [-]."""
    rangeability_had: float
    """Kv at the open stop less the travel to be left, over Kv at the end of the dead band plus that travel [-]."""
    missed: tuple[str, ...]
    """Requirements of the design that it misses, in words."""
    flags: tuple[str, ...]
    """Rules of common practice that it breaks, in words."""
    how: str
    """What to write in the design file to have it."""
    fl_origin: str
    """Where its FL comes from, in words."""
    method: str
    """Where its Kv comes from, in words."""
    validity: str
    """Where that stops being true, in words."""
    curve_angle: FloatArray = field(repr=False)
    """For drawing [rad]."""
    curve_kv: FloatArray = field(repr=False)
    """For drawing, fittings included [m^3/h at 1 bar]."""

    @property
    def reaches(self) -> bool:
        """True when every setting is reached."""
        return bool(np.all(np.isfinite(self.angle)))

    @property
    def worst_choking(self) -> float:
        """Largest drop over choking drop, nominal or at the adverse bounds [-]; NaN when no setting is reached."""
        return largest(np.concatenate([self.choking, self.choking_adverse]))

    @property
    def worst_step(self) -> float:
        """Largest flow step over the range [-]; infinite when a setting is not reached."""
        return float(np.max(self.flow_step)) if self.reaches else math.inf


@dataclass(frozen=True)
class InstalledCurve:
    """Flow against angle in the leg with the chamber held at its full pressure."""

    label: str
    angle: FloatArray
    """From the dead band to the open stop [rad], shape (m,)."""
    flow: FloatArray
    """Flow over the flow wide open [-], shape (m,)."""


@dataclass(frozen=True)
class PortsResult(Result):
    """Ports compared for one leg. ``candidates[0]`` is the design's own."""

    leg: LegName
    need: PortNeed
    candidates: tuple[PortChoice, ...]
    recommended: int | None
    """Index of the candidate recommended; None when none meets every requirement."""
    next_best: int | None
    """Index of the runner-up, or of the nearest when none is recommended."""
    reasons: tuple[str, ...]
    """Why, one point each: the choice, what it was chosen from, the next, what stops a finer step, how to have it."""
    stated: StatedCharacteristic | None
    """The design's flow table against the characteristic that it states; None when it states none."""
    bounds: CoefficientBounds
    """How well Kv and FL of the design's own port are known at the angles used, from its declared tolerances."""
    other_choking: FloatArray
    """Valve drop over choking drop of the other leg, as designed [-], shape (n,)."""
    corner_throttle: FloatArray
    """Throttle settings of the adverse bounds [-], shape (m,); empty when they could not be worked out."""
    cavitation_limit: float
    """Largest choking ratio wanted [-]."""
    travel_limit: float
    """Travel to be left at either end [rad]."""
    flow_limit: float
    """Largest flow step wanted [-]."""
    stops: tuple[float, float]
    """Hard stops [rad]."""
    installed: tuple[InstalledCurve, ...]
    """Installed characteristics of the design's port, the one recommended and the next."""
    leg_flags: tuple[str, ...]
    """Rules of common practice that the leg breaks whatever its port, in words."""
    excluded: tuple[tuple[str, str], ...]
    """Candidates that could not be worked out: label and why."""

    @property
    def own(self) -> PortChoice:
        """The design's own port."""
        return self.candidates[0]

    @property
    def reason(self) -> str:
        """Why, in a few sentences."""
        return " ".join(self.reasons)

    def regime(self, index: int) -> str:
        """Lowest valve Reynolds number of a candidate over the range and what it means, in words."""
        c = self.candidates[index]
        return sentence(self.need.throttle, c.turbulence.reynolds, c.turbulence.factor)

    def to_dict(self) -> dict[str, Any]:
        """As every result; the reasons as one text too."""
        return {**super().to_dict(), "reason": self.reason}

    def shortlist(self) -> tuple[int, ...]:
        """Indices worth drawing: recommended, next, the design's own, then the best of each further shape that reaches
        every setting."""
        out = [j for j in (self.recommended, self.next_best, 0) if j is not None]
        for j in ranking(self.candidates):
            shapes = {self.candidates[i].port.shape for i in out}
            if self.candidates[j].reaches and self.candidates[j].port.shape not in shapes:
                out.append(j)
        return tuple(dict.fromkeys(out))

    def columns(self) -> dict[str, Any]:
        cs = self.candidates
        return {
            "shape": [c.port.shape for c in cs],
            "bore [mm]": [1e3 * c.port.bore for c in cs],
            "angle at lowest [deg]": [math.degrees(c.angle[0]) for c in cs],
            "angle at full [deg]": [math.degrees(c.angle[-1]) for c in cs],
            "travel used [%]": [100.0 * c.travel_used for c in cs],
            "left at shut end [deg]": [math.degrees(c.left_shut) for c in cs],
            "left at open end [deg]": [math.degrees(c.left_open) for c in cs],
            "largest drop over choking drop, adverse": [c.worst_choking for c in cs],
            "largest gain [%/deg]": [100.0 * math.radians(largest(c.gain)) for c in cs],
            "gain variation": [c.gain_variation for c in cs],
            "flow step [%]": [100.0 * largest(c.flow_step) for c in cs],
            "lowest valve Reynolds number": [least(c.turbulence.reynolds) for c in cs],
            "lowest FR": [least(c.turbulence.factor) for c in cs],
            "rangeability needed": [c.rangeability_needed for c in cs],
            "rangeability had": [c.rangeability_had for c in cs],
            "requirements missed": ["; ".join(c.missed) for c in cs],
            "flags": ["; ".join(c.flags) for c in cs],
        }

    def settings(self, index: int) -> dict[str, Any]:
        """One candidate setting by setting, as a table: column name with unit -> values of shape (n,)."""
        c, need = self.candidates[index], self.need
        return {
            "throttle [%]": 100.0 * need.throttle,
            "flow [kg/s]": need.flow,
            "flow over full flow": need.flow / need.flow[-1],
            "valve drop [bar]": (need.inlet - need.outlet) / 1e5,
            "Kv needed [m3/h]": need.kv,
            "authority": need.authority,
            "angle [deg]": np.degrees(c.angle),
            "Kv at that angle [m3/h]": c.kv,
            "drop over choking drop": c.choking,
            "gain [%/deg]": 100.0 * np.radians(c.gain),
            "flow step [%]": 100.0 * c.flow_step,
            "valve Reynolds number": c.turbulence.reynolds,
            "FR": c.turbulence.factor,
        }


def largest(values: FloatArray) -> float:
    """Largest finite entry; NaN when there is none."""
    found = values[np.isfinite(values)]
    return float(found.max()) if found.size else math.nan


def least(values: FloatArray) -> float:
    """Smallest finite entry; NaN when there is none."""
    return -largest(-values)


def ranking(choices: Sequence[PortChoice]) -> list[int]:
    """Indices from best to worst: fewest requirements missed, fewest flags, then flow step and evenness of gain."""
    left = sorted(
        range(len(choices)), key=lambda j: (not choices[j].reaches, *_class(choices[j]), choices[j].worst_step)
    )
    out: list[int] = []
    while left:
        first = choices[left[0]]
        alike = [
            j
            for j in left
            if _class(choices[j]) == _class(first) and choices[j].worst_step <= (1.0 + ALIKE) * first.worst_step
        ]
        pick = min(alike, key=lambda j: _evenness(choices[j])) if first.reaches else left[0]
        out.append(pick)
        left.remove(pick)
    return out


def _evenness(c: PortChoice) -> tuple[float, float]:
    # Bores of an equal percentage trim differ by where in the travel they work, not by gain: then the middle is best.
    return round(c.gain_variation, 2), -min(c.left_shut, c.left_open)


def _class(c: PortChoice) -> tuple[int, int]:
    return len(c.missed), len(c.flags)
