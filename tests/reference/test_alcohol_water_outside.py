"""Alcohols with water against published tables that the program's own numbers were not taken from."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from outside import Certainty, OutsideCheck, verify
from scipy.optimize import brentq

from valvectl.parts import cache
from valvectl.parts.alcohol_water import (
    MOLAR_MASS,
    alcohol_water,
    bubble_pressure,
    isopropanol_vapour_pressure,
    isopropanol_viscosity,
    mole_fraction,
)
from valvectl.parts.liquid import liquid_state
from valvectl.parts.oiml import ethanol_water_density

ATMOSPHERE = 101325.0
OIML = "OIML R 22 (1975), international alcoholometric tables: "
PERRY = "Perry's Chemical Engineers' Handbook, density of mixtures of ethanol and water at 20 degC"
# The handbook's pure methanol, 791.7 kg/m^3, is 0.08 % above the reference equation in CoolProp that the program rests on.
CRC = "CRC Handbook of Chemistry and Physics, concentrative properties of aqueous solutions, 20 degC"
MELINDER = "Melinder, Properties of Secondary Working Fluids (2010), fits as coded in CoolProp 8.0.0 (MEA, MMA)"
# Stull's old compilation: 3 to 4 % below later measurements under 70 degC, as the rows from NIST's Antoine equation show.
CRC_VAPOUR = "CRC Handbook of Chemistry and Physics, 44th edition, vapour pressure of isopropyl alcohol"
CAREY = "Carey and Lewis, Ind. Eng. Chem. 24 (1932), boiling points of ethanol and water at 1 atm"
PERRY_VLE = "Perry's Chemical Engineers' Handbook, vapour-liquid equilibrium of methanol and water at 1 atm"
AZEOTROPE = "azeotrope at 1 atm, CRC Handbook"


@pytest.fixture(autouse=True, scope="module")
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(cache.ENVIRONMENT, str(tmp_path_factory.mktemp("cache")))
        cache.forget()
        yield
        cache.forget()


def water_of(alcohol: str, x: float) -> float:
    """Mass fraction of water at a mole fraction of alcohol."""
    return (1.0 - x) * MOLAR_MASS["water"] / ((1.0 - x) * MOLAR_MASS["water"] + x * MOLAR_MASS[alcohol])


# id, ethanol mass fraction, density [kg/m^3], certainty, source
FORMULA: list[tuple[str, float, float, Certainty, str]] = [
    ("AW1-0", 0.0, 998.201, "from memory", OIML + "water at 20 degC"),
    ("AW1-5", 0.05, 989.38, "published", PERRY),
    ("AW1-10", 0.10, 981.87, "published", PERRY),
    ("AW1-12", 0.12, 979.10, "published", PERRY),
    ("AW1-50", 0.50, 913.84, "from memory", PERRY),
    ("AW1-100", 1.0, 789.239, "from memory", OIML + "ethanol at 20 degC"),
]


@pytest.mark.parametrize(("id_", "share", "rho", "certainty", "source"), FORMULA, ids=lambda v: str(v)[:12])
def test_oiml_formula(id_: str, share: float, rho: float, certainty: Certainty, source: str) -> None:
    check = OutsideCheck(id_, f"ethanol {100 * share:g} %, 20 degC: density", rho, "kg/m^3", 1e-4, source, certainty)
    verify(check, ethanol_water_density(share, 293.15))


# id, alcohol, mass fraction, temperature [K], density [kg/m^3], relative tolerance, source, certainty
DENSITY: list[tuple[str, str, float, float, float, float, str, Certainty]] = [
    ("AW2-e40", "ethanol", 0.40, 293.15, 935.18, 1e-3, PERRY, "from memory"),
    ("AW2-e60", "ethanol", 0.60, 293.15, 891.13, 1e-3, PERRY, "from memory"),
    ("AW2-e80", "ethanol", 0.80, 293.15, 843.44, 1e-3, PERRY, "from memory"),
    ("AW2-m66", "methanol", 0.66, 293.15, 881.0, 1.5e-3, CRC, "published"),
    ("AW2-m84", "methanol", 0.84, 293.15, 836.5, 1.5e-3, CRC, "published"),
    ("AW2-m96", "methanol", 0.96, 293.15, 803.4, 1.5e-3, CRC, "published"),
    ("AW2-i40", "isopropanol", 0.40, 293.15, 930.2, 2e-3, CRC, "published"),
    ("AW2-i60", "isopropanol", 0.60, 293.15, 882.4, 2e-3, CRC, "published"),
    ("AW2-i80", "isopropanol", 0.80, 293.15, 834.1, 2e-3, CRC, "published"),
    ("AW2-i100", "isopropanol", 1.0, 293.15, 784.8, 3e-3, CRC, "published"),
    ("AW2-e40-cold", "ethanol", 0.40, 283.15, 942.414, 1e-3, MELINDER, "library"),
    ("AW2-m50-warm", "methanol", 0.50, 313.15, 904.0, 3e-3, MELINDER, "library"),
]


@pytest.mark.parametrize("row", DENSITY, ids=lambda row: row[0])
def test_density(row: tuple[str, str, float, float, float, float, str, Certainty]) -> None:
    id_, alcohol, share, temperature, expected, tolerance, source, certainty = row
    if certainty == "library":
        from CoolProp import CoolProp as coolprop

        fluid = "MEA" if alcohol == "ethanol" else "MMA"
        library = float(coolprop.PropsSI("D", "T", temperature, "P", 2e5, f"INCOMP::{fluid}[{share}]"))
        assert library == pytest.approx(expected, rel=2e-3)
        expected = library
    what = f"{alcohol} {100 * share:g} %, {temperature:g} K: density"
    check = OutsideCheck(id_, what, expected, "kg/m^3", tolerance, source, certainty)
    verify(check, alcohol_water(alcohol, 1.0 - share, temperature, 1.5e5)["density"])


# id, alcohol, mole fraction of alcohol, boiling point at 1 atm [degC], tolerance [K], source, certainty
BOILING: list[tuple[str, str, float, float, float, str, Certainty]] = [
    ("AW3-e12", "ethanol", 0.1238, 85.3, 0.5, CAREY, "from memory"),
    ("AW3-e33", "ethanol", 0.3273, 81.5, 0.3, CAREY, "from memory"),
    ("AW3-e51", "ethanol", 0.5079, 79.8, 0.3, CAREY, "from memory"),
    ("AW3-e89", "ethanol", 0.8943, 78.15, 0.2, AZEOTROPE, "from memory"),
    ("AW3-m30", "methanol", 0.3, 78.0, 0.7, PERRY_VLE, "from memory"),
    ("AW3-m50", "methanol", 0.5, 73.1, 0.5, PERRY_VLE, "from memory"),
    ("AW3-m70", "methanol", 0.7, 69.3, 0.5, PERRY_VLE, "from memory"),
    ("AW3-m90", "methanol", 0.9, 66.0, 0.5, PERRY_VLE, "from memory"),
    ("AW3-i68", "isopropanol", 0.68, 80.3, 0.5, AZEOTROPE, "from memory"),
]


@pytest.mark.parametrize("row", BOILING, ids=lambda row: row[0])
def test_boiling_point(row: tuple[str, str, float, float, float, str, Certainty]) -> None:
    id_, alcohol, x, expected, tolerance, source, certainty = row
    water = water_of(alcohol, x)
    assert mole_fraction(alcohol, water) == pytest.approx(x)
    boiling = float(brentq(lambda t: bubble_pressure(alcohol, water, t) - ATMOSPHERE, 320.0, 380.0)) - 273.15
    what = f"{alcohol} with water, mole fraction {x:g}: boiling point at 1 atm"
    verify(OutsideCheck(id_, what, expected, "degC", tolerance, source, certainty, absolute=True), boiling)


@pytest.mark.parametrize(
    ("degrees", "torr"),
    [(39.5, 100.0), (67.8, 400.0), (82.5, 760.0), (101.3, 1520.0), (130.2, 3800.0), (155.7, 7600.0)],
)
def test_vapour_pressure_of_isopropanol(degrees: float, torr: float) -> None:
    check = OutsideCheck(
        f"AW4-{degrees:g}", f"isopropanol, {degrees:g} degC: vapour pressure", torr * ATMOSPHERE / 760.0, "Pa", 0.05,
        CRC_VAPOUR, "published",
    )  # fmt: skip
    verify(check, isopropanol_vapour_pressure(degrees + 273.15))


@pytest.mark.parametrize("temperature", [335.0, 345.0, 355.0])
def test_vapour_pressure_of_isopropanol_against_antoine(temperature: float) -> None:
    expected = 1e5 * 10.0 ** (4.8610 - 1357.427 / (temperature - 75.814))
    source = "NIST Chemistry WebBook, Antoine equation of 2-propanol (Ambrose and Sprake 1970), 330 to 362 K"
    what = f"isopropanol, {temperature:g} K: vapour pressure"
    verify(OutsideCheck(f"AW4a-{temperature:g}", what, expected, "Pa", 0.01, source, "from memory"),
           isopropanol_vapour_pressure(temperature))  # fmt: skip


@pytest.mark.parametrize(("degrees", "viscosity"), [(0.0, 4.5646e-3), (20.0, 2.3703e-3), (40.0, 1.3311e-3)])
def test_viscosity_of_isopropanol(degrees: float, viscosity: float) -> None:
    source = "isopropyl alcohol data page of a public encyclopaedia, from the Korea thermophysical data bank"
    what = f"isopropanol, {degrees:g} degC: viscosity"
    verify(OutsideCheck(f"AW5-{degrees:g}", what, viscosity, "Pa s", 0.03, source, "published"),
           isopropanol_viscosity(degrees + 273.15))  # fmt: skip


@pytest.mark.parametrize("alcohol", ["ethanol", "methanol"])
@pytest.mark.parametrize("share", [0.4, 0.5, 0.6])
@pytest.mark.parametrize("temperature", [283.15, 293.15, 313.15])
def test_viscosity_and_heat_capacity_against_fits(alcohol: str, share: float, temperature: float) -> None:
    """Melinder's fits end at 60 % alcohol; methanol's viscosity away from 20 degC rests on ethanol's fading, hence 5 %."""
    from CoolProp import CoolProp as coolprop

    fluid = f"INCOMP::{'MEA' if alcohol == 'ethanol' else 'MMA'}[{share}]"
    got = alcohol_water(alcohol, 1.0 - share, temperature, 2e5)
    for key, letter, unit, tolerance in (
        ("viscosity", "V", "Pa s", 0.015 if alcohol == "ethanol" else 0.05),
        ("heat_capacity", "C", "J/(kg K)", 0.03),
    ):
        expected = float(coolprop.PropsSI(letter, "T", temperature, "P", 2e5, fluid))
        what = f"{alcohol} {100 * share:g} %, {temperature:g} K: {key.replace('_', ' ')}"
        row = f"AW6-{alcohol[0]}{100 * share:.0f}-{temperature:.0f}-{letter}"
        verify(OutsideCheck(row, what, expected, unit, tolerance, MELINDER, "library"), got[key])


def test_the_limits_meet_the_pure_liquids() -> None:
    """Nearly no water: the numbers of the pure alcohol, which are CoolProp's own for ethanol."""
    pure, nearly = liquid_state("ethanol", 300.0, 2e6), alcohol_water("ethanol", 1e-6, 300.0, 2e6)
    for key, tolerance in (("density", 1e-4), ("vapour_pressure", 1e-4), ("viscosity", 0.02), ("sound_speed", 0.015)):
        assert nearly[key] == pytest.approx(getattr(pure, key), rel=tolerance), key


def test_hot_mixture_lies_between_its_parts() -> None:
    """At 120 degC no table is at hand: density and sound lie between the two liquids, vapour pressure above the lower."""
    water, ethanol = liquid_state("water", 393.15, 2e6), liquid_state("ethanol", 393.15, 2e6)
    got = liquid_state("ethanol 75 %", 393.15, 2e6)
    assert ethanol.density < got.density < water.density
    assert ethanol.sound_speed < got.sound_speed < water.sound_speed
    assert water.vapour_pressure < got.vapour_pressure < 1.1 * ethanol.vapour_pressure
