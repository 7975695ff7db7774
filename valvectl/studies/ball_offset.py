"""The ball is not where the encoder says: what lies between them, each cause at its bound, and how the causes combine."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from valvectl.design.schema import LegName
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.machine import Machine
from valvectl.studies.torque import stem_torque_needed

DRAGGED = ("slot between stem and ball", "lost motion of the gears", "twist under running torque")
"""Causes whose sign is that of the last movement: the ball lags behind by all of them at once."""
MEASURED = ("accuracy of the encoder", "half a count of the encoder")
"""Causes of the measurement, independent of the movement and of each other."""
OFFSETS = (*DRAGGED, *MEASURED)


def ball_offset(machine: Machine, name: LegName, point: OperatingPoint) -> dict[str, float]:
    """Angle measured minus angle of the ball, each cause at its bound to one side [rad]; keys as in ``OFFSETS``.

    The stem drags the ball through the slot and so leads it by half the clearance. An encoder on the motor also does not
    see the gears' lost motion (half to either side) nor the twist under running torque, cold.
    """
    leg, servo = machine.legs[name], machine.legs[name].servo
    at = point.legs[name]
    load = stem_torque_needed(leg, at.valve_drop, breakaway=False)
    torque = float(np.interp(at.angle, leg.characteristic.angles, load))
    on_motor = 1.0 if servo.position_on_motor else 0.0
    found = (
        servo.half_slot,
        on_motor * servo.half_gap,
        on_motor * torque / servo.spring,
        servo.position_accuracy,
        0.5 * servo.position_count,
    )
    return {cause: float(angle) for cause, angle in zip(OFFSETS, found, strict=True)}


def combined(offsets: Mapping[str, float]) -> tuple[float, float]:
    """Sum of all causes, and the root of their squares where they are independent [rad].

    What the last movement sets has one sign and is summed before it is squared; the measurement's own errors are independent.
    """
    dragged = sum(offsets[cause] for cause in DRAGGED)
    measured = [offsets[cause] for cause in MEASURED]
    return dragged + sum(measured), math.hypot(dragged, *measured)
