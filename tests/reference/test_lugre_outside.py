"""Bristle friction (LuGre) with the paper's parameters, against closed forms and a general stiff integrator."""

from __future__ import annotations

import math

import numpy as np
import pytest
from outside import OutsideCheck, verify
from scipy.integrate import solve_ivp

from valvectl.parts import friction, lugre

PAPER = (
    "Canudas de Wit, Olsson, Astrom and Lischinsky, IEEE Trans. Automatic Control 40 (1995) 419-425, Table I: sigma0 1e5 N/m, "
    "sigma1 sqrt(1e5) N s/m, sigma2 0.4 N s/m, Fc 1 N, Fs 1.5 N, vs 0.001 m/s"
)
SIGMA0, SIGMA1, SIGMA2, RUNNING, BREAKAWAY, VS = 1e5, math.sqrt(1e5), 0.4, 1.0, 1.5, 1e-3
MASS = 1.0


def level(v: float) -> float:
    return friction.stribeck(v, BREAKAWAY, RUNNING, VS)


def run(force, end: float, step: float, viscous: float = SIGMA2):
    """A unit mass under ``force(t, x)``: times, places, speeds; our step in the simulator's order."""
    count = round(end / step)
    x = v = z = 0.0
    places, speeds, bends = np.empty(count), np.empty(count), np.empty(count)
    over = step / MASS
    for k in range(count):
        free = v + over * (force(k * step, x) - viscous * v)
        v, z = lugre.lugre_step(free, v, z, level(v), SIGMA0, SIGMA1, step, over)
        x += step * v
        places[k], speeds[k], bends[k] = x, v, z
    return step * np.arange(1, count + 1), places, speeds, bends


def integrated(force, end: float, viscous: float = SIGMA2, **options):
    """The same by an implicit general integrator, equations written out in full."""

    def rates(t: float, y: np.ndarray) -> list[float]:
        x, v, z = y
        g = RUNNING + (BREAKAWAY - RUNNING) * math.exp(-((v / VS) ** 2))
        bend = v - SIGMA0 * abs(v) / g * z
        return [v, (force(t, x) - SIGMA0 * z - SIGMA1 * bend - viscous * v) / MASS, bend]

    return solve_ivp(rates, (0.0, end), [0.0, 0.0, 0.0], method="Radau", rtol=1e-8, atol=1e-12, **options)


STEADY = [
    (1e-4, 1.0 + 0.5 * math.exp(-0.01)),
    (1e-3, 1.0 + 0.5 * math.exp(-1.0)),
    (2e-3, 1.0 + 0.5 * math.exp(-4.0)),
    (0.1, 1.0),
]


@pytest.mark.parametrize(("speed", "expected"), STEADY)
def test_steady_friction_is_the_stribeck_curve(speed, expected):
    """A body moved at constant speed feels g(v) once its bristles have bent (steady state of the paper's model)."""
    z = 0.0
    step = 1e-6
    for _ in range(round(14.0 * BREAKAWAY / SIGMA0 / speed / step)):
        # an infinite mass: the speed does not change
        _, z = lugre.lugre_step(speed, speed, z, level(speed), SIGMA0, SIGMA1, step, 0.0)
    check = OutsideCheck(
        f"LU-steady-{speed:g}",
        f"friction at a steady {speed:g} m/s without sigma2",
        expected,
        "N",
        2e-4,
        PAPER,
        "recomputed",
    )
    verify(check, lugre.lugre_torque(speed, z, level(speed), SIGMA0, SIGMA1))


@pytest.mark.parametrize("share", [0.3, 0.6, 0.95])
def test_presliding_way(share):
    """Force raised slowly: F = Fs (1 - exp(-sigma0 x / Fs)), the Dahl curve; the paper's example goes to 95 % of Fs."""
    top = share * BREAKAWAY
    _, x, _, _ = run(lambda t, _: top * min(1.0, t / 30.0), 31.0, 1e-4)
    expected = -BREAKAWAY / SIGMA0 * math.log(1.0 - share)
    check = OutsideCheck(
        f"LU-presliding-{share:g}", f"way under {top:.4g} N, slowly raised", expected, "m", 4e-3, PAPER, "recomputed"
    )
    verify(check, x[-1])


def test_stiffness_of_a_held_body():
    """A small force only bends the bristles: x = F / sigma0."""
    _, x, _, _ = run(lambda t, _: 0.005, 0.2, 1e-5)
    source = "spring law with the paper's sigma0"
    verify(OutsideCheck("LU-spring", "way under 5 mN", 0.005 / SIGMA0, "m", 4e-3, source, "recomputed"), x[-1])


@pytest.mark.parametrize("rate", [1.0, 5.0, 20.0])
def test_breakaway_depends_on_the_rate_of_the_force(rate):
    """Friction at its greatest while the force rises at a steady rate (the paper's second example)."""

    def force(t: float, _: float) -> float:
        return rate * t

    end = 2.5 / rate
    time, _, v, z = run(force, end, 1e-5 / max(1.0, rate / 5.0))
    ours = max(
        lugre.lugre_torque(float(a), float(b), level(float(a)), SIGMA0, SIGMA1) for a, b in zip(v, z, strict=True)
    )
    found = integrated(force, end, max_step=end / 2000.0)
    theirs = 0.0
    for a, b in zip(found.y[1], found.y[2], strict=True):
        g = RUNNING + (BREAKAWAY - RUNNING) * math.exp(-((a / VS) ** 2))
        theirs = max(theirs, SIGMA0 * b + SIGMA1 * (a - SIGMA0 * abs(a) / g * b))
    check = OutsideCheck(
        f"LU-breakaway-{rate:g}",
        f"greatest friction, force rising {rate:g} N/s",
        theirs,
        "N",
        3e-3,
        PAPER,
        "recomputed",
    )
    verify(check, ours)
    assert RUNNING < ours <= BREAKAWAY
    assert time[-1] == pytest.approx(end)


def test_faster_force_breaks_away_at_less():
    """The trend of the paper's figure of breakaway force against force rate."""
    tops = []
    for rate in (1.0, 10.0, 50.0):
        _, _, v, z = run(lambda t, _, rate=rate: rate * t, 2.5 / rate, 5e-6 if rate > 5.0 else 2e-5)
        tops.append(
            max(
                lugre.lugre_torque(float(a), float(b), level(float(a)), SIGMA0, SIGMA1)
                for a, b in zip(v, z, strict=True)
            )
        )
    assert tops[0] > tops[1] > tops[2]


def pulled(t: float, x: float) -> float:
    """The paper's stick-slip rig: spring of 2 N/m, far end at 0.1 m/s."""
    return 2.0 * (0.1 * t - x)


@pytest.fixture(scope="module")
def stick_slip():
    return run(pulled, 22.0, 4e-5)


def _slips(time, v) -> list[float]:
    """Times at which the body comes past 10 mm/s upward."""
    return [float(time[k]) for k in np.nonzero((v[:-1] < 0.01) & (v[1:] >= 0.01))[0]]


def test_stick_slip_period_and_jump(stick_slip):
    """Against a general stiff integrator of the paper's equations."""
    time, x, v, _ = stick_slip
    found = integrated(pulled, 22.0, max_step=0.02, dense_output=True)
    fine = np.arange(0.0, 22.0, 1e-3)
    states = found.sol(fine)
    starts = _slips(time, v)
    theirs = _slips(fine, states[1])
    assert len(starts) >= 3
    assert len(theirs) == len(starts)
    period = theirs[2] - theirs[1]
    check = OutsideCheck(
        "LU-slip-period", "stick-slip period, 1 kg, 2 N/m, 0.1 m/s", period, "s", 2e-3, PAPER, "recomputed"
    )
    verify(check, starts[2] - starts[1])
    # the jump of a period is the way of the puller in it
    middle = 0.5 * (starts[1] + starts[2])
    before = 0.5 * (starts[0] + starts[1])
    jump = float(np.interp(middle, time, x) - np.interp(before, time, x))
    verify(OutsideCheck("LU-slip-jump", "way of one slip", 0.1 * period, "m", 5e-3, PAPER, "recomputed"), jump)


def test_stick_slip_breaks_away_near_the_static_level(stick_slip):
    """The spring's force before a slip: the puller raises it by 0.2 N/s, slow, so it comes near Fs (1.5 N)."""
    time, x, v, _ = stick_slip
    starts = _slips(time, v)
    k = int(np.searchsorted(time, starts[1]))
    force = max(pulled(float(time[j]), float(x[j])) for j in range(k - 5000, k))
    verify(OutsideCheck("LU-slip-force", "spring force at breakaway", 1.5, "N", 0.01, PAPER, "from memory"), force)


def test_stuck_bristles_creep_little(stick_slip):
    """Between slips the body moves by less than the bristles' bend, Fs / sigma0 = 15 um, times a few."""
    time, x, v, _ = stick_slip
    starts = _slips(time, v)
    a, b = (int(np.searchsorted(time, starts[1] + share * (starts[2] - starts[1]))) for share in (0.5, 0.9))
    assert 0.0 < x[b] - x[a] < 5.0 * BREAKAWAY / SIGMA0


def test_frictional_lag():
    """Speed that swings above zero: friction is greater while speed rises than while it falls (the paper's figure)."""
    step, z, rows = 1e-6, 0.0, []
    for k in range(round(2.0 / step * 2.0 * math.pi / 25.0)):
        speed = 1e-3 * (1.0 + 0.9 * math.sin(25.0 * k * step))
        before = z
        _, z = lugre.lugre_step(speed, speed, z, level(speed), SIGMA0, SIGMA1, step, 0.0)
        if k * step > 2.0 * math.pi / 25.0 and k % 200 == 0:
            rows.append((math.cos(25.0 * k * step) > 0.0, speed, SIGMA0 * z + SIGMA1 * (z - before) / step))
    rising = [f for up, s, f in rows if up and 0.9e-3 < s < 1.1e-3]
    falling = [f for up, s, f in rows if not up and 0.9e-3 < s < 1.1e-3]
    assert min(rising) > max(falling)


def test_default_damping_is_the_papers():
    source = "sigma1 of the paper's table is sqrt(sigma0 m)"
    verify(
        OutsideCheck("LU-sigma1", "sigma1 for 1e5 N/m and 1 kg", 316.227766, "N s/m", 1e-8, source, "from memory"),
        lugre.default_damping(1e5, 1.0),
    )


def test_no_friction_no_force():
    assert lugre.lugre_step(0.3, 0.2, 1e-5, 0.0, SIGMA0, SIGMA1, 1e-5, 1e-5) == (0.3, 0.0)
