"""The study of tank disturbances: what counts as declared, its parts, trim and pressurant, and its way to the reader."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import valvectl
from valvectl import cli
from valvectl.design.load import read_design
from valvectl.design.schema import LEGS
from valvectl.errors import DesignError, RangeError
from valvectl.plant.balance import balance
from valvectl.review.check import warnings_of
from valvectl.review.figures import disturbance_chart, svg_text
from valvectl.review.find_tank import NOT_DECLARED
from valvectl.review.report_disturbance import case_rows, disturbance_group, gas_rows, tank_rows, trim_rows
from valvectl.review.requirements import BY_ID
from valvectl.studies import disturbance as study
from valvectl.studies.analysis import Analysis
from valvectl.studies.disturbance import TankWork, burn_profile, disturbance

DESIGNS = Path(__file__).parents[2] / "designs"
runner = CliRunner()
ULLAGE = 'volume = "9 L"\nshare = "20 %"\ngas = "nitrogen"\ngas_temperature = "285 K"\n'
FLIGHT = '\n[flight]\nload_factor = [{ time = "0 s", load_factor = 1 }, { time = "3 s", load_factor = 5 }]\n'
BOTTLE = 'volume = "3 L"\npressure = "150 bar abs"\ntemperature = "285 K"\n'


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[valvectl.Design]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("VALVECTL_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield valvectl.load(DESIGNS / "hover-rig.toml")


@pytest.fixture(scope="module")
def bare(rig: valvectl.Design, tmp_path_factory: pytest.TempPathFactory) -> valvectl.Design:
    """The example without anything that disturbs its tanks, from a file."""
    return valvectl.load(written(tmp_path_factory.mktemp("bare")))


def written(folder: Path, oxidizer: str = "", fuel: str = "", more: str = "") -> Path:
    """The example with tank keys of its own in place of those that it declares."""
    text = (DESIGNS / "hover-rig.toml").read_text(encoding="utf-8")
    text = re.sub(r"\[legs\.\w+\.tank\.\w+\].*?(?=\n\[)", "", text, flags=re.S)
    text = re.sub(r"\[flight\].*?(?=\n\[)", "", text, flags=re.S)
    for leg, own in (("oxidizer", oxidizer), ("fuel", fuel)):
        head = re.search(rf"\[legs\.{leg}\.tank\]\n(.*?)(?=\n\[)", text, flags=re.S)
        assert head is not None
        kept = [line for line in head[1].splitlines() if re.match(r"(pressure|height|load_factor)\b", line)]
        if "droop" not in own and "supply" not in own and "trace" not in own:
            kept.append('droop = "0.3 bar"')
        text = text.replace(head[0], f"[legs.{leg}.tank]\n" + "\n".join(kept) + f"\n{own}")
    shutil.copytree(DESIGNS / "parts", folder / "parts")
    path = folder / "engine.toml"
    path.write_text(text + more, encoding="utf-8")
    return path


def table(leg: str, name: str, body: str) -> str:
    return f"[legs.{leg}.tank.{name}]\n{body}"


def of(design: valvectl.Design, *profile: tuple[float, float]) -> Any:
    corners = profile or ((0.0, 1.0), (3.0, 1.0))
    return disturbance(TankWork(design, design.machine, design.analysis.schedule, corners))


# ------------------------------------------------------------------------------------------------------ nothing declared


def test_nothing_declared_is_no_error_and_no_row(bare: valvectl.Design) -> None:
    result = bare.disturbance()
    assert result.declared == ()
    assert np.abs(result.together.ratio_error).max() <= 1e-15  # the last digit of a quotient, on some processors
    assert [case.name for case in result.cases] == [study.DROOP]
    for leg in LEGS:
        assert result.tanks[leg].supply == "held"
        assert np.array_equal(result.pressure[leg], result.undisturbed[leg])
        assert any(text.startswith(f"{leg} tank: pressure held by the regulator") for text in result.assumptions)
    assert any("acceleration is not assessed" in text for text in result.assumptions)
    assert BY_ID["mixture_ratio_disturbed"].rows(bare.analysis) == []
    assert NOT_DECLARED in warnings_of(bare.analysis, None)


def test_droop_is_in_the_schedule(bare: valvectl.Design) -> None:
    """It shows what an engine without it would have, and is no part of all together."""
    (case,) = bare.disturbance().cases
    assert case.in_schedule
    machine = bare.machine
    stiff = machine
    for leg in LEGS:
        stiff = stiff.with_leg(leg, tank_droop=0.0)
    point = bare.analysis.schedule.points[-1]
    angles = [point.legs[leg].angle for leg in LEGS]
    expected = point.mixture_ratio / balance(stiff, *angles).mixture_ratio - 1.0
    assert case.worst == pytest.approx(expected, rel=1e-6)
    assert case.throttle == 1.0
    assert case.common == pytest.approx(case.worst, rel=0.05)  # the same droop on both tanks


# ------------------------------------------------------------------------------------------------------ what is declared


def test_the_example_declares_and_meets(rig: valvectl.Design) -> None:
    result = rig.disturbance()
    assert len(result.declared) >= 3
    assert result.together.ended == ""
    (row,) = BY_ID["mixture_ratio_disturbed"].rows(rig.analysis)
    assert row.verdict == "met"
    assert row.value == pytest.approx(100.0 * abs(result.together.worst))
    assert row.unit == "%"
    assert NOT_DECLARED not in warnings_of(rig.analysis, None)
    assert rig.disturbance() is result is rig.analysis.disturbance


def test_parts_of_an_error_add_up(rig: valvectl.Design) -> None:
    result = rig.disturbance()
    for case in (*result.cases, result.together):
        assert case.common + case.difference == pytest.approx(case.worst, abs=1e-12)
        if not case.in_schedule:
            j = int(np.nanargmax(np.abs(case.ratio_error)))
            assert case.worst == case.ratio_error[j]
            assert case.time == result.time[j]
            assert sum(case.from_leg.values()) == pytest.approx(case.worst, abs=2e-3 + 0.1 * abs(case.worst))


def test_small_disturbances_add(rig: valvectl.Design) -> None:
    """Each alone and all together: the sum is the whole, but for what little is not linear."""
    result = rig.disturbance()
    total = sum(case.ratio_error for case in result.cases if not case.in_schedule)
    assert np.abs(total - result.together.ratio_error).max() < 3e-3


def test_both_tanks_alike_cancel(bare: valvectl.Design, tmp_path: Path) -> None:
    """A load factor on two tanks of like head hits both: what is common costs less than what is not."""
    both = valvectl.load(written(tmp_path, more=FLIGHT))
    result = of(both)
    (case,) = [c for c in result.cases if c.name == study.LOAD]
    assert case.legs == LEGS
    assert abs(case.common) < 0.2 * abs(case.worst)  # the heads are unlike: what is left is their difference
    assert abs(case.worst) < 0.7 * max(abs(part) for part in case.from_leg.values())
    rise = both.machine.legs["oxidizer"].liquid.density * 9.80665 * 4.0 * 0.6
    moved = float(both.analysis.tank_work.machine.legs["oxidizer"].head) + rise
    work = TankWork(both, both.machine, both.analysis.schedule, ((0.0, 1.0), (3.0, 1.0)))
    assert float(work.together.tanks["oxidizer"].head[-1]) == pytest.approx(moved, rel=1e-9)


def test_a_trace_is_what_the_tank_does(tmp_path: Path) -> None:
    (tmp_path / "tank.csv").write_text("time [s],pressure [bar abs]\n0,20.3\n1,20.3\n2,20.8\n3,20.8\n")
    design = valvectl.load(written(tmp_path, 'droop = "0.3 bar"\ntrace = { file = "tank.csv" }\n'))
    result = of(design)
    assert result.declared == (study.TRACE,)
    at = [int(np.argmin(np.abs(result.time - t))) for t in (0.5, 1.5, 3.0)]
    assert result.pressure["oxidizer"][at] == pytest.approx([20.3e5, 20.55e5, 20.8e5], rel=1e-4)
    # at full throttle the regulated pressure less droop is 20.3 bar: no error there, and the droop comes in once
    assert abs(float(result.together.ratio_error[at[0]])) < 1e-4
    assert float(result.together.ratio_error[at[2]]) > 0.03
    assert result.gas == {}
    short = of(design, (0.0, 1.0), (5.0, 1.0))
    assert any("trace covers 0 to 3 s of 0 to 5 s" in text for text in short.cautions)
    # a design with a trace goes on through everything that changes designs
    assert design.with_values({"engine.mixture_ratio": 1.22}).legs.oxidizer.tank.trace is not None


def test_blow_down_falls_and_its_trim_opens(tmp_path: Path) -> None:
    large = ULLAGE.replace("9 L", "40 L")
    both = {leg: f'supply = "blow-down"\n{table(leg, "ullage", large)}' for leg in LEGS}
    design = valvectl.load(written(tmp_path, both["oxidizer"], both["fuel"]))
    result = of(design, (0.0, 0.6), (4.0, 0.6))
    assert result.declared == (study.BLOW_DOWN,)
    for leg in LEGS:
        assert np.all(np.diff(result.pressure[leg]) < 0.0)
        assert result.trims[leg].change > 0.0
        assert math.isnan(result.gas[leg].collapse_factor)
        assert result.gas[leg].drawn == 0.0
    assert result.together.thrust < -0.05
    assert "both valves have the travel" in result.trim_note
    # the trim does hold thrust and O/F
    work = TankWork(design, design.machine, design.analysis.schedule, ((0.0, 0.6), (4.0, 0.6)))
    j = work.together.worst
    point = balance(work.together.machines[j], *(result.trims[leg].needed for leg in LEGS))
    assert point.mixture_ratio == pytest.approx(work.grid.points[j].mixture_ratio, rel=1e-6)
    assert point.throttle == pytest.approx(0.6, rel=1e-6)


def test_a_trim_beyond_the_travel_says_so(tmp_path: Path) -> None:
    text = 'supply = "blow-down"\n' + table("fuel", "ullage", ULLAGE.replace("20 %", "9 %"))
    design = valvectl.load(written(tmp_path, fuel=text))
    result = of(design, (0.0, 1.0), (4.0, 1.0))
    assert result.trim_note.startswith("no angles hold thrust and O/F")
    assert all(math.isnan(trim.needed) for trim in result.trims.values())
    assert trim_rows(result)[0][2] == "none"


def test_collapse_alone_in_a_blow_down(tmp_path: Path) -> None:
    """Looked at by itself it is Gay-Lussac's ratio from its time on, whatever leaves meanwhile."""
    text = 'supply = "blow-down"\n' + table(
        "oxidizer", "ullage", ULLAGE + 'collapse = { share = "10 %", time = "1 s" }\n'
    )
    design = valvectl.load(written(tmp_path, text))
    work = TankWork(design, design.machine, design.analysis.schedule, ((0.0, 0.6), (3.0, 0.6)))
    alone = work.run(study.COLLAPSE)
    kept = 1.0 - 0.1 * (285.0 - 88.0) / 285.0
    pressure = alone.tanks["oxidizer"].pressure
    assert pressure[alone.time < 1.0] == pytest.approx(20.6e5)
    assert pressure[alone.time >= 1.0] == pytest.approx(20.6e5 * kept)


def test_electronic_regulator(tmp_path: Path) -> None:
    valve = 'kv = 0.06\nxt = 0.6\nkind = "on-off"\nsample_period = "10 ms"\ndelay = "15 ms"\ndead_band = "0.2 bar"\n'
    text = 'supply = "electronic"\n' + "".join(
        table("oxidizer", name, body) for name, body in (("ullage", ULLAGE), ("bottle", BOTTLE), ("gas_valve", valve))
    )
    design = valvectl.load(written(tmp_path, text))
    result = of(design)
    assert result.declared == (study.SWITCHED,)
    end = result.tanks["oxidizer"]
    assert end.supply == "electronic"
    assert end.lowest < 20.5e5 < 20.7e5 < end.highest
    gas = result.gas["oxidizer"]
    assert 0.0 < gas.kv_needed < gas.kv_given == 0.06
    small = design.with_values({"legs.oxidizer.tank.gas_valve.kv": 0.005})
    found = of(small)
    assert any("oxidizer gas valve is too small" in text for text in found.cautions)
    assert found.tanks["oxidizer"].final < 20e5


def test_a_burn_in_place_of_the_profile(rig: valvectl.Design) -> None:
    result = rig.disturbance((0.6, 5.0))
    assert float(result.time[-1]) == 5.0
    assert np.all(result.throttle == 0.6)
    assert burn_profile(0.6, 5.0, 0.4) == ((0.0, 0.6), (5.0, 0.6))
    for throttle, time in ((0.2, 5.0), (1.2, 5.0), (0.6, 0.0), (0.6, 1e4), (math.nan, 5.0), (0.6, math.nan)):
        with pytest.raises(RangeError, match="a burn"):
            rig.disturbance((throttle, time))


def test_a_run_that_ends_early_is_missed(rig: valvectl.Design) -> None:
    small = rig.with_values({"legs.fuel.tank.ullage.volume": "3 L"})
    analysis = Analysis(small)
    (row,) = BY_ID["mixture_ratio_disturbed"].rows(analysis)
    assert row.verdict == "missed"
    assert "the fuel tank is empty" in row.case
    result = analysis.disturbance
    assert np.isnan(result.together.ratio_error[-1])
    assert any("the fuel tank is empty" in text for text in result.cautions)
    json.dumps(result.to_dict(), allow_nan=False)
    assert svg_text(disturbance_chart(result, limit=0.05), "d")


# --------------------------------------------------------------------------------------------- rules of the design file


@pytest.mark.parametrize(
    ("oxidizer", "key", "message"),
    [
        ('supply = "blow-down"\ndroop = "0.1 bar"\n' + table("oxidizer", "ullage", ULLAGE), "droop", "spring-loaded"),
        (
            'supply = "blow-down"\nresponse_time = "1 s"\n' + table("oxidizer", "ullage", ULLAGE),
            "response_time",
            "no effect",
        ),
        ('supply = "electronic"\n', "supply", "needs the table ullage"),
        ('supply = "electronic"\n' + table("oxidizer", "ullage", ULLAGE), "supply", "needs the table bottle"),
        (table("oxidizer", "bottle", BOTTLE), "bottle", "needs the table ullage"),
        (
            table("oxidizer", "ullage", ULLAGE) + table("oxidizer", "gas_valve", "kv = 1\nxt = 0.6\n"),
            "gas_valve",
            "bottle",
        ),
        ('lock_up = "0.2 bar"\n', "lock_up", "needs response_time or the table ullage"),
        ('response_time = "0 s"\n', "response_time", "must be above 0 ms"),
        ('warming = "20 K/s"\n', "warming", "must be at most 10 K/s"),
        ('warming = "0.1 K"\n', "warming", "is not a unit of rate of temperature"),
        (table("oxidizer", "ullage", ULLAGE.replace("285", "30")), "ullage.gas_temperature", "must lie between"),
        (table("oxidizer", "ullage", ULLAGE.replace('"nitrogen"', '"air"')), "ullage.gas", 'one of "nitrogen"'),
        (table("oxidizer", "ullage", ULLAGE.replace("20 %", "100 %")), "ullage.share", "must be below 100 %"),
        (
            table("oxidizer", "ullage", ULLAGE.replace("285", "60") + 'collapse = { share = 0.1, time = "1 s" }\n'),
            "ullage.collapse",
            "no warmer than the liquid",
        ),
        (
            table("oxidizer", "ullage", ULLAGE)
            + table("oxidizer", "bottle", BOTTLE)
            + table("oxidizer", "gas_valve", 'kv = 1\nxt = 0.6\nkind = "on-off"\n'),
            "gas_valve.kind",
            "belongs to an electronic regulator",
        ),
    ],
)
def test_what_has_no_effect_or_is_missing_is_told(tmp_path: Path, oxidizer: str, key: str, message: str) -> None:
    with pytest.raises(DesignError) as caught:
        read_design(written(tmp_path, oxidizer))
    (fault,) = caught.value.faults
    assert fault.key == f"legs.oxidizer.tank.{key}"
    assert message in fault.message


def test_all_keys_without_effect_are_told_at_once(tmp_path: Path) -> None:
    text = 'supply = "blow-down"\nlock_up = "0.1 bar"\nresponse_time = "1 s"\n' + table("oxidizer", "ullage", ULLAGE)
    with pytest.raises(DesignError) as caught:
        read_design(written(tmp_path, text + table("oxidizer", "bottle", BOTTLE)))
    assert [f.key.rsplit(".", 1)[1] for f in caught.value.faults] == ["lock_up", "response_time", "bottle"]


def test_a_load_factor_without_head_is_refused(tmp_path: Path) -> None:
    path = written(tmp_path, more=FLIGHT)
    path.write_text(re.sub(r"\nheight = .*", "", path.read_text(encoding="utf-8")), encoding="utf-8")
    with pytest.raises(DesignError, match="has no effect while height of both tanks is 0"):
        read_design(path)


# --------------------------------------------------------------------------------------------- report and command line


def test_rows_and_report_group(rig: valvectl.Design, review_with: Callable[..., Any]) -> None:
    result = rig.disturbance()
    group = disturbance_group(review_with(studies={"disturbance": result}), result)
    assert group.id == "disturbance"
    assert [len(t.rows) for t in group.tables[:2]] == [len(case_rows(result)), 2]
    for made in group.tables:
        assert all(len(row) == len(made.head) for row in made.rows)
        assert "nan" not in " ".join(" ".join(row) for row in made.rows)
    assert len(gas_rows(result)) == len(result.gas)
    assert len(tank_rows(result)) == 2


def test_figure_names_every_curve(rig: valvectl.Design) -> None:
    result = rig.disturbance()
    svg = svg_text(disturbance_chart(result, limit=0.05), "d", "x")
    for name in (*result.declared, "all together", "oxidizer", "fuel"):
        assert name in svg
    tight = svg_text(disturbance_chart(result, limit=abs(result.together.worst)), "d", "x")
    assert tight != svg


@pytest.fixture
def command(rig: valvectl.Design, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("valvectl.api.load", lambda path: rig)
    return lambda *args: runner.invoke(cli.app, ["disturbance", "x.toml", *args])


def test_command_line(command: Callable[..., Any], rig: valvectl.Design, tmp_path: Path) -> None:
    said = command("--csv", "d.csv", "--figure", "d.svg")
    assert said.exit_code == 0, said.output
    for name in rig.disturbance().declared:
        assert name.split()[0] in said.output
    assert "nan" not in said.output
    assert all(len(line) <= 80 for line in said.stdout.splitlines())
    rows = list(csv.reader(io.StringIO((tmp_path / "d.csv").read_text())))
    assert rows[0][:3] == ["time [s]", "throttle [%]", "O/F error, all together [%]"]
    assert len(rows) == rig.disturbance().time.size + 1
    assert (tmp_path / "d.svg").read_text().startswith("<?xml")


def test_command_line_json_and_burn(command: Callable[..., Any]) -> None:
    said = command("--json", "--burn", "4", "--at", "60")
    assert said.exit_code == 0, said.output
    content = json.loads(said.stdout)
    assert content["time"][-1] == 4.0
    assert set(content["throttle"]) == {0.6}
    assert content["together"]["name"] == "all together"
    assert command("--burn", "-1").exit_code == 2
    assert command("--burn", "4", "--at", "0.6").exit_code == 2
    assert command("--figure", "d.doc").exit_code == 2
