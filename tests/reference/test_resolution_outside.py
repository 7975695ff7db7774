"""Resolution against arithmetic and textbooks: counts, dead band and resolution, stick-slip, installed gain, combination."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from outside import Certainty, OutsideCheck, verify
from scipy.integrate import solve_ivp

import valvectl
from valvectl.parts import positioning
from valvectl.parts.encoder import count_size, quantise
from valvectl.parts.gearing import play
from valvectl.plant.balance import angle_for_flow, coefficient, leg_point, solve
from valvectl.plant.linear import EngineModel, LegSlopes, leg_slopes
from valvectl.studies.ball_offset import OFFSETS, combined
from valvectl.studies.resolution import both_legs

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
COUNTS = "angle of one count of a rotary encoder, 360 degrees over its counts a turn; arithmetic by hand"
ISA = (
    "ANSI/ISA-75.25.01: dead band and resolution of a control valve (terms from memory); staircase test worked out here"
)
STICK = (
    "stick-slip of a mass pulled through a spring, Rabinowicz, Friction and Wear of Materials (from memory); worked out"
)
BENNETT = "Bennett, Bell Syst. Tech. J. 27 (1948): rounding error step / sqrt 12, at most step / 2 (from memory)"
INSTALLED = (
    "installed characteristic of an equal-percentage valve in series with a fixed resistance, any process-control text"
)
GUM = "JCGM 100:2008, 5.1.2, independent inputs add by squares"
FEED = "two legs into one chamber with equal square-law couplings: the chamber pressure cancels in their ratio; by hand"


def row(
    name: str, what: str, expected: float, unit: str, tolerance: float, source: str, certainty: Certainty = "recomputed"
) -> OutsideCheck:
    return OutsideCheck(name, what, expected, unit, tolerance, source, certainty)


# ------------------------------------------------------------------------------------------------ counts and rounding


@pytest.mark.parametrize(
    ("name", "counts", "gears", "expected", "unit", "scale"),
    [
        ("Q1", 1024, 1.0, 0.3515625, "deg", 1.0),
        ("Q2", 4096, 1.0, 5.2734375, "arcmin", 60.0),
        ("Q3", 131072, 1.0, 9.8876953125, "arcsec", 3600.0),
        ("Q4", 4 * 1000, 60.0, 0.0015, "deg", 1.0),
    ],
)
def test_count(name, counts, gears, expected, unit, scale):
    check = row(name, f"one of {counts} counts behind {gears:g}:1", expected, unit, 1e-12, COUNTS)
    verify(check, scale * math.degrees(count_size(counts)) / gears)


def test_rounding_error():
    step = 0.01
    angles = np.linspace(0.0, 1.0, 200_001)
    error = np.array([quantise(float(a), step) for a in angles]) - angles
    verify(row("Q5", "RMS error of a command rounded to 0.01", step / math.sqrt(12.0), "", 1e-3, BENNETT), error.std())
    verify(row("Q6", "largest error of a command rounded to 0.01", step / 2.0, "", 1e-6, BENNETT), np.abs(error).max())


# --------------------------------------------------------------------------------------------- dead band, resolution


MARCH = 2e-6
"""Steps in which the textbook valve's stem moves and its command is tried [rad]."""


class Valve:
    """A valve by its textbook elements alone: rounded command, controller that lets errors stand, play."""

    def __init__(self, command_step: float, band: float, count: float, slot: float) -> None:
        self.command_step, self.band, self.count, self.slot = command_step, band, count, slot
        self.stem = self.ball = 0.0

    def error(self, wanted: float) -> float:
        return quantise(wanted, self.command_step) - quantise(self.stem, self.count)

    def move(self, way: float) -> None:
        self.stem += way
        self.ball = play(self.ball, self.stem, 0.5 * self.slot)

    def rest(self, wanted: float, far: bool) -> None:
        """Come from below to the near edge of the zone in which it may rest, or by overshoot to the far edge."""
        self.stem = self.ball = wanted - 3e-3
        while self.error(wanted) > self.band:
            self.move(MARCH)
        while far:
            self.move(MARCH)
            if self.error(wanted) < -self.band:
                self.stem -= MARCH  # the ball stays where it was dragged to
                break

    def moves(self, wanted: float, way: int) -> bool:
        """Whether the ball moves when ``wanted`` is asked for from here, in a trial that leaves no trace."""
        kept = self.stem, self.ball
        while abs(self.error(wanted)) > self.band and self.ball == kept[1]:
            self.move(way * MARCH)
        moved = self.ball != kept[1]
        self.stem, self.ball = kept
        return moved


def smallest_step(valve: Valve, place: float, way: int, top: float) -> float:
    """Smallest change of the wanted angle that moves the ball from rest at ``place``."""
    low, high = 0.0, top
    while high - low > MARCH:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if valve.moves(place + way * middle, way) else (middle, high)
    return high


@pytest.mark.parametrize(
    ("name", "command_step", "band", "count", "slot"),
    [
        ("Q7", 0.0, 5e-5, 1e-5, 5e-4),
        ("Q8", 0.0, 2e-4, 1e-5, 5e-4),
        ("Q9", 5e-5, 1e-4, 1e-5, 4e-4),
    ],
)
def test_dead_band_and_resolution(name, command_step, band, count, slot):
    """The largest step needed over many places of rest comes near the sum of the parts, from below."""
    valve = Valve(command_step, band, count, slot)
    onward = positioning.onward_step(command_step, band, count, 0.0, 1.0)
    reversal = positioning.reversal_step(command_step, band, count, 0.0, slot, 0.0, 1.0)
    places = np.random.default_rng(3).uniform(0.05, 0.06, 40)
    for way, label, predicted in ((1, "resolution", onward), (-1, "dead band", reversal)):
        found = []
        for place in places:
            valve.rest(float(place), far=way > 0)
            found.append(smallest_step(valve, float(place), way, 2.0 * predicted))
        worst = max(found)
        assert worst <= predicted + 3.0 * MARCH
        what = f"{label} with command step {command_step:g}, hold +-{band:g}, count {count:g}, slot {slot:g}"
        verify(row(f"{name}-{label}", what, worst, "rad", 0.12, ISA), predicted)


def test_dead_band_of_play_alone():
    """A pure clearance: reversing from either side, the ball waits for the whole of it."""
    ball = play(0.0, 1.0, 0.01)
    assert ball == pytest.approx(0.99)
    stem = np.linspace(1.0, 0.9, 100_001)
    moved = next(float(s) for s in stem if play(ball, float(s), 0.01) < ball - 1e-12)
    verify(row("Q10", "dead band of a clearance of +-0.01", 1.0 - moved, "rad", 1e-4, ISA),
           positioning.reversal_step(0.0, 0.0, 0.0, 0.0, 0.02, 0.0, 1.0))  # fmt: skip


# ------------------------------------------------------------------------------------------------------- stick-slip


def slipped(static: float, kinetic: float, stiffness: float, inertia: float, damping: float) -> float:
    """Way of a mass from breaking loose to its next rest, its spring's far end held, by integration."""
    start = static / stiffness  # the spring is wound up this far

    def rates(_, y):
        return [y[1], (stiffness * (start - y[0]) - kinetic - damping * y[1]) / inertia]

    def rests(_, y):
        return y[1]

    rests.terminal, rests.direction = True, -1
    period = 2.0 * math.pi * math.sqrt(inertia / stiffness)
    run = solve_ivp(rates, (0.0, period), [0.0, 0.0], events=rests, rtol=1e-10, atol=1e-14)
    return float(run.y[0, -1])


def test_slip():
    found = positioning.slip(2.0, 1.5, 1000.0)
    verify(row("Q11", "jump, 2.0 against 1.5 N m on 1000 N m/rad: 2 (Fs - Fc) / k", 1e-3, "rad", 1e-12, STICK), found)
    expected = slipped(2.0, 1.5, 1000.0, 1e-4, 0.0)
    verify(row("Q12", "the same by integration of the undamped slip", expected, "rad", 1e-6, STICK), found)


def test_damping_shortens_the_slip():
    """At a damping ratio of 0.05 the overshoot is exp(-pi zeta / sqrt(1 - zeta^2)) of the way to balance (any control
    text): the bound is not exceeded and 7 % on the safe side."""
    zeta = 0.05
    damped = slipped(2.0, 1.5, 1000.0, 1e-4, 2.0 * zeta * math.sqrt(1000.0 * 1e-4))
    share = 0.5 * (1.0 + math.exp(-math.pi * zeta / math.sqrt(1.0 - zeta**2)))
    check = row("Q13", "undamped bound over the slip at a damping ratio of 0.05", 1.0 / share, "", 1e-6, STICK)
    verify(check, positioning.slip(2.0, 1.5, 1000.0) / damped)


# --------------------------------------------------------------------------------------------------- installed gain


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


@pytest.mark.parametrize(("name", "throttle"), [("Q14", 0.45), ("Q15", 0.7), ("Q16", 0.95)])
def test_installed_gain_of_an_equal_percentage_valve(name, throttle):
    """Flow through a valve f = R^(h - 1) with authority A at full stroke: q = 1 / sqrt(1 - A + A / f^2), so that
    d ln q / d h = ln R (A / f^2) q^2. The leg's losses all go with flow squared here; its droop is taken away."""
    machine = rig().machine.with_leg("fuel", tank_droop=0.0)
    leg, point = machine.legs["fuel"], solve(machine, throttle)
    at = point.legs["fuel"]
    rangeability, stroke = 50.0, leg.open_stop - leg.closed_stop
    grid = leg.characteristic
    angles = grid.angles
    wide = float(coefficient(leg, leg.open_stop)[0])
    curve = wide * rangeability ** ((angles - leg.open_stop) / stroke)
    leg = replace(leg, characteristic=replace(grid, c=curve, fl=np.ones_like(curve)))
    machine = replace(machine, legs={**machine.legs, "fuel": leg})
    angle = angle_for_flow(leg, at.flow, point.chamber_pressure)
    here = leg_point(leg, angle, at.flow, point.chamber_pressure)
    assert not here.choked
    found = leg_slopes(leg, replace(point, legs={**point.legs, "fuel": here})).angle_gain
    # Authority with the valve wide open, from this setting's resistances: all drop with flow squared.
    total = here.tank + leg.head - point.chamber_pressure
    rest = total - here.valve_drop
    opening = rangeability ** ((angle - leg.open_stop) / stroke)
    open_drop = here.valve_drop * opening**2
    authority = open_drop / (open_drop + rest)
    flow = 1.0 / math.sqrt(1.0 - authority + authority / opening**2)
    expected = math.log(rangeability) / stroke * authority / opening**2 * flow**2
    verify(row(name, f"installed gain at {100 * throttle:.0f} % throttle", expected, "1/rad", 2e-3, INSTALLED), found)


# ------------------------------------------------------------------------------------------------------ combination


def test_offsets_by_squares():
    """What the movement sets has one sign: 1 + 2 = 3; with an independent 4 the squares give 5, the sum 7."""
    total, squares = combined(dict(zip(OFFSETS, (1.0, 2.0, 0.0, 4.0, 0.0), strict=True)))
    verify(row("Q17", "3 and 4, independent", 5.0, "", 1e-12, GUM), squares)
    verify(row("Q18", "1, 2 and 4 to one side", 7.0, "", 1e-12, GUM), total)


def model(coupling: float) -> EngineModel:
    slopes = {
        "oxidizer": LegSlopes(angle_gain=3.0, coupling=coupling, tank=0.0, lag=0.01),
        "fuel": LegSlopes(angle_gain=4.0, coupling=coupling, tank=0.0, lag=0.01),
    }
    point = replace(solve(rig().machine, 0.7), mixture_ratio=1.2)
    return EngineModel(point, slopes, 0.0, 0.0, 1e-3, {"oxidizer": 1e-3, "fuel": 1e-3})


@pytest.mark.parametrize("coupling", [0.0, 0.7])
def test_both_legs(coupling):
    """Gains 3 and 4 per radian, 1 mrad each: 7e-3 the wrong way, 1e-3 the same way, 5e-3 when independent."""
    one = {"oxidizer": np.array([1e-3]), "fuel": np.array([1e-3])}
    found = both_legs([model(coupling)], one, one)
    for name, what, expected, value in (
        ("Q19", "each the wrong way", 7e-3, found.worst),
        ("Q20", "alike", 1e-3, found.alike),
        ("Q21", "independent", 5e-3, found.rss),
    ):
        verify(row(f"{name}-{coupling:g}", f"O/F of both legs, {what}", expected, "", 1e-9, FEED), float(value[0]))
