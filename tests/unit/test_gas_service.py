"""A gas valve or orifice by itself, purge gas of a leg, and their verbs."""

from __future__ import annotations

import json
import math
import shutil
from functools import cache
from pathlib import Path

import pytest
from typer.testing import CliRunner

import valvectl
from valvectl.cli import app
from valvectl.errors import DesignError, RangeError
from valvectl.parts import gas_orifice, valve_gas
from valvectl.parts.gas_state import gas_state
from valvectl.parts.injector import injector_drop
from valvectl.parts.line import area
from valvectl.parts.valve import CV_TO_KV
from valvectl.studies.gas_service import gas_orifice_service, gas_valve

DESIGNS = Path(__file__).parents[2] / "designs"
PURGE = """
[legs.fuel.purge]
gas = "nitrogen"
pressure = "25 bar abs"
temperature = "290 K"
bore = "10 mm"
kv = 0.1
xt = 0.6
"""


def write(folder: Path, purge: str = PURGE) -> Path:
    shutil.copytree(DESIGNS / "parts", folder / "parts", dirs_exist_ok=True)
    path = folder / "rig.toml"
    path.write_text((DESIGNS / "hover-rig.toml").read_text(encoding="utf-8") + purge, encoding="utf-8")
    return path


def changed(folder: Path, **keys: str):
    lines = [line for line in PURGE.splitlines() if line.split(" = ")[0] not in keys]
    return valvectl.load(write(folder, "\n".join([*lines, *(f"{k} = {v}" for k, v in keys.items() if v)])))


# ------------------------------------------------------------------------------------------------------------- devices


@pytest.mark.parametrize("gas", ["nitrogen", "helium"])
@pytest.mark.parametrize("outlet", [1e5, 30e5])
def test_valve_sizing_and_its_flow_undo_each_other(gas: str, outlet: float) -> None:
    needed = gas_valve(gas, 40e5, outlet, mass_flow=5e-3, xt=0.6, size=0.01)
    assert needed.sized
    passed = gas_valve(gas, 40e5, outlet, kv=needed.kv, xt=0.6, size=0.01)
    assert not passed.sized
    assert passed.mass_flow == pytest.approx(5e-3, rel=1e-10)
    assert passed.choked == needed.choked == (outlet < 2e5)
    assert needed.chokes_below == pytest.approx(40e5 * (1.0 - 0.6 * needed.gamma / 1.4), rel=1e-9)


@pytest.mark.parametrize("outlet", [1e5, 30e5])
def test_orifice_sizing_and_its_flow_undo_each_other(outlet: float) -> None:
    needed = gas_orifice_service("helium", 40e5, outlet, normal_flow=0.01, cd=0.9)
    passed = gas_orifice_service("helium", 40e5, outlet, diameter=needed.diameter, cd=0.9)
    assert passed.normal_flow == pytest.approx(0.01, rel=1e-12)
    assert needed.cda == pytest.approx(0.9 * area(needed.diameter), rel=1e-12)


def test_flows_are_one_flow_in_three_units() -> None:
    by_mass = gas_valve("nitrogen", 40e5, 18e5, mass_flow=5e-3, xt=0.6)
    by_normal = gas_valve("nitrogen", 40e5, 18e5, normal_flow=by_mass.normal_flow, xt=0.6)
    by_standard = gas_valve("nitrogen", 40e5, 18e5, standard_flow=by_mass.standard_flow, xt=0.6)
    assert by_normal.kv == pytest.approx(by_mass.kv, rel=1e-12)
    assert by_standard.kv == pytest.approx(by_mass.kv, rel=1e-12)
    assert by_mass.standard_flow / by_mass.normal_flow == pytest.approx(288.15 / 273.15, rel=1e-12)


def test_statement_of_choking() -> None:
    choked = gas_valve("nitrogen", 40e5, 1e5, kv=0.05, xt=0.6)
    free = gas_valve("nitrogen", 40e5, 30e5, kv=0.05, xt=0.6)
    assert choked.statement.startswith("choked: every pressure behind from 16 bar abs down")
    assert "does not tell the pressure" in choked.statement
    assert free.statement.startswith("not choked (it chokes at 16 bar abs")
    lower = gas_valve("nitrogen", 40e5, 0.5e5, kv=0.05, xt=0.6)
    assert lower.mass_flow == choked.mass_flow


def test_defaults_that_took_effect_are_said() -> None:
    assert any("xT 0.7" in text for text in gas_valve("nitrogen", 40e5, 18e5, kv=0.05).assumptions)
    assert any("Cd 0.8" in text for text in gas_orifice_service("nitrogen", 40e5, 18e5, diameter=1e-3).assumptions)
    stated = gas_valve("nitrogen", 40e5, 18e5, kv=0.05, xt=0.6, size=0.02)
    assert stated.assumptions == ()
    assert stated.cautions == ()
    assert any("gamma 1.667" in text for text in gas_valve("helium", 40e5, 18e5, kv=0.05, xt=0.6).cautions)


def test_speed_in_the_pipe_behind() -> None:
    found = gas_valve("nitrogen", 40e5, 2e5, kv=0.05, xt=0.6, size=0.006)
    rho = 2e5 * 28.0134e-3 / (8.31446261815324 * 293.15)
    speed = found.mass_flow / rho / area(0.006)
    assert found.mach == pytest.approx(speed / math.sqrt(found.gamma * 2e5 / rho), rel=1e-4)
    assert any(f"Mach {found.mach:.2f}" in text for text in found.cautions)
    tight = gas_valve("nitrogen", 40e5, 1e5, kv=0.05, xt=0.6, size=0.003)
    assert any("times faster than sound" in text for text in tight.cautions)
    assert math.isnan(gas_valve("nitrogen", 40e5, 2e5, kv=0.05).mach)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: gas_valve("nitrogen", 40e5, 18e5), "give exactly one"),
        (lambda: gas_valve("nitrogen", 40e5, 18e5, kv=0.1, mass_flow=0.1), "now kv and mass_flow"),
        (lambda: gas_valve("argon", 40e5, 18e5, kv=0.1), "nitrogen, helium"),
        (lambda: gas_valve("nitrogen", 40e5, 18e5, 80.0, kv=0.1), "is no gas"),
        (lambda: gas_valve("nitrogen", 800e5, 18e5, kv=0.1), "at most 700 bar"),
        (lambda: gas_valve("nitrogen", math.nan, 18e5, kv=0.1), "pressure must be above zero"),
        (lambda: gas_valve("nitrogen", 40e5, 45e5, mass_flow=0.1), "no gas can flow"),
        (lambda: gas_valve("nitrogen", 40e5, 39.9e5, kv=5e-4), "not turbulent"),
        (lambda: gas_valve("nitrogen", 40e5, 18e5, kv=-1.0), "above zero"),
        (lambda: gas_orifice_service("nitrogen", 40e5, 45e5, diameter=1e-3), "no gas can flow"),
        (lambda: gas_orifice_service("nitrogen", 40e5, 18e5, diameter=-1e-3), "above zero"),
        (lambda: gas_orifice_service("nitrogen", 40e5, 18e5, mass_flow=math.inf), "finite number above zero"),
        (lambda: gas_orifice_service("nitrogen", 40e5, 18e5, diameter=1e-3, cd=1.2), "Cd must be"),
    ],
)
def test_bad_input_is_refused(call, message: str) -> None:
    with pytest.raises(RangeError, match=message):
        call()


# --------------------------------------------------------------------------------------------------------------- purge


@cache
def gas() -> valve_gas.Gas:
    return gas_state("nitrogen", 25e5, 290.0)


def test_purge_lets_in_what_the_injector_lets_out(tmp_path: Path) -> None:
    design = changed(tmp_path)
    found = design.purge("fuel")
    leg = design.machine.legs["fuel"]
    ambient = design.machine.ambient_pressure
    rho = valve_gas.gas_density(found.manifold, 290.0, gas().molar_mass, 1.0)
    out = gas_orifice.orifice_gas_flow(leg.cda, gas().gamma, found.manifold, ambient, rho)
    assert found.gas.mass_flow == pytest.approx(out, rel=1e-9)
    # Pushing: the gas that comes in takes the volume of the liquid that leaves.
    rho = valve_gas.gas_density(found.pushing, 290.0, gas().molar_mass, 1.0)
    liquid = found.pushing_flow / rho * leg.liquid.density
    assert injector_drop(leg.cda, leg.liquid.density, liquid) == pytest.approx(found.pushing - ambient, rel=1e-8)
    assert found.push_time == pytest.approx(found.volume * rho / found.pushing_flow, rel=1e-9)
    rho = valve_gas.gas_density(found.manifold, 290.0, gas().molar_mass, 1.0)
    assert found.change_time == pytest.approx(found.volume * rho / found.gas.mass_flow, rel=1e-12)
    assert found.mixed_time == pytest.approx(math.log(100.0) * found.change_time, rel=1e-12)
    assert design.purge("fuel") is found


def test_swept_volume_is_all_behind_the_valve(tmp_path: Path) -> None:
    design = changed(tmp_path)
    part = design.leg("fuel")
    expected = part.manifold.volume
    if part.downstream is not None:
        expected += part.downstream.length * area(part.downstream.inner_diameter)
    if part.jacket is not None:
        expected += part.jacket.length * part.jacket.flow_area
    assert expected > part.manifold.volume
    assert design.purge("fuel").volume == pytest.approx(expected, rel=1e-12)


def test_stated_back_pressure_and_cv(tmp_path: Path) -> None:
    found = changed(tmp_path, back_pressure='"6 bar abs"').purge("fuel")
    assert found.stated_back_pressure
    assert found.manifold == 6e5
    direct = gas_valve("nitrogen", 25e5, 6e5, 290.0, kv=0.1, xt=0.6)
    assert found.gas.mass_flow == pytest.approx(direct.mass_flow, rel=1e-12)
    by_cv = changed(tmp_path, kv="", cv=repr(0.1 / CV_TO_KV), back_pressure='"6 bar abs"').purge("fuel")
    assert by_cv.gas.mass_flow == pytest.approx(direct.mass_flow, rel=1e-9)


def test_an_orifice_purges_too(tmp_path: Path) -> None:
    keys = {"kv": "", "xt": "", "orifice_diameter": '"1.5 mm"', "orifice_coefficient": "0.8"}
    found = changed(tmp_path, **keys).purge("fuel")
    direct = gas_orifice_service("nitrogen", 25e5, found.manifold, 290.0, diameter=1.5e-3, cd=0.8)
    assert found.gas.device == "orifice"
    assert found.gas.mass_flow == pytest.approx(direct.mass_flow, rel=1e-12)


def test_cautions(tmp_path: Path) -> None:
    low = changed(tmp_path, pressure='"10 bar abs"').purge("fuel")
    assert any("without a check valve propellant runs into the purge line" in text for text in low.cautions)
    assert not any("check valve" in text for text in changed(tmp_path).purge("fuel").cautions)
    with pytest.raises(DesignError, match=r"must be above engine\.ambient_pressure"):
        changed(tmp_path, pressure='"1 bar abs"').purge("fuel")


def test_a_leg_without_purge_says_what_to_write() -> None:
    design = valvectl.load(DESIGNS / "hover-rig.toml")
    with pytest.raises(RangeError, match=r"write a table \[legs\.oxidizer\.purge\]"):
        design.purge("oxidizer")
    assert not any(d.key.startswith("legs.fuel.purge") for d in design.defaults_used)


# --------------------------------------------------------------------------------------------------------- command line


def run(*words: str):
    return CliRunner().invoke(app, [str(w) for w in words])


def test_purge_verb(tmp_path: Path) -> None:
    path = write(tmp_path)
    shown = run("purge", path)
    assert shown.exit_code == 0, shown.output
    assert "Purge of the fuel leg" in shown.output
    assert "oxidizer" not in shown.output
    assert "choked" in shown.output
    content = json.loads(run("purge", path, "--leg", "fuel", "--json").stdout, parse_constant=pytest.fail)
    assert content["gas"]["gas"] == "nitrogen"
    table = tmp_path / "purge.csv"
    assert run("purge", path, "--csv", table).exit_code == 0
    assert "one change of gas in [ms]" in table.read_text(encoding="utf-8")
    missing = run("purge", path, "--leg", "oxidizer")
    assert missing.exit_code == 2
    assert "has no purge" in missing.output
    none = run("purge", DESIGNS / "hover-rig.toml")
    assert none.exit_code == 2
    assert "no leg has purge gas" in none.output


STATE = ("--inlet", "40 bar abs", "--outlet", "18 bar abs")


def test_gas_verb_both_ways(tmp_path: Path) -> None:
    sized = run("gas", "nitrogen", *STATE, "--flow", "5 g/s", "--xt", "0.6")
    assert sized.exit_code == 0, sized.output
    assert "Kv needed" in sized.output
    kv = json.loads(run("gas", "nitrogen", *STATE, "--flow", "5 g/s", "--xt", "0.6", "--json").stdout)["kv"]
    passed = run("gas", "nitrogen", *STATE, "--kv", repr(kv), "--xt", "0.6")
    assert "flow passed" in passed.output
    assert "5 g/s" in passed.output
    hole = run("gas", "helium", *STATE, "--orifice", "size", "--standard", "20 m^3/h", "--bore", "6 mm")
    assert "hole needed" in hole.output
    assert "Mach" in hole.output
    table = tmp_path / "gas.csv"
    assert run("gas", "helium", *STATE, "--orifice", "1 mm", "--csv", table).exit_code == 0
    assert "CdA [mm^2]" in table.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("gas", "nitrogen", *STATE), "give exactly one of --kv, --flow, --normal, --standard"),
        (("gas", "nitrogen", *STATE, "--kv", "1", "--cd", "0.6"), "--cd does not go without --orifice"),
        (("gas", "nitrogen", *STATE, "--orifice", "1 mm", "--xt", "0.6"), "--xt does not go with --orifice"),
        (("gas", "nitrogen", *STATE, "--orifice", "size"), "now none"),
        (
            ("gas", "nitrogen", "--inlet", "40 bar", "--outlet", "1 bar abs", "--kv", "1"),
            "--inlet: say whether it is absolute",
        ),
        (("gas", "nitrogen", *STATE, "--flow", "5 m^3/h"), "--flow: unit 'm^3/h' is not a unit of mass flow"),
        (("gas", "xenon", *STATE, "--kv", "1"), "xenon"),
    ],
)
def test_gas_verb_refuses(words: tuple[str, ...], message: str) -> None:
    result = run(*words)
    assert result.exit_code == 2
    assert message in " ".join(result.output.split())
    assert "Traceback" not in result.output
