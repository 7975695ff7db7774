"""Closed-form moves against a step-by-step integration of the same motor, and their limits."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from mover import Mover

BASE = Mover(
    torque_per_ampere=1.5, back_emf=1.9, resistance=0.7, current_limit=10.0, voltage=20.0, load=3.0, inertia=0.04,
    speed_limit=1e9,
)  # fmt: skip
CASES = {
    "current limit alone": (replace(BASE, voltage=200.0), 0.3),
    "current then voltage": (BASE, 0.9),
    "nearly final speed": (replace(BASE, inertia=0.01), 3.0),
    "voltage limit from rest": (replace(BASE, current_limit=40.0), 0.9),
    "speed limit in the current-limited part": (replace(BASE, speed_limit=4.0), 0.9),
    "speed limit in the voltage-limited part": (replace(BASE, speed_limit=8.0), 1.5),
    "short": (BASE, 0.01),
    "heavy load": (replace(BASE, load=13.0), 0.9),
    "no load": (replace(BASE, load=0.0), 0.9),
}


def integrated(mover: Mover, angle: float, step: float = 2e-6) -> float:
    """Time of a move by midpoint integration of J dw/dt = k i - load with the current the drive can give, then braking."""

    def rate(speed: float) -> float:
        current = min(mover.current_limit, (mover.voltage - mover.back_emf * speed) / mover.resistance)
        return (mover.torque_per_ampere * current - mover.load) / mover.inertia

    brake = (mover.torque_per_ampere * mover.current_limit + mover.load) / mover.inertia
    time = turned = speed = 0.0
    while turned + 0.5 * speed * speed / brake < angle:
        after = min(speed + step * rate(speed + 0.5 * step * rate(speed)), mover.speed_limit)
        turned += 0.5 * step * (speed + after)
        speed = after
        time += step
    return time + speed / brake


@pytest.mark.parametrize("name", list(CASES))
def test_move_time_against_integration(name):
    mover, angle = CASES[name]
    assert mover.move_time(angle) == pytest.approx(integrated(mover, angle), rel=1e-3)


def test_run_up_against_integration():
    """Time and angle to a speed in the voltage-limited part."""
    time = turned = speed = 0.0
    step, wanted = 1e-6, 8.0
    while speed < wanted:
        current = min(BASE.current_limit, (BASE.voltage - BASE.back_emf * speed) / BASE.resistance)
        after = speed + step * (BASE.torque_per_ampere * current - BASE.load) / BASE.inertia
        turned += 0.5 * step * (speed + after)
        speed, time = after, time + step
    assert BASE.run_up(wanted) == pytest.approx((time, turned), rel=1e-4)


def test_run_up_is_smooth_at_the_corner():
    """Just below and above the speed at which the voltage takes over."""
    corner = (BASE.voltage - BASE.resistance * BASE.current_limit) / BASE.back_emf
    below, above = BASE.run_up(corner * (1 - 1e-9)), BASE.run_up(corner * (1 + 1e-9))
    assert above == pytest.approx(below, rel=1e-7)


def test_load_that_can_not_be_moved():
    assert not replace(BASE, load=15.0).can_move  # 10 A give 15 N m
    assert replace(BASE, load=15.0).move_time(0.1) == math.inf
    assert replace(BASE, load=14.9).can_move
    weak = replace(BASE, voltage=1.0, load=2.2)  # 1 V over 0.7 ohm: 1.43 A, 2.14 N m
    assert not weak.can_move
    assert weak.move_time(0.1) == math.inf
    assert not replace(BASE, voltage=-1.0, load=0.0).can_move


def test_final_speed():
    assert BASE.final_speed == pytest.approx((20.0 - 0.7 * 2.0) / 1.9, rel=1e-15)
    assert replace(BASE, speed_limit=2.0).final_speed == 2.0


def test_long_moves_go_at_the_final_speed():
    """Twice the way beyond the run-up takes the extra way at the final speed."""
    for mover in (BASE, replace(BASE, speed_limit=4.0)):
        extra = mover.move_time(60.0) - mover.move_time(40.0)
        assert extra == pytest.approx(20.0 / mover.final_speed, rel=1e-6)


def test_no_way_takes_no_time():
    assert BASE.move_time(0.0) == 0.0
