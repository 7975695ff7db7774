"""What would bring the worst flow step to the limit: each input alone, in closed form from the causes of the step.

Every cause of ``studies.resolution`` is an angle at the ball; the gain turns it into flow. The largest angle that the
limit allows follows from the gain, and from it the count, the clearance, the stiffness or the ratio that makes a cause that
small. Only the flow step is judged here; what else a change does is for ``ratio``, ``ports`` and ``check`` to say.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import brentq

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.errors import NoBalanceError
from valvectl.parts.encoder import count_size
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint, angle_for_flow, leg_point
from valvectl.plant.linear import leg_slopes
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.studies.resolution import CAUSES, LegResolution, ResolutionResult, step_causes
from valvectl.studies.result import Result
from valvectl.studies.torque_demand import stem_torque_needed

COUNT, BAND, JUMP, UNSEEN = CAUSES
PORT_REACH = 4.0
"""Largest factor on Kv, up or down, that is tried."""
_PORT_TRIES = 25


@dataclass(frozen=True)
class StepFix:
    """One input and what it would have to be."""

    key: str
    """Key of the design file."""
    now: float
    """Value now [``unit``]."""
    needed: float | None
    """Value at which its own causes just meet the limit [``unit``]; None when no value does."""
    unit: str
    """Unit of both; empty for a pure number."""
    alone: bool
    """True when every cause meets the limit with this change alone."""
    remains: str
    """Largest cause that would still be above the limit; empty when none."""


@dataclass(frozen=True)
class StepFixes(Result):
    """What would bring one leg's flow step to the limit."""

    leg: LegName
    limit: float
    """Largest flow step wanted [-]."""
    worst: float
    """Largest flow step now [-]."""
    allowed: float
    """Largest step of the ball that meets the limit at every setting [rad]."""
    too_coarse: tuple[str, ...]
    """Causes above the limit now, largest first."""
    fixes: tuple[StepFix, ...]

    def columns(self) -> dict[str, Any]:
        return {
            "key": [f.key for f in self.fixes],
            "now": [f.now for f in self.fixes],
            "needed": [math.nan if f.needed is None else f.needed for f in self.fixes],
            "unit": [f.unit for f in self.fixes],
            "enough alone": [f.alone for f in self.fixes],
            "remains": [f.remains for f in self.fixes],
        }


def allowed_step(gain: FloatArray, limit: float) -> float:
    """Largest step of the ball [rad] whose flow change stays within ``limit`` [-] at every gain [1/rad]."""
    return limit / float(np.max(gain))


def counts_needed(counts: int, count_angle: float, allowed: float) -> int:
    """Counts a turn of an encoder at which one count is no more than ``allowed`` [rad].

    ``counts`` now give ``count_angle`` [rad] at the ball, wherever the encoder sits.
    """
    return max(math.ceil(counts * count_angle / allowed - 1e-9), 1)


def stiffness_needed(stiffness: float, gain: FloatArray, jump: FloatArray, limit: float) -> float:
    """Stiffness at the stem [N m/rad] at which the jump after sticking meets the limit: it goes with 1/stiffness."""
    return stiffness * float(np.max(gain * jump)) / limit


def ratio_factor_needed(fixed: float, scaling: float, allowed: float, power: int) -> float | None:
    """Factor f on the last stage's ratio at which fixed + scaling / f^power is ``allowed``; None when no ratio does.

    Lost motion and counts before the last stage go with 1/f, compliance with 1/f^2; what sits behind it stays.
    """
    if fixed >= allowed:
        return None if scaling > 0.0 or fixed > allowed else 0.0
    return float((scaling / (allowed - fixed)) ** (1.0 / power))


def ball_offset(machine: Machine, name: LegName, point: OperatingPoint) -> dict[str, float]:
    """Angle of the ball against the angle measured, each cause at its bound to one side [rad].

    The stem drags the ball through the slot and so leads it by half the clearance. An encoder on the motor also does not
    see the gears' lost motion (half to either side) nor the twist under running torque.
    """
    leg, servo = machine.legs[name], machine.legs[name].servo
    at = point.legs[name]
    load = stem_torque_needed(leg, at.valve_drop, breakaway=False)
    torque = float(np.interp(at.angle, leg.characteristic.angles, load))
    on_motor = 1.0 if servo.position_on_motor else 0.0
    return {
        "slot between stem and ball": float(servo.half_slot),
        "lost motion of the gears": float(on_motor * servo.half_gap),
        "twist under running torque": float(on_motor * torque / servo.spring),
        "accuracy of the encoder": float(servo.position_accuracy),
    }


def resolution_fix(
    design: DesignFile, machine: Machine, schedule: Schedule, result: ResolutionResult, name: LegName
) -> StepFixes:
    """What each input alone would have to be for the worst flow step of a leg to meet the limit."""
    leg, found, limit = design.leg(name), result.legs[name], result.limit
    servo, actuator, key = machine.legs[name].servo, leg.actuator, f"legs.{name}"
    allowed = allowed_step(found.gain, limit)
    flow = {cause: float(np.max(found.gain * found.steps[cause])) for cause in CAUSES}
    slot, gears = 2.0 * servo.half_slot, 2.0 * servo.half_gap if servo.position_on_motor else 0.0
    counts = actuator.position_encoder.counts

    def fix(where: str, now: float, needed: float | None, unit: str, changed: dict[str, float]) -> StepFix:
        after = {**flow, **changed}
        over = [cause for cause in CAUSES if after[cause] > limit * (1.0 + 1e-9)]
        worst = max(over, key=lambda cause: after[cause]) if over else ""
        return StepFix(f"{key}.{where}", now, needed, unit, needed is not None and not over, worst)

    def at_most(where: str, now: float, most: float, cause: str) -> StepFix:
        # A length of zero or less can not be had.
        needed = min(most, now) if most > 0.0 else None
        reached = min(flow[cause], limit) if needed is not None else flow[cause]
        return fix(where, math.degrees(now), None if needed is None else math.degrees(needed), "deg", {cause: reached})

    fixes: list[StepFix] = []
    if servo.position_count > 0.0:
        wanted = max(counts_needed(counts, servo.position_count, allowed), counts)
        fixes.append(
            fix("actuator.position_encoder.counts", counts, wanted, "", {COUNT: flow[COUNT] * counts / wanted})
        )
    if slot > 0.0:
        fixes.append(at_most("valve.slot_clearance", slot, allowed - gears, UNSEEN))
    if gears > 0.0:
        fixes.append(at_most("actuator.gears lost_motion at the stem", gears, allowed - slot, UNSEEN))
        most = float(np.max(found.gain))
        moved = {UNSEEN: most * slot, COUNT: most * count_size(counts)}
        sound = max(moved.values()) <= limit
        fixes.append(fix("actuator.position_encoder.location (1: stem)", 0.0, 1.0 if sound else None, "", moved))
    if servo.hold_band > 0.0:
        fixes.append(at_most("controller.hold_band", servo.hold_band, 0.5 * allowed, BAND))
    if flow[JUMP] > 0.0:
        wanted_stiffness = max(servo.spring, stiffness_needed(servo.spring, found.gain, found.steps[JUMP], limit))
        jump = flow[JUMP] * servo.spring / wanted_stiffness
        fixes.append(fix("actuator stiffness at the stem", servo.spring, wanted_stiffness, "N m/rad", {JUMP: jump}))
    fixes.append(_ratio_fix(design, machine, found, limit, name, flow, fix))
    fixes.append(_port_fix(machine, schedule, name, limit, key, leg.valve.port_scale))
    order = sorted((c for c in CAUSES if flow[c] > limit), key=lambda c: -flow[c])
    return StepFixes(name, limit, float(np.max(found.flow_step)), allowed, tuple(order), tuple(fixes))


def _ratio_fix(
    design: DesignFile,
    machine: Machine,
    found: LegResolution,
    limit: float,
    name: LegName,
    flow: dict[str, float],
    fix: Callable[[str, float, float | None, str, dict[str, float]], StepFix],
) -> StepFix:
    actuator, servo = design.leg(name).actuator, machine.legs[name].servo
    last = actuator.gears[-1]
    most = float(np.max(found.gain))
    changed: dict[str, float] = {}
    factors: list[float | None] = [1.0]
    if servo.position_on_motor:
        lost = last.lost_motion + 2.0 * servo.half_slot
        before = max(2.0 * servo.half_gap - last.lost_motion, 0.0)
        factors.append(ratio_factor_needed(lost, before, limit / most, 1))
        factors.append(ratio_factor_needed(0.0, servo.position_count, limit / most, 1))
    stiff = [k for k in (last.stiffness, actuator.coupling_stiffness) if k is not None]
    behind = sum(1.0 / k for k in stiff)
    ahead = max(1.0 / servo.spring - behind, 0.0)
    if flow[JUMP] > 0.0:
        factors.append(ratio_factor_needed(behind, ahead, limit / (flow[JUMP] * servo.spring), 2))
    known = [f for f in factors if f is not None]
    factor = max(known)
    if servo.position_on_motor:
        changed[UNSEEN] = most * (lost + before / factor)
        changed[COUNT] = flow[COUNT] / factor
    changed[JUMP] = flow[JUMP] * servo.spring * (behind + ahead / factor**2)
    needed = factor * servo.ratio if len(known) == len(factors) else None
    return fix("actuator.gears ratio in all, by the last stage", servo.ratio, needed, "", changed)


def _port_fix(machine: Machine, schedule: Schedule, name: LegName, limit: float, key: str, scale: float) -> StepFix:
    """``port_scale`` nearest to now that meets the limit; by trial, for the gain at another angle has no closed form."""

    def worst(logarithm: float) -> float:
        return _worst_step(machine, schedule, name, math.exp(logarithm))

    where = f"{key}.valve.port_scale"
    if worst(0.0) <= limit:
        return StepFix(where, scale, scale, "", True, "")
    tries = np.linspace(0.0, math.log(PORT_REACH), _PORT_TRIES)
    for k in range(1, tries.size):
        for sign in (-1.0, 1.0):
            near, far = sign * float(tries[k - 1]), sign * float(tries[k])
            if worst(far) > limit:
                continue
            root = near
            if math.isfinite(worst(near)) and worst(near) > limit:
                root = float(brentq(lambda x: worst(x) - limit, near, far, xtol=1e-4))
            return StepFix(where, scale, scale * math.exp(root if worst(root) <= limit else far), "", True, "")
    return StepFix(where, scale, None, "", False, "at every port within reach")


def _worst_step(machine: Machine, schedule: Schedule, name: LegName, factor: float) -> float:
    """Largest flow step [-] with every Kv of a leg times a factor; infinite when a setting is not reached."""
    grid = machine.legs[name].characteristic
    changed = machine.with_leg(name, characteristic=dataclasses.replace(grid, c=grid.c * factor))
    leg = changed.legs[name]
    worst = 0.0
    for point in schedule.points:
        flow = point.legs[name].flow
        try:
            angle = angle_for_flow(leg, flow, point.chamber_pressure)
        except NoBalanceError:
            return math.inf
        at = leg_point(leg, angle, flow, point.chamber_pressure)
        here = dataclasses.replace(point, legs={**point.legs, name: at})
        step = max(step_causes(changed, name, here).values())
        worst = max(worst, leg_slopes(leg, here).angle_gain * step)
    return worst
