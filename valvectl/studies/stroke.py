"""Full stroke of both valves at once, simulated at the end of discharge: how long, and how far the bus sags.

Each valve sees the largest pressure difference the tank can put on it; breakaway and running torque are those of the
cold valve. The command goes from stop to stop through the leg's rate limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.parts.controller import CascadeGains
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.command import move_command, shortest
from valvectl.plant.machine import Machine
from valvectl.plant.simulate import Trace, simulate
from valvectl.studies.result import Result
from valvectl.studies.torque_demand import largest_pressure_drop

ARRIVED = 0.02
"""A valve has arrived within this share of the stroke from the end [-]."""
EXTRA_TIME = 0.8
"""Time watched beyond that of the rate limit [s]."""


@dataclass(frozen=True)
class StrokeResult(Result):
    """Simulated full strokes, both valves together, opening and closing."""

    opening: dict[LegName, float]
    """Time from the command to within 2 % of the end [s]; infinite when not reached in the time watched."""
    closing: dict[LegName, float]
    """[s]"""
    lowest_bus: float
    """Lowest voltage at a drive in both [V]."""
    peak_current: dict[LegName, float]
    """[A]"""
    traces: dict[str, Trace] = field(repr=False)

    def longest(self, name: LegName) -> tuple[float, str]:
        """The slower direction of a leg: time [s] and which."""
        return max((self.opening[name], "opening"), (self.closing[name], "closing"))

    def columns(self) -> dict[str, Any]:
        return {
            "leg": list(LEGS),
            "opening [s]": [self.opening[name] for name in LEGS],
            "closing [s]": [self.closing[name] for name in LEGS],
            "peak current [A]": [self.peak_current[name] for name in LEGS],
        }


def stroke(machine: Machine, gains: dict[LegName, CascadeGains], point: OperatingPoint) -> StrokeResult:
    """Simulate both strokes. ``point`` lends the pressures behind the valves."""
    traces: dict[str, Trace] = {}
    times: dict[str, dict[LegName, float]] = {}
    for way in ("opening", "closing"):
        trace = simulated(machine, gains, point, way)
        traces[way] = trace
        times[way] = {}
        for name in LEGS:
            first, last = _ends(machine, name, way)
            near = np.abs(trace.legs[name].stem - last) <= ARRIVED * abs(last - first)
            here = np.nonzero(near)[0]
            begun = machine.legs[name].servo.position_period
            times[way][name] = float(trace.time[here[0]]) - begun if here.size else math.inf
    return StrokeResult(
        opening=times["opening"],
        closing=times["closing"],
        lowest_bus=min(leg.lowest_voltage for t in traces.values() for leg in t.legs.values()),
        peak_current={name: max(t.legs[name].peak_current for t in traces.values()) for name in LEGS},
        traces=traces,
    )


def simulated(
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    point: OperatingPoint,
    way: str,
    *,
    battery: float | None = None,
    step: float | None = None,
    record: float | None = None,
    energy: bool = False,
) -> Trace:
    """Both valves from stop to stop at once, ``way`` opening or closing; battery [V] by default at its end of discharge."""
    command = {}
    duration = 0.0
    for name in LEGS:
        leg = machine.legs[name]
        first, last = _ends(machine, name, way)
        period = leg.servo.position_period
        watched = shortest(leg.servo, abs(last - first)) + EXTRA_TIME
        duration = max(duration, watched)
        wanted = np.full(math.ceil(watched / period) + 1, last)
        wanted[0] = first
        command[name] = move_command(leg.servo, wanted)
    volts = machine.battery_minimum if battery is None else battery
    return simulate(
        machine, gains, command, _standing(machine, point, way), duration, hydraulics=False, battery=volts, step=step,
        record=record, energy=energy,
    )  # fmt: skip


def _ends(machine: Machine, name: LegName, way: str) -> tuple[float, float]:
    leg = machine.legs[name]
    ends = (leg.closed_stop, leg.open_stop)
    return ends if way == "opening" else (ends[1], ends[0])


def _standing(machine: Machine, point: OperatingPoint, way: str) -> OperatingPoint:
    legs = {
        name: replace(
            leg,
            angle=_ends(machine, name, way)[0],
            valve_inlet=leg.valve_outlet + largest_pressure_drop(machine, name),
        )
        for name, leg in point.legs.items()
    }
    return replace(point, legs=legs)
