"""Describing functions and limit cycles: published numbers, closed forms against integrals, textbook loops simulated."""

from __future__ import annotations

import math

import numpy as np
import pytest
from df_bench import response, swing
from outside import OutsideCheck, verify

from valvectl.parts import describing_function as df
from valvectl.parts.encoder import quantise
from valvectl.parts.gearing import play
from valvectl.servo.limit_cycle import solve

GELB = "Gelb and Vander Velde, Multiple-Input Describing Functions (1968), table of describing functions"
KHALIL = "Khalil, Nonlinear Systems, 3rd ed., section 7.2, relay and saturation examples"
SLOTINE = "Slotine and Li, Applied Nonlinear Control (1991), chapter 5"

# ------------------------------------------------------------------------------------------------- closed forms

BACKLASH = [(0.2, 0.85762, -0.20372), (0.4, 0.62647, -0.30558), (0.5, 0.5, -0.31831), (0.8, 0.14238, -0.20372)]


@pytest.mark.parametrize(("ratio", "real", "imaginary"), BACKLASH)
def test_backlash(ratio, real, imaginary):
    """Ratio is half the gap over the amplitude; an independent Fourier integral gave the numbers."""
    found = df.backlash(1.0, ratio)
    verify(
        OutsideCheck(f"DF-backlash-re-{ratio}", "backlash, real part", real, "", 2e-5, GELB, "recomputed"), found.real
    )
    verify(
        OutsideCheck(f"DF-backlash-im-{ratio}", "backlash, imaginary part", imaginary, "", 2e-5, GELB, "recomputed"),
        found.imag,
    )


def test_backlash_against_an_open_library():
    """python-control's friction_backlash_nonlinearity(b) takes the whole gap."""
    import control

    for gap in (0.3, 1.0, 1.7):
        theirs = complex(control.describing_function(control.friction_backlash_nonlinearity(gap), [1.0])[0])
        ours = df.backlash(1.0, 0.5 * gap)
        source = "python-control, describing_function of friction_backlash_nonlinearity"
        verify(OutsideCheck(f"DF-lib-re-{gap}", "real part", theirs.real, "", 2e-3, source, "library"), ours.real)
        verify(OutsideCheck(f"DF-lib-im-{gap}", "imaginary part", theirs.imag, "", 2e-3, source, "library"), ours.imag)


def test_saturation_and_relay_against_an_open_library():
    import control

    source = "python-control, describing_function"
    theirs = complex(control.describing_function(control.saturation_nonlinearity(0.75), [2.0])[0]).real
    verify(
        OutsideCheck("DF-lib-sat", "saturation at 0.75, A 2", theirs, "", 1e-6, source, "library"),
        df.saturation(2.0, 0.75),
    )
    theirs = complex(control.describing_function(control.relay_hysteresis_nonlinearity(1.5, 0.4), [2.0])[0])
    ours = df.relay_hysteresis(2.0, 1.5, 0.4)
    verify(
        OutsideCheck("DF-lib-relay-re", "relay 1.5, hysteresis 0.4", theirs.real, "", 5e-3, source, "library"),
        ours.real,
    )
    verify(OutsideCheck("DF-lib-relay-im", "the same, imaginary", theirs.imag, "", 2e-2, source, "library"), ours.imag)


POINTS = [
    ("sat-2", "saturation, A twice the limit", 2.0 / math.pi * (math.pi / 6.0 + 0.5 * math.sqrt(0.75)), df.saturation(2.0, 1.0)),
    ("dead-2", "dead zone, A twice its half width", 0.3910022, df.dead_zone(2.0, 1.0)),
    ("relay-dz-max", "relay with dead zone, greatest, M = D = 1", 2.0 / math.pi, df.relay_dead_zone(math.sqrt(2.0), 1.0, 1.0)),
    ("quant-max", "rounding at its greatest, A = q / sqrt 2", 4.0 / math.pi, df.quantiser(math.sqrt(0.5), 1.0)),
    ("relay", "ideal relay, M 2, A 3", 8.0 / (3.0 * math.pi), df.relay(3.0, 2.0)),
]  # fmt: skip


@pytest.mark.parametrize(("name", "what", "expected", "found"), POINTS, ids=[p[0] for p in POINTS])
def test_points_of_the_table(name, what, expected, found):
    verify(OutsideCheck(f"DF-{name}", what, expected, "", 1e-6, GELB, "recomputed"), found)


def _steps(law, start=0.0):
    def run(values):
        out, state = np.empty(values.size), start
        for k, v in enumerate(values):
            state = law(float(v), state)
            out[k] = state
        return out

    return run


def _hysteresis(value: float, before: float) -> float:
    return 1.0 if value > 0.4 else -1.0 if value < -0.4 else before


ELEMENTS = {
    "saturation": (lambda a: df.saturation(a, 1.0), lambda u: np.clip(u, -1.0, 1.0)),
    "dead zone": (lambda a: df.dead_zone(a, 1.0), lambda u: u - np.clip(u, -1.0, 1.0)),
    "hold band": (lambda a: df.blanked(a, 1.0), lambda u: np.where(np.abs(u) <= 1.0, 0.0, u)),
    "relay": (lambda a: df.relay(a, 1.0), np.sign),
    "relay, dead zone": (lambda a: df.relay_dead_zone(a, 1.0, 0.7), lambda u: np.sign(u) * (np.abs(u) > 0.7)),
    "relay, hysteresis": (lambda a: df.relay_hysteresis(a, 1.0, 0.4), _steps(_hysteresis, -1.0)),
    "lost motion": (lambda a: df.backlash(a, 1.0), _steps(lambda v, y: play(y, v, 1.0))),
    "rounding": (lambda a: df.quantiser(a, 1.0), _steps(lambda v, _: quantise(v, 1.0))),
}


@pytest.mark.parametrize("amplitude", [1.05, 1.6, 3.3, 9.0])
@pytest.mark.parametrize("name", ELEMENTS)
def test_closed_forms_against_the_integral_of_the_element_itself(name, amplitude):
    """The element's own law (the simulator's, where it has one) on a sine, and its first harmonic by summing."""
    closed, element = ELEMENTS[name]
    first, _ = df.numeric(element, amplitude, 8000)
    check = OutsideCheck(
        f"DF-int-{name}-{amplitude}", f"{name}, A {amplitude}: distance of closed form and integral", 0.0, "", 1e-3,
        "Fourier integral of the element's law", "recomputed", absolute=True,
    )  # fmt: skip
    verify(check, abs(complex(closed(amplitude)) - first))


def test_below_the_threshold_nothing_comes_through():
    assert df.backlash(0.9, 1.0) == 0.0
    assert df.dead_zone(0.9, 1.0) == 0.0
    assert df.blanked(0.9, 1.0) == 0.0
    assert df.relay_dead_zone(0.9, 1.0, 1.0) == 0.0
    assert df.relay_hysteresis(0.9, 1.0, 1.0) == 0.0
    assert df.quantiser(0.49, 1.0) == 0.0
    assert df.saturation(0.9, 1.0) == 1.0
    assert df.quantiser(0.3, 0.0) == 1.0


# ------------------------------------------------------------------------------------- limit cycles of textbook loops

THIRD_ORDER = ([1.0], [1.0, 3.0, 2.0, 0.0])  # 1/(s (s+1) (s+2))
DOUBLE_LAG = ([1.0], [1.0, 2.0, 1.0, 0.0])  # 1/(s (s+1)^2)
TRIPLE_LAG = ([1.0], [1.0, 3.0, 3.0, 1.0])  # 1/(s+1)^3
BUTTERWORTH = ([8.0], [1.0, 2.0, 2.0, 1.0])
SERVO = ([4.0], [0.2, 1.2, 1.0, 0.0])  # 4/(s (s+1) (0.2 s+1))

AMPLITUDES = np.geomspace(0.05, 40.0, 60)
FREQUENCIES = np.geomspace(0.1, 20.0, 60)


def foreseen(plant, gain):
    """Every limit cycle of a plant with an element whose describing function is ``gain(amplitude)``."""
    loop = response(*plant)
    return solve(lambda a, w: 1.0 + gain(a) * loop(w), AMPLITUDES, FREQUENCIES)


RELAY_CASES = [
    ("khalil", THIRD_ORDER, 1.0, math.sqrt(2.0), 2.0 / (3.0 * math.pi), KHALIL),
    ("double", DOUBLE_LAG, 1.0, 1.0, 2.0 / math.pi, "relay and 1/(s (s+1)^2), worked in many texts"),
    (
        "triple",
        TRIPLE_LAG,
        1.0,
        math.sqrt(3.0),
        1.0 / (2.0 * math.pi),
        "relay and 1/(s+1)^3; ultimate gain 8 at sqrt 3",
    ),
]


@pytest.mark.parametrize(("name", "plant", "level", "frequency", "amplitude", "source"), RELAY_CASES)
def test_relay_loops(name, plant, level, frequency, amplitude, source):
    """Amplitude 4 M |L| / pi at the phase crossover: foreseen as published, and simulated.

    A relay gives a third of its first harmonic as third; 1 to 3 % of that is left behind these plants. The frequency is
    then right within 3 %, the amplitude, which falls with a power of it, within 5 %.
    """
    (cycle,) = foreseen(plant, lambda a: df.relay(a, level))
    verify(
        OutsideCheck(f"LC-{name}-w", "frequency, relay", frequency, "rad/s", 1e-5, source, "recomputed"),
        cycle.frequency,
    )
    verify(OutsideCheck(f"LC-{name}-a", "amplitude, relay", amplitude, "", 1e-5, source, "recomputed"), cycle.amplitude)
    assert cycle.stable
    w, a, third = swing(*plant, lambda u, _: math.copysign(level, u), 0.3, 60.0, 1e-3)
    simulated = "the loop simulated with an exact step of its plant"
    verify(
        OutsideCheck(f"LC-{name}-sw", "simulated frequency", w, "rad/s", 0.03, simulated, "recomputed"), cycle.frequency
    )
    verify(OutsideCheck(f"LC-{name}-sa", "simulated amplitude", a, "", 0.05, simulated, "recomputed"), cycle.amplitude)
    assert third < 0.03


def test_saturation_loop():
    """8/(s^3+2s^2+2s+1), the plant of an open library's example: N 0.375 at sqrt 2, A 3.344."""
    (cycle,) = foreseen(BUTTERWORTH, lambda a: df.saturation(a, 1.0))
    source = "plant of python-control's describing-function example; phase crossover sqrt 2, |L| 8/3"
    verify(OutsideCheck("LC-sat-w", "frequency", math.sqrt(2.0), "rad/s", 1e-5, source, "recomputed"), cycle.frequency)
    verify(OutsideCheck("LC-sat-a", "amplitude", 3.34400, "", 1e-4, source, "recomputed"), cycle.amplitude)
    assert cycle.stable
    w, a, _ = swing(*BUTTERWORTH, lambda u, _: min(max(u, -1.0), 1.0), 0.5, 80.0, 1e-3)
    simulated = "the loop simulated with an exact step of its plant"
    verify(OutsideCheck("LC-sat-sw", "simulated frequency", w, "rad/s", 0.03, simulated, "recomputed"), cycle.frequency)
    verify(OutsideCheck("LC-sat-sa", "simulated amplitude", a, "", 0.03, simulated, "recomputed"), cycle.amplitude)


def test_van_der_pol():
    """x'' + alpha (x^2 - 1) x' + x = 0: amplitude 2 at 1 rad/s, stable (for small alpha)."""
    alpha = 0.2
    cycles = solve(
        lambda a, w: 1.0 + 0.25 * a * a * 1j * w * alpha / ((1j * w) ** 2 - alpha * 1j * w + 1.0),
        np.geomspace(0.3, 9.0, 30),
        np.geomspace(0.3, 3.0, 30),
    )
    (cycle,) = cycles
    source = f"{SLOTINE}, Van der Pol's equation"
    verify(OutsideCheck("LC-vdp-a", "amplitude", 2.0, "", 1e-6, source, "from memory"), cycle.amplitude)
    verify(OutsideCheck("LC-vdp-w", "frequency", 1.0, "rad/s", 1e-6, source, "from memory"), cycle.frequency)
    assert cycle.stable


def test_hysteresis_relay_loop():
    """Relay with hysteresis 0.1 and 1/(s+1)^3, foreseen and simulated."""
    (cycle,) = foreseen(TRIPLE_LAG, lambda a: df.relay_hysteresis(a, 1.0, 0.1) if a > 0.1 else math.nan)
    assert cycle.stable

    def element(u: float, before: float) -> float:
        return 1.0 if u > 0.1 else -1.0 if u < -0.1 else (before or 1.0)

    w, a, _ = swing(*TRIPLE_LAG, element, 0.5, 120.0, 1e-3)
    simulated = "the loop simulated with an exact step of its plant"
    verify(
        OutsideCheck("LC-hyst-sw", "simulated frequency", w, "rad/s", 0.03, simulated, "recomputed"), cycle.frequency
    )
    verify(OutsideCheck("LC-hyst-sa", "simulated amplitude", a, "", 0.03, simulated, "recomputed"), cycle.amplitude)


@pytest.mark.parametrize("gain", [1.0, 1.5])
def test_no_limit_cycle_where_the_curves_do_not_meet(gain):
    """K/(s (s+1) (0.2 s+1)) with a gap of 1: no solution for K 1 and 1.5 (gain margins 6 and 4), none simulated."""
    plant = ([gain], SERVO[1])
    assert foreseen(plant, lambda a: df.backlash(a, 0.5)) == ()
    w, a, _ = swing(*plant, lambda u, y: play(y, u, 0.5), 3.0, 120.0, 2e-3)
    assert (w, a) == (0.0, 0.0)


def test_backlash_loop_has_two_cycles():
    """The same with K 4 (gain margin 1.5): a stable cycle and below it an unstable one."""
    cycles = foreseen(SERVO, lambda a: df.backlash(a, 0.5))
    assert [c.stable for c in cycles] == [True] or [c.stable for c in cycles] == [False, True]
    stable = cycles[-1]
    w, a, third = swing(*SERVO, lambda u, y: play(y, u, 0.5), 6.0, 200.0, 2e-3)
    simulated = "the loop simulated with an exact step of its plant"
    verify(
        OutsideCheck("LC-play-sw", "simulated frequency", w, "rad/s", 0.03, simulated, "recomputed"), stable.frequency
    )
    verify(OutsideCheck("LC-play-sa", "simulated amplitude", a, "", 0.03, simulated, "recomputed"), stable.amplitude)
    assert third < 0.02


def test_where_the_method_fails():
    """Relay with hysteresis h and 1/(s+1): it swings with the period 2 ln((1+h)/(1-h)), yet the balance has no solution.

    A first-order plant filters too little: the third harmonic is a ninth of a triangle's first.
    """
    h = 0.2
    assert foreseen(([1.0], [1.0, 1.0]), lambda a: df.relay_hysteresis(a, 1.0, h) if a > h else math.nan) == ()

    def element(u: float, before: float) -> float:
        return 1.0 if u > h else -1.0 if u < -h else (before or 1.0)

    w, _, third = swing([1.0], [1.0, 1.0], element, 0.0, 20.0, 1e-4)
    exact = 2.0 * math.log((1.0 + h) / (1.0 - h))
    source = "relay with hysteresis and a first-order lag, closed form of its switching"
    verify(OutsideCheck("LC-fails-period", "period", exact, "s", 2e-3, source, "recomputed"), 2.0 * math.pi / w)
    assert third > 0.1
