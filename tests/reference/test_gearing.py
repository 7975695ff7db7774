"""Gear train, its best ratio, play and efficiency against mechanics that others published."""

from __future__ import annotations

import math

import numpy as np
import pytest
from outside import OutsideCheck, verify
from scipy.optimize import brentq, minimize_scalar

from valvectl.parts import friction, gearing

PASCH = (
    "Pasch and Seering, ASME J. Mechanisms, Transmissions and Automation in Design 106 (1984) 102-108 "
    "(formulas from memory, values worked out)"
)
GELB = (
    "Gelb and Vander Velde, Multiple-Input Describing Functions and Nonlinear System Design (1968), "
    "friction-controlled backlash"
)
SERIES = "springs in series and reflected through a ratio, any vibration text"
SCREW = "self-locking screw or worm: efficiency below one half, any machine-elements text"
ROTOR, LOAD, MOTOR_TORQUE = 1e-5, 4e-3, 0.3


def load_acceleration(ratio: float, load_torque: float) -> float:
    """Acceleration of the stem [rad/s^2], from the motor's torque balance with our mesh law, loss-free."""
    train = gearing.combine([gearing.StageNumbers(ratio, 1.0, 1.0, 1.0, 0.0, 1e-3, 0.0)], 0.0)

    def balance(acceleration: float) -> float:
        stem = LOAD * acceleration + load_torque
        return MOTOR_TORQUE - gearing.mean_mesh_torque(stem, train.ratio, 1.0, 1.0) - ROTOR * train.ratio * acceleration

    return brentq(balance, -1e6, 1e6, xtol=1e-9, rtol=1e-14)


def best_ratio(load_torque: float) -> tuple[float, float]:
    """Ratio of the greatest acceleration and that acceleration, by search."""
    found = minimize_scalar(
        lambda n: -load_acceleration(n, load_torque), bounds=(1.0, 200.0), method="bounded", options={"xatol": 1e-8}
    )
    return float(found.x), float(-found.fun)


RATIOS = [
    (OutsideCheck("S21-ratio", "best ratio, no load torque: sqrt(JL/Jm)", 20.0, "", 1e-5, PASCH, "recomputed"), 0.0, 0),
    (
        OutsideCheck(
            "S21-acceleration", "greatest acceleration Tm/(2 sqrt(Jm JL))", 750.0, "rad/s2", 1e-9, PASCH, "recomputed"
        ),
        0.0,
        1,
    ),
    (
        OutsideCheck(
            "S21-loaded",
            "best ratio with 2.4 N m of load: TL/Tm + sqrt((TL/Tm)^2 + JL/Jm)",
            8.0 + math.sqrt(464.0),
            "",
            1e-5,
            PASCH,
            "recomputed",
        ),
        2.4,
        0,
    ),
]


@pytest.mark.parametrize(("check", "load_torque", "which"), RATIOS, ids=[row[0].id for row in RATIOS])
def test_best_ratio(check, load_torque, which):
    """At the optimum without load the two inertias match; the rows say where the top lies and how high it is."""
    verify(check, best_ratio(load_torque)[which])


# --------------------------------------------------------------------------------------------------------- the train


def _train() -> gearing.Train:
    planetary = gearing.StageNumbers(20.0, 0.85, 0.72, 0.80, 1e-6, 1.0 / 300.0, 2.4e-3)
    team = gearing.StageNumbers(3.0, 0.95, 0.88, 0.94, 4e-5, 1.0 / 400.0, 2.1e-3)
    return gearing.combine([planetary, team], 1.0 / 5000.0)


TRAIN = [
    (
        # 300 N m/rad seen through 3:1 is 2700 N m/rad.
        OutsideCheck(
            "series-stiffness",
            "stiffness at the stem of 300 N m/rad through 3:1, 400 and 5000 N m/rad in series",
            1.0 / (1.0 / 2700.0 + 1.0 / 400.0 + 1.0 / 5000.0),
            "N m/rad",
            1e-12,
            SERIES,
            "recomputed",
        ),
        lambda: _train().stiffness,
    ),
    (
        OutsideCheck(
            "reflected-inertia",
            "inertia at the motor of 1 and, behind 20:1, 40 kg mm2",
            1.1e-6,
            "kg m2",
            1e-12,
            "inertia reflected by the square of the ratio, any machines text",
            "recomputed",
        ),
        lambda: _train().motor_inertia,
    ),
    (
        OutsideCheck(
            "lost-motion",
            "lost motion at the stem of 2.4 mrad before 3:1 and 2.1 mrad behind it",
            2.9e-3,
            "rad",
            1e-12,
            "gear backlash is divided by the ratio that follows it: common practice",
            "common practice, no source",
        ),
        lambda: _train().lost_motion,
    ),
    (
        OutsideCheck("screw-half", "efficiency backwards at 0.5 forwards", 0.0, "", 1e-15, SCREW, "from memory", True),
        lambda: gearing.backdrive_default(0.5),
    ),
    (
        OutsideCheck(
            "screw-square-thread",
            "efficiency backwards of a square thread, lead angle 10 deg, friction angle 3 deg: tan(10-3)/tan 10",
            math.tan(math.radians(7.0)) / math.tan(math.radians(10.0)),
            "",
            0.02,
            "power screw: forwards tan(lead)/tan(lead + friction), backwards tan(lead - friction)/tan(lead), any "
            "machine-elements text; the rule 2 - 1/efficiency is its limit for small angles",
            "recomputed",
        ),
        lambda: gearing.backdrive_default(math.tan(math.radians(10.0)) / math.tan(math.radians(13.0))),
    ),
]


@pytest.mark.parametrize(("check", "got"), TRAIN, ids=[row[0].id for row in TRAIN])
def test_train(check, got):
    verify(check, got())


@pytest.mark.parametrize(("ratio", "drive", "back"), [(60.0, 0.8075, 0.752), (30.0, 0.6, 1.0 / 3.0), (50.0, 0.45, 0.0)])
def test_motor_torque_either_way_of_power(ratio, drive, back):
    """Torque that just moves the load, found with the friction law: T/(N eta) up, T eta_b/N let down."""
    source = "efficiency is power out over power in, either way"
    stem = 2.5
    mean = gearing.mean_mesh_torque(stem, ratio, drive, back)
    level = gearing.mesh_friction(stem, ratio, drive, back)

    def moves(torque: float) -> float:
        return friction.stick_or_slip(1e-3 * (torque - mean), level, 1e-3)

    lift = brentq(lambda t: (moves(t) > 0.0) - 0.5, mean, 10.0 * stem / ratio + level, xtol=1e-12)
    lower = brentq(lambda t: (moves(t) < 0.0) - 0.5, -stem / ratio - level, mean, xtol=1e-12)
    name = f"{ratio:g}-{drive:g}"
    verify(
        OutsideCheck(f"lift-{name}", "torque to lift", stem / (ratio * drive), "N m", 1e-8, source, "recomputed"), lift
    )
    expected = stem * back / ratio
    check = OutsideCheck(
        f"lower-{name}", "torque at which it runs back", expected, "N m", 1e-9, source, "recomputed", absolute=True
    )
    verify(check, lower)


def test_free_vibration_of_the_geared_two_mass_system():
    """Eigenfrequency sqrt(k (1/JL + 1/(N^2 Jm))), by counting swings of a run with ``spring_torque``."""
    stiffness, stem_inertia, motor_side = 400.0, 4e-4, 60.0**2 * 8e-6
    expected = math.sqrt(stiffness * (1.0 / stem_inertia + 1.0 / motor_side)) / (2.0 * math.pi)
    step, twist, rate, crossings = 2e-6, 0.01, 0.0, []
    for k in range(60000):
        torque = gearing.spring_torque(twist, rate, stiffness, 0.0, 0.0)
        rate -= step * torque * (1.0 / stem_inertia + 1.0 / motor_side)
        before, twist = twist, twist + step * rate
        if before > 0.0 >= twist:
            crossings.append((k + before / (before - twist)) * step)
    check = OutsideCheck(
        "two-mass",
        "eigenfrequency of two inertias on a spring",
        expected,
        "Hz",
        1e-5,
        "two-mass torsional system, any vibration text",
        "recomputed",
    )
    verify(check, (len(crossings) - 1) / (crossings[-1] - crossings[0]))


# -------------------------------------------------------------------------------------- describing function of play


def first_harmonic_of_play(half_gap: float, amplitude: float) -> complex:
    """Gain of ``play`` for a sine, first Fourier coefficient of the second period (the first one is for settling)."""
    n = 20000
    phase = 2.0 * math.pi * np.arange(2 * n) / n
    ball, out = 0.0, np.empty(2 * n)
    for k, stem in enumerate(amplitude * np.sin(phase)):
        ball = gearing.play(ball, float(stem), half_gap)
        out[k] = ball
    return complex(2.0 / n * np.sum(out[n:] * (np.sin(phase[n:]) + 1j * np.cos(phase[n:]))) / amplitude)


PLAY = [
    (0.2, 0.85762, -0.20372, -13.362),
    (0.4, 0.62647, -0.30558, -26.002),
    (0.5, 0.5, -0.31831, -32.481),
    (0.8, 0.14238, -0.20372, -55.050),
]


@pytest.mark.parametrize(("ratio", "real", "imaginary", "phase"), PLAY)
def test_describing_function_of_play(ratio, real, imaginary, phase):
    """``half_clearance`` of our law is half the gap; python-control's argument is the whole gap."""
    import control

    got = first_harmonic_of_play(ratio * 0.7, 0.7)
    library = complex(control.friction_backlash_nonlinearity(2.0 * ratio * 0.7).describing_function(0.7))
    what = f"describing function of play, half-gap over amplitude {ratio}"
    from_library = "python-control 0.10.2, friction_backlash_nonlinearity (argument: whole gap)"
    rows = [
        (f"S28-{ratio}-re", real, GELB, "recomputed", got.real, "real part", 1e-4, False),
        (f"S28-{ratio}-im", imaginary, GELB, "recomputed", got.imag, "imaginary part", 1e-4, False),
        (f"S28-{ratio}-phase", phase, GELB, "recomputed", math.degrees(np.angle(got)), "phase", 0.01, True),
        (f"S28-{ratio}-control-re", library.real, from_library, "library", got.real, "real part", 1e-4, False),
        (f"S28-{ratio}-control-im", library.imag, from_library, "library", got.imag, "imaginary part", 1e-4, False),
    ]
    for name, expected, source, certainty, value, part, tolerance, absolute in rows:
        unit = "deg" if absolute else ""
        verify(OutsideCheck(name, f"{what}, {part}", expected, unit, tolerance, source, certainty, absolute), value)


def test_play_passes_nothing_of_a_small_sine():
    assert abs(first_harmonic_of_play(0.5, 0.499)) == 0.0
