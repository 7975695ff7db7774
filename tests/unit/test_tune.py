"""Tuned gains: targets met by python-control's reckoning, sensible moves with the plant, refusals in words."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import LegName
from valvectl.errors import ValvectlError
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.sampled import LOOP_ORDER, closed_loop, open_loop
from valvectl.servo.tune import NOISE_SHARE, TARGETS, Targets, acceleration_per_ampere, gains_of, loop_margins, tune

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
TIMES_SLOWER = 4.0


@cache
def servo(name: LegName = "oxidizer") -> Servo:
    return valvectl.load(RIG).machine.legs[name].servo


def slower() -> Servo:
    """The same servo with every period, delay and filter four times as long."""
    s = servo()
    times = (
        "position_period", "position_delay", "speed_period", "speed_delay", "current_period", "current_delay",
        "speed_filter",
    )  # fmt: skip
    return replace(s, **{key: TIMES_SLOWER * getattr(s, key) for key in times})


CASES = {
    "oxidizer": lambda: servo(),
    "fuel": lambda: servo("fuel"),
    "slower": slower,
    "encoder on motor": lambda: replace(servo(), position_on_motor=True),
    "soft train": lambda: replace(servo(), spring=0.1 * servo().spring, damping=0.3 * servo().damping),
    "heavy load": lambda: replace(servo(), load_inertia=30.0 * servo().load_inertia),
}


@pytest.mark.parametrize("at", LOOP_ORDER)
@pytest.mark.parametrize("case", list(CASES))
def test_targets_are_met_by_python_control(case, at):
    """Margins from python-control's response of ``to_control()`` on a dense grid; the closed loop's poles by its feedback."""
    import control

    s = CASES[case]()
    gains = tune(s)
    system = open_loop(s, gains, at).to_control()
    omega = np.geomspace(1e-3, 1.0 - 1e-9, 1500) * math.pi / system.dt
    data = control.frequency_response(system, omega)
    gm, pm, sm, *_ = control.stability_margins(control.frd(data.frdata, omega, smooth=True), method="frd")
    targets = TARGETS[at]
    assert 20.0 * math.log10(gm) >= targets.gain_margin_db - 1e-3
    assert pm >= math.degrees(targets.phase_margin) - 1e-2
    assert 1.0 / sm <= targets.peak_sensitivity * (1.0 + 1e-3)
    poles = np.abs(control.feedback(system, 1).poles())
    # Integrators outside of the loop at hand stand at one.
    assert np.max(poles) < (1.0 if at == "position" else 1.0 + 1e-6)
    found = loop_margins(s, gains, at)
    assert found.stable
    assert found.margins.phase_margin == pytest.approx(math.radians(pm), rel=1e-4)
    assert found.margins.gain_margin_db == pytest.approx(20.0 * math.log10(gm), rel=1e-4)
    assert found.margins.peak_sensitivity == pytest.approx(1.0 / sm, rel=1e-3)


@pytest.mark.parametrize("case", list(CASES))
def test_tuned_servo_is_stable_as_a_whole(case):
    s = CASES[case]()
    closed = closed_loop(s, tune(s))
    assert closed.spectral_radius < 1.0
    command = np.column_stack([np.full(4000, 0.1), np.zeros(4000)])
    assert closed.simulate(command)[-1, 1] == pytest.approx(0.1, rel=1e-3)


@pytest.mark.parametrize("at", LOOP_ORDER)
def test_gains_are_not_smaller_than_they_need_be(at):
    """With 2 % more gain a target is missed, or the noise of the speed encoder bounds the speed loop."""
    s = servo()
    gains = tune(s)
    key = "speed" if at == "speed" else at
    changes = {key: 1.02 * getattr(gains, key)}
    if at == "speed":
        changes["speed_integral"] = 1.02 * gains.speed_integral
    m = loop_margins(s, replace(gains, **changes), at).margins
    t = TARGETS[at]
    missed = (
        m.gain_margin_db < t.gain_margin_db
        or m.phase_margin < t.phase_margin
        or m.peak_sensitivity > t.peak_sensitivity
    )
    quiet = NOISE_SHARE * s.current_limit * s.speed_period / s.speed_count
    assert missed or (at == "speed" and 1.02 * gains.speed > quiet)


def test_speed_gain_goes_with_inertia():
    """Twice the inertia needs twice the current for the same acceleration; crossovers stay."""
    s = replace(servo(), speed_count=0.0)
    heavy = replace(s, motor_inertia=2.0 * s.motor_inertia, load_inertia=2.0 * s.load_inertia, spring=2.0 * s.spring,
                    damping=2.0 * s.damping, motor_viscous=2.0 * s.motor_viscous)  # fmt: skip
    light_gains, heavy_gains = tune(s), tune(heavy)
    assert heavy_gains.speed / light_gains.speed == pytest.approx(2.0, rel=0.03)
    assert heavy_gains.position == pytest.approx(light_gains.position, rel=0.03)
    assert heavy_gains.current == pytest.approx(light_gains.current, rel=0.01)
    assert acceleration_per_ampere(heavy) == pytest.approx(0.5 * acceleration_per_ampere(s), rel=1e-12)


def test_acceleration_per_ampere():
    """By hand without losses: K N / (N^2 Jm + Jl)."""
    s = servo()
    s = replace(s, train=replace(s.train, efficiency=1.0, backdrive_efficiency=1.0))
    expected = s.torque_constant * s.ratio / (s.ratio**2 * s.motor_inertia + s.load_inertia)
    assert acceleration_per_ampere(s) == pytest.approx(expected, rel=1e-12)


def test_gains_go_with_time():
    """All times four times as long, a rigid train: every rate four times as slow (the motor's own L/R aside)."""
    s = replace(servo(), speed_count=0.0)
    quick, slow = tune(s), tune(replace(slower(), speed_count=0.0))
    assert quick.position / slow.position == pytest.approx(TIMES_SLOWER, rel=0.1)
    assert quick.speed / slow.speed == pytest.approx(TIMES_SLOWER, rel=0.1)
    assert quick.current > slow.current


def test_coarse_speed_encoder_bounds_the_speed_gain():
    """One count may ask for no more than its share of the current limit."""
    s = replace(servo(), speed_count=20.0 * servo().speed_count)
    gains = tune(s)
    one_count = gains.speed * s.speed_count / s.speed_period
    assert one_count <= NOISE_SHARE * s.current_limit * (1.0 + 1e-12)
    assert gains.speed < tune(replace(s, speed_count=0.0)).speed


def test_longer_delay_gives_a_slower_loop():
    quick = [tune(replace(servo(), position_delay=d)).position for d in (0.0, 1e-3, 3e-3, 8e-3)]
    assert all(b < a for a, b in pairwise(quick))


def test_what_the_linear_loop_does_not_know_changes_nothing():
    s = servo()
    other = replace(s, half_gap=0.01, hold_band=0.01, motor_friction=1.0, speed_limit=0.1, feedforward=0.3)
    assert tune(other) == tune(s)


def test_gains_of_the_file_come_first():
    given = tune(servo())
    given = replace(given, position=0.5 * given.position)
    assert gains_of(replace(servo(), gains=given)) is given
    assert gains_of(servo()) == tune(servo())


@pytest.mark.parametrize("at", LOOP_ORDER)
def test_targets_that_no_gain_meets(at, monkeypatch):
    """No loop keeps |S| below 0.9 (Bode's integral): the message says which loop gave up and what is too long."""
    monkeypatch.setitem(TARGETS, at, Targets(peak_sensitivity=0.9))
    with pytest.raises(ValvectlError, match=f"no gain of the {at} loop keeps its margins.*too long"):
        tune(replace(servo(), inductance=1.001 * servo().inductance, resistance=1.003 * servo().resistance))
