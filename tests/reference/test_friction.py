"""Dry friction that sticks, against a published friction paper and closed forms of mechanics."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest
from outside import OutsideCheck, verify
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from valvectl.parts import friction

LUGRE = (
    "Canudas de Wit, Olsson, Astrom and Lischinsky, IEEE Trans. Automatic Control 40 (1995) 419-425, Table I and the "
    "stick-slip example: mass 1 kg, spring 2 N/m, 0.1 m/s, 1 N running, 1.5 N breakaway, 0.4 N s/m (from memory)"
)
MASS, SPRING, PULL, RUNNING, BREAKAWAY = 1.0, 2.0, 0.1, 1.0, 1.5


class Cycle(NamedTuple):
    """One stick-slip cycle in its steady state."""

    period: float
    """From breakaway to breakaway [s]."""
    jump: float
    """Way of one slip [m]."""
    slip_time: float
    """Duration of the slip [s]."""
    breakaway_force: float
    """Spring force in the step before the body moves [N]."""
    stuck_share: float
    """Share of the period in which the speed is exactly zero [-]."""


def simulated(viscous: float, stribeck_speed: float, step: float, end: float = 40.0) -> Cycle:
    """Mass pulled over a surface by a spring whose far end moves at constant speed, with our friction laws."""
    x = v = 0.0
    moving_before = False
    starts: list[int] = []
    stops: list[int] = []
    forces: list[float] = []
    places: list[float] = []
    stuck = 0
    for k in range(int(end / step)):
        force = SPRING * (PULL * k * step - x)
        level = friction.stribeck(v, BREAKAWAY, RUNNING, stribeck_speed)
        v = friction.stick_or_slip(v + step / MASS * (force - viscous * v), level, step / MASS)
        x += step * v
        moving = v != 0.0
        if moving and not moving_before:
            starts.append(k)
            forces.append(force)
        elif moving_before and not moving:
            stops.append(k)
            places.append(x)
        if len(starts) == 2 and not moving:  # the second cycle: the first one has the start-up in it
            stuck += 1
        moving_before = moving
    steps = starts[2] - starts[1]
    stop = next(k for k in stops if k > starts[1])
    return Cycle(steps * step, places[1] - places[0], (stop - starts[1]) * step, forces[1], stuck / steps)


def analytic(viscous: float) -> Cycle:
    """The same with friction that falls to the running level as soon as the body moves (Stribeck speed to zero).

    Extension e = pull - x swings about (Fc + b u)/k from (Fs/k, e' = u); the slip ends where e' is u again.
    """
    rate = viscous / (2.0 * MASS)
    omega = math.sqrt(SPRING / MASS - rate * rate)
    start, centre = BREAKAWAY / SPRING, (RUNNING + viscous * PULL) / SPRING
    a = start - centre
    b = (PULL + rate * a) / omega

    def extension(t: float) -> float:
        return centre + math.exp(-rate * t) * (a * math.cos(omega * t) + b * math.sin(omega * t))

    def speed_of_mass(t: float) -> float:
        swing = (b * omega - rate * a) * math.cos(omega * t) - (a * omega + rate * b) * math.sin(omega * t)
        return PULL - math.exp(-rate * t) * swing

    slip = brentq(speed_of_mass, 0.5 * math.pi / omega, 1.6 * math.pi / omega, xtol=1e-14)
    end = extension(slip)
    period = slip + (start - end) / PULL
    return Cycle(period, PULL * period, slip, BREAKAWAY, 1.0 - slip / period)


def integrated(viscous: float, stribeck_speed: float) -> Cycle:
    """The same by a general integrator over one slip, with the Stribeck curve written out in full."""

    def rates(_: float, y: np.ndarray) -> list[float]:
        extension, v = y
        level = RUNNING + (BREAKAWAY - RUNNING) * math.exp(-((v / stribeck_speed) ** 2))
        return [PULL - v, (SPRING * extension - level - viscous * v) / MASS]

    def stopped(t: float, y: np.ndarray) -> float:
        return y[1] if t > 0.5 else 1.0

    stopped.terminal, stopped.direction = True, -1.0  # type: ignore[attr-defined]
    start = BREAKAWAY / SPRING
    run = solve_ivp(
        rates, (0.0, 20.0), [start, 0.0], method="LSODA", rtol=1e-10, atol=1e-12, events=stopped, max_step=1e-2
    )
    slip, end = float(run.t_events[0][0]), float(run.y_events[0][0][0])
    period = slip + (start - end) / PULL
    return Cycle(period, PULL * period, slip, BREAKAWAY, 1.0 - slip / period)


def closed_form_without_viscous_friction() -> Cycle:
    """Period and jump by formula: jump 2 (Fs - Fc)/k + u slip, slip = (pi + 2 atan(u sqrt(k m)/(Fs - Fc)))/omega."""
    excess, omega = BREAKAWAY - RUNNING, math.sqrt(SPRING / MASS)
    slip = (math.pi + 2.0 * math.atan(PULL * math.sqrt(SPRING * MASS) / excess)) / omega
    period = 2.0 * excess / (SPRING * PULL) + slip
    return Cycle(period, PULL * period, slip, BREAKAWAY, 1.0 - slip / period)


CASES = {
    # name: (viscous, Stribeck speed of our run, expected cycle, step, tolerance, what it is compared with)
    "closed": (0.0, 1e-6, closed_form_without_viscous_friction(), 1e-4, 1e-3, "closed form, no viscous friction"),
    "viscous": (0.4, 1e-6, analytic(0.4), 1e-4, 1e-3, "damped swing, Stribeck speed to zero"),
    "paper": (0.4, 1e-3, integrated(0.4, 1e-3), 1e-4, 5e-4, "general integrator, Stribeck curve of the paper"),
}


@pytest.fixture(scope="module")
def cycles() -> dict[str, Cycle]:
    return {name: simulated(viscous, speed, step) for name, (viscous, speed, _, step, _, _) in CASES.items()}


@pytest.mark.parametrize("quantity", ["period", "jump", "slip_time", "stuck_share"])
@pytest.mark.parametrize("case", CASES)
def test_stick_slip_cycle(case, quantity, cycles):
    _, _, expected, _, tolerance, with_what = CASES[case]
    unit = {"period": "s", "jump": "m", "slip_time": "s", "stuck_share": ""}[quantity]
    check = OutsideCheck(
        f"S32-{case}-{quantity}",
        f"stick-slip, {quantity.replace('_', ' ')}; {with_what}",
        getattr(expected, quantity),
        unit,
        tolerance,
        LUGRE,
        "recomputed",
    )
    verify(check, getattr(cycles[case], quantity))


def test_stick_slip_breaks_away_at_the_static_level(cycles):
    """Spring force in the step in which the body moves: the breakaway level, to within what one step adds to it."""
    for case, cycle in cycles.items():
        check = OutsideCheck(
            f"S32-{case}-breakaway", "spring force at breakaway", BREAKAWAY, "N", 2.0 * SPRING * PULL * 1e-4, LUGRE,
            "from memory", absolute=True,
        )  # fmt: skip
        verify(check, cycle.breakaway_force)
        assert cycle.breakaway_force >= BREAKAWAY


def test_the_two_closed_solutions_agree():
    """The damped swing without damping is the closed form: guards the reference itself."""
    assert analytic(0.0) == pytest.approx(closed_form_without_viscous_friction(), rel=1e-10)


def test_stuck_for_most_of_the_period(cycles):
    assert all(cycle.stuck_share > 0.5 for cycle in cycles.values())


# ------------------------------------------------------------------------------------------------ Stribeck and Coulomb

STRIBECK = "Gaussian Stribeck curve Fc + (Fs - Fc) exp(-(v/vs)^2), same paper, equation for g(v)"

CURVE = [
    (OutsideCheck("S32-g0", "friction level at rest", 1.5, "N", 1e-15, STRIBECK, "from memory"), 0.0),
    (OutsideCheck("S32-g1", "at the Stribeck speed", 1.0 + 0.5 / math.e, "N", 1e-14, STRIBECK, "recomputed"), 1e-3),
    (OutsideCheck("S32-g-1", "at minus that speed", 1.0 + 0.5 / math.e, "N", 1e-14, STRIBECK, "recomputed"), -1e-3),
    (OutsideCheck("S32-g2", "at twice it", 1.0 + 0.5 * math.exp(-4.0), "N", 1e-14, STRIBECK, "recomputed"), 2e-3),
    (OutsideCheck("S32-g8", "at eight times it: running", 1.0, "N", 1e-14, STRIBECK, "recomputed"), 8e-3),
]


@pytest.mark.parametrize(("check", "speed"), CURVE, ids=[row[0].id for row in CURVE])
def test_stribeck_curve(check, speed):
    verify(check, friction.stribeck(speed, BREAKAWAY, RUNNING, 1e-3))


def test_braking_distance():
    """A body that only Coulomb friction stops: v^2/(2 mu g), after v/(mu g)."""
    step, v, x, count = 1e-5, 2.0, 0.0, 0
    deceleration = 0.3 * 9.80665
    while v != 0.0:
        v = friction.stick_or_slip(v, deceleration, step)
        x += step * v
        count += 1
    source = "uniformly braked body, any mechanics text"
    distance, time = 4.0 / (2.0 * deceleration), 2.0 / deceleration
    verify(OutsideCheck("braking-way", "way to rest", distance, "m", 2e-5, source, "recomputed"), x)
    verify(OutsideCheck("braking-time", "time to rest", time, "s", 2e-5, source, "recomputed"), count * step)


def test_coulomb_damped_vibration():
    """Amplitude falls by 4 F/k a cycle, and the body rests for good once the spring can not beat friction."""
    source = "free vibration with Coulomb damping, e.g. Den Hartog, Mechanical Vibrations (form from memory)"
    k, level, step = 400.0, 2.0, 2e-5
    x, v, turns = 0.098, 0.0, []
    for _ in range(200000):
        before = v
        v = friction.stick_or_slip(v - step * k * x, level, step)
        x += step * v
        if before != 0.0 and before * v <= 0.0:
            turns.append(x)
    # Turning points at 0.098 less 0.01 for each half-swing, until one lies within F/k = 5 mm of the middle.
    for index, expected in ((0, -0.088), (1, 0.078), (4, -0.048), (8, -0.008), (9, -0.002)):
        if index < 9:
            check = OutsideCheck(
                f"coulomb-{index + 1}", f"turning point {index + 1}", expected, "m", 2e-5, source, "recomputed",
                absolute=True,
            )  # fmt: skip
            verify(check, turns[index])
    check = OutsideCheck("coulomb-rest", "place of rest", -0.002, "m", 2e-5, source, "recomputed", absolute=True)
    verify(check, x)
    assert v == 0.0
    assert len(turns) == 10
