"""How finely flow and mixture ratio can be set: the smallest reliable step of angle over the throttle range.

The smallest step of the ball that can be relied on is the largest of
- one count of the position encoder (at the stem),
- the hold band, inside which the controller lets an error stand: its full width, since a resting error may lie at the far
  edge,
- the jump after sticking: (breakaway - running) torque over the stiffness between motor and stem, twice, as far as an
  undamped slip goes (elementary mechanics),
- lost motion that the position loop does not see: the slot between stem and ball always, the gears' too when the
  encoder sits on the motor.
Each is turned into flow by the installed gain: authority times d ln c / d angle, chamber pressure held.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.parts import friction
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.linear import engine_model
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.studies.result import Result

CAUSES = ("encoder count", "hold band", "jump after sticking", "unseen lost motion")


@dataclass(frozen=True)
class LegResolution:
    """One leg over the throttle range; arrays of shape (n,)."""

    leg: LegName
    angle: FloatArray
    """Ball angle [rad]."""
    gain: FloatArray
    """Installed gain: relative flow per angle at held chamber pressure [1/rad]."""
    ratio_gain: FloatArray
    """Relative mixture ratio per angle, chamber pressure free [1/rad], magnitude."""
    steps: dict[str, FloatArray]
    """Angle [rad] of each cause in ``CAUSES``."""
    smallest_step: FloatArray
    """Smallest reliable step [rad]: the largest cause."""
    cause: tuple[str, ...]
    """Which cause that is at each setting."""
    flow_step: FloatArray
    """Relative flow change of that step [-]."""
    ratio_step: FloatArray
    """Relative change of mixture ratio of that step [-]."""
    count_flow: FloatArray
    """Relative flow change of one encoder count [-]."""


@dataclass(frozen=True)
class ResolutionResult(Result):
    """Resolution of both legs over the throttle range."""

    throttle: FloatArray
    """Thrust over full thrust [-], shape (n,)."""
    limit: float
    """The requirement's limit [-]."""
    legs: dict[LegName, LegResolution]

    def worst(self, name: LegName) -> tuple[float, int]:
        """Largest flow step [-] of a leg and its index."""
        j = int(np.argmax(self.legs[name].flow_step))
        return float(self.legs[name].flow_step[j]), j

    def coarse_below(self, name: LegName) -> float:
        """Opening [rad] up to which the step is coarser than the limit; NaN when it nowhere is."""
        leg = self.legs[name]
        coarse = leg.flow_step > self.limit
        return float(np.max(leg.angle[coarse])) if bool(np.any(coarse)) else math.nan

    def columns(self) -> dict[str, Any]:
        out: dict[str, Any] = {"throttle [%]": 100.0 * self.throttle}
        for name, leg in self.legs.items():
            out[f"{name} angle [deg]"] = np.degrees(leg.angle)
            out[f"{name} gain [%/deg]"] = 100.0 * np.radians(leg.gain)
            out[f"{name} smallest step [deg]"] = np.degrees(leg.smallest_step)
            out[f"{name} cause"] = list(leg.cause)
            out[f"{name} flow step [%]"] = 100.0 * leg.flow_step
            out[f"{name} O/F step [%]"] = 100.0 * leg.ratio_step
            out[f"{name} one count [% flow]"] = 100.0 * leg.count_flow
        return out


def step_causes(machine: Machine, name: LegName, point: OperatingPoint) -> dict[str, float]:
    """Angle [rad] of each cause in ``CAUSES`` at an operating point."""
    leg, servo = machine.legs[name], machine.legs[name].servo
    grid = leg.characteristic
    at = point.legs[name]
    rise = leg.cold_factor * friction.pressure_rise(leg.relative_slope, at.valve_drop)
    extra = float(np.interp(at.angle, grid.angles, leg.breakaway - leg.running)) * rise
    unseen = 2.0 * servo.half_slot + (2.0 * servo.half_gap if servo.position_on_motor else 0.0)
    return {
        "encoder count": servo.position_count,
        "hold band": 2.0 * servo.hold_band,
        "jump after sticking": 2.0 * extra / servo.spring,
        "unseen lost motion": unseen,
    }


def resolution(machine: Machine, schedule: Schedule, limit: float) -> ResolutionResult:
    """Resolution of both legs at every setting of a schedule. ``limit`` is the largest flow step wanted [-]."""
    models = [engine_model(machine, point) for point in schedule.points]
    legs: dict[LegName, LegResolution] = {}
    for name in LEGS:
        causes = [step_causes(machine, name, point) for point in schedule.points]
        steps = {cause: np.array([c[cause] for c in causes]) for cause in CAUSES}
        stacked = np.stack([steps[cause] for cause in CAUSES])
        smallest, which = stacked.max(axis=0), stacked.argmax(axis=0)
        gain = np.array([m.slopes[name].angle_gain for m in models])
        ratio_gain = np.abs([m.static_ratio_sensitivity(name) for m in models])
        legs[name] = LegResolution(
            leg=name,
            angle=schedule.angle[name],
            gain=gain,
            ratio_gain=ratio_gain,
            steps=steps,
            smallest_step=smallest,
            cause=tuple(CAUSES[j] for j in which),
            flow_step=gain * smallest,
            ratio_step=ratio_gain * smallest,
            count_flow=gain * steps["encoder count"],
        )
    return ResolutionResult(throttle=schedule.throttle, limit=limit, legs=legs)
