"""Search of a catalogue: every motor with every gearbox on one leg, which combinations hold, the Pareto front, why others fall.

A combination is the motor, the gearbox and, where the design has two stages or more, its last one as it is (the team's own).
Sensors, drive limits, harness and temperatures are the design's. Torque constant and resistance stand at the adverse side of the
motor's own tolerance for the torque margin, the valve's torque at its adverse bounds.

The front: no other combination that holds is as good in margin, stroke time, mass, current and cost and better in one (Pareto).
Its order is by the mean of these five, each from best (0) to worst (1) of the front, equal weights: a reading aid, not a verdict.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.design.catalogue_file import CatalogueGear, CatalogueMotor
from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.errors import ValvectlError
from valvectl.parts.gearing import StageNumbers, backdrive_default
from valvectl.parts.lookup import FloatArray
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.plant.servo_numbers import stage_numbers
from valvectl.studies.actuator_checks import ActuatorCheck, Numbers, evaluate
from valvectl.studies.actuator_demand import actuator_numbers, leg_demand
from valvectl.studies.catalogue_close import LEADERS, close_calls, picked
from valvectl.studies.ratio_choice import Case, standing
from valvectl.studies.result import Result
from valvectl.studies.stepper_checks import StepperData, stepper_checks

NEAREST = 8
"""Near misses that are named."""
OBJECTIVES = ("margin", "stroke time", "mass", "current", "cost")
GRAIN = (0.01, 1e-3, 1e-3, 1e-2, 0.01)
"""Differences below these are no differences between combinations [-, s, kg, A, money]."""

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Filters:
    """What is left out before anything is worked out."""

    kind: str = ""
    """brushed, brushless or stepper; empty: all."""
    max_mass: float = math.inf
    """Motor and gearbox [kg]."""
    max_current: float = math.inf
    """Current limit of the motor in use [A]."""
    max_cost: float = math.inf
    """Motor and gearbox, in the catalogue's money."""
    own_stage: bool = True
    """Keep the design's last stage behind the gearbox, where it has two or more."""


@dataclass(frozen=True)
class NearMiss:
    """A combination that fails one check by little."""

    index: int
    check: str
    factor: float
    """By which the value misses its limit [-]."""


@dataclass(frozen=True)
class CatalogueResult(Result):
    """Every combination on one leg; arrays of shape (n,)."""

    leg: LegName
    motor: tuple[str, ...]
    gear: tuple[str, ...]
    kind: tuple[str, ...]
    """Of the motor."""
    ratio: FloatArray
    """Total ratio [-]."""
    own_ratio: float
    """Of the stage behind the gearbox; 1 without one."""
    checks: tuple[ActuatorCheck, ...]
    """NaN where a check does not apply to the kind of motor."""
    holds: FloatArray
    """True where every check that applies holds."""
    margin: FloatArray
    """Static torque margin [-]."""
    time: FloatArray
    """Stroke [s]."""
    mass: FloatArray
    """Motor and gearbox [kg]."""
    current: FloatArray
    """[A]"""
    cost: FloatArray
    """NaN when not stated."""
    front: tuple[int, ...]
    """Combinations of the Pareto front, best mean first."""
    score: tuple[float, ...]
    """Mean of the five places between best and worst of the front, by combination of ``front`` [-]."""
    rejected: dict[str, int]
    """Check -> combinations that fail it."""
    alone: dict[str, int]
    """Check -> combinations that fail it alone."""
    near: tuple[NearMiss, ...]
    """Nearest of those that fail one check alone."""
    left_out: int
    """Combinations that the filters left out."""
    invented: bool
    """True when the demonstration catalogue took part."""
    close: tuple[str, ...] = ()
    """What one percent on any one input flips among those in front (``catalogue_close``)."""

    def why(self, index: int) -> str:
        """Checks that a combination fails, in words; empty when it holds."""
        return "; ".join(
            f"{c.name} {c.values[index]:.3g} {c.unit}, wanted {'>=' if c.at_least else '<='} {c.limit:.3g}"
            for c in self.checks
            if not (c.ok[index] or math.isnan(c.values[index]))
        )

    def columns(self) -> dict[str, Any]:
        place = {index: j + 1 for j, index in enumerate(self.front)}
        out: dict[str, Any] = {
            "motor": list(self.motor),
            "gear": list(self.gear),
            "kind": list(self.kind),
            "ratio": self.ratio,
            "holds": self.holds,
            "place on the front": [place.get(i, 0) for i in range(len(self.motor))],
            "mass [kg]": self.mass,
            "current [A]": self.current,
            "cost": self.cost,
        }
        for check in self.checks:
            out[f"{check.name} [{check.unit}]"] = check.values
        return out | {"fails": [self.why(i) for i in range(len(self.motor))]}

    def row(self, index: int) -> dict[str, Any]:
        """One combination as numbers and names."""
        return {
            "motor": self.motor[index],
            "gear": self.gear[index],
            "ratio": float(self.ratio[index]),
            "margin": float(self.margin[index]),
            "stroke_time": float(self.time[index]),
            "mass": float(self.mass[index]),
            "current": float(self.current[index]),
            "cost": None if math.isnan(self.cost[index]) else float(self.cost[index]),
        }

    def to_dict(self) -> dict[str, Any]:
        """The front, counts of rejections and near misses; every combination is in the table (``columns``)."""
        return {
            "leg": self.leg,
            "invented": self.invented,
            "combinations": len(self.motor),
            "left_out_by_filters": self.left_out,
            "hold": int(np.count_nonzero(self.holds)),
            "own_ratio": self.own_ratio,
            "front": [self.row(i) | {"mean_place": s} for i, s in zip(self.front, self.score, strict=True)],
            "rejected": dict(self.rejected),
            "rejected_by_it_alone": dict(self.alone),
            "close_calls": list(self.close),
            "near_misses": [self.row(n.index) | {"check": n.check, "by_factor": n.factor} for n in self.near],
        }


def pareto(costs: FloatArray) -> FloatArray:
    """True for rows that no other row dominates: as small in every column and smaller in one; ``costs`` shape (n, k)."""
    kept = np.ones(costs.shape[0], dtype=bool)
    for j in range(costs.shape[0]):
        if kept[j]:
            # A row that row j dominates can itself dominate nothing that j does not.
            beaten = np.all(costs[j] <= costs, axis=1) & np.any(costs[j] < costs, axis=1)
            kept &= ~beaten
    return np.asarray(kept)


def _numbers(
    base: Numbers,
    machine: Machine,
    name: LegName,
    motors: Sequence[CatalogueMotor],
    gears: Sequence[CatalogueGear],
    own: Sequence[StageNumbers],
    limits: tuple[tuple[float, float], ...],
    cold_factor: float,
    side: float,
) -> Numbers:
    """Pairs of ``motors`` and ``gears`` (equal lengths) as arrays; ``side`` 1: tolerances at their adverse side, 0: nominal."""

    def of_motor(key: str) -> FloatArray:
        return np.array([getattr(m, key) for m in motors])

    def of_gear(key: str) -> FloatArray:
        return np.array([getattr(g, key) for g in gears])

    off = side * of_motor("tolerance")
    box: dict[str, Any] = {
        "ratio": of_gear("ratio"),
        "efficiency": of_gear("efficiency"),
        "static_efficiency": of_gear("static_efficiency"),
        "backdrive_efficiency": np.array([backdrive_default(g.efficiency) for g in gears]),
        "inertia": of_gear("inertia"),
        "compliance": 1.0 / of_gear("stiffness"),
        "lost_motion": of_gear("lost_motion"),
    }
    made = dataclasses.replace(
        base,
        resistance=of_motor("resistance") * (1.0 + off),
        torque_constant=of_motor("torque_constant") * (1.0 - off),
        rotor_inertia=of_motor("rotor_inertia"),
        friction=of_motor("friction") * cold_factor,
        viscous=0.0,  # no catalogue states it
        max_speed=of_motor("max_speed"),
        temperature_limit=of_motor("winding_limit"),
        thermal_resistance=of_motor("thermal_resistance"),
        stages=(StageNumbers(**box), *own),
        torque_limits=(of_gear("peak_torque"), *(t for t, _ in limits)),
        speed_limits=(of_gear("max_input_speed"), *(s for _, s in limits)),
        current_limit=np.minimum(of_motor("peak_current"), base.current_limit),
    )
    # The standing current depends on the motor alone: once a motor.
    known: dict[str, tuple[float, float]] = {}
    pairs = []
    for j, motor in enumerate(motors):
        if motor.name not in known:
            one = dataclasses.replace(
                base, resistance=float(made.resistance[j]), current_limit=float(made.current_limit[j])
            )
            known[motor.name] = standing(machine, name, one)
        pairs.append(known[motor.name])
    current, volts = np.array(pairs).T
    return dataclasses.replace(made, standing_current=current, bus_voltage=volts)


def catalogue(
    design: DesignFile,
    machine: Machine,
    schedule: Schedule,
    name: LegName,
    corner: tuple[Machine, DesignFile],
    motors: Sequence[CatalogueMotor],
    gears: Sequence[CatalogueGear],
    filters: Filters | None = None,
    invented: bool = False,
    progress: Progress | None = None,
    static_wanted: float | None = None,
) -> CatalogueResult:
    """Evaluate every combination on a leg. ``corner`` and ``static_wanted`` as for ``ratio``.

    ValvectlError when the filters leave nothing.
    """
    asked = filters or Filters()
    demand = leg_demand(design, machine, schedule, name, static_wanted)
    actuator, worst_design = design.leg(name).actuator, corner[1]
    base = actuator_numbers(actuator, machine.legs[name].servo, machine, name)
    worst = actuator_numbers(worst_design.leg(name).actuator, corner[0].legs[name].servo, corner[0], name)
    behind = slice(-1, None) if asked.own_stage and len(actuator.gears) > 1 else slice(0, 0)
    own, own_worst = stage_numbers(actuator)[behind], stage_numbers(worst_design.leg(name).actuator)[behind]
    limits = tuple(zip(base.torque_limits, base.speed_limits, strict=True))[behind]
    pairs = [
        (m, g)
        for m in motors
        for g in gears
        if (not asked.kind or m.kind == asked.kind)
        and m.mass + g.mass <= asked.max_mass
        and min(m.peak_current, base.current_limit) <= asked.max_current
        and (math.isinf(asked.max_cost) or m.cost + g.cost <= asked.max_cost)
    ]
    if not pairs:
        raise ValvectlError("the filters leave no combination of motor and gearbox")
    # Steppers last: their checks are others.
    pairs.sort(key=lambda p: p[0].kind == "stepper")
    split = sum(p[0].kind != "stepper" for p in pairs)
    cold = actuator.motor.cold_friction_factor
    groups: list[tuple[ActuatorCheck, ...]] = []
    sides: list[tuple[Numbers, Numbers]] = []
    for part, stepping in ((pairs[:split], False), (pairs[split:], True)):
        if not part:
            continue
        if progress is not None:
            progress(f"{name}: {len(part)} combinations{' with steppers' if stepping else ''}", 0, 1)
        chosen, boxes = zip(*part, strict=True)
        nominal = _numbers(base, machine, name, chosen, boxes, own, limits, cold, 0.0)
        adverse = _numbers(worst, corner[0], name, chosen, boxes, own_worst, limits, cold, 1.0)
        sides.append((nominal, adverse))
        if stepping:
            groups.append(stepper_checks(demand, nominal, adverse, stepper_data(chosen)))
        else:
            groups.append(evaluate(demand, nominal, adverse))
    found = _judge(name, pairs, _joined(groups), base, own, len(motors) * len(gears), invented)

    def judge(case: Case, index: int) -> tuple[ActuatorCheck, ...]:
        if index < split:
            return evaluate(case.demand, case.numbers, case.worst)
        return stepper_checks(case.demand, case.numbers, case.worst, stepper_data([pairs[index][0]]))

    if not found.front:
        return found
    cases = []
    for index in found.front[:LEADERS]:
        nominal, adverse = sides[-1] if index >= split else sides[0]
        at = index - split if index >= split else index
        label = f"{found.motor[index].removeprefix('motor ')} with {found.gear[index]}"
        cases.append((index, label, Case(demand, picked(nominal, at), picked(adverse, at), machine, corner[0], name)))
    return dataclasses.replace(found, close=close_calls(cases, judge, _scale(found)))


def _scale(found: CatalogueResult) -> Callable[[int, float, float], float]:
    """Mean place of a combination on the front's own scale, for a changed margin and stroke time."""
    on = np.array(found.front, dtype=int)
    values = np.stack(_costs(found.margin, found.time, found.mass, found.current, found.cost), axis=1)
    low, high = values[on].min(axis=0), values[on].max(axis=0)
    width = np.where(high > low, high - low, math.inf)

    def score(index: int, margin: float, time: float) -> float:
        changed = values[index].copy()
        changed[:2] = -margin, time
        return float(np.mean((changed - low) / width))

    return score


def _costs(
    margin: FloatArray, time: FloatArray, mass: FloatArray, current: FloatArray, cost: FloatArray
) -> tuple[FloatArray, ...]:
    """The five objectives, smaller is better."""
    return -margin, time, mass, current, np.nan_to_num(cost, nan=1e9)


def stepper_data(motors: Sequence[CatalogueMotor]) -> StepperData:
    """What only steppers have, of motors that are steppers."""
    teeth, detent, inductance, rated, supply = (
        np.array([getattr(m, key) for m in motors])
        for key in ("teeth", "detent_torque", "inductance", "peak_current", "pull_out_voltage")
    )
    return StepperData(teeth, detent, inductance, rated, tuple(m.pull_out for m in motors), supply)


def _joined(groups: Sequence[tuple[ActuatorCheck, ...]]) -> tuple[ActuatorCheck, ...]:
    """Checks of all groups by name, NaN where a group has none."""
    sizes = [group[0].values.size for group in groups]
    first: dict[str, ActuatorCheck] = {}
    for group in groups:
        for check in group:
            first.setdefault(check.name, check)
    joined = []
    for name, check in first.items():
        values = [
            next((c.values for c in group if c.name == name), np.full(size, np.nan))
            for group, size in zip(groups, sizes, strict=True)
        ]
        joined.append(dataclasses.replace(check, values=np.concatenate(values)))
    return tuple(joined)


def _judge(
    name: LegName,
    pairs: Sequence[tuple[CatalogueMotor, CatalogueGear]],
    checks: tuple[ActuatorCheck, ...],
    base: Numbers,
    own: Sequence[StageNumbers],
    count: int,
    invented: bool,
) -> CatalogueResult:
    fails = np.stack([np.logical_not(c.ok) & np.logical_not(np.isnan(c.values)) for c in checks])
    unknown = np.isnan(next(c.values for c in checks if c.name == "stroke time"))
    holds = np.logical_not(np.any(fails, axis=0) | unknown)
    by_name = {c.name: c.values for c in checks}
    margin, time = 0.01 * by_name["static torque margin"], by_name["stroke time"]
    mass = np.array([m.mass + g.mass for m, g in pairs])
    current = np.array([min(m.peak_current, base.current_limit) for m, _ in pairs])
    cost = np.array([m.cost + g.cost for m, g in pairs])
    front, score = _front(holds, _costs(margin, time, mass, current, cost))
    alone = np.sum(fails, axis=0) == 1
    misses = []
    for check, failing in zip(checks, fails, strict=True):
        for index in np.flatnonzero(failing & alone):
            misses.append(NearMiss(int(index), check.name, math.exp(-float(check.reserve[index]))))
    return CatalogueResult(
        leg=name,
        motor=tuple(m.name for m, _ in pairs),
        gear=tuple(g.name for _, g in pairs),
        kind=tuple(m.kind for m, _ in pairs),
        ratio=np.array([g.ratio for _, g in pairs]) * math.prod(s.ratio for s in own),
        own_ratio=math.prod(s.ratio for s in own),
        checks=checks,
        holds=holds,
        margin=margin,
        time=time,
        mass=mass,
        current=current,
        cost=cost,
        front=front,
        score=score,
        rejected={c.name: int(np.sum(f)) for c, f in zip(checks, fails, strict=True)},
        alone={c.name: int(np.sum(f & alone)) for c, f in zip(checks, fails, strict=True)},
        near=tuple(sorted(misses, key=lambda m: (round(m.factor, 3), float(mass[m.index])))[:NEAREST]),
        left_out=count - len(pairs),
        invented=invented,
    )


def _front(holds: FloatArray, costs: tuple[FloatArray, ...]) -> tuple[tuple[int, ...], tuple[float, ...]]:
    """Combinations of the Pareto front among those that hold, best mean first, and their means."""
    able = np.flatnonzero(holds)
    if able.size == 0:
        return (), ()
    grained = np.stack([np.round(c[able] / g) for c, g in zip(costs, GRAIN, strict=True)], axis=1)
    on = able[pareto(grained)]
    values = np.stack([c[on] for c in costs], axis=1)
    width = np.ptp(values, axis=0)
    places = np.where(width > 0.0, (values - values.min(axis=0)) / np.where(width > 0.0, width, 1.0), 0.0)
    mean = places.mean(axis=1)
    order = np.argsort(mean, kind="stable")
    return tuple(int(i) for i in on[order]), tuple(float(m) for m in mean[order])
