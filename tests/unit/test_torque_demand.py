"""Torque demand and margins by named rules on the example, by hand; rows of check; refusals."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import valvectl
from valvectl.errors import DesignError
from valvectl.parts.torque_rule_table import RULES
from valvectl.review.requirements import BY_ID
from valvectl.studies.analysis import Analysis
from valvectl.studies.torque_demand import least_acceleration

EXAMPLE = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@pytest.fixture(scope="module")
def design() -> Any:
    return valvectl.load(EXAMPLE)


def with_rule(name: str, *changes: str) -> Any:
    return valvectl.load(EXAMPLE, [f"requirements.torque_rule={name}", *changes])


def test_the_plain_rule_agrees_with_the_row_that_has_always_been(design: Any) -> None:
    """A factor of two on everything is 100 % margin: (1 + plain) / 2 - 1."""
    for leg in ("oxidizer", "fuel"):
        plain, rules = design.torque(leg).margin, design.torque_demand(leg).rules
        assert rules["AIAA S-114"].stem.margin == pytest.approx((1.0 + plain) / 2.0 - 1.0, rel=1e-9)
        assert rules["industrial 1.25"].stem.margin == pytest.approx((1.0 + plain) / 1.25 - 1.0, rel=1e-9)


def test_contributions_by_hand(design: Any) -> None:
    """Oxidizer leg at its bounds: breakaway 1.85 x 1.15, slope 0.02 N m/bar, cold 1.5 x 1.1, dwell 1.3, tank + 0.15 bar."""
    found = design.torque_demand("oxidizer")
    shares = {s.name: s for s in found.rules["AIAA S-114"].stem.shares}
    head = design.machine.legs["oxidizer"].head
    drop = (20.6 + 0.15) * 1e5 + head - 1.013e5
    rise = 1.0 + 0.02e-5 * drop / (1.85 * 1.15)
    friction = 1.85 * 1.15 * rise * 1.5 * 1.1 * 1.3
    assert shares["stem friction, breakaway"].bare == pytest.approx(friction, rel=2e-3)
    assert shares["stream"].bare == pytest.approx(0.05 * 0.008**3 * drop, rel=1e-3)
    shaft = {s.name: s for s in found.rules["AIAA S-114"].shaft.shares}
    whole = shares["stem friction, breakaway"].bare + shares["stream"].bare
    eta = 0.72 * 0.88
    assert shaft["loss of the gears at breakaway"].bare == pytest.approx(whole / 60.0 * (1.0 / eta - 1.0), rel=1e-9)
    assert shaft["motor friction and cogging, cold"].bare == pytest.approx(0.006)
    assert found.worst_angle == pytest.approx(0.0)


def test_demand_before_the_gears_without_factors_is_that_after_them(design: Any) -> None:
    """With factor one both sides say the same: T / (N eta) + motor friction against K I."""
    for leg in ("oxidizer", "fuel"):
        found = design.torque_demand(leg)
        servo = design.analysis.torque_corner[0].legs[leg].servo
        stem, shaft = found.rules["NASA-STD-5017"].stem, found.rules["NASA-STD-5017"].shaft
        through = stem.resisting / (servo.ratio * servo.train.static_efficiency) + servo.motor_friction
        assert shaft.resisting == pytest.approx(through, rel=1e-9)
        assert (found.stem_available >= stem.resisting) == (found.shaft_available >= shaft.resisting)


def test_measured_friction_needs_the_cold_factor_measured_too(design: Any) -> None:
    ox, fuel = design.torque_demand("oxidizer"), design.torque_demand("fuel")
    assert not ox.measured
    assert "cold factor" in ox.measured_why
    assert fuel.measured  # warm: its factor is one
    rule = RULES["ECSS-E-ST-33-01C"]
    stem = {s.name: s for s in fuel.rules[rule.name].stem.shares}["stem friction, breakaway"]
    assert stem.factor == pytest.approx(2.0 * 1.5)
    assert {s.name: s for s in ox.rules[rule.name].stem.shares}["stem friction, breakaway"].factor == pytest.approx(6.0)


def test_a_factor_already_in_the_table_is_taken_out_everywhere() -> None:
    plain = valvectl.load(EXAMPLE)
    held = valvectl.load(EXAMPLE, ["legs.oxidizer.valve.torque.includes_factor=1.25"])
    assert held.machine.legs["oxidizer"].running == pytest.approx(plain.machine.legs["oxidizer"].running / 1.25)
    share = held.torque_demand("oxidizer").rules["industrial 1.25"].stem.shares[0]
    assert share.divided_by == 1.25
    friction = plain.torque_demand("oxidizer").rules["industrial 1.25"].stem.shares[0].bare
    # where friction stands against the pressure's part, the share of both falls alike
    assert share.bare == pytest.approx(friction / 1.25, rel=1e-9)
    assert held.torque("oxidizer").margin > plain.torque("oxidizer").margin


def test_corners_rise_and_directions_differ_by_the_stream(design: Any) -> None:
    found = design.torque_demand("oxidizer")
    for easy, hard in zip(found.corners, found.corners[1:], strict=False):
        assert np.all(hard.opening_break >= easy.opening_break - 1e-12)
    last = found.corners[-1]
    drop = (
        design.analysis.torque_corner[0].legs["oxidizer"].tank_pressure + design.machine.legs["oxidizer"].head - 1.013e5
    )
    np.testing.assert_allclose(last.opening_break - last.closing_break, 2.0 * 0.05 * 0.008**3 * drop, rtol=1e-6)
    ends = last.at_ends(found.angle)
    assert ends["break to open"] > ends["end to close"]
    assert set(ends) == {
        "break to open",
        "run to open",
        "end to open",
        "break to close",
        "run to close",
        "end to close",
    }


@pytest.mark.parametrize(
    ("way", "time", "speed", "expected"),
    [(1.0, 1.0, 10.0, 4.0), (1.5, 0.5, 5.0, 25.0), (1.0, 1.0, 2.0, 4.0), (1.0, 0.1, 5.0, math.inf)],
)
def test_least_acceleration(way: float, time: float, speed: float, expected: float) -> None:
    """Triangle: 4 s / t^2; trapezoid: v / (t - s / v); too slow: infinite."""
    assert least_acceleration(way, time, speed) == pytest.approx(expected)


def test_rows_only_where_a_rule_is_named(design: Any) -> None:
    assert BY_ID["torque_rule_margin"].rows(design.analysis) == []
    named = Analysis(with_rule("AIAA S-114"))
    static = BY_ID["torque_rule_margin"].rows(named)
    assert [r.verdict for r in static] == ["met", "met"]
    assert static[0].value == pytest.approx(100.0 * named.torque_demand["oxidizer"].rules["AIAA S-114"].smaller)
    assert "before" in static[0].case
    assert "from memory" in static[0].case
    assert [r.verdict for r in BY_ID["torque_dynamic_margin"].rows(named)] == ["met", "met"]
    strict = Analysis(with_rule("ECSS-E-ST-33-01C"))
    assert [r.verdict for r in BY_ID["torque_rule_margin"].rows(strict)] == ["missed", "missed"]
    assert BY_ID["torque_dynamic_margin"].rows(strict) == []


def test_a_stroke_that_the_speed_limit_forbids_is_not_assessed() -> None:
    slow = Analysis(with_rule("AIAA S-114", "requirements.stroke_time=0.2 s"))
    assert [r.verdict for r in BY_ID["torque_dynamic_margin"].rows(slow)] == ["not assessed", "not assessed"]


def test_an_unknown_rule_lists_the_known_ones() -> None:
    with pytest.raises(DesignError, match="GSFC-STD-7000, CDR"):
        with_rule("wishful")


def test_table_and_figure(design: Any, capsys: pytest.CaptureFixture[str]) -> None:
    from valvectl import cli_tables
    from valvectl.review.figures import torque_demand_chart

    cli_tables.show("torque", design.torque_demand("oxidizer"))
    text = capsys.readouterr().out
    for word in ("break to", "NOT measured", "before", "from memory", "caution:"):
        assert word in text
    figure = torque_demand_chart(design.torque_demand("oxidizer"))
    assert all("[" in ax.get_xlabel() for ax in figure.axes)
    assert "NaN" not in str(design.torque_demand("fuel").to_dict())
