"""What the study of tank disturbances shows: row, report, figure, table and command line."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tank_rig import BLOW_DOWN, DROOP, FLIGHT, FULL, TRACE, Make, maker, rig_text
from typer.testing import CliRunner

from valvectl import cli
from valvectl.review.figures import disturbance_chart
from valvectl.review.report import render
from valvectl.review.report_groups import groups
from valvectl.review.requirements import BY_ID
from valvectl.review.verdict import Review
from valvectl.studies.disturbance_result import DisturbanceResult


@pytest.fixture(scope="module")
def designs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Make]:
    yield from maker(tmp_path_factory)


@pytest.fixture(scope="module")
def full(designs: Make) -> DisturbanceResult:
    return designs(FULL, "", FLIGHT, True).disturbance()


# --------------------------------------------------------------------------------------------- row and report


def test_row_met_and_missed(designs: Make) -> None:
    (met,) = BY_ID["mixture_ratio_disturbed"].rows(designs(TRACE).analysis)
    assert met.verdict == "met"
    assert met.limit == pytest.approx(5.0)
    assert met.limit_is_default
    assert met.unit == "%"
    assert met.value == pytest.approx(100.0 * abs(designs(TRACE).disturbance().together.worst))
    strict = designs(TRACE).with_values({"requirements.mixture_ratio_disturbed": 0.001})
    (missed,) = BY_ID["mixture_ratio_disturbed"].rows(strict.analysis)
    assert missed.verdict == "missed"
    assert "pressure trace" in missed.case
    assert "oxidizer -0." in missed.case


def test_report_section(
    designs: Make, full: DisturbanceResult, review: Review, review_with: Callable[..., Review]
) -> None:
    rows = (*review.rows, *BY_ID["mixture_ratio_disturbed"].rows(designs(FULL, "", FLIGHT, True).analysis))
    made = review_with(rows=rows, studies={"disturbance": full})
    (group,) = groups(made)
    assert group.title == "Tank disturbances"
    for table in group.tables:
        assert all(len(row) == len(table.head) for row in table.rows)
    text = render(made)
    section = text[text.index('id="q-disturbance"') :].split("</section>")[0]
    assert "<svg" in section
    assert not re.search(r"\b(nan|inf)\b", re.sub(r"<svg.*?</svg>", "", section, flags=re.DOTALL))
    assert "disturbance" not in [g.id for g in groups(review)]


# ----------------------------------------------------------------------------------------------------- figure


def test_figure_axes_and_labels(full: DisturbanceResult) -> None:
    """Two panels over one time, with units; a label a line; what is in the schedule is not drawn."""
    from matplotlib import pyplot as plt

    figure = disturbance_chart(full, limit=0.05)
    error, tank = figure.axes[:2]
    assert error.get_ylabel() == "O/F error [%]"
    assert tank.get_ylabel() == "tank [bar abs]"
    assert tank.get_xlabel() == "time [s]"
    assert error.get_xlim() == tank.get_xlim() == (0.0, 10.0)
    said = {text.get_text() for text in error.texts}
    assert {*full.declared, "all together"} <= said
    assert "droop (in the schedule)" not in said
    assert any("limit" in text for text in said)
    assert {"oxidizer", "fuel"} <= {text.get_text() for text in tank.texts}
    curves = [line for line in error.lines if len(line.get_xdata()) == full.time.size]
    assert len(curves) == len(full.declared) + 1
    whole = 100.0 * full.together.ratio_error
    assert any(np.array_equal(np.asarray(line.get_ydata()), whole) for line in curves)
    low, high = error.get_ylim()
    assert low < float(whole.min())
    assert high > float(whole.max())
    plt.close(figure)


def test_figure_of_a_run_that_ends_and_of_nothing(designs: Make) -> None:
    from matplotlib import pyplot as plt

    early = designs(BLOW_DOWN.replace("20 %", "5 %")).disturbance((1.0, 10.0))
    for result in (early, designs().disturbance()):
        figure = disturbance_chart(result)
        assert all(math.isfinite(x) for x in figure.axes[0].get_ylim())
        plt.close(figure)


def test_columns(full: DisturbanceResult) -> None:
    columns = full.columns()
    assert {len(values) for values in columns.values()} == {full.time.size}
    assert all(re.search(r"\[[^\]]+\]$", name) for name in columns)
    assert "oxidizer bottle [bar abs]" in columns
    assert "fuel bottle [bar abs]" not in columns
    assert columns["O/F error, lock-up [%]"] == pytest.approx(
        100.0 * next(c for c in full.cases if c.name == "lock-up").ratio_error
    )


# ----------------------------------------------------------------------------------------------- command line


@pytest.fixture
def verb(designs: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """The verb on a design file of its own in an empty folder, 80 columns wide."""
    assert designs().machine  # fills the cache
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")

    def call(*args: str, oxidizer: str = TRACE, tail: str = "") -> Any:
        (tmp_path / "rig.toml").write_text(rig_text(oxidizer, tail=tail, bare=DROOP), encoding="utf-8")
        return CliRunner().invoke(cli.app, ["disturbance", "rig.toml", *args])

    return call


def test_prints_every_table(verb: Callable[..., Any]) -> None:
    result = verb(oxidizer=FULL, tail=FLIGHT)
    assert result.exit_code == 0, result.output
    for text in ("O/F [%]", "all together", "droop (in", "bar abs", "Kv needed [m3/h]", "Trim at the worst moment"):
        assert text in result.stdout
    assert not re.search(r"\b(nan|inf)\b", result.stdout)
    assert max(len(line) for line in result.stdout.splitlines()) <= 80


def test_prints_that_nothing_is_declared(verb: Callable[..., Any]) -> None:
    result = verb(oxidizer="")
    assert result.exit_code == 0, result.output
    assert "declares no disturbance of its tanks" in " ".join(result.stdout.split())
    assert not re.search(r"\b(nan|inf)\b", result.stdout)


def test_json_has_no_nan(verb: Callable[..., Any]) -> None:
    result = verb("--json", "--burn", "3", "--at", "80")
    assert result.exit_code == 0, result.output
    assert "NaN" not in result.stdout
    content = json.loads(result.stdout)
    assert content["time"][-1] == 3.0
    assert set(content["throttle"]) == {0.8}
    assert content["declared"] == ["pressure trace"]
    assert content["tanks"]["fuel"]["residual"] is None


def test_csv_and_figure(verb: Callable[..., Any], tmp_path: Path) -> None:
    result = verb("--csv", "d.csv", "--figure", "d.svg", "--burn", "2")
    assert result.exit_code == 0, result.output
    table = list(csv.reader(io.StringIO((tmp_path / "d.csv").read_text(encoding="utf-8"))))
    assert table[0][:3] == ["time [s]", "throttle [%]", "O/F error, all together [%]"]
    assert all(len(row) == len(table[0]) for row in table)
    assert float(table[-1][0]) == 2.0
    assert (tmp_path / "d.svg").read_bytes().startswith(b"<?xml")


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (("--burn", "0"), "must last above 0"),
        (("--burn", "5", "--at", "20"), "throttle.minimum"),
        (("--figure", "x.gif"), "x.gif"),
    ],
)
def test_wrong_arguments(verb: Callable[..., Any], args: tuple[str, ...], message: str) -> None:
    result = verb(*args)
    assert result.exit_code == 2
    assert message in " ".join(result.output.split())


def test_bad_trace_on_the_command_line(verb: Callable[..., Any], tmp_path: Path) -> None:
    (tmp_path / "tank.csv").write_text("time [s], pressure [bar abs]\n0, 20\n0, 20\n", encoding="utf-8")
    result = verb(oxidizer='trace = { file = "tank.csv" }\n')
    assert result.exit_code == 2
    assert "tank.csv:3" in result.output
    assert "time must rise from row to row" in " ".join(result.output.split())
