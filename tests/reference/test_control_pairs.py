"""Sampled control laws, saturation and quantisation against control texts and open libraries."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from outside import OutsideCheck, verify
from scipy import signal
from scipy.optimize import brentq

from valvectl.parts import controller, encoder

OGATA = (
    "zero-order-hold equivalent of 1/(s(s+1)) at 1 s: Ogata, Discrete-Time Control Systems; Franklin, Powell, Workman "
    "(from memory, worked out again)"
)
GELB = "Gelb and Vander Velde, Multiple-Input Describing Functions and Nonlinear System Design (1968); value worked out"
SCIPY = "scipy.signal 1.17, dlsim and cont2discrete"


# -------------------------------------------------------------------------- describing functions of our nonlinear laws


def first_harmonic(law: Callable[[float], float], amplitude: float, points: int = 200001) -> float:
    """In-phase gain of a static odd law for a sine, midpoint rule over a quarter period."""
    angle = (np.arange(points) + 0.5) / points * 0.5 * math.pi
    out = np.array([law(amplitude * math.sin(float(a))) for a in angle])
    return float(4.0 / math.pi * np.sum(out * np.sin(angle)) * (0.5 * math.pi / points) / amplitude)


def test_saturation_limit_cycle():
    """8/(s^3 + 2 s^2 + 2 s + 1) behind a saturation at 1: the loop gain at -180 deg is -8/3, so N = 0.375."""
    source = "python-control, example system of its describing-function tests; amplitude worked out from N = 0.375"
    amplitude = brentq(
        lambda a: first_harmonic(lambda x: controller.clip(x, 1.0), a, 4001) - 0.375, 1.5, 10.0, xtol=1e-9
    )
    check = OutsideCheck("S24", "limit-cycle amplitude behind a saturation", 3.34400, "", 1e-5, source, "recomputed")
    verify(check, amplitude)


@pytest.mark.parametrize("amplitude", [0.8, 1.5, 4.0])
def test_saturation_describing_function(amplitude):
    import control

    check = OutsideCheck(
        f"saturation-{amplitude}",
        f"describing function of a saturation at 1, amplitude {amplitude}",
        float(np.real(control.saturation_nonlinearity(1.0).describing_function(amplitude))),
        "",
        1e-5,
        "python-control 0.10.2, saturation_nonlinearity",
        "library",
    )
    verify(check, first_harmonic(lambda x: controller.clip(x, 1.0), amplitude, 20001))


def test_relay_as_the_limit_of_saturation():
    """Gain so high that the clip is a relay: 1/(s(s+1)(s+2)) swings with 2/(3 pi)."""
    check = OutsideCheck(
        "S22",
        "limit-cycle amplitude, unit relay and 1/(s(s+1)(s+2))",
        2.0 / (3.0 * math.pi),
        "",
        1e-5,
        "Khalil, Nonlinear Systems, 3rd ed., describing-function example (from memory, worked out again)",
        "recomputed",
    )
    plant_gain = abs(1.0 / (1j * math.sqrt(2.0) * (1j * math.sqrt(2.0) + 1.0) * (1j * math.sqrt(2.0) + 2.0)))

    def relay(x: float) -> float:
        return controller.clip(1e9 * x, 1.0)

    verify(check, brentq(lambda a: first_harmonic(relay, a, 2001) * plant_gain - 1.0, 0.05, 1.0, xtol=1e-9))


QUANTISER = [
    (math.sqrt(0.5), 4.0 / math.pi),
    (1.0, 4.0 / math.pi * math.sqrt(1.0 - 0.25)),
    (2.0, 4.0 / (2.0 * math.pi) * sum(math.sqrt(1.0 - (x / 2.0) ** 2) for x in (0.5, 1.5))),
]


@pytest.mark.parametrize(("amplitude", "gain"), QUANTISER)
def test_quantiser_describing_function(amplitude, gain):
    """Sum of relays with dead zone at half, one and a half ... counts; the greatest gain is 4/pi at q/sqrt 2."""
    q = 2.0 * math.pi / 4096.0
    check = OutsideCheck(
        f"S30-{amplitude:.3g}",
        f"describing function of rounding, amplitude {amplitude:.4g} counts",
        gain,
        "",
        1e-4,
        GELB,
        "recomputed",
    )
    verify(check, first_harmonic(lambda x: encoder.quantise(x, q), amplitude * q))


def test_quantiser_top_and_dead_zone():
    """The greatest gain over all amplitudes lies at q/sqrt 2; below half a count nothing passes."""
    amplitudes = np.linspace(0.501, 3.0, 400)
    gains = [first_harmonic(lambda x: encoder.quantise(x, 1.0), float(a), 4001) for a in amplitudes]
    check = OutsideCheck("S30-top", "greatest describing function of rounding", 1.27324, "", 1e-3, GELB, "recomputed")
    verify(check, max(gains))
    assert amplitudes[int(np.argmax(gains))] == pytest.approx(math.sqrt(0.5), abs=0.01)
    assert first_harmonic(lambda x: encoder.quantise(x, 1.0), 0.4999, 2001) == 0.0


# ------------------------------------------------------------------------------------------------- sampled loops


def exact_plant(period: float) -> tuple[np.ndarray, np.ndarray]:
    """State step of 1/(s(s+1)) under a held input: states position and speed."""
    decay = math.exp(-period)
    return (
        np.array([[1.0, 1.0 - decay], [0.0, decay]]),
        np.array([period - 1.0 + decay, 1.0 - decay]),
    )


def growth(gain: float, samples: int = 600) -> float:
    """Growth per sample of the loop ``position_law`` around the held plant, T 1 s, from a command step."""
    a, b = exact_plant(1.0)
    state, sizes = np.zeros(2), []
    for _ in range(samples):
        drive = controller.position_law(1.0, 1.0, float(state[0]), gain, 0.0, 1.0, 0.0)
        state = a @ state + b * drive
        sizes.append(float(np.hypot(state[0] - 1.0, state[1])))
    late = np.log(np.array(sizes[samples // 3 :]))
    return float(np.polyfit(np.arange(late.size), late, 1)[0])


def test_ultimate_gain_of_the_sampled_loop():
    """Unity feedback of the sampled plant is on the edge of stability at K = 2.3922."""
    check = OutsideCheck("S7-gain", "gain at the edge of stability", 2.3922, "", 1e-4, OGATA, "recomputed")
    verify(check, brentq(growth, 2.2, 2.6, xtol=1e-6))


def test_sampled_step_response_of_the_position_law():
    """Step response at gain 1 against (0.3679 z + 0.2642)/(z^2 - 1.3679 z + 0.3679) in unity feedback, by scipy."""
    decay = math.exp(-1.0)
    numerator, denominator = [decay, 1.0 - 2.0 * decay], [1.0, -1.0 - decay, decay]
    loop = np.polyadd(denominator, numerator)
    _, expected = signal.dlsim((numerator, loop, 1.0), np.ones(12))
    a, b = exact_plant(1.0)
    state = np.zeros(2)
    for k in range(12):
        check = OutsideCheck(
            f"S7-step-{k}", f"position at sample {k}, gain 1", float(expected[k, 0]), "", 1e-10, f"{OGATA}; {SCIPY}",
            "recomputed", absolute=True,
        )  # fmt: skip
        verify(check, float(state[0]))
        state = a @ state + b * controller.position_law(1.0, 1.0, float(state[0]), 1.0, 0.0, 1.0, 0.0)


def test_velocity_feedforward_takes_the_ramp_error_away():
    """Type-1 loop on a ramp: error 1/Kp without feedforward, none with all of it (integrator plant, sampled)."""
    source = "steady ramp error of a type-1 loop is the rate over the velocity constant, any control text"
    period, kp, rate = 1e-3, 20.0, 0.5

    def error(share: float) -> float:
        x = command_before = 0.0
        for k in range(1, 3001):
            command = rate * k * period
            x += period * controller.position_law(command, command_before, x, kp, share, period, 0.0)
            command_before = command
        return command_before + rate * period - x  # command of the next sample, as the law would see it

    # x[k+1] = x[k] + T (Kp e + f r) keeps pace with the ramp when e = r (1 - f)/Kp, e read before the move.
    row = OutsideCheck("ramp-0", "error on a ramp, no feedforward", rate / kp, "rad", 1e-9, source, "recomputed")
    verify(row, error(0.0))
    row = OutsideCheck(
        "ramp-1", "error on a ramp, full feedforward", 0.0, "rad", 1e-9, source, "recomputed", absolute=True
    )
    verify(row, error(1.0))


def test_pi_law_against_scipy():
    """Output of the PI difference equation for a random error against kp (z - 1 + ki T)/(z - 1) by scipy."""
    rng = np.random.default_rng(20240501)
    error, kp, ki_period = rng.normal(size=200), 1.7, 0.08
    _, expected = signal.dlsim(([kp, kp * (ki_period - 1.0)], [1.0, -1.0], 1.0), error)
    integral = 0.0
    worst = 0.0
    for k, e in enumerate(error):
        out = controller.pi_output(float(e), integral, kp)
        worst = max(worst, abs(out - float(expected[k, 0])))
        integral = controller.pi_integral(float(e), integral, kp, ki_period, out, 1e9)
    row = OutsideCheck("PI", "largest difference over 200 samples", 0.0, "", 1e-11, SCIPY, "library", absolute=True)
    verify(row, worst)


def test_speed_filter_against_scipy():
    """The filter is the zero-order-hold equivalent of 1/(tau s + 1), by scipy."""
    period, tau = 5e-4, 8e-4
    numerator, denominator, _ = signal.cont2discrete(([1.0], [tau, 1.0]), period)
    share = controller.filter_share(period, tau)
    row = OutsideCheck("filter", "share of the new value", float(numerator[0][1]), "", 1e-12, SCIPY, "library")
    verify(row, share)
    assert 1.0 - share == pytest.approx(-float(denominator[1]), rel=1e-12)
