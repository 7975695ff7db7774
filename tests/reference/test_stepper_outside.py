"""Stepping motor: microstep torque, resonance, step time and small errors against published numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from outside import OutsideCheck, verify

from valvectl.parts import stepper

TABLE = "public forum table of coil currents in microstepping: sin(90 deg/N)"
RESONANCE = "public worked example: 0.32 N cm at 0.3 deg, 48 g cm^2, w = sqrt(k/J): 56.8 Hz"
CALCULATOR = "a distributor's public stepper calculator: least time a step 2 L I/V"
JONES = (
    "Jones, Stepping Motors, physics: dead band of friction f against holding torque h, (S/(pi/2)) asin(f/h) each side"
)
SHARES = {1: 100.0, 2: 70.71, 4: 38.27, 8: 19.51, 16: 9.80, 32: 4.91, 64: 2.45, 128: 1.23, 256: 0.61}

MICROSTEPS = [
    OutsideCheck(f"ST-micro-{n}", f"torque of a microstep, {n} a step", share, "%", 0.005, TABLE, "published", True)
    for n, share in SHARES.items()
]


@pytest.mark.parametrize("check", MICROSTEPS, ids=lambda check: check.id)
def test_microstep_torque(check):
    verify(check, 100.0 * stepper.microstep_torque(1.0, float(check.id.rpartition("-")[2])))


def test_resonance():
    check = OutsideCheck("ST-resonance", "small-angle resonance", 56.8, "Hz", 1e-3, RESONANCE, "published")
    stiffness = 0.0032 / math.radians(0.3)
    verify(check, stepper.natural_frequency(stiffness / 50.0, 50.0, 4.8e-6))


def test_step_time():
    check = OutsideCheck("ST-step-time", "3 A, 2 mH, 48 V, no resistance", 2.5e-4, "s", 1e-12, CALCULATOR, "recomputed")
    verify(check, stepper.current_reversal_time(3.0, 48.0, 0.0, 2e-3))
    assert stepper.current_reversal_time(3.0, 48.0, 1e-9, 2e-3) == pytest.approx(2.5e-4, rel=1e-9)
    assert stepper.current_reversal_time(3.0, 2.0, 0.7, 2e-3) == math.inf


def test_dead_band_of_friction():
    expected = 1.8 / 90.0 * math.degrees(math.asin(0.1))
    check = OutsideCheck("ST-dead-band", "f/h 0.1, 1.8 deg steps", expected, "deg", 1e-12, JONES, "from memory")
    verify(check, math.degrees(stepper.load_error(0.1, 1.0, 50.0)))


def test_full_step():
    check = OutsideCheck(
        "ST-step",
        "50 teeth",
        1.8,
        "deg",
        1e-12,
        "200 steps a turn of a 50-tooth hybrid motor",
        "common practice, no source",
    )
    verify(check, math.degrees(stepper.full_step(50.0)))


def test_two_phases_hold_as_one_vector():
    """Two equal sines a quarter apart: crest sqrt(2) of one."""
    angle = np.linspace(0.0, 2.0 * np.pi, 100001)
    crest = float(np.max(np.sin(angle) + np.cos(angle)))
    source = "sum of two sines a quarter apart, searched"
    check = OutsideCheck("ST-two-phase", "holding over one phase's torque", crest, "", 1e-8, source, "recomputed")
    verify(check, 1.0 / stepper.constant_from_holding(1.0, 1.0))


def test_microsteps_until_it_moves():
    """16 microsteps: friction of 20 % of the holding torque needs asin(0.2)/(5.625 deg) = 2.05 of them."""
    expected = math.degrees(math.asin(0.2)) / 5.625
    source = "sine of the lag, worked by hand"
    check = OutsideCheck("ST-stuck", "microsteps before motion", expected, "", 1e-12, source, "recomputed")
    verify(check, stepper.microsteps_to_move(0.2, 1.0, 16.0))
    assert stepper.microsteps_to_move(1.1, 1.0, 16.0) == math.inf


def test_pull_out_at_both_ends():
    """Slow: K I. Fast without resistance: V K/(w p L), the reactance-limited motor of any machines text."""
    check = OutsideCheck(
        "ST-fast",
        "far above the corner, no resistance, no EMF to speak of",
        24.0 * 0.05 / (50.0 * 2000.0 * 2e-3),
        "N m",
        1e-3,
        "synchronous machine on a reactance: T = E V/(w X)",
        "recomputed",
    )
    verify(check, stepper.pull_out_torque(2000.0, 0.05, 3.0, 24.0, 0.0, 2e-3, 50.0))
    assert stepper.pull_out_torque(0.0, 0.3, 3.0, 24.0, 0.7, 2e-3, 50.0) == pytest.approx(0.9, rel=1e-15)
