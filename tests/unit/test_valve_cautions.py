"""What a design leaves out about a valve is said on the screen where it matters: torque in the cold, reducers to a wider line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

import valvectl
from valvectl.cli import app
from valvectl.design.starter import STARTERS_NOTE, starter_text, write_starter
from valvectl.parts.valve import piping_factor, reducer_losses
from valvectl.review.check import warnings_of
from valvectl.studies.left_out_reducers import left_out_reducers
from valvectl.studies.ports import needed_kv
from valvectl.studies.valve_cautions import COLD, WIDER, cold_torque, matters

DESIGNS = Path(__file__).parents[2] / "designs"


@pytest.fixture
def cold(tmp_path: Path) -> Path:
    path = tmp_path / "cold.toml"
    text = re.sub(r"(?m)^cold_factor = .*$", "", starter_text())
    path.write_text(text.replace("torque = { cold_factor = 1.0 }", ""), encoding="utf-8")
    return path


def test_only_a_cold_valve_without_a_factor_is_told_of(cold: Path) -> None:
    design = valvectl.load(cold)
    assert "the liquid has 88 K" in cold_torque(design, "oxidizer")
    assert cold_torque(design, "fuel") == ""  # 290 K
    stated = design.with_values({"legs.oxidizer.valve.torque.cold_factor": 1.0})
    assert cold_torque(stated, "oxidizer") == ""  # said on purpose
    assert any(COLD in text for text in design.torque("oxidizer").cautions)
    assert not any(COLD in text for text in design.torque("fuel").cautions)


def test_the_kv_that_reducers_ask_for_is_that_of_the_standards_piping_factor(cold: Path) -> None:
    """The Kv given here must be FP times the Kv of the valve with them."""
    design = valvectl.load(cold)
    full = design.analysis.schedule.points[-1]
    text = left_out_reducers(design, design.machine, full, "oxidizer")
    more = float(text.split("needs ")[1].split(" %")[0]) / 100.0
    point = full.legs["oxidizer"]
    given = needed_kv(point.flow, design.machine.legs["oxidizer"].liquid.density, point.valve_drop)
    factor = piping_factor(given * (1.0 + more), 8e-3, reducer_losses(8e-3, 12e-3, 12e-3)[0])
    assert factor * (1.0 + more) == pytest.approx(1.0, abs=1e-3)
    assert matters(text)


def test_reducers_that_are_told_or_hardly_matter_are_not_on_the_screen(cold: Path) -> None:
    design = valvectl.load(cold)
    told = design.with_values({"legs.oxidizer.valve.reducers": True})
    full = design.analysis.schedule.points[-1]
    assert left_out_reducers(told, design.machine, full, "oxidizer") == ""
    assert not matters(
        f"fuel: {WIDER}: right only so. Else the valve needs 0.4 % more Kv at full thrust than it is given."
    )
    assert matters(
        f"fuel: {WIDER}: right only so. Else they alone take more than the valve's whole drop at full thrust."
    )
    assert not matters("fuel: the valve chokes over part of the throttle range")


def test_a_table_of_kv_measured_in_its_line_is_taken_at_its_word(tmp_path: Path) -> None:
    text = (DESIGNS / "hover-rig.toml").read_text(encoding="utf-8")
    silent = tmp_path / "silent.toml"
    silent.write_text(
        re.sub(r"(?m)^reducers = false.*$", "", text).replace('"parts/', f'"{DESIGNS}/parts/'), encoding="utf-8"
    )
    found = []
    for path in (silent, DESIGNS / "hover-rig.toml"):
        design = valvectl.load(path)
        found.append(left_out_reducers(design, design.machine, design.analysis.schedule.points[-1], "oxidizer"))
    assert '(then write "reducers = false")' in found[0]
    assert found[1] == ""


def test_a_shape_of_a_port_knows_no_reducers_whatever_is_said() -> None:
    design = valvectl.load(DESIGNS / "sprint-stand.toml")
    said = design.with_values({"legs.fuel.valve.reducers": False})
    full = design.analysis.schedule.points[-1]
    assert "a port shape knows only a pipe of the bore's size" in left_out_reducers(said, design.machine, full, "fuel")


def test_cautions_stand_on_the_screen_of_check(cold: Path) -> None:
    seen = " ".join(CliRunner().invoke(app, ["check", str(cold), "--no-report"]).stdout.split())
    assert f"caution: oxidizer: {COLD}" in seen
    assert f"caution: oxidizer: {WIDER}" in seen
    assert seen.index("caution:") < seen.index("The analysis passes.")


def test_the_review_warns_while_the_note_is_the_starters(tmp_path: Path) -> None:
    path = write_starter(tmp_path / "my.toml")
    assert any("still the starter's" in text for text in warnings_of(valvectl.load(path).analysis, None))
    path.write_text(path.read_text(encoding="utf-8").replace(STARTERS_NOTE, "Our engine."), encoding="utf-8")
    assert not any("still the starter's" in text for text in warnings_of(valvectl.load(path).analysis, None))
