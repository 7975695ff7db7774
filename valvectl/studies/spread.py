"""What the declared tolerances do to the mixture ratio at a held throttle: each input moved by its bound in turn.

The valves stay at the scheduled angles (open loop); the balance of the whole engine is solved anew, so that the coupling
through chamber pressure is in. A bound counts by the input's distribution, as in ``budget``: of an even one the standard
uncertainty is bound / sqrt 3 (JCGM 100:2008, 4.3.7); independent inputs add by squares (5.1.2), those of one group with their
correlation (5.2.2); the spread stated is twice the standard uncertainty. Where each ball may rest about its command (encoder
error, hold band, slot, unseen lost motion) comes in beside the inputs.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.scatter import Scatter
from valvectl.design.schema import LEGS, LegName
from valvectl.errors import ValvectlError
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import balance
from valvectl.plant.linear import engine_model
from valvectl.plant.machine import Machine, build
from valvectl.plant.schedule import Schedule
from valvectl.studies.adverse import moved_value
from valvectl.studies.draws import Variable, combined, pearson
from valvectl.studies.result import Result

_NO_FLOW = re.compile(
    r"\.(actuator|controller|torque)\.|\.(inertia|slot_clearance)$"
    r"|\.tank\.((ullage|bottle|gas_valve|trace)\.|(lock_up|response_time|diameter|warming|relief_pressure)$)"
)
# What turns the valve does not enter the balance at a given ball angle; how well it is placed comes from the run. What
# disturbs a tank over time does not enter the steady balance either.
COVERAGE = 2.0
"""Expanded over standard uncertainty [-]; about 95 % for many inputs of like size."""


@dataclass(frozen=True)
class Contribution:
    """One input's part."""

    key: str
    """Dotted key in the design file, or the encoder's."""
    bound: float
    """Half-width of the tolerance: SI, or relative where the tolerance is; the largest of a list's entries."""
    ratio_change: FloatArray
    """Relative change of O/F at each setting for the input at its bound: the larger of both sides [-], shape (n,)."""
    scatter: Scatter = field(default_factory=Scatter)
    """How it scatters inside the bound, and with what."""
    rises: FloatArray | None = field(default=None, repr=False)
    """1 where O/F rises with the input, -1 where it falls, shape (n,); it matters in a group. None: rises."""


@dataclass(frozen=True)
class SpreadResult(Result):
    """Spread of the mixture ratio over the throttle range from the declared tolerances."""

    throttle: FloatArray
    """Settings [-], shape (n,)."""
    contributions: tuple[Contribution, ...]
    """Largest first, by their largest change."""
    spread: FloatArray
    """Twice the standard uncertainty of O/F [-], shape (n,)."""
    worst_case: FloatArray
    """Sum of all changes at their bounds [-], shape (n,)."""
    left_out: tuple[str, ...]
    """Toleranced inputs whose change could not be worked out, with the reason."""

    def columns(self) -> dict[str, Any]:
        out: dict[str, Any] = {"input": [c.key for c in self.contributions]}
        for j, x in enumerate(self.throttle):
            out[f"O/F change at {100 * x:.0f} % throttle [%]"] = [
                100.0 * float(c.ratio_change[j]) for c in self.contributions
            ]
        return out


def expanded(contributions: Sequence[Contribution], key: str = "", share: float = 1.0) -> FloatArray:
    """Twice the standard uncertainty of O/F [-], shape (n,), with the tolerance of ``key`` at a share [-] of what it is."""
    table = [Variable(c.key, c.scatter, c.bound) for c in contributions]
    parts = [
        (share if c.key == key else 1.0) * v.deviation * c.ratio_change * (1.0 if c.rises is None else c.rises)
        for c, v in zip(contributions, table, strict=True)
    ]
    return COVERAGE * combined(np.array(parts), pearson(table))


def placement(machine: Machine, name: LegName) -> dict[str, float]:
    """Bounds [rad] of where a ball may rest about its command, by the key that brings each in: encoder accuracy, hold
    band, rounding of the command, half the slot, and half the gears' lost motion where the encoder sits on the motor."""
    servo = machine.legs[name].servo
    return {
        "actuator.position_encoder.accuracy": servo.position_accuracy,
        "controller.hold_band": servo.hold_band,
        "controller.command_step": 0.5 * servo.command_step,
        "valve.slot_clearance": servo.half_slot,
        "actuator.gears (lost motion)": servo.half_gap if servo.position_on_motor else 0.0,
    }


def _as_metered(moved: Machine, machine: Machine) -> Machine:
    """The moved machine with the regulators' droop still counted from the design's own flows."""
    for name in LEGS:
        moved = moved.with_leg(name, reference_flow=machine.legs[name].reference_flow)
    return moved


def spread(
    design: DesignFile,
    machine: Machine,
    schedule: Schedule,
    settings: tuple[float, ...],
    progress: Callable[[int, int], None] | None = None,
) -> SpreadResult:
    """Spread of O/F at some throttle settings of a schedule. ``progress(done, of)`` is called as it goes."""
    angles = [[float(schedule.angle_at(name, np.array([x]))[0]) for name in LEGS] for x in settings]
    base = [balance(machine, *pair) for pair in angles]
    contributions: list[Contribution] = []
    left_out: list[str] = []
    inputs = design.toleranced()
    for index, item in enumerate(inputs):
        if progress is not None:
            progress(index, len(inputs))
        if item.tolerance is None or not item.key.startswith(("engine.", "legs.")) or _NO_FLOW.search(item.key):
            continue
        try:
            sides = []
            for sign in (-1, 1):
                moved = _as_metered(build(design.with_values({item.key: moved_value(item, sign)})), machine)
                after = np.array([balance(moved, *pair).mixture_ratio for pair in angles])
                sides.append(after / [p.mixture_ratio for p in base] - 1.0)
        except ValvectlError as error:
            left_out.append(f"{item.key}: {error}")
            continue
        bound = max(item.tolerance) if isinstance(item.tolerance, tuple) else item.tolerance
        change, rises = np.max(np.abs(sides), axis=0), np.where(sides[1] >= sides[0], 1.0, -1.0)
        contributions.append(Contribution(item.key, bound, change, item.scatter or Scatter(), rises))
    models = [engine_model(machine, p) for p in base]
    for name in LEGS:
        for key, bound in placement(machine, name).items():
            if bound > 0.0:
                slope = np.array([m.static_ratio_sensitivity(name) for m in models])
                given = design.inputs.get(f"legs.{name}.{key}")
                scatter = Scatter() if given is None else given.scatter or Scatter()
                contributions.append(
                    Contribution(f"legs.{name}.{key}", bound, np.abs(slope) * bound, scatter, np.sign(slope))
                )
    contributions.sort(key=lambda c: -float(np.max(c.ratio_change)))
    changes = np.array([c.ratio_change for c in contributions]).reshape(-1, len(settings))
    return SpreadResult(
        throttle=np.array(settings),
        contributions=tuple(contributions),
        spread=expanded(contributions) if contributions else np.zeros(len(settings)),
        worst_case=np.sum(changes, axis=0),
        left_out=tuple(left_out),
    )
