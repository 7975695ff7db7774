"""What would bring the flow step to the limit: each closed form put back into the design meets it exactly."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.plant.balance import solve
from valvectl.studies.ball_offset import ball_offset
from valvectl.studies.resolution import resolution
from valvectl.studies.resolution_fix import (
    StepFixes,
    allowed_step,
    counts_needed,
    ratio_factor_needed,
    resolution_fix,
    stiffness_needed,
)

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
CLEAN = {
    "legs.fuel.valve.slot_clearance": 0.0,
    "legs.fuel.controller.hold_band": 0.0,
    "legs.fuel.valve.torque.pressure_slope": 0.0,
    "legs.fuel.valve.torque.breakaway": ["1 N m"] * 6,
    "legs.fuel.valve.torque.running": ["1 N m"] * 6,
}
"""No cause of a coarse step but the encoder's count."""
MOTOR = {"legs.fuel.actuator.position_encoder.location": "motor"}


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


def fixes(of, limit, name="fuel") -> StepFixes:
    schedule = of.analysis.schedule
    return resolution_fix(of, of.machine, schedule, resolution(of.machine, schedule, limit), name)


def fix(found, key):
    return next(f for f in found.fixes if key in f.key)


def worst(of, name="fuel"):
    return of.resolution().worst(name)[0]


def test_counts():
    """At a gain of 5 /rad and a limit of 0.5 % the step may be 1 mrad: 6284 counts a turn of the stem."""
    assert allowed_step(np.array([2.0, 5.0]), 0.005) == pytest.approx(1e-3)
    assert counts_needed(1000, 2.0 * math.pi / 1000, 1e-3) == 6284
    assert counts_needed(1000, 2.0 * math.pi / 1000 / 60.0, 1e-3) == 105


def test_counts_put_back():
    of = rig().with_values({**CLEAN, "legs.fuel.actuator.position_encoder.counts": 2048})
    found = fixes(of, 0.005)
    assert found.too_coarse == ("encoder count",)
    one = fix(found, "counts")
    assert one.alone
    after = of.with_values({one.key: int(one.needed)})
    assert worst(after) <= 0.005 * (1.0 + 1e-12)
    assert worst(of.with_values({one.key: int(one.needed) - 1})) > 0.005


def test_slot_put_back():
    keys = {"legs.fuel.valve.slot_clearance": math.radians(0.3)}
    found = fixes(rig().with_values(keys), 0.005)
    one = fix(found, "slot")
    assert one.alone
    assert found.too_coarse == ("unseen lost motion",)
    after = rig().with_values({one.key: math.radians(one.needed)})
    assert worst(after) == pytest.approx(0.005, rel=1e-9)


def test_hold_band_put_back():
    found = fixes(rig().with_values({"legs.fuel.controller.hold_band": math.radians(0.1)}), 0.005)
    one = fix(found, "hold_band")
    assert one.alone
    assert worst(rig().with_values({one.key: math.radians(one.needed)})) == pytest.approx(0.005, rel=1e-9)


def test_ratio_put_back_with_the_encoder_on_the_motor():
    """Lost motion before the last stage shrinks with its ratio, what sits behind it does not."""
    keys = {
        **MOTOR,
        "legs.fuel.actuator.position_encoder.counts": 16384,
        "legs.fuel.valve.slot_clearance": 0.0,
        "legs.fuel.actuator.gears[0].lost_motion": "60 arcmin",
        "legs.fuel.actuator.gears[1].lost_motion": "1 arcmin",
    }
    of = rig().with_values(keys)
    found = fixes(of, 0.01)
    one = fix(found, "ratio")
    assert one.alone
    assert one.needed > one.now == of.machine.legs["fuel"].servo.ratio
    after = of.with_values({"legs.fuel.actuator.gears[1].ratio": 3.0 * one.needed / one.now})
    assert worst(after) == pytest.approx(0.01, rel=1e-9)


def test_ratio_and_stiffness_put_back_for_the_jump():
    """Compliance before the last stage goes with one over its ratio squared."""
    keys = {
        "legs.fuel.valve.slot_clearance": 0.0,
        "legs.fuel.controller.hold_band": 0.0,
        "legs.fuel.actuator.gears[0].stiffness": "50 N m/rad",
    }
    of = rig().with_values(keys)
    before = resolution(of.machine, of.analysis.schedule, 1.0)
    limit = 0.5 * before.worst("fuel")[0]
    found = fixes(of, limit)
    assert found.too_coarse == ("jump after sticking",)
    ratio = fix(found, "ratio")
    after = of.with_values({"legs.fuel.actuator.gears[1].ratio": 3.0 * ratio.needed / ratio.now})
    assert worst(after) == pytest.approx(limit, rel=1e-9)
    stiff = fix(found, "stiffness")
    assert stiff.needed == pytest.approx(2.0 * stiff.now)
    machine = of.machine.with_servo("fuel", spring=stiff.needed)
    assert resolution(machine, of.analysis.schedule, limit).worst("fuel")[0] == pytest.approx(limit, rel=1e-9)


def test_port_scale_put_back():
    now = worst(rig())
    limit = 0.9 * now
    one = fix(fixes(rig(), limit), "port_scale")
    assert one.alone
    after = worst(rig().with_values({one.key: one.needed}))
    assert limit * (1.0 - 2e-3) < after <= limit * (1.0 + 1e-6)


def test_encoder_on_the_stem_instead():
    keys = {**MOTOR, "legs.fuel.actuator.position_encoder.counts": 16384}
    of = rig().with_values(keys)
    found = fixes(of, 0.005)
    one = fix(found, "location")
    assert one.alone
    assert worst(of.with_values({"legs.fuel.actuator.position_encoder.location": "stem"})) <= 0.005
    # 0.16 deg of gears are behind any slot: no slot mends that.
    slot = fix(found, "slot")
    assert slot.needed is None
    assert not slot.alone
    assert slot.remains == "unseen lost motion"
    # The last stage's own 0.12 deg stays at any ratio.
    assert fix(found, "ratio").needed is None


def test_nothing_to_mend():
    found = fixes(rig(), 0.005)
    assert found.too_coarse == ()
    assert all(f.alone and f.needed == f.now for f in found.fixes)
    assert len(found.to_frame()) == len(found.fixes)


def test_two_causes_need_two_changes():
    found = fixes(rig(), 0.002)
    assert set(found.too_coarse) == {"unseen lost motion", "hold band"}
    assert fix(found, "slot").remains == "hold band"
    assert not any(f.alone for f in found.fixes if "port" not in f.key)


def test_ratio_factor():
    assert ratio_factor_needed(0.1, 0.4, 0.3, 1) == pytest.approx(2.0)
    assert ratio_factor_needed(0.1, 0.4, 0.2, 2) == pytest.approx(2.0)
    assert ratio_factor_needed(0.3, 0.1, 0.3, 1) is None
    assert stiffness_needed(100.0, np.array([2.0]), np.array([0.01]), 0.005) == pytest.approx(400.0)


def test_ball_against_the_angle_measured():
    """Encoder on the stem: half the slot and the encoder. On the motor the gears and their twist come to it."""
    point = solve(rig().machine, 0.7)
    stem = ball_offset(rig().machine, "fuel", point)
    assert stem["slot between stem and ball"] == pytest.approx(math.radians(0.025))
    assert stem["lost motion of the gears"] == stem["twist under running torque"] == 0.0
    machine = rig().with_values({**MOTOR, "legs.fuel.actuator.position_encoder.counts": 4096}).machine
    motor = ball_offset(machine, "fuel", point)
    assert motor["lost motion of the gears"] == pytest.approx(0.5 * math.radians(8.0 / 60.0 / 3.0 + 0.12))
    assert 1e-4 < motor["twist under running torque"] < 3e-3
