"""Verbs ``trim`` and ``model``: what they say, refuse and draw; tuning; rows only where stated."""

from __future__ import annotations

import dataclasses
import json
import math
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import valvectl
from valvectl import cli
from valvectl.errors import RangeError, ValvectlError
from valvectl.plant.outer import OuterGains, SensorErrors, outer_run
from valvectl.review import figures
from valvectl.review.report_outer import model_group, outer_group
from valvectl.review.requirements import BY_ID
from valvectl.servo.outer import CHUG_SHARE, LARGEST_VALUE, PEAK
from valvectl.studies.analysis import Analysis
from valvectl.studies.outer_loops import outer_loops

DESIGNS = Path(__file__).parents[2] / "designs"
RIG, STAND = DESIGNS / "hover-rig.toml", DESIGNS / "sprint-stand.toml"
RUN = CliRunner()


@pytest.fixture(scope="module")
def rig() -> Any:
    return valvectl.load(RIG)


@pytest.fixture(scope="module")
def result(rig: Any) -> Any:
    return rig.trim()


def other(rig: Any, **changes: Any) -> Any:
    """The study with some keys of the table changed; no tolerances worked out again."""
    a = rig.analysis
    settings = rig.outer_loops.model_copy(update=changes)
    return outer_loops(rig.machine, a.gains, a.schedule, settings, ((0.0, 0.6), (0.5, 0.6)), a.spread)


# ------------------------------------------------------------------------------------------------------------ study


def test_tuning_keeps_its_targets(result: Any) -> None:
    assert all(result.stable)
    assert all(result.tuned.values())
    assert float(result.sensitivity.max()) <= LARGEST_VALUE * 1.001
    lowest = float(np.nanmin(result.chug))
    for loop, rows in result.margins.items():
        assert max(m.peak_sensitivity for m in rows) <= PEAK * 1.01
        assert result.crossover(loop) / (2 * math.pi) <= CHUG_SHARE * lowest * 1.01
    assert float(result.locus_distance.min()) > 0.5


def test_the_loops_take_away_what_the_schedule_leaves(result: Any) -> None:
    by = {run.what: run.worst for run in result.runs}
    assert by["oxidizer Kv +3 %"][0] > 0.025
    assert by["oxidizer Kv +3 %"][1] < 0.005
    assert by["fuel tank -1 bar"][1] < 0.1 * by["fuel tank -1 bar"][0]
    # as wrong as the meters: twice their bound, one high and one low
    assert by["sensors at their bounds"][1] == pytest.approx(0.01, abs=0.004)


def test_two_absolute_transducers_make_it_worse_at_low_throttle(result: Any) -> None:
    absolute, drop = result.by_source["absolute_pressures"], result.by_source["differential_pressures"]
    assert absolute[0] > 3.0 * result.open_error[0]
    assert absolute[0] / absolute[-1] > 3.0
    assert np.all(drop < 0.1 * absolute)


def test_gain_schedule_and_decoupling_are_worth_something(rig: Any, result: Any) -> None:
    """Full thrust's gains everywhere: the loop gain grows as the valves close; without decoupling each loop stirs the other."""
    gains = {loop: (result.gains.gain[loop], result.gains.integral_rate[loop]) for loop in ("thrust", "mixture")}
    fixed = {
        loop: getattr(rig.outer_loops, loop).model_copy(update={"gain": g, "integral_rate": r})
        for loop, (g, r) in gains.items()
    }
    plain = other(rig, scheduled=False, **fixed)
    assert float(plain.sensitivity[0]) > 2.0 * float(result.sensitivity[0])
    assert not plain.tuned["thrust"]
    assert plain.gains == result.gains
    paired = other(rig, decoupling="none", **fixed)
    assert float(paired.sensitivity.max()) > float(result.sensitivity.max())


def test_one_loop_alone(rig: Any) -> None:
    only = other(rig, mixture=None)
    assert list(only.margins) == ["thrust"]
    assert only.gains.gain["mixture"] == 0.0
    assert np.all(only.meter_error == 0.0)
    assert all(only.stable)
    ratio = other(rig, thrust=None)
    assert list(ratio.margins) == ["mixture"]
    assert float(ratio.noise_pressure.max()) < float(ratio.noise_ratio.max())


def test_gains_that_are_too_high_are_told(rig: Any) -> None:
    wild = {
        loop: getattr(rig.outer_loops, loop).model_copy(update={"gain": 3.0, "integral_rate": 200.0})
        for loop in ("thrust", "mixture")
    }
    found = other(rig, **wild)
    assert not any(found.stable)
    assert any("UNSTABLE" in text for text in found.cautions)


def test_noise_is_the_same_in_every_run_and_none_without_a_seed(rig: Any, result: Any) -> None:
    a = rig.analysis
    args = (rig.machine, a.schedule, rig.outer_loops, result.gains, a.profile)
    one, two = (outer_run(*args, reference_delay=0.01, seed=4) for _ in range(2))
    assert np.array_equal(one.rows, two.rows)
    quiet = outer_run(*args, reference_delay=0.01, seed=None, errors=SensorErrors())
    from valvectl.plant import layout as ix

    assert not quiet.rows[:, ix.ROW_NOISE_PC : ix.ROW_NOISE_F + 1].any()


def test_margins_are_where_the_loops_lose_their_footing(result: Any) -> None:
    """One loop's gain raised by its margin, the other closed: an eigenvalue on the unit circle."""
    for which, loop in enumerate(("thrust", "mixture")):
        for model, margin in zip(result.models[::3], result.margins[loop][::3], strict=True):
            factor = 10.0 ** (margin.gain_margin_db / 20.0)
            raised = dataclasses.replace(
                model,
                gains=OuterGains(
                    {**model.gains.gain, loop: factor * model.gains.gain[loop]}, model.gains.integral_rate
                ),
            )
            assert raised.spectral_radius() == pytest.approx(1.0, abs=2e-6), which


def test_the_sampled_plant_as_a_control_object(result: Any) -> None:
    plant = result.models[0].pulses
    omega = np.array([1.0, 20.0, 120.0])
    system = plant.to_control()
    assert system.dt == plant.period
    response = np.moveaxis(system(np.exp(1j * omega * plant.period)), 2, 0)
    assert response == pytest.approx(plant.gain(omega), rel=1e-9)


def test_noise_moves_the_valves_and_a_least_change_calms_them(rig: Any, result: Any) -> None:
    assert any("does not come to rest" in text for text in result.cautions)
    calm = other(rig, least_change=math.radians(0.5))
    assert calm.runs[0].motion["oxidizer"] < 0.5 * result.runs[0].motion["oxidizer"]


# --------------------------------------------------------------------------------------------------------- rows


def test_rows_only_where_stated(rig: Any) -> None:
    assert BY_ID["trim_error"].rows(rig.analysis) == []
    with_limit = valvectl.load(RIG, ['requirements.trim_error="2 %"', "requirements.trim_sensitivity=1.4"])
    (row,) = BY_ID["trim_error"].rows(with_limit.analysis)
    assert row.verdict == "met"
    assert "schedule alone" in row.case
    (row,) = BY_ID["trim_sensitivity"].rows(with_limit.analysis)
    assert row.verdict == "missed"


def test_a_limit_without_loops_is_not_assessed() -> None:
    stand = valvectl.load(STAND, ['requirements.trim_error="2 %"'])
    (row,) = BY_ID["trim_error"].rows(stand.analysis)
    assert row.verdict == "not assessed"
    assert "[outer_loops]" in row.case
    with pytest.raises(RangeError, match="no outer loops"):
        Analysis(stand).outer  # noqa: B018
    with pytest.raises(RangeError, match="no outer loops"):
        stand.trim(kv_error=0.01)


# ------------------------------------------------------------------------------------------------- command line


def test_trim_prints_json_csv_and_a_figure(tmp_path: Path) -> None:
    csv, figure = tmp_path / "t.csv", tmp_path / "t.svg"
    done = RUN.invoke(cli.app, ["trim", str(RIG), "--csv", str(csv), "--figure", str(figure), "--kv-error", "5"])
    assert done.exit_code == 0, done.output
    for word in ("oxidizer Kv +5 %", "relative", "schedule", "with loops", "note:"):
        assert word in done.output
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    assert csv.read_text(encoding="utf-8").startswith("throttle [%]")
    assert ET.parse(figure).getroot().tag.endswith("svg")
    read = json.loads(RUN.invoke(cli.app, ["trim", str(RIG), "--json"]).stdout)
    assert read["source"] == "flow_meters"
    assert len(read["runs"]) == 5


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["trim", str(STAND)], "no outer loops"),
        (["trim", str(RIG), "--kv-error", "40"], "between -30 and 30"),
        (["trim", str(RIG), "--kv-error", "nan"], "between -30 and 30"),
        (["trim", str(RIG), "--tank-error", "-1000"], "between -100 and 100"),
        (["trim", str(RIG), "--figure", "x.bmp"], ".svg"),
        (["model", str(RIG), "--throttle", "10"], "40 to 100"),
    ],
)
def test_wrong_input_is_said_in_one_line(arguments: list[str], said: str) -> None:
    done = RUN.invoke(cli.app, arguments)
    assert done.exit_code == 2
    assert said in done.output
    assert "Traceback" not in done.output


def test_a_tank_that_can_not_feed_the_engine_is_no_traceback() -> None:
    done = RUN.invoke(cli.app, ["trim", str(RIG), "--tank-error", "-21"])
    assert done.exit_code == 2
    assert "stops flowing" in done.output
    read = RUN.invoke(cli.app, ["trim", str(RIG), "--tank-error", "-15"])
    assert read.exit_code == 0
    assert "the run means nothing" in " ".join(read.output.split())


def test_model_prints_both_ways_and_writes_latex(tmp_path: Path) -> None:
    tex = tmp_path / "e.tex"
    done = RUN.invoke(cli.app, ["model", str(RIG), "--throttle", "60", "--latex", str(tex)])
    assert done.exit_code == 0, done.output
    assert "The two ways agree" in done.output
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    assert tex.read_text(encoding="utf-8").count(r"\end{equation}") >= 20
    read = json.loads(RUN.invoke(cli.app, ["model", str(RIG), "--json"]).stdout)
    assert max(row["difference"] for row in read["rows"]) < 1e-6


def test_no_gains_can_be_found_is_said(rig: Any) -> None:
    with pytest.raises(ValvectlError, match="no gains keep"):
        other(
            rig,
            scheduled=False,
            decoupling="none",
            mixture=rig.outer_loops.mixture.model_copy(update={"gain": 9.0, "integral_rate": 500.0}),
        )


# ------------------------------------------------------------------------------------------------ figure and report


def test_figure_draws_what_it_is_given(result: Any) -> None:
    drawn = figures.outer_chart(result, steady=0.03)
    ratio, thrust, standing = drawn.axes
    assert "Kv" in ratio.get_title(loc="left")
    assert "[%" in standing.get_ylabel()
    assert "time [s]" in thrust.get_xlabel()
    line = ratio.get_lines()[0]
    assert float(np.max(np.abs(line.get_ydata()))) == pytest.approx(
        100.0 * float(np.max(np.abs(result.runs[-1].open_ratio)))
    )


def test_report_groups(rig: Any, result: Any) -> None:
    class Empty:
        rows = ()

    group = outer_group(Empty(), result)  # type: ignore[arg-type]
    assert group.plots
    assert len(group.tables) == 2
    equations = model_group(Empty(), rig.model())  # type: ignore[arg-type]
    assert len(equations.formulas) >= 20
    for _, markup in equations.formulas:
        ET.fromstring(str(markup))
        assert not re.search(r"https?://(?!www\.w3\.org/1998/Math)", str(markup))
