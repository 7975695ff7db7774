"""The study of ports through the API and the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

import valvectl
from valvectl.cli import app

RIG = Path(__file__).resolve().parents[2] / "designs" / "hover-rig.toml"


@pytest.fixture(scope="module")
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


def test_own_port_is_the_schedule(rig: valvectl.Design) -> None:
    result = rig.ports("fuel")
    assert list(result.own.angle) == list(rig.analysis.schedule.angle["fuel"])
    assert result.reason
    assert rig.ports("fuel") is result  # worked out once


def test_fix_of_a_design_that_is_fine_changes_nothing(rig: valvectl.Design) -> None:
    for name in ("oxidizer", "fuel"):
        found = rig.resolution_fix(name)
        assert found.too_coarse == ()
        assert found.worst <= found.limit
        assert len(found.to_frame()) == len(found.fixes) >= 3


def test_command_prints_and_draws(tmp_path: Path) -> None:
    figure = tmp_path / "ports.svg"
    result = CliRunner().invoke(app, ["ports", str(RIG), "--leg", "oxidizer", "--figure", str(figure)])
    assert result.exit_code == 0, result.output
    assert "recommended" in result.output
    assert figure.read_text(encoding="utf-8").lstrip().startswith("<?xml")


def test_json_is_alone_and_strict() -> None:
    result = CliRunner().invoke(app, ["ports", str(RIG), "--leg", "fuel", "--json"])
    assert result.exit_code == 0
    content = json.loads(result.stdout, parse_constant=pytest.fail)
    assert content["leg"] == "fuel"
    assert content["candidates"]
