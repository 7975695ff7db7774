"""The open-loop schedule: throttle to two angles, as the engine computer's table holds it, and commands from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.parts.encoder import quantise
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint, solve
from valvectl.plant.command import is_planned, limit_rate, plan
from valvectl.plant.machine import Machine

__all__ = ["Schedule", "build_schedule", "commands", "limit_rate", "rounded", "throttle_at"]


@dataclass(frozen=True)
class Schedule:
    """Throttle settings with their steady points, rising."""

    throttle: FloatArray
    """Thrust over full thrust [-], shape (n,), rising."""
    angle: dict[LegName, FloatArray]
    """Ball angle of each leg at each setting [rad], shape (n,)."""
    points: tuple[OperatingPoint, ...]
    """The steady point at each setting."""

    def angle_at(self, name: LegName, throttle: FloatArray) -> FloatArray:
        """Angle commanded at throttle settings [rad]: straight lines between entries, held at the ends."""
        return np.interp(throttle, self.throttle, self.angle[name])


def build_schedule(machine: Machine, points: int, lowest: float | None = None, highest: float = 1.0) -> Schedule:
    """Schedule over the throttle range with ``points`` entries. Raises ``NoBalanceError`` when a setting has none."""
    low = machine.throttle_minimum if lowest is None else lowest
    settings = np.linspace(low, highest, points)
    solved = tuple(solve(machine, float(x)) for x in settings)
    return Schedule(
        throttle=settings,
        angle={name: np.array([p.legs[name].angle for p in solved]) for name in LEGS},
        points=solved,
    )


def throttle_at(profile: Sequence[tuple[float, float]], time: FloatArray) -> FloatArray:
    """Throttle setting at times [s] of a profile of (time [s], throttle) corners; at a jump the later value."""
    corners = np.array([t for t, _ in profile])
    values = np.array([x for _, x in profile])
    right = np.searchsorted(corners, time, side="right")
    left = np.clip(right - 1, 0, corners.size - 1)
    right = np.clip(right, 0, corners.size - 1)
    span = corners[right] - corners[left]
    share = np.where(span > 0.0, (time - corners[left]) / np.where(span > 0.0, span, 1.0), 0.0)
    return np.asarray(values[left] + share * (values[right] - values[left]))


def commands(
    machine: Machine, schedule: Schedule, profile: Sequence[tuple[float, float]], duration: float
) -> dict[LegName, FloatArray]:
    """Stem commands of each leg at its position samples [rad], within each leg's rate limit.

    The engine computer's message carries the angle in steps of ``Servo.command_step``; the rounding comes before the rate
    limit, since that limit is the valve controller's own and works on what it has received, at full resolution. Shaped
    and rate-matched moves (``plant.command``) are the engine computer's: rounded too, then rate-limited.
    """
    times: dict[LegName, FloatArray] = {}
    for name in LEGS:
        period = machine.legs[name].servo.position_period
        times[name] = period * np.arange(int(np.floor(duration / period + 1e-9)) + 1, dtype=float)
    if is_planned(machine):
        planned = plan(machine, schedule, profile, times)
    else:
        planned = {name: schedule.angle_at(name, throttle_at(profile, time)) for name, time in times.items()}
    out: dict[LegName, FloatArray] = {}
    for name in LEGS:
        servo = machine.legs[name].servo
        wanted = rounded(planned[name], servo.command_step)
        out[name] = limit_rate(wanted, servo.speed_limit * servo.position_period)
    return out


def rounded(wanted: FloatArray, step: float) -> FloatArray:
    """A command [rad] as the message carries it: the nearest multiple of ``step`` [rad]; as it is when that is zero."""
    if step <= 0.0:
        return wanted
    return np.array([quantise(float(angle), step) for angle in wanted])
