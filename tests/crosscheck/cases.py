"""Engines and manoeuvres on which the compiled simulator and the slow solution are held against each other."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.design.schema import LEGS
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule, build_schedule, commands
from valvectl.servo.tune import gains_of

Profile = Sequence[tuple[float, float]]


@dataclass(frozen=True)
class Case:
    """Arguments of a run."""

    machine: Machine
    gains: Any
    command: Any
    start: Any
    duration: float
    """[s]"""
    battery: float
    """[V]"""
    smoothing: float = 0.0
    """Smoothing speed of running friction in the slow solution [rad/s]."""


def with_limits(machine: Machine, real: Machine) -> Machine:
    """Copy with battery, harness, current and duty limits of another machine.

    The bus comes with the limits: for unlimited demands its voltage has no solution.
    """
    machine = dataclasses.replace(machine, battery_resistance=real.battery_resistance)
    for name in LEGS:
        servo = real.legs[name].servo
        machine = machine.with_servo(
            name, current_limit=servo.current_limit, duty_limit=servo.duty_limit, harness=servo.harness
        )
    return machine


def steepest_ramp(profile: Profile, length: float) -> list[tuple[float, float]]:
    """The first ``length`` seconds of the steepest change of a profile, with 20 ms before and 80 ms of hold behind."""
    (t0, x0), (t1, x1) = max(
        (ends for ends in itertools.pairwise(profile) if ends[1][0] > ends[0][0]),
        key=lambda ends: abs(ends[1][1] - ends[0][1]) / (ends[1][0] - ends[0][0]),
    )
    length = min(length, t1 - t0)
    reached = x0 + (x1 - x0) * length / (t1 - t0)
    return [(0.0, x0), (0.02, x0), (0.02 + length, reached), (0.1 + length, reached)]


def soft_ramp(x0: float, x1: float, length: float) -> list[tuple[float, float]]:
    """Half a cosine from one throttle setting to another, with 20 ms before and 80 ms of hold behind."""
    share = np.linspace(0.0, 1.0, 201)
    moves = [(0.02 + length * float(s), x0 + (x1 - x0) * 0.5 * (1.0 - math.cos(math.pi * float(s)))) for s in share]
    return [(0.0, x0), *moves, (0.1 + length, x1)]


def _case(machine: Machine, profile: Profile, schedule: Schedule, **more: Any) -> Case:
    duration = profile[-1][0]
    start = schedule.points[-1 if profile[0][1] > 0.99 else 0]
    return Case(
        machine=machine,
        gains={name: gains_of(machine.legs[name].servo) for name in LEGS},
        command=commands(machine, schedule, profile, duration),
        start=start,
        duration=duration,
        **{"battery": machine.battery, **more},
    )


def schedule_of(machine: Machine) -> Schedule:
    """Schedule of a changed machine, as fine as the example's usual one needs to be here."""
    return build_schedule(machine, 41)


def example(design: Any) -> Case:
    """The example without dry friction, lost motion and quantisation, on the steepest ramp of its profile."""
    machine = with_limits(design.machine.smooth(), design.machine)
    return _case(machine, steepest_ramp(design.analysis.profile, 0.25), schedule_of(machine))


def heated(design: Any) -> Case:
    """The example with a hot jacket in the fuel leg, its liquid counted as manifold: lighter and softer liquid there."""
    changed = design.with_values({"legs.fuel.jacket.temperature_rise": 90.0, "legs.fuel.jacket.compliant": True})
    machine = with_limits(changed.machine.smooth(), changed.machine)
    return _case(machine, steepest_ramp(design.analysis.profile, 0.15), schedule_of(machine))


def unlimited(design: Any) -> Case:
    """The same without limits, on a soft ramp."""
    machine = design.machine.smooth()
    return _case(machine, soft_ramp(1.0, 0.7, 0.25), schedule_of(machine))


def choking(design: Any, name: Any) -> Case:
    """One valve with a recovery factor so low that it crosses the choke line in the ramp."""
    machine = with_limits(design.machine.smooth(), design.machine)
    leg = machine.legs[name]
    curve = leg.characteristic
    curve = dataclasses.replace(curve, fl=np.full_like(curve.fl, math.sqrt(0.2)))
    machine = machine.with_leg(name, characteristic=curve)
    return _case(machine, steepest_ramp(design.analysis.profile, 0.25), schedule_of(machine))


def mismatched(design: Any) -> Case:
    """Different periods in the two legs and delays that are no whole number of steps."""
    machine = with_limits(design.machine.smooth(), design.machine)
    machine = machine.with_servo(
        "oxidizer",
        position_period=2e-3,
        speed_period=0.5e-3,
        current_period=50e-6,
        position_delay=2.3e-3,
        speed_delay=0.13e-3,
        current_delay=37e-6,
    )
    machine = machine.with_servo(
        "fuel",
        position_period=1e-3,
        speed_period=0.25e-3,
        current_period=62.5e-6,
        position_delay=0.41e-3,
        speed_delay=0.0667e-3,
        current_delay=70.3e-6,
    )
    machine = machine.with_leg("oxidizer", delay=1.3443e-3)
    return _case(machine, steepest_ramp(design.analysis.profile, 0.25), schedule_of(machine))


def saturated(design: Any) -> Case:
    """A battery and a current limit so low that both limits are reached, in a move at the rate limit of the command."""
    machine = with_limits(design.machine.smooth(), design.machine)
    for name in LEGS:
        servo = design.machine.legs[name].servo
        machine = machine.with_servo(name, speed_limit=servo.speed_limit, current_limit=0.6 * servo.current_limit)
    profile = [(0.0, 1.0), (0.01, 1.0), (0.0101, 0.6), (0.2, 0.6)]
    return _case(machine, profile, schedule_of(machine), battery=13.0)


def quantised(design: Any) -> Case:
    """The example's encoders and hold band on the otherwise smooth machine."""
    machine = with_limits(design.machine.smooth(), design.machine)
    for name in LEGS:
        servo = design.machine.legs[name].servo
        machine = machine.with_servo(
            name, position_count=servo.position_count, speed_count=servo.speed_count, hold_band=servo.hold_band
        )
    return _case(machine, steepest_ramp(design.analysis.profile, 0.15), schedule_of(machine))


def rubbing(design: Any) -> Case:
    """Running friction of the stem, raised by cold and pressure, without stiction; the rest smooth."""
    machine = with_limits(design.machine.smooth(), design.machine)
    for name in LEGS:
        leg = design.machine.legs[name]
        machine = machine.with_leg(name, running=leg.running, breakaway=leg.running, pressure_slope=leg.pressure_slope)
    return _case(machine, steepest_ramp(design.analysis.profile, 0.15), schedule_of(machine), smoothing=0.02)


def soft_case(machine: Machine, design: Any) -> Case:
    """A short soft ramp of 10 % on a machine that is given, with the example's gains."""
    profile = soft_ramp(1.0, 0.9, 0.05)[:-1]
    schedule = build_schedule(machine, 21, lowest=0.8)
    return Case(
        machine=machine,
        gains=design.analysis.gains,
        command=commands(machine, schedule, profile, 0.08),
        start=schedule.points[-1],
        duration=0.08,
        battery=machine.battery,
    )


def sticky(design: Any) -> Case:
    """Lost motion and stem friction with 40 % stiction on the otherwise smooth machine, in a short soft move.

    Soft, because the peak of a steeper one is one of two values some 0.5 % apart at any step, by the sample at which a valve
    breaks loose.
    """
    machine = with_limits(design.machine.smooth(), design.machine)
    for name in LEGS:
        leg = design.machine.legs[name]
        machine = machine.with_leg(
            name, running=leg.running, breakaway=1.4 * leg.running, pressure_slope=leg.pressure_slope
        )
        machine = machine.with_servo(name, half_gap=leg.servo.half_gap)
    return _case(machine, soft_ramp(1.0, 0.8, 0.05), schedule_of(machine), smoothing=0.001)
