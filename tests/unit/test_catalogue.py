"""Catalogue files and the search: every fault at once, filters, front, reasons, the verb."""

from __future__ import annotations

import json
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import valvectl
from valvectl.cli import app
from valvectl.design.catalogue_file import DEMO, read_gears, read_motors
from valvectl.errors import DesignError, ValvectlError
from valvectl.review import figures
from valvectl.studies.catalogue import CatalogueResult, Filters

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
HEAD = "name,kind,torque_constant [mN m/A],ampere_is,resistance [ohm],inductance [mH],peak_current [A],rotor_inertia [g cm2],max_speed [rpm],winding_limit [degC],thermal_resistance [K/W],mass [kg]"  # noqa: E501
GOOD = "a,brushless,38,direct,0.6,0.6,10,80,5000,125,4.5,0.4"
GEARS = "name,kind,ratio,efficiency,static_efficiency,lost_motion [deg],stiffness [N m/rad],inertia [g cm2],peak_torque [N m],max_input_speed [rpm],mass [kg]"  # noqa: E501


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


@cache
def searched() -> CatalogueResult:
    return rig().catalogue("oxidizer")


def written(path: Path, *lines: str) -> Path:
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


# ------------------------------------------------------------------------------------------------------ the files


def test_the_demonstration_is_large_enough_and_says_that_it_is_invented():
    motors, gears = read_motors(), read_gears()
    assert len(motors) >= 40
    assert len(gears) >= 40
    assert {m.kind for m in motors} == {"brushed", "brushless", "stepper"}
    for name in ("motors.csv", "gears.csv"):
        assert "INVENTED" in (DEMO / name).read_text(encoding="utf-8").splitlines()[0]
    assert DEMO.parent == Path(valvectl.__file__).parent  # inside the package, so that the wheel has it


def test_all_faults_of_a_file_at_once_with_line_column_and_what_is_allowed(tmp_path):
    path = written(
        tmp_path / "m.csv",
        "# a remark",
        HEAD,
        GOOD,
        "b,brushless,38,direct,nought,0.6,10,80,5000,125,4.5,0.4",
        "c,brushless,38,phase,0.6,0.6,10,80,5000,125,4.5,0.4",
        "d,brushless,38,,0.6,0.6,10,80,5000,125,4.5,0.4",
        "e,turbine,38,direct,0.6,0.6,10,80,5000,125,4.5,-1",
        "a,brushless,38,direct,0.6,0.6,10,80,5000,125,4.5,0.4",
        "f,brushless,38",
        "g,brushless,38,direct,nan,0.6,10,80,5000,125,4.5,0.4",
    )
    with pytest.raises(DesignError) as caught:
        read_motors(path)
    said = {(f.line, f.key): f for f in caught.value.faults}
    assert said[4, "resistance"].message == "must be a number"
    assert said[4, "resistance"].got == "nought"
    assert "phase peak, phase RMS, direct, block" in said[5, "ampere_is"].message
    assert "must say what its ampere is" in said[6, "ampere_is"].message
    assert "brushed, brushless, stepper" in said[7, "kind"].message
    assert "must be 0.0001 to 100 kg" in said[7, "mass"].message
    assert "the same name as in line 3" in said[8, "name"].message
    assert "needs 12 cells" in said[9, ""].message
    assert (10, "resistance") in said
    assert all(f.file == str(path) for f in caught.value.faults)


def test_head_with_wrong_unit_unknown_and_missing_column(tmp_path):
    head = HEAD.replace("[ohm]", "[V]").replace("mass [kg]", "weight [kg]")
    with pytest.raises(DesignError) as caught:
        read_motors(written(tmp_path / "m.csv", head, GOOD))
    said = {f.key: f for f in caught.value.faults}
    assert said["resistance"].message == "unit must be one of ohm, mohm"
    assert said["resistance"].got == "V"
    assert said["weight"].message.startswith("is no column; columns are name, kind")
    assert said["mass"].message == "column is missing"


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "holds no rows"),
        (b"\xff\xfe\x00", "is not UTF-8 text"),
        (b'name,kind\n"a,b\nc', "is no comma-separated table"),
    ],
)
def test_files_that_are_no_tables(content, message, tmp_path):
    path = tmp_path / "m.csv"
    path.write_bytes(content)
    with pytest.raises(DesignError, match=message):
        read_motors(path)
    with pytest.raises(DesignError, match="can not be read"):
        read_motors(tmp_path / "missing.csv")


def test_static_above_running_efficiency_of_a_gear(tmp_path):
    with pytest.raises(DesignError, match="must not be above efficiency"):
        read_gears(written(tmp_path / "g.csv", GEARS, "g,planetary,16,0.7,0.8,0.2,500,5,10,6000,0.4"))


def test_constant_given_twice_or_stepper_with_one(tmp_path):
    head = HEAD + ",speed_constant [rpm/V],volt_is,teeth,holding_torque [N m]"
    path = written(
        tmp_path / "m.csv", head, GOOD + ",190,line peak,,", GOOD.replace("a,brushless", "s,stepper") + ",,,50,"
    )
    with pytest.raises(DesignError) as caught:
        read_motors(path)
    said = {(f.line, f.key): f.message for f in caught.value.faults}
    assert said[2, "speed_constant"] == "give one of speed_constant and torque_constant"
    assert said[3, "holding_torque"] == "a stepper needs it"
    assert "leave this empty" in said[3, "torque_constant"]


# ------------------------------------------------------------------------------------------------------ the search


def test_the_design_s_own_actuator_out_of_a_catalogue_has_its_own_margin(tmp_path):
    """The rig's motor and gearbox as a catalogue: margin, stroke and speed reserve are those of the ratio study."""
    head = HEAD + ",no_load_current [A],tolerance [%]"
    row = "own,brushless,38,direct,0.6,0.6,10,80,5000,124.85,4.5,0.4,0.10526315789,8"
    motors = written(tmp_path / "m.csv", head, row)
    gears = written(tmp_path / "g.csv", GEARS, "box,planetary,20,0.85,0.72,0.13333333333,2500,10,12,50000,0.5")
    found = rig().catalogue("oxidizer", motors, gears)
    assert not found.invented
    assert list(found.ratio) == [60.0]
    # no catalogue states the viscous friction that the rig has
    ratio = rig().with_values({"legs.oxidizer.actuator.motor.viscous_friction": 0.0}).ratio("oxidizer")
    for check in found.checks:
        if check.name != "gear speed":
            other = next(c for c in ratio.checks if c.name == check.name)
            expected = float(np.interp(60.0, ratio.ratio, other.values))
            assert float(check.values[0]) == pytest.approx(expected, rel=1e-3), check.name


def test_front_holds_and_nothing_that_holds_beats_it():
    r = searched()
    assert r.front
    assert len(r.motor) == len(read_motors()) * len(read_gears())
    for index in r.front:
        assert r.holds[index]
        assert r.why(index) == ""
    costs = np.stack([-r.margin, r.time, r.mass, r.current, r.cost], axis=1)
    for index in r.front:
        better = np.all(costs <= costs[index], axis=1) & np.any(costs < costs[index], axis=1) & np.asarray(r.holds)
        # What beats it does so by less than the grain of the comparison.
        assert np.all(np.abs(costs[better] - costs[index]) <= 0.0101)
    assert list(r.score) == sorted(r.score)


def test_reasons_are_counted_and_near_misses_fail_one_check_alone():
    r = searched()
    fails = np.stack([~c.ok & ~np.isnan(c.values) for c in r.checks])
    assert r.rejected == {c.name: int(f.sum()) for c, f in zip(r.checks, fails, strict=True)}
    assert np.array_equal(fails.any(axis=0), ~np.asarray(r.holds, dtype=bool))
    assert [n.factor for n in r.near] == sorted(n.factor for n in r.near)
    for miss in r.near:
        assert miss.factor >= 1.0
        assert r.why(miss.index).startswith(miss.check)
        assert ";" not in r.why(miss.index)
    table = r.columns()
    assert {len(v) for v in table.values()} == {len(r.motor)}
    assert all(bool(text) != bool(ok) for text, ok in zip(table["fails"], table["holds"], strict=True))


def test_filters_leave_out_before_anything_is_worked_out():
    r = rig().catalogue(
        "fuel", filters=Filters(kind="brushless", max_mass=1.0, max_current=8.5, max_cost=300.0, own_stage=False)
    )
    assert set(r.kind) == {"brushless"}
    assert r.mass.max() <= 1.0
    assert r.current.max() <= 8.5
    assert r.cost.max() <= 300.0
    assert r.own_ratio == 1.0
    assert r.left_out + len(r.motor) == len(read_motors()) * len(read_gears())
    with pytest.raises(ValvectlError, match="leave no combination"):
        rig().catalogue("fuel", filters=Filters(max_mass=0.01))


def test_nothing_holds_when_the_margin_is_out_of_reach():
    r = rig().with_values({"requirements.torque_margin": 90.0}).catalogue("fuel")
    assert r.front == ()
    assert r.rejected["static torque margin"] == len(r.motor)
    assert "no combination holds every check" in figures.catalogue_chart(r).get_title(loc="left")


def test_steppers_lose_steps_where_they_are_too_fast():
    """Lost-step margin falls when the ratio asks for more speed beyond the corner; brushless motors have none."""
    r = searched()
    lost = next(c for c in r.checks if c.name == "lost-step margin")
    kinds = np.array(r.kind)
    assert np.all(np.isnan(lost.values[kinds != "stepper"]))
    one = [
        i
        for i, (m, g) in enumerate(zip(r.motor, r.gear, strict=True))
        if m == "motor S57-56" and g.startswith("planetary P42")
    ]
    by_ratio = sorted(one, key=lambda i: r.ratio[i])
    assert lost.values[by_ratio[-1]] < lost.values[by_ratio[2]]
    assert not lost.ok[by_ratio[-1]]


# ------------------------------------------------------------------------------------------------------ the verb


def run(*args: str):
    return CliRunner().invoke(app, ["motors", str(RIG), "--leg", "oxidizer", *args])


def test_verb_prints_a_table_of_80_columns():
    result = run()
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    assert "INVENTED" in result.stdout
    assert "Why the others fall" in result.stdout


def test_verb_json_csv_and_figure(tmp_path):
    result = run("--json", "--csv", str(tmp_path / "m.csv"), "--figure", str(tmp_path / "m.svg"), "--kind", "brushless")
    assert result.exit_code == 0, result.output

    def no(constant):
        raise AssertionError(constant)

    content = json.loads(result.stdout, parse_constant=no)
    assert content["invented"] is True
    assert content["hold"] >= len(content["front"]) > 0
    assert len((tmp_path / "m.csv").read_text(encoding="utf-8").splitlines()) == content["combinations"] + 1
    assert "motor B" in (tmp_path / "m.svg").read_text(encoding="utf-8")


def test_verb_reports_faults_of_both_files(tmp_path):
    motors = written(tmp_path / "m.csv", HEAD, GOOD.replace("0.6,0.6", "x,0.6"))
    gears = written(tmp_path / "g.csv", GEARS, "g,planetary,0,0.8,0.7,0.2,500,5,10,6000,0.4")
    result = run("--motors", str(motors), "--gears", str(gears))
    assert result.exit_code == 2
    assert "m.csv:2: resistance: must be a number (got x)" in result.stderr
    assert "g.csv:2: ratio: must be 1 to 2000 - (got 0)" in result.stderr


def test_missing_cost_is_said_and_not_nan(tmp_path):
    motors = written(tmp_path / "m.csv", HEAD, GOOD)
    result = run("--motors", str(motors), "--json")
    assert result.exit_code == 0
    assert "NaN" not in result.stdout
    assert math.isnan(rig().catalogue("oxidizer", motors).cost[0])
