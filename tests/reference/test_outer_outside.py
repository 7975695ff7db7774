"""Plant by symbols and outer loops against textbook formulas, published examples and hand-worked figures."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from outside import OutsideCheck, verify

from valvectl.parts import controller, outer_loop
from valvectl.plant import symbolic
from valvectl.plant.outer import OuterGains, decoupler, relative_gain
from valvectl.servo.outer import OuterModel, Pulses, loop_margins, sensed

# --------------------------------------------------------------------------------- sensitivities of the mixture ratio

HAND = (
    "worked by hand: e_i = u_i - a_i p, p = (x_o + kappa) e_o + (x_f - kappa) e_f with x_o = r/(1+r), so that "
    "p = [X_o u_o + X_f u_f]/D, D = 1 + X_o a_o + X_f a_f, and dr/r = (u_o - u_f) - (a_o - a_f) p; r 1.3, kappa -0.05"
)
# X_o = 1.3/2.3 - 0.05 = 0.515217, X_f = 0.484783
# a 0.5, 1: D = 1.742391; S_o = 1 + 0.5 * 0.515217/D = 1.147848, S_f = -1 + 0.5 * 0.484783/D = -0.860886
# a 2, 0.5: D = 2.272826; S_o = 1 - 1.5 * 0.515217/D = 0.659971, S_f = -1 - 1.5 * 0.484783/D = -1.319943
# a 0 (choked), 1: D = 1.484783; S_o = 1 + 0.515217/D = 1.346998, S_f = -1 + 0.484783/D = -0.673499
SENSITIVITIES = [
    ("O1", 0.5, 1.0, "o", 1.147848),
    ("O2", 0.5, 1.0, "f", -0.860886),
    ("O3", 2.0, 0.5, "o", 0.659971),
    ("O4", 2.0, 0.5, "f", -1.319943),
    ("O5", 0.0, 1.0, "o", 1.346998),
    ("O6", 0.0, 1.0, "f", -0.673499),
]


@pytest.mark.parametrize(("key", "ao", "af", "leg", "expected"), SENSITIVITIES)
def test_sensitivity_of_the_mixture_ratio(key: str, ao: float, af: float, leg: str, expected: float) -> None:
    r, kappa = 1.3, -0.05
    values = {"X_o": r / (1 + r) + kappa, "X_f": 1 / (1 + r) - kappa, "kappa": kappa, "n": 0.0, "a_o": ao, "a_f": af}
    name = {"o": "oxidizer", "f": "fuel"}[leg]
    got = symbolic.ratio_formulas()[f"mixture ratio per {name} drive"].value(values).real
    what = f"O/F per drive of the {name} leg, a_o {ao}, a_f {af}"
    verify(OutsideCheck(key, what, expected, "", 2e-6, HAND, "recomputed"), got)


def test_square_law_leg_at_held_chamber_pressure() -> None:
    """Only valve and injector: flow per c is the valve's share of the drop, per injector area the injector's, and
    a = pc/(2 dP)."""
    rho, c, area, m, pc = 1000.0, 4e-6, 8e-6, 0.3, 10e5
    valve, injector = m * m / (rho * c * c), m * m / (2 * rho * area * area)
    total = valve + injector
    values = {
        "m": m, "p": pc, "p_t": pc + total, "p_v": 0.0, "h": 0.0, "d": 0.0, "u": 0.0, "w": 0.0, "u_m": 0.0, "w_m": 0.0,
        "c": c, "rho": rho, "rho_i": rho, "A": area, "F_F": 0.96, "F_L": 0.9,
    }  # fmt: skip
    found = {k: f.value(values).real for k, f in symbolic.steady_formulas(False).items()}
    source = "orifices in series: flow goes with the root of the whole drop; any text of fluid mechanics"
    rows = (
        ("O7", "flow per valve coefficient: the valve's authority", valve / total, "flow per valve coefficient"),
        ("O8", "flow per injector area: the injector's share", injector / total, "flow per injector area"),
        ("O9", "a = pc/(2 dP)", pc / (2 * total), "a: flow lost per chamber pressure"),
        ("O10", "flow per density at square losses: one half", 0.5, "flow per density"),
    )
    for key, what, expected, name in rows:
        verify(OutsideCheck(key, what, expected, "", 1e-9, source, "recomputed"), found[name])


# ------------------------------------------------------------------------------------------------------------ actuator


def _two_mass(jm: float, jl: float, ratio: float = 1.0) -> dict[str, float]:
    return {"J_m": jm, "J_L": jl, "k": 2000.0, "N": ratio, "epsilon": 1.0}


@pytest.mark.parametrize(("key", "inertias", "expected"), [("O11", 1.0, math.sqrt(2.0)), ("O12", 5.0, math.sqrt(6.0))])
def test_resonance_over_antiresonance(key: str, inertias: float, expected: float) -> None:
    f = symbolic.actuator_formulas()
    v = _two_mass(0.002, 0.002 * inertias)
    got = f["resonance"].value(v).real / f["antiresonance"].value(v).real
    source = "Ellis, Control System Design Guide: resonance over antiresonance is sqrt(1 + J_load/J_motor)"
    what = f"two inertias, load {inertias:g} times the motor's"
    verify(OutsideCheck(key, what, expected, "", 1e-9, source, "from memory"), got)


def test_dc_motor_of_the_tutorials() -> None:
    """J 0.01, b 0.1, K 0.01, R 1, L 0.5: speed per volt K/((J s + b)(L s + R) + K^2); the load sits on a very stiff shaft."""
    source = "Control Tutorials for MATLAB and Simulink (University of Michigan), DC motor speed: system modelling"
    values = {
        "R": 1.0, "L": 0.5, "K": 0.01, "N": 1.0, "J_m": 0.009, "b": 0.1, "J_L": 0.001, "k": 1e9, "c": 0.0,
        "epsilon": 1.0,
    }  # fmt: skip
    f = symbolic.actuator_formulas()
    at_rest = f["stem speed per voltage at rest"].value(values).real
    check = OutsideCheck("O13", "speed per volt at rest", 0.01 / 0.1001, "rad/s/V", 1e-9, source, "from memory")
    verify(check, at_rest)
    s = 3j
    speed = s * f["stem angle per voltage"].value(values, s)
    expected = 0.01 / ((0.01 * s + 0.1) * (0.5 * s + 1.0) + 1e-4)
    check = OutsideCheck("O14", "its magnitude at 3 rad/s", abs(expected), "rad/s/V", 1e-7, source, "from memory")
    verify(check, abs(speed))


# ---------------------------------------------------------------------------------------------------------- decoupling

WOOD_BERRY = (
    "Wood and Berry, Chem. Eng. Sci. 28 (1973) 1707, gains 12.8, -18.9, 6.6, -19.4; relative gain by Bristol (1966)"
)
LV = (
    "Skogestad and Postlethwaite, Multivariable Feedback Control, distillation column LV: 0.878, -0.864, 1.082, -1.096; "
    "relative gain 35.1"
)


def test_relative_gains() -> None:
    wood = np.array([[12.8, -18.9], [6.6, -19.4]])
    check = OutsideCheck("O15", "relative gain, Wood and Berry's column", 2.01, "", 2e-3, WOOD_BERRY, "from memory")
    verify(check, relative_gain(wood))
    lv = np.array([[0.878, -0.864], [1.082, -1.096]])
    verify(OutsideCheck("O16", "relative gain, LV column", 35.1, "", 2e-3, LV, "from memory"), relative_gain(lv))


@pytest.mark.parametrize(
    ("key", "i", "j", "expected"),
    [("O17", 0, 0, 0.399), ("O18", 0, 1, -0.315), ("O19", 1, 0, 0.394), ("O20", 1, 1, -0.320)],
)
def test_inverse_of_the_lv_column(key: str, i: int, j: int, expected: float) -> None:
    d = decoupler(100.0 * np.array([[0.878, -0.864], [1.082, -1.096]]), "static")
    source = "Skogestad and Postlethwaite, Multivariable Feedback Control: inverse of the LV column at rest"
    verify(OutsideCheck(key, f"entry {i + 1}{j + 1}", expected, "", 3e-3, source, "from memory"), float(d[i, j]))


# -------------------------------------------------------------------------------------------- sampled loops with delay


def integrator_on_delay(samples: int, gain: float, period: float = 0.02) -> OuterModel:
    """Integral action alone on a plant that only delays by ``samples``, in both loops; gain per sample."""
    taps = np.zeros((samples + 1, 2, 2))
    taps[samples] = np.eye(2)
    small = 1e-9  # the proportional part, next to nothing
    rate = gain / small / period
    gains = OuterGains({"thrust": small, "mixture": small}, {"thrust": rate, "mixture": rate})
    return OuterModel(Pulses(period, taps, taps), np.eye(2), gains)


LEVIN = (
    "Levin and May, Theor. Popul. Biol. 9 (1976) 178: x[n+1] = x[n] - K x[n-k] is stable for K below 2 cos(k pi/(2k+1))"
)


@pytest.mark.parametrize(("key", "delay"), [("O21", 1), ("O22", 2), ("O23", 5)])
def test_border_of_an_integrator_on_a_delay(key: str, delay: int) -> None:
    """u[n+1] = u[n] - K y[n] with y[n] = u[n-d]: the border of stability in K, by the eigenvalues of the closed loop."""
    low, high = 1e-3, 2.0
    while high - low > 1e-7:
        middle = 0.5 * (low + high)
        stable = integrator_on_delay(delay, middle).spectral_radius() < 1.0
        low, high = (middle, high) if stable else (low, middle)
    expected = 2.0 * math.cos(delay * math.pi / (2 * delay + 1))
    what = f"largest integral gain on {delay} samples of delay"
    verify(OutsideCheck(key, what, expected, "", 1e-5, LEVIN, "from memory"), low)


def test_integrator_on_one_delay() -> None:
    """z (z - 1) + K: at K = 1/4 a double root at 1/2; gain margin 1/K; crossing -180 degrees at a third of pi."""
    model = integrator_on_delay(1, 0.25)
    source = "roots of z^2 - z + K by hand; phase of 1/(z (z - 1)) on the unit circle"
    check = OutsideCheck("O24", "double root at 1/2", 0.5, "", 1e-4, source, "recomputed")
    verify(check, model.spectral_radius())  # a double root moves with the root of the rounding
    found = loop_margins(model, 0)
    check = OutsideCheck("O25", "gain margin", 20.0 * math.log10(4.0), "dB", 1e-6, source, "recomputed")
    verify(check, found.gain_margin_db)
    check = OutsideCheck("O26", "phase crossover times period", math.pi / 3.0, "rad", 1e-6, source, "recomputed")
    verify(check, found.phase_crossover * 0.02)


def test_noise_through_the_integrator() -> None:
    """y[n+2] = y[n+1] - K (y[n] + e[n]): an autoregressive process of second order."""
    K = 0.25
    expected = K * math.sqrt((1.0 + K) / ((1.0 - K) * ((1.0 + K) ** 2 - 1.0)))
    source = "variance of a process of second order, Box and Jenkins, Time Series Analysis, with phi 1 and -K"
    got = integrator_on_delay(1, K).noise(np.eye(2))
    check = OutsideCheck(
        "O27", "deviation per unit of white sensor noise, K 1/4", expected, "", 1e-6, source, "from memory"
    )
    verify(check, float(got[0]))


def test_two_absolute_transducers_at_low_throttle() -> None:
    """0.8 bar of injector drop, 0.25 bar on the difference: 31 % of the drop, 16 % of the flow."""
    leg = SimpleNamespace(manifold=10.8e5)
    point: Any = SimpleNamespace(chamber_pressure=10e5, legs={"oxidizer": leg, "fuel": leg})
    settings: Any = SimpleNamespace(mixture=SimpleNamespace(source="differential_pressures"))
    matrix = sensed(None, point, settings).matrix  # type: ignore[arg-type]
    check = OutsideCheck(
        "O28", "O/F per 0.25 bar of one differential transducer at 0.8 bar", 0.15625, "", 1e-9,
        "m goes with the root of the drop: half of 0.25/0.8", "recomputed",
    )  # fmt: skip
    verify(check, float(matrix[1, 1]) * 0.25e5)


def test_three_samples_of_the_loop_by_hand() -> None:
    """Kp 0.5, Ki T 0.2, measured 0.9, 0.95, 1.0 of what is wanted: u = 0.05, 0.035, 0.015 (worked by hand)."""
    x, out = 0.0, []
    for measured in (0.9, 0.95, 1.0):
        e = outer_loop.relative_error(1.0, measured)
        u = controller.pi_output(e, x, 0.5)
        x = controller.pi_integral(e, x, 0.5, 0.2, u, 0.1)
        out.append(u)
    for key, got, expected in zip(("O29", "O30", "O31"), out, (0.05, 0.035, 0.015), strict=True):
        verify(OutsideCheck(key, "output of the loop", expected, "", 1e-12, "worked by hand", "recomputed"), got)
