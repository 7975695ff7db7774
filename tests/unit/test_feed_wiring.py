"""Stability, surge and start from the design file to API, row, report, JSON and command line."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import valvectl
from valvectl import cli
from valvectl.design.schema import LEGS
from valvectl.errors import DesignError, RangeError
from valvectl.review import mend
from valvectl.review.check import warnings_of
from valvectl.review.folder import json_of, json_text, write_review
from valvectl.review.report import render
from valvectl.review.report_groups import groups
from valvectl.review.requirements import BY_ID
from valvectl.review.verdict import EXCLUSIONS, Review, Row
from valvectl.review.wording import found
from valvectl.studies.analysis import Analysis
from valvectl.studies.stability import StabilityResult

EXAMPLE = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
runner = CliRunner()


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[valvectl.Design]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("VALVECTL_CACHE", str(tmp_path_factory.mktemp("cache")))
        loaded = valvectl.load(EXAMPLE)
        assert loaded.stability().cases
        yield loaded


@pytest.fixture
def run(rig: valvectl.Design, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("valvectl.api.load", lambda path: rig)
    return lambda *args: runner.invoke(cli.app, list(args))


class Stub:
    """An analysis that has nothing but a stability result."""

    def __init__(self, design: Any, result: Any) -> None:
        self.design, self._result = design, result

    @property
    def stability(self) -> Any:
        if isinstance(self._result, Exception):
            raise self._result
        return self._result


def chug_row(design: Any, result: Any) -> Row:
    (row,) = BY_ID["chug_margin"].rows(Stub(design, result))  # type: ignore[arg-type]
    return row


def with_stated(result: StabilityResult, **changes: Any) -> StabilityResult:
    stated = dataclasses.replace(result.as_stated, **changes)
    return dataclasses.replace(result, cases=(result.stiff, stated, *result.cases[2:]))


# ----------------------------------------------------------------------------------------------------- design file


def test_the_defaults_are_listed(rig: valvectl.Design) -> None:
    shown = {d.key: d.shown for d in rig.defaults_used}
    for leg in LEGS:
        line = f"legs.{leg}.line"
        assert shown[f"{line}.wall_thickness"] == "1 mm"
        assert shown[f"{line}.wall_elasticity"] == "200 GPa"
        assert shown[f"{line}.poisson_ratio"] == "0.3"
        assert shown[f"{line}.anchoring"] == "upstream"
        assert shown[f"{line}.pressure_limit"] == "left out"
    assert shown["engine.combustion.delay_exponent"] == "0"
    assert shown["start.fuel_lead"] == "0 ms"
    assert shown["start.ignition_delay"] == "10 ms"
    assert shown["start.timing_scatter"] == "5 ms"
    assert shown["start.burst_limit"] == "left out"
    assert shown["requirements.chug_margin"] == "6"


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("engine.combustion.delay_exponent", 3.5),
        ("engine.combustion.delay_exponent", -3.5),
        ("legs.fuel.line.wall_thickness", "0 mm"),
        ("legs.fuel.line.wall_thickness", "13 mm"),
        ("legs.fuel.line.wall_elasticity", "0.5 MPa"),
        ("legs.fuel.line.poisson_ratio", 0.6),
        ("legs.fuel.line.anchoring", "sideways"),
        ("legs.fuel.line.pressure_limit", "20 bar"),
        ("legs.fuel.line.pressure_limit", "10 bar abs"),
        ("start.fuel_lead", "11 s"),
        ("start.ignition_delay", "-1 ms"),
        ("start.timing_scatter", "2 s"),
        ("start.burst_limit", "0 bar"),
        ("requirements.chug_margin", 0),
    ],
)
def test_what_makes_no_sense_is_refused(rig: valvectl.Design, key: str, value: Any) -> None:
    with pytest.raises(DesignError) as caught:
        rig.with_values({key: value})
    assert [f.key for f in caught.value.faults] == [key]


def test_a_limit_below_the_pressure_at_rest_is_told_by_the_study(rig: valvectl.Design) -> None:
    tank = float(rig.get("legs.oxidizer.tank.pressure"))
    low = rig.with_values({"legs.oxidizer.line.pressure_limit": tank + 1.0})  # the head comes on top
    with pytest.raises(DesignError, match="pressure at rest") as caught:
        low.surge("oxidizer")
    assert caught.value.faults[0].key == "legs.oxidizer.line.pressure_limit"


# ------------------------------------------------------------------------------------------------- analysis and API


def test_each_study_is_worked_out_once(rig: valvectl.Design) -> None:
    assert rig.stability() is rig.stability() is rig.analysis.stability
    assert rig.fill() is rig.fill() is rig.analysis.fill
    assert rig.surge("fuel") is rig.surge("fuel") is rig.analysis.surge["fuel"]
    assert list(rig.analysis.surge) == list(LEGS)


def test_the_delay_exponent_reaches_the_study(rig: valvectl.Design) -> None:
    plain, grown = rig.stability(), rig.with_values({"engine.combustion.delay_exponent": 1.0}).stability()
    assert plain.delay_exponent == 0.0
    assert grown.delay_exponent == 1.0
    np.testing.assert_allclose(grown.delay["fuel"], plain.delay["fuel"] / plain.throttle, rtol=1e-12)


def test_wall_and_limit_come_from_the_line(rig: valvectl.Design) -> None:
    plain = rig.surge("fuel")
    assert "1 mm, 200 GPa, Poisson's ratio 0.3, anchored at its upstream end" in plain.assumptions[0]
    assert "pressure limit assumed" in plain.assumptions[1]
    changes = {
        "legs.fuel.line.wall_thickness": "2 mm",
        "legs.fuel.line.wall_elasticity": "70 GPa",
        "legs.fuel.line.pressure_limit": "30 bar abs",
    }
    other = rig.with_values(changes).surge("fuel")
    assert (other.wall.thickness, other.wall.elasticity) == (pytest.approx(2e-3), pytest.approx(70e9))
    assert other.pressure_limit == pytest.approx(30e5)
    assert other.wave_speed != plain.wave_speed
    assert other.assumptions[0].startswith("wall assumed: Poisson's ratio 0.3, anchored")
    assert not any("pressure limit assumed" in text for text in other.assumptions)
    rest = {"legs.fuel.line.poisson_ratio": 0.33, "legs.fuel.line.anchoring": "throughout"}
    stated = rig.with_values({**changes, **rest}).surge("fuel")
    assert stated.wall.anchoring == "throughout"
    assert not any("assumed" in text for text in stated.assumptions)


def test_the_start_comes_from_its_table(rig: valvectl.Design) -> None:
    plain = rig.fill()
    assert sum("assumed" in text for text in plain.assumptions) == 2
    assert plain.within_limit is None
    changed = rig.with_values(
        {
            "start.fuel_lead": "40 ms",
            "start.ignition_delay": "20 ms",
            "start.timing_scatter": "3 ms",
            "start.burst_limit": "60 bar",
        }
    ).fill()
    assert changed.fuel_lead == pytest.approx(0.04)
    assert changed.ignition_delay == pytest.approx(0.02)
    assert changed.scatter == pytest.approx(0.003)
    assert changed.burst_limit == pytest.approx(60e5)
    assert changed.within_limit is not None
    assert changed.arrival_lead == pytest.approx(plain.arrival_lead + 0.04)
    assert not any("assumed" in text for text in changed.assumptions)


# -------------------------------------------------------------------------------------------------------------- row


def test_the_row_of_the_example_is_met(rig: valvectl.Design) -> None:
    (row,) = BY_ID["chug_margin"].rows(rig.analysis)
    assert (row.verdict, row.leg, row.unit, row.operator, row.limit) == ("met", None, "dB", ">=", 6.0)
    assert row.limit_is_default
    result = rig.stability()
    assert row.value == pytest.approx(float(result.as_stated.gain_margin.min()))
    assert row.case.startswith("manifolds liquid-full, at ")
    assert "vapour in the manifolds it would be unstable at 40 to" in row.case
    share = re.search(r"border at ([0-9.]+) % gas in both", row.case)
    assert share is not None
    assert float(share.group(1)) == pytest.approx(100.0 * float(result.gas_share_border.min()), rel=0.05)


def test_gas_as_stated_makes_it_unstable_and_no_pass(rig: valvectl.Design) -> None:
    gas = {f"legs.{leg}.manifold.gas_volume": "2 mL" for leg in LEGS}
    soft = rig.with_values(gas)
    (row,) = BY_ID["chug_margin"].rows(Analysis(soft))
    assert row.verdict == "missed"
    assert row.value is not None
    assert row.value <= 0.0
    assert "gas as stated" in row.case
    assert "chug near" in row.case
    assert "would chug near" not in row.case


def test_an_unstable_setting_governs_over_a_small_margin(rig: valvectl.Design) -> None:
    result = rig.stability()
    n = result.throttle.size
    roots = np.zeros(n, dtype=np.int64)
    roots[3] = 2
    margin = np.full(n, 8.0)
    margin[3] = 0.5  # unstable by the count of roots, whatever the margin says
    row = chug_row(rig, with_stated(result, roots=roots, gain_margin=margin))
    assert row.value == 0.0
    assert row.verdict == "missed"
    assert f"at {100 * result.throttle[3]:.0f} % throttle" in row.case


def test_no_border_anywhere_is_met_and_shown_in_words(rig: valvectl.Design) -> None:
    result = rig.stability()
    n = result.throttle.size
    never = np.full(n, math.inf)
    row = chug_row(rig, with_stated(result, gain_margin=never, frequency=np.full(n, math.nan), neutral_scale=never))
    assert row.verdict == "met"
    assert found(row) == "above 80 dB"
    assert "nan" not in row.case
    assert not re.search(r"\binf\b", row.case)


def test_a_throat_that_is_not_choked_is_not_assessed(rig: valvectl.Design) -> None:
    result = rig.stability()
    choked = result.throat_choked.copy()
    choked[0] = False
    row = chug_row(rig, dataclasses.replace(result, throat_choked=choked))
    assert row.verdict == "not assessed"
    assert "throat may not be choked" in row.case


def test_a_loop_out_of_range_is_not_assessed(rig: valvectl.Design) -> None:
    row = chug_row(rig, RangeError("the chug loop needs a residence time"))
    assert row.verdict == "not assessed"
    assert row.case == "the chug loop needs a residence time"


def test_knobs_exist_and_the_exclusions_say_what_is_left_out(rig: valvectl.Design) -> None:
    for knob in mend.KNOBS["chug_margin"]:
        assert rig.get(knob.key.format(leg="fuel")) is not None
    text = " ".join(EXCLUSIONS)
    assert "No row is a stability margin" not in text
    for word in ("chug row", "acoustic", "water hammer", "start-up"):
        assert word in text


def test_less_gas_mends_it_and_the_remedy_holds(rig: valvectl.Design, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mend, "REQUIREMENTS", (BY_ID["chug_margin"],))  # the costs in other rows are tested elsewhere
    monkeypatch.setitem(mend.KNOBS, "chug_margin", mend.KNOBS["chug_margin"][:1])
    gassy = rig.with_values({"legs.fuel.manifold.gas_volume": "0.4 mL"})
    rows = BY_ID["chug_margin"].rows(Analysis(gassy))
    assert rows[0].verdict == "missed"
    (remedy,) = mend.remedies(Analysis(gassy), rows, lambda text: None)
    assert remedy.key == "legs.fuel.manifold.gas_volume"
    assert remedy.relative_change is not None
    less = float(gassy.get(remedy.key)) * (1.0 - remedy.relative_change)
    (mended,) = BY_ID["chug_margin"].rows(Analysis(gassy.with_values({remedy.key: less})))
    assert mended.verdict == "met"


def test_warnings_say_what_the_simulation_keeps(rig: valvectl.Design) -> None:
    gas = {"legs.fuel.manifold.gas_volume": "0.1 mL", "engine.combustion.delay_exponent": 0.5}
    said = warnings_of(Analysis(rig.with_values(gas)), None)
    assert sum("softer" in text for text in said) == 1
    assert sum("to the power -0.5" in text for text in said) == 1
    assert not any("softer" in text or "to the power" in text for text in warnings_of(rig.analysis, None))


# ------------------------------------------------------------------------------------------------- report and folder


@pytest.fixture
def with_stability(rig: valvectl.Design, review: Review, review_with: Callable[..., Review]) -> Review:
    rows = (*review.rows, *BY_ID["chug_margin"].rows(rig.analysis))
    return review_with(rows=rows, studies={**review.studies, "stability": rig.stability()})


def test_the_report_has_the_section(with_stability: Review) -> None:
    group = next(g for g in groups(with_stability) if g.id == "stability")
    assert group.title == "Feed-system stability"
    assert [row[0] for row in group.tables[0].rows] == ["stiff", "as stated (liquid-full)", "soft"]
    assert all(len(row) == len(group.tables[0].head) for row in group.tables[0].rows)
    assert any("soft limit: unstable at 40 to" in note for note in group.notes)
    text = render(with_stability)
    assert '<section id="q-stability">' in text
    assert '<a href="#q-stability">Feed-system stability</a>' in text
    section = text[text.index('id="q-stability"') :].split("</section>")[0]
    assert "<svg" in section
    shown = re.sub(r"<svg.*?</svg>", "", section, flags=re.DOTALL)
    assert not re.search(r"\b(nan|inf)\b", shown)


def test_json_and_csv_hold_it(with_stability: Review, tmp_path: Path) -> None:
    study = json.loads(json_text(json_of(with_stability)))["studies"]["stability"]
    assert [case["label"] for case in study["cases"]] == ["stiff limit", "liquid-full", "soft limit"]
    assert "points" not in study
    files = write_review(with_stability, tmp_path / "r")
    table = list(csv.DictReader(io.StringIO(files["stability.csv"].read_text(encoding="utf-8"))))
    assert len(table) == len(study["throttle"])
    assert "liquid-full: gain margin [dB]" in table[0]


# ----------------------------------------------------------------------------------------------------- command line


def test_stability_prints_and_writes(run: Callable[..., Any], tmp_path: Path) -> None:
    result = run("stability", "hover.toml", "--csv", "s.csv", "--figure", "s.svg")
    assert result.exit_code == 0, result.output
    assert "Feed-system stability" in result.stdout
    assert "soft limit: unstable at 40 to" in result.stdout
    assert "caution: gas or warm liquid" in result.stdout
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    assert (tmp_path / "s.csv").is_file()
    assert (tmp_path / "s.svg").read_bytes().startswith(b"<?xml")


def test_surge_prints_legs_law_and_start(run: Callable[..., Any]) -> None:
    result = run("surge", "hover.toml")
    assert result.exit_code == 0, result.output
    text = result.stdout
    places = [text.index(f"Surge, {leg} leg") for leg in LEGS] + [text.index("Start to 40 % throttle")]
    assert places == sorted(places)
    assert text.count("Closing law of least surge") == 2
    assert max(len(line) for line in text.splitlines()) <= 80
    flat = " ".join(text.split())
    assert "priming an empty line" in flat
    assert "in oxygen that ignites grease" in flat
    for head in ("movement", "low, high [g]", "peak"):
        assert head in text


def test_surge_of_one_leg_as_json_files_and_figures(run: Callable[..., Any], tmp_path: Path) -> None:
    result = run("surge", "hover.toml", "--leg", "fuel", "--json", "--csv", "t.csv", "--figure", "t.svg")
    assert result.exit_code == 0, result.output
    content = json.loads(result.stdout)
    assert list(content) == ["fuel", "start"]
    assert content["fuel"]["leg"] == "fuel"
    assert content["start"]["burst_limit"] is None
    assert {p.name for p in tmp_path.iterdir()} == {"t-fuel.csv", "t-start.csv", "t-fuel.svg", "t-start.svg"}
    closing = run("surge", "hover.toml", "--leg", "fuel", "--figure", "c.svg", "--plot", "closing")
    assert closing.exit_code == 0
    assert (tmp_path / "c-fuel.svg").read_bytes() != (tmp_path / "t-fuel.svg").read_bytes()
    assert (tmp_path / "c-start.svg").read_bytes() == (tmp_path / "t-start.svg").read_bytes()


@pytest.mark.parametrize("verb", ["stability", "surge"])
def test_help_has_units_and_an_example(run: Callable[..., Any], verb: str) -> None:
    result = run(verb, "--help")
    assert result.exit_code == 0
    assert f"valvectl {verb} hover-rig.toml" in result.stdout
    for option in ("--json", "--csv", "--figure"):
        assert option in result.stdout
    assert "[ms]" in result.stdout
    assert run(verb, "hover.toml", "--figure", "x.gif").exit_code == 2


@pytest.mark.parametrize("verb", ["stability", "surge"])
def test_a_study_that_can_not_be_made_is_a_sentence(
    run: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, verb: str
) -> None:
    def fail(self: Any, *rest: Any) -> Any:
        raise RangeError("the loop can not be built")

    monkeypatch.setattr(valvectl.Design, verb, fail)
    result = run(verb, "hover.toml")
    assert result.exit_code == 2
    assert result.stderr.strip() == "the loop can not be built"
    assert result.stdout == ""
