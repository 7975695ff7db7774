"""A leg on a bench under its pressure drop: a step of the command, then rest; does it rest, hunt or swing.

Flow and pressures are held. Also the smallest step that the stem follows for certain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from valvectl.design.schema import LegName
from valvectl.parts.controller import CascadeGains
from valvectl.parts.describing_function import harmonics
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.machine import Machine
from valvectl.plant.simulate import simulate

Outcome = Literal["rests", "hunts", "swings", "at the stops"]
"""rests: nothing moves any more; hunts: the rotor moves, the stem stands for most of the time; swings: both move."""

KICK = math.radians(2.0)
"""Step of the command that starts a run [rad]."""
WATCHED = 4.0
"""Length of a run [s]."""
READ_FROM = 2.0
"""From here on it is read [s]."""
STANDS = 1e-7
"""Way of the stem between two samples below which it counts as standing [rad]."""
STILL = math.radians(2e-3)
"""Way from peak to peak below which a leg counts as resting [rad]: half a count of a 16-bit encoder, about."""
STANDING_SHARE = 0.5
"""Share of the time that the stem stands from which a motion counts as hunting, not swinging."""


@dataclass(frozen=True)
class Seen:
    """What the simulation ended in."""

    outcome: Outcome
    amplitude: float
    """First harmonic of the rotor over the ratio [rad]; half the way from peak to peak where it hunts; zero at rest."""
    frequency: float
    """[rad/s]; zero at rest."""
    third: float
    """Third harmonic of the rotor over its first [-]; zero unless it swings."""
    stem: float
    """Stem from peak to peak [rad]."""
    standing: float
    """Share of the time in which the stem stands [-]."""
    error: float
    """Command less stem at the end [rad]."""
    ended: float
    """Time from the step to the last motion of the stem [s]; infinite while it still moves at the end."""


@dataclass(frozen=True)
class SmallStep:
    """Smallest step that the stem follows for certain, from the simulator."""

    onward: float
    """In the direction of the last move [rad]."""
    reversal: float
    """Against it [rad]."""


def first_harmonic(time: FloatArray, angle: FloatArray) -> tuple[float, float, float]:
    """Frequency [rad/s], amplitude and share of the third harmonic of a swing, shape (n,); zeros for none.

    The period is the mean time between upward passages through the mean, counted once the signal has been below by a
    tenth of its way, so that chatter does not count.
    """
    y = angle - 0.5 * (float(np.max(angle)) + float(np.min(angle)))
    tenth = 0.1 * float(np.ptp(y))
    ups: list[float] = []
    armed = False
    for k in range(1, y.size):
        if y[k - 1] < -tenth:
            armed = True
        if armed and y[k - 1] < 0.0 <= y[k]:
            ups.append(float(time[k - 1] + (time[k] - time[k - 1]) * -y[k - 1] / (y[k] - y[k - 1])))
            armed = False
    if len(ups) < 3:
        return 0.0, 0.0, 0.0
    period = (ups[-1] - ups[0]) / (len(ups) - 1)
    phase = np.linspace(0.0, 1.0, 4096, endpoint=False)
    turns = [np.interp(t + phase * period, time, y) for t in ups[:-1] if t + period <= time[-1]]
    first, third = harmonics(np.mean(turns, axis=0) if turns else np.interp(ups[0] + phase * period, time, y))
    return 2.0 * math.pi / period, abs(first), abs(third) / abs(first)


def bench(
    machine: Machine, gains: dict[LegName, CascadeGains], name: LegName, point: OperatingPoint, kick: float = KICK
) -> tuple[Seen, FloatArray, FloatArray, FloatArray]:
    """A step of the command of one leg and then rest; what it ends in, times, rotor and stem less command [rad]."""
    servo = machine.legs[name].servo
    count = math.ceil(WATCHED / servo.position_period) + 1
    command = {leg: np.full(count, p.angle) for leg, p in point.legs.items()}
    command[name] = np.full(count, point.legs[name].angle + kick)
    command[name][0] = point.legs[name].angle
    record = min(servo.position_period, 1e-3)
    trace = simulate(machine, gains, command, point, WATCHED, hydraulics=False, record=record)
    leg = trace.legs[name]
    target = float(command[name][-1])
    seen = _seen(machine, name, trace.time, leg.motor, leg.stem, target)
    return seen, trace.time, leg.motor - target, leg.stem - target


def _seen(
    machine: Machine, name: LegName, time: FloatArray, motor: FloatArray, stem: FloatArray, target: float
) -> Seen:
    late = time >= READ_FROM
    t, r, s = time[late], motor[late], stem[late]
    way, stem_way = float(np.ptp(r)), float(np.ptp(s))
    standing = float(np.mean(np.abs(np.diff(s)) < STANDS))
    leg = machine.legs[name]
    moved = np.nonzero(np.abs(stem - stem[-1]) > STILL)[0]
    ended = math.inf if stem_way > STILL else float(time[moved[-1]]) if moved.size else 0.0
    omega, amplitude, third = first_harmonic(t, r)
    outcome: Outcome = "swings"
    if float(np.max(s)) >= leg.open_stop - 1e-9 or float(np.min(s)) <= leg.closed_stop + 1e-9:
        outcome = "at the stops"
    elif way < STILL:
        outcome, omega, amplitude, third = "rests", 0.0, 0.0, 0.0
    elif standing > STANDING_SHARE or omega == 0.0:
        outcome, amplitude, third = "hunts", 0.5 * way, 0.0
    return Seen(outcome, amplitude, omega, third, stem_way, standing, target - float(stem[-1]), ended)


def smallest_step(
    machine: Machine, gains: dict[LegName, CascadeGains], name: LegName, point: OperatingPoint
) -> SmallStep:
    """Smallest step from which on the stem ends nearer to the new command than to the old one, simulated.

    The valve comes from below by two degrees, rests, and is then asked to go on, or back, by a small step; sizes from a
    thousandth of a degree up by a fifth each. Infinite when even two degrees are not followed.
    """
    servo = machine.legs[name].servo
    rest, after = 0.5, 0.5
    samples = [math.ceil(t / servo.position_period) for t in (rest, after)]
    sizes = np.geomspace(math.radians(1e-3), math.radians(2.0), 42)
    found: list[float] = []
    for sign in (1.0, -1.0):
        smallest = math.inf
        for size in sizes[::-1]:
            base = point.legs[name].angle + KICK
            command = {leg: np.full(sum(samples) + 1, p.angle) for leg, p in point.legs.items()}
            command[name][1 : samples[0]] = base
            command[name][samples[0] :] = base + sign * size
            trace = simulate(machine, gains, command, point, rest + after, hydraulics=False, record=0.01)
            leg = trace.legs[name]
            before = float(leg.stem[np.searchsorted(trace.time, rest - 2.0 * servo.position_period) - 1])
            moved = sign * (float(leg.stem[-1]) - before)
            if not 0.5 * size <= moved <= 1.5 * size:
                break
            smallest = float(size)
        found.append(smallest)
    return SmallStep(onward=found[0], reversal=found[1])
