"""Resolution, pressure ladder, step and loop study, throttle run, stroke and heating; what all results can do."""

from __future__ import annotations

import json
import math
from dataclasses import FrozenInstanceError, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import LEGS
from valvectl.errors import SimulationError
from valvectl.plant.balance import solve
from valvectl.plant.linear import engine_model
from valvectl.servo.tune import loop_margins
from valvectl.studies.loop import SETTLING_BAND, STEP_SIZE, middle_point, step_metrics
from valvectl.studies.resolution import CAUSES, step_causes
from valvectl.studies.result import plain
from valvectl.studies.throttle import throttle

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
ARCMIN = math.radians(1.0 / 60.0)


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


# ------------------------------------------------------------------------------------------------------ resolution


def test_step_causes_by_hand():
    """Encoder on the stem: 2 pi/131072; hold band +-0.02 deg; slot 0.05 deg; jump 2 (breakaway - running)/stiffness."""
    machine = rig().machine
    point = solve(machine, 0.7)
    causes = step_causes(machine, "oxidizer", point)
    assert tuple(causes) == CAUSES
    assert causes["encoder count"] == pytest.approx(2.0 * math.pi / 131072, rel=1e-12)
    assert causes["hold band"] == pytest.approx(math.radians(0.04), rel=1e-12)
    assert causes["unseen lost motion"] == pytest.approx(math.radians(0.05), rel=1e-12)
    at = point.legs["oxidizer"]
    angle = math.degrees(at.angle)
    breakaway = float(np.interp(angle, [0, 10, 30, 60, 80, 90], [1.85, 1.6, 1.35, 1.35, 1.5, 1.75]))
    running = float(np.interp(angle, [0, 10, 30, 60, 80, 90], [1.6, 1.4, 1.2, 1.2, 1.3, 1.5]))
    factor = 1.5 * (1.0 + 0.02 / 1.85 * at.valve_drop / 1e5)
    # In line, at the stem: coupling 8000, second stage 6000, first stage 2500 through 3:1 squared [N m/rad].
    spring = 1.0 / (1.0 / 8000.0 + 1.0 / 6000.0 + 1.0 / (9.0 * 2500.0))
    expected = 2.0 * (breakaway - running) * factor / spring  # an undamped slip overshoots its rest by as much again
    assert causes["jump after sticking"] == pytest.approx(expected, rel=2e-3)


def test_lost_motion_of_the_gears_counts_when_the_encoder_sits_on_the_motor():
    """8 arcmin before 3:1 and 0.12 deg behind it, plus the slot."""
    keys = {f"legs.fuel.actuator.position_encoder.{k}": v for k, v in {"location": "motor", "counts": 4096}.items()}
    machine = rig().with_values(keys).machine
    causes = step_causes(machine, "fuel", solve(machine, 0.7))
    assert causes["unseen lost motion"] == pytest.approx(8.0 * ARCMIN / 3.0 + math.radians(0.17), rel=1e-9)
    assert causes["encoder count"] == pytest.approx(2.0 * math.pi / 4096 / 60.0, rel=1e-12)


def test_resolution_at_one_setting_by_hand():
    """40 % throttle: the slot of 0.05 deg times authority times d ln c/d angle; and O/F with the chamber free."""
    machine = rig().machine
    point = solve(machine, 0.4)
    result = rig().resolution()
    assert result.throttle[0] == pytest.approx(0.4)
    for name in LEGS:
        leg, at = result.legs[name], point.legs[name]
        assert leg.cause[0] == "unseen lost motion"
        assert leg.smallest_step[0] == pytest.approx(math.radians(0.05))
        # Square losses only: relative flow per ln c is the share of the valve in the drop from tank and head to chamber.
        total = at.tank + machine.legs[name].head - point.chamber_pressure
        droop = machine.legs[name].tank_droop * at.flow / machine.legs[name].reference_flow
        gain = at.gain * 2.0 * at.valve_drop / (2.0 * total + droop)
        assert leg.gain[0] == pytest.approx(gain, rel=1e-9)
        assert leg.flow_step[0] == pytest.approx(gain * math.radians(0.05), rel=1e-9)
        sensitivity = abs(engine_model(machine, point).static_ratio_sensitivity(name))
        assert leg.ratio_step[0] == pytest.approx(sensitivity * math.radians(0.05), rel=1e-12)
        assert leg.count_flow[0] == pytest.approx(gain * 2.0 * math.pi / 131072, rel=1e-9)


def test_largest_cause_is_the_one_named():
    keys = {"legs.oxidizer.valve.slot_clearance": 0.0, "legs.oxidizer.controller.hold_band": 0.0}
    leg = rig().with_values(keys).resolution().legs["oxidizer"]
    for k, cause in enumerate(leg.cause):
        assert leg.smallest_step[k] == leg.steps[cause][k] == max(leg.steps[c][k] for c in CAUSES)
    assert set(leg.cause) == {"jump after sticking"}
    coarse = rig().with_values({**keys, "legs.oxidizer.actuator.position_encoder.counts": 4096})
    assert set(coarse.resolution().legs["oxidizer"].cause) == {"encoder count"}


def test_worst_step_and_where_it_is_coarse():
    result = rig().resolution()
    for name in LEGS:
        worst, j = result.worst(name)
        assert worst == result.legs[name].flow_step[j] == np.max(result.legs[name].flow_step)
    assert math.isnan(replace(result, limit=1.0).coarse_below("fuel"))
    limit = float(result.legs["fuel"].flow_step[10])
    edge = replace(result, limit=limit * (1.0 - 1e-9)).coarse_below("fuel")
    assert edge == result.legs["fuel"].angle[10]


# ---------------------------------------------------------------------------------------------------------- ladder


def test_ladder_is_the_schedule_station_by_station():
    result = rig().ladder()
    machine = rig().machine
    assert np.array_equal(result.throttle, rig().analysis.schedule.throttle)
    for k in (0, 15, 30):
        point = solve(machine, float(result.throttle[k]))
        assert result.chamber_pressure[k] == point.chamber_pressure
        for name in LEGS:
            leg, at = result.legs[name], point.legs[name]
            assert (leg.angle[k], leg.flow[k], leg.tank[k]) == (at.angle, at.flow, at.tank)
            assert (leg.valve_inlet[k], leg.valve_outlet[k], leg.manifold[k]) == (
                at.valve_inlet, at.valve_outlet, at.manifold,
            )  # fmt: skip
            assert leg.choking[k] == pytest.approx(at.valve_drop / at.choked_drop)
            assert (leg.choking[k] >= 1.0) == at.choked
            assert leg.authority[k] == point.authority(name)
            assert leg.stiffness[k] == point.injector_stiffness(name)
        assert result.exit_pressure_ratio[k] == pytest.approx(
            machine.exit_ratio * point.chamber_pressure / machine.ambient_pressure
        )


def test_ladder_in_vacuum_has_no_exit_pressure_ratio():
    keys = {"engine.ambient_pressure": 0.0, "engine.thrust": 2250.0}
    assert np.all(np.isnan(rig().with_values(keys).ladder().exit_pressure_ratio))


# ------------------------------------------------------------------------------------------------------------ loop


def test_step_metrics_of_awkward_responses():
    time = np.linspace(0.0, 1.0, 1001)
    still = step_metrics(time, np.zeros(1001), 0.0, 1.0)
    assert still.t63 == still.t86 == still.dead_time == still.settling == math.inf
    assert still.overshoot == 0.0
    assert still.residual == -1.0
    there = step_metrics(time, np.ones(1001), 0.0, 1.0)
    assert there.t63 == there.settling == 0.0
    # Settles at a sample, leaves the band once more, comes back.
    y = np.where(time < 0.2, 0.0, 1.0)
    y[(time > 0.5) & (time < 0.6)] = 1.0 - 1.5 * SETTLING_BAND
    late = step_metrics(time, y, 0.0, 1.0)
    assert late.settling == pytest.approx(0.6, abs=2e-3)
    assert late.dead_time == pytest.approx(0.2, abs=2e-3)
    y[-1] = 1.5
    assert step_metrics(time, y, 0.0, 1.0).settling == math.inf
    assert step_metrics(time, y, 0.0, 1.0).overshoot == pytest.approx(0.5)
    down = step_metrics(time, 0.7 - 0.1 * np.where(time < 0.2, 0.0, 1.1), 0.7, -0.1)
    assert down.overshoot == pytest.approx(0.1)
    assert down.residual == pytest.approx(0.1)


@pytest.mark.parametrize("name", LEGS)
def test_loop_study(name):
    """Margins are those of the exact loop; bandwidth is where |T| crosses -3 dB; steps end near the command."""
    result = rig().loop(name)
    servo = rig().machine.legs[name].servo
    assert result.tuned
    for at in result.margins:
        exact = loop_margins(servo, result.gains, at)
        assert result.margins[at] == exact.margins
        assert result.stable[at] is exact.stable is True
    t = result.loop_gain / (1.0 + result.loop_gain)
    assert np.max(np.abs(result.complementary - t)) < 1e-8
    above = result.frequency < result.bandwidth
    assert np.all(np.abs(t[above]) >= math.sqrt(0.5))
    assert abs(t[np.count_nonzero(above)]) < math.sqrt(0.5)
    assert result.frequency[-1] == pytest.approx(math.pi / servo.position_period)
    for way, sign in (("opening", 1.0), ("closing", -1.0)):
        step = result.steps[way]
        assert step.metrics.size == sign * STEP_SIZE
        assert step.time[0] == pytest.approx(0.0, abs=1e-9)
        assert step.command[-1] == pytest.approx(step.metrics.start + step.metrics.size)
        assert abs(step.stem[-1] - step.command[-1]) < 0.02 * STEP_SIZE
        assert 0.0 < step.metrics.dead_time < step.metrics.t63 < step.metrics.t86 < 0.1
        rate = np.diff(step.command) / servo.position_period
        assert np.max(np.abs(rate)) <= servo.speed_limit * (1.0 + 1e-9)
    assert result.worst_overshoot == max(s.metrics.overshoot for s in result.steps.values())
    assert result.worst_settling == max(s.metrics.settling for s in result.steps.values())


def test_gains_of_the_file_are_not_called_tuned():
    gains = rig().analysis.gains["fuel"]
    keys = {f"legs.fuel.controller.gains.{key}": value for key, value in vars(gains).items() if value is not None}
    result = rig().with_values(keys).loop("fuel")
    assert not result.tuned
    assert result.gains.position == pytest.approx(gains.position)
    assert result.margins["position"].gain_margin_db == pytest.approx(
        rig().loop("fuel").margins["position"].gain_margin_db
    )


def test_middle_point():
    points = rig().analysis.schedule.points
    middle = middle_point(points, "fuel")
    angles = [p.legs["fuel"].angle for p in points]
    wanted = 0.5 * (angles[0] + angles[-1])
    assert abs(middle.legs["fuel"].angle - wanted) == min(abs(a - wanted) for a in angles)


# -------------------------------------------------------------------------------------------------------- throttle


def run(profile, **changes):
    analysis = rig().analysis
    return throttle(analysis.machine, analysis.gains, analysis.schedule, profile, 0.05, **changes)


def test_held_throttle_stays_where_it_is():
    result = run([(0.0, 0.6), (0.5, 0.6)])
    assert result.changes == ()
    (hold,) = result.holds
    assert (hold.start, hold.end, hold.throttle) == (0.0, 0.5, 0.6)
    assert abs(hold.ratio_error) < 1e-6
    assert hold.settling == 0.0
    assert result.peak_error < 1e-6
    assert result.worst_change is None
    assert result.thrust == pytest.approx(np.full(result.time.size, 0.6), rel=1e-6)
    for name in LEGS:
        assert hold.hunting[name] < math.radians(0.01)


def test_ramp_and_holds():
    """The run ends on the balance of the last setting; holds and the change between them are told apart."""
    result = run([(0.0, 1.0), (0.4, 1.0), (0.8, 0.5), (1.6, 0.5)])
    (change,) = result.changes
    first, second = result.holds
    assert (change.start, change.end, change.before, change.after) == (0.4, 0.8, 1.0, 0.5)
    assert (first.throttle, second.throttle) == (1.0, 0.5)
    assert result.worst_change is change
    assert abs(change.peak_error) == pytest.approx(result.peak_error)
    assert 0.4 <= change.peak_time <= 1.6
    assert result.throttle[result.time == 0.6] == pytest.approx(0.75)
    assert result.thrust[-1] == pytest.approx(0.5, rel=0.01)
    assert abs(second.ratio_error) < 0.01
    for name in LEGS:
        assert 0.0 < change.lag[name] < 0.02
        gain = engine_model(rig().machine, solve(rig().machine, 0.5)).slopes[name].angle_gain
        assert second.hunting_flow[name] == pytest.approx(second.hunting[name] * gain, rel=1e-6)
    assert change.mismatch == change.lag["oxidizer"] - change.lag["fuel"]
    assert result.wanted_ratio == 1.2
    assert result.ratio_error == pytest.approx(result.trace.mixture_ratio / 1.2 - 1.0)


def test_short_stretches_are_no_holds():
    result = run([(0.0, 0.8), (0.2, 0.8), (0.4, 0.7), (0.9, 0.7)])
    assert [h.throttle for h in result.holds] == [0.7]


# ------------------------------------------------------------------------------------------------- stroke and heat


def test_stroke_takes_at_least_the_rate_limit():
    """90 deg at 300 deg/s are 0.3 s, 98 % of them 0.294 s; then the position loop's lag."""
    result = rig().stroke()
    for name in LEGS:
        for times in (result.opening, result.closing):
            assert 0.294 <= times[name] < 0.35
        longest, way = result.longest(name)
        assert longest == max(result.opening[name], result.closing[name])
        assert way in ("opening", "closing")
        assert 0.0 < result.peak_current[name] <= 1.02 * rig().machine.legs[name].servo.current_limit
    assert rig().machine.undervoltage < result.lowest_bus < rig().machine.battery_minimum


@pytest.mark.parametrize("resistance", [0.1, 0.7, 2.0])
def test_battery_that_is_too_weak(resistance):
    """Voltages stay above zero and currents within the limit, or the run is refused: a battery can not turn its poles."""
    design = rig().with_values({"battery.resistance": resistance})
    try:
        result = design.stroke()
    except SimulationError:
        return
    assert result.lowest_bus > 0.0
    for name in LEGS:
        assert result.peak_current[name] <= 1.05 * design.machine.legs[name].servo.current_limit


def test_heat_by_hand():
    """T - Ta = Rth I^2 R(T), checked by putting the answer back in."""
    for name in LEGS:
        result = rig().analysis.heat[name]
        rms = rig().throttle_run().rms_current[name]
        assert result.rms_current == rms
        resistance = 0.6 * (1.0 + 0.0039 * (result.temperature - 298.15))
        assert result.temperature - result.surroundings == pytest.approx(4.5 * rms**2 * resistance, rel=1e-9)
        assert result.share == pytest.approx((result.temperature - result.surroundings) / (398.0 - result.surroundings))


# --------------------------------------------------------------------------------------------------------- results


@pytest.mark.parametrize(
    "study", ["ladder", "resolution", "throttle_run", "stroke", "spread", "ratio", "loop", "torque"]
)
def test_every_result_is_a_table_and_a_dictionary(study):
    method = getattr(rig(), study)
    result = method("fuel") if study in ("ratio", "loop", "torque") else method()
    frame = result.to_frame()
    assert len(frame) > 0
    assert "<table" in result._repr_html_()
    text = json.dumps(result.to_dict(), allow_nan=False)
    assert len(text) > 100
    with pytest.raises(FrozenInstanceError):
        result.leg = "other"


def test_plain_values():
    assert plain({"a": np.array([1.0, math.nan]), 2: (True, np.int64(3), 1 + 2j, None, "x")}) == {
        "a": [1.0, None],
        "2": [True, 3, [1.0, 2.0], None, "x"],
    }
    assert plain(math.inf) is None


def test_studies_are_worked_out_once():
    design = rig()
    assert design.ladder() is design.ladder()
    assert design.ratio("fuel") is design.ratio("fuel")
    assert design.analysis.settings[0] == 0.4
    assert design.analysis.settings[-1] == 1.0
    assert set(design.analysis.settings) >= {h.throttle for h in design.throttle_run().holds}
