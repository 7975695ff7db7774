"""Torque by a named rule, from the design file to rows, tables and figure: what is asked, what is refused, what is said."""

from __future__ import annotations

import dataclasses
import json
import math
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from torque_rig import design, judged, table
from typer.testing import CliRunner

import valvectl
from valvectl.cli import app
from valvectl.parts import stem_torque
from valvectl.parts.torque_rule_table import PHASES, RULES, chosen_rule, stated_margin
from valvectl.review.requirements import BY_ID, REQUIREMENTS
from valvectl.studies.adverse import TORQUE, adverse
from valvectl.studies.analysis import Analysis
from valvectl.studies.torque_demand import friction_torque, greatest_need, largest_pressure_drop, marks, spring_load
from valvectl.studies.torque_moves import Command, commanded, least_acceleration

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@cache
def rig() -> Any:
    return valvectl.load(RIG)


def rows(made: Any, id_: str, leg: Any = "oxidizer") -> Any:
    return BY_ID[id_].rows(Analysis(made), leg)


# ---------------------------------------------------------------------------------------------------- rows


def test_without_a_rule_all_is_as_before():
    (row,) = rows(rig(), "torque_margin")
    assert row.value == 100.0 * rig().analysis.torque_static["oxidizer"].margin
    assert row.limit == 100.0
    assert row.limit_is_default
    assert "100 % rule" in row.method
    assert rows(rig(), "torque_dynamic") == []
    result = rig().torque("oxidizer")
    assert result.rule.name == "static margin 100 %"
    assert result.governing is result.stem
    assert result.stem.asked == pytest.approx(1.0)
    assert result.stem.result.plain_margin == pytest.approx(result.margin)
    assert result.dynamic_wanted is None


@pytest.mark.parametrize(
    ("rule", "limit", "met"),
    [
        ("industrial 1.5", 50.0, True),
        ("NASA-STD-5017", 100.0, False),
        ("team", 200.0, False),
        ("AIAA S-114", 100.0, False),
    ],
)
def test_a_named_rule_sets_the_limit(rule, limit, met):
    """12.7 N m for 7.5 N m: 69 % plain margin, whatever the rule; the limit is the rule's."""
    made = design(table(5.0, False), f'torque_rule = "{rule}"')
    (row,) = rows(made, "torque_margin")
    assert row.limit == pytest.approx(limit)
    assert not row.limit_is_default
    assert (row.verdict == "met") is met
    assert RULES[rule].clause in row.method
    assert rule in row.case
    found = made.torque("oxidizer").governing
    assert (found.result.margin >= 0.0) is met
    assert row.value == pytest.approx(100.0 * found.result.plain_margin)
    assert found.place == ("motor shaft" if rule == "AIAA S-114" else "stem")


def test_measured_friction_halves_what_ecss_asks():
    estimated, measured = (
        judged(design(table(5.0, mark), 'torque_rule = "ECSS-E-ST-33-01C"')).stem.asked for mark in (False, True)
    )
    assert (estimated, measured) == pytest.approx((5.0, 2.0))


def test_inertia_counts_where_the_rule_counts_it():
    made = design(table(5.0, False), 'torque_rule = "GSFC-STD-7000"\ntorque_phase = "critical design"')
    order = [Command("by hand", 1.0, 50.0)]
    result = judged(made, order)
    (move,) = result.moves
    assert result.stem.result.required == pytest.approx(3.0 * 7.5 + 1.5 * move.accelerating)
    assert judged(design(table(5.0, False), 'torque_rule = "NASA-STD-5017"'), order).stem.result.required == 15.0


@pytest.mark.parametrize(
    ("requirements", "limit"),
    [
        ('torque_rule = "AIAA S-114"', 25.0),
        ("dynamic_torque_margin = 0.4", 40.0),
        ('torque_rule = "NASA-STD-5017"\ndynamic_torque_margin = "10 %"', 10.0),
    ],
)
def test_the_dynamic_row_is_there_when_it_is_declared(requirements, limit):
    (row,) = rows(design(table(5.0, False), requirements), "torque_dynamic")
    assert row.limit == pytest.approx(limit)
    assert row.value is not None
    assert "deg/s" in row.case
    assert not row.limit_is_default


@pytest.mark.parametrize("requirements", ["", 'torque_rule = "NASA-STD-5017"', "torque_margin = 0.5"])
def test_no_dynamic_row_otherwise(requirements):
    assert rows(design(table(5.0, False), requirements), "torque_dynamic") == []


def test_a_limit_of_the_designs_own():
    made = design(table(5.0, False), "torque_margin = 0.5")
    (row,) = rows(made, "torque_margin")
    assert row.limit == 50.0
    result = made.torque("oxidizer")
    assert result.rule.name == "static margin 50 %"
    assert result.stem.result.required == pytest.approx(1.5 * 7.5)
    assert "AIAA S-114" in [r.name for r in result.rules]


def test_the_teams_numbers():
    made = design(
        table(5.0, False), 'torque_rule = "team"\ntorque_factor_estimated = 2.5\ntorque_factor_measured = 1.8'
    )
    assert made.torque("oxidizer").stem.result.required == pytest.approx(2.5 * 7.5)


def test_every_rule_stands_once_in_the_comparison():
    result = rig().torque("fuel")
    names = [rule.name for rule in result.rules]
    assert sorted(names) == sorted([*RULES, "static margin 100 %"])
    assert [rule.in_force for rule in result.rules] == [True] + [False] * len(RULES)
    named = design("", 'torque_rule = "AIAA S-114"').torque("fuel")
    assert sorted(rule.name for rule in named.rules) == sorted(RULES)


def test_phases_name_rules():
    for name, phases in PHASES.items():
        for phase, full in phases.items():
            assert chosen_rule(name, phase) is RULES[full]
    assert chosen_rule("AIAA S-114") is RULES["AIAA S-114"]
    with pytest.raises(KeyError):
        chosen_rule("GSFC-STD-7000")
    assert stated_margin(1.0).overall == 2.0
    assert not stated_margin(1.0).both_places


# ------------------------------------------------------------------------------------- factors already in a number


def test_a_factor_in_the_numbers_is_taken_out_everywhere():
    bare = design(table(5.0, False))
    stated = design(table(6.25, False) + "\nincludes_factor = 1.25")
    assert stated.machine.legs["oxidizer"].running == pytest.approx(bare.machine.legs["oxidizer"].running)
    result = judged(stated)
    share = result.stem.result.shares[0]
    assert (share.bare, share.divided_by) == pytest.approx((7.5, 1.25))
    assert result.stem.result.required == pytest.approx(15.0)
    assert any("factor of 1.25" in text for text in result.assumptions)


def test_a_factor_of_unknown_size_is_refused_by_every_rule():
    made = design(table(5.0, False) + "\nincludes_unknown_factor = true", 'torque_rule = "AIAA S-114"')
    for id_ in ("torque_margin", "torque_dynamic"):
        (row,) = rows(made, id_)
        assert row.verdict == "not assessed"
        assert "ask its maker" in row.case
    result = made.torque("oxidizer")
    assert (result.stem, result.rules, result.moves) == (None, (), ())
    assert math.isnan(result.margin)
    assert "ask its maker" in result.refused
    assert "static torque margin" not in [check.name for check in made.ratio("oxidizer").checks]
    assert "static torque margin" in [check.name for check in rig().ratio("oxidizer").checks]


# ---------------------------------------------------------------------------------------------- spring, directions


def test_a_return_spring_loads_opening_alone():
    spring = (
        "[legs.oxidizer.actuator]\n",
        '[legs.oxidizer.actuator]\nreturn_spring = { preload = "1 N m", rate = "0.5 N m/rad" }\n',
    )
    made = design(table(5.0, False), "", spring)
    leg = made.machine.legs["oxidizer"]
    assert spring_load(leg)[[0, -1]] == pytest.approx([1.0, 1.0 + 0.25 * math.pi])
    result = judged(made)
    assert result.corners[-1].breakaway["opening"][-1] == pytest.approx(7.5 + 1.0 + 0.25 * math.pi)
    assert result.corners[-1].breakaway["closing"] == pytest.approx(7.5)
    assert math.degrees(result.worst_angle) == pytest.approx(90.0)
    assert [share.kind for share in result.stem.result.shares] == ["friction", "stream", "spring", "inertia"]


def test_heavier_closing_governs():
    column = '["7 N m", "6 N m"]'
    made = design(f"{table(5.0, False)}\nrunning_closing = {column}\nbreakaway_closing = {column}")
    result = judged(made)
    assert result.worst_direction == "closing"
    assert result.stem.direction == "closing"
    assert result.stem.result.resisting == pytest.approx(10.5)
    assert result.margin == pytest.approx(result.available / 10.5 - 1.0)
    assert greatest_need(made.machine.legs["oxidizer"], 0.0, breakaway=True) == pytest.approx(10.5)
    (row,) = rows(made, "torque_margin")
    assert "closing" in row.case
    assert row.value == pytest.approx(100.0 * result.margin)


def test_corners_each_hold_the_one_before():
    made = rig().torque("oxidizer")
    for way in ("opening", "closing"):
        for mild, worse in zip(made.corners, made.corners[1:], strict=False):
            assert np.all(worse.breakaway[way] >= mild.breakaway[way] - 1e-12)
            assert np.all(worse.running[way] >= mild.running[way] - 1e-12)
    last = made.corners[-1]
    assert last.breakaway["opening"] == pytest.approx(made.needed)
    assert last.margin == pytest.approx(made.margin)
    assert made.corners[3].margin == pytest.approx(made.nominal_margin)
    assert last.rule_margin == pytest.approx(made.stem.result.margin)


# ------------------------------------------------------------------------------------------------- measured or not


def test_friction_is_measured_only_when_all_behind_it_is():
    whole = design(table(5.0, True))
    assert marks(whole, "oxidizer", "opening").friction
    text = table(5.0, True).replace('cold_factor = { value = 1.5, origin = "measured" }', "cold_factor = 1.5")
    seen = marks(design(text), "oxidizer", "opening")
    assert not seen.friction
    assert seen.missing == ("cold_factor",)
    # the fuel is warm and its cold factor one: nothing cold to measure
    assert "cold_factor" not in marks(rig(), "fuel", "opening").missing
    assert "cold_factor" in marks(rig(), "oxidizer", "opening").missing


def test_closing_columns_are_marked_by_themselves():
    column = '["5 N m", "5 N m"]'
    made = design(f"{table(5.0, True)}\nrunning_closing = {column}\nbreakaway_closing = {column}")
    assert marks(made, "oxidizer", "opening").friction
    assert marks(made, "oxidizer", "closing").missing == ("running_closing", "breakaway_closing")


# ------------------------------------------------------------------------------------------------ a maker's numbers


def test_the_model_by_hand():
    at, run_open, break_open, run_close, break_close = stem_torque.columns(
        10.0, 0.7, 0.6, 0.8, 0.5, 0.85, 1.25, 0.0, 1.5, 0.2
    )
    assert at == pytest.approx((0.0, 0.2, 1.3, 1.5))
    assert run_open == pytest.approx((8.0, 7.0, 7.0, 6.0))
    assert break_open == pytest.approx((10.0, 8.75, 8.75, 7.5))
    assert run_close == pytest.approx((8.5, 5.0, 5.0, 6.4))
    assert break_close == pytest.approx((10.625, 6.25, 6.25, 8.0))


def test_the_model_gives_its_own_torque_back_at_its_own_pressure():
    """Also where another place than the seat needs more than the break-to-open torque."""
    for share in ("0.7", "1.2"):
        text = (
            f'model = {{ break_to_open = "6 N m", pressure = "20 bar", run_to_open = {share} }}\n'
            'pressure_slope = "0.1 N m/bar"'
        )
        leg = design(text).machine.legs["oxidizer"]
        assert friction_torque(leg, 20e5, breakaway=True)[0] == pytest.approx(6.0)
        assert friction_torque(leg, 0.0, breakaway=True)[0] == pytest.approx(4.0)


def test_a_model_is_a_valid_engine_and_its_defaults_are_named():
    made = design('model = { break_to_open = "3 N m", pressure = "20 bar", seat = "PEEK" }')
    used = {item.key for item in made.defaults_used}
    assert "legs.oxidizer.valve.torque.model.run_to_open" in used
    assert "legs.oxidizer.valve.torque.model.break_to_close" in used
    assert any("maker" in text for text in made.torque("oxidizer").assumptions)
    assert made.with_values({"legs.oxidizer.valve.torque.model.break_to_open": 4.0}).torque("oxidizer").margin < (
        made.torque("oxidizer").margin
    )


def test_a_flat_slope_hurts_below_the_stated_pressure():
    """A torque stated at 60 bar is lower at 20 bar by the slope: the flat bound is adverse there, the steep one at 5 bar."""
    for pressure, steep in (("60 bar", False), ("5 bar", True)):
        text = (
            f'model = {{ break_to_open = "9 N m", pressure = "{pressure}" }}\n'
            'pressure_slope = { value = "0.1 N m/bar", tolerance = "20 %" }'
        )
        made = design(text)
        corner, _ = adverse(made, TORQUE)
        drop = largest_pressure_drop(made.machine, "oxidizer")
        worse, own = (greatest_need(m.legs["oxidizer"], drop, True) for m in (corner, made.machine))
        assert worse > own
        assert (corner.legs["oxidizer"].relative_slope > made.machine.legs["oxidizer"].relative_slope) or not steep


# -------------------------------------------------------------------------------------------------- commanded moves


def test_commanded_moves_by_hand():
    """A schedule of one straight line, 1 rad over the range: 0.6 throttle in 0.5 s is 2 rad/s, at a gain of 50 1/s."""
    schedule = rig().analysis.schedule
    line = dict.fromkeys(("oxidizer", "fuel"), (schedule.throttle - 0.4) / 0.6)
    straight = dataclasses.replace(schedule, angle=line)
    machine = rig().machine
    profile = ((0.0, 0.4), (1.0, 0.4), (1.5, 1.0), (2.5, 0.4), (2.5, 1.0))
    found = commanded(machine, straight, profile, 50.0, 0.5, "fuel")
    limit = machine.legs["fuel"].servo.speed_limit
    assert [order.speed for order in found[:3]] == pytest.approx([2.0, 1.0, limit])
    assert [order.acceleration for order in found[:3]] == pytest.approx([100.0, 50.0, 50.0 * limit])
    stroke = 0.5 * math.pi / limit
    assert found[3].acceleration == pytest.approx(limit / (0.5 - stroke))
    assert commanded(machine, straight, ((0.0, 1.0), (1.0, 1.0)), 50.0, 0.9 * stroke, "fuel") == ()


def test_faster_in_two_steps_counts_the_second_step_alone():
    schedule = rig().analysis.schedule
    straight = dataclasses.replace(schedule, angle={"oxidizer": schedule.throttle, "fuel": schedule.throttle})
    profile = ((0.0, 0.4), (1.0, 0.6), (1.2, 1.0))
    first, second, _ = commanded(rig().machine, straight, profile, 10.0, 0.5, "fuel")
    assert (first.speed, first.acceleration) == pytest.approx((0.2, 2.0))
    assert (second.speed, second.acceleration) == pytest.approx((2.0, 18.0))


def test_no_move_at_all_says_so():
    made = design(table(5.0, False), 'dynamic_torque_margin = 0.25\nstroke_time = "0.2 s"')
    text = made.with_values({f"throttle.profile[{i}].throttle": 1.0 for i in range(len(made.throttle.profile))})
    (row,) = rows(text, "torque_dynamic")
    assert row.verdict == "not assessed"
    assert "does not move" in row.case


# ------------------------------------------------------------------------------------------------ what a user sees


def test_the_verb_prints_a_table_of_80_columns(tmp_path):
    result = CliRunner().invoke(
        app, ["torque", str(RIG), "--figure", str(tmp_path / "t.svg"), "--csv", str(tmp_path / "t.csv")]
    )
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    for words in ("Torque, oxidizer leg", "Torque, fuel leg", "before the gears", "ECSS-E-ST-33-01C", "from memory"):
        assert words in " ".join(result.stdout.split())
    assert (tmp_path / "t-fuel.svg").read_text().count("available") >= 2
    head = (tmp_path / "t-oxidizer.csv").read_text().splitlines()[0]
    assert "required by rule closing [N m]" in head


def test_the_verb_as_json():
    result = CliRunner().invoke(app, ["torque", str(RIG), "--leg", "fuel", "--json"])
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert found["leg"] == "fuel"
    assert found["stem"]["result"]["required"] == pytest.approx(rig().torque("fuel").stem.result.required)
    assert {rule["name"] for rule in found["rules"]} >= set(RULES)


def test_the_verb_and_figure_when_every_rule_refuses(tmp_path):
    from valvectl.cli_print import console
    from valvectl.cli_tables_torque import torque as show
    from valvectl.review.figures import svg_text, torque_envelope_chart

    result = design(table(5.0, False) + "\nincludes_unknown_factor = true").torque("oxidizer")
    out = console()
    with out.capture() as captured:
        show(result, out)
    assert "no rule can be applied" in captured.get()
    assert "nan" not in captured.get()
    drawn = svg_text(torque_envelope_chart(result), "t")
    assert "asked" not in drawn


def test_a_rule_far_above_is_said_in_words():
    from valvectl.review.figures import svg_text, torque_envelope_chart

    drawn = svg_text(torque_envelope_chart(design("", 'torque_rule = "ECSS-E-ST-33-01C"').torque("oxidizer")), "t")
    assert "above this axis" in drawn
    with pytest.raises(ValueError, match="no corners"):
        torque_envelope_chart(rig().analysis.torque_static["fuel"])


def test_the_report_shows_rules_and_corners():
    from valvectl.review.report_torque import notes, tables

    result = rig().torque("oxidizer")
    captions = [caption for caption, _, _ in tables(result)]
    assert len(captions) == 5
    for _, head, body in tables(result):
        assert all(len(row) == len(head) for row in body)
        assert not any("nan" in cell or cell == "inf" for row in body for cell in row)
    assert any("rule in force" in note for note in notes(result))
    assert list(tables(rig().analysis.torque_static["oxidizer"])) == []


def test_every_requirement_has_a_limit_or_does_not_apply():
    analysis = Analysis(rig())
    for requirement in REQUIREMENTS:
        if requirement.applies(analysis, "fuel"):
            assert math.isfinite(requirement.limit(analysis, "fuel"))


def test_the_ratio_sweep_follows_the_named_rule():
    made = design(table(5.0, False), 'torque_rule = "team"')
    check = next(c for c in made.ratio("oxidizer").checks if c.name == "static torque margin")
    assert check.limit == pytest.approx(200.0)


@pytest.mark.parametrize(
    ("way", "time", "speed", "expected"),
    [(1.0, 1.0, 10.0, 4.0), (1.5, 0.5, 5.0, 25.0), (1.0, 1.0, 2.0, 4.0), (1.0, 0.1, 5.0, math.inf)],
)
def test_least_acceleration(way, time, speed, expected):
    """Triangle: 4 s / t^2; trapezoid: v / (t - s / v); too slow: infinite."""
    assert least_acceleration(way, time, speed) == pytest.approx(expected)


def test_a_generous_stroke_time_asks_for_less_than_the_command_s_speed():
    """90 deg in 2 s: 4 s / t^2 and at most 2 s / t, well below the limit of 300 deg/s."""
    limit = "requirements.stroke_time"
    slow = Analysis(rig().with_values({limit: 2.0}))
    move = next(m for m in slow.torque["fuel"].moves if m.what.startswith("full stroke"))
    leg = rig().machine.legs["fuel"]
    stroke = leg.open_stop - leg.closed_stop
    assert move.acceleration == pytest.approx(stroke)
    assert move.speed == pytest.approx(stroke)


def test_six_torques_at_the_ends():
    """With the stream against opening alone and a table that is largest at the ends."""
    worst = rig().torque("oxidizer").corners[-1].at_ends
    assert list(worst) == [
        "break to open", "run to open", "end to open", "break to close", "run to close", "end to close",
    ]  # fmt: skip
    assert worst["break to open"] > worst["end to open"] > worst["run to open"] * 0.9
    assert worst["break to open"] > worst["break to close"]
    assert worst["end to close"] < worst["break to open"]
