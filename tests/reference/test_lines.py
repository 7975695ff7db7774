"""Pipe friction, inertance, injector orifices and manifold against handbooks, standards and open libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fluids.friction import friction_factor as library_friction
from outside import OutsideCheck, verify
from scipy.optimize import brentq

from valvectl.parts import injector, line, lookup, tank

FLUIDS = "fluids 1.3.1, open library (C. Bell), documentation of fluids.friction"
CRANE_14 = "Crane Technical Paper 410M, example 7.14; inputs and both answers in the fluids documentation"
CRANE_6 = "Crane Technical Paper 410M, example 7.6; inputs and both answers in the fluids documentation"
CRANE_9 = "Crane Technical Paper 410, example 7.9; worked in the fluids documentation"
COLEBROOK = "Colebrook, J. Inst. Civil Engineers 11 (1939); value worked out with fluids 1.3.1, friction_factor"
WATER_15C, WATER_15C_VISCOSITY = 999.1, 1.1375e-3


def friction_from_table(re: float, relative_roughness: float) -> float:
    """Darcy friction factor [-] that ``loss_table`` used, read back from its entry at a Reynolds number."""
    d, length, rho, mu = 0.012, 3.0, 900.0, 2e-4
    flow = re * math.pi * d * mu / 4.0
    table = line.loss_table(length, d, relative_roughness * d, 0.7, rho, mu, 2.0 * flow, points=3)
    return float((table[1] * 2.0 * rho * line.area(d) ** 2 - 0.7) * d / length)


FRICTION = [
    (OutsideCheck("F6-laminar", "f at Re 128, laminar", 0.5, "", 1e-12, FLUIDS, "library"), 128.0, 0.0),
    (
        OutsideCheck("F6-Colebrook", "f at Re 1e5, e/D 1e-4", 0.01851386607747165, "", 1e-9, FLUIDS, "library"),
        1e5,
        1e-4,
    ),
    (
        OutsideCheck(
            "F6-Blasius",
            "f at Re 1e4, smooth; Blasius is itself good to some 3 %",
            0.3164 / 1e4**0.25,
            "",
            0.03,
            "Blasius (1913), f = 0.3164 Re^-1/4, any fluid mechanics text",
            "recomputed",
        ),
        1e4,
        0.0,
    ),
    (OutsideCheck("F7-a", "f at Re 1e6, e/D 1e-3", 0.01994347, "", 1e-6, COLEBROOK, "recomputed"), 1e6, 1e-3),
    (OutsideCheck("F7-b", "f at Re 1e4, smooth", 0.03088295, "", 1e-6, COLEBROOK, "recomputed"), 1e4, 0.0),
    (OutsideCheck("F7-c", "f at Re 4e3, e/D 0.05", 0.07698683, "", 1e-6, COLEBROOK, "recomputed"), 4e3, 0.05),
    (OutsideCheck("F7-d", "f at Re 1e8, e/D 1e-6", 0.00643256, "", 1e-6, COLEBROOK, "recomputed"), 1e8, 1e-6),
    (
        OutsideCheck(
            "F8-Swamee-Jain",
            "f at Re 1e5, e/D 1e-4; the formula is stated good to 1 %",
            0.018452424,
            "",
            0.01,
            "Swamee and Jain, J. Hydraulics Div. ASCE 102 (1976); value in the fluids documentation",
            "library",
        ),
        1e5,
        1e-4,
    ),
    (
        OutsideCheck(
            "F8-Churchill",
            "f at Re 1e5, e/D 1e-4",
            0.018462625,
            "",
            0.01,
            "Churchill, Chemical Engineering 84 (1977); value in the fluids documentation",
            "library",
        ),
        1e5,
        1e-4,
    ),
    (
        OutsideCheck(
            "F8-Moody",
            "f at Re 1e5, e/D 1e-4; the formula is stated good to 5 %",
            0.018091857,
            "",
            0.05,
            "Moody, Mechanical Engineering 69 (1947); value in the fluids documentation",
            "library",
        ),
        1e5,
        1e-4,
    ),
]


@pytest.mark.parametrize(("check", "re", "relative_roughness"), FRICTION, ids=[row[0].id for row in FRICTION])
def test_friction_factor(check, re, relative_roughness):
    verify(check, friction_from_table(re, relative_roughness))


def test_friction_factor_of_whole_tables_is_that_of_the_library():
    """One by one by fluids, over laminar and turbulent flow, smooth to rough."""
    re = 10.0 ** np.random.default_rng(1).uniform(-2.0, 8.5, 4000)
    re[:3] = 2039.999, 2040.0, 2040.001
    for rough in (0.0, 1e-6, 1e-4, 1e-3, 0.01, 0.05):
        expected = np.array([library_friction(Re=float(x), eD=rough) for x in re])
        found = line.friction_factor(re, rough)
        check = OutsideCheck(
            f"fluids-{rough:g}", f"largest f over that of fluids, e/D {rough:g}", 1.0, "", 1e-12, FLUIDS, "library"
        )
        worst = int(np.argmax(np.abs(found / expected - 1.0)))
        verify(check, float(found[worst] / expected[worst]))


def test_colebrook_equation_itself_is_satisfied():
    """The equation put in, not a library's solution of it: 1/sqrt f = -2 log10(e/3.7D + 2.51/(Re sqrt f))."""
    source = "Colebrook, J. Inst. Civil Engineers 11 (1939), the equation itself"
    for re, rough in ((5e3, 0.0), (3e4, 1e-3), (2e6, 3e-5)):
        root = brentq(
            lambda f, re=re, rough=rough: f**-0.5 + 2.0 * math.log10(rough / 3.7 + 2.51 / (re * math.sqrt(f))),
            1e-3,
            0.2,
            xtol=1e-15,
        )
        check = OutsideCheck(
            f"Colebrook-{re:g}-{rough:g}", f"f at Re {re:g}, e/D {rough:g}", root, "", 1e-4, source, "recomputed"
        )
        verify(check, friction_from_table(re, rough))


# ------------------------------------------------------------------------------------------------- piping examples


def drop_in_pipe(flow: float, length: float, d: float, rough: float, fittings: float, rho: float, mu: float) -> float:
    """Drop [Pa] of a mass flow [kg/s] by the program's own way: table over flow, then look-up."""
    largest = 2.0 * flow  # the flow is then an entry of the table; between entries see test_between_entries
    table = line.loss_table(length, d, rough, fittings, rho, mu, largest)
    return lookup.lookup(table, 0.0, (table.size - 1) / largest, flow) * flow * flow


def test_crane_vertical_line():
    """1500 L/min of water at 15 degC, 34 m of 100 mm and 67 m of 125 mm pipe, 22 m up.

    The elbows' and the expansion's K come from fluids as in its documentation; the friction and the head are ours.
    """
    from fluids.fittings import bend_rounded, diffuser_conical

    d1, d2, rough = 0.10226, 0.1282, 0.0018 * 0.0254
    flow = 1.5 / 60.0 * WATER_15C
    f1, f2 = (friction_from_table(line.reynolds(flow, d, WATER_15C_VISCOSITY), rough / d) for d in (d1, d2))
    mean = 0.5 * (f1 + f2)
    k1 = bend_rounded(Di=d1, angle=90.0, fd=mean, bend_diameters=1.5)
    k1 += diffuser_conical(Di1=d1, Di2=d2, angle=30.0, fd=mean)
    k2 = bend_rounded(Di=d2, angle=90.0, fd=mean, bend_diameters=1.5)
    got = (
        drop_in_pipe(flow, 34.0, d1, rough, k1, WATER_15C, WATER_15C_VISCOSITY)
        + drop_in_pipe(flow, 67.0, d2, rough, k2, WATER_15C, WATER_15C_VISCOSITY)
        + tank.head(WATER_15C, 22.0, 1.0)
    )
    verify(
        OutsideCheck("Crane-7.14", "pressure drop, as printed (8th edition)", 2.6e5, "Pa", 0.02, CRANE_14, "published"),
        got,
    )
    verify(OutsideCheck("Crane-7.14-fluids", "pressure drop", 262809.76, "Pa", 2e-3, CRANE_14, "library"), got)


def _crane_7_6_flow(friction: float | None) -> float:
    """Flow [L/min] under 7 m of head through 60 m of 80 mm pipe, six elbows and a reduced-port ball valve."""
    from fluids.fittings import K_ball_valve_Crane, bend_rounded

    d, rough = 0.07792, 0.0018 * 0.0254
    driving = tank.head(WATER_15C, 7.0, 1.0)

    def fittings(f: float) -> float:
        elbows = 6.0 * bend_rounded(d, angle=90.0, fd=f, bend_diameters=0.65)
        return 0.57 + 1.0 + elbows + K_ball_valve_Crane(D1=d, D2=0.060, angle=22.5, fd=f)

    def excess(flow: float) -> float:
        if friction is not None:
            loss = line.loss_per_flow_squared(friction, 60.0, d, fittings(friction), WATER_15C)
            return loss * flow * flow - driving
        f = friction_from_table(line.reynolds(flow, d, WATER_15C_VISCOSITY), rough / d)
        return drop_in_pipe(flow, 60.0, d, rough, fittings(f), WATER_15C, WATER_15C_VISCOSITY) - driving

    return brentq(excess, 1.0, 50.0, xtol=1e-10) / WATER_15C * 60e3


CRANE_FLOWS = [
    (OutsideCheck("V23-book", "flow, f = 0.017, as printed", 781.0, "L/min", 0.02, CRANE_6, "published"), 0.017),
    (OutsideCheck("V23-fluids", "flow, f = 0.017", 792.547, "L/min", 1e-4, CRANE_6, "library"), 0.017),
    (OutsideCheck("V23-rough", "flow, f from roughness 0.0018 in", 746.491, "L/min", 2e-3, CRANE_6, "library"), None),
]


@pytest.mark.parametrize(("check", "friction"), CRANE_FLOWS, ids=[row[0].id for row in CRANE_FLOWS])
def test_crane_reduced_port_ball_valve(check, friction):
    verify(check, _crane_7_6_flow(friction))


def test_crane_laminar_oil_line():
    """400 gal/min of SAE 30 oil up 50 ft through 300 ft of 5 in pipe with a gate, an angle valve and an elbow."""
    ft, psi = 0.3048, 6894.757293168
    d, mu = 0.1282, 0.130
    rho = 62.364 * 0.87 * 0.45359237 / ft**3
    flow = 400.0 * 3.785411784e-3 / 60.0 * rho
    k = (8.0 + 150.0 + 20.0) * 0.01543941
    got = drop_in_pipe(flow, 300.0 * ft, d, 0.0018 * 0.0254, k, rho, mu) + tank.head(rho, 50.0 * ft, 1.0)
    re = OutsideCheck("Crane-7.9-Re", "Reynolds number", 1675.6167, "", 1e-5, CRANE_9, "library")
    verify(re, line.reynolds(flow, d, mu))
    verify(OutsideCheck("Crane-7.9", "pressure drop", 26.06399, "psi", 1e-4, CRANE_9, "library"), got / psi)


# ---------------------------------------------------------------------------------- inertance, head, orifice, manifold

DEFINITION = "Newton's law for a rigid column, dp = (L/A) d(mdot)/dt; worked out from it"

LUMPS = [
    (
        OutsideCheck("F14-inertance", "L/A of 2 m of 12 mm pipe", 17684.0, "1/m", 1e-4, DEFINITION, "recomputed"),
        lambda: line.inertance(2.0, line.area(0.012)),
    ),
    (
        OutsideCheck(
            "F14-tau", "start-up time constant at 0.5 kg/s and 1 MPa", 4.42e-3, "s", 1e-3, DEFINITION, "recomputed"
        ),
        lambda: line.inertance(2.0, line.area(0.012)) * 0.5 / (2.0 * 1e6),
    ),
    (
        OutsideCheck(
            "head",
            "pressure of one metre of water at 1000 kg/m3 (conventional)",
            9806.65,
            "Pa",
            1e-12,
            "metre of water, conventional: NIST SP 811, table of conversion factors",
            "from memory",
        ),
        lambda: tank.head(1000.0, 1.0, 1.0),
    ),
    (
        OutsideCheck(
            "Poiseuille",
            "drop of 0.01 kg/s of glycerine-like liquid, 2 m of 12 mm pipe: 128 mu L Q/(pi d^4)",
            128.0 * 1.4 * 2.0 * (0.01 / 1260.0) / (math.pi * 0.012**4),
            "Pa",
            1e-9,
            "Hagen-Poiseuille law, any fluid mechanics text",
            "recomputed",
        ),
        lambda: drop_in_pipe(0.01, 2.0, 0.012, 0.0, 0.0, 1260.0, 1.4),
    ),
    (
        OutsideCheck(
            "Torricelli",
            "jet speed of an ideal orifice under 10 m of liquid: sqrt(2 g h)",
            math.sqrt(2.0 * 9.80665 * 10.0),
            "m/s",
            1e-12,
            "Torricelli's law, any fluid mechanics text",
            "recomputed",
        ),
        lambda: injector.injector_flow(1e-6, 800.0, tank.head(800.0, 10.0, 1.0)) / (800.0 * 1e-6),
    ),
    (
        OutsideCheck(
            "F12-Kirchhoff",
            "force of a free jet over drop times slit area, 2 Cd^2/Cc with Cd = Cc = pi/(pi+2)",
            2.0 * math.pi / (math.pi + 2.0),
            "",
            1e-12,
            "Kirchhoff (1869), free jet from a slit: contraction pi/(pi+2)",
            "recomputed",
        ),
        lambda: _jet_force_over_drop(math.pi / (math.pi + 2.0)),
    ),
]


def _jet_force_over_drop(contraction: float) -> float:
    """Momentum flow of the contracted jet over (slit area x drop) [-]."""
    slit, rho, drop = 1e-5, 1000.0, 2e5
    flow = injector.injector_flow(contraction * slit, rho, drop)
    speed = flow / (rho * contraction * slit)
    return flow * speed / (slit * drop)


@pytest.mark.parametrize(("check", "got"), LUMPS, ids=[row[0].id for row in LUMPS])
def test_lumps(check, got):
    verify(check, got())


def test_between_entries_of_the_table():
    """Laminar flow between two entries: a chord of 1/m lies above it by no more than h^2/(4 m^2) of it."""
    d, rho, mu = 0.012, 1260.0, 1.4
    table = line.loss_table(2.0, d, 0.0, 0.0, rho, mu, 0.02)
    spacing = 0.02 / (table.size - 1)
    for entry in (3.5, 20.5, 300.5):
        flow = entry * spacing
        got = lookup.lookup(table, 0.0, 1.0 / spacing, flow) * flow * flow
        exact = 128.0 * mu * 2.0 * (flow / rho) / (math.pi * d**4)
        assert exact <= got <= exact * (1.0 + 0.26 / (entry * entry - 0.25))


def test_orifice_flow_with_the_standards_coefficient():
    """Sharp orifice, D and D/2 taps, 17 kPa of water; C and the velocity of approach make the effective area.

    A liquid does not expand: the expansibility factor, which fluids' meter solver applies to any fluid, is 1 here.
    """
    from fluids.flow_meter import C_Reader_Harris_Gallagher, flow_meter_discharge

    d_pipe, d, rho, mu = 0.07366, 0.050, 999.1, 0.0011
    coefficient = C_Reader_Harris_Gallagher(D=d_pipe, Do=d, rho=rho, mu=mu, m=7.9, taps="D")
    got = injector.injector_flow(coefficient * line.area(d) / math.sqrt(1.0 - (d / d_pipe) ** 4), rho, 17e3)
    book = OutsideCheck(
        "F10-book",
        "flow through a 50 mm orifice in 73.66 mm pipe at 17 kPa, C read from a graph there",
        478.0,
        "L/min",
        0.01,
        "Crane Technical Paper 410M, example 7.29 with its errata; quoted in the fluids documentation",
        "published",
    )
    library = OutsideCheck(
        "F10",
        "the same with C of ISO 5167-2",
        flow_meter_discharge(D=d_pipe, Do=d, P1=2e5, P2=2e5 - 17e3, rho=rho, C=coefficient, expansibility=1.0),
        "kg/s",
        1e-9,
        "ISO 5167-2 flow equation by fluids 1.3.1, flow_meter_discharge",
        "library",
    )
    verify(book, got / rho * 60e3)
    verify(library, got)


@pytest.mark.parametrize(("name", "temperature", "pressure"), [("Water", 293.15, 1e6), ("Oxygen", 90.0, 3e6)])
def test_liquid_compliance(name, temperature, pressure):
    """V/a^2 against the isentropic change of density with pressure by an equation of state, differenced."""
    from CoolProp.CoolProp import PropsSI

    entropy = PropsSI("S", "T", temperature, "P", pressure, name)
    step = 1e4
    slope = (
        PropsSI("D", "S", entropy, "P", pressure + step, name) - PropsSI("D", "S", entropy, "P", pressure - step, name)
    ) / (2.0 * step)
    check = OutsideCheck(
        f"compliance-{name}",
        f"mass stored per pressure in 20 mL of liquid {name.lower()} at {temperature:g} K",
        2e-5 * slope,
        "kg/Pa",
        1e-4,
        "CoolProp 8, equation of state of the fluid, differenced at constant entropy",
        "library",
    )
    speed = PropsSI("A", "T", temperature, "P", pressure, name)
    rho = PropsSI("D", "T", temperature, "P", pressure, name)
    verify(check, injector.manifold_compliance(2e-5, speed, rho, 0.0, pressure))
