"""Tuning over corners: the verb, what is written into the file, what is refused."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import valvectl
from valvectl.cli import app
from valvectl.design.write_gains import write_gains
from valvectl.errors import DesignError
from valvectl.studies.tuning import corners_of, tuning

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@cache
def rig() -> Any:
    return valvectl.load(RIG)


@cache
def found() -> Any:
    return rig().tuning("fuel")


def copied(tmp_path: Path, text: str | None = None) -> Path:
    path = tmp_path / "mine.toml"
    path.write_text(RIG.read_text(encoding="utf-8") if text is None else text, encoding="utf-8")
    return path


def test_corners_are_every_combination_with_their_sources():
    corners, factors = corners_of(rig(), rig().machine, "fuel")
    assert len(corners) == 2 ** len(factors) == 128
    assert len({c.name for c in corners}) == 128
    by_name = {f.name: f for f in factors}
    assert by_name["torque constant"].source == "tolerance of actuator.motor.torque_constant"
    assert by_name["inertia"].source == "tuning.inertia"
    wider = rig().with_values({"tuning.inertia": 0.3})
    assert "+30 %" in corners_of(wider, wider.machine, "fuel")[1][0].high


def test_result_says_what_binds_and_where():
    result = found()
    assert result.feasible
    assert result.binding
    assert all(h.reserve < 0.02 for h in result.binding)
    assert result.binding[0].corner in result.reason
    assert {r.rule for r in result.rules} == {
        "modulus and symmetrical optimum", "pole placement, critical damping", "lambda",
    }  # fmt: skip
    assert "NaN" not in json.dumps(result.to_dict())
    assert set(result.to_frame()["loop"]) == {"position", "speed", "current", "servo"}


def test_an_error_that_no_gain_keeps_is_said_and_two_sets_are_tried(monkeypatch):
    """A thousandth of a degree is out of reach; margins alone can always be kept by slow gains."""
    from valvectl.studies import tuning as module

    monkeypatch.setattr(module, "SCHEDULED", ("battery",))
    hard = rig().with_values({"tuning.tracking_error": 2e-5})
    machine, gains = hard.machine, hard.analysis.gains["fuel"]
    result = tuning(hard, machine, "fuel", gains, gains, 1.0, 5.0)
    assert not result.feasible
    assert "Missed: tracking error" in result.reason
    assert "do not mend it either" in result.reason
    assert [(s.by, s.feasible) for s in result.switched] == [("battery", False)] * 2


def test_other_structures_are_refused():
    runner = CliRunner()
    done = runner.invoke(
        app, ["loop", str(RIG), "--tune", "--set", "legs.fuel.controller.structure=pid", "--leg", "fuel"]
    )
    assert done.exit_code == 2
    assert "only the gains of a cascade" in done.output


def test_verb_table_of_80_columns_and_json(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    done = CliRunner().invoke(app, ["loop", str(RIG), "--tune", "--leg", "fuel"])
    assert done.exit_code == 0, done.output
    assert max(map(len, done.output.splitlines())) <= 80
    assert "What stops the gains" in done.output
    done = CliRunner().invoke(app, ["loop", str(RIG), "--tune", "--leg", "fuel", "--json"])
    assert json.loads(done.output)["feasible"] is True


@pytest.mark.parametrize("extra", [["--write"], ["--tune", "--write", "--set", "engine.thrust=2.1 kN"]])
def test_write_needs_tune_and_the_file_as_it_is(extra):
    done = CliRunner().invoke(app, ["loop", str(RIG), *extra])
    assert done.exit_code == 2


def test_write_keeps_comments_and_the_other_leg(tmp_path):
    path = copied(tmp_path)
    before = path.read_text(encoding="utf-8")
    write_gains(path, {"oxidizer": found().gains}, {"fuel": "tune"})
    after = path.read_text(encoding="utf-8")
    assert before.count("#") == after.count("#")
    changed = [(a, b) for a, b in zip(before.splitlines(), after.splitlines(), strict=False) if a != b]
    assert changed[0][0].startswith('gains = "tune"')
    loaded = valvectl.load(path)
    assert loaded.leg("oxidizer").controller.gains.position == pytest.approx(found().gains.position, rel=1e-4)
    assert loaded.leg("fuel").controller.gains == "tune"
    assert not list(tmp_path.glob(".*.part"))


def test_written_gains_into_a_table_keep_its_remarks(tmp_path):
    text = (RIG.parent / "sprint-stand.toml").read_text(encoding="utf-8")
    folder = tmp_path / "d"
    folder.mkdir()
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    write_gains(path, {"fuel": found().gains}, {"oxidizer": "tune"})
    after = path.read_text(encoding="utf-8")
    assert "set by hand on the bench" in after
    assert len(after.splitlines()) == len(text.splitlines())
    assert f"{found().gains.position:.5g} 1/s" in after


def test_both_legs_through_the_verb(tmp_path):
    path = copied(tmp_path)
    done = CliRunner().invoke(app, ["loop", str(path), "--tune", "--write", "--leg", "fuel"])
    assert done.exit_code == 0, done.output
    assert "comments stay" in done.output
    loaded = valvectl.load(path)
    assert loaded.leg("fuel").controller.gains.speed == pytest.approx(found().gains.speed, rel=1e-4)
    assert loaded.leg("oxidizer").controller.gains == "tune"


def test_a_leg_that_stands_elsewhere_is_refused(tmp_path):
    path = copied(tmp_path, 'schema = "valvectl-design-1"\n[legs]\nfuel = { part = "x.toml" }\n')
    with pytest.raises(DesignError, match="does not stand in this file"):
        write_gains(path, {"fuel": found().gains}, {})
    with pytest.raises(DesignError, match="can not be read"):
        write_gains(tmp_path / "missing.toml", {"fuel": found().gains}, {})
