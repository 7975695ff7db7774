"""Heat of a motor over its mission: from the simulated currents of the throttle profile to winding and case, exact in time.

The mean square of the simulated current in each of some stretches heats the winding, whose resistance rises with it
(``parts.motor_heat``, or ``parts.motor_one_node`` where the design states one node). With two nodes the motor's friction
heats the case; with one it is left out, as in the row motor_heating. Stalled and holding currents are taken as constant.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.design.schema_power import Duty
from valvectl.parts import friction, motor, motor_heat
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.parts.return_spring import return_torque
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule, commands
from valvectl.plant.simulate import Trace, simulate
from valvectl.studies.heat_network import Course, HeatNetwork, Stretch, network, repeated_time
from valvectl.studies.mission_heat_result import DutyVerdict, Endurance, MissionHeat
from valvectl.studies.power import HELD
from valvectl.studies.throttle import schedule_point
from valvectl.studies.torque import greatest_need, largest_pressure_drop, standstill_current, torque

STRETCHES = 200
"""Stretches into which a run is cut; each keeps its mean square of current."""
PAUSE_STRETCHES = 24
"""Points of a pause that are kept."""
MOST_DRAWN = 40
"""With more runs than this only start, crest and end of each run are kept."""


def profile_run(
    machine: Machine, gains: dict[LegName, CascadeGains], schedule: Schedule, profile: Sequence[tuple[float, float]]
) -> Trace:
    """The throttle profile, simulated with its energy book."""
    duration = profile[-1][0]
    start = schedule_point(machine, schedule, profile[0][1])
    return simulate(machine, gains, commands(machine, schedule, profile, duration), start, duration, energy=True)


def run_stretches(trace: Trace, name: LegName, case_loss: float) -> list[Stretch]:
    """A run cut into stretches; their mean squares together are the RMS current that the simulator kept step by step."""
    time, leg = trace.time, trace.legs[name]
    spent = np.concatenate(([0.0], np.cumsum(0.5 * (leg.current[1:] ** 2 + leg.current[:-1] ** 2) * np.diff(time))))
    duration = float(time[-1])
    edges = np.linspace(0.0, duration, STRETCHES + 1)
    heat = np.diff(np.interp(edges, time, spent))
    scale = leg.rms_current**2 * duration / float(heat.sum()) if heat.sum() > 0.0 else 0.0
    lengths = np.diff(edges)
    return [
        Stretch(math.sqrt(max(scale * float(h), 0.0) / float(t)), float(t), case_loss)
        for h, t in zip(heat, lengths, strict=True)
    ]


def mission(net: HeatNetwork, run: Course, rest: Course | None, runs: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Time [s], winding and case [K] over runs and the pauses between them, from cold; the crest of each run is in it."""
    state = np.array([net.surroundings, net.surroundings])
    times: list[FloatArray] = []
    states: list[FloatArray] = []
    now = 0.0
    for k in range(runs):
        found = run.through(state)
        keep = np.arange(found.shape[0])
        if runs > MOST_DRAWN:
            keep = np.unique([0, int(np.argmax(found[:, 0])), found.shape[0] - 1])
        times.append(now + run.time[keep])
        states.append(found[keep])
        state, now = found[-1], now + float(run.time[-1])
        if rest is not None and k + 1 < runs:
            found = rest.through(state)
            keep = np.arange(1, found.shape[0] - 1) if runs <= MOST_DRAWN else np.arange(0)
            times.append(now + rest.time[keep])
            states.append(found[keep])
            state, now = found[-1], now + float(rest.time[-1])
    both = np.concatenate(states)
    return np.concatenate(times), both[:, 0], both[:, 1]


def joined(first: Course, second: Course | None) -> Course:
    """Two rows run one after the other."""
    if second is None:
        return first
    out = object.__new__(Course)
    end, start = first.matrix[-1], first.offset[-1]
    out.time = np.concatenate((first.time, first.time[-1] + second.time[1:]))
    out.matrix = np.concatenate((first.matrix, second.matrix[1:] @ end))
    out.offset = np.concatenate((first.offset, second.offset[1:] + second.matrix[1:] @ start))
    return out


def crest_of(net: HeatNetwork, course: Course) -> float:
    """Hottest winding [K] of a row that has repeated for ever; infinite when that runs away."""
    start = course.lasting()
    return float(course.through(start)[:, 0].max()) if np.isfinite(start).all() else math.inf


def _duty(net: HeatNetwork, duty: Duty, load: float, unloaded: float) -> DutyVerdict | None:
    if duty.type is None:
        return None
    loaded, other = duty.loaded or 0.0, duty.other or 0.0
    cold = np.array([net.surroundings, net.surroundings])

    def cycle(current: float, between: float) -> float:
        return crest_of(net, Course(net, [Stretch(between, other), Stretch(current, loaded)]))

    crest: Callable[[float], float]
    if duty.type == "S1":
        words, crest = "without end", net.steady
    elif duty.type == "S2":
        words = f"{loaded:.4g} s from cold, then rest until cold again"

        def crest(current: float) -> float:
            return float(Course(net, [Stretch(current, loaded)]).through(cold)[:, 0].max())

    else:
        between = 0.0 if duty.type == "S3" else unloaded
        what = "rest" if duty.type == "S3" else f"without load at {between:.2g} A"
        words = (
            f"{loaded:.4g} s loaded, {other:.4g} s {what}, again and again; cyclic duration factor "
            f"{100.0 * loaded / (loaded + other):.3g} %"
        )

        def crest(current: float) -> float:
            return cycle(current, between)

    low, high = 0.0, 1.0
    while crest(high) < net.limit and high < 1e6:
        high *= 2.0
    if crest(0.0) <= net.limit:
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if crest(middle) <= net.limit else (low, middle)
    found = crest(load)
    return DutyVerdict(duty.type, words, found, load, low, found <= net.limit)


def _endurance(net: HeatNetwork, what: str, current: float, peak: FloatArray) -> Endurance:
    return Endurance(
        what=what,
        current=current,
        from_cold=net.time_to_limit(current, net.surroundings, net.surroundings),
        from_peak=net.time_to_limit(current, float(peak[0]), float(peak[1])),
        steady=net.steady(current),
        runaway=motor_heat.runaway_gain(current, net.r25, net.coefficient, net.total),
    )


def mission_heat(design: DesignFile, machine: Machine, corner: Machine, trace: Trace, name: LegName) -> MissionHeat:
    """One leg; ``corner`` has the toleranced inputs at their adverse bounds for torque, ``trace`` is ``profile_run``."""
    actuator, duty = design.leg(name).actuator, design.data.duty
    m, net = actuator.motor, network(actuator)
    leg, servo, ran = machine.legs[name], machine.legs[name].servo, trace.legs[name]
    duration = float(trace.time[-1])
    assert ran.energy is not None
    case_loss = ran.energy.motor_friction / duration if net.nodes == 2 else 0.0
    run = Course(net, run_stretches(trace, name, case_loss))
    held = math.sqrt(float(np.mean(ran.current[trace.time >= duration * (1.0 - HELD)] ** 2)))
    hold_current = held if duty.hold == "servo" else 0.0
    rest = None
    if duty.pause > 0.0:
        rest = Course(net, [Stretch(hold_current, duty.pause / PAUSE_STRETCHES)] * PAUSE_STRETCHES)
    time, winding, case = mission(net, run, rest, duty.runs)
    j = int(np.argmax(winding))
    peak = np.array([winding[j], case[j]])
    cold = np.array([net.surroundings, net.surroundings])

    drop = largest_pressure_drop(machine, name)
    opening = leg.open_stop - leg.closed_stop
    worst = friction.hydrodynamic_torque(leg.hydrodynamic, leg.bore, drop) + return_torque(
        opening, servo.return_preload, servo.return_rate
    )
    holding = worst / servo.ratio
    # at the limit's weak magnets the same torque takes the most current
    weakest = motor.torque_constant(m.torque_constant, m.magnet_coefficient, net.limit)
    stalled = standstill_current(machine, name, machine.battery)[0]
    needed = greatest_need(leg, drop, breakaway=True, dwell=leg.dwell_factor)
    pushing = (needed / (servo.ratio * servo.train.static_efficiency) + servo.motor_friction) / weakest
    cases = (
        _endurance(net, "stalled at the current limit", stalled, peak),
        _endurance(
            net,
            "pushing just below breakaway" if pushing < stalled else "pushing, not breaking loose",
            min(pushing, stalled),
            peak,
        ),
        _endurance(net, "holding stream and spring", min(holding / weakest, stalled), peak),
    )

    magnets = motor.torque_constant(m.torque_constant, m.magnet_coefficient, float(case.max()))
    at = corner.legs[name].servo
    hot = corner.with_servo(
        name,
        hot_resistance=at.hot_resistance
        * motor.winding_resistance(1.0, m.resistance_coefficient, float(winding.max()))
        / motor.winding_resistance(1.0, m.resistance_coefficient, actuator.hot_winding),
        hot_torque_constant=at.hot_torque_constant
        * magnets
        / motor.torque_constant(m.torque_constant, m.magnet_coefficient, actuator.hot_winding),
    )
    result = MissionHeat(
        leg=name,
        nodes=net.nodes,
        surroundings=net.surroundings,
        limit=net.limit,
        runs=duty.runs,
        pause=duty.pause,
        rms_current=ran.rms_current,
        hold_current=hold_current,
        case_loss=case_loss,
        time=time,
        winding=winding,
        case=case,
        lasting=crest_of(net, joined(run, rest)),
        steady=net.steady(ran.rms_current),
        endurance=cases,
        repeated=repeated_time(net, run, cold),
        holding_limit=motor_heat.holding_limit(
            net.limit, net.surroundings, m.resistance, m.resistance_coefficient, m.torque_constant,
            m.magnet_coefficient, net.winding_case, net.case_air,
        ),
        holding_torque=holding,
        torque_kept=magnets / m.torque_constant,
        margin_stated=torque(corner, name).margin,
        margin_hot=torque(hot, name).margin,
        assumed_winding=actuator.hot_winding,
        duty=_duty(net, duty, ran.rms_current, servo.motor_friction / servo.torque_constant),
        assumptions=(),
        cautions=(),
    )  # fmt: skip
    return dataclasses.replace(result, assumptions=_notes(design, name, net), cautions=_cautions(design, result))


def _notes(design: DesignFile, name: LegName, net: HeatNetwork) -> tuple[str, ...]:
    m = design.leg(name).actuator.motor
    out = []
    if net.nodes == 1:
        out.append(
            "one node: winding and case together, from thermal_time_constant. A short overload heats the copper alone, "
            "many times faster; state the four keys of two nodes before you trust a time to the limit"
        )
    else:
        out.append("two nodes: copper heats the winding, the motor's friction the case; magnets as warm as the case")
    if m.kind == "brushless":
        out.append(
            "a standing brushless motor heats the phases that carry the current, and those hotter than the mean shown here"
        )
    out.append("holding and pushing at the torque constant of magnets at the winding's limit; iron losses left out")
    return tuple(out)


def _cautions(design: DesignFile, result: MissionHeat) -> tuple[str, ...]:
    motor_data = design.leg(result.leg).actuator.motor
    out = []
    if result.peak > result.limit:
        out.append("the winding passes its limit in the mission")
    if result.peak > result.assumed_winding:
        out.append(
            f"the winding gets hotter ({result.peak - 273.15:.0f} degC) than hot_winding assumes for the torque margin "
            f"({result.assumed_winding - 273.15:.0f} degC)"
        )
    if result.leg == "oxidizer":
        out.append("a hot motor beside an oxygen valve heats seals and grease where a leak would feed a fire")
    if motor_data.kind == "brushed":
        out.append("brushes spark: keep this motor out of any space that oxygen or fuel vapour can reach")
    return tuple(out)
