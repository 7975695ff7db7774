"""Robust choice on an engine: what may be free, what is written, a small search from end to end."""

import dataclasses
import json
import math
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from valvectl import cli, load
from valvectl.cli_tables_robust import _kept
from valvectl.design.load import read_design
from valvectl.design.write_values import write_values
from valvectl.errors import DesignError, RangeError, ValvectlError
from valvectl.review import figures
from valvectl.review.robust_rows import ordinary_rows
from valvectl.studies.analysis import Analysis
from valvectl.studies.robust import _cautions, _compared, robust
from valvectl.studies.robust_engine import Bench, Engines, Task
from valvectl.studies.robust_free import DEFAULT, Knobs
from valvectl.studies.robust_search import MOVES, Effort

ROOT = Path(__file__).resolve().parents[2]
DESIGN = ROOT / "designs" / "hover-rig.toml"
TIGHT = {"requirements.mixture_ratio_transient": 0.035, "requirements.tracking_mismatch": 0.002}
"""Limits that the dispersed example does not always keep."""
FREE = ("fuel.position_bandwidth=8..30", "ratio=45..80")
SMALL = Effort(trials=8, first=8, search=8, race=16, final=16, going_on=(3, 2))


@pytest.fixture(scope="module")
def design():
    return read_design(DESIGN)


@pytest.fixture(scope="module")
def analysis(design):
    return Analysis(design)


def knobs(analysis, *asked):
    return Knobs(analysis.design, analysis.machine, analysis.gains, asked)


# ------------------------------------------------------------------------------------------------------ what is free


def test_the_default_is_ratio_gains_shape_and_limits(analysis):
    found = knobs(analysis)
    assert tuple(f.name for f in found.free) == DEFAULT
    assert found.servo_only
    ratio = found.free[0]
    assert ratio.present == 60.0
    assert ratio.low < 60.0 < ratio.high


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (("ratoi",), "nearest: ratio"),
        (("ratio=9",), "LOW..HIGH"),
        (("ratio=9..3",), "below the upper"),
        (("ratio=0..3",), "above zero"),
        (("ratio=a..b",), "must be a number"),
        (("ratio=1..inf",), "must be a number"),
        (("=3",), "NAME=LOW..HIGH"),
        (("speed_limit=10 A..20 A",), "must be a number in deg/s"),
        (("legs.fuel.tank.pressure",), "needs bounds"),
        (("legs.fuel.tank.pressure=1..2",), "absolute or gauge"),
        (("legs.fuel.valve.bore=1 mm..2 bar",), "bore"),
        (("engine.nothing=1..2",), "unknown key"),
        (("legs.fuel.controller.structure=1..2",), "only numbers and shape"),
        (("legs.fuel.valve.flow.kv=1..2",), "only numbers and shape"),
        (("legs.fuel.actuator.position_encoder.counts=1000..x",), "whole number"),
        (("ratio", "fuel.ratio"), "same number as ratio"),
        (("speed_limit", "legs.fuel.controller.command_speed_limit=10 deg/s..20 deg/s"), "same number"),
        (("legs.both.valve.bore=5 mm..9 mm", "legs.fuel.valve.bore=5 mm..9 mm"), "same number"),
        (("shape=ramp|oops",), "two or more of"),
        (("shape=ramp",), "two or more of"),
        (("shape=ramp|ramp",), "each once"),
    ],
)
def test_what_can_not_be_free_is_said(analysis, asked, said):
    with pytest.raises(DesignError) as caught:
        knobs(analysis, *asked)
    assert said in " ".join(str(f) for f in caught.value.faults)


def test_all_faults_at_once(analysis):
    with pytest.raises(DesignError) as caught:
        knobs(analysis, "ratoi", "ratio=9", "shape=x|y")
    assert len(caught.value.faults) == 3


def test_a_shape_without_its_limits_is_refused(design):
    with pytest.raises(DesignError, match="command_acceleration_limit"):
        robust(design, ordinary_rows, free=["shape"], runs=16, effort=SMALL)


def test_a_bandwidth_belongs_to_a_cascade(design):
    changed = Analysis(design.with_values({"legs.fuel.controller.structure": "pid"}))
    assert "fuel.speed_bandwidth" not in [f.name for f in knobs(changed).free]
    with pytest.raises(DesignError, match="no cascade"):
        knobs(changed, "fuel.speed_bandwidth")


def test_what_a_choice_writes(analysis):
    found = knobs(analysis, "ratio=45..90", "fuel.speed_bandwidth=50..150", "shape", "acceleration_limit=2000..8000",
                  "jerk_limit=5e4..5e5", "legs.both.controller.hold_band=0.01 deg..0.05 deg")  # fmt: skip
    changes = found.changes([75.0, 100.0, 1.0, 4000.0, 1e5, 0.03])
    assert changes["legs.fuel.actuator.gears[1].ratio"] == 3.75
    assert changes["legs.oxidizer.controller.command_shape"] == "trapezoid"
    assert changes["legs.fuel.controller.command_acceleration_limit"] == "4000 deg/s^2"
    assert not any("jerk" in key for key in changes)  # a trapezoid has none
    assert changes["legs.oxidizer.controller.hold_band"] == "0.03 deg"
    assert not any(key.startswith("legs.oxidizer.controller.gains") for key in changes)  # left to the rule
    built = Analysis(analysis.design.with_values(changes))
    servo, gains = built.machine.legs["fuel"].servo, built.gains["fuel"]
    assert servo.ratio == 75.0
    # the bandwidth asked for, at the new ratio; the integral keeps its share of it, the position gain stays
    assert gains.speed * servo.acceleration_per_ampere / (2.0 * math.pi) == pytest.approx(100.0, rel=1e-4)
    before, old = analysis.gains["fuel"], analysis.machine.legs["fuel"].servo
    share = before.speed_integral / (before.speed * old.acceleration_per_ampere)
    assert gains.speed_integral / (gains.speed * servo.acceleration_per_ampere) == pytest.approx(share, rel=1e-4)
    assert gains.position == pytest.approx(before.position, rel=1e-4)


def test_the_place_of_the_present_design_is_the_design(analysis):
    for found in (knobs(analysis), knobs(analysis, "ratio", "legs.both.controller.hold_band=0.01 deg..0.05 deg")):
        values = list(found.values(found.start()))
        assert found.is_present(values)
        assert not found.is_present([values[0] * 1.1, *values[1:]])
    outside = knobs(analysis, "ratio=70..90")
    assert not outside.is_present(outside.values(outside.start()))


def test_places_and_values_go_both_ways(analysis):
    for f in knobs(analysis).free:
        for share in (0.0, 0.21, 0.5, 0.87, 1.0):
            value = f.value(share)
            assert f.low <= value <= f.high
            assert f.value(f.share(value)) == value


# ----------------------------------------------------------------------------------------------------- changed copy


@pytest.mark.parametrize("file", ["hover-rig.toml", "sprint-stand.toml"])
@pytest.mark.parametrize(
    "asked", [(), ("fuel.ratio", "oxidizer.speed_bandwidth"), ("ratio", "fuel.position_bandwidth")]
)
def test_the_copy_is_the_design_that_was_meant(file, asked, tmp_path):
    shutil.copytree(ROOT / "designs", tmp_path / "designs")
    source = tmp_path / "designs" / file
    design = read_design(source)
    found = knobs(Analysis(design), *asked)
    changes = found.changes(found.values(np.full(len(found.free), 0.6)))
    write_values(design, changes, source.with_name("changed.toml"))
    written = source.with_name("changed.toml").read_text(encoding="utf-8")
    assert read_design(source.with_name("changed.toml")).input_hash == design.with_values(changes).input_hash
    for line in source.read_text(encoding="utf-8").splitlines():
        if line.startswith("#"):
            assert line in written
    assert not [p for p in source.parent.iterdir() if p.name.startswith(".")]


def test_the_copy_never_overwrites(design, tmp_path):
    there = tmp_path / "there.toml"
    there.write_text("kept")
    for place in (there, DESIGN):
        with pytest.raises(DesignError, match=r"is there already|design file itself"):
            write_values(design, {"engine.mixture_ratio": 1.3}, place)
    assert there.read_text() == "kept"


# ---------------------------------------------------------------------------------------------------- constraints


def test_what_is_missed_already_must_not_get_worse():
    engines = Engines.__new__(Engines)
    engines.present = {"a": 0.3, "b": -0.2, "c": -math.inf, "nominal d": 0.1}
    assert engines.lacking({"a": 0.0, "b": -0.2, "c": -1.0, "nominal d": -5.0}) == []
    found = dict(engines.lacking({"a": -0.1, "b": -0.5, "c": -1.0, "nominal d": -5.0}))
    assert found == pytest.approx({"a": 0.1, "b": 0.3})
    assert dict(engines.lacking({}))["a"] == 100.0
    assert dict(engines.lacking({"a": math.nan, "b": -0.2}))["a"] == 100.0
    assert engines.missed(engines.present) == ["b", "c"]
    assert engines.missed({"a": math.nan, "nominal d": -1.0}) == ["a"]


def test_better_needs_the_exact_test_too():
    """Five pairs to none: the rough bounds leave zero out, while such luck has a chance of 2 / 2^5 = 6 %."""
    lost, won = np.zeros(1000, dtype=bool), np.arange(1000) < 5
    five = _compared("present", "robust optimum", lost, won)
    assert five.at_least > 0.0
    assert five.chance == pytest.approx(0.0625)
    assert not five.better
    assert _compared("present", "robust optimum", lost, np.arange(1000) < 6).better


def test_what_is_missed_before_and_after_is_said(found):
    """It counts as kept, since it got no worse; the probabilities do not know of it."""
    missing = dataclasses.replace(
        found, robust=dataclasses.replace(found.robust, lacking=(), missed=("torque_margin fuel",))
    )
    assert any("torque_margin fuel" in text and "do not count" in text for text in _cautions(missing))
    assert not any("do not count" in text for text in _cautions(dataclasses.replace(
        found, robust=dataclasses.replace(found.robust, missed=()))))  # fmt: skip
    assert _kept(missing.robust) == "no worse, 1 missed"


def test_every_choice_sees_the_same_engines(design, analysis):
    """What nothing free moves has the same margins engine by engine, to the last bit."""
    bench = Bench(Task(design, 4, 64, True, ordinary_rows))
    names = [q.name for q in bench.quantities]
    other = tuple(sorted(knobs(analysis, "ratio").changes([70.0]).items()))
    first, second = bench.drawn((), 0, 6), bench.drawn(other, 0, 6)
    for name in ("cavitation", "injector_stiffness"):
        assert first[:, names.index(name)].tolist() == second[:, names.index(name)].tolist()
    assert not np.array_equal(first[:, names.index("tracking_mismatch")], second[:, names.index("tracking_mismatch")])
    # and a part of them is the same whatever is asked for beside it
    assert bench.drawn((), 2, 3).tolist() == first[2:5].tolist()


def test_an_impossible_choice_is_judged_and_not_raised(design):
    bench = Bench(Task(design, 4, 64, True, ordinary_rows))
    bad = (("legs.fuel.actuator.gears[1].ratio", -1.0),)
    assert bench.rows(bad) is None
    assert np.all(bench.drawn(bad, 0, 3) == -math.inf)


# ---------------------------------------------------------------------------------------------------- end to end


@pytest.fixture(scope="module")
def found(design):
    told = []
    result = robust(design.with_values(TIGHT), ordinary_rows, free=FREE, runs=32, seed=3, effort=SMALL, slices=True,
                    progress=lambda *args: told.append(args))  # fmt: skip
    assert told
    return result


def test_three_choices_on_the_same_fresh_engines(found):
    assert [c.label for c in found.choices] == ["present", "nominal optimum", "robust optimum"]
    assert {c.runs for c in found.choices} == {32}
    assert "cavitation" in found.unmoved
    assert "mixture_ratio_transient" not in found.unmoved
    assert found.robust.lacking == ()
    for pair in found.compared:
        one = next(c for c in found.choices if c.label == pair.first)
        assert pair.only_second - pair.only_first == found.robust.held - one.held
        assert pair.at_least <= pair.difference <= pair.at_most


def test_what_the_choices_shown_differ_in_is_not_called_unmoved(found):
    """The nominal margins of the three choices are no draws of chance: where they differ, something free moves them."""
    by_name = [{h.name: h for h in c.requirements} for c in found.choices]
    for name in found.unmoved:
        assert np.ptp([np.clip(c[name].quantile, -1e3, 1e3) for c in by_name]) <= MOVES
        assert not any(c[name].moved for c in by_name)
    assert any("by less than 1 % of the limit" in text for text in found.cautions)


def test_the_nominal_optimum_is_the_best_without_dispersions(found):
    assert found.nominal.nominal_margin >= found.present.nominal_margin
    assert found.nominal.nominal_margin >= found.robust.nominal_margin


def test_the_verdict_does_not_promise(found):
    assert "no permission to operate" in " ".join(found.cautions)
    assert "declared tolerances" in " ".join(found.assumptions)
    for pair in found.compared:
        if pair.at_least <= 0.0 <= pair.at_most:
            assert "is not shown" in found.verdict


def test_the_slices_go_through_the_robust_choice(found):
    assert [s.name for s in found.slices] == ["fuel.position_bandwidth", "ratio"]
    for s, f in zip(found.slices, found.free, strict=True):
        j = int(np.argmin(np.abs(s.values - f.robust)))
        assert s.values[j] == f.robust
        assert s.probability[j] == found.robust.probability
        assert s.allowed[j]


def test_figure_and_json(found):
    figure = figures.robust_chart(found)
    assert len(figure.axes) == 3
    assert json.loads(json.dumps(found.to_dict()))["robust"]["held"] == found.robust.held
    assert list(found.to_frame()["quantity"]) == ["fuel.position_bandwidth", "ratio"]


def test_the_number_of_processes_changes_nothing(design, found):
    other = robust(design.with_values(TIGHT), ordinary_rows, free=FREE, runs=32, seed=3, effort=SMALL, jobs=2)
    assert dataclasses.replace(other, slices=found.slices).to_dict() == found.to_dict()


def test_the_table_fits(found, monkeypatch, capsys):
    from valvectl import cli_tables

    monkeypatch.setenv("COLUMNS", "80")
    cli_tables.show("robust", found)
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    text = " ".join(" ".join(lines).split())
    assert found.verdict in text
    assert "32 fresh engines" in text


# ------------------------------------------------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    "options",
    [{"runs": 3}, {"seed": -1}, {"seed": 2**40}, {"jobs": 0}],
)
def test_numbers_that_make_no_sense(design, options):
    with pytest.raises(RangeError):
        robust(design, ordinary_rows, free=FREE, effort=SMALL, **options)


def test_without_tolerances_there_is_nothing_to_do(tmp_path):
    text = re.sub(r', tolerance = ("[^"]*"|[0-9.]+)', "", DESIGN.read_text(encoding="utf-8"))
    text = re.sub(r"tolerance = \"[^\"]*\", ", "", text)
    (tmp_path / "plain.toml").write_text(text, encoding="utf-8")
    plain = load(tmp_path / "plain.toml")
    with pytest.raises(ValvectlError, match="no input of the design carries a tolerance"):
        plain.robust(FREE, runs=16, effort=SMALL)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--free", "ratoi"], "nearest: ratio"),
        (["--draws", "2"], "draws must be"),
        (["--trials", "2"], "at least 8 choices"),
        (["--figure", "x.bmp"], "must end in"),
        (["--set", "battery.voltage=25 V", "--write", "x.toml"], "would not be that of the file"),
    ],
)
def test_the_command_line_refuses(more, said):
    result = CliRunner().invoke(cli.app, ["robust", str(DESIGN), *more])
    assert result.exit_code == 2
    assert said in " ".join(result.output.split())
    assert "Traceback" not in result.output
