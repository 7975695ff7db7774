"""Tuning rules against what their sources promise, disk margins against the paper's example and python-control."""

from __future__ import annotations

import math
from dataclasses import dataclass

import control
import numpy as np
import pytest
from outside import Certainty, OutsideCheck, verify
from scipy.optimize import brentq

from valvectl.parts import tuning_rules as rules
from valvectl.servo.disk import disk_margin, guaranteed

KESSLER = "Kessler (1958) as tabled in Umland & Safiuddin, IEEE Trans. Ind. Appl. 26 (1990) 489"
ASTROM = "Astrom & Hagglund, Advanced PID Control (ISA, 2006)"
SEILER = "Seiler, Packard & Gahinet, IEEE Control Systems Magazine 40 (2020) 5, p. 78"
S = control.tf("s")


@dataclass(frozen=True)
class Check:
    """A row with what the program found."""

    what: str
    expected: float
    got: float
    source: str
    certainty: Certainty
    abs: float = 0.0
    rel: float = 0.0


def check_all(*rows: Check) -> None:
    for row in rows:
        verify(
            OutsideCheck(
                f"TU {row.what}",
                row.what,
                row.expected,
                "",
                row.abs or row.rel,
                row.source,
                row.certainty,
                row.abs > 0.0,
            ),
            row.got,
        )


def step(system, end: float):
    time = np.linspace(0.0, end, 40001)
    answer = control.step_response(system, time)
    return np.asarray(answer.time), np.asarray(answer.outputs)


def overshoot(system, end: float) -> float:
    _, y = step(system, end)
    return 100.0 * (float(y.max()) / float(control.dcgain(system)) - 1.0)


def modulus():
    """K = 2, T = 0.3, sigma = 0.01."""
    kp, ti = rules.modulus_optimum(2.0, 0.3, 0.01)
    return kp * (1 + 1 / (ti * S)) * 2.0 / ((1 + 0.3 * S) * (1 + 0.01 * S))


def symmetrical(spread: float = 2.0):
    kp, ti = rules.symmetrical_optimum(3.0, 0.5, 0.01, spread)
    return kp * (1 + 1 / (ti * S)) * 3.0 / (0.5 * S * (1 + 0.01 * S)), ti


def phase_margin(loop) -> float:
    w = brentq(lambda x: math.log(abs(complex(loop(1j * x)))), 1.0, 1e3)
    return math.degrees(math.pi + np.angle(complex(loop(1j * w))))


def test_modulus_optimum():
    closed = control.feedback(control.minreal(modulus(), verbose=False), 1)
    time, y = step(closed, 0.3)
    crosses = float(time[np.argmax(y >= 1.0)])
    check_all(
        Check("overshoot of the modulus optimum [%]", 4.3, overshoot(closed, 0.3), KESSLER, "from memory", abs=0.05),
        Check("time to reach the set-point over sigma", 4.7, crosses / 0.01, KESSLER, "from memory", abs=0.05),
        Check("phase margin [deg]", 65.5, phase_margin(modulus()), KESSLER, "from memory", abs=0.1),
    )


def test_symmetrical_optimum():
    loop, ti = symmetrical()
    closed = control.feedback(loop, 1)
    filtered = control.minreal(closed / (1 + ti * S), verbose=False)
    wide, _ = symmetrical(3.0)
    check_all(
        Check(
            "overshoot of the symmetrical optimum [%]", 43.4, overshoot(closed, 0.6), KESSLER, "from memory", abs=0.1
        ),
        Check("overshoot behind the filter [%]", 8.1, overshoot(filtered, 0.6), KESSLER, "from memory", abs=0.1),
        Check("phase margin, a = 2 [deg]", 36.87, phase_margin(loop), KESSLER, "from memory", abs=0.02),
        Check("phase margin, a = 3 [deg]", 53.13, phase_margin(wide), KESSLER, "from memory", abs=0.02),
        Check(
            "its formula, a = 3 [deg]",
            53.13,
            math.degrees(rules.symmetrical_phase(3.0)),
            KESSLER,
            "from memory",
            abs=0.005,
        ),
    )


def test_lambda_and_placed_poles():
    kp, ti = rules.lambda_pi(2.0, 0.4, 0.05, 0.1)
    # with the zero on the pole the loop is (1/((lambda + L) s)) exp(-L s): crossover at 1/(lambda + L)
    crossover = kp * 2.0 / ti / 1.0 * 1.0
    placed, integral = rules.placed_pi(1.0, 0.01, 50.0, 0.7)
    poles = np.roots([0.01, placed, integral])
    cascade = rules.placed_cascade(80.0, 1.0)
    double = np.roots([1.0 / 80.0, 1.0, cascade])
    check_all(
        Check("lambda: crossover [rad/s]", 1.0 / 0.15, crossover * 0.4 / 0.4, ASTROM, "from memory", rel=1e-12),
        Check(
            "natural frequency placed [rad/s]",
            50.0,
            math.sqrt(abs(poles[0] * poles[1])),
            ASTROM,
            "from memory",
            rel=1e-9,
        ),
        Check("damping placed", 0.7, float(-poles[0].real / abs(poles[0])), ASTROM, "from memory", rel=1e-9),
        Check(
            "both poles of the cascade [rad/s]",
            -40.0,
            float(np.mean(double.real)),
            "elementary algebra",
            "recomputed",
            rel=1e-6,
        ),
        Check(
            "lambda for an integrator",
            5.0,
            rules.lambda_p_integrating(2.0, 0.02, 0.08),
            ASTROM,
            "from memory",
            rel=1e-12,
        ),
    )


def test_disk_margin_of_the_papers_example():
    """L = 25 / (s^3 + 10 s^2 + 10 s + 10)."""
    omega = np.geomspace(0.05, 50.0, 40001)
    loop = 25.0 / ((1j * omega) ** 3 + 10 * (1j * omega) ** 2 + 10 * (1j * omega) + 10)
    found = disk_margin(loop, omega)
    check_all(
        Check("disk margin", 0.46, found.size, SEILER, "from memory", abs=0.005),
        Check("gain may rise by", 1.59, found.gain_margin, SEILER, "from memory", abs=0.01),
        Check("gain may fall to", 0.63, found.gain_reduction, SEILER, "from memory", abs=0.005),
        Check("phase guaranteed [deg]", 25.8, math.degrees(found.phase_margin), SEILER, "from memory", abs=0.3),
    )


@pytest.mark.parametrize("skew", [-1.0, 0.0, 1.0])
def test_disk_margin_against_python_control(skew):
    if not hasattr(control, "disk_margins"):
        pytest.fail("python-control has no disk_margins")
    omega = np.geomspace(0.05, 50.0, 4001)
    loop = 25.0 / ((1j * omega) ** 3 + 10 * (1j * omega) ** 2 + 10 * (1j * omega) + 10)
    ours = disk_margin(loop, omega, skew)
    theirs = control.disk_margins(control.tf([25], [1, 10, 10, 10]), omega, skew=skew)
    source = "python-control disk_margins"
    check_all(Check(f"disk margin, skew {skew:g}", float(theirs[0]), ours.size, source, "library", rel=1e-6))
    at = guaranteed(ours.size, skew)
    assert at.gain_margin == ours.gain_margin


def test_what_a_disk_guarantees():
    """Balanced disk: gain (2 + a)/(2 - a) either way, phase 2 atan(a/2)."""
    for size in (0.2, 0.75, 1.5):
        found = guaranteed(size)
        check_all(
            Check(f"gain, a = {size}", (2 + size) / (2 - size), found.gain_margin, SEILER, "from memory", rel=1e-12),
            Check(
                f"gain down, a = {size}",
                (2 - size) / (2 + size),
                found.gain_reduction,
                SEILER,
                "from memory",
                rel=1e-12,
            ),
            Check(
                f"phase, a = {size} [rad]", 2 * math.atan(size / 2), found.phase_margin, SEILER, "from memory", rel=1e-9
            ),
        )
    assert guaranteed(2.0).gain_margin == math.inf
    assert guaranteed(2.0).phase_margin == pytest.approx(math.pi / 2)
