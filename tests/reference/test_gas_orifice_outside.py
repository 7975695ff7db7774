"""Gas through a hole, and nitrogen and helium at a state, against textbooks, tables and a library."""

from __future__ import annotations

import math

import pytest
from outside import OutsideCheck, verify

from valvectl.parts import gas_orifice
from valvectl.parts.gas_state import gas_state
from valvectl.parts.valve_gas import GAS_CONSTANT
from valvectl.studies.gas_service import gas_orifice_service

SHAPIRO = "Shapiro, Compressible Fluid Flow; isentropic tables, p*/p0"
NACA = "NACA report 1135 (1953), isentropic tables"
FLUX = "any text of gas dynamics: air, R 287, choked flow per area = 0.040418 p0/sqrt(T0) [kg/(m2 s), Pa, K]"
VIRIAL = "second virial coefficients of Dymond and Smith, N2 -4.5 and He +11.8 cm3/mol at 300 K; Z = 1 + B p/(R T)"
VISCOSITY = "handbook tables, gas at 300 K and 1 atm: nitrogen 17.9, helium 19.9 uPa s"
KINETIC = "kinetic theory: 5/3 for one atom, 7/5 for two"


def flow_of_air(p2: float) -> float:
    rho = 1e5 / (287.0 * 300.0)
    return gas_orifice.orifice_gas_flow(1.0, 1.4, 1e5, p2, rho)


ROWS = [
    (OutsideCheck("GO-rc", "critical ratio, gamma 1.4", 0.52828, "", 1e-5, SHAPIRO, "published"),
     gas_orifice.critical_ratio(1.4)),
    (OutsideCheck("GO-rc-He", "critical ratio, gamma 5/3", 0.48714, "", 1e-5, SHAPIRO, "published"),
     gas_orifice.critical_ratio(5.0 / 3.0)),
    (OutsideCheck("GO-rc-13", "critical ratio, gamma 1.3", 0.54573, "", 1e-5, SHAPIRO, "published"),
     gas_orifice.critical_ratio(1.3)),
    (OutsideCheck("GO-flux", "choked flow of air, 1 bar, 300 K, per m2", 0.040418 * 1e5 / math.sqrt(300.0), "kg/s", 5e-5, FLUX,
                  "from memory"), flow_of_air(0.0)),
    # p/p0 0.84302 is Mach 0.5; A*/A = 1/1.3398 there, and the flow through a given hole is that share of the choked flow.
    (OutsideCheck("GO-M05", "free flow at Mach 0.5 over choked flow, gamma 1.4", 1.0 / 1.3398, "", 5e-5, NACA, "published"),
     flow_of_air(0.84302e5) / flow_of_air(0.0)),
    (OutsideCheck("GO-M08", "free flow at Mach 0.8 over choked flow, gamma 1.4", 1.0 / 1.0382, "", 5e-5, NACA, "published"),
     flow_of_air(0.65602e5) / flow_of_air(0.0)),
    (OutsideCheck("GO-ZN2", "Z of nitrogen, 300 K, 10 bar", 1.0 - 4.5e-6 * 1e6 / (GAS_CONSTANT * 300.0), "", 5e-4, VIRIAL,
                  "from memory"), gas_state("nitrogen", 1e6, 300.0).z),
    (OutsideCheck("GO-ZHe", "Z of helium, 300 K, 10 bar", 1.0 + 11.8e-6 * 1e6 / (GAS_CONSTANT * 300.0), "", 5e-4, VIRIAL,
                  "from memory"), gas_state("helium", 1e6, 300.0).z),
    (OutsideCheck("GO-muN2", "viscosity of nitrogen, 300 K", 17.9e-6, "Pa s", 0.01, VISCOSITY, "from memory"),
     gas_state("nitrogen", 101325.0, 300.0).viscosity),
    (OutsideCheck("GO-muHe", "viscosity of helium, 300 K", 19.9e-6, "Pa s", 0.01, VISCOSITY, "from memory"),
     gas_state("helium", 101325.0, 300.0).viscosity),
    (OutsideCheck("GO-gN2", "gamma of nitrogen, dilute", 1.4, "", 1e-3, KINETIC, "recomputed"),
     gas_state("nitrogen", 1e6, 293.15).gamma),
    (OutsideCheck("GO-gHe", "gamma of helium, dilute", 5.0 / 3.0, "", 1e-6, KINETIC, "recomputed"),
     gas_state("helium", 1e6, 293.15).gamma),
]  # fmt: skip


@pytest.mark.parametrize(("check", "got"), ROWS, ids=[check.id for check, _ in ROWS])
def test_against_published_numbers(check: OutsideCheck, got: float) -> None:
    verify(check, got)


@pytest.mark.parametrize(("gamma", "p2"), [(1.4, 3e5), (1.4, 8e5), (5.0 / 3.0, 6e5), (1.3, 9.9e5)])
def test_flow_by_stepping_the_expansion(gamma: float, p2: float) -> None:
    """Energy and continuity: v^2/2 is the integral of dp/rho along the isentrope; the narrowest jet is the largest rho v."""
    p1, rho1 = 1e6, 11.0
    best, enthalpy, p, steps = 0.0, 0.0, p1, 20000
    step = (p1 - p2) / steps
    for _ in range(steps):
        middle = p - 0.5 * step
        enthalpy += step / (rho1 * (middle / p1) ** (1.0 / gamma))
        p -= step
        best = max(best, rho1 * (p / p1) ** (1.0 / gamma) * math.sqrt(2.0 * enthalpy))
    check = OutsideCheck(
        f"GO-step-{gamma:.2f}-{p2 / 1e5:g}", "flow per area, expansion in steps", best, "kg/(m2 s)", 1e-6,
        "Euler's equation along an isentrope, summed by the midpoint rule", "recomputed",
    )  # fmt: skip
    verify(check, gas_orifice.orifice_gas_flow(1.0, gamma, p1, p2, rho1))


@pytest.mark.parametrize("gamma", [1.1, 1.3, 1.4, 1.66])
def test_critical_pressure_against_fluids(gamma: float) -> None:
    from fluids.compressible import P_critical_flow

    check = OutsideCheck(
        f"GO-fluids-{gamma:g}", "critical pressure of 1 MPa", float(P_critical_flow(1e6, gamma)), "Pa", 1e-12,
        "fluids 1.3.1, P_critical_flow", "library",
    )  # fmt: skip
    verify(check, 1e6 * gas_orifice.critical_ratio(gamma))


def test_a_hole_sized_by_hand() -> None:
    """Nitrogen, 40 bar, 293.15 K, choked: m = 0.6847 CdA p1 / sqrt(Z R T) with 0.6847 = sqrt(gamma) (2/(gamma+1))^3."""
    z = gas_state("nitrogen", 40e5, 293.15).z
    area = 5e-3 * math.sqrt(z * 296.80 * 293.15) / (0.68473 * 40e5)
    check = OutsideCheck(
        "GO-hole", "hole for 5 g/s of nitrogen from 40 bar, Cd 0.8", math.sqrt(4.0 * area / (0.8 * math.pi)), "m", 2e-4,
        "choked nozzle flow by hand; R of nitrogen 296.80 J/(kg K)", "recomputed",
    )  # fmt: skip
    verify(check, gas_orifice_service("nitrogen", 40e5, 1e5, mass_flow=5e-3, cd=0.8).diameter)
