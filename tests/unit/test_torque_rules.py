"""Margin rules: what is refused, what is divided out, and what the user is told."""

from __future__ import annotations

import math

import pytest

from valvectl.errors import DesignError
from valvectl.parts.torque_rule_table import RULES, team_rule
from valvectl.parts.torque_rules import KINDS, Contribution, assess, at_motor_shaft, checked_contributions


def test_a_factor_already_included_is_divided_out():
    result = assess(RULES["industrial 1.5"], [Contribution("valve", "friction", 12.5, includes_factor=1.25)], 15.0)
    (share,) = result.shares
    assert share.bare == pytest.approx(10.0)
    assert share.divided_by == 1.25
    assert result.required == pytest.approx(15.0)
    assert result.margin == pytest.approx(0.0)
    assert result.static_met


def test_a_factor_of_unknown_size_is_refused():
    with pytest.raises(DesignError, match="factor of unknown size"):
        assess(RULES["AIAA S-114"], [Contribution("valve", "friction", 12.5, includes_factor=None)], 15.0)


def test_every_fault_at_once_with_its_place():
    bad = [
        Contribution("a", "friction", -1.0),
        Contribution("b", "stiction", 1.0),  # type: ignore[arg-type]
        Contribution("c", "friction", math.nan),
        Contribution("d", "friction", 1.0, includes_factor=0.8),
        Contribution("e", "friction", 1.0, includes_factor=None),
    ]
    with pytest.raises(DesignError) as caught:
        checked_contributions(bad, "legs.lox.torque_demand")
    faults = caught.value.faults
    assert [fault.key for fault in faults] == [f"legs.lox.torque_demand[{j}]" for j in range(5)]
    assert "leave out what helps" in str(faults[0])
    assert "adhesion" in faults[1].message


def test_inertia_is_no_part_of_a_static_margin_but_of_the_dynamic_one():
    parts = [Contribution("seat", "friction", 5.0, True), Contribution("rotor", "inertia", 2.0)]
    result = assess(RULES["AIAA S-114"], parts, 10.0, 7.0)
    assert result.required == pytest.approx(10.0)
    assert result.shares[1].factor == 0.0
    assert result.required_moving == pytest.approx(7.5)
    assert result.dynamic_margin == pytest.approx(0.0)
    assert result.dynamic_met is False


def test_what_was_not_given_is_not_assessed():
    parts = [Contribution("seat", "friction", 5.0)]
    assert assess(RULES["AIAA S-114"], parts, 10.0).dynamic_met is None
    assert assess(RULES["NASA-STD-5017"], parts, 10.0, 9.0).dynamic_met is None
    assert math.isnan(assess(RULES["NASA-STD-5017"], parts, 10.0, 9.0).required_moving)


def test_nothing_asked_is_an_infinite_margin_and_a_held_valve_none():
    assert assess(RULES["team"], [], 1.0).margin == math.inf
    stuck = assess(RULES["team"], [Contribution("seat", "friction", 5.0)], 20.0, 4.0)
    assert stuck.dynamic_margin == -math.inf
    assert stuck.dynamic_met is False


def test_the_teams_own_numbers():
    rule = team_rule(2.5, 1.8, None, "own")
    assert rule.name == "own"
    assert assess(rule, [Contribution("seat", "friction", 4.0)], 10.0).margin == pytest.approx(0.0)
    assert assess(rule, [Contribution("seat", "friction", 5.0, True)], 9.0).margin == pytest.approx(0.0)


def test_before_and_after_the_gears():
    assert at_motor_shaft(15.0, 50.0, 0.75) == pytest.approx(0.4)


@pytest.mark.parametrize("name", RULES)
def test_every_rule_is_complete_and_says_how_sure_it_is(name):
    rule = RULES[name]
    assert set(rule.factors) == set(KINDS)
    assert all(0.0 < f.measured <= f.estimated for f in rule.factors.values())
    assert rule.title
    assert rule.clause
    assert rule.note
    assert any(word in rule.certainty for word in ("from memory", "common practice", "published"))
