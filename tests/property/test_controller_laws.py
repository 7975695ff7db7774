"""Laws of the controllers beyond the plain cascade: bounds, limits, agreement where two of them must be one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from valvectl.parts.controller import clip, filter_share, pi_integral
from valvectl.parts.controller_more import (
    ANTI_WINDUP,
    CLAMPED,
    biquad_first,
    biquad_output,
    biquad_second,
    dead_zone,
    feedforward_current,
    next_integral,
    notch_coefficients,
    tracking_share,
)
from valvectl.parts.controller_pid import (
    derivative_decay,
    derivative_gain,
    held_error,
    pid_derivative,
    pid_tracking_time,
    placed_pid,
)
from valvectl.servo.outer_gains import ackermann, wanted_poles

signed = st.floats(-100.0, 100.0)
positive = st.floats(1e-3, 100.0)
share = st.floats(0.0, 1.0)


@given(st.floats(0.001, 0.45), st.floats(0.01, 1.0), share)
def test_notch_is_stable_and_does_what_it_says(of_rate, width, depth):
    b0, b1, b2, a1, a2 = notch_coefficients(of_rate, width, depth, 1.0)
    assert np.max(np.abs(np.roots([1.0, a1, a2]))) < 1.0
    z = np.exp(2j * np.pi * np.array([0.0, of_rate, 0.5]))
    gain = np.abs((b0 + b1 / z + b2 / z**2) / (1.0 + a1 / z + a2 / z**2))
    assert gain == pytest.approx([1.0, depth, 1.0], abs=1e-6)


@settings(deadline=None)
@given(st.floats(0.01, 0.4), st.floats(0.05, 1.0), share, st.lists(signed, min_size=3, max_size=60))
def test_notch_steps_as_its_difference_equation(of_rate, width, depth, values):
    from scipy.signal import lfilter

    b0, b1, b2, a1, a2 = notch_coefficients(of_rate, width, depth, 1.0)
    z1 = z2 = 0.0
    got = []
    for value in values:
        output = biquad_output(value, z1, b0)
        z1, z2 = biquad_first(value, output, z2, b1, a1), biquad_second(value, output, b2, a2)
        got.append(output)
    assert got == pytest.approx(lfilter([b0, b1, b2], [1.0, a1, a2], values), abs=1e-9)


@given(st.sampled_from(sorted(ANTI_WINDUP.values())), signed, signed, positive, positive, share)
def test_inside_the_limit_every_anti_windup_integrates(kind, error, integral, kp, ki_period, tracking):
    limit = 1e9
    output = kp * error + integral
    got = next_integral(kind, error, integral, kp, ki_period, output, limit, tracking)
    assert got == pytest.approx(integral + kp * ki_period * error)


@given(st.sampled_from(sorted(ANTI_WINDUP.values())), signed, signed, positive, positive, st.floats(0.0, 1.0), positive)
def test_anti_windup_never_drives_further_into_the_limit_than_plain(
    kind, error, integral, kp, ki_period, tracking, limit
):
    """Beyond the limit and driven on, the integral ends nearer to zero than the plain integral would."""
    output = kp * error + integral
    assume(abs(output) > limit and output * error > 0.0)
    got = next_integral(kind, error, integral, kp, ki_period, output, limit, tracking)
    plain = integral + kp * ki_period * error
    assert math.copysign(1.0, output) * (plain - got) >= -1e-9 * max(abs(plain), 1.0) or abs(got) <= limit


@given(signed, signed, positive, positive, positive)
def test_clamped_stays_within_the_limit(error, integral, kp, ki_period, limit):
    got = next_integral(CLAMPED, error, integral, kp, ki_period, kp * error + integral, limit, 0.5)
    assert abs(got) <= limit


@given(signed, signed, positive, positive, positive)
def test_conditional_is_the_cascade_s(error, integral, kp, ki_period, limit):
    output = kp * error + integral
    assert next_integral(0.0, error, integral, kp, ki_period, output, limit, 0.3) == pi_integral(
        error, integral, kp, ki_period, output, limit
    )


@given(signed, positive)
def test_dead_zone(error, width):
    got = dead_zone(error, width)
    assert got == (0.0 if abs(error) <= width else error)
    assert dead_zone(error, 0.0) == error


@given(positive, st.floats(0.0, 10.0), st.floats(0.0, 100.0))
def test_tracking_share_is_a_share(period, tracking, rate):
    got = tracking_share(period, tracking, rate)
    assert 0.0 <= got <= 1.0
    if tracking > period:
        assert got == pytest.approx(period / tracking)


@given(signed, positive, st.floats(0.0, 10.0), positive, st.floats(0.0, 50.0))
def test_feedforward_at_rest_and_at_constant_speed(command, period, per_acceleration, top, friction):
    assert feedforward_current(command, command, command, period, per_acceleration, friction, top) == 0.0
    step = 2.0 * top * period  # twice the speed from which friction counts in full
    got = feedforward_current(command + 2 * step, command + step, command, period, 0.0, friction, top)
    assert got == pytest.approx(friction)
    assert (
        abs(feedforward_current(command + 0.1 * step, command, command, period, 0.0, friction, top)) <= friction + 1e-9
    )


@given(signed, signed, st.floats(0.0, 1.0))
def test_held_error(command, angle, band):
    assert held_error(command, command, angle, band) == (0.0 if abs(command - angle) <= band else command - angle)
    assert held_error(command, command + 1.0, angle, band) == command - angle


@given(positive, st.floats(0.0, 10.0), st.floats(1.0, 50.0), positive)
def test_derivative_filter_is_stable_and_right_at_rest(gain, derivative_time, n, period):
    decay, rate = (derivative_decay(derivative_time, n, period), derivative_gain(gain, derivative_time, n, period))
    assert 0.0 <= decay < 1.0
    # gain of a steady ramp: K Td
    assert rate / (1.0 - decay) * period == pytest.approx(gain * derivative_time, rel=1e-6, abs=1e-9)
    assert pid_derivative(0.0, 0.0, decay, rate) == 0.0


@given(positive, positive, st.just(0.0) | positive)
def test_tracking_time_lies_between_the_times(gain, integral_time, derivative_time):
    got = pid_tracking_time(0.0, integral_time, derivative_time)
    if derivative_time > 0.0:
        assert (
            min(integral_time, derivative_time) * (1 - 1e-12)
            <= got
            <= max(integral_time, derivative_time) * (1 + 1e-12)
        )
    assert pid_tracking_time(gain, integral_time, derivative_time) == gain


@given(st.floats(0.1, 300.0), st.floats(0.4, 1.0), st.floats(1e-4, 1.0))
def test_placed_pid_has_the_wanted_poles(bandwidth, damping, m):
    gain, integral, derivative = placed_pid(bandwidth, damping, m)
    got = np.poly(wanted_poles(bandwidth, damping)).real
    assert [1.0, gain * derivative / m, gain / m, gain / integral / m] == pytest.approx(got)


@settings(deadline=None)
@given(st.integers(1, 4), st.integers(0, 10_000))
def test_ackermann_places_the_poles(n, seed):
    rng = np.random.default_rng(seed)
    a, b = rng.normal(size=(n, n)), rng.normal(size=n)
    columns = np.column_stack([np.linalg.matrix_power(a, k) @ b for k in range(n)])
    assume(np.linalg.cond(columns) < 1e4)
    poles = np.sort(rng.uniform(-0.9, 0.9, n))
    assume(n == 1 or np.min(np.diff(poles)) > 0.05)
    feedback = ackermann(a, b, poles)
    assert np.sort(np.linalg.eigvals(a - np.outer(b, feedback)).real) == pytest.approx(poles, abs=1e-6)


@given(signed, positive, positive, st.floats(0.0, 1.0))
def test_clip_and_filter_share(value, limit, period, tau):
    assert abs(clip(value, limit)) <= limit
    assert 0.0 < filter_share(period, tau) <= 1.0
