"""Both drives and all other loads on one battery at the end of its discharge: sag, lock-out, braking, fuse, energy.

Simulated: both valves from stop to stop at once, both ways, and the throttle profile, with the energy book kept. The bus is
algebraic in the simulator (open-circuit voltage less resistance times current, the harness after it): voltages are means
over a switching period, without the ripple that the drives' capacitors take. The other loads hold their current. Where the
design says that the battery's path is blocked, what the drives give back is put on the bus capacitance after the run
(E = C (V^2 - V0^2)/2 from the full battery's voltage); the drives, and nothing else, take it off again.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, LegName
from valvectl.design.schema_power import Fuse, FuseCurve
from valvectl.parts import bus, power_bus
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant.energy import EnergyBook
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule, commands
from valvectl.plant.simulate import Trace, simulate
from valvectl.studies import stroke
from valvectl.studies.power_result import FuseResult, PowerCase, PowerResult, Regenerated
from valvectl.studies.throttle import schedule_point

RECORD = 1e-4
"""Time between records of a stroke [s]."""
HELD = 0.02
"""Share of the profile, its end, over which the current of a held position is read."""
WINDOWS = 60
"""Lengths of window in which the RMS current is held against a fuse's melting curve."""


def drive_points(machine: Machine, trace: Trace, name: LegName) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Voltage at a drive [V], current [A] and power [W] it takes, each of shape (n,), at the records of a run."""
    servo, leg = machine.legs[name].servo, trace.legs[name]
    power = leg.voltage * leg.current + servo.idle_power
    level = power_bus.bus_voltages(trace.bus_voltage, servo.harness, power)
    level = np.maximum(level, bus.COLLAPSED * trace.bus_voltage)
    return level, np.asarray(power / level), np.asarray(power)


def standing_energy(time: FloatArray, power: FloatArray) -> float:
    """Most energy [J] that has been given back and not yet taken again; ``power`` taken [W], straight between samples."""
    stands = most = 0.0
    for j in range(1, time.size):
        stands = max(0.0, stands - 0.5 * float(power[j] + power[j - 1]) * float(time[j] - time[j - 1]))
        most = max(most, stands)
    return most


def worst_pulse(time: FloatArray, current: FloatArray, above: float) -> tuple[float, float]:
    """Largest I2t [A^2 s] of the stretches in which a current stays above a level [A], and that stretch's length [s]."""
    over = np.concatenate(([False], current > above, [False]))
    edges = np.flatnonzero(over[1:] != over[:-1])
    worst, length = 0.0, 0.0
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        low, high = max(first - 1, 0), min(last + 1, time.size)  # one sample more on each side: the rise and the fall
        found = power_bus.trace_i2t(time[low:high], current[low:high])
        if found > worst:
            worst, length = found, float(time[high - 1] - time[low])
    return worst, length


def melting_current(curve: FuseCurve, time: float) -> float:
    """Current [A] that melts a fuse in a time [s], straight in the logarithms; held at the curve's ends."""
    times, currents = np.log(curve.time[::-1]), np.log(curve.current[::-1])
    return math.exp(float(np.interp(math.log(time), times, currents)))


def curve_margin(curve: FuseCurve, time: FloatArray, current: FloatArray) -> float:
    """Least melting current over the RMS current in the worst window of each length, less one [-]."""
    spent = np.concatenate(([0.0], np.cumsum(0.5 * (current[1:] ** 2 + current[:-1] ** 2) * np.diff(time))))
    least = math.inf
    for length in np.geomspace(max(2.0 * float(time[1] - time[0]), 1e-4), float(time[-1]), WINDOWS):
        ends = np.minimum(time + length, time[-1])
        heat = float(np.max(np.interp(ends, time, spent) - spent))
        if heat > 0.0:
            least = min(least, melting_current(curve, float(length)) / math.sqrt(heat / float(length)) - 1.0)
    return least


def case_of(machine: Machine, trace: Trace, what: str, battery: float) -> PowerCase:
    """Read a run that was made with its energy book."""
    volts, taken, powers = {}, {}, {}
    for name in LEGS:
        volts[name], taken[name], powers[name] = drive_points(machine, trace, name)
    current = machine.other_loads + taken["oxidizer"] + taken["fuel"]
    power = powers["oxidizer"] + powers["fuel"]
    time, duration = trace.time, float(trace.time[-1])
    lower: LegName = min(LEGS, key=lambda n: float(volts[n].min()))
    j = int(np.argmin(volts[lower]))
    books: dict[LegName, EnergyBook] = {}
    for name in LEGS:
        book = trace.legs[name].energy
        if book is None:
            raise ValueError("the run was made without its energy book")
        books[name] = book
    back = np.maximum(-power, 0.0)
    return PowerCase(
        what=what,
        battery=battery,
        duration=duration,
        lowest={name: trace.legs[name].lowest_voltage for name in LEGS},
        lowest_time=float(time[j]),
        sag_battery=battery - float(trace.bus_voltage[j]),
        sag_harness=float(trace.bus_voltage[j] - volts[lower][j]),
        sag_others=machine.battery_resistance * machine.other_loads,
        peak_current=float(np.max(current)),
        rms_current=math.sqrt(power_bus.trace_i2t(time, current) / duration),
        charge=sum(b.drawn for b in books.values()) / battery + machine.other_loads * duration,
        returned=float(np.trapezoid(back, time)),
        braking_power=float(back.max()),
        books=books,
        other_energy=battery * machine.other_loads * duration,
        time=time,
        drive_voltage=volts,
        current=current,
        power=power,
    )


def _fuse(fuse: Fuse, cases: Sequence[PowerCase]) -> FuseResult:
    allowed = fuse.rating * fuse.derating
    pulse, length = max(worst_pulse(c.time, c.current, allowed) for c in cases)
    curve = fuse.curve
    return FuseResult(
        rating=fuse.rating,
        allowed=allowed,
        rms_current=max(c.rms_current for c in cases),
        pulse_i2t=pulse,
        pulse_time=length,
        pulse_allowed=fuse.melting_i2t * power_bus.pulse_share(float(fuse.pulses)),
        curve_margin=math.nan if curve is None else min(curve_margin(curve, c.time, c.current) for c in cases),
    )


def _regenerated(design: DesignFile, machine: Machine, full: Sequence[PowerCase]) -> Regenerated:
    battery = design.battery
    energy = max(standing_energy(c.time, c.power) for c in full)
    power = max(c.braking_power for c in full)
    limit = math.nan if battery.overvoltage_limit is None else battery.overvoltage_limit
    start = battery.voltage
    return Regenerated(
        way=battery.regeneration,
        energy=energy,
        power=power,
        charge_current=max(0.0, max(float(np.max(machine.other_loads - c.current)) for c in full)),
        voltage=math.nan
        if battery.bus_capacitance is None
        else power_bus.capacitor_voltage(start, energy, battery.bus_capacitance),
        limit=limit,
        capacitance=math.nan if math.isnan(limit) else power_bus.capacitance_for(start, limit, energy),
        resistor=math.nan if math.isnan(limit) else power_bus.brake_resistor(limit, power),
        dump_resistance=math.nan if battery.dump_resistance is None else battery.dump_resistance,
    )


def power(
    design: DesignFile,
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    schedule: Schedule,
    profile: Sequence[tuple[float, float]],
) -> PowerResult:
    """Simulate and read off; raises ``SimulationError`` as the runs do."""
    point, least = schedule.points[0], machine.battery_minimum

    def both_ways(volts: float, step: float | None = None) -> list[PowerCase]:
        made = []
        for way in ("opening", "closing"):
            trace = stroke.simulated(machine, gains, point, way, battery=volts, step=step, record=RECORD, energy=True)
            made.append(case_of(machine, trace, f"{way} both", volts))
        return made

    cases = both_ways(least)
    duration = profile[-1][0]
    run = simulate(
        machine, gains, commands(machine, schedule, profile, duration),
        schedule_point(machine, schedule, profile[0][1]), duration, battery=least, energy=True,
    )  # fmt: skip
    cases.append(case_of(machine, run, "throttle profile", least))
    full = both_ways(design.battery.voltage)
    halved = both_ways(least, 0.5 * run.step)
    regenerated = _regenerated(design, machine, full)
    fuse = None if design.battery.fuse is None else _fuse(design.battery.fuse, cases)
    duty = design.data.duty
    idle = _pause_current(machine, cases[-1], duty.hold)
    capacity = math.nan if design.battery.capacity is None else design.battery.capacity
    mission = duty.runs * cases[-1].charge + (duty.runs - 1) * duty.pause * idle
    result = PowerResult(
        cases=tuple(cases),
        lockout=design.battery.undervoltage_lockout,
        regenerated=regenerated,
        fuse=fuse,
        run_charge=cases[-1].charge,
        mission_charge=mission,
        capacity=capacity,
        halved_voltage=min(min(c.lowest.values()) for c in halved) - min(min(c.lowest.values()) for c in cases[:2]),
        halved_energy=max((h.drawn / c.drawn - 1.0 for h, c in zip(halved, cases, strict=False)), key=abs),
        step=run.step,
        greatest_power=power_bus.greatest_power(least, machine.battery_resistance, machine.other_loads),
        assumptions=_notes(design, machine),
        cautions=(),
    )
    return dataclasses.replace(result, cautions=_cautions(result))


def _pause_current(machine: Machine, run: PowerCase, hold: str) -> float:
    """Current from the battery between runs [A]: as at the end of the run when the servos hold, else without motors."""
    if hold == "servo":
        late = run.time >= run.duration - HELD * run.duration
        return float(np.mean(run.current[late]))
    return machine.other_loads + sum(machine.legs[n].servo.idle_power for n in LEGS) / run.battery


def _notes(design: DesignFile, machine: Machine) -> tuple[str, ...]:
    battery = design.battery
    out = [
        f"strokes against the full tank's pressure at {machine.battery_minimum:.3g} V open circuit, the end of discharge; "
        "braking energy from strokes at the full battery",
        "voltages are means over a switching period; the lock-out is not simulated: a drive that reaches it would stop",
        "pauses of the mission: servos hold as at the end of the profile"
        if design.data.duty.hold == "servo"
        else "pauses of the mission: other loads and drive electronics alone, no motor current",
    ]
    if battery.fuse is None:
        out.append("no fuse is stated (battery.fuse): not assessed")
    if battery.regeneration == "blocked" and battery.bus_capacitance is None:
        out.append("no bus_capacitance is stated: the rise of the bus voltage is not assessed")
    if battery.regeneration == "resistor" and battery.dump_resistance is None:
        out.append("no dump_resistance is stated: the brake resistor is not assessed")
    return tuple(out)


def _cautions(result: PowerResult) -> tuple[str, ...]:
    out = []
    broken = [case.what for case in result.cases if case.collapsed]
    if broken:
        out.append(
            f"the battery can not carry the drives ({', '.join(broken)}): the bus collapses, and currents and energies of "
            "these runs mean nothing else"
        )
    if result.margin < 0.0:
        out.append("the bus falls below the lock-out: drives stop in mid-move, with one propellant without the other")
    if result.fuse is not None and not result.fuse.holds:
        out.append("the fuse may open in service: both valves then stay where they are (see power-loss)")
    if result.regenerated.holds is False:
        out.append("braking takes the bus above its limit: drives trip or break")
    out.append(
        "a fuse guards wires, not people: a shorted battery burns and throws metal; cover terminals, keep the main switch "
        "in reach, charge lithium cells in a place that may burn"
    )
    return tuple(out)
