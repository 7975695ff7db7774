"""``check`` on the example engines: every row there, verdicts as announced, remedies that do what they say."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

import valvectl
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import build_schedule
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


def test_a_limit_that_nothing_alone_reaches_says_so(rig: valvectl.Design) -> None:
    review = rig.with_values({"requirements.flow_resolution": 0.0002}).check()
    for remedy in review.remedies:
        assert not remedy.key
        assert "look for two together" in remedy.text
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
