"""Gas side of a tank, regulator, gas valve and the shift of O/F, against closed forms, tables and libraries."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import pytest
from outside import OutsideCheck, verify
from tank_rig import BOTTLE, DENSITY, VALVE, emptied, rig, tank

from valvectl.design.schema import LEGS, LegName
from valvectl.parts import regulator, ullage
from valvectl.parts import tank as tank_laws
from valvectl.parts.ullage import GASES
from valvectl.plant import tanks
from valvectl.plant.balance import OperatingPoint, balance, leg_flow, solve
from valvectl.plant.machine import Machine
from valvectl.plant.tank_run import warm_leg
from valvectl.plant.tanks import GasValveNumbers

CONSTANTS = (
    "textbook tables of ideal-gas constants, such as Moran & Shapiro, Fundamentals of Engineering Thermodynamics"
)
NACA = "NACA report 1135 (1953), isentropic tables, gamma 1.4"
ISENTROPIC = "p V^gamma = const, any textbook of thermodynamics"
BOYLE = "Boyle's law, p V = const"
CHARGING = (
    "textbook result for charging a rigid insulated tank from a main: U gained = m h, so T = gamma T_main (from vacuum)"
)
SUTTON = "Sutton & Biblarz, pressurant mass: insulated bottle and tank, m0 = (pp Vp/(R T0)) k/(1 - pg/p0)"
STANDARD = "IEC 60534-2-1, W = N6 Kv Y sqrt(x p1 rho1), N6 = 31.6 for bar and kg/h, Y = 1 - x/(3 Fgamma xT)"
LAG = "any textbook of control: first-order step response, 1 - exp(-t/T)"
LINE = "droop line by hand"
GAY_LUSSAC = "constant mass and volume: p over T stays (Gay-Lussac)"
COOLPROP = "CoolProp, real gas; the tolerance is what a perfect gas is allowed to be off"


def drawn_down(heat: float, volume: float = 0.03, time: float = 30.0) -> tuple[float, float, float]:
    """Share of gas left, pressure over start and temperature over start of a bottle, after liquid left the tank."""
    numbers = tank(supply="regulated", bottle=dataclasses.replace(BOTTLE, heat_exchange=heat))
    state = emptied(numbers, volume, time, 300)
    pressure, temperature = tanks.bottle_now(numbers, state)
    full = ullage.gas_mass(BOTTLE.pressure, BOTTLE.volume, BOTTLE.temperature, GASES["nitrogen"].constant)
    assert state.drawn > 0.1 * full
    return 1.0 - state.drawn / full, pressure / BOTTLE.pressure, temperature / BOTTLE.temperature


def charged(start: float, warm: float) -> tuple[float, float, float]:
    """Pressure and temperature over the main's after charging a shut tank at ``start`` [Pa] and ``warm`` [K], and share
    of that pressure which it had at the start."""
    numbers = tank(
        supply="electronic",
        pressure=start,
        gas_temperature=warm,
        bottle=dataclasses.replace(BOTTLE, volume=1e5),
        valve=GasValveNumbers(kv=2.0, xt=0.7, kind="on-off", sample_period=0.01, delay=0.0, band=1e3),
    )
    state = tanks.start_state(numbers, 0.0)
    state.opening = state.commanded = 1.0
    # The set pressure is out of reach, so that the valve stays open.
    numbers = dataclasses.replace(numbers, pressure=400e5)
    for j in range(2000):
        tanks.advance(numbers, state, 1e-3 * j, 1e-3 * (j + 1), (0.0, 0.0), (DENSITY, DENSITY))
    after = tanks.tank_pressure_now(numbers, state, 0.0)
    return after / BOTTLE.pressure, tanks.gas_temperature_now(numbers, state) / BOTTLE.temperature, start / after


def by_the_standard(gas: str, kv: float, xt: float, before: float, temperature: float, behind: float) -> float:
    """Gas flow [kg/s] in the standard's own units, bar and kg/h, with R in J/(kg K) from the tables."""
    constant, gamma = {"nitrogen": (296.8, 1.4), "helium": (2077.0, 5.0 / 3.0)}[gas]
    limit = gamma / 1.4 * xt
    x = min((before - behind) / before, limit)
    return (
        31.6 * kv * (1.0 - x / (3.0 * limit)) * math.sqrt(x * before / 1e5 * before / (constant * temperature)) / 3600.0
    )


def passed(gas: str, before: float, temperature: float, behind: float) -> float:
    return tanks.valve_capacity(tank(gas=GASES[gas], valve=VALVE), 0.5, before, temperature, behind)


def lagged(time: float) -> float:
    """Share of its way that the pressure of a regulator with 0.2 s has gone after a time [s]; droop 1 bar, full flow."""
    numbers = tank(supply="regulated", gas=None, droop=1e5, response_time=0.2)
    state = tanks.start_state(numbers, 0.0)
    for j in range(50):
        tanks.advance(numbers, state, time * j / 50, time * (j + 1) / 50, (1.0, 1.0), (DENSITY, DENSITY))
    return (numbers.pressure - state.pressure) / 1e5


def collapsed(share: float) -> float:
    """Pressure over start after a collapse of a tank at 290 K over a liquid at 90 K."""
    numbers = tank(sink_temperature=90.0, collapse_share=share, collapse_time=0.5)
    state = tanks.start_state(numbers, 0.0)
    tanks.advance(numbers, state, 0.0, 1.0, (0.0, 0.0), (DENSITY, DENSITY))
    return tanks.tank_pressure_now(numbers, state, 1.0) / numbers.pressure


def pressed() -> tuple[float, float, float]:
    """Gas drawn over p V/(R T), bottle at the end [Pa] and gas drawn [kg]: an insulated tank held by a regulator."""
    numbers = tank(supply="regulated", bottle=dataclasses.replace(BOTTLE, volume=0.02))
    state = emptied(numbers, 0.03, 20.0, 400)
    ideal = 20e5 * 0.03 / (296.8 * 290.0)
    steady = emptied(tank(supply="regulated"), 0.03, 20.0, 400)
    return steady.drawn / ideal, tanks.bottle_now(numbers, state)[0], state.drawn


ISO = {n: emptied(tank(heat_exchange=1e5, gas=GASES[n]), 0.03, 20.0, 400) for n in ("nitrogen", "helium")}
QUICK = {n: emptied(tank(gas=GASES[n]), 0.03, 20.0, 400) for n in ("nitrogen", "helium")}
GROWTH = 0.01 / 0.04
"""Gas volume at the start over that at the end in ``ISO`` and ``QUICK``."""


def pressure_of(gas: str, states: dict[str, tanks.TankState]) -> float:
    return tanks.tank_pressure_now(tank(gas=GASES[gas]), states[gas], 0.0)


def temperature_of(gas: str, states: dict[str, tanks.TankState]) -> float:
    return tanks.gas_temperature_now(tank(gas=GASES[gas]), states[gas])


EMPTY, PART = charged(100.0, 290.0), charged(20e5, 250.0)
QUICK_BOTTLE, SLOW_BOTTLE = drawn_down(0.0), drawn_down(1e5)
FACTOR, BOTTLE_END, _ = pressed()

ROWS = [
    (OutsideCheck("TS-R-N2", "gas constant of nitrogen", 296.8, "J/(kg K)", 2e-4, CONSTANTS, "from memory"),
     GASES["nitrogen"].constant),
    (OutsideCheck("TS-R-He", "gas constant of helium", 2077.0, "J/(kg K)", 2e-4, CONSTANTS, "from memory"),
     GASES["helium"].constant),
    (OutsideCheck("TS-R-Ar", "gas constant of argon", 208.1, "J/(kg K)", 3e-4, CONSTANTS, "from memory"),
     GASES["argon"].constant),
    (OutsideCheck("TS-R-O2", "gas constant of oxygen", 259.8, "J/(kg K)", 3e-4, CONSTANTS, "from memory"),
     GASES["oxygen"].constant),
    (OutsideCheck("TS-cp-He", "cp of helium", 5193.0, "J/(kg K)", 3e-4, CONSTANTS, "from memory"), GASES["helium"].cp),
    (OutsideCheck("TS-cp-N2", "cp of nitrogen near 300 K", 1039.0, "J/(kg K)", 2e-3, CONSTANTS, "from memory"),
     GASES["nitrogen"].cp),
    (OutsideCheck("TS-poly-M05", "pressure where density fell to 0.88517, gamma 1.4 (Mach 0.5)", 0.84302, "", 2e-5, NACA,
                  "published"), ullage.polytropic_pressure(1.0, 0.88517, 1.0, 1.4)),
    (OutsideCheck("TS-poly-M1", "pressure where density fell to 0.63394, gamma 1.4 (Mach 1)", 0.52828, "", 2e-5, NACA,
                  "published"), ullage.polytropic_pressure(1.0, 0.63394, 1.0, 1.4)),
    (OutsideCheck("TS-iso-N2", "slow blow-down, gas 10 to 40 L, start 20 bar", 20e5 * GROWTH, "Pa", 2e-4, BOYLE, "recomputed"),
     pressure_of("nitrogen", ISO)),
    (OutsideCheck("TS-iso-He", "the same, helium", 20e5 * GROWTH, "Pa", 2e-4, BOYLE, "recomputed"), pressure_of("helium", ISO)),
    (OutsideCheck("TS-isen-N2", "quick blow-down, gas 10 to 40 L, start 20 bar", 20e5 * GROWTH**1.4, "Pa", 1e-5, ISENTROPIC,
                  "recomputed"), pressure_of("nitrogen", QUICK)),
    (OutsideCheck("TS-isen-He", "the same, helium", 20e5 * GROWTH ** (5.0 / 3.0), "Pa", 1e-5, ISENTROPIC, "recomputed"),
     pressure_of("helium", QUICK)),
    (OutsideCheck("TS-isen-T", "temperature after it, nitrogen from 290 K", 290.0 * GROWTH**0.4, "K", 1e-5, ISENTROPIC,
                  "recomputed"), temperature_of("nitrogen", QUICK)),
    (OutsideCheck("TS-work", "work on the liquid, quick blow-down of helium", 20e5 * 0.01 * 1.5 * (1 - GROWTH ** (2 / 3)), "J",
                  2e-5, "closed system: W = (p1 V1 - p2 V2)/(gamma - 1)", "recomputed"), QUICK["helium"].work),
    (OutsideCheck("TS-work-iso", "work on the liquid, slow blow-down", 20e5 * 0.01 * math.log(4.0), "J", 2e-4,
                  "isothermal: W = p1 V1 ln(V2/V1)", "recomputed"), ISO["nitrogen"].work),
    (OutsideCheck("TS-bottle-p", "insulated bottle drawn down: pressure share", QUICK_BOTTLE[0] ** 1.4, "", 1e-5, ISENTROPIC,
                  "recomputed"), QUICK_BOTTLE[1]),
    (OutsideCheck("TS-bottle-T", "insulated bottle drawn down: temperature share", QUICK_BOTTLE[0] ** 0.4, "", 1e-5, ISENTROPIC,
                  "recomputed"), QUICK_BOTTLE[2]),
    (OutsideCheck("TS-bottle-iso", "bottle at wall temperature drawn down: pressure share", SLOW_BOTTLE[0], "", 1e-3, BOYLE,
                  "recomputed"), SLOW_BOTTLE[1]),
    (OutsideCheck("TS-charge-0", "charging an evacuated tank: T over that of the main, nitrogen", 1.4, "", 1e-3, CHARGING,
                  "from memory"), EMPTY[1]),
    (OutsideCheck("TS-charge-1", "charging a tank at 20 bar, 250 K from a main at 290 K: T over that of the main",
                  1.4 / (1.0 + PART[2] * (1.4 * 290.0 / 250.0 - 1.0)), "", 1e-4, CHARGING, "recomputed"), PART[1]),
    (OutsideCheck("TS-charge-p", "a long charge ends at the main's pressure", 1.0, "", 1e-3, CHARGING, "recomputed"), EMPTY[0]),
    (OutsideCheck("TS-press", "pressurant of an insulated tank over p V/(R T)", 1.0, "", 3e-4,
                  "energy balance at constant pressure: m cp T = gamma/(gamma - 1) p V", "recomputed"), FACTOR),
    (OutsideCheck("TS-sutton", "bottle of 20 L, 200 bar after 30 L at 20 bar: m0 of the formula", 200e5 * 0.02 / (296.8 * 290.0),
                  "kg", 5e-4, SUTTON, "from memory"), 20e5 * 0.03 / (296.8 * 290.0) * 1.4 / (1.0 - BOTTLE_END / 200e5)),
    (OutsideCheck("TS-lag-1", "regulator after one time constant", 0.63212, "", 1e-4, LAG, "from memory"), lagged(0.2)),
    (OutsideCheck("TS-lag-3", "regulator after three time constants", 0.95021, "", 1e-4, LAG, "from memory"), lagged(0.6)),
    (OutsideCheck("TS-cool", "excess of gas over a wall after one time constant mc/hA", 0.36788, "", 1e-4, LAG, "from memory"),
     (ullage.cooled_temperature(390.0, 290.0, 2.0, 10.0, 5.0) - 290.0) / 100.0),
    (OutsideCheck("TS-droop", "20 bar set, droop 1 bar: at 40 % of flow", 19.6e5, "Pa", 1e-12, LINE, "recomputed"),
     regulator.outlet_pressure(20e5, 1e5, 1.0, 0.4, 0.5e5, 0.1, 0.0)),
    (OutsideCheck("TS-lock", "the same at 5 % of flow, lock-up 0.5 bar over 10 %", 20.2e5, "Pa", 1e-12, LINE, "recomputed"),
     regulator.outlet_pressure(20e5, 1e5, 1.0, 0.05, 0.5e5, 0.1, 0.0)),
    (OutsideCheck("TS-inlet", "bottle 200 to 60 bar at 0.01 bar a bar", 1.4e5, "Pa", 1e-12, LINE, "recomputed"),
     regulator.supply_effect(0.01, 200e5, 60e5)),
    (OutsideCheck("TS-valve-N2", "Kv 0.5, xT 0.7, nitrogen 200 to 20 bar, choked", by_the_standard("nitrogen", 0.5, 0.7, 200e5,
                  290.0, 20e5), "kg/s", 1e-3, STANDARD, "from memory"), passed("nitrogen", 200e5, 290.0, 20e5)),
    (OutsideCheck("TS-valve-He", "the same, helium", by_the_standard("helium", 0.5, 0.7, 200e5, 290.0, 20e5), "kg/s", 1e-3,
                  STANDARD, "from memory"), passed("helium", 200e5, 290.0, 20e5)),
    (OutsideCheck("TS-valve-low", "nitrogen 25 to 20 bar, not choked", by_the_standard("nitrogen", 0.5, 0.7, 25e5, 280.0, 20e5),
                  "kg/s", 1e-3, STANDARD, "from memory"), passed("nitrogen", 25e5, 280.0, 20e5)),
    (OutsideCheck("TS-slosh-1", "collapse to the liquid, 290 to 90 K: pressure share", 90.0 / 290.0, "", 1e-12, GAY_LUSSAC,
                  "recomputed"), collapsed(1.0)),
    (OutsideCheck("TS-slosh-3", "30 % of the excess lost: pressure share", 230.0 / 290.0, "", 1e-12, GAY_LUSSAC, "recomputed"),
     collapsed(0.3)),
    (OutsideCheck("TS-head", "10 m of water at 1000 kg/m3 (the metre of water)", 98066.5, "Pa", 1e-12,
                  "conventional metre of water, 9806.65 Pa", "published"), tank_laws.head(1000.0, 10.0, 1.0)),
    (OutsideCheck("TS-head-3g", "0.5 m of 1141 kg/m3 at a load factor of 3", 1141.0 * 0.5 * 3.0 * 9.80665, "Pa", 1e-12,
                  "rho g h", "recomputed"), tank_laws.head(1141.0, 0.5, 3.0)),
]  # fmt: skip


@pytest.mark.parametrize(("check", "got"), ROWS, ids=[check.id for check, _ in ROWS])
def test_against_closed_forms_and_tables(check: OutsideCheck, got: float) -> None:
    verify(check, got)


@pytest.mark.parametrize(
    ("gas", "before", "behind"), [("nitrogen", 200e5, 20e5), ("nitrogen", 30e5, 22e5), ("argon", 90e5, 20e5)]
)
def test_gas_valve_against_fluids(gas: str, before: float, behind: float) -> None:
    """Kv that the library sizes for the flow which the program lets through; its volume flow is at 0 degC and 1 atm."""
    from fluids.control_valve import size_control_valve_g

    numbers = GASES[gas]
    flow = passed(gas, before, 290.0, behind)
    normal = flow * numbers.constant * 273.15 / 101325.0
    kv = size_control_valve_g(
        T=290.0, MW=1e3 * numbers.molar_mass, mu=1.8e-5, gamma=numbers.gamma, Z=1.0, P1=before, P2=behind, Q=normal, D1=None,
        D2=None, d=None, FL=0.9, Fd=1.0, xT=0.7,
    )  # fmt: skip
    check = OutsideCheck(
        f"TS-fluids-{gas}-{before / 1e5:g}",
        "Kv for that gas flow",
        float(kv),
        "m3/h",
        2e-3,
        "fluids, size_control_valve_g",
        "library",
    )
    verify(check, 0.5)


# The perfect gas of the ullage and the bottle; each row says how far off it is allowed to be.
REAL = [
    ("nitrogen", 180e5, 285.0, "mass in the bottle", 0.04),
    ("helium", 200e5, 290.0, "mass in the bottle", 0.10),
    ("helium", 20e5, 250.0, "mass in the ullage", 0.015),
    ("nitrogen", 22e5, 290.0, "mass in the ullage", 0.01),
]


@pytest.mark.parametrize(("gas", "pressure", "warm", "what", "limit"), REAL)
def test_mass_of_a_perfect_gas(gas: str, pressure: float, warm: float, what: str, limit: float) -> None:
    from CoolProp.CoolProp import PropsSI

    real = float(PropsSI("D", "P", pressure, "T", warm, gas))
    check = OutsideCheck(
        f"TS-real-m-{gas}-{pressure / 1e5:g}", f"{what}, a litre", 1e-3 * real, "kg", limit, COOLPROP, "library"
    )
    verify(check, ullage.gas_mass(pressure, 1e-3, warm, GASES[gas].constant))


@pytest.mark.parametrize(("gas", "limit"), [("nitrogen", 0.02), ("helium", 0.01)])
def test_isentropic_blow_down_of_a_real_gas(gas: str, limit: float) -> None:
    """20 bar, 290 K to twice the volume."""
    from CoolProp.CoolProp import PropsSI

    rho, entropy = (float(PropsSI(key, "P", 20e5, "T", 290.0, gas)) for key in ("D", "S"))
    real = float(PropsSI("P", "D", 0.5 * rho, "S", entropy, gas))
    check = OutsideCheck(
        f"TS-real-s-{gas}", "pressure after doubling the volume", real, "Pa", limit, COOLPROP, "library"
    )
    verify(check, ullage.polytropic_pressure(20e5, 1.0, 2.0, GASES[gas].gamma))


@pytest.mark.parametrize(("gas", "sink", "limit"), [("nitrogen", 200.0, 0.04), ("helium", 90.0, 0.02)])
def test_collapse_of_a_real_gas(gas: str, sink: float, limit: float) -> None:
    """From 20 bar and 290 K at constant density to the liquid's temperature."""
    from CoolProp.CoolProp import PropsSI

    rho = float(PropsSI("D", "P", 20e5, "T", 290.0, gas))
    real = float(PropsSI("P", "D", rho, "T", sink, gas))
    check = OutsideCheck(
        f"TS-real-c-{gas}", f"pressure after cooling to {sink:g} K", real, "Pa", limit, COOLPROP, "library"
    )
    verify(check, ullage.collapsed_pressure(20e5, 290.0, sink, 1.0))


def test_warming_oxygen_against_coolprop(tmp_path: Path) -> None:
    """Between the nodes of a leg that warms from 88 K by 0.5 K/s: 10 s of it at 92.6 K after 9.2 s."""
    from CoolProp.CoolProp import PropsSI

    design = rig(tmp_path)
    state = warm_leg(design, design.machine, "oxidizer", 0.5, 10.0).at(9.2).liquid
    vapour = float(PropsSI("P", "T", 92.6, "Q", 0, "oxygen"))
    verify(OutsideCheck("TS-warm-pv", "vapour pressure of oxygen, 92.6 K", vapour, "Pa", 1e-3, "CoolProp", "library"),
           state.vapour_pressure)  # fmt: skip
    rho = float(PropsSI("D", "T", 92.6, "P", 20.6e5, "oxygen"))
    verify(OutsideCheck("TS-warm-rho", "density of oxygen, 92.6 K, 20.6 bar", rho, "kg/m3", 5e-4, "CoolProp", "library"),
           state.density)  # fmt: skip


# ------------------------------------------------------------------------------------- shift of O/F by hand


@pytest.fixture(scope="module")
def engine(tmp_path_factory: pytest.TempPathFactory) -> Machine:
    return rig(tmp_path_factory.mktemp("rig")).machine


def moved(machine: Machine, shift: dict[LegName, float]) -> Machine:
    legs = {n: dataclasses.replace(leg, tank_pressure=leg.tank_pressure + shift[n]) for n, leg in machine.legs.items()}
    return dataclasses.replace(machine, legs=legs)


def by_hand(machine: Machine, point: OperatingPoint, shift: dict[LegName, float]) -> tuple[float, float]:
    """Relative change of O/F and of chamber pressure, linear, from drops, flows and c* alone.

    Every drop goes with flow squared: d ln m_i = (dp_i - dpc)/(2 D_i), D_i from tank and head to chamber. The chamber holds
    pc At = (mo + mf) c*(r, pc), so with mass shares s_i, c* exponents e_r and e_p:

        (1 - e_p) dpc/pc = s_o d ln mo + s_f d ln mf + e_r (d ln mo - d ln mf)
    """
    pc, ratio = point.chamber_pressure, point.mixture_ratio
    drop = {n: point.legs[n].tank + machine.legs[n].head - pc for n in LEGS}
    step = 1e-4

    def c_star(r: float, p: float) -> float:
        return math.log(machine.c_star_at(r, p))

    e_r = (c_star(ratio * (1.0 + step), pc) - c_star(ratio * (1.0 - step), pc)) / (2.0 * step)
    e_p = (c_star(ratio, pc * (1.0 + step)) - c_star(ratio, pc * (1.0 - step))) / (2.0 * step)
    weight = {"oxidizer": ratio / (1.0 + ratio) + e_r, "fuel": 1.0 / (1.0 + ratio) - e_r}
    push = {n: shift[n] / (2.0 * drop[n]) for n in LEGS}
    back = {n: pc / (2.0 * drop[n]) for n in LEGS}
    chamber = sum(weight[n] * push[n] for n in LEGS) / (1.0 - e_p + sum(weight[n] * back[n] for n in LEGS))
    flow = {n: push[n] - back[n] * chamber for n in LEGS}
    return flow["oxidizer"] - flow["fuel"], chamber


HAND = "square law of every drop, chamber equation pc At = m c*, linearized by hand (see by_hand)"
SHIFTS: dict[str, dict[LegName, float]] = {
    "ox": {"oxidizer": 1e3, "fuel": 0.0},
    "fuel": {"oxidizer": 0.0, "fuel": 1e3},
    "alike": {"oxidizer": 1e3, "fuel": 1e3},
    "unlike": {"oxidizer": 1e3, "fuel": -1e3},
}


@pytest.mark.parametrize("throttle", [1.0, 0.6])
@pytest.mark.parametrize("which", sorted(SHIFTS))
def test_shift_of_ratio_by_hand(engine: Machine, which: str, throttle: float) -> None:
    """Tank pressure 10 mbar up or down at unchanged angles. Friction grows a little slower than flow squared, which is
    what the tolerance is for: the lines take up to a seventh of the drop, at an exponent of some 1.85."""
    point = solve(engine, throttle, 1.2)
    angles = point.legs["oxidizer"].angle, point.legs["fuel"].angle
    after = balance(moved(engine, SHIFTS[which]), *angles)
    before = balance(moved(engine, {n: -x for n, x in SHIFTS[which].items()}), *angles)
    ratio, chamber = by_hand(engine, point, SHIFTS[which])
    got = 0.5 * math.log(after.mixture_ratio / before.mixture_ratio)
    got_chamber = 0.5 * math.log(after.chamber_pressure / before.chamber_pressure)
    name = f"TS-OF-{which}-{100 * throttle:.0f}"
    verify(OutsideCheck(name, "relative O/F a 10 mbar", ratio, "", 0.02, HAND, "recomputed"), got)
    if which != "unlike":
        verify(OutsideCheck(f"{name}-pc", "relative pc a 10 mbar", chamber, "", 0.02, HAND, "recomputed"), got_chamber)


@pytest.mark.parametrize("name", LEGS)
def test_half_of_the_relative_pressure(engine: Machine, name: LegName) -> None:
    """At a chamber pressure that is held: d ln m = 1/2 dp/drop."""
    leg, point = engine.legs[name], solve(engine, 1.0, 1.2)
    pc, angle = point.chamber_pressure, point.legs[name].angle
    up, down = (
        leg_flow(dataclasses.replace(leg, tank_pressure=leg.tank_pressure + x), angle, pc) for x in (500.0, -500.0)
    )
    drop = point.legs[name].tank + leg.head - pc
    check = OutsideCheck(f"TS-half-{name}", "relative flow a 10 mbar at held pc", 0.5 * 1e3 / drop, "", 0.01,
                         "any textbook: flow goes with the root of the drop", "recomputed")  # fmt: skip
    verify(check, math.log(up / down))
