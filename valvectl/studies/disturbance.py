"""Disturbances of the tank side: what each costs in mixture ratio while the valves follow their open-loop schedule.

Every disturbance that the design declares is run by itself and all of them together, over the throttle profile or over a
burn at one setting. The error is counted from the undisturbed steady point at the same angles, so that what the
schedule knows (the regulator's droop) is no error; it is shown by itself all the same. Method and validity are those
of ``plant.tank_run`` (quasi-steady) and ``plant.tanks`` (perfect gas).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from functools import cached_property

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, LegName
from valvectl.errors import NoBalanceError, RangeError
from valvectl.parts import ullage
from valvectl.parts.lookup import FloatArray
from valvectl.plant import tanks
from valvectl.plant.balance import balance, solve
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.plant.tank_run import (
    STEPS,
    STEPS_SAMPLED,
    Conditions,
    Grid,
    TankRun,
    WarmLeg,
    make_grid,
    run,
    warm_leg,
)
from valvectl.plant.tanks import TankNumbers, tank_numbers
from valvectl.studies.disturbance_result import (
    Disturbance,
    DisturbanceResult,
    GasDemand,
    TankEnd,
    Trim,
)
from valvectl.studies.disturbance_words import assumptions, cautions

RESPONSE, LOCK_UP, INLET = "regulator response", "lock-up", "bottle pressure on the regulator"
BLOW_DOWN, SWITCHED = "blow-down", "electronic regulator"
COLLAPSE, TRACE = "ullage collapse", "pressure trace"
LOAD, LEVEL, WARMING = "load factor", "falling level", "warming liquid"
DROOP = "droop (in the schedule)"
ORDER = (RESPONSE, LOCK_UP, INLET, BLOW_DOWN, SWITCHED, COLLAPSE, TRACE, LOAD, LEVEL, WARMING)
"""All disturbances that can be declared."""
DROOP_SETTINGS = 9
"""Throttle settings at which the droop's part is worked out."""
LONGEST_BURN = 600.0
"""Longest burn [s]."""
QUIET_STEPS = 40
"""Steps over the profile when nothing is declared."""


def declared_for(design: DesignFile, tank: TankNumbers, leg: LegName) -> frozenset[str]:
    """Disturbances that a leg's tank declares."""
    data = design.leg(leg).tank
    regulated = tank.supply == "regulated"
    answers = tank.response_time > 0.0 or tank.gas is not None
    moving = tank.area < math.inf or data.height != 0.0
    found = {
        RESPONSE: regulated and answers and (tank.droop > 0.0 or tank.valve is not None),
        LOCK_UP: regulated and tank.lock_up > 0.0,
        INLET: regulated and tank.bottle is not None and tank.bottle.inlet_effect != 0.0,
        BLOW_DOWN: tank.supply == "blow-down",
        SWITCHED: tank.supply == "electronic",
        COLLAPSE: tank.collapse_share > 0.0,
        TRACE: tank.supply == "trace",
        LOAD: design.data.flight is not None and moving,
        LEVEL: tank.area < math.inf,
        WARMING: bool(data.warming),
    }
    return frozenset(name for name, there in found.items() if there)


def with_effects(tank: TankNumbers, on: frozenset[str]) -> TankNumbers:
    """The tank with only some of its disturbances; where none concerns its gas side, the pressure is held."""
    collapse = COLLAPSE in on
    if tank.supply == "regulated" and on & {RESPONSE, LOCK_UP, INLET, COLLAPSE}:
        bottle = tank.bottle
        if bottle is not None and INLET not in on:
            bottle = dataclasses.replace(bottle, inlet_effect=0.0)
        return dataclasses.replace(
            tank,
            # Without its response the droop is followed at once: the balance does that.
            droop=tank.droop if RESPONSE in on else 0.0,
            lock_up=tank.lock_up if LOCK_UP in on else 0.0,
            collapse_time=tank.collapse_time if collapse else math.inf,
            valve=tank.valve if on & {RESPONSE, COLLAPSE} else None,
            bottle=bottle,
        )
    if tank.supply == "blow-down" and on & {BLOW_DOWN, COLLAPSE}:
        time = tank.collapse_time if collapse else math.inf
        return dataclasses.replace(tank, collapse_time=time, frozen=BLOW_DOWN not in on)
    if tank.supply == "electronic" and on & {SWITCHED, COLLAPSE}:
        return dataclasses.replace(tank, collapse_time=tank.collapse_time if collapse else math.inf)
    if tank.supply == "trace" and TRACE in on:
        return tank
    return tanks.held(tank)


class TankWork:
    """The runs of one design, each worked out once; ``profile`` corners (time [s], throttle [-])."""

    def __init__(
        self, design: DesignFile, machine: Machine, schedule: Schedule, profile: Sequence[tuple[float, float]]
    ) -> None:
        self.design, self.machine, self.schedule, self.profile = design, machine, schedule, tuple(profile)
        self.tanks = {name: tank_numbers(design, machine.legs[name], name) for name in LEGS}
        self.declared_by = {name: declared_for(design, self.tanks[name], name) for name in LEGS}

    @property
    def declared(self) -> tuple[str, ...]:
        """Disturbances that either tank declares."""
        return tuple(name for name in ORDER if any(name in self.declared_by[leg] for leg in LEGS))

    @cached_property
    def flight(self) -> tuple[FloatArray, FloatArray] | None:
        """Load factor over time."""
        data = self.design.data.flight
        if data is None:
            return None
        return np.array([p.time for p in data.load_factor]), np.array([p.load_factor for p in data.load_factor])

    @cached_property
    def grid(self) -> Grid:
        """Times with the undisturbed steady points."""
        sampled = any(tank.supply == "electronic" for tank in self.tanks.values())
        steps = (STEPS_SAMPLED if sampled else STEPS) if self.declared else QUIET_STEPS
        corners = [] if self.flight is None else [float(t) for t in self.flight[0]]
        jumps = [t for j, t in enumerate(corners) if j and t == corners[j - 1]]
        for tank in self.tanks.values():
            if tank.trace is not None:
                corners += [float(t) for t in _sharp(*tank.trace)]
        collapses = [t.collapse_time for t in self.tanks.values() if math.isfinite(t.collapse_time)]
        return make_grid(self.machine, self.schedule, self.profile, steps, corners, [*jumps, *collapses])

    @cached_property
    def warm(self) -> dict[LegName, WarmLeg]:
        """Legs whose liquid warms."""
        end = self.profile[-1][0]
        rates = {name: self.design.leg(name).tank.warming for name in LEGS if WARMING in self.declared_by[name]}
        return {name: warm_leg(self.design, self.machine, name, rate, end) for name, rate in rates.items() if rate}

    def conditions(self, on: frozenset[str]) -> Conditions:
        """What a run with some of the disturbances does to the tanks."""
        data = {name: self.design.leg(name).tank for name in LEGS}
        return Conditions(
            tanks={name: with_effects(self.tanks[name], on & self.declared_by[name]) for name in LEGS},
            height={name: data[name].height for name in LEGS},
            load_factor={name: data[name].load_factor for name in LEGS},
            flight=self.flight if LOAD in on else None,
            falling=LEVEL in on,
            warm=self.warm if WARMING in on else {},
        )

    def run(self, *names: str) -> TankRun:
        """A run with some of the disturbances."""
        return run(self.machine, self.conditions(frozenset(names)), self.grid)

    @cached_property
    def together(self) -> TankRun:
        """The run with all of them."""
        return self.run(*self.declared)


MOST_CORNERS = 400
"""Corners of a trace that get a time of their own; of more, the sharpest."""


def _sharp(time: FloatArray, value: FloatArray) -> FloatArray:
    """Times of a trace's corners, the sharpest ones when there are many."""
    if time.size <= 2:
        return time
    slope = np.diff(value) / np.diff(time)
    bend = np.abs(np.diff(slope))
    picked = np.argsort(-bend, kind="stable")[:MOST_CORNERS]
    return np.asarray(time[1 + np.sort(picked[bend[picked] > 0.0])])


# ------------------------------------------------------------------------------------------------------ the study


def burn_profile(throttle: float, time: float, minimum: float) -> tuple[tuple[float, float], tuple[float, float]]:
    """Profile of a burn of some length [s] at one setting [-]. Raises ``RangeError`` outside throttle range and 600 s."""
    if not minimum - 1e-9 <= throttle <= 1.0 + 1e-9:
        raise RangeError(
            f"a burn's throttle must lie between throttle.minimum ({100.0 * minimum:.4g} %) and 100 % "
            f"(got {100.0 * throttle:.4g} %)"
        )
    if not 0.0 < time <= LONGEST_BURN:
        raise RangeError(f"a burn must last above 0 and at most {LONGEST_BURN:.0f} s (got {time:.4g} s)")
    return (0.0, throttle), (time, throttle)


def disturbance(work: TankWork) -> DisturbanceResult:
    """Every declared disturbance by itself, all together, the trim at the worst moment, and the pressurant.

    Raises ``DesignError`` when a warming liquid would boil or freeze, ``RangeError`` when there is no steady point
    even at the start.
    """
    together = work.together
    cases = [_case(work, name, work.run(name), (name,)) for name in work.declared]
    cases.sort(key=lambda case: -abs(case.worst))
    if any(tank.droop > 0.0 for tank in work.tanks.values()):
        cases.append(_droop(work))
    trims, note = _trims(work, together)
    n, full = together.time.size, work.grid.time.size
    ends = {name: _tank_end(work, name, together) for name in LEGS}
    gas = {name: found for name in LEGS if (found := _gas(work, name, together)) is not None}
    result = DisturbanceResult(
        time=work.grid.time,
        throttle=work.grid.throttle,
        declared=work.declared,
        cases=tuple(cases),
        together=_case(work, "all together", together, work.declared),
        thrust_error=_padded(together.thrust_error, full),
        pressure_error=_padded(together.pressure_error, full),
        pressure={name: _padded(together.tanks[name].pressure, full) for name in LEGS},
        undisturbed={name: np.array([p.legs[name].tank for p in work.grid.points]) for name in LEGS},
        bottle={name: _padded(together.tanks[name].bottle_pressure, full) for name in LEGS},
        tanks=ends,
        gas=gas,
        trims=trims,
        trim_note=note,
        assumptions=assumptions(work.design, work.machine, work.tanks, work.profile),
        cautions=(),
    )
    assert n >= 1
    return dataclasses.replace(result, cautions=cautions(work.design, work.tanks, work.profile, result))


def _padded(values: FloatArray, size: int) -> FloatArray:
    return np.concatenate([values, np.full(size - values.size, math.nan)])


def _largest(values: FloatArray) -> float:
    return float(values[int(np.argmax(np.abs(values)))])


def _case(work: TankWork, name: str, found: TankRun, names: tuple[str, ...]) -> Disturbance:
    j = found.worst
    common, parts = _parts(work, found, j)
    worst = float(found.ratio_error[j])
    return Disturbance(
        name=name,
        legs=tuple(leg for leg in LEGS if any(x in work.declared_by[leg] for x in names)),
        worst=worst,
        time=float(found.time[j]),
        throttle=float(work.grid.throttle[j]),
        final=float(found.ratio_error[-1]),
        thrust=_largest(found.thrust_error),
        chamber_pressure=_largest(found.pressure_error),
        from_leg=parts,
        common=common,
        difference=worst - common,
        in_schedule=False,
        ended=found.ended,
        ratio_error=_padded(found.ratio_error, work.grid.time.size),
    )


def _parts(work: TankWork, found: TankRun, j: int) -> tuple[float, dict[LegName, float]]:
    """O/F error at a time from both tanks' mean pressure change, and from each tank alone."""
    grid, machine, moved = work.grid, work.machine, found.machines[j]
    pair = tuple(float(grid.angle[name][j]) for name in LEGS)
    base = grid.points[j].mixture_ratio
    mean = 0.5 * sum(float(found.tanks[name].shift[j]) for name in LEGS)

    def error(legs: dict[LegName, object]) -> float:
        try:
            changed = dataclasses.replace(machine, legs={**machine.legs, **legs})  # type: ignore[dict-item]
            return balance(changed, pair[0], pair[1]).mixture_ratio / base - 1.0
        except NoBalanceError:
            return math.nan

    alike = error(
        {n: dataclasses.replace(leg, tank_pressure=leg.tank_pressure + mean) for n, leg in machine.legs.items()}
    )
    return alike, {name: error({name: moved.legs[name]}) for name in LEGS}


def _droop(work: TankWork) -> Disturbance:
    """What the droop costs an engine whose schedule does not know it: with droop against without, same angles."""
    grid, machine = work.grid, work.machine
    settings, first = np.unique(np.round(grid.throttle, 12), return_index=True)
    picked = np.unique(np.linspace(0, settings.size - 1, min(settings.size, DROOP_SETTINGS)).round().astype(int))
    at = [int(first[k]) for k in picked]
    stiff = {name: dataclasses.replace(machine.legs[name], tank_droop=0.0) for name in LEGS}
    legs = tuple(name for name in LEGS if work.tanks[name].droop > 0.0)

    def without(j: int, names: Sequence[LegName]) -> tuple[float, float, float]:
        changed = dataclasses.replace(machine, legs={**machine.legs, **{name: stiff[name] for name in names}})
        free, base = balance(changed, *(float(grid.angle[name][j]) for name in LEGS)), grid.points[j]
        return (
            base.mixture_ratio / free.mixture_ratio - 1.0,
            base.thrust / free.thrust - 1.0,
            base.chamber_pressure / free.chamber_pressure - 1.0,
        )

    errors = np.array([without(j, LEGS) for j in at])
    series = np.interp(grid.throttle, grid.throttle[at], errors[:, 0])
    worst = int(np.argmax(np.abs(errors[:, 0])))
    j = at[worst]
    alike = 0.5 * sum(grid.points[j].legs[name].tank - work.tanks[name].pressure for name in LEGS)
    lowered = {n: dataclasses.replace(leg, tank_pressure=leg.tank_pressure + alike) for n, leg in stiff.items()}
    pair = tuple(float(grid.angle[name][j]) for name in LEGS)
    free = balance(dataclasses.replace(machine, legs=stiff), pair[0], pair[1]).mixture_ratio
    common = balance(dataclasses.replace(machine, legs=lowered), pair[0], pair[1]).mixture_ratio / free - 1.0
    value = float(errors[worst, 0])
    return Disturbance(
        name=DROOP,
        legs=legs,
        worst=value,
        time=float(grid.time[j]),
        throttle=float(grid.throttle[j]),
        final=float(series[-1]),
        thrust=_largest(errors[:, 1]),
        chamber_pressure=_largest(errors[:, 2]),
        from_leg={name: without(j, (name,))[0] for name in LEGS},
        common=common,
        difference=value - common,
        in_schedule=True,
        ended="",
        ratio_error=series,
    )


def _trims(work: TankWork, found: TankRun) -> tuple[dict[LegName, Trim], str]:
    j = found.worst
    base, moved = work.grid.points[j], found.machines[j]
    when = f"at {float(found.time[j]):.2f} s, {100.0 * base.throttle:.0f} % throttle"
    try:
        held = solve(moved, base.throttle, base.mixture_ratio)
        needed: dict[LegName, float] = {name: held.legs[name].angle for name in LEGS}
        note = f"both valves have the travel to hold thrust and O/F {when}"
    except NoBalanceError as error:
        needed = dict.fromkeys(LEGS, math.nan)
        note = f"no angles hold thrust and O/F {when}: {error}"
    out: dict[LegName, Trim] = {}
    for name in LEGS:
        leg = work.machine.legs[name]
        out[name] = Trim(
            leg=name,
            scheduled=base.legs[name].angle,
            needed=needed[name],
            to_open=leg.open_stop - needed[name],
            to_shut=needed[name] - max(leg.characteristic.shut, leg.closed_stop),
        )
    return out, note


def _tank_end(work: TankWork, name: LegName, found: TankRun) -> TankEnd:
    trace, tank = found.tanks[name], work.tanks[name]
    high, low = int(np.argmax(trace.choking)), int(np.argmin(trace.stiffness))
    used = float(np.trapezoid(trace.flow, found.time))
    left = float(trace.displaced[-1])
    residual = tank.liquid_volume - left if math.isfinite(tank.liquid_volume) else math.nan
    modelled = with_effects(tank, work.declared_by[name]).supply
    return TankEnd(
        leg=name,
        supply=modelled,
        lowest=float(trace.pressure.min()),
        highest=float(trace.pressure.max()),
        final=float(trace.pressure[-1]),
        choking=float(trace.choking[high]),
        choking_time=float(found.time[high]),
        stiffness=float(trace.stiffness[low]),
        stiffness_time=float(found.time[low]),
        used=used,
        residual=residual,
        left=residual * found.machines[-1].legs[name].liquid.density,
        fall=left / tank.area if math.isfinite(tank.area) else math.nan,
    )


def _gas(work: TankWork, name: LegName, found: TankRun) -> GasDemand | None:
    tank, trace = work.tanks[name], found.tanks[name]
    if tank.gas is None or math.isnan(float(trace.gas_temperature[-1])):
        return None
    gas, bottle, valve = tank.gas, tank.bottle, tank.valve
    start = ullage.gas_mass(float(trace.pressure[0]), tank.gas_volume, tank.gas_temperature, gas.constant)
    displaced, final = float(trace.displaced[-1]), float(trace.pressure[-1])
    inlet = bottle.temperature if bottle is not None else tank.gas_temperature
    drawn = float(trace.drawn[-1])
    ideal = ullage.gas_mass(final, displaced, inlet, gas.constant)
    factor = ullage.collapse_factor(drawn, final, displaced, inlet, gas.constant) if displaced > 0.0 else math.nan
    needed, when = math.nan, math.nan
    if valve is not None and bottle is not None:
        rows = zip(trace.holding, trace.bottle_pressure, trace.bottle_temperature, trace.pressure, strict=True)
        unit = [(h, tanks.valve_capacity(tank, 1.0, b, t, p)) for h, b, t, p in rows]
        kv = [h / u if u > 0.0 else math.inf for h, u in unit]
        j = int(np.argmax(kv))
        needed, when = float(kv[j]), float(found.time[j])
    return GasDemand(
        leg=name,
        gas=gas.name,
        start=start,
        drawn=drawn,
        ideal=ideal,
        collapse_factor=math.nan if tank.supply == "blow-down" else factor,
        gas_temperature=float(trace.gas_temperature[-1]),
        bottle_start=bottle.pressure if bottle is not None else math.nan,
        bottle_end=float(trace.bottle_pressure[-1]),
        bottle_temperature=float(trace.bottle_temperature[-1]),
        kv_needed=needed,
        kv_time=when,
        kv_given=valve.kv if valve is not None else math.nan,
    )
