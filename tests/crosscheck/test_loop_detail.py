"""Detail of the position loop against independent ways: eigenvalues, simulated noise, loads, finite words."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from valvectl import load
from valvectl.parts.speed_estimate import observer_gains, tracked
from valvectl.servo.nyquist import balanced_disk, crossings, nyquist_count
from valvectl.servo.sampled import Discrete, closed_loop, open_loop
from valvectl.servo.tune import gains_of, loop_margins
from valvectl.servo.word_length import rounded_gains, rounding
from valvectl.studies.loop import middle_point
from valvectl.studies.loop_detail import held_stiffness, loop_detail

DESIGNS = Path(__file__).resolve().parents[2] / "designs"


@pytest.fixture(scope="module")
def design() -> Any:
    return load(DESIGNS / "hover-rig.toml")


def _loop(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> Discrete:
    return Discrete(a, b, c, np.zeros((1, 1)), 1.0, ("u",), ("y",))


def test_nyquist_count_of_random_loops():
    """Stable and unstable loop gains of up to six states: the count of turns and the eigenvalues agree."""
    rng = np.random.default_rng(5)
    counts = set()
    for _ in range(60):
        n = int(rng.integers(1, 7))
        a = rng.normal(size=(n, n))
        a *= rng.uniform(0.3, 1.4) / max(np.abs(np.linalg.eigvals(a)))
        found = nyquist_count(_loop(a, rng.normal(size=(n, 1)), rng.normal(size=(1, n)) * rng.uniform(0.1, 2.0)))
        assert found.agree, found
        counts.add((found.open_unstable, found.closed_unstable))
    assert len(counts) > 6


def test_nyquist_count_with_an_integrator():
    """z^-1 behind an integrator, K/(z - 1) z^-1: stable up to a gain of one."""
    a, b = np.array([[1.0, 1.0], [0.0, 0.0]]), np.array([[0.0], [1.0]])
    for gain, unstable in ((0.5, 0), (0.99, 0), (1.01, 2), (2.5, 2)):
        found = nyquist_count(_loop(a, b, np.array([[gain, 0.0]])))
        assert found.closed_unstable == unstable == found.by_eigenvalues


@pytest.mark.parametrize("factor", [1.0, 3.0, 3.6, 3.75, 5.0])
def test_nyquist_count_of_the_servo_changes_at_the_gain_margin(design, factor):
    servo = design.machine.legs["oxidizer"].servo
    gains = gains_of(servo)
    margin = 10.0 ** (loop_margins(servo, gains, "position").margins.gain_margin_db / 20.0)
    found = nyquist_count(open_loop(servo, replace(gains, position=factor * gains.position), "position"))
    assert found.agree
    assert (found.closed_unstable > 0) == (factor > margin)


def test_crossings_hold_the_margins(design):
    servo = design.machine.legs["fuel"].servo
    gains = gains_of(servo)
    found = loop_margins(servo, gains, "position")
    highest = math.pi / found.loop.period
    ups, downs = crossings(lambda w: found.loop.response(w)[:, 0, 0], 1e-4 * highest, highest)
    assert min(abs(c.phase_margin) for c in ups) == pytest.approx(found.margins.phase_margin, rel=1e-9)
    assert min(c.delay_margin for c in ups) == pytest.approx(found.margins.delay_margin, rel=1e-9)
    assert 20.0 * math.log10(min(p.factor for p in downs if p.factor > 1.0)) == pytest.approx(
        found.margins.gain_margin_db, rel=1e-9
    )


def test_extra_delay_of_the_delay_margin_brings_the_loop_to_its_border(design):
    """The delay margin put in as a longer delay of the position loop: stable a little below, unstable a little above."""
    servo = design.machine.legs["fuel"].servo
    gains = gains_of(servo)
    margin = loop_margins(servo, gains, "position").margins.delay_margin
    for share, stable in ((0.97, True), (1.03, False)):
        longer = replace(servo, position_delay=servo.position_delay + share * margin)
        assert (closed_loop(longer, gains).spectral_radius < 1.0) == stable


def test_crossings_of_a_flexible_plant():
    """Gain crossovers of the open library's flexible example (three of them)."""

    def response(w: np.ndarray) -> np.ndarray:
        s = 1j * w
        top = 8.75 * (4.0 * s * s + 0.4 * s + 1.0)
        return top / ((100.0 * s + 1.0) * (s * s + 0.22 * s + 1.0) * (s * s / 100.0 + 0.008 * s + 1.0))

    ups, _ = crossings(response, 1e-3, 100.0)
    found = [math.degrees(c.phase_margin) for c in ups]
    # python-control, test of stability_margins with all crossings
    assert found == pytest.approx([97.594, -157.784, 134.736], abs=0.01)


def test_noise_of_the_position_encoder_simulated(design):
    """White noise put on the command of the linear loop, a long run: the standard deviations of the Lyapunov equation."""
    point = middle_point(design.analysis.schedule.points, "oxidizer")
    servo = design.machine.legs["oxidizer"].servo
    gains = gains_of(servo)
    found = loop_detail(design.machine, gains, "oxidizer", point).noise[0]
    model = closed_loop(replace(servo, feedforward=0.0), gains)
    rng = np.random.default_rng(3)
    u = np.zeros((60000, 2))
    u[:, 0] = servo.position_count * (rng.uniform(size=60000) - 0.5)
    y = model.simulate(u)[500:]
    assert float(np.std(y[:, 1])) == pytest.approx(found.stem, rel=0.05)
    assert float(np.std(y[:, 3])) == pytest.approx(found.current, rel=0.05)


@pytest.mark.parametrize("bandwidth", [0.0, 1200.0], ids=["difference", "observer"])
def test_noise_of_the_speed_encoder_simulated(design, bandwidth):
    """The same for rounded angles through the speed's estimate, sample by sample on the speed loop's own model."""
    point = middle_point(design.analysis.schedule.points, "oxidizer")
    machine = design.machine.with_servo("oxidizer", observer_bandwidth=bandwidth)
    servo = machine.legs["oxidizer"].servo
    gains = gains_of(servo)
    found = loop_detail(machine, gains, "oxidizer", point).noise[1]
    loop = open_loop(servo, gains, "speed")
    closed = loop.a - loop.b @ loop.c
    rng = np.random.default_rng(4)
    share = 1.0 - math.exp(-servo.speed_period / servo.speed_filter)
    x, filtered, before, raw, current = np.zeros(loop.a.shape[0]), 0.0, 0.0, 0.0, []

    gain, rate = observer_gains(servo.speed_period, bandwidth, 1.0) if bandwidth else (1.0, 1.0)
    for _ in range(40000):
        now = servo.speed_count * (rng.uniform() - 0.5)
        if bandwidth:
            before, raw = tracked(now, before, raw, servo.speed_period, gain, rate)
        else:
            raw, before = (now - before) / servo.speed_period, now
        filtered += share * (raw - filtered)
        x = closed @ x + loop.b[:, 0] * filtered
        current.append(x[0])
    assert float(np.std(current[500:])) == pytest.approx(found.current, rel=0.05)
    first = gains.speed * share * rate * servo.speed_count / servo.speed_period
    assert found.one_count == pytest.approx(first, rel=1e-9)


def test_stiffness_against_a_load_in_the_time_domain(design):
    """A sine load on the sampled model run in time: load over the amplitude of the stem."""
    point = middle_point(design.analysis.schedule.points, "fuel")
    servo = design.machine.legs["fuel"].servo
    gains = gains_of(servo)
    found = loop_detail(design.machine, gains, "fuel", point)
    model = closed_loop(servo, gains)
    for at in (150, 250, 330):
        omega = float(found.frequency[at])
        time = model.period * np.arange(40000)
        u = np.zeros((time.size, 2))
        u[:, 1] = 0.5 * np.sin(omega * time)
        late = model.simulate(u)[20000:, 1]
        amplitude = math.sqrt(2.0) * float(np.std(late))
        assert 0.5 / amplitude == pytest.approx(float(found.stiffness[at]), rel=0.02)


def test_stiffness_with_friction_in_the_time_domain():
    """A spring with Coulomb friction under a sine load, stepped; its first harmonic by the formula."""
    inertia, stiffness, damping, friction, load, omega = 1.0, 4.0, 0.3, 0.8, 3.0, 4.0
    linear = stiffness - inertia * omega**2 + 1j * damping * omega
    x = v = 0.0
    step = 1e-4
    places = []
    count = round(2.0 * math.pi / omega / step)
    for k in range(40 * count):
        free = v + step / inertia * (load * math.sin(omega * k * step) - stiffness * x - damping * v)
        v = free - math.copysign(min(abs(free), friction * step / inertia), free)
        x += step * v
        places.append(x)
    late = np.array(places[-10 * count :])
    phase = omega * step * np.arange(late.size)
    amplitude = 2.0 * abs(np.mean(late * np.exp(-1j * phase)))
    assert load / amplitude == pytest.approx(held_stiffness(linear, friction, load), rel=0.03)
    assert held_stiffness(linear, friction, 0.9) == math.inf


@pytest.mark.parametrize("scaling", ["own", "common"])
def test_long_words_change_nothing_and_short_ones_much(design, scaling):
    servo = design.machine.legs["oxidizer"].servo
    gains = gains_of(servo)
    found, shortest = rounding(servo, gains, scaling)
    assert 5 <= shortest <= 16
    assert found[-1].poles < 1e-7
    assert found[0].poles > 1e-2
    assert all(max(abs(r.gain_margin), abs(r.phase_margin)) <= 0.01 for r in found if r.bits >= shortest)


def test_a_float_is_a_word_of_24_bits_beside_its_sign(design):
    """Coefficients as numpy's float32 are those of a word of 25 bits with its own power of two."""
    servo = design.machine.legs["oxidizer"].servo
    gains = gains_of(servo)
    _, found = rounded_gains(servo, gains, 25, "own")
    assert found.position == float(np.float32(gains.position))
    assert found.speed == float(np.float32(gains.speed))
    assert found.current == float(np.float32(gains.current))


def test_disk_margin_of_a_published_example():
    """25/(s^3 + 10 s^2 + 10 s + 10): alpha 0.46, gain 0.63 to 1.59, phase 26 deg (Seiler, Packard and Gahinet, 2020; from
    memory), and python-control's disk_margins."""
    import control

    omega = np.geomspace(0.1, 30.0, 20000)
    s = 1j * omega
    found = balanced_disk(omega, 25.0 / (s**3 + 10.0 * s**2 + 10.0 * s + 10.0))
    assert found.alpha == pytest.approx(0.46, abs=0.005)
    assert found.gain_up == pytest.approx(1.59, abs=0.01)
    assert math.degrees(found.phase) == pytest.approx(26.0, abs=0.5)
    if hasattr(control, "disk_margins"):
        alpha, gain_db, phase = control.disk_margins(control.tf([25.0], [1.0, 10.0, 10.0, 10.0]), omega)
        assert found.alpha == pytest.approx(float(alpha), rel=1e-4)
        assert 20.0 * math.log10(found.gain_up) == pytest.approx(float(gain_db), rel=1e-3)
        assert math.degrees(found.phase) == pytest.approx(float(phase), rel=1e-3)


def test_disk_margin_is_at_most_the_classical_ones(design):
    found = design.loop_in_full("fuel")
    assert found.detail.disk.gain_up <= 10.0 ** (found.margins["position"].gain_margin_db / 20.0) + 1e-6
    assert found.detail.disk.phase <= found.margins["position"].phase_margin + 1e-6
