"""Burning at once in a closed volume: specific force against equilibrium set up apart, worst mixture ratio."""

from __future__ import annotations

import numpy as np
import pytest
from outside import OutsideCheck, verify

from valvectl.parts import start
from valvectl.parts.closed_burn import DENSITY, ForceCurve, force_curve, force_from_c_star, worst_burst
from valvectl.parts.combustion import c_star_grid_from_table

CANTERA = (
    "Cantera, equilibrium at constant internal energy and volume, NASA species data, set up apart from this program"
)
SPECIES = ("H2", "H", "O", "O2", "OH", "H2O", "CO", "CO2", "HO2", "H2O2", "CH4", "HCO", "CH3")


def closed_methanol(ratio: float) -> float:
    """p / rho [J/kg] of liquid oxygen (-12.979 kJ/mol) and methanol (-238.9 kJ/mol) by another list of species."""
    import cantera

    species = [s for s in cantera.Species.list_from_file("nasa_gas.yaml") if s.name in SPECIES]
    gas = cantera.Solution(thermo="ideal-gas", species=species)
    oxygen, methanol = ratio / (1.0 + ratio) / 31.998e-3, 1.0 / (1.0 + ratio) / 32.042e-3
    gas.TPX = 3000.0, 50e5, {"O2": oxygen, "H2": 2.0 * methanol, "CO": methanol}
    gas.equilibrate("TP")
    gas.UV = -12.979e3 * oxygen - 238.9e3 * methanol, 1.0 / DENSITY
    gas.equilibrate("UV")
    return float(gas.P) / DENSITY


@pytest.mark.parametrize("ratio", [0.8, 1.2, 2.5, 6.0, 11.0])
def test_force_of_methanol(ratio: float) -> None:
    curve = force_curve("oxygen", "methanol", 1.2)
    got = float(np.interp(np.log(ratio), np.log(curve.ratio), curve.force))
    check = OutsideCheck(f"closed-{ratio:g}", f"p/rho, oxygen and methanol at O/F {ratio:g}", closed_methanol(ratio), "J/kg",
                         6e-3, CANTERA, "library")  # fmt: skip
    verify(check, got)


def test_from_c_star_near_the_design_point() -> None:
    """gamma R T from c* and the shifting gamma against constant volume: within 5 %, for propellants given as a table."""
    source = "constant-volume combustion: T is about gamma times that at constant pressure; any text on gas dynamics"
    check = OutsideCheck("closed-c-star", "gamma (c* Gamma)^2 of oxygen and methanol, O/F 1.2, c* 1683 m/s, gamma 1.125",
                         closed_methanol(1.2), "J/kg", 0.05, source, "recomputed")  # fmt: skip
    verify(check, start.closed_force(1683.0, 1.125))


FLAT = ForceCurve(np.array([0.5, 1.0, 2.0]), np.array([1e6, 1e6, 1e6]), True)


@pytest.mark.parametrize(
    ("oxidizer", "fuel", "ratio"),
    [
        ("nitrous oxide", "hydrogen", 1.2),
        ("nitrous oxide", "ethanol 50 %", 3.0),
        ("oxygen", "rp-1", 2.3),
        ("oxygen", "hydrogen", 5.0),
    ],
)
def test_curves_end_where_the_gas_would_not_burn(oxidizer: str, fuel: str, ratio: float) -> None:
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        curve = force_curve(oxidizer, fuel, ratio)
    assert curve.ratio.size == curve.force.size > 10
    assert np.all(np.diff(curve.ratio) > 0.0)
    assert np.all((curve.force > 5e4) & (curve.force < 4e6))
    assert curve.ratio[0] < ratio < curve.ratio[-1]


def test_worst_burst_by_hand() -> None:
    rise, mass, ratio = worst_burst(2e-3, 2e-3, 1e-3, FLAT)
    assert (mass, ratio) == (pytest.approx(4e-3, rel=2e-3), pytest.approx(1.0, rel=2e-3))
    assert rise == pytest.approx(4e6, rel=2e-3)
    # one propellant in excess: only what the curve's end allows takes part
    assert worst_burst(1.0, 1e-3, 1e-3, FLAT)[:2] == (pytest.approx(3e6), pytest.approx(3e-3))
    assert worst_burst(0.0, 1e-3, 1e-3, FLAT)[0] == 0.0


def test_no_mixture_beats_the_worst() -> None:
    curve = force_curve("oxygen", "methanol", 1.2)
    rng = np.random.default_rng(3)
    for _ in range(20):
        oxidizer, fuel = rng.uniform(1e-4, 5e-2, 2)
        rise, mass, ratio = worst_burst(oxidizer, fuel, 1e-3, curve)
        assert mass <= (oxidizer + fuel) * (1.0 + 1e-12)
        for r in rng.uniform(curve.ratio[0], curve.ratio[-1], 20):
            force = float(np.interp(np.log(r), np.log(curve.ratio), curve.force))
            assert start.burnable_mass(oxidizer, fuel, float(r)) * force / 1e-3 <= rise * (1.0 + 5e-3)
        assert worst_burst(1.1 * oxidizer, fuel, 1e-3, curve)[0] >= rise
        assert curve.ratio[0] <= ratio <= curve.ratio[-1]


def test_a_c_star_table_ends_at_its_edges() -> None:
    grid = c_star_grid_from_table([1.0, 1.2, 1.5], [15e5], [[1660.0, 1683.0, 1650.0]], 1.125)
    curve = force_from_c_star(grid, 15e5)
    assert not curve.whole
    assert (curve.ratio[0], curve.ratio[-1]) == (pytest.approx(1.0), pytest.approx(1.5))
    assert float(np.max(curve.force)) == pytest.approx(start.closed_force(1683.0, 1.125), rel=1e-3)
