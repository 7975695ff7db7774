"""Motor data-sheet conventions and the speed-torque line against published constants and machine theory."""

from __future__ import annotations

import math

import numpy as np
import pytest
from outside import OutsideCheck, verify
from scipy.integrate import quad
from scipy.optimize import minimize_scalar

from valvectl.parts import motor
from valvectl.parts import motor_ratings as ratings

ARTICLE = "public web article on KV, Kt, Ke and Km of brushless motors: Kt = 3/2 * 1/sqrt(3) * 60/(2 pi)/KV = 8.27/KV"
SHEET = (
    "maker's sheet quoted in a public question-and-answer thread: Ke 0.318 V RMS s/rad line to line, Kt 0.55 N m/A RMS"
)
BOOK = "motor makers' data books: torque constant times speed constant is 1 in SI, 30/pi rpm/V per N m/A"
THEORY = "three sinusoidal phases by definition of torque, T w = sum of e i; integrated in the test"
NISE = "Nise, Control Systems Engineering, dc motor example with stall torque 500, no-load speed 50 rad/s at 100 V"
LINE = "public answer on dc motors: T = Ts - N Ts/Nf"
IEC = "IEC 60034-1: resistance of copper goes with 235 + t (t in degC)"


def emf(phase: int, angle: float) -> float:
    """EMF of a phase over speed, peak 1."""
    return math.sin(angle - phase * 2.0 * math.pi / 3.0)


def mean_torque_sine(current_peak: float) -> float:
    whole, _ = quad(lambda a: sum(emf(p, a) * current_peak * emf(p, a) for p in range(3)), 0.0, 2.0 * math.pi)
    return whole / (2.0 * math.pi)


def mean_torque_block() -> float:
    """Current of 1 A through two phases, while their EMF's difference is within 30 degrees of its crest."""
    crest = math.pi / 3.0
    whole, _ = quad(lambda a: emf(0, a) - emf(1, a), crest - math.pi / 6.0, crest + math.pi / 6.0)
    return whole / (math.pi / 3.0)


def computed() -> dict[str, float]:
    one = ratings.phase_emf_from_speed_constant(ratings.RPM, "line peak")
    from_sheet = 0.318 / ratings.EMF_FACTOR["line RMS"]
    line = {"friction": 0.0, "resistance": 0.4, "k": 2.0}
    # 12 V, 3800 rpm, 30 mN m: K = 12/w0, R = K 12/Ts.
    k = 12.0 / (3800.0 * ratings.RPM)
    r = k * 12.0 / 0.030
    return {
        "MR-827": ratings.torque_constant(one, "phase peak"),
        "MR-955": ratings.torque_constant(one, "direct"),
        "MR-sheet": ratings.torque_constant(from_sheet, "phase RMS"),
        "MR-sheet-back": ratings.phase_emf_from_torque_constant(0.55, "phase RMS") * ratings.EMF_FACTOR["line RMS"],
        "MR-sine": ratings.torque_constant(1.0, "phase peak"),
        "MR-block": ratings.torque_constant(1.0, "block"),
        "MR-stall": ratings.stall_torque(100.0, **line),
        "MR-top": ratings.speed_at_torque(100.0, 0.0, **line),
        "MR-line": 1e3 * ratings.torque_at_speed(12.0, 2500.0 * ratings.RPM, 0.0, r, k),
        "MR-copper": ratings.resistance_at_reference(1.0, 1.0 / 260.0, 293.15),
        "MR-volt-meter": ratings.speed_constant(one, "line RMS") / ratings.speed_constant(one, "line peak"),
    }


ROWS = [
    OutsideCheck(
        "MR-827", "1 rpm/V (line peak), torque per A of phase peak", 8.27, "N m/A", 2e-4, ARTICLE, "published"
    ),
    OutsideCheck("MR-955", "1 rpm/V, torque per A direct", 30.0 / math.pi, "N m/A", 1e-12, BOOK, "recomputed"),
    OutsideCheck("MR-sheet", "Ke 0.318 line RMS to Kt per A RMS", 0.55, "N m/A", 3e-3, SHEET, "published"),
    OutsideCheck("MR-sheet-back", "Kt 0.55 per A RMS to Ke line RMS", 0.318, "V s/rad", 3e-3, SHEET, "published"),
    OutsideCheck("MR-sine", "torque of 1 A peak, ke 1", mean_torque_sine(1.0), "N m/A", 1e-9, THEORY, "recomputed"),
    OutsideCheck(
        "MR-block", "mean torque in six steps, ke 1", mean_torque_block(), "N m/A", 1e-9, THEORY, "recomputed"
    ),
    OutsideCheck("MR-stall", "stall torque from Kt/R 5, K 2", 500.0, "N m", 1e-12, NISE, "from memory"),
    OutsideCheck("MR-top", "no-load speed from K 2", 50.0, "rad/s", 1e-12, NISE, "from memory"),
    OutsideCheck("MR-line", "12 V, 3800 rpm, 30 mN m: at 2500 rpm", 30.0 * 13 / 38, "mN m", 1e-9, LINE, "recomputed"),
    OutsideCheck("MR-copper", "1 ohm at 20 degC, at 25 degC", 260.0 / 255.0, "ohm", 1e-9, IEC, "from memory"),
    OutsideCheck(
        "MR-volt-meter",
        "rpm per volt RMS over rpm per volt peak",
        math.sqrt(2.0),
        "",
        1e-12,
        "crest factor of a sine, any circuit text",
        "recomputed",
    ),
]


@pytest.mark.parametrize("check", ROWS, ids=lambda check: check.id)
def test_conventions(check):
    verify(check, computed()[check.id])


@pytest.mark.parametrize(("shape", "expected"), [("star", 2.0), ("delta", 2.0 / 3.0)])
def test_terminal_resistance_by_nodes(shape, expected):
    """1 ohm windings: the conductance matrix of the three terminals (and the star point) solved for 1 A in and out."""
    if shape == "star":
        g = np.array([[1, 0, 0, -1], [0, 1, 0, -1], [0, 0, 1, -1], [-1, -1, -1, 3]], dtype=float)
        got = ratings.terminal_from_star(1.0)
    else:
        g = np.array([[2, -1, -1], [-1, 2, -1], [-1, -1, 2]], dtype=float)
        got = ratings.terminal_from_delta(1.0)
    drive = np.zeros(g.shape[0])
    drive[0], drive[1] = 1.0, -1.0
    volts = np.linalg.lstsq(g, drive, rcond=None)[0]
    solved = float(volts[0] - volts[1])
    assert solved == pytest.approx(expected, rel=1e-12)
    source = "resistance between two nodes by the conductance matrix, any circuit text"
    verify(OutsideCheck(f"MR-{shape}", f"terminals, 1 ohm in {shape}", solved, "ohm", 1e-9, source, "recomputed"), got)


def test_greatest_efficiency_and_power_by_search():
    """(1 - sqrt(I0/Is))^2 and the crest of shaft power found by search over the line."""
    voltage, resistance, k, friction = 24.0, 0.6, 0.038, 0.012
    idle, stall = friction / k, voltage / resistance

    def efficiency(current: float) -> float:
        speed = (voltage - resistance * current) / k
        return (k * current - friction) * speed / (voltage * current)

    best = minimize_scalar(lambda i: -efficiency(i), bounds=(idle, stall), method="bounded", options={"xatol": 1e-9})
    source = "efficiency of a permanent-magnet motor, any machines text; crest found by search"
    rows = [
        (OutsideCheck("MR-eta", "greatest efficiency", -best.fun, "", 1e-9, source, "recomputed"),
         ratings.greatest_efficiency(idle, stall)),
        (OutsideCheck("MR-eta-i", "its current", float(best.x), "A", 1e-5, source, "recomputed"),
         ratings.current_of_greatest_efficiency(idle, stall)),
    ]  # fmt: skip
    speeds = np.linspace(0.0, 700.0, 700001)
    power = speeds * (k * (voltage - k * speeds) / resistance - friction)
    rows.append(
        (OutsideCheck("MR-power", "greatest shaft power", float(power.max()), "W", 1e-8, source, "recomputed"),
         ratings.greatest_power(voltage, friction, resistance, k))
    )  # fmt: skip
    for check, got in rows:
        verify(check, got)


def test_direct_equivalent_keeps_loss_torque_and_voltage():
    """The model's loss, torque and EMF are those of the three phases, for any peak current."""
    row = ratings.CatalogueRow(
        constant=190.0 * ratings.RPM,
        constant_is="speed",
        emf_convention="line peak",
        current_convention="phase peak",
        terminal_resistance=0.06,
        terminal_inductance=3e-5,
        peak_current=40.0,
        no_load_current=1.2,
    )
    numbers = ratings.model_numbers(row)
    phase_emf = ratings.phase_emf_from_speed_constant(row.constant, "line peak")
    star = ratings.star_from_terminal(row.terminal_resistance)
    source = "three phases written out: 3/2 R I^2, 3/2 ke I, line peak sqrt(3) ke w"
    for name, what, expected, got in (
        ("loss", "copper loss at 40 A peak", 1.5 * star * 1600.0, motor.copper_loss(numbers.peak_current, 0.06)),
        ("torque", "torque at 40 A peak", 1.5 * phase_emf * 40.0, numbers.torque_constant * numbers.peak_current),
        ("emf", "line's peak EMF at 100 rad/s", math.sqrt(3.0) * phase_emf * 100.0, numbers.torque_constant * 100.0),
    ):
        unit = {"loss": "W", "torque": "N m", "emf": "V"}[name]
        verify(OutsideCheck(f"MR-direct-{name}", what, expected, unit, 1e-12, source, "recomputed"), got)
    assert numbers.no_load_friction == pytest.approx(1.2 * 30.0 / math.pi / 190.0, rel=1e-12)


def test_star_and_delta_are_the_same_motor_from_outside():
    assert ratings.terminal_from_star(ratings.star_from_terminal(0.7)) == 0.7
    assert ratings.terminal_from_delta(ratings.delta_from_terminal(0.7)) == pytest.approx(0.7, rel=1e-15)
    assert ratings.delta_from_terminal(0.7) == pytest.approx(3.0 * ratings.star_from_terminal(0.7), rel=1e-15)
