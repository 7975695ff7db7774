"""Sweep of the gear ratio: each check's own formula, the window's edges, the recommendation."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import LEGS
from valvectl.parts import bang_bang
from valvectl.review import figures
from valvectl.review.folder import json_text
from valvectl.studies.actuator_checks import SPEED_RESERVE, ActuatorCheck, Seen, seen
from valvectl.studies.actuator_demand import actuator_numbers
from valvectl.studies.ratio import LOWEST, POINTS, RatioResult
from valvectl.studies.ratio_choice import TURNS, choose
from valvectl.studies.ratio_odds import ratio_odds
from valvectl.studies.torque import largest_pressure_drop, standstill_current

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


def check(result: RatioResult, name: str) -> ActuatorCheck:
    return next(c for c in result.checks if c.name == name)


def at_design(result: RatioResult, values: np.ndarray) -> float:
    """A sweep's value at the design's ratio, which lies between two of its points."""
    return float(np.interp(result.current, result.ratio, values))


# ------------------------------------------------------------------------------------------------------ the checks


@pytest.mark.parametrize("name", LEGS)
def test_torque_margin_at_the_design_is_the_torque_study(name):
    """The margin is linear in the ratio, so that the value between two points is exact."""
    result = rig().ratio(name)
    margin = check(result, "static torque margin")
    assert at_design(result, margin.values) == pytest.approx(100.0 * rig().torque(name).margin, rel=1e-9)
    assert margin.limit == pytest.approx(100.0)


def at_the_stem(name) -> Seen:
    machine = rig().machine
    actuator = rig().leg(name).actuator
    return seen(actuator_numbers(actuator, machine.legs[name].servo, machine, name))


@pytest.mark.parametrize("name", LEGS)
def test_move_times_at_the_design(name):
    """Against the move of the unchanged design, for the stroke and for the throttle range."""
    leg, s = rig().machine.legs[name], at_the_stem(name)

    def time(angle: float) -> float:
        return bang_bang.move(
            angle, leg.servo.speed_limit, s.gain, s.gain, s.back_emf, s.resistance, leg.servo.current_limit, s.voltage,
            s.load, s.inertia,
        )[0]  # fmt: skip

    result = rig().ratio(name)
    stroke = check(result, "stroke time")
    assert at_design(result, stroke.values) == pytest.approx(time(leg.open_stop - leg.closed_stop), rel=1e-6)
    span = float(np.ptp(rig().analysis.schedule.angle[name]))
    assert at_design(result, result.move_time) == pytest.approx(time(span), rel=1e-6)
    assert np.all(result.move_time <= stroke.values)


def test_numbers_at_the_stem_by_hand():
    """Inertia, torque and back-EMF at the stem; running torque cold at the largest pressure; friction of the motor."""
    machine = rig().machine
    leg, servo = machine.legs["oxidizer"], machine.legs["oxidizer"].servo
    drop = largest_pressure_drop(machine, "oxidizer")
    found = at_the_stem("oxidizer")
    n, eta = 60.0, 0.85 * 0.95
    assert found.gain == pytest.approx(n * eta * servo.hot_torque_constant)
    assert found.back_emf == pytest.approx(n * servo.torque_constant)
    assert found.inertia == pytest.approx(n * n * (8e-6 + 1e-6 + 5e-6 / 400.0) * eta + 4e-5)
    peak = float(leg.breakaway.max())
    running = 1.5 * float(leg.running.max()) * (1.0 + leg.pressure_slope * drop / peak)
    stream = 0.05 * 0.008**3 * drop
    assert found.load == pytest.approx(running + stream + n * eta * 4e-3 * 1.5)
    assert found.voltage == pytest.approx(0.95 * standstill_current(machine, "oxidizer", machine.battery_minimum)[1])


def test_motor_speed_by_hand():
    """300 deg/s at the stem through 60:1 are 3000 rpm of 5000: 60 %."""
    result = rig().ratio("oxidizer")
    speed = check(result, "motor speed")
    assert at_design(result, speed.values) == pytest.approx(60.0, rel=1e-9)
    assert speed.values == pytest.approx(result.ratio)


def test_speed_reserve_by_hand():
    """(duty x volts - R x load current)/(N (K + R b/K_hot)) over the command's limit, b the viscous friction."""
    result = rig().ratio("fuel")
    machine = rig().machine
    servo, s = machine.legs["fuel"].servo, at_the_stem("fuel")
    drag = servo.ratio * s.resistance * servo.motor_viscous / s.hot_constant
    free = (s.voltage - s.resistance * s.load / s.gain) / (s.back_emf + drag)
    reserve = check(result, "speed reserve")
    assert reserve.limit == SPEED_RESERVE
    assert at_design(result, reserve.values) == pytest.approx(free / servo.speed_limit, rel=1e-4)


def test_gear_torque_by_hand():
    """10 A x 38 mN m/A at 10 degC through 20:1 at 85 %, over 12 N m; the last stage has no limit."""
    result = rig().ratio("oxidizer")
    strongest = 0.038 * (1.0 - 0.0012 * (283.0 - 298.15)) * 10.0
    expected = 100.0 * strongest * 20.0 * 0.85 / 12.0
    assert check(result, "gear torque").values == pytest.approx(np.full(POINTS, expected))


def test_flow_step_is_never_below_that_of_the_resolution():
    """Largest gain and largest jump need not be at one setting; where the slot binds both are the same."""
    for name in LEGS:
        result = rig().ratio(name)
        worst, _ = rig().resolution().worst(name)
        here = at_design(result, check(result, "flow step").values)
        assert here >= 100.0 * worst * (1.0 - 1e-9)
        assert here == pytest.approx(100.0 * worst, rel=1e-6)


def test_unseen_lost_motion_shrinks_with_the_ratio_when_the_encoder_sits_on_the_motor():
    keys = {
        "legs.fuel.actuator.position_encoder.location": "motor",
        "legs.fuel.actuator.position_encoder.counts": 4096,
        "legs.fuel.valve.slot_clearance": 0.0,
        "legs.fuel.controller.hold_band": 0.0,
    }
    flow = check(rig().with_values(keys).ratio("fuel"), "flow step").values
    assert np.all(np.diff(flow) < 0.0)


# ------------------------------------------------------------------------------------------------------ the window


DESIGNS = {
    "as it is": {},
    "quick": {"requirements.stroke_time": 0.35},
    "weak battery": {"battery.minimum_voltage": 20.0},
    "low motor speed": {
        "legs.oxidizer.actuator.motor.max_speed": 350.0,
        "legs.fuel.actuator.motor.max_speed": 350.0,
    },
    "sticky": {"requirements.torque_margin": 1.8},
}


@pytest.mark.parametrize("name", LEGS)
@pytest.mark.parametrize("case", list(DESIGNS))
def test_window_edges_are_where_the_named_check_flips(case, name):
    result = rig().with_values(DESIGNS[case]).ratio(name)
    assert result.window is not None
    low, high = (int(np.nonzero(result.ratio == edge)[0][0]) for edge in result.window)
    for one in result.checks:
        assert np.all(one.ok[low : high + 1])
    if result.closed_below:
        flips = check(result, result.closed_below)
        assert not flips.ok[low - 1]
        assert flips.ok[low]
    else:
        assert low == 0
    if result.closed_above:
        flips = check(result, result.closed_above)
        assert flips.ok[high]
        assert not flips.ok[high + 1]
    else:
        assert high == POINTS - 1
    assert result.recommended is not None
    assert result.window[0] <= result.recommended <= result.window[1]
    # No other ratio of the window has a larger smallest reserve, of the checks that the ratio changes.
    reserve = np.min([c.reserve for c in result.checks if np.ptp(c.reserve) > TURNS], axis=0)
    best = int(np.nonzero(result.ratio == result.recommended)[0][0])
    assert reserve[best] == np.max(reserve[low : high + 1])
    inside = result.window[0] <= result.current <= result.window[1]
    assert ("lies inside" if inside else "lies outside") in result.reason


def _case(position: float) -> tuple[Any, Any, Any]:
    """Ratios from 10 to 100 and two checks that leave 20 to 50; the design's ratio at a place on that scale."""
    ratios = np.geomspace(10.0, 100.0, 181)
    least = ActuatorCheck("torque", ratios, 20.0, True, "x")
    most = ActuatorCheck("speed", ratios, 50.0, False, "x")
    return choose(ratios, position, (least, most)), least, most


@pytest.mark.parametrize(
    ("base", "said"),
    [
        (31.6, "Keep the ratio of 31.6: it meets every check, and the best, 31.6, is as good within 5 %. Ratios from"),
        (22.0, "Keep the ratio of 22 or change it to 31.6: it meets every check, and the change would raise the smallest reserve "
         "from "),
        (15.0, "Change the ratio from 15 to 31.6: at 15 it fails torque. Ratios from"),
        (90.0, "Change the ratio from 90 to 31.6: at 90 it fails speed. Ratios from"),
    ],
)  # fmt: skip
def test_keep_or_change_is_said_first(base: float, said: str) -> None:
    assert _case(base)[0].reason.startswith(said)


def test_what_no_ratio_mends_is_said_first() -> None:
    ratios = np.geomspace(10.0, 100.0, 181)
    never = ActuatorCheck("heat", np.full(181, 2.0), 1.0, False, "x")
    reason = choose(ratios, 30.0, (ActuatorCheck("torque", ratios, 20.0, True, "x"), never)).reason
    assert reason.startswith("Change something other than the ratio first. No ratio from 10 to 100 meets every check")


def test_torque_closes_the_window_where_the_margin_is_just_met():
    """The edge in closed form: margin + 1 is in proportion to the ratio."""
    result = rig().ratio("oxidizer")
    assert result.closed_below == "static torque margin"
    edge = result.current * 2.0 / (1.0 + rig().torque("oxidizer").margin)
    step = result.ratio[1] / result.ratio[0]
    assert edge <= result.window[0] < edge * step


def test_no_ratio_meets_all():
    result = rig().with_values({"requirements.torque_margin": 40.0}).ratio("fuel")
    assert result.window is None
    assert result.recommended is None
    assert result.closed_below == result.closed_above == ""
    assert "No ratio from" in result.reason
    assert "static torque margin fails at every one" in result.reason  # 4000 % is out of reach of the whole sweep
    assert "Without it" in result.reason
    assert "nan" not in result.reason


def test_checks_that_exclude_each_other_name_the_least_bad_ratio():
    """900 % of margin holds at high ratios alone, where speed does not: the fewest fail at the border of one of the two."""
    result = rig().with_values({"requirements.torque_margin": 9.0}).ratio("fuel")
    assert result.window is None
    assert "fewest fail at" in result.reason
    assert "Ratio alone does not mend it" in result.reason
    place = float(result.reason.split("fewest fail at ")[1].split(":")[0])
    j = int(np.argmin(np.abs(result.ratio - place)))
    failing = np.sum([np.logical_not(c.ok) for c in result.checks], axis=0)
    assert failing[j] == failing.min() == 1


def test_sweep_and_optimum():
    result = rig().ratio("fuel")
    assert result.ratio[0] == pytest.approx(60.0 * LOWEST)
    assert result.ratio[-1] == pytest.approx(60.0 / LOWEST)
    assert result.inertia_optimum == pytest.approx(math.sqrt(4e-5 / (8e-6 + 1e-6 + 5e-6 / 400.0)), rel=1e-12)
    frame = result.to_frame()
    assert len(frame) == POINTS
    assert frame["all hold"].sum() == np.count_nonzero(
        (result.ratio >= result.window[0]) & (result.ratio <= result.window[1])
    )


def test_reserve_is_the_factor_to_the_limit():
    at_least = ActuatorCheck("a", np.array([1.0, 2.0, 4.0]), 2.0, True, "x")
    at_most = ActuatorCheck("b", np.array([1.0, 2.0, 4.0]), 2.0, False, "x")
    assert list(at_least.ok) == [False, True, True]
    assert list(at_most.ok) == [True, True, False]
    assert np.exp(at_least.reserve) == pytest.approx([0.5, 1.0, 2.0])
    assert np.exp(at_most.reserve) == pytest.approx([2.0, 1.0, 0.5])


# ------------------------------------------------------------------------------------------------ close calls and odds


def test_a_close_call_is_said():
    """A margin that is met at the design with less than a percent to spare: one percent puts the design outside."""
    margin = rig().torque("oxidizer").margin
    result = rig().with_values({"requirements.torque_margin": margin - 0.005}).ratio("oxidizer")
    assert result.close
    assert any("breakaway torque +1 %" in text and "outside the window" in text for text in result.close)
    assert "A close call: with " in result.reason


def test_no_close_call_is_said_too():
    result = rig().ratio("oxidizer")
    assert result.close == ()
    assert result.inputs_tried > 30
    assert "does not change this recommendation." in result.reason


def test_one_percent_on_the_design_file_does_not_flip_what_is_no_close_call():
    """The same by whole designs: the recommended ratio stays within the share that counts as the same."""
    before = rig().ratio("fuel")
    assert before.close == ()
    for key in (
        "actuator.motor.torque_constant",
        "actuator.motor.resistance",
        "actuator.current_limit",
        "valve.inertia",
    ):
        at = f"legs.fuel.{key}"
        for factor in (0.99, 1.01):
            after = rig().with_values({at: _value(at) * factor}).ratio("fuel")
            assert after.recommended == pytest.approx(before.recommended, rel=0.05)


def _value(key: str) -> float:
    value = rig().inputs.get(key)
    if value is None:  # the fuel leg takes it from the oxidizer leg
        value = rig().inputs[key.replace("fuel", "oxidizer")]
    return float(value.value)


def test_gear_speed_limit_closes_the_window_above():
    """The first stage's input turns as fast as the motor: 300 deg/s x N against 4000 rpm closes at 80."""
    key = "legs.fuel.actuator.gears[0].speed_limit"
    result = rig().with_values({key: "4000 rpm"}).ratio("fuel")
    assert result.closed_above == "gear speed"
    assert result.window[1] == pytest.approx(80.0, rel=0.01)
    assert "gear speed" not in {c.name for c in rig().ratio("fuel").checks}


def test_dynamic_margin_is_judged_where_the_rule_asks_for_it():
    named = rig().with_values({"requirements.torque_rule": "AIAA S-114"}).ratio("fuel")
    assert check(named, "dynamic torque margin").limit == pytest.approx(25.0)
    assert "dynamic torque margin" in {c.name for c in rig().ratio("fuel").shown}


def test_odds_and_splits():
    result = rig().ratio("oxidizer")
    odds = ratio_odds(rig(), rig().machine, rig().analysis.schedule, "oxidizer", result.ratio / result.current, 200)
    assert np.all((odds.probability >= 0.0) & (odds.probability <= 1.0))
    assert np.all(odds.at_least <= odds.probability)
    inside = (odds.ratio >= result.window[0]) & (odds.ratio <= result.window[1] * 0.9)
    assert np.all(odds.probability[inside] == 1.0)  # the window stands at the adverse bounds of the margin
    assert "legs.oxidizer.actuator.position_encoder.accuracy" in odds.left_out
    assert odds.at(60.0)[0] == 1.0
    frame = odds.to_frame()
    assert frame["all hold [-]"].max() == 1.0
    for row in result.split:
        assert row.maker * row.own == pytest.approx(result.recommended)
        if not math.isnan(row.own_low):
            assert result.window[0] <= row.maker * row.own_low * (1 + 1e-12)
            assert row.maker * row.own_high <= result.window[1] * (1 + 1e-12)


def test_optimum_under_load_is_that_of_the_sweep():
    result = rig().ratio("oxidizer")
    acceleration = next(c.values for c in result.shown if c.name == "acceleration")
    step = result.ratio[1] / result.ratio[0]
    assert result.ratio[int(np.argmax(acceleration))] == pytest.approx(result.loaded_optimum, rel=step - 1.0)


def test_full_result_is_plain():
    """JSON without NaN, table and figure with probability and simulated strokes."""
    result = rig().ratio_in_full("oxidizer")
    assert set(result.simulated) == {result.current, result.recommended}
    # The servo is no faster than the fastest move to the same 98 % of the way.
    fastest = at_design(result, check(result, "stroke time").values)
    assert 0.9 * fastest < result.simulated[result.current] < 1.3 * fastest
    assert "probability that all hold [-]" in result.columns()
    text = json_text(result.to_dict())
    assert "NaN" not in text
    assert "Infinity" not in text
    shown = [t.get_text() for ax in figures.ratio_window_chart(result).axes for t in ax.texts]
    assert shown.count("closes the window") == 2
