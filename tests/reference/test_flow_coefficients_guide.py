"""Every number of the guide on flow coefficients, worked out again from the definitions of the units."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from outside import OutsideCheck, verify

import valvectl
from valvectl.parts import flow_coefficients, valve, valve_fitted, valve_gas

TEXT = (Path(valvectl.__file__).parent / "guide" / "flow-coefficients.md").read_text(encoding="utf-8")
YARD = "international yard and pound agreement, 1959; standard gravity, 3rd CGPM 1901: exact by definition"
STANDARD = "IEC 60534-2-1:2011, table of numerical constants (from memory and from fluids 1.3.1)"

GALLON = 231.0 * 0.0254**3
PSI = 0.45359237 * 9.80665 / 0.0254**2
# Coefficients as Av [mm2]: the definitions alone, not the program's constants.
KV_AV = math.sqrt(999.1 / 1e5) / 3600.0 * 1e6
AV = {"Kv": KV_AV, "Cv": GALLON * 60.0 * math.sqrt(1e5 / PSI) * KV_AV, "Av [mm2]": 1.0, "CdA [mm2]": math.sqrt(2.0)}
SEVEN = 6e-7
"""Relative error of a number printed to seven digits."""


def rows(head: str) -> list[list[str]]:
    """Cells of the table whose first line begins with ``head``."""
    lines = TEXT.split(head, 1)[1].splitlines()[2:]
    out = []
    for line in lines:
        if not line.startswith("|"):
            break
        out.append([cell.strip() for cell in line.strip("|").split("|")])
    return out


def test_conversion_table() -> None:
    names = list(AV)
    seen = 0
    for source, *cells in rows("| from \\ to |"):
        for target, cell in zip(names, cells, strict=True):
            assert float(cell) == pytest.approx(AV[source] / AV[target], rel=SEVEN), (source, target)
            seen += 1
    assert seen == 16


def test_loss_coefficients() -> None:
    seen = 0
    for source, loss, _, target, back in rows("| K from |"):
        assert source == target
        constant = math.pi**2 / 8.0 / AV[source] ** 2
        assert float(re.findall(r"= ([\d.]+) d", loss)[0]) == pytest.approx(constant, rel=SEVEN)
        assert float(re.findall(r"= ([\d.]+) d", back)[0]) == pytest.approx(math.sqrt(constant), rel=SEVEN)
        seen += 1
    assert seen == 4


def printed(pattern: str) -> float:
    found = re.search(pattern, " ".join(TEXT.split()))
    assert found is not None, pattern
    return float(found.group(1))


PROSE = [
    (r"cubic inches, ([\d.e-]+) m3", GALLON, 1e-12),
    (r"\(0\.0254 m\)2 = ([\d.]+) Pa\. A", PSI, SEVEN),
    (r"x 60 = ([\d.]+) m3/h", GALLON * 60.0, SEVEN),
    (r"sqrt\(1e5 / 6894\.757293\) = ([\d.]+) times", math.sqrt(1e5 / PSI), SEVEN),
    (r"\*\*Cv to Kv, ([\d.]+)\.\*\*", AV["Cv"] / KV_AV, SEVEN),
    (r"\*\*Kv to Av, ([\d.]+) mm2", KV_AV, SEVEN),
    (r"Av = sqrt\(999\.1 / 1e5\) / 3600 = ([\d.e-]+) m2", KV_AV * 1e-6, SEVEN),
    (r"\*\*Av to CdA, ([\d.]+)\.\*\*", math.sqrt(0.5), SEVEN),
    (r"where ([\d.]+) = pi / \(2 sqrt\(2\)\)", math.pi / (2.0 * math.sqrt(2.0)), SEVEN),
    (r"e-5\)2 = ([\d.]+) with d in mm", math.pi**2 / 8.0 / KV_AV**2, SEVEN),
    (r"/ sqrt\(0\.05\) = ([\d.]+)\.", math.pi * math.sqrt(0.125 / 0.05) * 64.0 / KV_AV, SEVEN),
]


@pytest.mark.parametrize(("pattern", "expected", "tolerance"), PROSE, ids=[p[:24] for p, _, _ in PROSE])
def test_numbers_in_the_text(pattern: str, expected: float, tolerance: float) -> None:
    assert printed(pattern) == pytest.approx(expected, rel=tolerance)


def test_constants_of_the_standard() -> None:
    c = KV_AV * 1e-6
    derived = {
        "N1": 3600.0 * c * math.sqrt(1e3 / 999.1),
        "N2": math.pi**2 / 8.0 * 1e-12 / c**2,
        "N4": math.sqrt(4.0 * math.sqrt(2.0) / (math.pi * c)) / 3600.0,
        "N5": 9.0 / 8.0 * math.pi**2 / 8.0 * 1e-12 / c**2,
        "N6": 3600.0 * c * math.sqrt(1e3),
    }
    standard = {"N1": 0.1, "N2": 1.60e-3, "N4": 7.07e-2, "N5": 1.80e-3, "N6": 3.16}
    table = rows("| constant |")
    assert [row[0] for row in table] == list(derived)
    for name, own, rounded, _ in table:
        assert float(own) == pytest.approx(derived[name], rel=SEVEN)
        assert float(rounded) == standard[name]
        check = OutsideCheck(
            f"FG-{name}", f"{name} from the definitions", standard[name], "", 1e-3, STANDARD, "from memory"
        )
        verify(check, derived[name])
    assert standard["N2"] == valve_fitted.N2
    assert standard["N5"] == valve_gas.N5


PROGRAM = [
    (OutsideCheck("FG-cv", "Kv of Cv 1", AV["Cv"] / KV_AV, "m3/h", 1e-9, YARD, "recomputed"), valve.CV_TO_KV),
    (OutsideCheck("FG-av", "Av of Kv 1", KV_AV * 1e-6, "m2", 1e-12, YARD, "recomputed"), valve.KV_TO_C),
    (
        OutsideCheck("FG-cda", "CdA of Kv 1", KV_AV * 1e-6 / math.sqrt(2.0), "m2", 1e-12, YARD, "recomputed"),
        flow_coefficients.kv_to_cda(1.0),
    ),
    (
        OutsideCheck("FG-k", "K of Kv 1 on 10 mm", math.pi**2 / 8.0 * 1e4 / KV_AV**2, "", 1e-12, YARD, "recomputed"),
        flow_coefficients.kv_to_k(1.0, 0.01),
    ),
]


@pytest.mark.parametrize(("check", "got"), PROGRAM, ids=[check.id for check, _ in PROGRAM])
def test_the_programs_constants_are_those_of_the_definitions(check: OutsideCheck, got: float) -> None:
    verify(check, got)


def test_conversions_listed_in_the_program_are_those_of_the_table() -> None:
    listed = {c.name: c.factor for c in flow_coefficients.CONVERSIONS}
    assert listed["Cv to Kv"] == pytest.approx(AV["Cv"] / KV_AV, rel=1e-9)
    assert listed["Kv to Cv"] * listed["Cv to Kv"] == pytest.approx(1.0, rel=1e-15)
    assert listed["Kv to CdA [m^2]"] == pytest.approx(1e-6 * KV_AV / math.sqrt(2.0), rel=1e-12)
    assert listed["K (Kv/d[mm]^2)^2"] == pytest.approx(math.pi**2 / 8.0 / KV_AV**2, rel=1e-12)


def test_water_of_the_reference_density() -> None:
    from CoolProp.CoolProp import PropsSI

    check = OutsideCheck(
        "FG-water", "density of water, 15 degC, 1 atm", 999.1, "kg/m3", 1e-4, "IAPWS-95 through CoolProp", "library"
    )
    verify(check, float(PropsSI("D", "T", 288.15, "P", 101325.0, "Water")))
