"""Both tanks over a profile, valves on their schedule: what the tank side does to flows, chamber pressure and O/F.

Quasi-steady: at every instant legs and chamber are in the steady balance (``plant.balance``) that belongs to the tank
pressures, heads and liquids of that instant, so that the coupling through chamber pressure is in. That holds while tank
pressure, head and temperature change slowly against the legs and the chamber, whose time constants are some milliseconds
to tens of milliseconds; a change within less is right before and after, not in between. Servos are taken to follow at once.

The balance is solved once a step. Between two balances the flow of a leg goes straight to a predicted value: its
undisturbed flow at the new angles, known beforehand, times the ratio of disturbed to undisturbed flow carried on straight
from the last two steps (second order; after an event the ratio is held for one step).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, LegName
from valvectl.errors import DesignError, Fault, NoBalanceError, RangeError
from valvectl.parts import tank as tank_laws
from valvectl.parts.liquid import LiquidState
from valvectl.parts.lookup import FloatArray
from valvectl.plant import tanks
from valvectl.plant.balance import OperatingPoint, balance
from valvectl.plant.machine import LegMachine, Machine, build
from valvectl.plant.schedule import Schedule, throttle_at
from valvectl.plant.tanks import TankNumbers

STEPS, STEPS_SAMPLED = 400, 800
"""Steps over a profile, at least: in general, and with an electronic regulator."""
LONGEST_STEP = 0.25
"""Longest step [s]."""
EVENT = 1e-3
"""A jump gets a grid point this much before it [s]."""
WARM_STEP = 2.0
"""Liquid properties are worked out at temperatures this far apart at most [K]; straight (vapour pressure: in its
logarithm) between them."""
MOST_WARM_NODES = 40
"""Most temperatures at which they are worked out."""
_EVEN = 0.5
"""A step shorter than this share of the next one does not carry the ratio on."""


@dataclass(frozen=True)
class Grid:
    """Times of a run with the angles and the undisturbed steady points there."""

    time: FloatArray
    """[s], shape (n,), rising."""
    throttle: FloatArray
    """[-], shape (n,)."""
    angle: dict[LegName, FloatArray]
    """[rad], shape (n,)."""
    points: tuple[OperatingPoint, ...]
    """Undisturbed, n of them."""
    near: tuple[float, ...]
    """Chamber pressures [Pa] from which they were found, n of them: a run that nothing disturbs finds the same to the bit."""
    jumps: frozenset[float]
    """Times at which something jumps [s]."""


def make_grid(
    machine: Machine,
    schedule: Schedule,
    profile: Sequence[tuple[float, float]],
    steps: int,
    corners: Sequence[float] = (),
    jumps: Sequence[float] = (),
) -> Grid:
    """Times over a profile of (time [s], throttle [-]) corners: ``steps`` even ones at least, every corner, and a point
    just before each jump (of the profile's throttle, or in ``jumps``)."""
    end = profile[-1][0]
    count = max(steps, math.ceil(end / LONGEST_STEP))
    times = {float(t) for t in np.linspace(0.0, end, count + 1)}
    own = [t for j, (t, _) in enumerate(profile) if j and t == profile[j - 1][0]]
    sudden = {t for t in (*own, *jumps) if 0.0 < t <= end}
    times |= {t for t, _ in profile} | {t for t in corners if 0.0 < t < end} | sudden
    times |= {t - EVENT for t in sudden if t > EVENT}
    time = np.array(sorted(times))
    keep = np.concatenate([[True], np.diff(time) > 1e-9])
    time = time[keep]
    throttle = throttle_at(profile, time)
    angle = {name: schedule.angle_at(name, throttle) for name in LEGS}
    known: dict[float, tuple[float, OperatingPoint]] = {}
    found = []
    near = np.interp(throttle, schedule.throttle, [p.chamber_pressure for p in schedule.points])
    for j, setting in enumerate(throttle):
        key = round(float(setting), 12)
        if key not in known:
            guess = float(near[j])
            point = balance(machine, float(angle["oxidizer"][j]), float(angle["fuel"][j]), guess)
            known[key] = guess, point
        found.append(known[key])
    points, guesses = tuple(p for _, p in found), tuple(g for g, _ in found)
    return Grid(time, throttle, angle, points, guesses, frozenset(sudden))


# -------------------------------------------------------------------------------------------- what moves in a leg


@dataclass(frozen=True)
class WarmLeg:
    """A leg's numbers with its liquid at rising temperatures, one a node."""

    rate: float
    """[K/s]"""
    step: float
    """From node to node [K], with the sign of the rate."""
    nodes: tuple[LegMachine, ...]

    def at(self, time: float) -> LegMachine:
        """The leg at a time [s]; held at the last node."""
        place = min(self.rate * time / self.step, len(self.nodes) - 1.0)
        cell = min(int(place), len(self.nodes) - 2)
        return _blend(self.nodes[cell], self.nodes[cell + 1], place - cell)


def warm_leg(design: DesignFile, machine: Machine, name: LegName, rate: float, duration: float) -> WarmLeg:
    """A leg whose liquid warms at a rate [K/s] for a time [s]. Raises ``DesignError`` when it would not stay liquid."""
    rise = rate * duration
    count = min(max(math.ceil(abs(rise) / WARM_STEP), 1), MOST_WARM_NODES)
    key = f"legs.{name}.liquid.temperature"
    start = float(design.get(key))
    nodes = [machine.legs[name]]
    for j in range(1, count + 1):
        temperature = start + rise * j / count
        try:
            nodes.append(build(design.with_values({key: temperature})).legs[name])
        except DesignError as error:
            file = str(design.path) if design.path is not None else ""
            message = (
                f"brings the liquid to {temperature:.1f} K by {duration * j / count:.1f} s: {error.faults[0].message}"
            )
            raise DesignError(Fault(message, key=f"legs.{name}.tank.warming", file=file, got=f"{rate:g} K/s")) from None
    return WarmLeg(rate, rise / count, tuple(nodes))


def _blend(one: LegMachine, two: LegMachine, share: float) -> LegMachine:
    """Numbers between two legs that differ in their liquid's temperature: every number and table that differs."""
    changes: dict[str, object] = {}
    for field in dataclasses.fields(one):
        a, b = getattr(one, field.name), getattr(two, field.name)
        if isinstance(a, LiquidState):
            inner: dict[str, Any] = {
                f.name: _between(getattr(a, f.name), getattr(b, f.name), share)
                for f in dataclasses.fields(a)
                if isinstance(getattr(a, f.name), float)
            }
            inner["vapour_pressure"] = math.exp(
                _between(math.log(a.vapour_pressure), math.log(b.vapour_pressure), share)
            )
            changes[field.name] = dataclasses.replace(a, **inner)
        elif (isinstance(a, float) and a != b) or (isinstance(a, np.ndarray) and a is not b):
            changes[field.name] = _between(a, b, share)
    return dataclasses.replace(one, **changes)  # type: ignore[arg-type]


def _between(a: Any, b: Any, share: float) -> Any:
    return a + share * (b - a)


@dataclass(frozen=True)
class Conditions:
    """What a run does to the tanks; nothing by default."""

    tanks: Mapping[LegName, TankNumbers]
    height: Mapping[LegName, float]
    """Liquid surface over the injector at the start [m]."""
    load_factor: Mapping[LegName, float]
    """Steady one of each tank [-]."""
    flight: tuple[FloatArray, FloatArray] | None = None
    """Times [s] and load factors [-]; None: each tank's steady one."""
    falling: bool = False
    """The level falls with what has left, where the tank's diameter is stated."""
    warm: Mapping[LegName, WarmLeg] = dataclasses.field(default_factory=dict)

    def leg_at(self, machine: Machine, name: LegName, time: float, pressure: float, displaced: float) -> LegMachine:
        """The leg at a time [s] with its tank pressure [Pa] and what has left of its liquid [m^3]."""
        leg = self.warm[name].at(time) if name in self.warm else machine.legs[name]
        tank = self.tanks[name]
        load = float(np.interp(time, *self.flight)) if self.flight is not None else self.load_factor[name]
        return dataclasses.replace(
            leg,
            tank_pressure=pressure,
            # What the tank's model takes on itself must not come in a second time; a trace holds all of it.
            tank_droop=0.0 if tank.supply == "trace" else leg.tank_droop - tank.droop,
            head=tank_laws.head(leg.liquid.density, self.height[name] - self.fall(name, displaced), load),
        )

    def fall(self, name: LegName, displaced: float) -> float:
        """Fall of the level [m] after a volume [m^3] has left."""
        return displaced / self.tanks[name].area if self.falling else 0.0


# ------------------------------------------------------------------------------------------------------ the run


@dataclass(frozen=True)
class TankTrace:
    """One tank over a run, shape (n,) each."""

    pressure: FloatArray
    """Above the liquid, as the balance sees it [Pa]."""
    shift: FloatArray
    """Pressure and head over the undisturbed ones [Pa]."""
    head: FloatArray
    """[Pa]"""
    flow: FloatArray
    """Mass flow of liquid [kg/s]."""
    choking: FloatArray
    """Valve drop over the drop at which it chokes [-]."""
    stiffness: FloatArray
    """Injector drop over chamber pressure [-]."""
    displaced: FloatArray
    """Liquid that has left [m^3]."""
    gas_temperature: FloatArray
    """[K]; NaN without an ullage model."""
    bottle_pressure: FloatArray
    """[Pa]; NaN without a bottle."""
    drawn: FloatArray
    """Gas that has flowed in [kg]; NaN without an ullage model."""
    holding: FloatArray
    """Gas inflow that would hold the pressure [kg/s]; NaN without an ullage model."""
    bottle_temperature: FloatArray
    """[K]; NaN without a bottle."""


@dataclass(frozen=True)
class TankRun:
    """A run; arrays of shape (n,), up to where it ended."""

    time: FloatArray
    ratio_error: FloatArray
    """O/F over the undisturbed one at the same angles, less one [-]."""
    thrust_error: FloatArray
    pressure_error: FloatArray
    """The same for the chamber pressure [-]."""
    mixture_ratio: FloatArray
    tanks: dict[LegName, TankTrace]
    points: tuple[OperatingPoint, ...]
    machines: tuple[Machine, ...]
    """The disturbed machine at each time, working data."""
    ended: str
    """Why it ended before the profile; empty when it did not."""

    @property
    def worst(self) -> int:
        """Index of the largest O/F error."""
        return int(np.argmax(np.abs(self.ratio_error)))


def run(machine: Machine, conditions: Conditions, grid: Grid) -> TankRun:
    """Run both tanks over a grid. Ends early, and says why, when a tank is empty, a leg has no steady flow, or O/F leaves
    the range for which c* is known (beyond it c* is held, and the flame may be out).

    Raises ``RangeError`` when there is no steady point even at the start.
    """
    states = {n: tanks.start_state(conditions.tanks[n], grid.points[0].legs[n].flow) for n in LEGS}
    rows: dict[LegName, list[tuple[float, ...]]] = {name: [] for name in LEGS}
    points: list[OperatingPoint] = []
    machines: list[Machine] = []
    ratios: list[dict[LegName, float]] = []
    ended = ""
    for j, time in enumerate(map(float, grid.time)):
        if j:
            _advance(machine, conditions, grid, j, states, points[-1], ratios)
            empty = [n for n in LEGS if states[n].displaced >= conditions.tanks[n].liquid_volume]
            if empty:
                ended = f"the {' and '.join(empty)} tank is empty at {time:.2f} s"
                break
        pressure = {n: tanks.tank_pressure_now(conditions.tanks[n], states[n], time) for n in LEGS}
        legs = {n: conditions.leg_at(machine, n, time, pressure[n], states[n].displaced) for n in LEGS}
        moved = dataclasses.replace(machine, legs=legs)
        try:
            point = balance(
                moved, float(grid.angle["oxidizer"][j]), float(grid.angle["fuel"][j]), _foreseen(grid, points)
            )
        except NoBalanceError as error:
            if not j:
                raise RangeError(f"no steady point at the start of the tank run: {error}") from None
            ended = f"no steady point from {time:.2f} s on: {error}"
            break
        unknown = _outside_c_star(machine, point.mixture_ratio, grid.points[j].mixture_ratio)
        if unknown:
            if not j:
                raise RangeError(f"no steady point at the start of the tank run: {unknown}")
            ended = f"no steady point from {time:.2f} s on: {unknown}"
            break
        points.append(point)
        machines.append(moved)
        ratios.append({n: point.legs[n].flow / grid.points[j].legs[n].flow for n in LEGS})
        for name in LEGS:
            rows[name].append(_row(machine, conditions, moved, name, states[name], point, grid.points[j]))
    n = len(points)
    base = grid.points[:n]
    return TankRun(
        time=grid.time[:n],
        ratio_error=np.array([p.mixture_ratio / q.mixture_ratio - 1.0 for p, q in zip(points, base, strict=True)]),
        thrust_error=np.array([p.thrust / q.thrust - 1.0 for p, q in zip(points, base, strict=True)]),
        pressure_error=np.array(
            [p.chamber_pressure / q.chamber_pressure - 1.0 for p, q in zip(points, base, strict=True)]
        ),
        mixture_ratio=np.array([p.mixture_ratio for p in points]),
        tanks={name: TankTrace(*np.array(rows[name]).T) for name in LEGS},
        points=tuple(points),
        machines=tuple(machines),
        ended=ended,
    )


def _foreseen(grid: Grid, points: Sequence[OperatingPoint]) -> float:
    """Chamber pressure [Pa] at the next grid point: as far from the undisturbed one as at the last."""
    j = len(points)
    return grid.near[j] * (points[-1].chamber_pressure / grid.points[j - 1].chamber_pressure if j else 1.0)


def _outside_c_star(machine: Machine, ratio: float, undisturbed: float) -> str:
    """Why c* is not known at an O/F that it was known at undisturbed; empty when it is."""
    low, high = machine.c_star.r0, machine.c_star.r0 + machine.c_star.dr * (machine.c_star.nr - 1)
    if min(low, undisturbed) <= ratio <= max(high, undisturbed):
        return ""
    return f"O/F is {ratio:.3g}, and c* is known from {low:.3g} to {high:.3g}"


def _advance(
    machine: Machine,
    conditions: Conditions,
    grid: Grid,
    j: int,
    states: Mapping[LegName, tanks.TankState],
    last: OperatingPoint,
    ratios: Sequence[Mapping[LegName, float]],
) -> None:
    """Advance both tanks to grid point ``j`` with the predicted flows."""
    before, time = float(grid.time[j - 1]), float(grid.time[j])
    for name in LEGS:
        ratio = ratios[-1][name]
        if len(ratios) > 1 and before not in grid.jumps:
            past = before - float(grid.time[j - 2])
            if past >= _EVEN * (time - before):
                ratio += (ratio - ratios[-2][name]) * (time - before) / past
        flow = (last.legs[name].flow, ratio * grid.points[j].legs[name].flow)
        density = (_density(machine, conditions, name, before), _density(machine, conditions, name, time))
        tanks.advance(conditions.tanks[name], states[name], before, time, flow, density)


def _density(machine: Machine, conditions: Conditions, name: LegName, time: float) -> float:
    warm = conditions.warm.get(name)
    return (warm.at(time) if warm is not None else machine.legs[name]).liquid.density


def _row(
    machine: Machine,
    conditions: Conditions,
    moved: Machine,
    name: LegName,
    state: tanks.TankState,
    point: OperatingPoint,
    base: OperatingPoint,
) -> tuple[float, ...]:
    """Columns of ``TankTrace`` at one time."""
    tank, leg, at = conditions.tanks[name], moved.legs[name], point.legs[name]
    modelled = tank.gas is not None and tank.supply not in ("held", "trace")
    bottle = tanks.bottle_now(tank, state)
    outflow = at.flow / leg.liquid.density
    return (
        at.tank,
        at.tank + leg.head - base.legs[name].tank - machine.legs[name].head,
        leg.head,
        at.flow,
        at.valve_drop / at.choked_drop if at.choked_drop > 0.0 else math.inf,
        point.injector_stiffness(name),
        state.displaced,
        tanks.gas_temperature_now(tank, state) if modelled else math.nan,
        bottle[0],
        state.drawn if modelled else math.nan,
        tanks.holding_inflow(tank, state, outflow) if modelled else math.nan,
        bottle[1],
    )
