"""``explain`` for every key, and ``--set``: what it takes, what it refuses, that it changes what it says."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

import valvectl
from valvectl import cli
from valvectl.design.changes import read_changes
from valvectl.design.keys import ROOT, Spec, describe
from valvectl.design.where import acts_in
from valvectl.errors import DesignError

EXAMPLE = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
RUN = CliRunner()


def leaves(spec: Spec = ROOT, at: str = "") -> list[str]:
    """Every key of the schema that is no table."""
    out = []
    for name, child in spec.children.items():
        key = f"{at}.{name}" if at else name
        out += leaves(child, key) if child.children else [key]
    return out


def test_every_key_is_explained_with_where_it_acts() -> None:
    keys = leaves()
    assert len(keys) > 250
    silent = [key for key in keys if not acts_in(key) or not describe(key).meaning]
    assert silent == []


def test_explain_prints_unit_range_default() -> None:
    done = RUN.invoke(cli.app, ["explain", "legs.fuel.controller.hold_band"])
    assert done.exit_code == 0
    for word in ("deg", "0 deg", "resolution", "default", "acts in"):
        assert word in done.output
    table = RUN.invoke(cli.app, ["explain", "legs.fuel.tank"])
    assert "pressure" in table.output
    assert "(required)" in table.output
    content = json.loads(RUN.invoke(cli.app, ["explain", "engine.thrust", "--json"]).output)
    assert content["unit"] == "N"
    assert content["acts_in"]
    assert "legs" in RUN.invoke(cli.app, ["explain"]).output


def test_explain_of_a_misspelt_key_names_the_nearest() -> None:
    done = RUN.invoke(cli.app, ["explain", "engine.thrast"])
    assert done.exit_code == 2
    assert "thrust" in done.output


@pytest.mark.parametrize(
    ("text", "key", "value"),
    [
        ("engine.thrust=2.2 kN", "engine.thrust", 2200.0),
        ('engine.thrust = "2.2 kN"', "engine.thrust", 2200.0),
        ("engine.mixture_ratio=1.3", "engine.mixture_ratio", 1.3),
        ("throttle.minimum=35 %", "throttle.minimum", 0.35),
        ("legs.fuel.tank.pressure=21 bar gauge", "legs.fuel.tank.pressure", 22.0e5),
        ("legs.fuel.injector.hole_count=28", "legs.fuel.injector.hole_count", 28),
        ("legs.fuel.valve.reducers=true", "legs.fuel.valve.reducers", True),
        ("legs.fuel.actuator.dead_drive=shorted", "legs.fuel.actuator.dead_drive", "shorted"),
        ("legs.fuel.actuator.gears[1].ratio=2.5", "legs.fuel.actuator.gears[1].ratio", 2.5),
        ("legs.fuel.valve.flow.kv[3]=0.07", "legs.fuel.valve.flow.kv[3]", 0.07),
    ],
)
def test_values_are_read_as_in_the_file(text: str, key: str, value: object) -> None:
    (found,) = read_changes([text], ambient=1.0e5).items()
    assert found[0] == key
    assert found[1] == (pytest.approx(value) if isinstance(value, float) else value)
    valvectl.load(EXAMPLE).with_values(dict([found]))


def test_a_list_is_a_toml_list() -> None:
    (value,) = read_changes(['legs.fuel.valve.torque.angle=["0 deg", "90 deg"]']).values()
    assert value == pytest.approx([0.0, 1.5707963], abs=1e-6)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("engine.thrust", "key=value"),
        ("engine.thrust=", "key=value"),
        ("engine.thrast=2 kN", "did you mean"),
        ("engine.thrust=2000", "bare number"),
        ("engine.thrust=2 bar", "not a unit of force"),
        ("legs.fuel.injector.hole_count=many", "whole number"),
        ("legs.fuel.valve.reducers=perhaps", "true or false"),
        ("legs.fuel.valve.flow.kv=0.1", "a list"),
        ("legs.fuel.tank.pressure=21 bar", "absolute or gauge"),
        ("legs.fuel.valve.flow.kv=[0.1, ", "a list"),
    ],
)
def test_what_is_refused(text: str, message: str) -> None:
    with pytest.raises(DesignError, match=message):
        read_changes([text])


def test_all_faults_at_once() -> None:
    with pytest.raises(DesignError) as caught:
        read_changes(["engine.thrust=2000", "engine.thrast=2 kN"])
    assert len(caught.value.faults) == 2


def test_the_verbs_take_it() -> None:
    plain = json.loads(RUN.invoke(cli.app, ["resolution", str(EXAMPLE), "--leg", "fuel", "--json"]).stdout)
    arguments = ["--set", "legs.fuel.valve.slot_clearance=0.1 deg", "--leg", "fuel", "--json"]
    moved = RUN.invoke(cli.app, ["resolution", str(EXAMPLE), *arguments])
    assert moved.exit_code == 0
    assert "changed for this run: legs.fuel.valve.slot_clearance" in moved.stderr
    double = json.loads(moved.stdout)["legs"]["fuel"]["smallest_step"][0]
    assert double == pytest.approx(2.0 * plain["legs"]["fuel"]["smallest_step"][0])
    bad = RUN.invoke(
        cli.app, ["stability", str(EXAMPLE), "--set", "engine.thrust=2 lbf", "--set", "engine.thrust=9 kN"]
    )
    assert bad.exit_code == 2
    outside = RUN.invoke(cli.app, ["ratio", str(EXAMPLE), "--set", "legs.fuel.tank.pressure=3 bar abs"])
    assert outside.exit_code == 2
    assert "must be above engine.chamber_pressure" in outside.output


@pytest.mark.parametrize(
    "key",
    [
        "",
        "name",
        "legs.fuel.liquid",
        "legs.fuel.controller.hold_band",
        "requirements.stroke_time",
        "stroke_time",
        "legs.oxidizer.actuator.gears",
        "legs.fuel.tank.ullage.collapse.share",
    ],
)
@pytest.mark.parametrize("columns", [40, 80])
def test_every_sort_of_key_has_one_layout(key: str, columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A line that begins a subject, names from column 3 on, what is said of them in one column."""
    monkeypatch.setenv("COLUMNS", str(columns))
    done = RUN.invoke(cli.app, ["explain", *([key] if key else [])])
    assert done.exit_code == 0
    at = min(24, columns // 3) + 2
    first, *rest = done.output.rstrip("\n").split("\n")
    if key:
        assert first.endswith(key)
    for line in rest:
        assert len(line) <= columns
        name, told = line[:at], line[at:]
        if line == "its keys":
            continue
        alone = line.startswith("  ") and " " not in line.strip()  # a long name, what is said of it below
        assert alone or (name.startswith("  ") and name.endswith(" ") and told and not told.startswith(" ")), line
