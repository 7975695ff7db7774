"""What is said further about a design that can not be built: targets of a contradiction, liquids as the file calls them."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

import valvectl
from valvectl.design.keys import describe
from valvectl.design.load import read_design
from valvectl.design.schema_feed import GIVEN_LIQUIDS, NAMED_LIQUIDS
from valvectl.design.starter import starter_text
from valvectl.errors import DesignError, Fault
from valvectl.parts import equilibrium, liquid
from valvectl.studies.analysis import Analysis


@pytest.fixture
def starter(tmp_path: Path) -> Path:
    path = tmp_path / "design.toml"
    path.write_text(starter_text(), encoding="utf-8")
    return path


def faults(path: Path, *sets: str) -> tuple[Fault, ...]:
    with pytest.raises(DesignError) as caught:
        valvectl.load(path, sets)
    return caught.value.faults


RANGE = r"{} ([\d.]+) to ([\d.]+) {}"


@pytest.mark.parametrize("throat", ["50 mm", "25 mm"])
@pytest.mark.parametrize(
    ("key", "unit", "suffix"),
    [("throat_diameter", "mm", ""), ("thrust", "N", ""), ("chamber_pressure", "bar", " abs")],
)
def test_each_range_that_is_said_to_fit_does(starter: Path, throat: str, key: str, unit: str, suffix: str) -> None:
    (fault,) = faults(starter, f"engine.throat_diameter={throat}")
    found = re.search(RANGE.format(key, unit), fault.message)
    if key == "chamber_pressure" and throat == "25 mm":  # it would have to be above the tanks'
        assert found is None
        return
    assert found is not None
    design = read_design(starter).with_values({"engine.throat_diameter": throat})
    for value in (*found.groups(), str(math.sqrt(float(found[1]) * float(found[2])))):
        machine = Analysis(design.with_values({f"engine.{key}": f"{value} {unit}{suffix}"})).machine
        assert 0.8 <= machine.thrust_efficiency <= 1.02
    for factor, value in ((0.98, found[1]), (1.02, found[2])):
        with pytest.raises(DesignError):
            _ = Analysis(
                design.with_values({f"engine.{key}": f"{factor * float(value)} {unit}{suffix}"})
            ).machine.thrust_efficiency


def test_a_liquid_is_called_as_the_file_calls_it(starter: Path) -> None:
    starter.write_text(starter_text().replace('name = "ethanol" ', 'name = "Kerosene" '), encoding="utf-8")
    (fault,) = faults(starter)
    assert "liquid 'Kerosene' (here rp-1) is not known" in fault.message
    assert "nitrous oxide" in fault.message
    assert "rp-1 (kerosene) only with these numbers" in fault.message
    lines = starter.read_text(encoding="utf-8").splitlines()
    assert fault.line is not None
    assert "Kerosene" in lines[fault.line - 1]


def test_the_starters_kerosene_is_a_liquid(starter: Path) -> None:
    text = (
        starter_text()
        .replace('name = "ethanol" ', '# name = "ethanol" ')
        .replace('# name = "kerosene"', 'name = "kerosene"')
    )
    for key in liquid.PROPERTIES:
        assert f"# {key} = " in text
        text = text.replace(f"# {key} = ", f"{key} = ", 1)
    starter.write_text(text.replace("mixture_ratio = 1.3", "mixture_ratio = 2.2"), encoding="utf-8")
    assert Analysis(read_design(starter)).machine.legs["fuel"].liquid.density == pytest.approx(805.0)


def test_the_names_that_are_listed_are_those_that_there_are() -> None:
    named = {shown for shown, library, _ in liquid._LIQUIDS if library or shown == "isopropanol"}
    assert named == set(NAMED_LIQUIDS)
    assert {shown for shown, library, _ in liquid._LIQUIDS} - named == {n.split(" (")[0] for n in GIVEN_LIQUIDS}
    for name in NAMED_LIQUIDS:
        assert name in describe("legs.fuel.liquid.name").meaning
    begun = starter_text()
    for name in (*equilibrium.OXIDIZERS, *equilibrium.FUELS):
        assert f'"{"kerosene" if name == "rp-1" else name}"' in begun
