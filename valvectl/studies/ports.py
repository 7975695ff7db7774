"""Which port: what Kv a leg needs at every throttle setting, and what bores and shapes of port make of it.

The pressures at the valve and the flow follow from thrust and mixture ratio, not from the valve, so the Kv needed is worked
out once. Each candidate then gives its angles, the travel left, its distance from choking, its installed gain and the flow
of its smallest reliable step with the design's own servo. Stem torque is taken from the design for every candidate: a
larger ball needs more, which ``torque`` has to show for the port chosen.

Requirements of the design decide first; then rules of common practice (no source); then the finest flow step, and among
those within ``ALIKE`` of it the most even gain.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, LegName, Requirements
from valvectl.errors import NoBalanceError, RangeError
from valvectl.parts import valve
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint, _leg_point, angle_for_flow, coefficient, leg_flow
from valvectl.plant.linear import leg_slopes
from valvectl.plant.machine import LegMachine, Machine
from valvectl.plant.schedule import Schedule
from valvectl.studies.port_shapes import Port, PortCurve, curve_points, default_ports, own_port, own_scale, port_curve
from valvectl.studies.resolution import step_causes
from valvectl.studies.result import Result

LEAST_TRAVEL = 0.25
"""Share of the stops' travel that the throttle range should use at least (common practice, no source)."""
MOST_GAIN_VARIATION = 4.0
"""Largest over smallest installed gain over the range (common practice, no source)."""
LEAST_AUTHORITY = 0.3
"""Valve drop over whole drop at full thrust (common practice, no source: 0.3 to 0.5)."""
ALIKE = 0.05
"""Flow steps within this share of the finest count as equal."""
INSTALLED_POINTS = 46
"""Angles of an installed characteristic."""


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
    reason: str
    """Why, in a few sentences."""
    other_choking: FloatArray
    """Valve drop over choking drop of the other leg, as designed [-], shape (n,)."""
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
    excluded: tuple[tuple[str, str], ...]
    """Candidates that could not be worked out: label and why."""

    @property
    def own(self) -> PortChoice:
        """The design's own port."""
        return self.candidates[0]

    def shortlist(self) -> tuple[int, ...]:
        """Indices worth drawing: recommended, next, the design's own, then the best of each further shape that reaches
        every setting."""
        out = [j for j in (self.recommended, self.next_best, 0) if j is not None]
        for j in _ranking(self.candidates):
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
            "largest drop over choking drop": [_most(c.choking) for c in cs],
            "largest gain [%/deg]": [100.0 * math.radians(_most(c.gain)) for c in cs],
            "gain variation": [c.gain_variation for c in cs],
            "flow step [%]": [100.0 * _most(c.flow_step) for c in cs],
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
        }


def _most(values: FloatArray) -> float:
    found = values[np.isfinite(values)]
    return float(found.max()) if found.size else math.nan


def needed_kv(flow: float, density: float, drop: float) -> float:
    """Kv [m^3/h at 1 bar] that passes a mass flow [kg/s] at a drop [Pa] without choking, fittings included."""
    return flow / math.sqrt(density * drop) / valve.KV_TO_C


def port_need(leg: LegMachine, schedule: Schedule) -> PortNeed:
    """What a leg asks of any valve at every setting of a schedule."""
    at = [p.legs[leg.name] for p in schedule.points]
    inlet, outlet = np.array([p.valve_inlet for p in at]), np.array([p.valve_outlet for p in at])
    flow, rho = np.array([p.flow for p in at]), leg.liquid.density
    # The choking drop at FL = 1 is the drop's yardstick: drop / yardstick = FL^2 at which it chokes.
    yard = np.array([valve.choked_pressure_drop(1.0, p.valve_inlet, leg.ff, leg.liquid.vapour_pressure) for p in at])
    return PortNeed(
        throttle=schedule.throttle,
        flow=flow,
        inlet=inlet,
        outlet=outlet,
        kv=np.array([needed_kv(p.flow, rho, p.valve_drop) for p in at]),
        authority=np.array([p.authority(leg.name) for p in schedule.points]),
        choking_fl=np.sqrt((inlet - outlet) / yard),
    )


def installed_curve(leg: LegMachine, chamber_pressure: float, label: str) -> InstalledCurve:
    """Installed characteristic of a leg with its valve at a held chamber pressure [Pa]."""
    angle = np.linspace(max(leg.characteristic.shut, leg.closed_stop), leg.open_stop, INSTALLED_POINTS)
    flow = np.array([leg_flow(leg, float(a), chamber_pressure) for a in angle])
    return InstalledCurve(label, angle, flow / flow[-1])


def ports(
    design: DesignFile, machine: Machine, schedule: Schedule, leg: LegName, candidates: Sequence[Port] | None = None
) -> PortsResult:
    """Compare ports for a leg, the other leg as designed.

    ``candidates`` are further ports to try beside the design's own; by default every shape at the standard bores about the
    design's. Raises ``RangeError`` for a candidate with a bore or shape without meaning.
    """
    part, machine_leg, limits = design.leg(leg), machine.legs[leg], design.requirements
    own = own_port(part)
    tried = default_ports(part) if candidates is None else (own, *(c for c in candidates if c != own))
    other: LegName = next(name for name in LEGS if name != leg)
    other_choking = np.array([p.legs[other].valve_drop / p.legs[other].choked_drop for p in schedule.points])
    need = port_need(machine_leg, schedule)
    choices: list[PortChoice] = []
    grids: list[valve.FlowCharacteristic] = []
    excluded: list[tuple[str, str]] = []
    for port in tried:
        curve = port_curve(part, port)
        try:
            grid = machine_leg.characteristic if port == own else curve.grid(part)
        except RangeError as error:
            excluded.append((port.label, str(error)))
            continue
        how = _how(design, leg, port)
        choices.append(_evaluate(machine, schedule, leg, need, curve, grid, other_choking, other, limits, how))
        grids.append(grid)
    ranking = _ranking(choices)
    best = ranking[0] if not choices[ranking[0]].missed else None
    second = ranking[0] if best is None else next(iter(ranking[1:]), None)
    full = schedule.points[-1].chamber_pressure
    shown = dict.fromkeys(j for j in (0, best, second) if j is not None)
    return PortsResult(
        leg=leg,
        need=need,
        candidates=tuple(choices),
        recommended=best,
        next_best=second,
        reason=_reason(leg, choices, best, second),
        other_choking=other_choking,
        cavitation_limit=limits.cavitation,
        travel_limit=limits.valve_travel,
        flow_limit=limits.flow_resolution,
        stops=(machine_leg.closed_stop, machine_leg.open_stop),
        installed=tuple(
            installed_curve(dataclasses.replace(machine_leg, characteristic=grids[j]), full, choices[j].label)
            for j in shown
        ),
        excluded=tuple(excluded),
    )


def _how(design: DesignFile, leg: LegName, port: Port) -> str:
    part, key = design.leg(leg), f"legs.{leg}.valve"
    if port == own_port(part):
        return "as it is"
    if port.shape == own_port(part).shape:
        return f"{key}.port_scale = {own_scale(part, port):.4g}"
    if port.shape == "round, Weisbach":
        return f'{key}.bore = "{1e3 * port.bore:.4g} mm" with an empty [{key}.port] in place of [{key}.flow]'
    return f"[{key}.flow] with this port's angle, kv and fl, measured, and its bore"


def _evaluate(
    machine: Machine,
    schedule: Schedule,
    name: LegName,
    need: PortNeed,
    curve: PortCurve,
    grid: valve.FlowCharacteristic,
    other_choking: FloatArray,
    other: LegName,
    limits: Requirements,
    how: str,
) -> PortChoice:
    changed = machine.with_leg(name, characteristic=grid)
    leg = changed.legs[name]
    rows = np.full((6, need.throttle.size), np.nan)
    for j, point in enumerate(schedule.points):
        try:
            angle = angle_for_flow(leg, point.legs[name].flow, point.chamber_pressure)
        except NoBalanceError:
            continue
        at = _leg_point(leg, angle, point.legs[name].flow, point.chamber_pressure)
        here: OperatingPoint = dataclasses.replace(point, legs={**point.legs, name: at})
        gain = leg_slopes(leg, here).angle_gain
        step = max(step_causes(changed, name, here).values())
        c = coefficient(leg, angle)[0]
        rows[:, j] = (angle, c / valve.KV_TO_C, at.valve_drop / at.choked_drop, gain, step, gain * step)
    angles, kv, choking, gains, steps, flow_steps = rows
    reached = np.isfinite(angles)
    whole = bool(np.all(reached))
    low, high = max(grid.shut, leg.closed_stop), leg.open_stop
    spare = limits.valve_travel
    least, most = coefficient(leg, low + spare)[0], coefficient(leg, high - spare)[0]
    curve_angle, curve_kv = curve_points(grid)
    choice = PortChoice(
        port=curve.port,
        label=curve.port.label,
        angle=angles,
        kv=kv,
        choking=choking,
        gain=gains,
        step=steps,
        flow_step=flow_steps,
        shut=grid.shut,
        stated=(grid.first, grid.last),
        left_shut=float(np.min(angles)) - low if whole else math.nan,
        left_open=high - float(np.max(angles)) if whole else math.nan,
        travel_used=float(np.ptp(angles)) / (high - leg.closed_stop) if whole else math.nan,
        gain_variation=float(np.max(gains) / np.min(gains)) if whole else math.nan,
        rangeability_needed=float(np.max(kv) / np.min(kv)) if whole else need.rangeability,
        rangeability_had=most / least,
        missed=(),
        flags=(),
        how=how,
        fl_origin=curve.fl_origin,
        method=curve.curve.method,
        validity=curve.curve.validity,
        curve_angle=curve_angle,
        curve_kv=curve_kv,
    )
    widest = float(np.max(curve_kv))
    return dataclasses.replace(
        choice,
        missed=_missed(choice, need, limits, widest),
        flags=_flags(choice, need, other_choking, other),
    )


def _missed(c: PortChoice, need: PortNeed, limits: Requirements, widest: float) -> tuple[str, ...]:
    if not c.reaches:
        at = need.throttle[~np.isfinite(c.angle)]
        what = "full thrust" if float(at.max()) >= need.throttle[-1] else f"{100.0 * float(at.max()):.0f} % throttle"
        return (f"can not reach {what}: Kv {widest:.3g} wide open, {float(np.max(need.kv)):.3g} needed or more",)
    out: list[str] = []
    spare = limits.valve_travel
    for left, end in ((c.left_shut, "dead band"), (c.left_open, "open stop")):
        if left < spare:
            out.append(f"{math.degrees(left):.1f} deg left to the {end}, {math.degrees(spare):.3g} wanted")
    if _most(c.choking) > limits.cavitation:
        out.append(f"drop {_most(c.choking):.2f} of the choking drop, at most {limits.cavitation:.3g} wanted")
    if c.worst_step > limits.flow_resolution:
        out.append(f"flow step {100.0 * c.worst_step:.2g} %, at most {100.0 * limits.flow_resolution:.3g} % wanted")
    return tuple(out)


def _span(throttle: FloatArray, where: FloatArray) -> str:
    at = 100.0 * throttle[where]
    if at.size == 1:
        return f"at {float(at[0]):.0f} % throttle"
    return f"between {float(at.min()):.0f} and {float(at.max()):.0f} % throttle"


def _flags(c: PortChoice, need: PortNeed, other_choking: FloatArray, other: LegName) -> tuple[str, ...]:
    out: list[str] = []
    known = np.isfinite(c.choking)
    choked = known & (c.choking >= 1.0)
    if bool(np.any(choked)) and not bool(np.all(choked[known])):
        out.append(f"straddles the choke line: choked {_span(need.throttle, choked)}, free elsewhere")
    alone = known & (choked != (other_choking >= 1.0))
    if bool(np.any(alone)):
        which = "this leg" if bool(choked[alone][0]) else f"the {other} leg"
        out.append(f"chokes on one side only: {which} {_span(need.throttle, alone)}")
    if need.authority[-1] < LEAST_AUTHORITY:
        out.append(f"authority {need.authority[-1]:.2f} at full thrust, below {LEAST_AUTHORITY:g} (any port)")
    if not c.reaches:
        return tuple(out)
    if c.travel_used < LEAST_TRAVEL:
        out.append(f"uses {100.0 * c.travel_used:.0f} % of the travel, less than {100.0 * LEAST_TRAVEL:.0f} %")
    if c.gain_variation > MOST_GAIN_VARIATION:
        out.append(f"gain varies {c.gain_variation:.1f} to 1, over {MOST_GAIN_VARIATION:g} to 1")
    if c.rangeability_had < c.rangeability_needed:
        out.append(f"rangeability {c.rangeability_had:.1f}, {c.rangeability_needed:.1f} needed")
    if float(np.min(c.angle)) < c.stated[0] - 1e-12 or float(np.max(c.angle)) > c.stated[1] + 1e-12:
        ends = f"{math.degrees(c.stated[0]):.3g} to {math.degrees(c.stated[1]):.3g} deg"
        out.append(f"works outside the angles with a stated Kv ({ends})")
    return tuple(out)


def _ranking(choices: Sequence[PortChoice]) -> list[int]:
    """Indices from best to worst: fewest requirements missed, fewest flags, then flow step and evenness of gain."""
    left = sorted(range(len(choices)), key=lambda j: (not choices[j].reaches, *_class(choices[j]), choices[j].worst_step))
    out: list[int] = []
    while left:
        first = choices[left[0]]
        alike = [
            j
            for j in left
            if _class(choices[j]) == _class(first) and choices[j].worst_step <= (1.0 + ALIKE) * first.worst_step
        ]
        pick = min(alike, key=lambda j: choices[j].gain_variation) if first.reaches else left[0]
        out.append(pick)
        left.remove(pick)
    return out


def _class(c: PortChoice) -> tuple[int, int]:
    return len(c.missed), len(c.flags)


def _figures(c: PortChoice) -> str:
    return (
        f"{math.degrees(c.angle[0]):.0f} to {math.degrees(c.angle[-1]):.0f} deg, flow step {100.0 * c.worst_step:.2g} %, "
        f"gain variation {c.gain_variation:.1f} to 1, drop up to {_most(c.choking):.2f} of the choking drop"
    )


def _reason(leg: LegName, choices: Sequence[PortChoice], best: int | None, second: int | None) -> str:
    own = choices[0]
    if best is None:
        assert second is not None
        near = choices[second]
        text = f"No port tried meets every requirement of the {leg} leg. Nearest is {near.label}"
        text += f" ({_figures(near)})" if near.reaches else ""
        return text + f", which still misses: {'; '.join(near.missed)}. The port alone does not mend it."
    pick = choices[best]
    sound = sum(not c.missed for c in choices)
    text = f"{pick.label} is recommended for the {leg} leg: {_figures(pick)}. {sound} of {len(choices)} ports meet every "
    text += "requirement; "
    text += "it breaks no rule of common practice" if not pick.flags else f"it still has: {'; '.join(pick.flags)}"
    text += f", and has the finest flow step of those (the most even gain of those within {100 * ALIKE:.0f} %)."
    if second is not None and not choices[second].missed:
        near = choices[second]
        text += f" Next is {near.label}, {_figures(near)}"
        text += f"; flags: {'; '.join(near.flags)}." if near.flags else "."
    if best != 0:
        text += f" The design's own {own.label}: " + (_figures(own) if own.reaches else "does not reach every setting")
        text += f"; misses: {'; '.join(own.missed)}." if own.missed else ", meets every requirement."
        text += f" To have the recommended one: {pick.how}. Its Kv: {pick.method}. Its FL: {pick.fl_origin}."
    else:
        text += " It is the design's own."
    return text
