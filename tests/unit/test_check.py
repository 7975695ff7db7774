"""``check`` on the example engines: every row there, verdicts as announced, remedies that do what they say."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

import valvectl
from valvectl.design.keys import find, split
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import build_schedule
from valvectl.review.mend import KNOBS, remedies
from valvectl.review.mend_pairs import PAIRS, followers
from valvectl.review.requirements import BY_ID, REQUIREMENTS
from valvectl.review.verdict import Review, row
from valvectl.studies.adverse import FLOW, STIFFNESS, TORQUE, adverse
from valvectl.studies.analysis import Analysis
from valvectl.studies.ladder import ladder

DESIGNS = Path(__file__).resolve().parents[2] / "designs"
ENGINE = (
    "mixture_ratio_steady",
    "mixture_ratio_transient",
    "mixture_ratio_settling",
    "tracking_mismatch",
    "bus_voltage",
)
EACH_LEG = (
    "flow_resolution",
    "flow_dead_band",
    "valve_travel",
    "cavitation",
    "injector_stiffness",
    "torque_margin",
    "stroke_time",
    "gain_margin",
    "phase_margin",
    "peak_sensitivity",
    "step_overshoot",
    "step_settling",
    "limit_cycle",
    "motor_heating",
)


@pytest.fixture(scope="module")
def rig() -> valvectl.Design:
    return valvectl.load(DESIGNS / "hover-rig.toml")


@pytest.fixture(scope="module")
def rig_review(rig: valvectl.Design) -> Review:
    return rig.check()


@pytest.fixture(scope="module")
def stand() -> valvectl.Design:
    return valvectl.load(DESIGNS / "sprint-stand.toml")


@pytest.fixture(scope="module")
def stand_review(stand: valvectl.Design) -> Review:
    return stand.check()


def test_every_row_is_there(rig_review: Review) -> None:
    rows = {(r.id, r.leg) for r in rig_review.rows}
    for id_ in ENGINE:
        assert (id_, None) in rows
    for id_ in EACH_LEG:
        assert {(id_, "oxidizer"), (id_, "fuel")} <= rows


def test_the_rig_meets_everything(rig_review: Review) -> None:
    assert rig_review.all_met
    assert [r.id for r in rig_review.rows if r.margin is None or r.margin < 0.0] == []
    assert rig_review.remedies == ()
    assert "NaN" not in str(rig_review.to_dict())
    assert len(rig_review.to_frame()) == len(rig_review.rows)


def test_defaults_and_assumptions_are_listed(rig: valvectl.Design, rig_review: Review) -> None:
    assert {"requirements.gain_margin", "simulation.step"} <= {d.key for d in rig_review.defaults_used}
    assert "engine.thrust" in rig_review.assumed
    assert rig_review.exclusions


def test_the_stand_misses_for_different_reasons(stand_review: Review) -> None:
    missed = {(r.id, r.leg) for r in stand_review.missed}
    assert {
        ("injector_stiffness", "oxidizer"),
        ("torque_margin", "oxidizer"),
        ("flow_resolution", "fuel"),
        ("gain_margin", "fuel"),
    } <= missed
    assert {(r.row_id, r.leg) for r in stand_review.remedies} == missed


def test_remedies_do_what_they_say(stand: valvectl.Design, stand_review: Review) -> None:
    named = [r for r in stand_review.remedies if r.key]
    assert len(named) >= 5
    for remedy in named:
        changed = stand.with_values({remedy.key: remedy.after})  # as printed
        (found,) = BY_ID[remedy.row_id].rows(Analysis(changed), remedy.leg)
        assert found.verdict == "met", (remedy, found)


LOW = (0, 1, 4, 5, 6, 7, 10, 11, 12, 13)
"""Corners of the example's profile below some 70 % throttle."""


@pytest.mark.parametrize(
    ("row_id", "limit", "keys"),
    [
        ("injector_stiffness", 0.16, {"injector.hole_diameter", "tank.pressure"}),
        ("torque_margin", 13.0, {"actuator.gears[1].ratio", "actuator.current_limit"}),
        (
            "cavitation",
            0.5,
            {"throttle.minimum", *(f"throttle.profile[{i}].throttle" for i in (0, 1, 4, 5, 6, 7, 10, 11, 12, 13))},
        ),
    ],
)
def test_what_helps_only_together_is_named_and_helps(
    rig: valvectl.Design, row_id: str, limit: float, keys: set[str]
) -> None:
    """Limits that no single input reaches, reached by what is named, changed as printed."""
    tight = rig.with_values({f"requirements.{row_id}": limit})
    (missed,) = BY_ID[row_id].rows(Analysis(tight), "oxidizer")
    (remedy,) = remedies(Analysis(tight), [missed], lambda text: None)
    assert not remedy.key
    assert {key.removeprefix("legs.oxidizer.") for key, _, _ in remedy.together} == keys
    assert "No single change tried meets the limit, but together: change " in remedy.text
    changed = tight.with_values({key: after for key, _, after in remedy.together})
    (now,) = BY_ID[row_id].rows(Analysis(changed), "oxidizer")
    assert now.verdict == "met"
    for key, _, after in remedy.together:  # none of them alone
        if not key.startswith("throttle"):
            (alone,) = BY_ID[row_id].rows(Analysis(tight.with_values({key: after})), "oxidizer")
            assert alone.verdict == "missed"


def test_a_higher_throttle_lifts_the_corners_below_it_and_no_others(rig: valvectl.Design) -> None:
    lifted = followers(rig, {"throttle.minimum": 0.6, "engine.thrust": 1.0})
    corners = {f"throttle.profile[{i}].throttle": c.throttle for i, c in enumerate(rig.throttle.profile)}
    assert set(lifted) == {key for key, at in corners.items() if at < 0.6}
    assert set(lifted.values()) == {0.6}
    assert rig.with_values({"throttle.minimum": 0.6, **lifted}).throttle.minimum == 0.6
    assert followers(rig, {"engine.thrust": 1.0}) == {}


def test_pairs_are_of_rows_and_keys_that_there_are() -> None:
    assert set(PAIRS) <= set(KNOBS)
    for pairs in PAIRS.values():
        for pair in pairs:
            for key, _ in pair.keys:
                assert find(split(key.format(leg="fuel").replace("[-1]", "[0]"))) is not None


def test_a_limit_that_nothing_alone_reaches_says_so(rig: valvectl.Design) -> None:
    review = rig.with_values({"requirements.flow_resolution": 0.0002}).check()
    for remedy in review.remedies:
        assert not remedy.key
        assert not remedy.together
        assert "look for more changes together" in remedy.text
        assert remedy.tried


def test_a_stuck_valve_is_not_said_to_hold_still(rig: valvectl.Design) -> None:
    weak = rig.with_values({"legs.oxidizer.actuator.current_limit": 0.3})
    analysis = Analysis(weak)
    for id_ in ("limit_cycle", "step_overshoot"):
        (found,) = BY_ID[id_].rows(analysis, "oxidizer")
        assert found.verdict == "not assessed"
        assert found.case


@pytest.mark.parametrize("value", [None, math.nan])
def test_no_value_is_never_a_pass(value: float | None) -> None:
    for operator in ("<=", ">="):
        found = row("x", None, "t", value, operator, 1.0, "", "", "m", False)  # type: ignore[arg-type]
        assert found.verdict == "not assessed"
        assert found.margin is None
        assert found.case


def test_margins_count_from_the_limit() -> None:
    assert row("x", None, "t", 3.0, "<=", 4.0, "", "", "m", False).margin == pytest.approx(0.25)
    assert row("x", None, "t", 3.0, ">=", 4.0, "", "", "m", False).margin == pytest.approx(-0.25)
    assert row("x", None, "t", math.inf, "<=", 4.0, "", "", "m", False).verdict == "missed"


def test_adverse_bounds_hurt(rig: valvectl.Design) -> None:
    corner, moved = adverse(rig, TORQUE)
    assert "legs.oxidizer.actuator.motor.torque_constant" in moved
    for name in ("oxidizer", "fuel"):
        assert corner.legs[name].servo.hot_torque_constant < rig.machine.legs[name].servo.hot_torque_constant
        assert float(corner.legs[name].breakaway.max()) > float(rig.machine.legs[name].breakaway.max())
        assert rig.torque(name).margin < rig.torque(name).nominal_margin
    wet, moved = adverse(rig, FLOW)
    assert "legs.oxidizer.valve.flow.fl" in moved
    assert float(wet.legs["oxidizer"].characteristic.fl.max()) <= 1.0
    assert wet.legs["oxidizer"].tank_pressure > rig.machine.legs["oxidizer"].tank_pressure


def test_each_bound_of_the_corner_hurts_by_itself(rig: valvectl.Design) -> None:
    """The corner is the worst of all combinations only if each input's side is the bad one: tried one at a time."""
    base = {name: rig.torque(name).nominal_margin for name in ("oxidizer", "fuel")}
    for pattern, sign in TORQUE:
        corner, moved = adverse(rig, ((pattern, sign),))
        if not moved:
            continue
        from valvectl.studies.torque import torque

        for name in ("oxidizer", "fuel"):
            assert torque(corner, name).margin <= base[name] + 1e-12, pattern


@pytest.mark.parametrize(("sides", "attribute", "sign"), [(FLOW, "choking", 1.0), (STIFFNESS, "stiffness", -1.0)])
def test_each_bound_of_the_flow_corners_hurts_by_itself(
    rig: valvectl.Design, sides: tuple[tuple[str, int], ...], attribute: str, sign: float
) -> None:
    def worst(design_machine: Machine) -> dict[str, float]:
        points = ladder(design_machine, build_schedule(design_machine, 5, 0.4))
        return {n: float((sign * getattr(points.legs[n], attribute)).max()) for n in ("oxidizer", "fuel")}

    base = worst(rig.machine)
    seen = 0
    for pattern, side in sides:
        corner, moved = adverse(rig, ((pattern, side),))
        if moved:
            seen += 1
            after = worst(corner)
            for name in ("oxidizer", "fuel"):
                assert after[name] >= base[name] - 1e-12, (pattern, name)
    assert seen >= 3


def test_titles_units_and_methods_are_filled(rig: valvectl.Design) -> None:
    for requirement in REQUIREMENTS:
        assert requirement.title
        assert requirement.method
        assert math.isfinite(requirement.limit(rig.analysis)) or not requirement.applies(rig.analysis, "fuel")
