"""Separation in the nozzle, orifices of the injector and the jacket's heat against tables and closed forms."""

from __future__ import annotations

import math

import pytest
from outside import OutsideCheck, verify

from valvectl.parts import jacket, nozzle, orifice, separation
from valvectl.parts.warm_liquid import warm_table

NACA = "NACA report 1135 (1953), isentropic table for gamma 1.4, from memory: M 3: p/p0 0.02722, A/A* 4.235; M 2: 0.1278, 1.6875"
SCHMUCKER = "Schmucker (1973), NASA TM-77396: p_sep/pa = (1.88 M - 1)^-0.64, worked out by hand"
KALT = "Kalt and Badal, J. Spacecraft and Rockets 2 (1965): p_sep/pa = 2/3 (pc/pa)^-0.2, worked out by hand"
LICHTAROWICZ = "Lichtarowicz, Duggins and Markland, J. Mech. Eng. Sci. 7 (1965), their formula by hand"
NURICK = "Nurick, J. Fluids Engineering 98 (1976), his formulas by hand"
SUTTON = "Sutton and Biblarz, Rocket Propulsion Elements, table of injector discharge coefficients"
BARTZ = "Bartz, Jet Propulsion 27 (1957): heat flux with chamber pressure^0.8; closed form 0.5^0.8 / 0.5 = 2^0.2"
NIST = "NIST Chemistry WebBook, saturated liquid"

ROWS: list[tuple[OutsideCheck, float]] = [
    (OutsideCheck("ES1", "Summerfield, gamma 1.4, pc/pa 0.4/0.02722: separation area ratio", 4.235, "", 1e-3, NACA,
                  "from memory"),
     separation.separation_area_ratio(separation.SUMMERFIELD, 1.4, 10.0, 0.4 / 0.02722)),
    (OutsideCheck("ES2", "Summerfield, gamma 1.4, pc/pa 0.4/0.1278: separation area ratio", 1.6875, "", 1e-3, NACA,
                  "from memory"),
     separation.separation_area_ratio(separation.SUMMERFIELD, 1.4, 10.0, 0.4 / 0.1278)),
    (OutsideCheck("ES3", "Schmucker at Mach 2", 0.52217, "", 1e-4, SCHMUCKER, "from memory"),
     separation.schmucker_ratio(2.0)),
    (OutsideCheck("ES4", "Schmucker at Mach 3", 0.37451, "", 1e-4, SCHMUCKER, "from memory"),
     separation.schmucker_ratio(3.0)),
    (OutsideCheck("ES5", "Schmucker at Mach 4", 0.30122, "", 1e-4, SCHMUCKER, "from memory"),
     separation.schmucker_ratio(4.0)),
    (OutsideCheck("ES6", "Schmucker, gamma 1.4, pc/pa 0.52217/0.1278: separation area ratio", 1.6875, "", 1e-3,
                  f"{SCHMUCKER}; {NACA}", "from memory"),
     separation.separation_area_ratio(separation.SCHMUCKER, 1.4, 10.0, 0.52217 / 0.1278)),
    (OutsideCheck("ES7", "Kalt and Badal at pc/pa 32", 1.0 / 3.0, "", 1e-9, KALT, "from memory"),
     separation.kalt_badal_ratio(32.0)),
    (OutsideCheck("ES8", "sharp orifice, L/D 2, high Reynolds number: Cd", 0.810, "", 2e-3, LICHTAROWICZ, "from memory"),
     orifice.sharp_coefficient(2.0, 1e7)),
    (OutsideCheck("ES9", "sharp orifice, L/D 10, high Reynolds number: Cd", 0.742, "", 2e-3, LICHTAROWICZ, "from memory"),
     orifice.sharp_coefficient(10.0, 1e7)),
    # by hand 1 / (1.26103 + 0.02 - 0.01623) and 1 / (1.27470 + 0.245 - 0.00410)
    (OutsideCheck("ES10", "sharp orifice, L/D 4, Re 1e4: Cd", 0.79063, "", 1e-4, LICHTAROWICZ, "from memory"),
     orifice.sharp_coefficient(4.0, 1e4)),
    (OutsideCheck("ES11", "sharp orifice, L/D 5, Re 1e3: Cd", 0.65981, "", 1e-4, LICHTAROWICZ, "from memory"),
     orifice.sharp_coefficient(5.0, 1e3)),
    (OutsideCheck("ES12", "jet contraction at inlet radius 0.1 d", 0.8272, "", 1e-3, NURICK, "from memory"),
     orifice.contraction(0.1)),
    (OutsideCheck("ES13", "cavitation number at which a sharp orifice of Cd 0.8 cavitates", 1.665, "", 1e-3, NURICK,
                  "from memory"),
     orifice.critical_cavitation_number(0.8, 0.0)),
    (OutsideCheck("ES14", "cavitation number, 40 to 10 bar, vapour 1 bar", 1.3, "", 1e-12, NURICK, "from memory"),
     orifice.cavitation_number(40e5, 10e5, 1e5)),
    (OutsideCheck("ES15", "short tube with rounded entrance, L/D 3: Cd", 0.89, "", 0.05, SUTTON, "from memory"),
     orifice.discharge_coefficient(3.0, 3e4, 0.2)),
    (OutsideCheck("ES16", "thin sharp orifice: Cd", 0.61, "", 0.02, SUTTON, "from memory"),
     orifice.discharge_coefficient(0.3, 5e4, 0.0)),
    (OutsideCheck("ES17", "flow number of 0.8 times 1 mm^2, water at 1 bar: 0.8 sqrt(2 * 998 * 1e5) mm^2 / sqrt(998 * 1e5)",
                  1.13137e-6, "m^2", 1e-5, "closed form sqrt(2) Cd A", "recomputed"),
     orifice.flow_number(0.8e-6)),
    (OutsideCheck("ES18", "heat per mass at half pressure and half flow over that at full", 2.0**0.2, "", 1e-12, BARTZ,
                  "from memory"),
     jacket.absorbed(1.0, 0.5, 0.5)),
    (OutsideCheck("ES19", "dwell of 35 cm^3 of 800 kg/m^3 at 0.28 kg/s", 0.1, "s", 1e-12, "closed form V rho / m",
                  "recomputed"),
     jacket.dwell(35e-6, 800.0, 0.28)),
]  # fmt: skip


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0].id)
def test_laws(row: tuple[OutsideCheck, float]) -> None:
    verify(*row)


# id, liquid, temperature [K], pressure [Pa], column, expected, unit, tolerance
WARM: list[tuple[str, str, float, float, str, float, str, float]] = [
    ("ES20", "methanol", 337.63, 2e6, "vapour_pressure", 101325.0, "Pa", 0.01),
    ("ES21", "ethanol", 351.44, 2e6, "vapour_pressure", 101325.0, "Pa", 0.01),
    ("ES22", "water", 393.15, 2e6, "vapour_pressure", 198.67e3, "Pa", 0.002),
    ("ES23", "water", 393.15, 1e6, "density", 943.5, "kg/m^3", 0.001),
    ("ES24", "water", 393.15, 1e6, "heat_capacity", 4243.0, "J/(kg K)", 0.002),
    ("ES25", "methanol", 298.15, 1e6, "heat_capacity", 2530.0, "J/(kg K)", 0.01),
]


@pytest.mark.parametrize("row", WARM, ids=lambda row: row[0])
def test_warm_liquids(row: tuple[str, str, float, float, str, float, str, float]) -> None:
    id_, name, temperature, pressure, column, expected, unit, tolerance = row
    check = OutsideCheck(id_, f"{name} at {temperature:g} K: {column}", expected, unit, tolerance, NIST, "from memory")
    verify(check, warm_table(name, [temperature], pressure)[column][0])


def test_a_separated_nozzle_is_one_that_was_cut_off() -> None:
    """Beyond the separation the wall sees ambient pressure: the thrust of a nozzle that ends there."""
    gamma, chamber, ambient = 1.2, 6e5, 1e5
    long, short = 20.0, separation.separation_area_ratio(separation.SUMMERFIELD, gamma, 20.0, chamber / ambient)
    assert 1.0 < short < long
    got = separation.separated_thrust_coefficient(
        separation.SUMMERFIELD, gamma, long, nozzle.area_ratio_to_pressure_ratio(long, gamma), chamber, ambient
    )
    cut = nozzle.thrust(chamber, 1.0, gamma, short, ambient) / chamber
    verify(
        OutsideCheck("ES26", "separated thrust coefficient, gamma 1.2, eps 20, pc/pa 6", cut, "", 1e-9,
                     "closed form of the cut nozzle", "recomputed"),
        got,
    )  # fmt: skip
    assert math.isclose(nozzle.area_ratio_to_pressure_ratio(short, gamma) * chamber, 0.4 * ambient, rel_tol=1e-9)
