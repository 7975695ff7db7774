"""Broken designs whose fault only shows in the physics, and what the command line does with any broken file."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

import valvectl
from valvectl.cli import app

HERE = Path(__file__).parent
LATE = sorted(HERE.glob("late-*.toml"))
BROKEN = sorted(p for p in HERE.iterdir() if re.match(r"[0-9]{2}-|late-", p.name))


@pytest.mark.parametrize("path", LATE, ids=lambda p: p.stem)
def test_the_fault_is_named_with_its_station(path: Path) -> None:
    wanted = re.search(r"# expect: (.*)", path.read_text(encoding="utf-8"))
    assert wanted is not None
    with pytest.raises(valvectl.DesignError) as caught:
        valvectl.load(path)
    assert any(wanted.group(1) in fault.message for fault in caught.value.faults)
    assert all(fault.file for fault in caught.value.faults)


def test_thrust_and_throat_that_contradict_each_other(tmp_path: Path) -> None:
    text = (HERE.parents[1] / "designs" / "hover-rig.toml").read_text(encoding="utf-8")
    path = tmp_path / "throat.toml"
    path.write_text(text.replace('value = "36.5 mm"', 'value = "20 mm"'), encoding="utf-8")
    with pytest.raises(valvectl.DesignError) as caught:
        valvectl.load(path)
    (fault,) = caught.value.faults
    assert fault.key == "engine.throat_diameter"
    assert "contradict" in fault.message


def test_a_liquid_that_boils(tmp_path: Path) -> None:
    text = (HERE.parents[1] / "designs" / "hover-rig.toml").read_text(encoding="utf-8")
    path = tmp_path / "boils.toml"
    path.write_text(text.replace('value = "88 K"', 'value = "150 K"'), encoding="utf-8")
    with pytest.raises(valvectl.DesignError) as caught:
        valvectl.load(path)
    assert [fault.key for fault in caught.value.faults] == ["legs.oxidizer.liquid"]


@pytest.mark.parametrize("path", BROKEN, ids=lambda p: p.stem)
def test_check_exits_with_2_and_writes_nothing(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(app, ["check", str(path)])
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert not list(tmp_path.iterdir())
