"""Properties of the timing of the loops: observer, sensor lag, offsets, waits, sensitivities, jitter."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import valvectl
from valvectl.parts.controller import CascadeGains
from valvectl.parts.speed_estimate import lag_shares, lagged, observer_gains, tracked
from valvectl.plant.sampling_numbers import common_divisor
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.jitter import JitterMargins, jitter_margins, place_margins, shifted
from valvectl.servo.sampled import Place, closed_loop, open_loop
from valvectl.servo.transfers import PLACES, complementary, sensitivity
from valvectl.studies.timing import wait_for

GAINS = CascadeGains(position=30.0, speed=1.2, speed_integral=25.0, current=0.9, current_integral=600.0)
US = 1e-6


@cache
def base() -> Servo:
    path = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
    return valvectl.load(path).machine.legs["oxidizer"].servo


@given(st.floats(1e-5, 1e-2), st.floats(1e-3, 1.0), st.floats(0.3, 3.0))
def test_observer_poles(period, turn, damping):
    """Poles are exp(s T) of the continuous ones and inside the unit circle; a steady speed is followed without error."""
    bandwidth = turn / period
    g, h = observer_gains(period, bandwidth, damping)
    assert 0.0 < g < 1.0
    assert h > 0.0
    s = np.roots([1.0, 2.0 * damping * bandwidth, bandwidth**2])
    z = np.exp(s * period)
    assert 2.0 - g - h == pytest.approx(float(np.real(z.sum())), rel=1e-9, abs=1e-12)
    assert 1.0 - g == pytest.approx(float(np.real(z.prod())), rel=1e-9)
    angle, speed = tracked(1.0 + period * 3.0, 1.0, 3.0, period, g, h)
    assert (angle, speed) == pytest.approx((1.0 + period * 3.0, 3.0), rel=1e-12)


@given(st.floats(1e-7, 1e-3), st.floats(0.0, 1e-2), st.floats(-5.0, 5.0), st.floats(-5.0, 5.0), st.floats(-5.0, 5.0))
def test_lag_keeps_between_and_is_itself_in_two_halves(step, tau, value, before, after):
    """A lag's output stays between its state and its input; two half steps along the same line are one step."""
    out = lagged(value, before, after, *lag_shares(step, tau))
    assert min(value, before, after) - 1e-9 <= out <= max(value, before, after) + 1e-9
    middle = 0.5 * (before + after)
    half = lag_shares(0.5 * step, tau)
    assert lagged(lagged(value, before, middle, *half), middle, after, *half) == pytest.approx(out, abs=1e-9)


@given(st.integers(1, 400), st.integers(1, 400), st.integers(0, 400))
def test_common_divisor(a, b, c):
    """The largest common divisor of whole numbers of a unit, in that unit; zeros do not count."""
    assert common_divisor([a * 0.25e-6, b * 0.25e-6, c * 0.25e-6]) == pytest.approx(
        math.gcd(a, b, c) * 0.25e-6, rel=1e-6
    )


@given(st.integers(0, 19), st.integers(0, 9), st.floats(0.0, 800.0))
@settings(max_examples=60, deadline=None)
def test_waits_lie_in_a_period(speed, current, delay):
    servo = replace(
        base(),
        speed_offset=speed * 25 * US,
        current_offset=current * 5 * US,
        position_delay=delay * US,
        speed_delay=delay * US,
    )
    position, inner = wait_for(servo, "position"), wait_for(servo, "speed")
    assert 0.0 <= position < servo.speed_period
    assert 0.0 <= inner < servo.current_period
    arrived = (servo.position_delay + position - servo.speed_offset) / servo.speed_period
    assert arrived == pytest.approx(round(arrived), abs=1e-6)


@given(st.integers(0, 19), st.integers(0, 9), st.floats(0.0, 900.0), st.floats(0.0, 400.0), st.booleans())
@settings(max_examples=25, deadline=None)
def test_sensitivities_add_up_and_loops_hold_the_command(speed, current, late, lag, observed):
    servo = replace(
        base(), speed_offset=speed * 25 * US, current_offset=current * 5 * US, position_delay=late * US,
        position_sensor_lag=lag * US, observer_bandwidth=900.0 if observed else 0.0, feedforward=0.0,
    )  # fmt: skip
    for at in PLACES:
        omega = np.array([3.0, 40.0, 500.0])
        total = sensitivity(servo, GAINS, at).response(omega) + complementary(servo, GAINS, at).response(omega)
        assert np.max(np.abs(total - 1.0)) < 1e-8
    loop = closed_loop(servo, GAINS)
    assert loop.spectral_radius < 1.0
    rest = np.linalg.solve(np.eye(loop.a.shape[0]) - loop.a, loop.b[:, 0])
    assert float(loop.c[1] @ rest) == pytest.approx(1.0, rel=1e-6)  # the stem comes to the command


@given(st.floats(0.0, 400.0))
@settings(max_examples=15, deadline=None)
def test_all_offsets_moved_alike_make_no_other_loop(offset):
    """At the speed's place only the current loop's offset from the speed loop counts."""
    servo = replace(base(), speed_offset=offset * US, current_offset=math.fmod(offset, 50.0) * US)
    omega = np.array([10.0, 200.0, 2000.0])
    moved = open_loop(servo, GAINS, "speed").response(omega)[:, 0, 0]
    assert moved == pytest.approx(open_loop(base(), GAINS, "speed").response(omega)[:, 0, 0], rel=1e-6)


@given(st.floats(0.0, 100.0), st.floats(0.0, 50.0), st.floats(0.0, 12.0))
@settings(max_examples=30, deadline=None)
def test_corners_of_the_jitter(position, speed, current):
    servo = replace(base(), position_jitter=position * US, speed_jitter=speed * US, current_jitter=current * US)
    corners = list(shifted(servo, "position"))
    moving = sum(j > 0.0 for j in (servo.position_jitter, servo.speed_jitter, servo.current_jitter))
    assert len(corners) == (2**moving if moving else 0)
    for shifts, other in corners:
        for loop, by in shifts.items():
            assert getattr(other, f"{loop}_delay") == pytest.approx(getattr(servo, f"{loop}_delay") + by, abs=1e-15)


@given(
    st.floats(-1.0, 1.0),
    st.floats(-1.0, 1.0),
    st.floats(-1.0, 1.0),
    st.integers(0, 19),
    st.sampled_from(["position", "speed"]),
)
@settings(max_examples=60, deadline=None)
def test_ends_of_the_jitter_cover_what_lies_between(position, speed, current, offset, at):
    """Constant delays anywhere within the jitter: no margin is below the least of nominal and corners."""
    servo = replace(
        base(), position_jitter=200 * US, speed_jitter=100 * US, current_jitter=12 * US, speed_offset=offset * 25 * US
    )
    whole = _corners(servo, at)
    inside = replace(
        servo,
        position_delay=servo.position_delay + position * servo.position_jitter,
        speed_delay=servo.speed_delay + speed * servo.speed_jitter,
        current_delay=servo.current_delay + current * servo.current_jitter,
    )
    found = place_margins(inside, GAINS, at)
    assert found.stable
    assert found.margins.phase_margin >= whole.least_phase.margins.phase_margin - 1e-4
    assert found.margins.gain_margin_db >= whole.least_gain.margins.gain_margin_db - 1e-3
    assert found.margins.peak_sensitivity <= whole.highest_peak.margins.peak_sensitivity + 1e-4


@cache
def _corners(servo: Servo, at: Place) -> JitterMargins:
    return jitter_margins(servo, GAINS, at)
