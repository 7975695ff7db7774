"""A design in memory: inputs, defaults, changed values, hash, description of keys."""

from __future__ import annotations

import dataclasses
import math
import pickle
import time
from pathlib import Path

import numpy as np
import pytest

from valvectl.design.design_file import DesignFile
from valvectl.design.keys import ROOT, Spec, describe, find, join, split
from valvectl.design.load import read_design
from valvectl.design.starter import starter_text
from valvectl.errors import DesignError


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("designs") / "starter.toml"
    path.write_text(starter_text(), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def design(path: Path) -> DesignFile:
    return read_design(path)


def test_inputs_say_what_was_written_and_where(design: DesignFile, path: Path) -> None:
    rows = path.read_text(encoding="utf-8").splitlines()
    tank = design.inputs["legs.oxidizer.tank.pressure"]
    assert tank.value == pytest.approx(16.4e5)
    assert (tank.text, tank.origin) == ("16.4 bar abs", "assumed")
    assert tank.tolerance == pytest.approx(1.5e4)
    assert not tank.relative
    for given in design.inputs.values():
        assert given.line is not None
        assert given.key.rsplit(".", 1)[-1].split("[")[0] in rows[given.line - 1]


def test_tolerances_of_shares_and_lists(design: DesignFile) -> None:
    assert design.inputs["legs.fuel.actuator.motor.torque_constant"].tolerance == pytest.approx(0.08 * 0.038)
    fl = design.inputs["legs.oxidizer.valve.port.fl"]
    assert fl.relative
    assert fl.tolerance == pytest.approx(0.05)
    assert fl.text == "[0.97, 0.95, 0.9, 0.79, 0.6]"
    assert {i.key for i in design.toleranced()} == {k for k, i in design.inputs.items() if i.tolerance}


def test_inputs_and_defaults_together_are_everything(design: DesignFile) -> None:
    given, defaults = set(design.inputs), {d.key for d in design.defaults_used}
    assert not given & defaults
    shown = {d.key: d.shown for d in design.defaults_used}
    assert shown["requirements.valve_travel"] == "8 deg"
    assert shown["simulation.step"] == "0.02 ms"
    assert shown["legs.oxidizer.liquid.density"] == "left out"
    assert "legs.oxidizer.valve.flow" not in shown  # a choice between two, no default
    assert "requirements.stroke_time" not in shown

    def leaves(spec: Spec, at: tuple[str | int, ...]) -> set[str]:
        if not spec.children or spec.choices:
            return {join(at)}
        value = design.get(join(at)) if at else design.data
        if value is None or spec.depth:
            return set() if value is None else {join(at)}
        return set().union(*(leaves(child, (*at, name)) for name, child in spec.children.items()))

    missing = leaves(ROOT, ()) - given - defaults
    assert not {k for k in missing if design.get(k) is not None and not isinstance(design.get(k), tuple)}


def test_get(design: DesignFile) -> None:
    assert design.get("legs.fuel.actuator.gears[1].ratio") == 3.0
    assert design.get("schema") == "valvectl-design-1"
    assert design.get("legs.fuel.jacket") is None
    assert design.get("legs.fuel.tank") is design.leg("fuel").tank
    for bad in ("legs.fuel.tnak", "legs.fuel.actuator.gears[7].ratio", "a b", "", "engine[0]", "engine.thrust.x"):
        with pytest.raises(DesignError):
            design.get(bad)
    with pytest.raises(DesignError, match="did you mean 'tank'"):
        design.get("legs.fuel.tnak")


def test_with_values_changes_only_what_it_names(design: DesignFile) -> None:
    changed = design.with_values(
        {
            "legs.fuel.tank.pressure": 18e5,
            "legs.fuel.actuator.gears[0].ratio": 25,
            "requirements.phase_margin": math.radians(50),
            "legs.oxidizer.valve.port.fl[4]": 0.55,
            "legs.oxidizer.valve.bore": "9 mm",
            "legs.fuel.controller.position_delay": np.float64(3e-4),
        }
    )
    assert type(changed) is DesignFile
    assert changed.legs.fuel.tank.pressure == 18e5
    assert changed.legs.oxidizer.actuator.gears[0].ratio == 20.0
    assert changed.legs.fuel.actuator.gears[0].ratio == 25.0
    assert changed.legs.oxidizer.valve.bore == pytest.approx(0.009)
    assert changed.get("legs.oxidizer.valve.port.fl")[4] == 0.55
    assert changed.inputs["legs.oxidizer.valve.port.fl"].value[4] == 0.55  # type: ignore[index]
    assert changed.inputs["legs.fuel.tank.pressure"].tolerance == design.inputs["legs.fuel.tank.pressure"].tolerance
    assert "requirements.phase_margin" not in {d.key for d in changed.defaults_used}
    assert changed.inputs["legs.oxidizer.tank.pressure"] == design.inputs["legs.oxidizer.tank.pressure"]
    assert design.legs.fuel.tank.pressure == 17e5
    back = changed.with_values({"legs.fuel.tank.pressure": design.get("legs.fuel.tank.pressure")})
    assert back.legs.fuel.tank == design.legs.fuel.tank


def test_a_tolerance_written_as_a_share_follows_the_value(design: DesignFile) -> None:
    key = "legs.fuel.actuator.motor.resistance"
    assert design.with_values({key: 1.2}).inputs[key].tolerance == pytest.approx(0.096)


def test_with_values_can_set_tables_that_were_left_out_and_words(design: DesignFile) -> None:
    gains = {"position": 40.0, "speed": 2.0, "speed_integral": 20.0, "current": 1.5, "current_integral": 900.0}
    at = "legs.fuel.controller.gains"
    changed = design.with_values({f"{at}.{k}": v for k, v in gains.items()})
    assert changed.get(f"{at}.speed") == 2.0
    assert at not in changed.inputs
    tuned = changed.with_values({at: "tune"})
    assert tuned.get(at) == "tune"
    assert f"{at}.speed" not in tuned.inputs
    assert tuned.input_hash == design.input_hash


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("legs.fuel.tank.pressure", 1e5, "must be above engine.chamber_pressure"),
        ("legs.fuel.tank.pressure", math.nan, "finite"),
        ("legs.fuel.tank.pressure", math.inf, "finite"),
        ("legs.fuel.tank.pressure", "18 bar", "say whether it is absolute or gauge"),
        ("legs.fuel.tank.presure", 1e5, "did you mean 'pressure'"),
        ("legs.fuel.valve.bore", -1.0, "must be above 0 mm"),
        ("legs.fuel.injector.hole_count", 2.5, "whole number"),
        ("legs.fuel.injector.hole_count", True, "whole number"),
        ("legs.fuel.valve.closes", "left", "must be one of"),
        ("legs.fuel.valve.reducers", 1, "true or false"),
        ("legs.fuel.liquid.name", 3, "text"),
        ("legs.fuel.tank", 3, "a table"),
        ("legs.fuel.actuator.gears[9].ratio", 3, "no such item"),
        ("legs.fuel.liquid.temperature", -3.0, "absolute zero"),
        ("legs.fuel.downstream.length", 1.0, "key is missing: inner diameter"),
    ],
)
def test_with_values_checks_everything_again(design: DesignFile, key: str, value: object, says: str) -> None:
    with pytest.raises(DesignError, match="(?s)" + says.replace("(", r"\(")):
        design.with_values({key: value})


def test_with_values_is_fast_enough_for_hundreds_of_calls(design: DesignFile) -> None:
    best = math.inf
    for i in range(30):
        start = time.perf_counter()
        design.with_values({"legs.fuel.tank.pressure": 17e5 + i, "legs.oxidizer.valve.torque.cold_factor": 1.4})
        best = min(best, time.perf_counter() - start)
    assert best < 5e-3


def test_hash_follows_values_not_spelling(design: DesignFile, tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text(starter_text().replace('bore = "8 mm"', '# a comment\nbore = "0.8 cm"'), encoding="utf-8")
    assert read_design(other).legs.fuel.valve.bore == pytest.approx(0.008)
    other.write_text("# a comment\n" + starter_text(), encoding="utf-8")
    assert read_design(other).input_hash == design.input_hash
    assert design.with_values({"legs.fuel.tank.pressure": 17.1e5}).input_hash != design.input_hash
    default = design.with_values({"requirements.gain_margin": 6.0})
    assert default.input_hash == design.input_hash  # the default written out is the same design


def test_frozen_picklable_and_derived(design: DesignFile, path: Path) -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        design.data = design.data  # type: ignore[misc]
    with pytest.raises(TypeError):
        design.inputs["x"] = None  # type: ignore[index]
    copy = pickle.loads(pickle.dumps(design))
    assert copy.input_hash == design.input_hash
    assert copy.with_values({"legs.fuel.liquid.temperature": 291.0}).legs.fuel.liquid.temperature == 291.0

    class Derived(DesignFile):
        pass

    derived = read_design(path, cls=Derived)
    assert type(derived) is Derived
    assert type(derived.with_values({"battery.voltage": 25.0})) is Derived


def test_keys_and_paths() -> None:
    assert split("a.b[0].c") == ("a", "b", 0, "c")
    assert join(("a", "b", 0, "c")) == "a.b[0].c"
    assert join(("a", "b c\x07")) == 'a."b c\\x07"'
    for bad in ("", ".", "a.", "a..b", "[0]", "a[x]", "a b", "a[0]b"):
        assert split(bad) is None
    gears = ("legs", "fuel", "actuator", "gears")
    assert find((*gears, "ratio")) is find((*gears, 0, "ratio"))


def test_describe() -> None:
    info = describe("legs.fuel.actuator.gears[0].ratio")
    assert info.meaning == "input speed over output speed"
    assert info.range == "above 0.1, below 2000"
    assert info.default == "required"
    assert describe("requirements.valve_travel").default == "8 deg"
    assert describe("legs.fuel.tank.pressure").unit == "bar"
    assert "tune" in describe("legs.fuel.controller.gains").expected
    with pytest.raises(DesignError, match="did you mean 'pressure'"):
        describe("legs.fuel.tank.presure")


def test_every_key_of_the_schema_is_described() -> None:
    def walk(spec: Spec, at: tuple[str | int, ...]) -> None:
        for name, child in spec.children.items():
            info = describe(join((*at, name)))
            assert info.meaning
            assert info.expected
            assert info.example
            walk(child, (*at, name))

    walk(ROOT, ())
