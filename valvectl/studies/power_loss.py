"""What the valves do when power, a command, or one motor is lost, and what that does to the mixture ratio.

At rest a dead valve is turned towards shut by the stream and by a return spring, if there is one. Against that stand the
friction of the stem and, through the gears, the friction of the dead motor: a torque at the stem moves the motor when it
exceeds N T_motor / eta_back, with eta_back the efficiency of the train when the valve drives it; at eta_back = 0 the train
locks itself (elementary mechanics; 2 - 1/eta where the design states none). Friction is uncertain, so it is taken twice: as
low as the tolerances allow, warm and already moving (vibration can take the rest of the breakaway friction away: common
practice, no source), and as high as they allow, cold, from rest after a dwell. A valve that stays under the low friction
holds, one that moves against the high friction shuts, and between the two nobody can say: it may drift.

In motion: drives that die while the throttle moves are simulated with everything on (``DriveOff``), at each change of the
profile, both together and one alone; a lost command is the last one held.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, LegName
from valvectl.errors import NoBalanceError, SimulationError
from valvectl.parts import friction, gearing
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.parts.return_spring import return_torque
from valvectl.plant.balance import OperatingPoint, balance, leg_flow
from valvectl.plant.command import stretches
from valvectl.plant.machine import LegMachine, Machine
from valvectl.plant.schedule import Schedule, commands
from valvectl.plant.simulate import DriveOff, Trace, simulate
from valvectl.studies.adverse import FRICTION_HIGH, FRICTION_LOW, adverse
from valvectl.studies.power_loss_result import AtRest, Behaviour, Closing, LossCase, PowerLossResult, StoredEnergy
from valvectl.studies.throttle import schedule_point
from valvectl.studies.torque_demand import largest_pressure_drop

WATCHED = 0.5
"""Time watched after a loss [s]."""
CLOSING_WATCHED = 5.0
"""Longest time watched for a valve to shut by itself [s]."""
LEAST_FLOW = 0.02
"""Share of a leg's full flow below which no flame is taken to hold and no mixture ratio is stated [-] (common practice)."""
SHUT_SHARE = 0.02
"""A valve counts as shut within this share of its travel [-]."""


def back_torque(ratio: float, motor_friction: float, backdrive_efficiency: float) -> float:
    """Torque at the stem [N m] that just turns a dead motor through the gears; infinite when the train locks itself."""
    return ratio * motor_friction / backdrive_efficiency if backdrive_efficiency > 0.0 else math.inf


def shutting_torque(leg: LegMachine, angle: float, drop: float) -> float:
    """Torque towards shut [N m] on a dead valve at an opening [rad] and a pressure drop [Pa]."""
    servo = leg.servo
    spring = return_torque(angle - leg.closed_stop, servo.return_preload, servo.return_rate)
    return friction.hydrodynamic_torque(leg.hydrodynamic, leg.bore, drop) + spring


def _stem(leg: LegMachine, angle: float, drop: float, breakaway: bool, dwell: float) -> float:
    table = leg.stem_table(breakaway, closing=True)  # a dead valve is turned towards shut
    level = float(np.interp(angle, leg.characteristic.angles, table))
    return leg.cold_factor * dwell * friction.pressure_rise(leg.relative_slope, drop) * level


def at_rest(machine: Machine, low: Machine, high: Machine, schedule: Schedule, name: LegName) -> AtRest:
    """Dead valve of a leg at every setting; ``low`` and ``high`` are the machine with its friction at either bound."""
    shutting, least, most = (np.empty(schedule.throttle.size) for _ in range(3))
    behaviour: list[Behaviour] = []
    slack, tight = low.legs[name], high.legs[name]
    for j, point in enumerate(schedule.points):
        at = point.legs[name]
        shutting[j] = shutting_torque(machine.legs[name], at.angle, at.valve_drop)
        least[j] = _stem(slack, at.angle, at.valve_drop, False, 1.0) + back_torque(
            slack.servo.ratio, slack.servo.motor_friction, slack.servo.train.backdrive_efficiency
        )
        # from rest the gears drive back worse than while they run: by their breakaway efficiency
        static = min(
            tight.servo.train.backdrive_efficiency, gearing.backdrive_default(tight.servo.train.static_efficiency)
        )
        most[j] = _stem(tight, at.angle, at.valve_drop, True, tight.dwell_factor) + back_torque(
            tight.servo.ratio, tight.servo.motor_friction, static
        )
        if shutting[j] <= least[j]:
            behaviour.append("holds")
        else:
            behaviour.append("shuts" if shutting[j] > most[j] else "may drift")
    train = machine.legs[name].servo.train
    return AtRest(
        leg=name,
        throttle=schedule.throttle,
        angle=schedule.angle[name],
        shutting=shutting,
        held_low=least,
        held_high=most,
        behaviour=tuple(behaviour),
        self_locking=slack.servo.train.backdrive_efficiency <= 0.0,
        backdrive_efficiency=train.backdrive_efficiency,
    )


def _after(machine: Machine, angles: dict[LegName, float]) -> tuple[float, float]:
    """Error of O/F and thrust over full thrust with the balls at rest; NaN and zero when there is no flame."""
    try:
        point = balance(machine, angles["oxidizer"], angles["fuel"])
    except NoBalanceError:
        return math.nan, 0.0
    return point.mixture_ratio / machine.mixture_ratio - 1.0, point.throttle


def _cases(
    design: DesignFile,
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    schedule: Schedule,
    profile: Sequence[tuple[float, float]],
) -> list[LossCase]:
    out: list[LossCase] = []
    limit = design.requirements.mixture_ratio_transient
    shorted = {name: design.leg(name).actuator.dead_drive == "shorted" for name in LEGS}
    for t0, t1, x0, x1 in stretches(profile):
        if x0 == x1 or t1 <= t0:
            continue
        # the change alone, begun from rest: what went before it does not matter to what is lost in it
        lead = 0.02
        part = [(0.0, x0), (lead, x0), *[(t - t0 + lead, x) for t, x in profile if t0 < t < t1], (t1 - t0 + lead, x1)]
        lost = lead + 0.5 * (t1 - t0)
        duration = lost + WATCHED
        order = commands(machine, schedule, part, duration)
        start: OperatingPoint = schedule_point(machine, schedule, x0)
        held: dict[LegName, FloatArray] = {}
        for name in LEGS:
            row = order[name].copy()
            last = int(lost / machine.legs[name].servo.position_period)
            row[min(last + 1, row.size) :] = row[min(last, row.size - 1)]
            held[name] = row
        for what, dead, stopped in (
            ("power of both drives", LEGS, ()),
            ("oxidizer drive", ("oxidizer",), ()),
            ("fuel drive", ("fuel",), ()),
            ("command to both", (), LEGS),
            ("command to oxidizer", (), ("oxidizer",)),
            ("command to fuel", (), ("fuel",)),
        ):
            trace = simulate(
                machine,
                gains,
                {name: held[name] if name in stopped else order[name] for name in LEGS},
                start,
                duration,
                off={name: DriveOff(lost, shorted[name]) for name in LEGS if name in dead} or None,
            )
            late = trace.time >= lost
            flows = [trace.legs[n].flow / machine.legs[n].reference_flow for n in LEGS]
            out_at = np.nonzero(late & (np.minimum(*flows) < LEAST_FLOW))[0]
            flame_until = float(trace.time[out_at[0]]) - lost if out_at.size else math.inf
            if out_at.size:
                late &= np.arange(late.size) < out_at[0]
            error = np.atleast_1d(trace.mixture_ratio[late] / machine.mixture_ratio - 1.0)
            if error.size == 0:
                error = np.zeros(1)
            peak = float(error[int(np.argmax(np.abs(error)))])
            final, thrust = _after(machine, {name: float(trace.legs[name].ball[-1]) for name in LEGS})
            if out_at.size:
                final, thrust = math.nan, 0.0
            first = int(np.argmax(trace.time >= lost))
            over = np.nonzero(np.abs(error) > limit)[0]
            out.append(
                LossCase(
                    what=what,
                    time=t0 + lost - lead,
                    throttle_from=x0,
                    throttle_to=x1,
                    peak_error=peak,
                    final_error=final,
                    final_throttle=thrust,
                    flame_until=flame_until,
                    time_to_limit=float(trace.time[late][over[0]]) - lost if over.size else math.inf,
                    coasted={n: float(trace.legs[n].ball[-1] - trace.legs[n].ball[first]) for n in LEGS},
                )
            )
    return out


def _standing(machine: Machine, point: OperatingPoint) -> OperatingPoint:
    """The point with the largest pressure difference on each valve, as it is when the other end is shut."""
    legs = {
        name: dataclasses.replace(leg, valve_inlet=leg.valve_outlet + largest_pressure_drop(machine, name))
        for name, leg in point.legs.items()
    }
    return dataclasses.replace(point, legs=legs)


def _closing(
    design: DesignFile, machine: Machine, high: Machine, gains: dict[LegName, CascadeGains], start: OperatingPoint
) -> Closing:
    sprung = [name for name in LEGS if design.leg(name).actuator.return_spring is not None]
    off = {name: DriveOff(0.0, design.leg(name).actuator.dead_drive == "shorted") for name in LEGS}
    command = {name: np.full(2, start.legs[name].angle) for name in LEGS}
    times: list[dict[LegName, float]] = []
    traces: list[Trace] = []
    for m in (machine, high):
        duration = 0.25
        while True:
            trace = simulate(
                m, gains, command, _standing(m, start), duration, hydraulics=False, record=1e-3, off=off,
                battery=m.battery,
            )  # fmt: skip
            moving = any(abs(float(trace.legs[n].stem[-1] - trace.legs[n].stem[-20])) > 1e-6 for n in LEGS)
            if duration >= CLOSING_WATCHED or not moving:
                break
            duration *= 2.0
        traces.append(trace)
        times.append({name: _arrival(m.legs[name], trace, name) for name in LEGS})
    shut = [name for name in LEGS if math.isfinite(times[0][name])]
    nominal = times[0]
    first: LegName | None = None
    for name in shut:
        if first is None or nominal[name] < nominal[first]:
            first = name
    tail = math.inf
    if first is not None:
        other: LegName = "fuel" if first == "oxidizer" else "oxidizer"
        if math.isfinite(times[0][other]):
            late = traces[0].time >= times[0][first]
            balls, t = traces[0].legs[other].ball[late], traces[0].time[late]
            leg = machine.legs[other]
            grid = np.linspace(leg.closed_stop, max(float(balls[0]), leg.closed_stop + 1e-6), 41)
            flow = np.array([leg_flow(leg, float(a), max(machine.ambient_pressure, 1.0)) for a in grid])
            tail = float(np.trapezoid(np.interp(balls, grid, flow), t))
    return Closing(
        by="return spring" if sprung else "nothing but the stream",
        shuts="stream and spring" if sprung else "stream",
        time=times[0],
        time_late=times[1],
        stuck_at={name: float(traces[1].legs[name].stem[-1]) - machine.legs[name].closed_stop for name in LEGS},
        first=first,
        tail_mass=tail,
    )


def _arrival(leg: LegMachine, trace: Trace, name: LegName) -> float:
    travel = leg.open_stop - leg.closed_stop
    near = np.nonzero(trace.legs[name].stem - leg.closed_stop <= SHUT_SHARE * travel)[0]
    return float(trace.time[near[0]]) if near.size else math.inf


def _stored(
    design: DesignFile, high: Machine, gains: dict[LegName, CascadeGains], point: OperatingPoint
) -> list[StoredEnergy]:
    out: list[StoredEnergy] = []
    for name in LEGS:
        reserve = design.leg(name).actuator.reserve
        if reserve is None:
            continue
        leg = high.legs[name]
        alone = dataclasses.replace(
            _standing(high, point),
            legs={**_standing(high, point).legs, name: dataclasses.replace(point.legs[name], angle=leg.open_stop)},
        )
        other: LegName = "fuel" if name == "oxidizer" else "oxidizer"
        machine = dataclasses.replace(high, battery_resistance=0.0, other_loads=0.0)
        period = leg.servo.position_period
        watched = (leg.open_stop - leg.closed_stop) / leg.servo.speed_limit + 0.5
        count = math.ceil(watched / period) + 1
        slope = np.maximum(leg.open_stop - leg.servo.speed_limit * period * np.arange(count), leg.closed_stop)
        command = {name: slope, other: np.full(2, point.legs[other].angle)}
        try:
            trace = simulate(
                machine, gains, command, alone, watched, hydraulics=False, battery=reserve.minimum_voltage, energy=True
            )
        except SimulationError:
            out.append(StoredEnergy(name, reserve.usable, math.inf, math.inf))
            continue
        book = trace.legs[name].energy
        assert book is not None
        out.append(StoredEnergy(name, reserve.usable, book.drawn, _arrival(leg, trace, name)))
    return out


def power_loss(
    design: DesignFile,
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    schedule: Schedule,
    profile: Sequence[tuple[float, float]],
) -> PowerLossResult:
    """What is lost, what the valves then do, and what that does to the mixture ratio."""
    low, _ = adverse(design, FRICTION_LOW)
    for name in LEGS:
        # warm: near the start the valve may not have cooled, and a cold factor that is assumed may be too high
        low = low.with_leg(name, cold_factor=min(1.0, low.legs[name].cold_factor))
        # and warm grease in the motor, for the same reason
        stiff = max(design.leg(name).actuator.motor.cold_friction_factor, 1.0)
        low = low.with_servo(name, motor_friction=low.legs[name].servo.motor_friction / stiff)
    high, _ = adverse(design, FRICTION_HIGH)
    rest = {name: at_rest(machine, low, high, schedule, name) for name in LEGS}
    closing = _closing(design, machine, high, gains, schedule.points[-1])
    stored = _stored(design, high, gains, schedule.points[-1])
    cases = _cases(design, machine, gains, schedule, profile)
    return PowerLossResult(
        at_rest=rest,
        cases=tuple(cases),
        closing=closing,
        stored=tuple(stored),
        limit=design.requirements.mixture_ratio_transient,
        assumptions=tuple(_notes(design, rest, closing)),
        cautions=tuple(_cautions(rest, closing, stored)),
    )


def _notes(design: DesignFile, rest: dict[LegName, AtRest], closing: Closing) -> list[str]:
    out = []
    for name in LEGS:
        actuator = design.leg(name).actuator
        stated = [g.backdrive_efficiency is not None for g in actuator.gears]
        if not all(stated):
            out.append(
                f"{name}: back-driving efficiency {100 * rest[name].backdrive_efficiency:.0f} % of the train follows from "
                "2 - 1/efficiency for the stages that state none; measure it (motor disconnected, torque on the stem)"
            )
        out.append(f"{name}: a dead drive leaves the motor's terminals {actuator.dead_drive}")
    if closing.first is not None and math.isfinite(closing.tail_mass):
        other = "fuel" if closing.first == "oxidizer" else "oxidizer"
        out.append(
            f"shutting by themselves: {closing.first} first; {1e3 * closing.tail_mass:.0f} g of {other} flow after it, "
            "the chamber taken as dead"
        )
    return out


def _cautions(rest: dict[LegName, AtRest], closing: Closing, stored: Sequence[StoredEnergy]) -> list[str]:
    out = []
    holding = [name for name in LEGS if rest[name].overall != "shuts"]
    if holding:
        out.append(
            f"without power the {' and '.join(holding)} valve {'stay' if len(holding) > 1 else 'stays'} open or may drift: "
            "propellant goes on flowing until something else shuts it off. A separate normally closed shut-off valve in "
            "each leg, reached by the emergency stop, is common practice; nobody approaches until pressure is gone"
        )
    if any(rest[name].overall == "may drift" for name in LEGS):
        out.append("a valve that may drift does so unannounced: neither rely on its holding nor on its shutting")
    if closing.first == "fuel":
        out.append(
            "the fuel valve shuts first: the engine ends rich in oxygen, which burns hot walls; the usual order is oxidizer "
            "first (common practice)"
        )
    late = [name for name in LEGS if math.isfinite(closing.time[name]) and not math.isfinite(closing.time_late[name])]
    if late:
        out.append(
            f"with adverse friction the {' and '.join(late)} valve does not shut by itself: the spring is too weak"
        )
    if any(s.margin < 0.0 for s in stored):
        out.append("a reserve store holds less energy than a closing stroke takes with adverse friction")
    return out
