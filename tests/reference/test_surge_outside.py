"""Pressure waves and start transients against published cases and closed forms.

The published cases run through the method of characteristics itself wherever a pressure is compared. PUBLISHED CASES, five of
them: surge-9 (Chaudhry), surge-10 (Crowe), surge-12 (Delft benchmark A), surge-13 (tutorial sheet, read as published; the
others from memory) and surge-18/19 (Wylie and Streeter, with friction and valve).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from outside import OutsideCheck, verify

from valvectl.parts import start, wave
from valvectl.plant.characteristics import Pipe, ValveEnd, moc, steady_flow, times

CHAUDHRY = "M. H. Chaudhry, Applied Hydraulic Transients, example of an oil line in chapter 1"
CROWE = "Crowe, Elger and Roberson, Engineering Fluid Mechanics, water-hammer example of the chapter on conduits"
DELFT = "Delft Hydraulics benchmark problem A, Tijsseling and Lavooij, Applied Scientific Research 47 (1990)"
TUTORIAL = "water hammer tutorial sheet with answers, scribd.com/document/482544630, problems 3 and 4"
RIGID = "A. K. Choudhary and Om Prakash, Fluid Mechanics, example 7.19; formula and inputs as coded in Scilab's textbook set"
WYLIE = "Wylie and Streeter, Fluid Transients in Systems, single-pipe valve closure example"
BERGANT = "Bergant, Simpson and Vitkovsky, J. Hydraulic Research 39 (2001), laboratory copper line"
OXYGEN = "ASTM G88, table of temperatures of oxygen compressed adiabatically from 20 degC and one atmosphere"
GAMMA = "Vandenkerckhove function, any rocket propulsion text"
G = 9.81
FOOT, SLUG, PSF = 0.3048, 14.593903, 47.880259


def ringing_pipe(length: float, area: float, speed: float, rho: float, tank: float = 1e8, **more: float) -> Pipe:
    return Pipe(length, area, speed, rho, np.zeros(2), 1.0, tank, **more)  # type: ignore[arg-type]


def stop_rise(pipe: Pipe, velocity: float, closing: float = 0.0, reaches: int = 40) -> float:
    """Rise [Pa] at the valve when the outlet velocity falls evenly to zero in a closing time, by characteristics."""
    time = times(pipe, closing + 3.0 * pipe.reflection, reaches)
    flow = pipe.rho * pipe.area * velocity
    shares = 1.0 - np.minimum(time / closing, 1.0) if closing > 0.0 else (time <= 0.0).astype(float)
    return moc(pipe, flow * shares, reaches).peak - pipe.tank


# ------------------------------------------------------------------------------------------------------ wave speed

SPEEDS = [
    (
        OutsideCheck("surge-1", "wave speed of oil in a rigid line, K 1.5 GPa, 900 kg/m3", 1291.0, "m/s", 4e-4, CHAUDHRY,
                     "from memory"),
        wave.wave_speed(math.sqrt(1.5e9 / 900.0), 900.0, 0.5, 1.0, 1e30, 1.0),
    ),
    (
        OutsideCheck("surge-2", "wave speed, R 398.5 mm, e 8 mm, E 210 GPa, K 2.1 GPa", 1024.7, "m/s", 2e-3, DELFT,
                     "from memory"),
        wave.wave_speed(math.sqrt(2.1e6), 1000.0, 0.797, 0.008, 210e9, wave.restraint_none()),
    ),
    (
        OutsideCheck("surge-3", "the same, anchored throughout, nu 0.3: Korteweg's formula with 1 - nu^2", 1049.5, "m/s",
                     1e-4, DELFT, "recomputed"),
        wave.wave_speed(math.sqrt(2.1e6), 1000.0, 0.797, 0.008, 210e9, wave.restraint_throughout(0.3)),
    ),
    (
        OutsideCheck("surge-4", "wave speed, D 600 mm, e 18 mm, K 2.06 GPa, E 200 GPa", 1238.35, "m/s", 1e-5, TUTORIAL,
                     "published"),
        wave.wave_speed(math.sqrt(2.06e6), 1000.0, 0.6, 0.018, 200e9, wave.restraint_none()),
    ),
    (
        OutsideCheck("surge-5", "wave speed in a rigid pipe, K 2.0164 GPa", 1420.0, "m/s", 1e-6, TUTORIAL, "published"),
        wave.wave_speed(math.sqrt(2.0164e6), 1000.0, 0.15, 1.0, 1e30, 1.0),
    ),
    (
        OutsideCheck("surge-6", "copper line, D 22.1 mm, e 1.63 mm, E 120 GPa, K 2.19 GPa", 1319.0, "m/s", 0.01, BERGANT,
                     "from memory"),
        wave.wave_speed(math.sqrt(2.19e9 / 998.2), 998.2, 0.0221, 0.00163, 120e9, wave.restraint_none()),
    ),
]  # fmt: skip


@pytest.mark.parametrize(("check", "got"), SPEEDS, ids=[row[0].id for row in SPEEDS])
def test_wave_speed(check: OutsideCheck, got: float) -> None:
    verify(check, got)


def test_restraint_factors() -> None:
    source = "Wylie and Streeter, Fluid Transients in Systems, restraint of the pipe, thin wall"
    rows = (("upstream", wave.restraint_upstream(0.3), 0.85), ("throughout", wave.restraint_throughout(0.3), 0.91))
    for name, got, expected in rows:
        verify(OutsideCheck(f"surge-7-{name}", f"c1 {name}, nu 0.3", expected, "", 1e-12, source, "from memory"), got)
    thick = "Wylie and Streeter, thick-wall form 2(e/D)(1+nu) + D c1/(D+e), worked out by hand for e/D 1/12, nu 0.3"
    check = OutsideCheck("surge-7-thick", "c1 of a 12 mm tube, 1 mm wall", 1.0012820513, "", 1e-9, thick, "recomputed")
    verify(check, wave.thick_wall_restraint(0.85, 0.3, 1.0 / 12.0))


# ------------------------------------------------------------------------------------------- sudden and slow stops


def test_oil_line() -> None:
    velocity = 0.4 / (math.pi / 4.0 * 0.25)
    verify(
        OutsideCheck("surge-8", "velocity, 0.4 m3/s in 0.5 m", 2.037, "m/s", 2e-4, CHAUDHRY, "from memory"), velocity
    )
    pipe = ringing_pipe(2000.0, math.pi / 4.0 * 0.25, math.sqrt(1.5e9 / 900.0), 900.0)
    check = OutsideCheck("surge-9", "rise in head, sudden stop, by characteristics", 268.0, "m", 5e-3, CHAUDHRY,
                         "from memory")  # fmt: skip
    verify(check, stop_rise(pipe, velocity) / (900.0 * G))


def test_rapid_closure() -> None:
    rho, speed, velocity, length = 1.94 * SLUG / FOOT**3, 4720.0 * FOOT, 4.0 * FOOT, 3000.0 * FOOT
    pipe = ringing_pipe(length, 0.1, speed, rho)
    check = OutsideCheck("surge-10", "rise, closing in 1.0 s, by characteristics", 36627.0, "lbf/ft2", 5e-3, CROWE,
                         "from memory")  # fmt: skip
    verify(check, stop_rise(pipe, velocity, closing=1.0) / PSF)
    check = OutsideCheck("surge-11", "2 L / a", 1.271, "s", 5e-4, CROWE, "from memory")
    verify(check, wave.reflection_time(length, speed))


def test_benchmark_a_per_velocity() -> None:
    pipe = ringing_pipe(20.0, math.pi / 4.0 * 0.797**2, 1024.7, 1000.0)
    check = OutsideCheck("surge-12", "rise of a stop from 1 m/s, by characteristics", 1.02, "MPa", 5e-3, DELFT,
                         "from memory")  # fmt: skip
    verify(check, stop_rise(pipe, 1.0) / 1e6)


def test_tutorial_closures() -> None:
    pipe = ringing_pipe(1050.0, 0.28, 1238.35, 1000.0)
    check = OutsideCheck("surge-13", "rise, 2.5 m/s stopped in 1 s, L 1050 m, by characteristics", 3095.9, "kPa", 5e-3,
                         TUTORIAL, "published")  # fmt: skip
    verify(check, stop_rise(pipe, 2.5, closing=1.0) / 1e3)


def test_rigid_column() -> None:
    check = OutsideCheck("surge-14", "40 L/s in 150 mm stopped in 0.5 s over 500 m", 230738.0, "kgf/m2", 1e-4, RIGID,
                         "recomputed")  # fmt: skip
    velocity = 0.040 / (math.pi / 4.0 * 0.15**2)
    verify(check, wave.column_pressure(1000.0, 500.0, velocity, 0.5) / 9.81)


def test_linear_stop_is_michauds() -> None:
    """A velocity that falls evenly in n round trips gives the Joukowsky rise over n, frictionless: exact."""
    pipe = ringing_pipe(10.0, 1e-4, 1000.0, 1000.0)
    source = "J. Michaud (1878), 2 rho L v / tc, exact for an even fall of velocity"
    for n in (2.0, 5.0, 12.0):
        check = OutsideCheck(f"surge-15-{n:g}", f"rise, closing in {n:g} round trips", 2e6 / n, "Pa", 1e-9, source,
                             "recomputed")  # fmt: skip
        verify(check, stop_rise(pipe, 2.0, closing=n * pipe.reflection))
        assert wave.slow_closure(1000.0, 10.0, 2.0, n * pipe.reflection) == pytest.approx(2e6 / n, rel=1e-12)


def test_period_of_ringing() -> None:
    pipe = ringing_pipe(37.23, math.pi / 4.0 * 0.0221**2, 1319.0, 998.2)
    time = times(pipe, 20.0 * pipe.reflection, 32)
    flow = np.where(time > 0.0, 0.0, 998.2 * pipe.area * 0.3)
    over = moc(pipe, flow, 32).valve_pressure - pipe.tank
    falls = time[1:][(over[:-1] > 0.0) & (over[1:] <= 0.0)]
    check = OutsideCheck("surge-16", "period of a 37.23 m line at 1319 m/s: 4 L / a", 0.112906, "s", 0.01, BERGANT,
                         "recomputed")  # fmt: skip
    verify(check, float(np.mean(np.diff(falls))))


def test_rigid_valve_closure_formula() -> None:
    """Slow linear closure of a valve's area against constant head: the rigid-column formula of Allievi and others."""
    rho, length, speed, tank, velocity = 1000.0, 10.0, 1000.0, 1e6, 2.0
    pipe = ringing_pipe(length, 1e-3, speed, rho, tank)
    closing = 60.0 * pipe.reflection
    time = times(pipe, closing, 40)
    c = rho * pipe.area * velocity / math.sqrt(rho * tank) * (1.0 - np.minimum(time / closing, 1.0))
    end = ValveEnd(c, np.ones(time.size), np.zeros(time.size))
    n = (rho * length * velocity / (tank * closing)) ** 2
    expected = tank * (0.5 * n + math.sqrt(n + 0.25 * n * n))
    source = "Allievi and Jaeger: dH/H0 = N/2 + sqrt(N + N^2/4), N = (L V / (g H0 tc))^2; hydraulics handbooks"
    check = OutsideCheck("surge-17", "rise, area closing evenly in 60 round trips", expected, "Pa", 0.02, source,
                         "from memory")  # fmt: skip
    verify(check, moc(pipe, end, 40).peak - tank)


def test_reservoir_pipe_valve_at_rest() -> None:
    """L 600 m, D 0.5 m, f 0.018, reservoir 150 m, valve CdA 0.009 m2, a 1200 m/s; then the closure in 2.1 s."""
    g, d, rho = 9.806, 0.5, 1000.0
    area = math.pi / 4.0 * d * d
    loss = np.full(2, 0.018 * 600.0 / d / (2.0 * rho * area * area))
    pipe = Pipe(600.0, area, 1200.0, rho, loss, 1.0, 150.0 * rho * g)
    time = times(pipe, 4.3, 40)
    share = np.clip(1.0 - time / 2.1, 0.0, 1.0) ** 1.5
    end = ValveEnd(0.009 * math.sqrt(2.0) * share, np.ones(time.size), np.zeros(time.size))
    flow = steady_flow(pipe, end) / rho
    verify(OutsideCheck("surge-18", "steady flow", 0.477, "m3/s", 1e-3, WYLIE, "from memory"), flow)
    run = moc(pipe, end, 40)
    head = float(run.valve_pressure[0]) / (rho * g)
    verify(
        OutsideCheck("surge-19", "head at the valve before it closes", 143.49, "m", 1e-4, WYLIE, "from memory"), head
    )
    # The closure takes a little more than two round trips: above the rigid column's rise, below Joukowsky's.
    rise = run.peak / (rho * g) - 150.0
    assert 600.0 * flow / area / (g * 2.1) < rise < 1200.0 * flow / area / g


# ----------------------------------------------------------------------------------------------- unsteady friction


def test_unsteady_friction_coefficient() -> None:
    source = "Vardy and Brown (1995): laminar shear decay coefficient 0.00476, so k 0.0345"
    check = OutsideCheck("surge-20", "Brunone k, laminar", 0.0345, "", 1e-3, source, "from memory")
    verify(check, wave.brunone_coefficient(wave.shear_decay(1500.0)))
    source = "Vardy and Brown (1995): C* = 7.41 / Re^log10(14.3 / Re^0.05), worked out by hand at Re 1e5"
    check = OutsideCheck("surge-21", "C* at Re 1e5", 2.2026e-4, "", 2e-3, source, "recomputed")
    verify(check, wave.shear_decay(1e5))


# ----------------------------------------------------------------------------------------------------------- start

HOT = [
    (OutsideCheck("start-1", "oxygen to 345 kPa", 143.0, "degC", 0.01, OXYGEN, "from memory"), 3.4),
    (OutsideCheck("start-2", "oxygen to 13.79 MPa", 920.0, "degC", 0.005, OXYGEN, "from memory"), 136.1),
    (OutsideCheck("start-3", "oxygen to 34.47 MPa", 1277.0, "degC", 0.005, OXYGEN, "from memory"), 340.2),
]


@pytest.mark.parametrize(("check", "ratio"), HOT, ids=[row[0].id for row in HOT])
def test_adiabatic_compression(check: OutsideCheck, ratio: float) -> None:
    verify(check, start.compressed_temperature(293.15, 101325.0, ratio * 101325.0, 1.4) - 273.15)


@pytest.mark.parametrize(("gamma", "expected"), [(1.2, 0.6485), (1.4, 0.6847)])
def test_characteristic_velocity_function(gamma: float, expected: float) -> None:
    check = OutsideCheck(f"start-4-{gamma:g}", f"Gamma at gamma {gamma:g}", expected, "", 1e-4, GAMMA, "from memory")
    verify(check, math.sqrt(start.gas_energy_per_mass(1.0, gamma)))


def test_constant_volume_burst() -> None:
    """1 g of gas of R 346.4 J/(kg K) at 3000 K and gamma 1.2 in one litre, heated to gamma times that: p = m R T / V."""
    r, temperature, gamma = 346.4, 3000.0, 1.2
    c_star = math.sqrt(r * temperature) / 0.648529
    check = OutsideCheck("start-5", "pressure of 1 g in 1 L", 1e-3 * r * gamma * temperature / 1e-3, "Pa", 1e-4,
                         "ideal gas law", "recomputed")  # fmt: skip
    verify(check, 1e-3 * start.closed_force(c_star, gamma) / 1e-3)
