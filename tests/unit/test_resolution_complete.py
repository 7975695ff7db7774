"""Command step, steps for certain, ball offset, both legs: from the key in the file to table, JSON, report and mending."""

from __future__ import annotations

import dataclasses
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import valvectl
from valvectl import cli
from valvectl.design.schema import LEGS
from valvectl.errors import DesignError
from valvectl.parts import positioning
from valvectl.plant.schedule import commands, limit_rate
from valvectl.review import report_groups, report_resolution
from valvectl.studies.ball_offset import DRAGGED, OFFSETS, ball_offset, combined
from valvectl.studies.resolution import CAUSES, sure_steps
from valvectl.studies.resolution_fix import ResolutionAnswer, StepFix, StepFixes
from valvectl.studies.spread import placement

DESIGNS = Path(__file__).parents[2] / "designs"
RIG, STAND = DESIGNS / "hover-rig.toml", DESIGNS / "sprint-stand.toml"
STEP = "legs.fuel.controller.command_step"
DEG = math.pi / 180.0


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


@cache
def stand() -> valvectl.Design:
    return valvectl.load(STAND)


# ------------------------------------------------------------------------------------------------------ command step


def with_line(tmp_path: Path, line: str) -> Path:
    text = RIG.read_text(encoding="utf-8").replace('hold_band = "0.02 deg"', f'hold_band = "0.02 deg"\n{line}', 1)
    path = tmp_path / "rig.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_key_in_the_file(tmp_path):
    """Written for the oxidizer; the fuel's controller is the same one. Left out it is zero and nothing changes."""
    design = valvectl.load(with_line(tmp_path, 'command_step = "0.1 deg"'))
    for name in LEGS:
        assert design.machine.legs[name].servo.command_step == pytest.approx(0.1 * DEG)
        assert rig().machine.legs[name].servo.command_step == 0.0
        assert design.machine.smooth().legs[name].servo.command_step == 0.0


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ('"-0.1 deg"', "at least 0"),
        ('"6 deg"', "at most 5 deg"),
        ("0.1", "unit"),
        ('"1 mm"', "angle"),
        ('"nan deg"', "can not be read"),
        ("true", "angle"),
    ],
)
def test_bad_values(tmp_path, value, said):
    with pytest.raises(DesignError) as caught:
        valvectl.load(with_line(tmp_path, f"command_step = {value}"))
    (fault,) = caught.value.faults
    assert fault.key == "legs.oxidizer.controller.command_step"
    assert said in fault.message
    assert fault.line is not None


def test_command_is_rounded_before_the_rate_limit():
    design = rig().with_values({STEP: 0.5 * DEG})
    profile = [(0.0, 1.0), (0.2, 1.0), (0.5, 0.5), (0.8, 0.5)]
    order = commands(design.machine, design.analysis.schedule, profile, 0.8)
    fine = commands(rig().machine, rig().analysis.schedule, profile, 0.8)
    np.testing.assert_array_equal(order["oxidizer"], fine["oxidizer"])
    servo = design.machine.legs["fuel"].servo
    sent = np.floor(fine["fuel"] / (0.5 * DEG) + 0.5) * 0.5 * DEG
    np.testing.assert_allclose(order["fuel"], limit_rate(sent, servo.speed_limit * servo.position_period))
    # At rest the command is a multiple; between two multiples the rate limit leads it, not in one jump.
    assert order["fuel"][-1] / (0.5 * DEG) == pytest.approx(round(order["fuel"][-1] / (0.5 * DEG)))
    quick = design.machine.with_servo("fuel", speed_limit=0.1)
    slowly = commands(quick, design.analysis.schedule, profile, 0.8)["fuel"]
    assert np.max(np.abs(np.diff(slowly))) <= 0.1 * servo.position_period * (1.0 + 1e-9)
    assert np.any(np.abs(slowly / (0.5 * DEG) - np.round(slowly / (0.5 * DEG))) > 0.1)


def test_gains_do_not_depend_on_it():
    design = rig().with_values({STEP: 0.5 * DEG})
    assert design.analysis.gains == rig().analysis.gains


def test_throttle_run_feels_it():
    """A message in steps of 1 deg puts the fuel valve up to half a degree off; O/F at the holds shows just that."""
    design = rig().with_values({STEP: 1.0 * DEG})
    fine, coarse = rig().throttle_run(), design.throttle_run()
    schedule = design.analysis.schedule
    largest = 0.0
    for before, after in zip(fine.holds, coarse.holds, strict=True):
        wanted = float(schedule.angle_at("fuel", np.array([after.throttle]))[0])
        off = round(wanted / DEG) * DEG - wanted
        slope = np.interp(after.throttle, schedule.throttle, design.resolution().legs["fuel"].ratio_gain)
        # More fuel, less O/F; the ball's own dead band comes on top of both.
        assert after.ratio_error - before.ratio_error == pytest.approx(-slope * off, abs=0.006)
        largest = max(largest, abs(slope * off))
    assert largest > 0.006


def test_it_is_a_cause_and_can_be_mended():
    design = rig().with_values({STEP: 0.2 * DEG})
    found = design.resolution().legs["fuel"]
    assert set(found.cause) == {"command step"}
    np.testing.assert_allclose(found.smallest_step, 0.2 * DEG)
    fixes = design.resolution_fix("fuel")
    assert fixes.too_coarse[0] == "command step"
    fix = next(f for f in fixes.fixes if f.key == STEP)
    assert fix.alone
    after = design.with_values({STEP: fix.needed * DEG})
    assert after.resolution().worst("fuel")[0] == pytest.approx(fixes.limit, rel=1e-9)
    assert not any(f.key == STEP for f in rig().resolution_fix("fuel").fixes)
    sweep = next(c for c in design.ratio("fuel").checks if c.name == "flow step")
    assert sweep.values.min() == pytest.approx(100.0 * design.resolution().worst("fuel")[0], rel=1e-9)


def test_it_enters_the_spread_by_half():
    machine = rig().with_values({STEP: 0.2 * DEG}).machine
    assert placement(machine, "fuel")["controller.command_step"] == pytest.approx(0.1 * DEG)
    keys = [c.key for c in rig().spread().contributions]
    assert not any("command_step" in key for key in keys)
    assert STEP in [c.key for c in rig().with_values({STEP: 0.2 * DEG}).spread().contributions]


# --------------------------------------------------------------------------------------------- steps for certain


def test_laws_by_hand():
    assert positioning.slip(3.0, 2.0, 500.0) == pytest.approx(0.004)
    assert positioning.rest_zone(0.02, 0.01, 0.03) == pytest.approx(0.05)  # the jump fits into 2 x 0.02 + 0.01
    assert positioning.rest_zone(0.0, 0.01, 0.03) == pytest.approx(0.05)  # it does not: 2 x 0.03 - 0.01
    assert positioning.onward_step(0.1, 0.02, 0.01, 0.03, 1.0) == pytest.approx(0.15)
    assert positioning.onward_step(0.1, 0.02, 0.01, 0.03, 0.0) == pytest.approx(0.18)
    assert positioning.reversal_step(0.1, 0.02, 0.01, 0.03, 0.2, 0.5, 1.0) == pytest.approx(0.35)
    assert positioning.reversal_step(0.1, 0.02, 0.01, 0.03, 0.2, 0.5, 0.0) == pytest.approx(0.85)


def test_of_the_rig():
    """0.04 deg of hold band, one count, and after a turn 0.05 deg of slot."""
    machine, point = rig().machine, rig().analysis.schedule.points[3]
    onward, reversal = sure_steps(machine, "fuel", point)
    assert onward == pytest.approx((0.04 + 360.0 / 131072) * DEG)
    assert reversal - onward == pytest.approx(0.05 * DEG)
    result = rig().resolution().legs["fuel"]
    assert result.onward_step[3] == onward
    assert result.reversal_step[3] == reversal
    np.testing.assert_allclose(result.reversal_flow, result.gain * result.reversal_step)
    assert np.all(result.reversal_step > result.smallest_step)


def test_each_step_has_its_own_limit():
    """The row of the resolution stands on the largest cause, that of the dead band on all causes after a turn."""
    result = rig().resolution()
    for name in LEGS:
        leg = result.legs[name]
        np.testing.assert_array_equal(leg.smallest_step, np.max([leg.steps[c] for c in CAUSES], axis=0))
        assert math.isnan(result.coarse_below(name))
        assert math.isnan(result.coarse_below_after_reversal(name))
        tight = dataclasses.replace(result, dead_band_limit=0.005)
        assert tight.coarse_below_after_reversal(name) == np.max(leg.angle[leg.reversal_flow > 0.005])
    words = report_resolution.coarse_words(tight, "fuel")
    assert "step after a reversal over 0.5 % of flow up to 38" in words
    assert "smallest reliable step over 0.5 % of flow nowhere" in words


# -------------------------------------------------------------------------------------------------- offset of the ball


def test_offset_columns():
    for design in (rig(), stand()):
        for name in LEGS:
            leg = design.resolution().legs[name]
            assert tuple(leg.offsets) == OFFSETS
            for j in (0, 10):
                own = ball_offset(design.machine, name, design.analysis.schedule.points[j])
                assert [leg.offsets[c][j] for c in OFFSETS] == list(own.values())
                assert (leg.offset_sum[j], leg.offset_rss[j]) == combined(own)
            np.testing.assert_allclose(leg.offset_flow, leg.gain * leg.offset_sum)
            np.testing.assert_allclose(leg.offset_ratio, leg.ratio_gain * leg.offset_sum)
    dragged = sum(stand().resolution().legs["fuel"].offsets[c] for c in DRAGGED)
    assert np.all(stand().resolution().legs["fuel"].offset_rss > dragged)


# --------------------------------------------------------------------------------------------------- table, JSON, text


def test_table_and_dictionary():
    frame = rig().resolution().to_frame()
    for name in LEGS:
        for cause in CAUSES:
            assert f"{name} {cause} [deg]" in frame
        for cause in OFFSETS:
            assert f"{name} offset, {cause} [deg]" in frame
        np.testing.assert_allclose(
            frame[f"{name} offset, sum [deg]"], sum(frame[f"{name} offset, {cause} [deg]"] for cause in OFFSETS)
        )
        assert np.all(frame[f"{name} step after reversal [% flow]"] > frame[f"{name} flow step [%]"])
    worst = frame["both legs, smallest step, worst [% O/F]"]
    np.testing.assert_allclose(worst, frame["oxidizer O/F step [%]"] + frame["fuel O/F step [%]"])
    assert np.all(worst > frame["both legs, smallest step, independent [% O/F]"])
    assert all("[" in column for column in frame.columns if "cause" not in column)
    content = rig().resolution().to_dict()
    assert set(content["both_offset"]) == {"worst", "rss", "alike"}
    assert len(content["legs"]["fuel"]["reversal_step"]) == len(content["throttle"])


def run(*args: str) -> str:
    result = CliRunner().invoke(cli.app, ["resolution", *args])
    assert result.exit_code == 0, result.output
    return result.stdout


def test_command_line_of_a_design_that_misses(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    text = run(str(STAND))
    assert max(len(line) for line in text.splitlines()) <= 80
    for part in (
        "Smallest reliable step, and step after a reversal, oxidizer leg",
        "Angle measured minus angle of the ball, fuel leg",
        "Change of O/F [%], both valves off at once",
        "oxidizer leg: every cause is within 0.5 % of flow; nothing has to change.",
        "What would bring the step to 0.5 % of flow",
        "limit met",
    ):
        assert part in text, part
    alone = run(str(STAND), "--leg", "fuel")
    assert "oxidizer leg" not in alone
    assert "both valves" not in alone


def test_command_line_as_json(tmp_path):
    import json

    content = json.loads(
        run(str(STAND), "--json", "--csv", str(tmp_path / "r.csv"), "--figure", str(tmp_path / "r.svg"))
    )
    assert set(content) == {
        "throttle",
        "limit",
        "dead_band_limit",
        "legs",
        "both_step",
        "both_reversal",
        "both_offset",
        "fixes",
    }
    assert content["fixes"]["oxidizer"]["too_coarse"] == []
    assert content["fixes"]["fuel"]["too_coarse"][0] == "unseen lost motion"
    assert "fuel offset, sum [% O/F]" in (tmp_path / "r.csv").read_text(encoding="utf-8").splitlines()[0]
    figure = (tmp_path / "r.svg").read_text(encoding="utf-8")
    for label in ("after a reversal", "ball offset", "hold band", "unseen lost motion", "limit 0.5 %"):
        assert label in figure


def test_answer_is_the_result_with_its_fixes():
    answer = ResolutionAnswer(rig().resolution(), {"fuel": rig().resolution_fix("fuel")})
    assert list(answer.columns()) == list(rig().resolution().columns())
    assert answer.to_dict()["fixes"]["fuel"]["limit"] == 0.005


# -------------------------------------------------------------------------------------------------------------- words


def test_words_of_fixes():
    fixes = StepFixes(
        "fuel", 0.005, 0.01, 1e-3, ("unseen lost motion",),
        (
            StepFix("legs.fuel.actuator.position_encoder.counts", 16384, 16384, "", False, "unseen lost motion"),
            StepFix("legs.fuel.valve.slot_clearance", 0.2, None, "deg", False, "unseen lost motion"),
            StepFix("legs.fuel.actuator.position_encoder.location (1: stem)", 0.0, 1.0, "", True, ""),
            StepFix("legs.fuel.valve.port_scale", 1.0, None, "", False, "at every port within reach"),
        ),
    )  # fmt: skip
    assert report_resolution.fix_rows(fixes) == [
        ("actuator.position_encoder.location", "motor", "stem", "limit met"),
        ("valve.slot_clearance", "0.2 deg", "none does", "left: unseen lost motion"),
        ("valve.port_scale", "1", "none does", "too coarse at every port within reach"),
    ]
    assert report_resolution.no_help(fixes) == (
        "Fine as they are, their own causes being within the limit: actuator.position_encoder.counts."
    )


def test_report_shows_offset_and_fixes_where_the_row_is_missed(review_with, review):
    studies = {**review.studies, "resolution": stand().resolution()}
    plain = report_groups.groups(review_with(studies=studies))
    fixed = report_groups.groups(
        review_with(studies={**studies, "resolution_fix": {"fuel": stand().resolution_fix("fuel")}})
    )
    before, after = (next(g for g in groups if g.id == "resolution") for groups in (plain, fixed))
    assert len(before.tables) == 2
    assert all("Angle measured minus angle of the ball" in t.caption for t in before.tables)
    assert len(after.tables) == 3
    assert "What would bring the flow step to 0.5 %, fuel leg" in after.tables[2].caption
    assert any("up to" in note for note in after.notes)
