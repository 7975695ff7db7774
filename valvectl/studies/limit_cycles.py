"""Does a valve hunt or swing: limit cycles foreseen by harmonic balance and the full simulation side by side.

Foreseen: all solutions of the harmonic balance of the drive whose rotor moves as a sine (``servo.limit_cycle``). Seen: the
simulator on a bench under pressure drop, a step of the command and then rest, with friction, gap, rounding and limits.
Where the two differ the result says so; stick-slip hunting, in which the rotor stands for most of the time, is no sine and
lies outside what the balance can foresee.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from valvectl.design.schema import LegName
from valvectl.errors import RangeError
from valvectl.parts import describing_function as df
from valvectl.parts.controller import CascadeGains
from valvectl.parts.controller_more import CASCADE
from valvectl.parts.friction import pressure_rise
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.driven import drive
from valvectl.plant.machine import Machine
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.limit_cycle import Cycle, DriveBalance, corrected, servo_cycles
from valvectl.studies.bench_run import Outcome, Seen, SmallStep, bench, smallest_step
from valvectl.studies.result import Result

GAIN_FACTORS = (1.0, 2.0, 3.0, 4.5, 6.5)
"""Factors on the position gain in the map [-]."""
GAP_FACTORS = (0.0, 1.0, 2.0, 4.0)
"""Factors on the gears' lost motion in the map [-]."""
BORDER_FACTORS = (1.15, 1.4)
"""Factors on the gain at the border of stability at which a limit cycle is looked for [-]."""
LOCKED = 0.01
"""Distance from a whole number of samples in a period that counts as whole."""
LARGEST_FACTOR = 100.0
"""Gain factors up to this are looked at [-]."""
AGREES = 0.03
"""Difference of amplitude and frequency, relative, up to which foreseen and seen count as agreeing [-]."""


@dataclass(frozen=True)
class Case:
    """One setting, foreseen and seen."""

    what: str
    gain_factor: float
    """On the position gain [-]."""
    hold_band: float
    """[rad]"""
    foreseen: tuple[Cycle, ...]
    """Amplitudes of the rotor over the ratio [rad]."""
    corrected: tuple[Cycle | None, ...]
    """The same with the third harmonic of the rotor's motion in the balance; None where the two do not come together."""
    third: tuple[float, ...]
    """Of each: third harmonic of the rotor over its first [-]; small: the loop filters well."""
    seen: Seen
    time: FloatArray = field(repr=False)
    """Time from the step [s], shape (n,)."""
    rotor: FloatArray = field(repr=False)
    """Rotor over the ratio less command [rad], shape (n,)."""
    stem: FloatArray = field(repr=False)
    """Stem less command [rad], shape (n,)."""

    period: float = field(repr=False, default=0.0)
    """Sample period of the position loop [s]."""

    @property
    def steady(self) -> int | None:
        """Index of the stable foreseen cycle of the largest amplitude."""
        stable = [j for j, c in enumerate(self.foreseen) if c.stable]
        return max(stable, key=lambda j: self.foreseen[j].amplitude, default=None)

    @property
    def best(self) -> Cycle | None:
        """That cycle, with its third harmonic where it could be found."""
        return None if self.steady is None else self.corrected[self.steady] or self.foreseen[self.steady]

    @property
    def locked(self) -> int:
        """Samples of the position loop in one period of what was seen, when they are a whole number; else zero."""
        if self.seen.outcome != "swings" or self.period <= 0.0:
            return 0
        samples = 2.0 * math.pi / (self.seen.frequency * self.period)
        return round(samples) if abs(samples - round(samples)) < LOCKED else 0

    @property
    def verdict(self) -> str:
        """How foreseen and seen compare, in words."""
        cycle = self.best
        if self.seen.outcome == "swings" and cycle is not None:
            by_a = cycle.amplitude / self.seen.amplitude - 1.0
            by_w = cycle.frequency / self.seen.frequency - 1.0
            near = "confirmed" if max(abs(by_a), abs(by_w)) <= AGREES else "there, but off"
            locked = f"; it locks to {self.locked} samples" if self.locked else ""
            return f"{near}: amplitude {100.0 * by_a:+.1f} %, frequency {100.0 * by_w:+.1f} %{locked}"
        if self.seen.outcome == "swings":
            return "not foreseen"
        if cycle is not None:
            return f"foreseen, not seen from this start: it {self.seen.outcome}"
        return "none foreseen, none seen" if self.seen.outcome == "rests" else "no sine: outside the balance"


@dataclass(frozen=True)
class BacklashCurve:
    """Loop gain and -1/N of the lost motion in one plane: they meet where the balance holds, lost motion alone."""

    frequency: FloatArray
    """[rad/s], shape (n,)."""
    loop_gain: FloatArray
    """Exact sampled position loop gain, complex, shape (n,)."""
    ratio: FloatArray
    """Amplitude of the rotor over half the lost motion [-], shape (m,)."""
    inverse: FloatArray
    """-1/N of backlash, closed form, complex, shape (m,)."""
    half_gap: float
    """Half the lost motion and the wind-up under running friction [rad]."""
    meets: bool
    """True when the curves cross."""
    factor: float
    """Smallest factor on the loop gain at which they touch [-]; infinite: at none up to a hundred."""


@dataclass(frozen=True)
class LimitCycles(Result):
    """Limit cycles and hunting of one leg."""

    leg: LegName
    angle: float
    """Where the valve stands [rad]."""
    cases: tuple[Case, ...]
    border: float
    """Factor on the position gain at which the linear loop is on the border [-]; infinite: none."""
    gain_factors: tuple[float, ...]
    gap_factors: tuple[float, ...]
    map_seen: tuple[tuple[Outcome, ...], ...]
    """Outcome of the simulation, rows: lost motion, columns: gain."""
    map_stem: FloatArray
    """Stem from peak to peak [rad], shape (gaps, gains)."""
    map_foreseen: FloatArray
    """Amplitude of the stable foreseen cycle [rad], zero for none; shape (gaps, gains)."""
    lost_motion: float
    """The design's, of the gears at the stem [rad]."""
    smallest: SmallStep
    hold_band: float
    """The design's [rad]."""
    curve: BacklashCurve | None
    """The textbook view, lost motion against the exact loop gain; None when the position encoder sits on the motor."""

    def columns(self) -> dict[str, Any]:
        cycles = [c.best for c in self.cases]
        return {
            "case": [c.what for c in self.cases],
            "gain factor": [c.gain_factor for c in self.cases],
            "hold band [deg]": [math.degrees(c.hold_band) for c in self.cases],
            "foreseen amplitude [deg]": [0.0 if c is None else math.degrees(c.amplitude) for c in cycles],
            "foreseen frequency [Hz]": [0.0 if c is None else c.frequency / (2.0 * math.pi) for c in cycles],
            "seen": [c.seen.outcome for c in self.cases],
            "seen amplitude [deg]": [math.degrees(c.seen.amplitude) for c in self.cases],
            "seen frequency [Hz]": [c.seen.frequency / (2.0 * math.pi) for c in self.cases],
            "third harmonic [%]": [100.0 * c.seen.third for c in self.cases],
            "stem, peak to peak [deg]": [math.degrees(c.seen.stem) for c in self.cases],
        }


def _search(servo: Servo, gains: CascadeGains) -> tuple[float, float, float]:
    """Smallest amplitude [rad], lowest and highest frequency [rad/s] of the search."""
    smallest = max(0.3 * servo.half_gap, servo.position_count, math.radians(0.01))
    highest = 0.6 * math.pi / servo.position_period
    return smallest, min(0.15 * gains.position, 0.05 * highest), highest


def foresee(
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    name: LegName,
    point: OperatingPoint,
    points: tuple[int, int] = (22, 22),
    fine: bool = True,
) -> tuple[DriveBalance, tuple[Cycle, ...]]:
    """The harmonic balance of a leg's drive at an operating point and all its limit cycles."""
    balance = DriveBalance(drive(machine, gains, name, point))
    return balance, servo_cycles(balance, *_search(machine.legs[name].servo, gains[name]), points, fine)


def _case(
    what: str,
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    name: LegName,
    point: OperatingPoint,
    factor: float,
) -> Case:
    scaled = _scaled(gains, name, factor)
    balance, cycles = foresee(machine, scaled, name, point)
    better = [corrected(balance, c) for c in cycles]
    seen, time, rotor, stem = bench(machine, scaled, name, point)
    return Case(
        what=what,
        gain_factor=factor,
        hold_band=machine.legs[name].servo.hold_band,
        foreseen=cycles,
        corrected=tuple(None if b is None else b[0] for b in better),
        third=tuple(
            abs(balance.third_of(c.amplitude, c.frequency)) if b is None else b[1]
            for b, c in zip(better, cycles, strict=True)
        ),
        seen=seen,
        time=time,
        rotor=rotor,
        stem=stem,
        period=machine.legs[name].servo.position_period,
    )


def _scaled(gains: dict[LegName, CascadeGains], name: LegName, factor: float) -> dict[LegName, CascadeGains]:
    return {**gains, name: replace(gains[name], position=factor * gains[name].position)}


def limit_cycles(
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    name: LegName,
    point: OperatingPoint,
    gain_margin_db: float,
    frequency: FloatArray,
    loop_gain: FloatArray,
) -> LimitCycles:
    """Limit cycles and hunting of one leg at an operating point.

    ``gain_margin_db`` [dB] of the position loop, its ``loop_gain`` (complex) at ``frequency`` [rad/s], both shape (n,).
    Raises ``RangeError`` for a controller without the cascade's position gain.
    """
    servo = machine.legs[name].servo
    if servo.more.structure != CASCADE:
        raise RangeError(f"{name} leg: limit cycles are worked out over the position gain of structure cascade only")
    creeping = machine.with_servo(name, hold_band=0.0)
    border = 10.0 ** (gain_margin_db / 20.0) if math.isfinite(gain_margin_db) else math.inf
    cases = [_case("as designed", machine, gains, name, point, 1.0)]
    if servo.hold_band > 0.0:
        cases.append(_case("without hold band", creeping, gains, name, point, 1.0))
    if math.isfinite(border):
        for beyond in BORDER_FACTORS:
            what = f"gain {beyond:g} times the border"
            cases.append(_case(what, creeping, gains, name, point, beyond * border))
    seen: list[tuple[Outcome, ...]] = []
    stem = np.zeros((len(GAP_FACTORS), len(GAIN_FACTORS)))
    foreseen = np.zeros_like(stem)
    for i, gap in enumerate(GAP_FACTORS):
        wide = creeping.with_servo(name, half_gap=gap * servo.half_gap)
        row: list[Outcome] = []
        for j, factor in enumerate(GAIN_FACTORS):
            scaled = _scaled(gains, name, factor)
            found = bench(wide, scaled, name, point)[0]
            row.append(found.outcome)
            stem[i, j] = found.stem
            cycles = foresee(wide, scaled, name, point, (16, 16), fine=False)[1]
            foreseen[i, j] = max((c.amplitude for c in cycles if c.stable), default=0.0)
        seen.append(tuple(row))
    return LimitCycles(
        leg=name,
        angle=point.legs[name].angle,
        cases=tuple(cases),
        border=border,
        gain_factors=GAIN_FACTORS,
        gap_factors=GAP_FACTORS,
        map_seen=tuple(seen),
        map_stem=stem,
        map_foreseen=foreseen,
        lost_motion=2.0 * servo.half_gap,
        smallest=smallest_step(machine, gains, name, point),
        hold_band=servo.hold_band,
        curve=None
        if servo.position_on_motor
        else backlash_curve(frequency, loop_gain, servo.half_gap + _wind_up(machine, name, point)),
    )


def _wind_up(machine: Machine, name: LegName, point: OperatingPoint) -> float:
    """Twist of the gears that running friction takes at an operating point [rad]: it widens the lost motion."""
    leg, at = machine.legs[name], point.legs[name]
    running = float(np.interp(at.angle, leg.characteristic.angles, leg.running))
    level = leg.cold_factor * pressure_rise(leg.relative_slope, at.valve_drop) * running
    return level / leg.servo.spring


def backlash_curve(frequency: FloatArray, loop_gain: FloatArray, half_gap: float) -> BacklashCurve:
    """-1/N of lost motion beside a loop gain, and the gain factor at which the two first touch.

    They touch at a factor k where k L = -1/N, that is where the phases agree and k |L| |N| is one.
    """
    ratio = np.geomspace(1.0005, 300.0, 500)
    inverse = np.array([-1.0 / df.backlash(float(r), 1.0) for r in ratio])
    # phase of -1/N rises from -270 degrees at small to -180 at large amplitudes
    phase = np.unwrap(np.angle(loop_gain))
    phase -= 2.0 * math.pi * round((phase[0] + 0.5 * math.pi) / (2.0 * math.pi))
    wanted = np.angle(inverse)
    wanted = np.where(wanted > 0.0, wanted - 2.0 * math.pi, wanted)
    factor, meets = math.inf, False
    here = (phase <= np.max(wanted)) & (phase >= np.min(wanted))
    order = np.argsort(wanted)
    if half_gap > 0.0 and np.any(here):
        size = np.interp(phase[here], wanted[order], np.abs(inverse)[order])
        needed = size / np.abs(loop_gain[here])
        factor = float(np.min(needed))
        meets = factor <= 1.0 <= float(np.max(needed))
    factor = factor if factor <= LARGEST_FACTOR else math.inf
    return BacklashCurve(frequency, loop_gain, ratio, inverse, half_gap, meets, factor)
