"""Stem torque needed against stem torque available: margins by a named rule at the worst corner, both ways.

Needed: breakaway torque cold, after a long rest, at the largest pressure difference the tank can put on the valve, the
stream's torque and a return spring's, all at the adverse bounds of their declared tolerances. Available, likewise at the
bounds: end of discharge, both drives pulling, hot winding and magnets, breakaway efficiency of the gears, cold motor friction.

A rule (``parts.torque_rule_table``) puts its factors on the bare torques by kind and by whether they were measured. The
margin is shown at the stem, where motor friction and gear losses have lowered what is available, and at the motor's shaft,
where they stand among the demands with the rule's factors on them. A rule that asks for both is judged by the lesser.

The design may name no rule: then the plain static margin at the stem is held against ``requirements.torque_margin``, 100 %
where it is left out (MIL-A-83577B; AIAA S-114; wording from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName, Requirements
from valvectl.parts.lookup import FloatArray
from valvectl.parts.torque_rule_table import RULES, chosen_rule, stated_margin
from valvectl.parts.torque_rules import MarginRule, assess
from valvectl.plant.machine import LegMachine, Machine
from valvectl.studies.torque_demand import (
    DIRECTIONS,
    Direction,
    Load,
    Marks,
    available_torque,
    greatest_need,
    largest_pressure_drop,
    marks,
    shaft_loads,
    standstill_current,
    stem_loads,
    stem_torque_needed,
)
from valvectl.studies.torque_moves import Command, inertia_torque, moves
from valvectl.studies.torque_result import Corner, Judged, Place, RuleMargin, TorqueResult
from valvectl.studies.valve_cautions import cold_torque

__all__ = [
    "Corner", "Judged", "RuleMargin", "TorqueResult", "available_torque", "by_rule", "greatest_need",
    "largest_pressure_drop", "rule_in_force", "standstill_current", "stem_torque_needed", "torque",
]  # fmt: skip


def torque(
    machine: Machine,
    name: LegName,
    nominal: Machine | None = None,
    moved: tuple[str, ...] = (),
    unknown_factor: bool = False,
) -> TorqueResult:
    """Static torque margin of one leg over its travel at the worst corner, without any rule.

    ``machine`` has the toleranced inputs at their adverse bounds (``studies.adverse``), ``moved`` names them, ``nominal``
    is the machine without that. ``unknown_factor``: the torques are said to hold a factor of unknown size; no margin then.
    """
    leg = machine.legs[name]
    drop = largest_pressure_drop(machine, name)
    opening, closing = (stem_torque_needed(leg, drop, True, leg.dwell_factor, way) for way in DIRECTIONS)
    way: Direction = "closing" if float(np.max(closing)) > float(np.max(opening)) else "opening"
    governing = closing if way == "closing" else opening
    current, voltage = standstill_current(machine, name, machine.battery_minimum)
    available = available_torque(machine, name, current)
    worst = int(np.argmax(governing))
    every = _every(leg)
    margin = available / float(governing[worst]) - 1.0 if governing[worst] > 0.0 else math.inf
    return TorqueResult(
        leg=name,
        angle=leg.characteristic.angles[every],
        running=stem_torque_needed(leg, drop, breakaway=False)[every],
        needed=opening[every],
        available=available,
        current=current,
        bus_voltage=voltage,
        margin=math.nan if unknown_factor else margin,
        worst_angle=float(leg.characteristic.angles[worst]),
        pressure_drop=drop,
        nominal_margin=torque(nominal, name, unknown_factor=unknown_factor).margin if nominal is not None else math.nan,
        moved=tuple(key for key in moved if key.startswith((f"legs.{name}.", "battery."))),
        worst_direction=way,
    )


def _every(leg: LegMachine) -> slice:
    return slice(None, None, max(1, leg.breakaway.size // 180))


# ------------------------------------------------------------------------------------------------------- by a rule


def rule_in_force(limits: Requirements) -> MarginRule:
    """The rule that a design names, or its plain static margin."""
    if limits.torque_rule is None:
        return stated_margin(limits.torque_margin)
    return chosen_rule(
        limits.torque_rule, limits.torque_phase, limits.torque_factor_estimated, limits.torque_factor_measured
    )


Loads = dict[Direction, list[Load]]


def _required(rule: MarginRule, loads: list[Load]) -> FloatArray:
    """What a rule requires at rest over the grid [N m]; the factors do not depend on the place in the travel."""
    shares = assess(rule, [load.at(0) for load in loads], 0.0).shares
    total = np.zeros(max(load.torque.size for load in loads))
    for share, load in zip(shares, loads, strict=True):
        total = total + share.factor * load.torque
    return total


def _judge(rule: MarginRule, place: Place, loads: Loads, leg: LegMachine, available: float) -> Judged:
    """The governing direction and opening of a rule."""
    required = {way: _required(rule, found) for way, found in loads.items()}
    way: Direction = max(DIRECTIONS, key=lambda w: float(np.max(required[w])))
    j = int(np.argmax(required[way]))
    found = assess(rule, [load.at(j) for load in loads[way]], available)
    return Judged(place, way, float(leg.characteristic.angles[j]), found)


def by_rule(
    static: TorqueResult,
    design: DesignFile,
    corner: Machine,
    nominal: Machine,
    orders: Sequence[Command],
    missing: Sequence[str] = (),
) -> TorqueResult:
    """The result with its envelope, the margins by the design's rule and by every other, and the dynamic margin.

    ``static`` is ``torque`` at the adverse ``corner``; ``orders`` are the commanded moves; ``missing`` says which of them
    could not be made.
    """
    name, limits = static.leg, design.requirements
    leg, drop = corner.legs[name], static.pressure_drop
    rule = rule_in_force(limits)
    named = limits.torque_rule is not None
    seen = {way: marks(design, name, way) for way in DIRECTIONS}
    unknown = design.leg(name).valve.torque.includes_unknown_factor
    found = moves(corner, nominal, name, drop, orders)
    hardest = max((order.acceleration for order in orders), default=0.0)
    at_stem, at_shaft = _places(corner, name, seen, drop, hardest)
    envelope = _corners(static, corner, nominal, seen, rule, hardest, unknown)
    wanted = limits.dynamic_torque_margin
    if wanted is None and named:
        wanted = rule.dynamic_margin
    cold = cold_torque(design, name)
    cautions = [*missing, *([cold.removeprefix(f"{name}: ")] if cold else [])]
    if unknown:
        refused = (
            f"legs.{name}.valve.torque is said to hold a safety factor of unknown size; ask its maker and state it as "
            "includes_factor, so that none is taken twice"
        )
        return replace(
            static, corners=envelope, rule=rule, named=named, moves=(), dynamic_wanted=wanted, refused=refused,
            assumptions=_assumptions(design, static, seen, rule, named), cautions=(*cautions, refused),
        )  # fmt: skip
    servo = leg.servo
    at_motor = servo.hot_torque_constant * static.current

    def judge(r: MarginRule) -> tuple[Judged, Judged]:
        return (
            _judge(r, "stem", at_stem, leg, static.available),
            _judge(r, "motor shaft", at_shaft, leg, at_motor),
        )

    stem, shaft = judge(rule)
    others = {**RULES, "team": chosen_rule("team", None, limits.torque_factor_estimated, limits.torque_factor_measured)}
    others.pop(rule.name, None)
    compared = [(rule, stem, shaft, True)] + [(r, *judge(r), False) for r in others.values()]
    dynamic = found[0].margin if found else math.nan
    if rule.counts_inertia and not orders:
        cautions.append("the rule counts inertia, but no commanded move was found that has any")
    return replace(
        static,
        corners=envelope,
        rule=rule,
        named=named,
        stem=stem,
        shaft=shaft,
        moves=found,
        dynamic_wanted=wanted,
        rules=tuple(_compared(*entry, dynamic) for entry in compared),
        assumptions=_assumptions(design, static, seen, rule, named),
        cautions=tuple(cautions),
    )


def _places(
    corner: Machine, name: LegName, seen: dict[Direction, Marks], drop: float, acceleration: float
) -> tuple[Loads, Loads]:
    """Loads at the stem and at the motor's shaft at the worst corner, torque of acceleration last."""
    leg = corner.legs[name]
    inertia = inertia_torque(corner, name, acceleration)
    per = leg.servo.ratio * leg.servo.train.efficiency
    stem: Loads = {}
    shaft: Loads = {}
    for way in DIRECTIONS:
        loads = stem_loads(leg, seen[way], drop, way, breakaway=True, dwell=leg.dwell_factor)
        stem[way] = [*loads, _inertia(inertia)]
        shaft[way] = [*shaft_loads(leg, seen[way], loads), _inertia(inertia / per)]
    return stem, shaft


def _inertia(torque_: float) -> Load:
    return Load("inertia", "inertia", np.array([torque_]), False)


def _compared(rule: MarginRule, stem: Judged, shaft: Judged, in_force: bool, dynamic: float) -> RuleMargin:
    met = stem.result.static_met and (shaft.result.static_met or not rule.both_places)
    if rule.dynamic_margin is not None and math.isfinite(dynamic):
        met = met and dynamic >= rule.dynamic_margin
    return RuleMargin(
        name=rule.name,
        title=rule.title,
        clause=rule.clause,
        certainty=rule.certainty,
        required=stem.result.required,
        stem_margin=stem.result.margin,
        shaft_margin=shaft.result.margin,
        both_places=rule.both_places,
        dynamic_wanted=rule.dynamic_margin,
        met=met,
        in_force=in_force,
    )


def _corners(
    static: TorqueResult,
    corner: Machine,
    nominal: Machine,
    seen: dict[Direction, Marks],
    rule: MarginRule,
    acceleration: float,
    unknown: bool,
) -> tuple[Corner, ...]:
    """Named corners, each with all of the one before it."""
    name = static.leg
    own = nominal.legs[name]
    drop = largest_pressure_drop(nominal, name)
    dwell = own.dwell_factor
    cases = (
        ("warm", nominal, 0.0, 1.0, 1.0),
        ("cold", nominal, 0.0, own.cold_factor, 1.0),
        ("cold, long rest", nominal, 0.0, own.cold_factor, dwell),
        ("+ full pressure", nominal, drop, own.cold_factor, dwell),
        (
            "+ adverse bounds",
            corner,
            static.pressure_drop,
            corner.legs[name].cold_factor,
            corner.legs[name].dwell_factor,
        ),
    )
    out = []
    for title, machine, across, cold, rest in cases:
        leg = machine.legs[name]
        every = _every(leg)
        current, _ = standstill_current(machine, name, machine.battery_minimum)
        available = available_torque(machine, name, current)
        breakaway: dict[Direction, FloatArray] = {}
        running: dict[Direction, FloatArray] = {}
        required: dict[Direction, FloatArray] = {}
        most = asked = 0.0
        for way in DIRECTIONS:
            at_rest = stem_loads(leg, seen[way], across, way, breakaway=True, cold=cold, dwell=rest)
            in_motion = stem_loads(leg, seen[way], across, way, breakaway=False, cold=cold)
            total = np.asarray(sum((load.torque for load in at_rest), start=np.zeros(1)))
            most = max(most, float(np.max(total)))
            breakaway[way] = total[every]
            running[way] = np.asarray(sum((load.torque for load in in_motion), start=np.zeros(1)))[every]
            if unknown:
                needed = np.full(total.size, math.nan)
            else:
                needed = _required(rule, [*at_rest, _inertia(inertia_torque(machine, name, acceleration))])
            asked = max(asked, float(np.max(needed)))
            required[way] = needed[every]
        margin = available / most - 1.0 if most > 0.0 else math.inf
        by = available / asked - 1.0 if asked > 0.0 else math.inf
        if unknown:
            margin = by = math.nan
        out.append(
            Corner(title, across, cold, rest, machine is corner, breakaway, running, required, available, margin, by)
        )
    return tuple(out)


def _assumptions(
    design: DesignFile, static: TorqueResult, seen: dict[Direction, Marks], rule: MarginRule, named: bool
) -> tuple[str, ...]:
    data = design.leg(static.leg).valve.torque
    marked = seen[static.worst_direction]
    out = [f"rule in force: {rule.title} ({rule.clause}); {rule.certainty}. {rule.note}"]
    if not named:
        out[0] += " Others are chosen with requirements.torque_rule."
    if marked.friction:
        out.append("seat friction counts as measured: every number behind it has that origin")
    else:
        out.append(
            "seat friction counts as estimated; origin is not measured for " + ", ".join(marked.missing)
            + f" of legs.{static.leg}.valve.torque"
        )  # fmt: skip
    out.append("closing works against friction alone: stream and spring help it, and what helps is left out")
    if data.includes_factor != 1.0:
        out.append(f"the stated torques hold a factor of {data.includes_factor:g}, which is taken out before any rule")
    if data.model is not None:
        out.append(
            "stem torque follows a maker's break-to-open torque and shares of it, straight lines between; shares not in the "
            "file are those of other makers, and seat and service factors of one: replace them by a measured table"
        )
    return tuple(out)
