"""Linear engine and actuator against finite differences of the balance and against their own equations written out."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import LEGS
from valvectl.plant.balance import OperatingPoint, balance, leg_flow, solve
from valvectl.plant.linear import EngineModel, engine_model, leg_slopes, servo_matrices, servo_rates
from valvectl.plant.machine import LegMachine

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
STEP = 1e-4
"""Step of the finite differences [rad]."""


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


@cache
def at(throttle: float) -> tuple[OperatingPoint, EngineModel]:
    point = solve(rig().machine, throttle)
    return point, engine_model(rig().machine, point)


def slope(function, step: float) -> float:
    """d ln(function) / dx at zero by central difference."""
    return math.log(function(step) / function(-step)) / (2.0 * step)


# ------------------------------------------------------------------------------------------------- static engine


@pytest.mark.parametrize("throttle", [0.4, 0.6, 0.8, 1.0])
@pytest.mark.parametrize("name", LEGS)
def test_static_sensitivities(throttle, name):
    """O/F and chamber pressure per angle within 1 % of the balance solved anew.

    The difference left is the slope of the friction factor, which the linear model neglects, and that of ln c, which it
    takes over two cells of the table.
    """
    point, model = at(throttle)
    angles = {leg: p.angle for leg, p in point.legs.items()}

    def moved(d: float) -> OperatingPoint:
        changed = {**angles, name: angles[name] + d}
        return balance(rig().machine, changed["oxidizer"], changed["fuel"])

    expected = slope(lambda d: moved(d).mixture_ratio, STEP)
    assert model.static_ratio_sensitivity(name) == pytest.approx(expected, rel=0.01)
    expected = slope(lambda d: moved(d).chamber_pressure, STEP)
    assert model.response(np.zeros(1))[1][LEGS.index(name), 0].real == pytest.approx(expected, rel=0.01)


def check_slopes(leg: LegMachine, point: OperatingPoint) -> None:
    found = leg_slopes(leg, point)
    angle, pressure = point.legs[leg.name].angle, point.chamber_pressure
    by_angle = slope(lambda d: leg_flow(leg, angle + d, pressure), STEP)
    assert found.angle_gain == pytest.approx(by_angle, rel=0.01)
    by_tank = slope(lambda d: leg_flow(replace(leg, tank_pressure=leg.tank_pressure + d), angle, pressure), 100.0)
    assert found.tank == pytest.approx(by_tank, rel=0.01)
    by_chamber = slope(lambda d: leg_flow(leg, angle, pressure * math.exp(d)), 1e-4)
    assert found.coupling == pytest.approx(-by_chamber, rel=0.01, abs=1e-9)


@pytest.mark.parametrize("throttle", [0.4, 0.7, 1.0])
@pytest.mark.parametrize("name", LEGS)
def test_leg_slopes(throttle, name):
    check_slopes(rig().machine.legs[name], at(throttle)[0])


@pytest.mark.parametrize("name", LEGS)
def test_leg_slopes_of_a_choked_leg(name):
    """Boiling inlet: no coupling to the chamber, the angle acts through c FL."""
    point, _ = at(0.7)
    leg = rig().machine.legs[name]
    leg = replace(leg, liquid=replace(leg.liquid, vapour_pressure=0.85 * point.legs[name].valve_inlet))
    machine = replace(rig().machine, legs={**rig().machine.legs, name: leg})
    choked = balance(machine, point.legs["oxidizer"].angle, point.legs["fuel"].angle)
    assert choked.legs[name].choked
    assert leg_slopes(leg, choked).coupling == 0.0
    check_slopes(leg, choked)


def test_column_lag():
    """Inertance times flow over twice the square losses; by hand for the oxidizer leg without droop."""
    leg = replace(rig().machine.legs["oxidizer"], tank_droop=0.0)
    machine = replace(rig().machine, legs={**rig().machine.legs, "oxidizer": leg})
    point = solve(machine, 1.0)
    drop = leg.tank_pressure + leg.head - point.chamber_pressure
    inertance = 1.0 / (math.pi / 4.0 * 0.012**2)  # 1 m of 12 mm pipe, nothing behind the valve
    expected = inertance * point.legs["oxidizer"].flow / (2.0 * drop)
    assert leg_slopes(leg, point).lag == pytest.approx(expected, rel=1e-9)
    assert leg_slopes(leg, point).coupling == pytest.approx(point.chamber_pressure / (2.0 * drop), rel=1e-12)


def test_characteristic_velocity_slopes():
    """kappa and the pressure exponent lie among the slopes of ln c* over the grid's cells about the point, by differences."""
    point, model = at(0.8)
    machine, r, pc = rig().machine, point.mixture_ratio, point.chamber_pressure
    dr, dx = machine.c_star.dr, machine.c_star.dx
    nodes = [math.log(machine.c_star_at(r + j * dr, pc)) for j in (-1, 0, 1)]
    slopes = [r * (b - a) / dr for a, b in pairwise(nodes)]
    assert min(slopes) - 1e-3 <= model.kappa <= max(slopes) + 1e-3
    nodes = [math.log(machine.c_star_at(r, pc * math.exp(j * dx))) for j in (-1, 0, 1)]
    slopes = [(b - a) / dx for a, b in pairwise(nodes)]
    assert min(slopes) - 1e-4 <= model.pressure_exponent <= max(slopes) + 1e-4
    assert abs(model.kappa) < 0.2
    assert 0.0 < model.pressure_exponent < 0.05
    share = r / (1.0 + r)
    assert model.weights["oxidizer"] == pytest.approx(share + model.kappa)
    assert model.weights["fuel"] == pytest.approx(1.0 - share - model.kappa)


# ------------------------------------------------------------------------------------------------ dynamic engine


@pytest.mark.parametrize("throttle", [0.4, 1.0])
def test_state_space_is_the_response_without_delays(throttle):
    _, model = at(throttle)
    prompt = replace(model, delays={"oxidizer": 0.0, "fuel": 0.0})
    omega = np.geomspace(0.1, 1e4, 60)
    ratio, pressure = prompt.response(omega)
    system = prompt.state_space()
    theirs = np.asarray(system(1j * omega))
    for k, name in enumerate(LEGS):
        assert np.max(np.abs(theirs[0, k] / ratio[name] - 1.0)) < 1e-8
        assert np.max(np.abs(theirs[1, k] / pressure[k] - 1.0)) < 1e-8
    assert system.input_labels == ["oxidizer_angle", "fuel_angle"]
    assert system.output_labels == ["mixture_ratio", "chamber_pressure"]
    assert np.all(system.poles().real < 0.0)


def test_response_against_the_equations_solved_as_a_system():
    """Flows and chamber pressure as three linear equations with the delays in them."""
    point, model = at(0.5)
    r, kappa = point.mixture_ratio, model.kappa
    for w in (1.0, 80.0, 700.0, 3000.0):
        s = 1j * w
        o, f = model.slopes["oxidizer"], model.slopes["fuel"]
        wo, wf = r / (1 + r) + kappa, 1 / (1 + r) - kappa
        late = {name: np.exp(-s * model.delays[name]) for name in LEGS}
        matrix = np.array(
            [
                [1 + o.lag * s, 0, o.coupling],
                [0, 1 + f.lag * s, f.coupling],
                [-wo * late["oxidizer"], -wf * late["fuel"], 1 - model.pressure_exponent + model.residence * s],
            ]
        )
        ratio, pressure = model.response(np.array([w]))
        for k, name in enumerate(LEGS):
            drive = np.zeros(3)
            drive[k] = model.slopes[name].angle_gain
            flow_o, flow_f, p = np.linalg.solve(matrix, drive)
            assert ratio[name][0] == pytest.approx(flow_o - flow_f, rel=1e-10)
            assert pressure[k, 0] == pytest.approx(p, rel=1e-10)


def test_frequency_response_object():
    _, model = at(0.7)
    omega = np.geomspace(1.0, 1e3, 20)
    data = model.frequency_response(omega)
    ratio, pressure = model.response(omega)
    assert data.frdata.shape == (2, 2, 20)
    assert np.asarray(data.omega) == pytest.approx(omega)
    for k, name in enumerate(LEGS):
        assert data.frdata[0, k] == pytest.approx(ratio[name])
        assert data.frdata[1, k] == pytest.approx(pressure[k])


def test_engine_model_of_the_design():
    model = rig().engine_model(0.7)
    assert model.static_ratio_sensitivity("fuel") == pytest.approx(at(0.7)[1].static_ratio_sensitivity("fuel"))
    assert model.delays == {"oxidizer": pytest.approx(1.5e-3), "fuel": pytest.approx(2.5e-3)}


# ------------------------------------------------------------------------------------------------------- actuator


def test_servo_rates_are_linear_in_the_matrices():
    servo = rig().machine.legs["fuel"].servo
    a, b = servo_matrices(servo)
    rng = np.random.default_rng(11)
    for _ in range(5):
        state, voltage, load = rng.normal(size=5), float(rng.normal()), float(rng.normal())
        expected = a @ state + b @ np.array([voltage, load])
        assert servo_rates(servo, state, voltage, load) == pytest.approx(expected, rel=1e-9)


def test_actuator_at_rest_and_at_constant_speed():
    """Held against a load the motor needs load x mean mesh factor/K; running free its back-EMF balances the voltage."""
    servo = rig().machine.legs["fuel"].servo
    mesh = 0.5 * (1.0 / servo.train.efficiency + servo.train.backdrive_efficiency) / servo.ratio
    current = 3.0 * mesh / servo.torque_constant
    wind = 3.0 / servo.spring
    rates = servo_rates(servo, np.array([current, 0.0, wind, 0.0, 0.0]), servo.resistance * current, 3.0)
    assert rates == pytest.approx(np.zeros(5), abs=1e-6)
    free = replace(servo, motor_viscous=0.0)
    volts = servo.torque_constant * servo.ratio * 2.0
    rates = servo_rates(free, np.array([0.0, 2.0, 0.3, 2.0, 0.3]), volts, 0.0)
    assert rates == pytest.approx([0.0, 0.0, 2.0, 0.0, 2.0], abs=1e-6)


def test_actuator_energy():
    """Without losses the power put in is the rise of kinetic, spring and field energy."""
    servo = rig().machine.legs["fuel"].servo
    train = replace(servo.train, efficiency=1.0, backdrive_efficiency=1.0)
    servo = replace(servo, damping=0.0, motor_viscous=0.0, train=train)
    i, wm, am, ws, stem = 2.0, 3.0, 0.2, 2.5, 0.199
    di, dwm, dam, dws, das = servo_rates(servo, np.array([i, wm, am, ws, stem]), 5.0, 0.7)
    stored = (
        servo.inductance * i * di
        + servo.motor_inertia * servo.ratio**2 * wm * dwm
        + servo.load_inertia * ws * dws
        + servo.spring * (am - stem) * (dam - das)
    )
    put_in = 5.0 * i - servo.resistance * i * i - 0.7 * ws
    assert stored == pytest.approx(put_in, rel=1e-9)
