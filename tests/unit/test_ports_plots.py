"""Figures and files of the verb ``ports``: installed characteristic, both legs' choking on one chart, CSV."""

from __future__ import annotations

import csv
import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import valvectl
from valvectl.cli import app
from valvectl.design.schema import LEGS
from valvectl.review.figures import choking_chart, installed_chart

DESIGNS = Path(__file__).parents[2] / "designs"
RIG, STAND = DESIGNS / "hover-rig.toml", DESIGNS / "sprint-stand.toml"


@cache
def design(path: Path) -> valvectl.Design:
    return valvectl.load(path)


@pytest.mark.parametrize("path", [RIG, STAND], ids=lambda p: p.stem)
@pytest.mark.parametrize("leg", LEGS)
def test_installed_chart(path: Path, leg) -> None:
    result = design(path).ports(leg)
    figure = installed_chart(result)
    flow, gain = figure.axes
    for ax in (flow, gain):
        assert re.search(r"\[[^\]]+\]", ax.get_xlabel())
        assert re.search(r"\[[^\]]+\]", ax.get_ylabel())
    curves = [line for line in flow.get_lines() if line.get_xdata().size > 2]  # type: ignore[union-attr]
    assert len(curves) == len(result.installed)
    for line, curve in zip(curves, result.installed, strict=True):
        x, y = np.asarray(line.get_xdata()), np.asarray(line.get_ydata())
        port = next(c for c in result.candidates if c.label == curve.label)
        # Full flow passes at the angle of full throttle.
        assert np.interp(np.degrees(port.angle[-1]), x, y) == pytest.approx(100.0, rel=1e-9)
        assert curve.label in str(line.get_label())
    np.testing.assert_allclose(gain.get_lines()[0].get_ydata(), 100.0 * np.radians(result.own.gain))
    assert f"authority {result.need.authority[-1]:.2f}" in flow.get_title(loc="left")


def test_choking_chart_says_which_leg_straddles() -> None:
    fl = {"legs.oxidizer.valve.flow.fl": [0.75] * 18}
    changed = design(RIG).with_values(fl)
    title = choking_chart({name: changed.ports(name) for name in LEGS}).get_title(loc="left")
    assert title.endswith("oxidizer chokes over part of the range")
    plain = choking_chart({name: design(RIG).ports(name) for name in LEGS}).get_title(loc="left")
    assert plain == "Distance from choking, both legs"


def test_plots_of_the_verb(tmp_path: Path) -> None:
    for plot, names in (("choking", ["p.svg"]), ("installed", ["p-oxidizer.svg", "p-fuel.svg"])):
        folder = tmp_path / plot
        folder.mkdir()
        words = ["ports", str(RIG), "--figure", str(folder / "p.svg"), "--plot", plot]
        result = CliRunner().invoke(app, words)
        assert result.exit_code == 0, result.output
        assert sorted(p.name for p in folder.iterdir()) == sorted(names)
    # One leg asked for: the chart still has both, the text one.
    one = CliRunner().invoke(
        app, ["ports", str(RIG), "--leg", "fuel", "--figure", str(tmp_path / "q.svg"), "--plot", "choking"]
    )
    assert one.exit_code == 0
    svg = (tmp_path / "q.svg").read_text(encoding="utf-8")
    assert "oxidizer, as designed" in svg
    assert "fuel, as designed" in svg
    assert "Ports, fuel leg" in one.output
    assert "Ports, oxidizer leg" not in one.output


def test_no_line_of_the_tables_is_broken() -> None:
    for path in (RIG, STAND):
        output = CliRunner().invoke(app, ["ports", str(path)]).output
        assert all(len(line) <= 80 for line in output.splitlines())
        assert re.search(r"keep |take ", output)
        head = next(line for line in output.splitlines() if "angles [deg]" in line)
        assert head.split()[-2:] == ["miss", "flag"]
        assert "Kv:" in output


def test_table_as_a_file(tmp_path: Path) -> None:
    place = tmp_path / "ports.csv"
    assert CliRunner().invoke(app, ["ports", str(RIG), "--leg", "fuel", "--csv", str(place)]).exit_code == 0
    with place.open(encoding="utf-8") as stream:
        lines = list(csv.DictReader(stream))
    assert len(lines) == len(design(RIG).ports("fuel").candidates)
    assert float(lines[0]["lowest FR"]) == 1.0
    assert float(lines[0]["lowest valve Reynolds number"]) > 1e5
