"""How finely flow and mixture ratio can be set: the smallest reliable step of angle over the throttle range.

Five causes keep the ball from going where it is told, each an angle at the ball:
- one step of the position command, as the engine computer's message carries it,
- one count of the position encoder,
- the hold band, inside which the controller lets an error stand: its full width, since a resting error may lie at the far
  edge,
- the jump after sticking (``parts.positioning.slip``),
- lost motion that the position loop does not see: the slot between stem and ball always, the gears' too when the
  encoder sits on the motor.
Each is turned into flow by the installed gain: authority times d ln c / d angle, chamber pressure held; and into mixture
ratio by the linear engine at rest, chamber pressure free.

``smallest_step`` is the largest cause: the least that the step can be, whatever is done about the others; the requirement
``flow_resolution`` is held against it. It is not the step that moves the ball from anywhere, for some causes add: the step
after a reversal has a requirement of its own, ``flow_dead_band``. Those steps are
``onward_step`` (going on in one direction) and ``reversal_step`` (after a turn: all causes together), worst cases over the
places where stem and ball may have come to rest (``parts.positioning``, which also says why):
- command step, hold band and count add, since each lets a part of the change go unanswered before the stem moves;
- unseen lost motion adds upon a reversal, since the ball waits until the stem has crossed it, and does not count before one;
- jump and hold band do not add: a jump that fits into the band ends inside it, one that does not sets the zone of rest;
- an encoder on the motor does not see the gears wind up: upon a reversal the stem waits for that too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.parts import friction, positioning
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.linear import EngineModel, engine_model
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.studies.ball_offset import OFFSETS, ball_offset, combined
from valvectl.studies.result import Result
from valvectl.studies.turbulence import Turbulence, turbulence

CAUSES = ("command step", "encoder count", "hold band", "jump after sticking", "unseen lost motion")


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
    onward_step: FloatArray
    """Change of the wanted angle that moves the ball for certain, going on in one direction [rad]."""
    reversal_step: FloatArray
    """Change of the wanted angle that moves the ball for certain after a turn: all causes together [rad]."""
    reversal_flow: FloatArray
    """Relative flow change of ``reversal_step`` [-]."""
    reversal_ratio: FloatArray
    """Relative change of mixture ratio of ``reversal_step`` [-]."""
    offsets: dict[str, FloatArray]
    """Angle measured minus angle of the ball, each cause in ``studies.ball_offset.OFFSETS`` at its bound [rad]."""
    offset_sum: FloatArray
    """All of them to one side [rad]."""
    offset_rss: FloatArray
    """Root of their squares where they are independent [rad]."""
    offset_flow: FloatArray
    """Relative flow error of ``offset_sum`` [-]."""
    offset_ratio: FloatArray
    """Relative error of mixture ratio of ``offset_sum`` [-]."""
    turbulence: Turbulence | None = None
    """Valve Reynolds number and FR at each setting; the gains hold for turbulent flow. None when not worked out."""


@dataclass(frozen=True)
class BothLegs:
    """Relative change of mixture ratio [-] when both balls are off at once; arrays of shape (n,), chamber pressure free.

    ``worst``: each the wrong way for the other; ``rss``: independent of one another, root of the sum of squares; ``alike``:
    both the same way, as after a throttle change that both followed.
    """

    worst: FloatArray
    rss: FloatArray
    alike: FloatArray


@dataclass(frozen=True)
class ResolutionResult(Result):
    """Resolution of both legs over the throttle range."""

    throttle: FloatArray
    """Thrust over full thrust [-], shape (n,)."""
    limit: float
    """The requirement's limit [-]."""
    legs: dict[LegName, LegResolution]
    both_step: BothLegs
    """Both valves off by their smallest reliable step."""
    both_reversal: BothLegs
    """Both valves off by their step after a reversal."""
    both_offset: BothLegs
    """Both balls off by all that lies between them and their encoders; ``rss`` from each leg's ``offset_rss``."""
    dead_band_limit: float = 0.01
    """The requirement's limit of the step after a reversal [-]."""

    def worst(self, name: LegName) -> tuple[float, int]:
        """Largest flow step [-] of a leg and its index."""
        j = int(np.argmax(self.legs[name].flow_step))
        return float(self.legs[name].flow_step[j]), j

    def coarse_below(self, name: LegName) -> float:
        """Opening [rad] up to which the step is coarser than the limit; NaN when it nowhere is."""
        return self._coarse(name, self.legs[name].flow_step, self.limit)

    def coarse_below_after_reversal(self, name: LegName) -> float:
        """Opening [rad] up to which the step after a reversal is coarser than its limit; NaN when it nowhere is."""
        return self._coarse(name, self.legs[name].reversal_flow, self.dead_band_limit)

    def _coarse(self, name: LegName, flow: FloatArray, limit: float) -> float:
        coarse = flow > limit
        return float(np.max(self.legs[name].angle[coarse])) if bool(np.any(coarse)) else math.nan

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
            for cause, angle in leg.steps.items():
                out[f"{name} {cause} [deg]"] = np.degrees(angle)
            out[f"{name} onward step [deg]"] = np.degrees(leg.onward_step)
            out[f"{name} step after reversal [deg]"] = np.degrees(leg.reversal_step)
            out[f"{name} step after reversal [% flow]"] = 100.0 * leg.reversal_flow
            out[f"{name} step after reversal [% O/F]"] = 100.0 * leg.reversal_ratio
            for cause, angle in leg.offsets.items():
                out[f"{name} offset, {cause} [deg]"] = np.degrees(angle)
            out[f"{name} offset, sum [deg]"] = np.degrees(leg.offset_sum)
            out[f"{name} offset, root of squares [deg]"] = np.degrees(leg.offset_rss)
            out[f"{name} offset, sum [% flow]"] = 100.0 * leg.offset_flow
            out[f"{name} offset, sum [% O/F]"] = 100.0 * leg.offset_ratio
        if len(self.legs) == len(LEGS):
            for what, both in self.both().items():
                out[f"both legs, {what}, worst [% O/F]"] = 100.0 * both.worst
                out[f"both legs, {what}, independent [% O/F]"] = 100.0 * both.rss
                out[f"both legs, {what}, alike [% O/F]"] = 100.0 * both.alike
        return out

    def both(self) -> dict[str, BothLegs]:
        """What both legs do to the mixture ratio together, by name."""
        return {
            "smallest step": self.both_step,
            "step after reversal": self.both_reversal,
            "ball offset": self.both_offset,
        }


def _friction(machine: Machine, name: LegName, point: OperatingPoint) -> tuple[float, float]:
    """Breakaway and running friction of the cold stem [N m] at an operating point."""
    leg, at = machine.legs[name], point.legs[name]
    rise = leg.cold_factor * friction.pressure_rise(leg.relative_slope, at.valve_drop)
    grid = leg.characteristic.angles
    return rise * float(np.interp(at.angle, grid, leg.breakaway)), rise * float(np.interp(at.angle, grid, leg.running))


def step_causes(machine: Machine, name: LegName, point: OperatingPoint) -> dict[str, float]:
    """Angle [rad] of each cause in ``CAUSES`` at an operating point."""
    servo = machine.legs[name].servo
    unseen = 2.0 * servo.half_slot + (2.0 * servo.half_gap if servo.position_on_motor else 0.0)
    return {
        "command step": servo.command_step,
        "encoder count": servo.position_count,
        "hold band": 2.0 * servo.hold_band,
        "jump after sticking": positioning.slip(*_friction(machine, name, point), servo.spring),
        "unseen lost motion": unseen,
    }


def sure_steps(machine: Machine, name: LegName, point: OperatingPoint) -> tuple[float, float]:
    """Steps [rad] that move the ball for certain: going on in one direction, and after a reversal (all causes together)."""
    servo, causes = machine.legs[name].servo, step_causes(machine, name, point)
    sees_stem = 0.0 if servo.position_on_motor else 1.0
    common = (servo.command_step, servo.hold_band, servo.position_count, causes["jump after sticking"])
    wind_up = 2.0 * _friction(machine, name, point)[0] / servo.spring
    return (
        positioning.onward_step(*common, sees_stem),
        positioning.reversal_step(*common, causes["unseen lost motion"], wind_up, sees_stem),
    )


def _leg(machine: Machine, schedule: Schedule, models: list[EngineModel], name: LegName) -> LegResolution:
    points = schedule.points
    causes = [step_causes(machine, name, point) for point in points]
    steps = {cause: np.array([c[cause] for c in causes]) for cause in CAUSES}
    stacked = np.stack([steps[cause] for cause in CAUSES])
    smallest, which = stacked.max(axis=0), stacked.argmax(axis=0)
    gain = np.array([m.slopes[name].angle_gain for m in models])
    ratio_gain = np.abs([m.static_ratio_sensitivity(name) for m in models])
    onward, reversal = np.array([sure_steps(machine, name, point) for point in points]).T
    offsets = [ball_offset(machine, name, point) for point in points]
    total, independent = np.array([combined(offset) for offset in offsets]).T
    return LegResolution(
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
        onward_step=onward,
        reversal_step=reversal,
        reversal_flow=gain * reversal,
        reversal_ratio=ratio_gain * reversal,
        offsets={cause: np.array([offset[cause] for offset in offsets]) for cause in OFFSETS},
        offset_sum=total,
        offset_rss=independent,
        offset_flow=gain * total,
        offset_ratio=ratio_gain * total,
        turbulence=turbulence(machine.legs[name], [p.legs[name] for p in schedule.points]),
    )


def both_legs(
    models: list[EngineModel], off: dict[LegName, FloatArray], scatter: dict[LegName, FloatArray]
) -> BothLegs:
    """Change of mixture ratio when each ball is off by ``off`` [rad], shape (n,); ``scatter`` is taken for the squares.

    Linear in the angles, both legs at once through the one chamber pressure (``plant.linear``).
    """
    change = [
        np.array([m.static_ratio_sensitivity(name) * float(x) for m, x in zip(models, off[name], strict=True)])
        for name in LEGS
    ]
    squares = [
        np.array([m.static_ratio_sensitivity(name) * float(x) for m, x in zip(models, scatter[name], strict=True)])
        for name in LEGS
    ]
    return BothLegs(
        worst=np.abs(change[0]) + np.abs(change[1]), rss=np.hypot(*squares), alike=np.abs(change[0] + change[1])
    )


def resolution(machine: Machine, schedule: Schedule, limit: float, dead_band: float = 0.01) -> ResolutionResult:
    """Resolution of both legs at every setting of a schedule. ``limit`` is the largest flow step wanted [-], ``dead_band``
    that after a reversal."""
    models = [engine_model(machine, point) for point in schedule.points]
    legs = {name: _leg(machine, schedule, models, name) for name in LEGS}
    step: dict[LegName, FloatArray] = {name: legs[name].smallest_step for name in LEGS}
    reversal: dict[LegName, FloatArray] = {name: legs[name].reversal_step for name in LEGS}
    return ResolutionResult(
        throttle=schedule.throttle,
        limit=limit,
        legs=legs,
        both_step=both_legs(models, step, step),
        both_reversal=both_legs(models, reversal, reversal),
        both_offset=both_legs(
            models,
            {name: legs[name].offset_sum for name in LEGS},
            {name: legs[name].offset_rss for name in LEGS},
        ),
        dead_band_limit=dead_band,
    )
