"""What ``liquid_state`` accepts, overrides and refuses, and that it leaves CoolProp alone when it can."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from valvectl.errors import RangeError
from valvectl.parts import cache
from valvectl.parts.liquid import LiquidState, liquid_state, trade_name

ALL = {"density": 900.0, "vapour_pressure": 5e3, "critical_pressure": 6e6, "viscosity": 1.5e-3, "sound_speed": 1300.0}


@pytest.fixture(autouse=True)
def fresh(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(cache.ENVIRONMENT, str(tmp_path / "cache"))
    cache.forget()


@pytest.mark.parametrize(
    ("spellings", "shown"),
    [
        (("lox", "LOX", "Oxygen", " liquid oxygen ", "O2"), "oxygen"),
        (("lng", "Methane", "CH4"), "methane"),
        (("ethyl alcohol", "Ethanol", "ETOH"), "ethanol"),
        (("ln2", "Nitrogen"), "nitrogen"),
        (("N2O", "nitrous oxide", "Nitrous-Oxide", "nitrous_oxide"), "nitrous oxide"),
        (("RP-1", "rp1", "Kerosene"), "rp-1"),
        (("n-Propane", "propane"), "propane"),
    ],
)
def test_spellings(spellings: tuple[str, ...], shown: str) -> None:
    assert {trade_name(one) for one in spellings} == {shown}


def test_given_numbers_override() -> None:
    plain = liquid_state("lox", 90.0, 2e6)
    mixed = liquid_state("lox", 90.0, 2e6, density=1100.0, sound_speed=None)
    assert mixed.density == 1100.0
    assert (mixed.viscosity, mixed.sound_speed) == (plain.viscosity, plain.sound_speed)
    assert "given: density" in mixed.source
    assert "CoolProp" in mixed.source
    assert "Schmidt" in mixed.source


def test_all_given_takes_any_name() -> None:
    state = liquid_state("house blend", 300.0, 2e6, **ALL)
    assert state == LiquidState(name="house blend", temperature=300.0, pressure=2e6, source=state.source, **ALL)
    assert state.source.startswith("given: ")


def test_lng_says_what_it_is_taken_for() -> None:
    assert "pure methane" in liquid_state("lng", 112.0, 1e6).source


def test_above_the_critical_pressure_it_is_still_liquid_when_cold() -> None:
    assert liquid_state("lox", 90.0, 7e6).density > liquid_state("lox", 90.0, 2e6).density


@pytest.mark.parametrize(
    ("name", "temperature", "pressure", "given", "words"),
    [
        ("lox", 95.0, 1e5, {}, "boils at 90.06 K"),
        ("lox", 200.0, 1e6, {}, "critical temperature is 154.60 K"),
        ("lox", 50.0, 1e6, {}, "freezes at about 54.4"),
        ("water", 273.0, 1e6, {}, "freezes at about 273"),
        ("lox", 90.0, 9e7, {}, "above the range"),
        ("methanl", 290.0, 1e6, {}, "did you mean 'methanol'"),
        ("toluen", 290.0, 1e6, {}, "did you mean 'Toluene'"),
        ("jet a1", 290.0, 1e6, {}, "'rp-1' is not known to CoolProp"),
        ("rp-1", 290.0, 1e6, {"density": 810.0}, "give also vapour_pressure, critical_pressure, viscosity"),
        ("ethanol 75 %", 290.0, 4e3, {}, "not liquid at 0.04 bar abs: its vapour pressure there is 0.048"),
        ("ethanol 30 %", 290.0, 1e6, {}, "reach from 0 to 60 % water by mass"),
        ("isopropanol", 430.0, 3e6, {}, "reach from 220.00 to 423.15 K"),
        ("ipa 70 %", 260.0, 1e6, {}, "reach from 273.16 to 423.15 K"),
        ("n2o", 280.0, 5e6, {}, "no viscosity for nitrous oxide; give viscosity"),
        ("lox", 90.0, 2e6, {"vapour_pressure": 3e6}, "vapour pressure there is 30 bar"),
        ("lox", 95.0, 1e5, {"vapour_pressure": 5e4}, "boils at 90.06 K"),
        ("house blend", 300.0, 4e3, ALL, "not liquid"),
        ("lox", float("nan"), 1e6, {}, "temperature of 'oxygen' must be above zero and finite"),
        ("lox", 90.0, 0.0, {}, "pressure of 'oxygen' must be above zero"),
        ("lox", 90.0, 1e6, {"density": -1.0}, "density of 'oxygen' must be above zero"),
        ("lox", 90.0, 1e6, {"sound_speed": float("inf")}, "sound speed of 'oxygen' must be above zero and finite"),
    ],
)  # fmt: skip
def test_refusals(name: str, temperature: float, pressure: float, given: dict[str, float], words: str) -> None:
    with pytest.raises(RangeError) as caught:
        liquid_state(name, temperature, pressure, **given)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "name", ["", "   ", "x" * 60, "bad\x1b[31m\nname", "HEOS::Water", "REFPROP::Oxygen", "Water&Ethanol"]
)
def test_hostile_names(name: str) -> None:
    with pytest.raises(RangeError) as caught:
        liquid_state(name, 290.0, 1e6)
    assert str(caught.value).isprintable()


def test_misspelt_property_is_a_mistake_in_the_program() -> None:
    with pytest.raises(TypeError):
        liquid_state("lox", 90.0, 2e6, densty=1100.0)  # type: ignore[call-arg]


LOOK = """
import sys
from valvectl.parts.liquid import liquid_state
{}
print("CoolProp" in sys.modules, "cantera" in sys.modules, "numpy" in sys.modules)
"""


@pytest.mark.parametrize(
    ("call", "loaded"),
    [
        ("liquid_state('lox', 90.0, 2e6)", ["True", "False"]),
        (f"liquid_state('house blend', 300.0, 2e6, **{ALL})", ["False", "False"]),
    ],
)
def test_coolprop_is_loaded_only_when_needed(call: str, loaded: list[str]) -> None:
    environment = os.environ | {"PYTHONPATH": str(Path(cache.__file__).parents[2])}
    said = [
        subprocess.run(
            [sys.executable, "-c", LOOK.format(call)], env=environment, capture_output=True, text=True, check=True
        ).stdout.split()[0]
        for _ in range(2)
    ]
    assert said == loaded
