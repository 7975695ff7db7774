"""Which port: what Kv a leg needs at every throttle setting, and what bores and shapes of port make of it.

The pressures at the valve and the flow follow from thrust and mixture ratio, not from the valve, so the Kv needed is worked
out once. Each candidate then gives its angles, the travel left, its distance from choking, its installed gain and the flow
of its smallest reliable step with the design's own servo. Stem torque is taken from the design for every candidate: a
larger ball needs more, which ``torque`` has to show for the port chosen. The distance from choking is judged at the adverse
bounds of the tolerances, as ``check`` does; all else at the nominal design.

Requirements of the design decide first; then rules of common practice (no source); then the finest flow step, and among
those within ``ALIKE`` of it the most even gain.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, Leg, LegName, Requirements
from valvectl.errors import NoBalanceError, RangeError, ValvectlError
from valvectl.parts import valve
from valvectl.parts.flow_coefficients import kv_to_k
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint, angle_for_flow, coefficient, leg_flow, leg_point
from valvectl.plant.linear import leg_slopes
from valvectl.plant.machine import LegMachine, Machine
from valvectl.plant.schedule import Schedule
from valvectl.studies.adverse import FLOW, corner_schedule
from valvectl.studies.port_facts import coefficient_bounds, stated_characteristic
from valvectl.studies.port_result import ALIKE, InstalledCurve, PortChoice, PortNeed, PortsResult, largest, ranking
from valvectl.studies.port_shapes import (
    OWN,
    Port,
    PortCurve,
    curve_points,
    default_ports,
    line_bores,
    own_port,
    own_scale,
    port_curve,
    port_keys,
    with_reducers,
)
from valvectl.studies.resolution import step_causes
from valvectl.studies.turbulence import LEAST_FACTOR, Turbulence, lowest, turbulence

LEAST_TRAVEL = 0.25
"""Share of the stops' travel that the throttle range should use at least (common practice, no source)."""
MOST_GAIN_VARIATION = 4.0
"""Largest over smallest installed gain over the range (common practice, no source)."""
LEAST_AUTHORITY = 0.3
"""Valve drop over whole drop at full thrust (common practice, no source: 0.3 to 0.5)."""
LEAST_REDUCER_EFFECT = 0.02
"""Share of the valve's own loss above which reducers that a design leaves out are mentioned."""
INSTALLED_POINTS = 46
"""Angles of an installed characteristic."""


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


Corner = tuple[Machine, Sequence[OperatingPoint]]
"""The machine at the adverse bounds for choking, and its steady points."""


def flow_corner(design: DesignFile) -> Corner:
    """Machine and steady points over the throttle range with the tolerances at their adverse bounds for choking.

    Raises ``DesignError`` or ``NoBalanceError`` when there are none.
    """
    machine, schedule, _ = corner_schedule(design, FLOW)
    return machine, schedule.points


def _adverse_choking(corner: Corner, nominal: LegMachine, grid: valve.FlowCharacteristic) -> FloatArray:
    """Drop over choking drop [-] of a port at the steady points of a corner; NaN where it can not pass the flow.

    The corner moves FL of the design's own port; a candidate's FL moves in the same proportion at the same angle.
    """
    machine, points = corner
    moved = machine.legs[nominal.name]
    fl = grid.fl * moved.characteristic.fl / nominal.characteristic.fl
    leg = dataclasses.replace(moved, characteristic=dataclasses.replace(grid, fl=fl))
    out = np.full(len(points), np.nan)
    for j, point in enumerate(points):
        at = point.legs[nominal.name]
        try:
            angle = angle_for_flow(leg, at.flow, point.chamber_pressure)
        except NoBalanceError:
            continue
        here = leg_point(leg, angle, at.flow, point.chamber_pressure)
        out[j] = here.valve_drop / here.choked_drop
    return out


def ports(
    design: DesignFile,
    machine: Machine,
    schedule: Schedule,
    leg: LegName,
    candidates: Sequence[Port] | None = None,
    corner: Corner | None = None,
) -> PortsResult:
    """Compare ports for a leg, the other leg as designed.

    ``candidates`` are further ports to try beside the design's own; by default every shape at the standard bores about the
    design's. ``corner`` is what ``flow_corner`` gives, to save working it out for each leg. Raises ``RangeError`` for a
    candidate with a bore or shape without meaning.
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
    leg_flags = _leg_flags(need)
    if corner is None:
        try:
            corner = flow_corner(design)
        except ValvectlError as error:
            corner = machine, ()
            leg_flags += (f"choking at the adverse bounds of the tolerances could not be worked out: {error}",)
    for port in tried:
        curve = port_curve(part, port)
        try:
            fitted = machine_leg if port == own else curve.fitted(machine_leg, part, with_reducers(part, port))
        except RangeError as error:
            excluded.append((port.label, str(error)))
            continue
        how, grid = _how(design, leg, port), fitted.characteristic
        choice = _evaluate(machine, schedule, fitted, curve, limits.valve_travel, how)
        choice = dataclasses.replace(choice, choking_adverse=_adverse_choking(corner, machine_leg, grid))
        flags = _flags(choice, need, other_choking, other)
        impossible, left_out = _reducers(part, port, choice)
        missed = impossible + _missed(choice, need, limits)
        choices.append(dataclasses.replace(choice, missed=missed, flags=flags + left_out))
        grids.append(grid)
    order = ranking(choices)
    best = order[0] if not choices[order[0]].missed else None
    second = order[0] if best is None else next(iter(order[1:]), None)
    full = schedule.points[-1].chamber_pressure
    shown = dict.fromkeys(j for j in (0, best, second) if j is not None)
    return PortsResult(
        leg=leg,
        need=need,
        candidates=tuple(choices),
        recommended=best,
        next_best=second,
        reasons=_reasons(leg, choices, best, second),
        stated=stated_characteristic(part.valve),
        bounds=coefficient_bounds(design, leg, choices[0].angle, choices[0].choking),
        other_choking=other_choking,
        corner_throttle=np.array([p.throttle for p in corner[1]]),
        cavitation_limit=limits.cavitation,
        travel_limit=limits.valve_travel,
        flow_limit=limits.flow_resolution,
        stops=(machine_leg.closed_stop, machine_leg.open_stop),
        installed=tuple(
            installed_curve(dataclasses.replace(machine_leg, characteristic=grids[j]), full, choices[j].label)
            for j in shown
        ),
        leg_flags=leg_flags,
        excluded=tuple(excluded),
    )


def _how(design: DesignFile, leg: LegName, port: Port) -> str:
    part, key = design.leg(leg), f"legs.{leg}.valve"
    if port == own_port(part):
        return "as it is"
    if port.shape in OWN:
        return f"{key}.port_scale = {own_scale(part, port):.6g}"
    reducers = f" and {key}.reducers = true" if with_reducers(part, port) else ""
    keys = ", ".join(f"{name} = {value}" for name, value in port_keys(port).items())
    place = f" in place of [{key}.flow]" if part.valve.flow is not None else ""
    fl = ", fl stated at 10, 30, 50, 70 and 90 deg"
    if part.valve.flow is None:
        fl = ", fl kept as it is now, no other keys in that table"
    return f'{key}.bore = "{1e3 * port.bore:.4g} mm" with [{key}.port] {keys}{fl}{place}{reducers}'


def _evaluate(
    machine: Machine, schedule: Schedule, leg: LegMachine, curve: PortCurve, spare: float, how: str
) -> PortChoice:
    name, grid = leg.name, leg.characteristic
    changed = dataclasses.replace(machine, legs={**machine.legs, name: leg})
    regime = np.full((2, schedule.throttle.size), np.nan)
    rows = np.full((6, schedule.throttle.size), np.nan)
    for j, point in enumerate(schedule.points):
        try:
            angle = angle_for_flow(leg, point.legs[name].flow, point.chamber_pressure)
        except NoBalanceError:
            continue
        at = leg_point(leg, angle, point.legs[name].flow, point.chamber_pressure)
        here: OperatingPoint = dataclasses.replace(point, legs={**point.legs, name: at})
        gain = leg_slopes(leg, here).angle_gain
        step = max(step_causes(changed, name, here).values())
        c = coefficient(leg, angle)[0]
        found = turbulence(leg, [at])
        regime[:, j] = found.reynolds[0], found.factor[0]
        rows[:, j] = (angle, c / valve.KV_TO_C, at.valve_drop / at.choked_drop, gain, step, gain * step)
    angles, kv, choking, gains, steps, flow_steps = rows
    reached = np.isfinite(angles)
    whole = bool(np.all(reached))
    low, high = max(grid.shut, leg.closed_stop), leg.open_stop
    least, most = coefficient(leg, low + spare)[0], coefficient(leg, high - spare)[0]
    curve_angle, curve_kv = curve_points(grid)
    return PortChoice(
        port=curve.port,
        label=curve.port.label,
        angle=angles,
        kv=kv,
        choking=choking,
        choking_adverse=np.zeros(0),
        turbulence=Turbulence(*regime),
        gain=gains,
        step=steps,
        flow_step=flow_steps,
        shut=grid.shut,
        stated=(grid.first, grid.last),
        left_shut=float(np.min(angles)) - low if whole else math.nan,
        left_open=high - float(np.max(angles)) if whole else math.nan,
        travel_used=float(np.ptp(angles)) / (high - leg.closed_stop) if whole else math.nan,
        gain_variation=float(np.max(gains) / np.min(gains)) if whole else math.nan,
        rangeability_needed=float(np.max(kv) / np.min(kv)) if whole else math.nan,
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


def _missed(c: PortChoice, need: PortNeed, limits: Requirements) -> tuple[str, ...]:
    if not c.reaches:
        at = need.throttle[~np.isfinite(c.angle)]
        what = "full thrust" if float(at.max()) >= need.throttle[-1] else f"{100.0 * float(at.max()):.0f} % throttle"
        return (
            f"can not reach {what}: Kv {float(np.max(c.curve_kv)):.3g} wide open, {float(np.max(need.kv)):.3g} needed",
        )
    out: list[str] = []
    spare = limits.valve_travel
    for left, end in ((c.left_shut, "dead band"), (c.left_open, "open stop")):
        if left < spare:
            out.append(f"{math.degrees(left):.1f} deg left to the {end}, {math.degrees(spare):.3g} wanted")
    if bool(np.any(np.isnan(c.choking_adverse))):
        out.append("can not reach every setting at the adverse bounds of the tolerances")
    if c.worst_choking > limits.cavitation:
        out.append(
            f"drop {c.worst_choking:.3f} of the choking drop at adverse bounds, at most {limits.cavitation:.3g} wanted"
        )
    if c.worst_step > limits.flow_resolution:
        out.append(f"flow step {100.0 * c.worst_step:.2g} %, at most {100.0 * limits.flow_resolution:.3g} % wanted")
    return tuple(out)


def _leg_flags(need: PortNeed) -> tuple[str, ...]:
    at = float(need.authority[-1])
    if at >= LEAST_AUTHORITY:
        return ()
    return (
        f"authority {at:.2f} at full thrust, below {LEAST_AUTHORITY:g}: a matter of the pressures, not of the port",
    )


def _reducers(leg: Leg, port: Port, c: PortChoice) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What reducers to the line do to a port whose Kv is taken as it stands: (missed, flags).

    The loss of the reducers alone over the loss that the valve with its reducers may have at full thrust: from one on, no
    port of this bore passes the flow in this line, however open.
    """
    if with_reducers(leg, port) and port != own_port(leg):
        return (), ()
    if leg.valve.reducers or not c.reaches:
        return (), ()
    before, behind = line_bores(leg)
    if port.bore > min(before, behind) * (1.0 + 1e-9):
        return (), (f"wider than the line ({1e3 * min(before, behind):.3g} mm)",)
    sum_k, _ = valve.reducer_losses(port.bore, before, behind)
    loss = sum_k / kv_to_k(largest(c.kv), port.bore)
    place = f"a bore of {1e3 * port.bore:.3g} mm between {1e3 * before:.3g} and {1e3 * behind:.3g} mm"
    if loss >= 1.0:
        said = (f"can not be: the reducers of {place} alone take the valve's whole drop at full thrust",)
        return ((), said) if port == own_port(leg) else (said, ())
    if port.shape in OWN or loss < LEAST_REDUCER_EFFECT:
        return (), ()
    more = 100.0 * (1.0 / math.sqrt(1.0 - loss) - 1.0)
    return (), (f"its Kv leaves out the reducers ({place}), which ask for {more:.0f} % more Kv at full thrust",)


def _span(throttle: FloatArray, where: NDArray[np.bool_]) -> str:
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
    j = lowest(c.turbulence.reynolds)
    if j is not None and float(c.turbulence.factor[j]) < LEAST_FACTOR:
        out.append(
            f"not turbulent {_span(need.throttle, c.turbulence.factor < LEAST_FACTOR)}: FR down to "
            f"{float(c.turbulence.factor[j]):.2f}"
        )
    return tuple(out)


def _figures(c: PortChoice) -> str:
    return (
        f"{math.degrees(c.angle[0]):.0f} to {math.degrees(c.angle[-1]):.0f} deg, flow step {100.0 * c.worst_step:.2g} %, "
        f"gain variation {c.gain_variation:.1f} to 1, drop up to {c.worst_choking:.2f} of the choking drop"
    )


def _reasons(leg: LegName, choices: Sequence[PortChoice], best: int | None, second: int | None) -> tuple[str, ...]:
    own = choices[0]
    if best is None:
        assert second is not None
        near = choices[second]
        text = f"Nearest is {near.label}"
        text += f" ({_figures(near)})" if near.reaches else ""
        return (
            f"No port tried meets every requirement of the {leg} leg.",
            text + f", which still misses: {'; '.join(near.missed)}.",
            "The port alone does not mend it.",
        )
    pick = choices[best]
    sound = sum(not c.missed for c in choices)
    mine = ", the design's own," if best == 0 else ""
    keeps = "it breaks no rule of common practice" if not pick.flags else f"it still has: {'; '.join(pick.flags)}"
    out = [
        f"{pick.label}{mine} is recommended for the {leg} leg: {_figures(pick)}.",
        f"{sound} of {len(choices)} ports meet every requirement; {keeps}. Of those with the fewest flags it has the most even "
        f"gain within {100 * ALIKE:.0f} % of the finest flow step.",
    ]
    if second is not None and not choices[second].missed:
        near = choices[second]
        flags = f"; flags: {'; '.join(near.flags)}" if near.flags else ""
        out.append(f"Next is {near.label}, {_figures(near)}{flags}.")
    finer = [c for c in choices if c.missed and c.worst_step < pick.worst_step]
    if finer:
        tried = min(finer, key=lambda c: (len(c.missed), c.worst_step))
        out.append(
            f"A finer step, {100.0 * tried.worst_step:.2g} % with {tried.label}, is stopped by: {'; '.join(tried.missed)}."
        )
    if best != 0:
        stands = _figures(own) if own.reaches else "does not reach every setting"
        ends = f"; misses: {'; '.join(own.missed)}." if own.missed else ", meets every requirement."
        out.append(f"The design's own port ({own.label}): {stands}{ends}")
        out.append(f"To have the recommended one: {pick.how}. Its Kv: {pick.method}. Its FL: {pick.fl_origin}.")
    return tuple(out)
