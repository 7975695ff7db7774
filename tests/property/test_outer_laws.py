"""Outer loops over wide ranges: laws, decoupling, finite answers for any reading."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from valvectl.parts import controller, outer_loop
from valvectl.plant.outer import OuterGains, decoupler, relative_gain
from valvectl.servo.outer import OuterModel, Pulses, moments

entry = st.floats(0.05, 5.0)
reading = st.floats(-1e9, 1e9)


@given(reading, reading, reading, reading, st.floats(0.0, 1.0))
def test_a_sent_trim_stays_between_the_stops_or_where_it_was(
    wanted: float, sent: float, a: float, b: float, least: float
) -> None:
    low, high = min(a, b), max(a, b)
    got = outer_loop.sent_trim(wanted, sent, low, high, least)
    assert low <= got <= high or got == sent
    if got != sent:
        assert abs(got - sent) >= least


@given(reading, reading)
def test_any_reading_of_two_flows_gives_a_finite_ratio(o: float, f: float) -> None:
    got = outer_loop.flow_ratio(o, f)
    assert math.isfinite(got)
    assert got >= 0.0


@given(st.floats(-10.0, 10.0), st.floats(-10.0, 10.0), st.floats(0.0, 1.0))
def test_a_sensor_never_overshoots(state: float, value: float, share: float) -> None:
    got = outer_loop.lag_step(state, value, share)
    assert min(state, value) - 1e-12 <= got <= max(state, value) + 1e-12


@given(
    st.lists(st.floats(-2.0, 2.0), min_size=1, max_size=60),
    st.floats(0.01, 2.0),
    st.floats(0.01, 0.9),
    st.floats(0.01, 0.5),
)
def test_output_keeps_its_authority_and_the_integral_does_not_run_away(
    errors: list[float], kp: float, rate: float, authority: float
) -> None:
    x = 0.0
    for e in errors:
        u = controller.pi_output(e, x, kp)
        x = controller.pi_integral(e, x, kp, rate, u, authority)
        assert abs(controller.clip(u, authority)) <= authority
        # once limited it only moves back; one step beyond the authority is the most it can gain
        assert abs(x) <= authority + kp * (1.0 + rate) * 2.0


@given(entry, entry, entry, entry)
def test_the_decoupler_takes_the_plant_to_one(a: float, b: float, c: float, d: float) -> None:
    k = np.array([[a, b], [c, -d]])  # a drive of either leg lifts pc; O/F goes up with one and down with the other
    assert k @ decoupler(k, "static") == pytest.approx(np.eye(2), abs=1e-9)
    alone = decoupler(k, "none")
    assert np.diag(k @ alone) == pytest.approx([1.0, 1.0])
    assert 0.0 < relative_gain(k) < 1.0
    scaled = np.diag([3.0, 0.2]) @ k @ np.diag([0.1, 7.0])
    assert relative_gain(scaled) == pytest.approx(relative_gain(k), rel=1e-9)


@settings(deadline=None, max_examples=40)
@given(st.floats(0.3, 0.95), st.integers(1, 6), st.floats(0.01, 0.8), st.floats(0.05, 1.0))
def test_radius_below_one_means_that_an_error_dies_out(pole: float, delay: int, kp: float, rate: float) -> None:
    """The eigenvalues against the loop stepped by hand."""
    taps = np.zeros((delay + 60, 2, 2))
    for j in range(60):
        taps[delay + j] = np.eye(2) * (1.0 - pole) * pole**j
    gains = OuterGains({"thrust": kp, "mixture": kp}, {"thrust": rate, "mixture": rate})
    radius = OuterModel(Pulses(1.0, taps, taps), np.eye(2), gains).spectral_radius()
    assume(abs(radius - 1.0) > 0.02)
    n = 600
    y, u, x = np.zeros(n), np.zeros(n), 0.0
    for k in range(n):
        back = min(k, taps.shape[0] - 1)
        y[k] = 1.0 + float(taps[1 : back + 1, 0, 0] @ u[k - back : k][::-1])
        u[k] = -kp * y[k] + x
        x -= kp * rate * y[k]
        if abs(y[k]) > 1e6:
            break
    settled = abs(y[-1]) < 0.02 if abs(y[k]) <= 1e6 else False
    assert settled == (radius < 1.0)


@given(st.floats(0.1, 0.9), st.integers(0, 10))
def test_moments_of_a_lag_behind_a_delay(pole: float, delay: int) -> None:
    """Mean and deviation of a geometric distribution, shifted."""
    j = np.arange(400)
    taps = np.concatenate([np.zeros(delay), (1.0 - pole) * pole**j])
    mean, spread = moments(taps)
    assert mean == pytest.approx(delay + pole / (1.0 - pole), rel=1e-6)
    assert spread == pytest.approx(math.sqrt(pole) / (1.0 - pole), rel=1e-6)
