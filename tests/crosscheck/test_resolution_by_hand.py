"""Resolution of both example designs worked out again at three settings: causes with the numbers of the design files typed
in here, flow and mixture ratio by moving the balls in the full non-linear balance instead of by slopes.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.plant.balance import balance, leg_flow

DESIGNS = Path(__file__).parents[2] / "designs"
DEG = math.pi / 180.0
RIG_TORQUE = {
    "angle": [0, 10, 30, 60, 80, 90],
    "running": [1.6, 1.4, 1.2, 1.2, 1.3, 1.5],
    "breakaway": [1.85, 1.6, 1.35, 1.35, 1.5, 1.75],
    "slope": 0.02 / 1.85,
}
STAND_TORQUE = {
    "angle": [0, 15, 75, 90],
    "running": [3.4, 2.8, 2.8, 3.1],
    "breakaway": [3.9, 3.1, 3.1, 3.5],
    "slope": 0.06 / 3.9,
}
RIG_STIFFNESS = 1.0 / (1 / 8000 + 1 / 6000 + 1 / (2500 * 3**2))
STAND_STIFFNESS = 1.0 / (1 / 9000 + 1 / 7000 + 1 / (1800 * 3.2**2))
HAND = {
    ("hover-rig", "oxidizer"): {
        "count": 360 / 131072,
        "band": 0.04,
        "unseen": 0.05,
        "stiffness": RIG_STIFFNESS,
        "cold": 1.5,
        "torque": RIG_TORQUE,
        "motor": False,
    },
    ("hover-rig", "fuel"): {
        "count": 360 / 131072,
        "band": 0.04,
        "unseen": 0.05,
        "stiffness": RIG_STIFFNESS,
        "cold": 1.0,
        "torque": RIG_TORQUE,
        "motor": False,
    },
    ("sprint-stand", "oxidizer"): {
        "count": 360 / 65536,
        "band": 0.04,
        "unseen": 0.04,
        "stiffness": STAND_STIFFNESS,
        "cold": 1.7,
        "torque": STAND_TORQUE,
        "motor": False,
    },
    ("sprint-stand", "fuel"): {
        "count": 360 / 16384 / 51.2,
        "band": 0.04,
        "unseen": 0.04 + 0.15 + 14 / 60 / 3.2,
        "stiffness": STAND_STIFFNESS,
        "cold": 1.0,
        "torque": STAND_TORQUE,
        "motor": True,
    },
}
"""Angles in degrees, torques in N m, stiffness at the stem in N m/rad, slope of friction in 1/bar."""
SETTINGS = (0, 15, -1)
"""Entries of the schedule: 40, 70 and 100 % throttle."""
LEGS = list(HAND)


@cache
def design(name: str) -> valvectl.Design:
    return valvectl.load(DESIGNS / f"{name}.toml")


def by_hand(name: str, leg: str, point) -> dict[str, float]:
    """Each cause [deg], and the step after a reversal."""
    h = HAND[name, leg]
    table, at = h["torque"], point.legs[leg]
    angle = at.angle / DEG
    rise = h["cold"] * (1.0 + table["slope"] * (at.valve_inlet - at.valve_outlet) / 1e5)
    static = rise * np.interp(angle, table["angle"], table["breakaway"])
    running = rise * np.interp(angle, table["angle"], table["running"])
    jump = 2.0 * (static - running) / h["stiffness"] / DEG
    assert jump < h["band"] + h["count"]  # else the zone of rest is another
    wind_up = 2.0 * static / h["stiffness"] / DEG if h["motor"] else 0.0
    return {
        "encoder count": h["count"],
        "hold band": h["band"],
        "jump after sticking": jump,
        "unseen lost motion": h["unseen"],
        "after a reversal": h["count"] + h["band"] + h["unseen"] + wind_up,
    }


@pytest.mark.parametrize("index", SETTINGS)
@pytest.mark.parametrize(("name", "leg"), LEGS)
def test_causes(name, leg, index):
    of = design(name)
    found, point = of.resolution().legs[leg], of.analysis.schedule.points[index]
    hand = by_hand(name, leg, point)
    for cause in ("encoder count", "hold band", "unseen lost motion"):
        assert found.steps[cause][index] == pytest.approx(hand[cause] * DEG, rel=1e-9)
    # The torque table is laid on the characteristic's grid first, which rounds its corners by some 0.2 %.
    assert found.steps["jump after sticking"][index] == pytest.approx(hand["jump after sticking"] * DEG, rel=3e-3)
    assert found.steps["command step"][index] == 0.0
    largest = max((c for c in hand if c != "after a reversal"), key=lambda c: hand[c])
    assert found.cause[index] == largest
    assert found.smallest_step[index] == pytest.approx(hand[largest] * DEG, rel=1e-9)
    assert found.reversal_step[index] == pytest.approx(hand["after a reversal"] * DEG, rel=1e-3)


@pytest.mark.parametrize("index", SETTINGS)
@pytest.mark.parametrize(("name", "leg"), LEGS)
def test_flow_of_each_cause(name, leg, index):
    """Flow at the chamber pressure of the point with the ball half a step to either side."""
    of = design(name)
    found, point = of.resolution().legs[leg], of.analysis.schedule.points[index]
    part, at = of.machine.legs[leg], point.legs[leg]
    for cause, step in by_hand(name, leg, point).items():
        low, high = (leg_flow(part, at.angle + 0.5 * s * step * DEG, point.chamber_pressure) for s in (-1, 1))
        angle = found.reversal_step[index] if cause == "after a reversal" else found.steps[cause][index]
        # Kv is a straight line between grid points 0.1 deg or so apart, and the slope is taken over a few of them.
        assert found.gain[index] * angle == pytest.approx((high - low) / at.flow, rel=0.03)


def moved_ratio(of: valvectl.Design, point, off: dict[str, float]) -> float:
    """Relative change of O/F with balls off by some angles [rad], the whole engine balanced anew."""
    angles = [point.legs[leg].angle + off.get(leg, 0.0) for leg in ("oxidizer", "fuel")]
    return balance(of.machine, *angles).mixture_ratio / point.mixture_ratio - 1.0


@pytest.mark.parametrize("index", SETTINGS)
@pytest.mark.parametrize("name", ["hover-rig", "sprint-stand"])
def test_mixture_ratio_of_one_and_both_legs(name, index):
    of = design(name)
    result, point = of.resolution(), of.analysis.schedule.points[index]
    for step, alone, both in (
        ("smallest_step", "ratio_step", result.both_step),
        ("reversal_step", "reversal_ratio", result.both_reversal),
        ("offset_sum", "offset_ratio", result.both_offset),
    ):
        size = {leg: float(getattr(result.legs[leg], step)[index]) for leg in ("oxidizer", "fuel")}
        change = {leg: moved_ratio(of, point, {leg: size[leg]}) for leg in size}
        back = {leg: moved_ratio(of, point, {leg: -size[leg]}) for leg in size}
        single = {leg: 0.5 * (abs(change[leg]) + abs(back[leg])) for leg in size}
        for leg in size:
            assert getattr(result.legs[leg], alone)[index] == pytest.approx(single[leg], rel=0.03)
        wrong = [moved_ratio(of, point, {"oxidizer": s * size["oxidizer"], "fuel": -s * size["fuel"]}) for s in (1, -1)]
        assert both.worst[index] == pytest.approx(0.5 * (abs(wrong[0]) + abs(wrong[1])), rel=0.03)
        alike = [moved_ratio(of, point, {leg: s * size[leg] for leg in size}) for s in (1, -1)]
        # Two nearly equal terms cancel here: the rest is as exact as the terms.
        allowed = 0.03 * both.worst[index]
        assert both.alike[index] == pytest.approx(0.5 * (abs(alike[0]) + abs(alike[1])), abs=allowed)
        if step != "offset_sum":
            assert both.rss[index] == pytest.approx(math.hypot(*single.values()), rel=0.03)
        assert max(abs(w) for w in wrong) > max(abs(a) for a in alike)


@pytest.mark.parametrize(("name", "leg"), LEGS)
def test_offset_of_the_ball(name, leg):
    """Half of what the encoder does not see, the accuracy, half a count; on the motor the twist under running torque."""
    of = design(name)
    found, point = of.resolution().legs[leg], of.analysis.schedule.points[0]
    h, at = HAND[name, leg], point.legs[leg]
    table = h["torque"]
    rise = h["cold"] * (1.0 + table["slope"] * (at.valve_inlet - at.valve_outlet) / 1e5)
    stream = 0.05 * 0.008**3 * (at.valve_inlet - at.valve_outlet)  # both valves have a bore of 8 mm
    torque = rise * np.interp(at.angle / DEG, table["angle"], table["running"]) + stream
    twist = torque / h["stiffness"] / DEG if h["motor"] else 0.0
    accuracy = (0.05 if name == "hover-rig" else 0.08) / (51.2 if h["motor"] else 1.0)
    dragged, half_count = 0.5 * h["unseen"] + twist, 0.5 * h["count"]
    assert found.offset_sum[0] == pytest.approx((dragged + accuracy + half_count) * DEG, rel=2e-3)
    squares = math.sqrt(dragged**2 + accuracy**2 + half_count**2)
    assert found.offset_rss[0] == pytest.approx(squares * DEG, rel=2e-3)
