"""Gear train between motor and stem: one ratio, one stiffness, one lost motion at the stem, efficiency by direction.

The train is two masses with a spring that has a gap: rotor with gears on one side, stem and ball on the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


def spring_torque(twist: float, twist_rate: float, stiffness: float, damping: float, half_gap: float) -> float:
    """Torque [N m] from gears to stem at a twist [rad] between them.

    Nothing inside the gap; in contact a spring and a damper that push but never pull. Without a gap it is a plain
    spring and damper. ``twist_rate`` [rad/s], ``stiffness`` [N m/rad], ``damping`` [N m s/rad], ``half_gap`` [rad].
    """
    if half_gap <= 0.0:
        return stiffness * twist + damping * twist_rate
    if twist > half_gap:
        return max(0.0, stiffness * (twist - half_gap) + damping * twist_rate)
    if twist < -half_gap:
        return min(0.0, stiffness * (twist + half_gap) + damping * twist_rate)
    return 0.0


def mesh_factors(ratio: float, drive: float, backdrive: float) -> tuple[float, float]:
    """Torque at the motor shaft per torque at the stem [-]: mean of both directions of power, and half their difference.

    With the motor driving the shaft sees T / (N drive), with the valve driving T backdrive / N. The mean acts always;
    half the difference acts as Coulomb friction in proportion to the load, so that the train truly sticks at rest.
    """
    return 0.5 * (1.0 / drive + backdrive) / ratio, 0.5 * (1.0 / drive - backdrive) / ratio


def mean_mesh_torque(stem_torque: float, ratio: float, drive: float, backdrive: float) -> float:
    """Torque on the motor shaft [N m] from a torque at the stem [N m], without the part that opposes motion."""
    return stem_torque * mesh_factors(ratio, drive, backdrive)[0]


def mesh_friction(stem_torque: float, ratio: float, drive: float, backdrive: float) -> float:
    """Load-dependent friction level [N m] at the motor shaft that goes with ``mean_mesh_torque``."""
    return abs(stem_torque) * mesh_factors(ratio, drive, backdrive)[1]


def play(ball: float, stem: float, half_clearance: float) -> float:
    """Angle [rad] of the ball, dragged by the stem through a clearance; it stays where friction holds it."""
    if stem - ball > half_clearance:
        return stem - half_clearance
    if stem - ball < -half_clearance:
        return stem + half_clearance
    return ball


@dataclass(frozen=True)
class Train:
    """A gear train as one element, seen at the stem."""

    ratio: float
    """Motor turns per stem turn [-]."""
    efficiency: float
    """Running efficiency, motor drives [-]."""
    static_efficiency: float
    """Efficiency at breakaway [-]."""
    backdrive_efficiency: float
    """Efficiency when the valve drives [-]; zero: self-locking."""
    motor_inertia: float
    """Inertia of the stages reflected to the motor shaft [kg m^2], rotor not included."""
    stiffness: float
    """Torsional stiffness at the stem, motor held [N m/rad]."""
    lost_motion: float
    """Lost motion at the stem, motor held, in all [rad]."""


@dataclass(frozen=True)
class StageNumbers:
    """What ``combine`` needs to know of a stage, SI."""

    ratio: float
    efficiency: float
    static_efficiency: float
    backdrive_efficiency: float
    inertia: float
    """At the stage's input [kg m^2]."""
    compliance: float
    """One over the stiffness at the stage's output [rad/(N m)]; zero for a rigid stage."""
    lost_motion: float


def backdrive_default(efficiency: float) -> float:
    """Efficiency when driven from the output, 2 - 1/efficiency, not below zero.

    Equal friction torque in both directions gives it; common textbook rule for gears and screws.
    """
    return max(0.0, 2.0 - 1.0 / efficiency)


def combine(stages: Sequence[StageNumbers], coupling_compliance: float) -> Train:
    """One train from its stages, motor side first; compliance [rad/(N m)] of the coupling at the stem.

    Angles divide by later ratios and compliances by their squares. At least one compliance must be above zero.
    """
    ratio = efficiency = static = back = 1.0
    inertia = compliance = lost = 0.0
    for stage in stages:
        inertia += stage.inertia / (ratio * ratio)
        ratio *= stage.ratio
        efficiency *= stage.efficiency
        static *= stage.static_efficiency
        back *= stage.backdrive_efficiency
        compliance = compliance / stage.ratio**2 + stage.compliance
        lost = lost / stage.ratio + stage.lost_motion
    compliance += coupling_compliance
    return Train(ratio, efficiency, static, back, inertia, 1.0 / compliance, lost)
