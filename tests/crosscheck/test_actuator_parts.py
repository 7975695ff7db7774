"""Closed forms of motors, heat, moves and bus against integration and search that share nothing with them."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq, minimize, minimize_scalar

from valvectl.parts import bang_bang, motor_duty, motor_heat, power_bus, stepper

# --------------------------------------------------------------------------------------------------------- heat

HEAT = {"r25": 0.6, "a": 0.0039, "r1": 2.5, "r2": 2.0, "cw": 12.0, "cc": 180.0}
AIR, CASE_LOSS = 313.15, 0.8


def heat_rhs(current: float):
    """The two-node network written out with the resistance's rise."""

    def rhs(_t, x):
        loss = current**2 * HEAT["r25"] * (1.0 + HEAT["a"] * (x[0] - 298.15))
        across = (x[0] - x[1]) / HEAT["r1"]
        return [(loss - across) / HEAT["cw"], (across + CASE_LOSS - (x[1] - AIR) / HEAT["r2"]) / HEAT["cc"]]

    return rhs


def rest(current: float) -> tuple[float, ...]:
    return (AIR, current, *HEAT.values(), CASE_LOSS)


@pytest.mark.parametrize("current", [0.0, 4.0, 8.0, 11.0])
@pytest.mark.parametrize("start", [(313.15, 313.15), (400.0, 320.0), (300.0, 380.0)])
def test_heat_step_against_integration(current, start):
    """Steps from a tenth of the fast time constant to many of the slow one; 11 A runs away."""
    for step in (2.0, 30.0, 300.0, 2000.0):
        run = solve_ivp(heat_rhs(current), (0.0, step), start, method="DOP853", rtol=1e-11, atol=1e-9)
        got = motor_heat.heat_step(*start, *rest(current), step)
        assert got == (pytest.approx(run.y[0, -1], rel=1e-8), pytest.approx(run.y[1, -1], rel=1e-8))


@pytest.mark.parametrize("current", [6.0, 8.0, 11.0, 25.0])
def test_time_to_limit_against_an_event(current):
    def crossing(_t, x):
        return x[0] - 428.15

    crossing.terminal = True
    run = solve_ivp(heat_rhs(current), (0.0, 2e4), (AIR, AIR), method="DOP853", rtol=1e-11, atol=1e-9, events=crossing)
    got = motor_heat.time_to_limit(428.15, AIR, AIR, *rest(current))
    if run.t_events[0].size:
        assert got == pytest.approx(float(run.t_events[0][0]), rel=1e-7)
    else:
        assert got == math.inf


@pytest.mark.parametrize("idle", [0.0, 3.0])
def test_periodic_crest_against_many_cycles(idle):
    """S3 and S6: cycles integrated until they repeat."""
    state = (AIR, AIR)
    for _ in range(60):
        for current, time in ((idle, 70.0), (8.0, 50.0)):
            run = solve_ivp(heat_rhs(current), (0.0, time), state, method="DOP853", rtol=1e-10, atol=1e-8)
            state = (float(run.y[0, -1]), float(run.y[1, -1]))
    got = motor_duty.periodic_crest(AIR, 8.0, idle, 50.0, 70.0, *HEAT.values(), CASE_LOSS)
    assert got == (pytest.approx(state[0], rel=1e-6), pytest.approx(state[1], rel=1e-6))


def test_holding_runs_away_above_its_limit_only():
    """Constant torque with warm magnets, integrated: below the limit it settles where it was said, above it never does."""
    k25, m = 0.04, -0.0012
    numbers = (AIR, HEAT["r25"], HEAT["a"], k25, m, HEAT["r1"], HEAT["r2"])
    limit = motor_heat.holding_limit(5000.0, *numbers)

    def rhs(torque):
        def inner(_t, x):
            current = torque / (k25 * (1.0 + m * (x[1] - 298.15)))
            loss = current**2 * HEAT["r25"] * (1.0 + HEAT["a"] * (x[0] - 298.15))
            across = (x[0] - x[1]) / HEAT["r1"]
            return [(loss - across) / HEAT["cw"], (across - (x[1] - AIR) / HEAT["r2"]) / HEAT["cc"]]

        return inner

    below = solve_ivp(rhs(0.95 * limit), (0.0, 2e5), (AIR, AIR), method="LSODA", rtol=1e-9, atol=1e-7)
    assert below.y[0, -1] == pytest.approx(motor_heat.holding_temperature(0.95 * limit, *numbers), rel=1e-5)

    def gone(_t, x):
        return x[0] - 1500.0

    gone.terminal = True
    above = solve_ivp(rhs(1.02 * limit), (0.0, 2e5), (AIR, AIR), method="LSODA", rtol=1e-8, atol=1e-6, events=gone)
    assert above.t_events[0].size == 1
    assert motor_heat.holding_temperature(1.02 * limit, *numbers) == math.inf
    assert motor_heat.holding_temperature(0.9999 * limit, *numbers) < math.inf


# -------------------------------------------------------------------------------------------------------- moves

MOVES = [
    {"current": 20.0, "voltage": 20.0, "load": 3.0, "speed_limit": 50.0},
    {"current": 8.0, "voltage": 22.0, "load": 2.0, "speed_limit": 6.0},
    {"current": 30.0, "voltage": 12.0, "load": 5.0, "speed_limit": 50.0},
    {"current": 8.0, "voltage": 40.0, "load": 0.0, "speed_limit": 50.0},
]
FIXED = {"drive_gain": 1.4, "brake_gain": 2.2, "back_emf": 1.75, "resistance": 0.6, "inertia": 0.025}


@pytest.mark.parametrize("angle", [0.02, 0.4, 1.57])
@pytest.mark.parametrize("case", MOVES)
def test_move_against_integration(case, angle):
    """Run up with current and voltage limits, cruise and brake, integrated; time, angle and energies compared."""
    n = {**FIXED, **case}
    time, top = bang_bang.move(angle, n["speed_limit"], **{k: v for k, v in n.items() if k != "speed_limit"})
    taken, copper, returned = bang_bang.move_energy(
        angle, n["speed_limit"], **{k: v for k, v in n.items() if k != "speed_limit"}
    )

    def current(w):
        return min(n["current"], (n["voltage"] - n["back_emf"] * w) / n["resistance"])

    def up(_t, x):
        i = current(x[1])
        rate = (n["drive_gain"] * i - n["load"]) / n["inertia"]
        return [x[1], rate, (n["resistance"] * i + n["back_emf"] * x[1]) * i, n["resistance"] * i * i]

    def there(_t, x):
        return x[1] - top

    there.terminal = True
    run = solve_ivp(up, (0.0, 50.0), (0.0, 0.0, 0.0, 0.0), rtol=1e-11, atol=1e-12, events=there, max_step=1e-3)
    assert run.t_events[0].size
    brake = (n["brake_gain"] * n["current"] + n["load"]) / n["inertia"]
    cruise = angle - run.y[0, -1] - 0.5 * top * top / brake
    assert cruise >= -1e-7
    meeting = bang_bang.meeting_speed(n["drive_gain"], n["back_emf"], n["resistance"], n["voltage"], n["load"])
    assert top <= min(n["speed_limit"], meeting)
    if top < 0.999999 * min(n["speed_limit"], meeting):
        assert cruise == pytest.approx(0.0, abs=1e-6)
    assert time == pytest.approx(run.t[-1] + max(cruise, 0.0) / top + top / brake, rel=1e-6)
    steady = n["load"] / n["drive_gain"]
    spent = run.y[2, -1] + (n["resistance"] * steady + n["back_emf"] * top) * steady * max(cruise, 0.0) / top
    heat = (
        run.y[3, -1]
        + n["resistance"] * steady**2 * max(cruise, 0.0) / top
        + n["resistance"] * n["current"] ** 2 * top / brake
    )

    def power(t):
        return (n["back_emf"] * (top - brake * t) - n["resistance"] * n["current"]) * n["current"]

    even = max(top - n["resistance"] * n["current"] / n["back_emf"], 0.0) / brake
    back, _ = quad(power, 0.0, even)
    later, _ = quad(power, even, top / brake)
    assert returned == pytest.approx(back, rel=1e-6, abs=1e-9)
    assert taken == pytest.approx(spent - later, rel=1e-5)
    assert copper == pytest.approx(heat, rel=1e-5)


def test_ratio_of_shortest_move_by_search():
    torque, rotor, load, inertia, efficiency = 0.35, 1.2e-5, 8.0, 4e-3, 0.8

    def time(ratio):
        j = ratio**2 * efficiency * rotor + inertia
        pull = ratio * efficiency * torque
        return math.sqrt(2.0 * (j / (pull - load) + j / (pull + load)))

    low = load / (efficiency * torque) * 1.001
    found = minimize_scalar(time, bounds=(low, 500.0), method="bounded", options={"xatol": 1e-7})
    assert bang_bang.ratio_of_shortest_move(torque, rotor, load, inertia, efficiency) == pytest.approx(
        found.x, rel=1e-6
    )


@pytest.mark.parametrize("drive", [0.0, 5.0])
def test_stop_torque_against_integration(drive):
    inertia, stiffness, speed = 0.025, 4e3, 3.0

    def rhs(_t, x):
        return [x[1], (drive - stiffness * x[0]) / inertia]

    def crest(_t, x):
        return x[1]

    crest.terminal, crest.direction = True, -1.0
    run = solve_ivp(rhs, (0.0, 1.0), (0.0, speed), rtol=1e-11, atol=1e-13, events=crest)
    assert bang_bang.stop_torque(inertia, stiffness, speed, drive) == pytest.approx(stiffness * run.y[0, -1], rel=1e-8)


# ------------------------------------------------------------------------------------------------------ stepper


def phasor_torque(load_angle, speed, k, voltage, resistance, inductance):
    """Two phases, phasors written out: EMF along the real axis, torque K Re(I)."""
    impedance = complex(resistance, 50.0 * speed * inductance)
    return k * ((voltage * cmath.exp(1j * load_angle) - k * speed) / impedance).real


@pytest.mark.parametrize("speed", [1.0, 20.0, 80.0, 300.0])
def test_voltage_limited_torque_by_search_over_the_load_angle(speed):
    n = {"k": 0.3, "voltage": 24.0, "resistance": 0.7, "inductance": 2e-3}
    best = minimize_scalar(
        lambda d: -phasor_torque(d, speed, **n), bounds=(0.0, math.pi), method="bounded", options={"xatol": 1e-10}
    )
    assert stepper.voltage_limited_torque(speed, teeth=50.0, **n) == pytest.approx(-best.fun, rel=1e-9)


@pytest.mark.parametrize("speed", [1.0, 40.0, 55.0, 70.0, 100.0, 250.0, 900.0])
@pytest.mark.parametrize(("k", "current", "voltage"), [(0.3, 3.0, 24.0), (0.3, 1.0, 24.0), (0.6, 4.0, 36.0)])
def test_pull_out_by_constrained_search(speed, k, current, voltage):
    """Greatest i_q within both circles, by a general optimizer from many starts."""
    resistance, inductance = 0.7, 2e-3
    reactance = 50.0 * speed * inductance

    def room(i):
        q, d = i
        v_q = resistance * q + reactance * d + k * speed
        v_d = resistance * d - reactance * q
        return [1.0 - (q * q + d * d) / current**2, 1.0 - (v_q**2 + v_d**2) / voltage**2]

    best = 0.0
    for turn in np.linspace(0.0, np.pi, 7):
        start = 0.3 * current * np.array([np.cos(turn), -np.sin(turn)])
        found = minimize(
            lambda i: -i[0] / current,
            start,
            method="SLSQP",
            constraints={"type": "ineq", "fun": room},
            options={"ftol": 1e-14, "maxiter": 500},
        )
        if min(room(found.x)) > -1e-8:
            best = max(best, k * found.x[0])
    assert stepper.pull_out_torque(speed, k, current, voltage, resistance, inductance, 50.0) == pytest.approx(
        best, rel=1e-5, abs=1e-8
    )


def test_corner_speed_by_root():
    def excess(w):
        return abs(complex(0.7 * 3.0 + 0.3 * w, 50.0 * w * 2e-3 * 3.0)) - 24.0

    assert stepper.corner_speed(0.3, 3.0, 24.0, 0.7, 2e-3, 50.0) == pytest.approx(brentq(excess, 0.0, 500.0), rel=1e-10)


@pytest.mark.parametrize("share", [0.0, 0.3, 0.8])
def test_pull_in_against_integration(share):
    """Field that starts at once: just below the speed the rotor locks on, just above it the lag passes the crest."""
    holding, inertia = 1.2, 8e-5
    limit = stepper.pull_in_speed(holding, share * holding, 50.0, inertia)

    def greatest_lag(speed):
        def rhs(_t, x):
            return [x[1], -(holding * math.sin(50.0 * x[0]) - share * holding) / inertia]

        start = math.asin(share) / 50.0
        run = solve_ivp(rhs, (0.0, 0.05), (start, speed), rtol=1e-10, atol=1e-13, max_step=1e-4)
        return float(run.y[0].max())

    unstable = (math.pi - math.asin(share)) / 50.0
    assert greatest_lag(0.999 * limit) < unstable
    assert greatest_lag(1.001 * limit) > unstable


def test_detent_error_bounds_the_true_error():
    """Equilibria of T_h sin(phi - p theta) = T_d sin(4 p theta) over a step, by root finding."""
    holding, detent, worst = 1.0, 0.05, 0.0
    for phi in np.linspace(0.0, math.pi / 2.0, 201):
        x = brentq(lambda x, phi=phi: holding * math.sin(phi - x) - detent * math.sin(4.0 * x), phi - 1.0, phi + 1.0)
        worst = max(worst, abs(x - phi) / 50.0)
    bound = stepper.detent_error(detent, holding, 50.0)
    assert worst <= bound
    assert worst == pytest.approx(bound, rel=1e-3)


# ---------------------------------------------------------------------------------------------------------- bus


def test_shared_bus_by_root_finding():
    powers, harness, source, inner = np.array([180.0, 120.0, 30.0]), np.array([0.05, 0.08, 0.02]), 24.0, 0.12

    def balance(v):
        drawn = 1.5
        for p, r in zip(powers, harness, strict=True):
            drawn += brentq(lambda i, p=p, r=r: (v - r * i) * i - p, 0.0, v / (2.0 * r))
        return v + inner * drawn - source

    got = power_bus.shared_bus_voltage(source, inner, powers, harness, 1.5)
    assert got == pytest.approx(brentq(balance, 15.0, 24.0), rel=1e-9)
    assert power_bus.shared_bus_voltage(source, inner, 5.0 * powers, harness, 1.5) == 0.0


def test_capacitor_against_integration():
    def rhs(_t, x):
        return [50.0 / (2e-3 * x[0])]

    run = solve_ivp(rhs, (0.0, 0.02), (24.0,), rtol=1e-11, atol=1e-12)
    assert power_bus.capacitor_voltage(24.0, 1.0, 2e-3) == pytest.approx(run.y[0, -1], rel=1e-9)
    assert power_bus.capacitance_for(24.0, float(run.y[0, -1]), 1.0) == pytest.approx(2e-3, rel=1e-8)
