"""Moves, step responses, torque margin, feed coupling and error propagation against textbooks and worked examples."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from mover import Mover
from outside import OutsideCheck, verify
from scipy.optimize import minimize_scalar

import valvectl
from valvectl.plant.linear import EngineModel, LegSlopes
from valvectl.studies.loop import step_metrics
from valvectl.studies.torque import torque

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
PASCH = "Pasch and Seering, ASME J. Mech. Transm. Autom. Des. 106 (1984) 102-108 (from memory, worked out again)"
PROFILE = "triangular and trapezoidal motion profiles, any machine-design or drive text; worked out in the test"
DRIVE = "run-up of a direct-current motor, any electrical drives text; worked out in the test"
ISA = "ANSI/ISA-75.25.01-2000 (R2010), T63 and T86 of first order with dead time (terms from memory, worked out)"
TEXT = "standard second-order system, any control text; worked out"
KESSLER = "Kessler 1958; Umland and Safiuddin, IEEE Trans. Ind. Appl. 26 (1990) (from memory, worked out again)"
SZUCH = "Wenzel and Szuch, NASA TN D-3080 (1965), two-delay form (from memory); neutral point worked out"
GUM = "JCGM 100:2008, 5.1.2, quotient of independent inputs"
MARGIN = (
    "static torque margin, available over needed less one: MIL-A-83577B, AIAA S-114 (from memory); arithmetic by hand"
)


def row(name: str, what: str, expected: float, unit: str, tolerance: float, source: str) -> OutsideCheck:
    return OutsideCheck(name, what, expected, unit, tolerance, source, "recomputed")


# ------------------------------------------------------------------------------------------------------ gear ratio

JM, JL, TM = 1e-5, 4e-3, 0.2
"""Motor and load inertia [kg m^2] and motor torque [N m] of the check."""


def at_ratio(n: float, load: float = 0.0) -> Mover:
    """A loss-free mover with all of its voltage to spare."""
    return Mover(
        torque_per_ampere=n * 0.05, back_emf=n * 0.05, resistance=1.0, current_limit=TM / 0.05, voltage=1e9,
        load=load, inertia=n * n * JM + JL, speed_limit=1e9,
    )  # fmt: skip


def acceleration(n: float, load: float = 0.0) -> float:
    """Acceleration from rest [rad/s^2]."""
    return 1.0 / at_ratio(n, load).run_up(1.0)[0]


def test_ratio_of_greatest_acceleration():
    best = minimize_scalar(lambda n: -acceleration(n), bounds=(2.0, 200.0), method="bounded", options={"xatol": 1e-9})
    verify(row("S21-ratio", "ratio of greatest acceleration, no load", 20.0, "", 1e-5, PASCH), best.x)
    expected = TM / (2.0 * math.sqrt(JM * JL))
    verify(row("S21-acceleration", "greatest acceleration, no load", expected, "rad/s^2", 1e-9, PASCH), -best.fun)


def test_ratio_of_greatest_acceleration_against_a_load():
    load = 3.0
    best = minimize_scalar(
        lambda n: -acceleration(n, load), bounds=(16.0, 400.0), method="bounded", options={"xatol": 1e-9}
    )
    expected = load / TM + math.sqrt((load / TM) ** 2 + JL / JM)
    verify(row("S21-load", "ratio of greatest acceleration against 3 N m", expected, "", 1e-5, PASCH), best.x)


def test_ratio_of_shortest_move():
    """Without load the shortest move from rest to rest is at the same ratio."""
    best = minimize_scalar(
        lambda n: at_ratio(n).move_time(1.2), bounds=(2.0, 200.0), method="bounded", options={"xatol": 1e-8}
    )
    verify(row("S21-move", "ratio of the shortest move, no load", 20.0, "", 1e-3, PASCH), best.x)


# ----------------------------------------------------------------------------------------------------------- moves


def test_triangular_move():
    """Speed up at 40, brake at 40 rad/s^2 over 0.9 rad: 2 sqrt(0.9/40) = 0.3 s. With 4 N m: up at 30, down at 50."""
    mover = Mover(2.0, 2.0, 1.0, 10.0, 1e9, 0.0, 0.5, 1e9)
    verify(row("move-1", "triangular move", 0.3, "s", 1e-9, PROFILE), mover.move_time(0.9))
    loaded = Mover(2.0, 2.0, 1.0, 10.0, 1e9, 5.0, 0.5, 1e9)
    expected = math.sqrt(2.0 * 0.9 * (1.0 / 30.0 + 1.0 / 50.0))
    verify(row("move-2", "triangular move against 5 N m", expected, "s", 1e-9, PROFILE), loaded.move_time(0.9))


def test_trapezoidal_move():
    """At most 3 rad/s: 0.9 rad take 0.9/3 + 3/40 = 0.375 s; against 5 N m 0.9/3 + 3/2 (1/30 + 1/50) = 0.38 s."""
    mover = Mover(2.0, 2.0, 1.0, 10.0, 1e9, 0.0, 0.5, 3.0)
    verify(row("move-3", "trapezoidal move", 0.375, "s", 1e-8, PROFILE), mover.move_time(0.9))
    loaded = Mover(2.0, 2.0, 1.0, 10.0, 1e9, 5.0, 0.5, 3.0)
    verify(row("move-4", "trapezoidal move against 5 N m", 0.38, "s", 1e-8, PROFILE), loaded.move_time(0.9))


def test_voltage_limited_run_up():
    """No current limit: 63.2 % of the no-load speed after the mechanical time constant J R/(K K), angle w0 tau/e."""
    torque, back, resistance, inertia, voltage = 2.0, 1.5, 0.8, 0.3, 12.0
    mover = Mover(torque, back, resistance, 1e9, voltage, 0.0, inertia, 1e9)
    tau, end = inertia * resistance / (torque * back), voltage / back
    time, angle = mover.run_up(end * (1.0 - math.exp(-1.0)))
    verify(row("run-up-1", "time to 63.2 % of the no-load speed", tau, "s", 1e-12, DRIVE), time)
    verify(row("run-up-2", "angle turned by then", end * tau * math.exp(-1.0), "rad", 1e-12, DRIVE), angle)
    limited = Mover(torque, back, resistance, 5.0, voltage, 1.0, inertia, 1e9)
    corner = (voltage - resistance * 5.0) / back
    time, angle = limited.run_up(corner)
    rate = (torque * 5.0 - 1.0) / inertia
    verify(row("run-up-3", "end of the current-limited part", corner / rate, "s", 1e-12, DRIVE), time)
    verify(row("run-up-4", "angle turned by then", 0.5 * corner**2 / rate, "rad", 1e-12, DRIVE), angle)
    final = (voltage - resistance * 1.0 / torque) / back
    verify(row("run-up-5", "final speed under load", final, "rad/s", 1e-12, DRIVE), limited.final_speed)


# --------------------------------------------------------------------------------------------------- torque margin


def test_torque_margin_worked_by_hand():
    """Every factor stated.

    Needed: 2.0 N m breakaway + 0.03 N m/bar x 20 bar = 2.6; cold x 1.5, after a rest x 1.2: 4.68 N m; stream
    0.05 x (0.01 m)^3 x 20e5 Pa = 0.1 N m; in all 4.78 N m.
    Available: 0.04 N m/A x (1 - 0.001 x 50 K) x 8 A = 0.304; less 4 mN m friction x 1.5 cold = 0.298 at the motor;
    x 50 x 0.8 at breakaway = 11.92 N m. Margin 11.92/4.78 - 1 = 1.49372.
    Voltage needed at rest: 0.5 ohm x (1 + 0.004 x 50 K) x 8 A = 4.8 V, far below what the battery gives.
    """
    at = "legs.oxidizer"
    gears = f"{at}.actuator.gears"
    design = valvectl.load(RIG).with_values(
        {
            "engine.ambient_pressure": 1.0e5, f"{at}.tank.pressure": 21.0e5, f"{at}.tank.height": 0.0,
            f"{at}.valve.bore": 0.01, f"{at}.valve.torque.hydrodynamic_coefficient": 0.05,
            f"{at}.valve.torque.angle": [0.0, math.radians(90.0)],
            f"{at}.valve.torque.running": [1.0, 1.0], f"{at}.valve.torque.breakaway": [2.0, 1.0],
            f"{at}.valve.torque.pressure_slope": 0.03e-5, f"{at}.valve.torque.cold_factor": 1.5,
            f"{at}.valve.torque.dwell_factor": 1.2,
            f"{at}.actuator.motor.torque_constant": 0.04, f"{at}.actuator.motor.magnet_coefficient": -0.001,
            f"{at}.actuator.motor.resistance": 0.5, f"{at}.actuator.motor.resistance_coefficient": 0.004,
            f"{at}.actuator.motor.friction_torque": 0.004, f"{at}.actuator.motor.cold_friction_factor": 1.5,
            f"{at}.actuator.hot_winding": 298.15 + 50.0, f"{at}.actuator.current_limit": 8.0,
            f"{gears}[0].ratio": 25.0, f"{gears}[1].ratio": 2.0,
            f"{gears}[0].efficiency": 1.0, f"{gears}[0].static_efficiency": 1.0,
            f"{gears}[1].efficiency": 0.9, f"{gears}[1].static_efficiency": 0.8,
        }
    )  # fmt: skip
    result = torque(design.machine, "oxidizer")  # at the nominal values of toleranced inputs
    verify(row("torque-drop", "largest pressure difference", 20.0e5, "Pa", 1e-12, MARGIN), result.pressure_drop)
    verify(row("torque-needed", "torque needed", 4.78, "N m", 1e-9, MARGIN), result.needed[0])
    verify(row("torque-available", "torque available", 11.92, "N m", 1e-9, MARGIN), result.available)
    verify(row("torque-margin", "static torque margin", 11.92 / 4.78 - 1.0, "", 1e-9, MARGIN), result.margin)
    assert result.worst_angle == 0.0
    adverse = design.torque("oxidizer")
    assert adverse.nominal_margin == result.margin
    assert adverse.margin < result.margin


# -------------------------------------------------------------------------------------------------- step responses


def metrics(response, end: float, points: int = 40001):
    time = np.linspace(0.0, end, points)
    return step_metrics(time, 0.4 + 0.05 * response(time), 0.4, 0.05)


@pytest.mark.parametrize(("dead", "tau"), [(0.0, 0.03), (0.012, 0.04), (0.05, 0.02)])
def test_first_order_with_dead_time(dead, tau):
    """The standard's levels, 63 % and 86.5 %."""
    found = metrics(lambda t: 1.0 - np.exp(-np.maximum(t - dead, 0.0) / tau), dead + 12.0 * tau)
    verify(row(f"S35-63-{dead}", "T63 of first order with dead time", dead + 0.994 * tau, "s", 1e-3, ISA), found.t63)
    verify(row(f"S35-86-{dead}", "T86 of first order with dead time", dead + 2.0025 * tau, "s", 1e-3, ISA), found.t86)
    assert found.t63 == pytest.approx(dead - tau * math.log(1.0 - 0.63), rel=1e-5)
    assert found.t86 == pytest.approx(dead - tau * math.log(1.0 - 0.865), rel=1e-5)
    assert found.dead_time == pytest.approx(dead - tau * math.log(0.97), rel=1e-4)
    assert found.settling == pytest.approx(dead + tau * math.log(50.0), rel=1e-3)
    assert found.overshoot == 0.0
    assert found.residual == pytest.approx(0.0, abs=1e-4)


def second_order(zeta: float):
    wd = math.sqrt(1.0 - zeta * zeta)
    return lambda t: 1.0 - np.exp(-zeta * t) * (np.cos(wd * t) + zeta / wd * np.sin(wd * t))


@pytest.mark.parametrize(
    ("zeta", "overshoot"),
    [
        (0.2, 52.66),
        (0.3, 37.23),
        (0.4, 25.38),
        (0.5, 16.30),
        (0.6, 9.478),
        (0.7, 4.599),
        (math.sqrt(0.5), 4.321),
        (0.8, 1.516),
    ],
)
def test_overshoot_against_damping(zeta, overshoot):
    """To half a unit of the last of the four digits given."""
    found = metrics(second_order(zeta), 40.0)
    last = 10.0 ** (math.floor(math.log10(overshoot)) - 3)
    check = OutsideCheck(
        f"S16-{zeta:.4g}", f"overshoot at a damping ratio of {zeta:.4g}", overshoot, "%", 0.5 * last, TEXT, "recomputed",
        absolute=True,
    )  # fmt: skip
    verify(check, 100.0 * found.overshoot)


def test_step_of_the_modulus_and_symmetric_optimum():
    """Closed loops 1/(2 tau^2 s^2 + 2 tau s + 1) and (4 tau s + 1)/(8 tau^3 s^3 + 8 tau^2 s^2 + 4 tau s + 1)."""
    from scipy import signal

    tau = 0.02
    for name, loop, overshoot, settling in (
        ("S17", ([1.0], [2.0, 2.0, 1.0]), 0.0432, 8.432),
        ("S18", ([4.0, 1.0], [8.0, 8.0, 4.0, 1.0]), 0.4341, 16.55),
    ):
        time, y = signal.step(loop, T=np.linspace(0.0, 40.0, 40001))
        found = step_metrics(tau * time, 1.0 - 0.2 * y, 1.0, -0.2)  # a step down
        verify(row(f"{name}-overshoot", "overshoot", overshoot, "", 1e-3, KESSLER), found.overshoot)
        verify(row(f"{name}-settling", "settling to 2 %", settling * tau, "s", 1e-3, KESSLER), found.settling)


# ------------------------------------------------------------------------------------------------- engine, linear


def engine(coupling: float, residence: float, delay: float, ratio: float) -> EngineModel:
    """Two equal legs without line inertia, c* that depends on nothing."""
    point = type("Point", (), {"mixture_ratio": ratio})()
    slopes = LegSlopes(angle_gain=1.0, coupling=coupling, tank=0.0, lag=0.0)
    return EngineModel(
        point=point, slopes={"oxidizer": slopes, "fuel": slopes}, kappa=0.0, pressure_exponent=0.0,
        residence=residence, delays={"oxidizer": delay, "fuel": delay},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("ratio", "omega", "residence"), [(1.2, 900.0, 1.4e-3), (2.5, 600.0, 2e-3), (0.9, 2000.0, 8e-4)]
)
def test_two_equal_legs_reduce_to_one_delay(ratio, omega, residence):
    """1 + theta s = -B exp(-tau s): at B = sqrt(1 + (theta w)^2) and w tau = pi - atan(theta w) the loop is neutral.

    The characteristic is read from the pressure response, weight times exp(-tau s) over it.
    """
    neutral = math.sqrt(1.0 + (residence * omega) ** 2)
    delay = (math.pi - math.atan(residence * omega)) / omega
    s = 1j * omega
    share = ratio / (1.0 + ratio)
    for part in (0.5, 0.9, 0.999):
        model = engine(part * neutral, residence, delay, ratio)
        found = share * np.exp(-delay * s) / model.response(np.array([omega]))[1][0, 0]
        # Both terms cancel at the neutral point; a part of B leaves that part of |1 + theta s|.
        check = row(
            f"R19-{ratio}-{part}",
            "characteristic at a part of the neutral coupling",
            (1.0 - part) * neutral,
            "",
            1e-6,
            SZUCH,
        )
        verify(check, abs(found))
        one = 1.0 + residence * s + part * neutral * np.exp(-delay * s)
        assert found == pytest.approx(one, abs=1e-9)


def test_mixture_ratio_error_of_two_flows():
    """Valves choked, so that the legs do not see each other: 1 % and 1 % of flow, independent and together."""
    model = engine(0.0, 1e-3, 1e-3, 1.2)
    o, f = (0.01 * model.static_ratio_sensitivity(name) for name in ("oxidizer", "fuel"))
    verify(row("R21", "O/F error of two independent flow errors of 1 %", 0.01414, "", 2e-4, GUM), math.hypot(o, f))
    together = OutsideCheck(
        "R21-correlated", "O/F error when both flows rise by 1 %", 0.0, "", 1e-15, GUM, "recomputed", absolute=True
    )
    verify(together, o + f)
