"""What must hold for any numbers: describing functions, bristle friction, rounded coefficients, response metrics."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from valvectl.parts import describing_function as df
from valvectl.parts import friction, lugre
from valvectl.parts import response_metrics as rm
from valvectl.servo.word_length import round_to_word

sizes = st.floats(1e-6, 1e6)
ratios = st.floats(1e-3, 1e3)


@given(amplitude=sizes, ratio=ratios)
def test_gains_lie_between_nothing_and_one(amplitude, ratio):
    width = ratio * amplitude
    for gain in (df.saturation(amplitude, width), df.dead_zone(amplitude, width), df.blanked(amplitude, width)):
        assert -1e-12 <= gain <= 1.0 + 1e-12
    assert df.saturation(amplitude, width) + df.dead_zone(amplitude, width) == pytest.approx(1.0)
    # what a hold band passes is at least what a dead zone of the same width passes
    assert df.blanked(amplitude, width) >= df.dead_zone(amplitude, width) - 1e-12


@given(amplitude=sizes, ratio=ratios)
def test_lost_motion_lags_and_weakens(amplitude, ratio):
    gain = df.backlash(amplitude, ratio * amplitude)
    assert abs(gain) <= 1.0 + 1e-12
    assert gain.imag <= 0.0
    assert gain.real >= -1e-12
    larger = df.backlash(2.0 * amplitude, ratio * amplitude)
    assert abs(larger) >= abs(gain) - 1e-12


@given(amplitude=sizes, ratio=ratios)
def test_only_the_ratio_counts(amplitude, ratio):
    for law in (df.saturation, df.dead_zone, df.blanked, df.backlash):
        assert complex(law(amplitude, ratio * amplitude)) == pytest.approx(complex(law(1.0, ratio)), rel=1e-6, abs=1e-9)


@given(amplitude=st.floats(1e-3, 30.0))
def test_rounding_never_gains_more_than_four_over_pi(amplitude):
    assert 0.0 <= df.quantiser(amplitude, 1.0) <= df.LARGEST_QUANTISER_GAIN + 1e-9
    if amplitude > 5.0:
        assert df.quantiser(amplitude, 1.0) == pytest.approx(1.0, abs=0.12)


@given(amplitude=sizes, ratio=st.floats(0.0, 1.0), level=sizes)
def test_hysteresis_turns_the_phase_of_a_relay_and_keeps_its_size(amplitude, ratio, level):
    gain = df.relay_hysteresis(amplitude, level, ratio * amplitude)
    assert abs(gain) == pytest.approx(df.relay(amplitude, level))
    assert gain.imag <= 0.0


@settings(max_examples=60, deadline=None)
@given(
    level=st.floats(0.01, 50.0),
    rise=st.floats(1.0, 3.0),
    presliding=st.floats(1e-5, 1e-2),
    inertia=st.floats(1e-6, 1e-2),
    step=st.floats(1e-7, 1e-4),
    torque=st.floats(-100.0, 100.0),
    damping=st.floats(0.0, 2.0),
)
def test_bristles_stay_bounded_at_any_step(level, rise, presliding, inertia, step, torque, damping):
    """Under any steady torque bristles bend by no more than breakaway over sigma0, and what friction can hold stays."""
    breakaway = level * rise
    sigma0 = lugre.default_stiffness(breakaway, presliding)
    sigma1 = damping * lugre.default_damping(sigma0, inertia)
    speed = bristle = 0.0
    for _ in range(400):
        g = friction.stribeck(speed, breakaway, level, 0.03)
        speed, bristle = lugre.lugre_step(
            speed + step / inertia * torque, speed, bristle, g, sigma0, sigma1, step, step / inertia
        )
        assert math.isfinite(speed)
        assert abs(bristle) <= 1.5 * breakaway / sigma0 + abs(speed) * step
    # friction never drives: with no torque and bristles straight a moving body slows down
    slower, _ = lugre.lugre_step(1.0, 1.0, 0.0, level, sigma0, sigma1, step, step / inertia)
    assert 0.0 <= slower < 1.0


@given(value=st.floats(1e-9, 1e9), bits=st.integers(3, 40), head=st.floats(1.0, 1e3))
def test_rounding_to_a_word(value, bits, head):
    largest = value * head
    found = round_to_word(value, bits, largest)
    _, exponent = math.frexp(largest)
    step = math.ldexp(1.0, exponent - bits + 1)
    assert abs(found - value) <= 0.5 * step
    assert round_to_word(found, bits, largest) == found
    assert abs(found) <= math.ldexp(1.0, exponent)


@given(
    start=st.floats(-2.0, 2.0),
    size=st.floats(0.01, 3.0),
    sign=st.sampled_from([-1.0, 1.0]),
    tau=st.floats(0.01, 0.3),
    dead=st.floats(0.0, 0.2),
)
def test_metrics_do_not_mind_where_a_step_starts_or_which_way_it_goes(start, size, sign, tau, dead):
    time = np.arange(0.0, 3.0, 2e-3)
    plain = np.where(time > dead, 1.0 - np.exp(-(time - dead) / tau), 0.0)
    moved = (start + sign * size * plain - start) / (sign * size)
    for measure in (
        lambda y: rm.first_time(time, y, rm.T63_LEVEL),
        lambda y: rm.rise_time(time, y),
        lambda y: rm.overshoot(y),
        lambda y: rm.error_integrals(time, 1.0 - y)[2],
    ):
        assert measure(moved) == pytest.approx(measure(plain), rel=1e-6, abs=1e-9)
    # on the straight line between samples: early by less than one of them
    assert dead - 2e-3 <= rm.first_time(time, plain, rm.DEAD_LEVEL) <= rm.first_time(time, plain, rm.T63_LEVEL)
