"""The exact sampled loop against the time simulation, scipy and python-control, each built apart from it.

The simulator is run on the smooth machine (no dry friction, lost motion, quantisation or limits) with a stiff battery: a bus
that sags is a limit too. Its error comes from the integration step alone and falls with the step squared.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

import valvectl
from valvectl.parts.controller import CascadeGains
from valvectl.plant.linear import SERVO_STATES, servo_matrices
from valvectl.plant.machine import Machine
from valvectl.plant.servo_numbers import Servo
from valvectl.plant.simulate import Trace, simulate
from valvectl.servo.sampled import LOOP_ORDER, closed_loop, open_loop
from valvectl.servo.tune import loop_margins, tune

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
STEP = 10e-6
"""Integration step of the simulations [s]."""
SIZE = math.radians(0.5)
"""Size of the commands [rad]."""

RATES = {
    "example": {},
    "fractional delays": {
        "position_period": 1.2e-3, "position_delay": 0.77e-3, "speed_period": 0.4e-3,
        "speed_delay": 0.137e-3, "current_period": 80e-6, "current_delay": 33e-6,
    },
    "delays longer than a period": {
        "position_period": 1e-3, "position_delay": 2.35e-3, "speed_period": 0.5e-3,
        "speed_delay": 0.61e-3, "current_period": 50e-6, "current_delay": 71e-6,
    },
    "position and speed at one rate": {
        "position_period": 0.2e-3, "position_delay": 0.05e-3, "speed_period": 0.2e-3,
        "speed_delay": 0.2e-3, "current_period": 0.1e-3, "current_delay": 0.1e-3,
    },
    "no delay": {"position_delay": 0.0, "speed_delay": 0.0, "current_delay": 0.0},
}  # fmt: skip


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


def smooth(**changes: object) -> Machine:
    """The smooth machine with some numbers of both servos replaced, on a battery that does not sag."""
    machine = replace(rig().machine.smooth(), battery_resistance=0.0)
    for name in machine.legs:
        machine = machine.with_servo(name, harness=0.0, **changes)
    return machine


def run(machine: Machine, gains: CascadeGains, command: np.ndarray, step: float = STEP) -> Trace:
    """Simulate the oxidizer's servo with a command relative to where it rests [rad], recorded at its position samples."""
    point = rig().analysis.schedule.points[15]
    period = machine.legs["oxidizer"].servo.position_period
    order = {name: np.full(command.size, leg.angle) for name, leg in point.legs.items()}
    order["oxidizer"] = order["oxidizer"] + command
    both = dict.fromkeys(machine.legs, gains)
    return simulate(
        machine, both, order, point, period * (command.size - 1), hydraulics=False, step=step, record=period
    )


def moved(trace: Trace, where: str) -> np.ndarray:
    """Angle of stem or motor from its start [rad]."""
    angle = getattr(trace.legs["oxidizer"], where)
    return np.asarray(angle - angle[0])


# ------------------------------------------------------------------------------------------ (a) step of the command


@pytest.mark.parametrize("feedforward", [0.0, 1.0])
@pytest.mark.parametrize("on_motor", [False, True], ids=["encoder on stem", "encoder on motor"])
@pytest.mark.parametrize("rates", list(RATES))
def test_step_of_the_command(rates, on_motor, feedforward):
    """Every position sample agrees to 1e-4 of the step without, and 1e-3 with the kick of the feed-forward."""
    machine = smooth(**RATES[rates], position_on_motor=on_motor, feedforward=feedforward)
    servo = machine.legs["oxidizer"].servo
    gains = tune(servo)
    count = round(0.12 / servo.position_period) + 1
    command = np.full(count, SIZE)
    command[0] = 0.0
    trace = run(machine, gains, command)
    exact = closed_loop(servo, gains).simulate(np.column_stack([command, np.zeros(count)]))
    allowed = (1e-3 if feedforward else 1e-4) * SIZE
    assert trace.time == pytest.approx(servo.position_period * np.arange(count), rel=1e-9)
    assert moved(trace, "stem") == pytest.approx(exact[:, 1], abs=allowed, rel=0)
    assert moved(trace, "motor") == pytest.approx(exact[:, 2], abs=allowed, rel=0)
    assert exact[:, 0] == pytest.approx(exact[:, 2 if on_motor else 1])
    biggest = float(np.max(np.abs(exact[:, 3])))
    assert trace.legs["oxidizer"].current == pytest.approx(exact[:, 3], abs=1e-4 * biggest, rel=0)
    assert exact[-1, 1] == pytest.approx(SIZE, rel=0.01)


@pytest.mark.parametrize("damping", [0.0, None], ids=["no contact damping", "with contact damping"])
def test_error_falls_with_the_step(damping):
    """A quarter of the step leaves about a sixteenth of the difference to the exact loop, which is second order.

    With contact damping the stem's own vibration is first order, since the damper sees the speeds half a step late; the
    motor stays second order.
    """
    changes = {} if damping is None else {"damping": damping}
    gains = tune(smooth().legs["oxidizer"].servo)
    machine = smooth(feedforward=0.0, **changes)
    command = np.concatenate([[0.0], np.full(60, SIZE)])
    exact = closed_loop(machine.legs["oxidizer"].servo, gains).simulate(np.column_stack([command, np.zeros(61)]))
    coarse, fine = (run(machine, gains, command, step) for step in (12.5e-6, 3.125e-6))

    def error(trace: Trace, where: str, column: int) -> float:
        return float(np.max(np.abs(moved(trace, where) - exact[:, column])))

    assert error(fine, "motor", 2) < error(coarse, "motor", 2) / 14.0
    order = 14.0 if damping == 0.0 else 3.8
    assert error(fine, "stem", 1) < error(coarse, "stem", 1) / order


# ------------------------------------------------------------------------------------------------- (b) sine sweep


@pytest.mark.parametrize("leg", ["oxidizer", "fuel"])
def test_loop_gain_from_simulated_sines(leg):
    """L = y/e at the position samples, by discrete Fourier over whole periods, up to four times crossover.

    Allowed are 3 % and 3 deg; it agrees to 0.1 % and 0.1 deg.
    """
    timing = {
        key: getattr(rig().machine.legs[leg].servo, key)
        for key in (
            "position_period",
            "position_delay",
            "speed_period",
            "speed_delay",
            "current_period",
            "current_delay",
        )
    }
    machine = smooth(**timing, feedforward=0.0)
    servo = machine.legs["oxidizer"].servo
    gains = tune(servo)
    found = loop_margins(servo, gains, "position")
    loop, crossover = found.loop, found.margins.gain_crossover
    period = servo.position_period
    settle = math.ceil(0.25 / period)
    for factor in (0.25, 0.5, 0.8, 1.0, 1.5, 2.0, 3.0, 4.0):
        samples = round(0.4 / period)
        cycles = max(1, round(factor * crossover * samples * period / (2.0 * math.pi)))
        omega = 2.0 * math.pi * cycles / (samples * period)
        command = SIZE * np.sin(omega * period * np.arange(settle + samples))
        trace = run(machine, gains, command)
        turn = np.exp(-1j * omega * period * np.arange(settle, settle + samples))
        y = np.sum(moved(trace, "stem")[settle : settle + samples] * turn)
        e = np.sum((command - moved(trace, "stem"))[settle : settle + samples] * turn)
        quotient = y / e / loop.response(np.array([omega]))[0, 0, 0]
        assert abs(quotient) == pytest.approx(1.0, abs=1e-3), factor
        assert math.degrees(abs(np.angle(quotient))) < 0.1, factor


# ---------------------------------------------------------------------------------------------- (c) border of stability


def encircled(servo: Servo, gains: CascadeGains) -> int:
    """Closed-loop poles outside the unit circle: the turns of 1 + L(z) about zero along a circle just outside of it.

    The poles of L lie on or inside the unit circle (an integrator at one), so that none is outside. L is evaluated by
    python-control.
    """
    system = open_loop(servo, gains, "position").to_control()
    assert np.max(np.abs(system.poles())) < 1.0 + 1e-6
    half = np.concatenate([np.geomspace(1e-7, 1e-2, 3000), np.linspace(1e-2, math.pi, 4000)[1:]])
    angle = np.concatenate([-half[::-1], half])
    values = 1.0 + np.asarray(system((1.0 + 2e-5) * np.exp(1j * angle))).reshape(-1)
    turns = np.sum(np.angle(values[1:] / values[:-1])) + np.angle(values[0] / values[-1])
    return -round(float(turns) / (2.0 * math.pi))


def growth(servo: Servo, machine: Machine, gains: CascadeGains) -> float:
    """Growth per sample of the simulated servo after a step, late in the run, from the envelope's logarithm."""
    command = np.concatenate([[0.0], np.full(1500, SIZE)])
    error = np.abs(moved(run(machine, gains, command), "stem") - SIZE)
    blocks = error[501:].reshape(10, -1).max(axis=1)
    return float(np.polyfit(100.0 * np.arange(10), np.log(blocks), 1)[0])


@pytest.mark.parametrize("rates", ["example", "delays longer than a period", "fractional delays"])
def test_border_of_stability(rates):
    """Gain 2 % beyond the exact gain margin: unstable by eigenvalues, by Nyquist and by simulation; 2 % below: stable."""
    machine = smooth(**RATES[rates], feedforward=0.0)
    servo = machine.legs["oxidizer"].servo
    gains = tune(servo)
    factor = 10.0 ** (loop_margins(servo, gains, "position").margins.gain_margin_db / 20.0)
    assert encircled(servo, gains) == 0
    beyond = replace(gains, position=1.02 * factor * gains.position)
    below = replace(gains, position=0.98 * factor * gains.position)
    assert closed_loop(servo, beyond).spectral_radius > 1.0
    assert not loop_margins(servo, beyond, "position").stable
    assert encircled(servo, beyond) == 2
    assert closed_loop(servo, below).spectral_radius < 1.0
    assert loop_margins(servo, below, "position").stable
    assert encircled(servo, below) == 0
    for case, sign in ((beyond, 1.0), (below, -1.0)):
        rate = growth(servo, machine, case)
        assert rate * sign > 0.0
        # The envelope is that of the dominant pair of eigenvalues.
        assert rate == pytest.approx(math.log(closed_loop(servo, case).spectral_radius), rel=0.03)


@pytest.mark.parametrize("at", LOOP_ORDER)
def test_margins_lead_to_the_border_at_every_break_point(at):
    """At the gain margin the closed loop has a pair of eigenvalues on the unit circle, at the phase crossover."""
    servo = smooth().legs["oxidizer"].servo
    gains = tune(servo)
    found = loop_margins(servo, gains, at)
    assert found.stable
    factor = 10.0 ** (found.margins.gain_margin_db / 20.0)
    loop = found.loop
    eigenvalues = np.linalg.eigvals(loop.a - factor * loop.b @ loop.c)
    wanted = np.exp(1j * found.margins.phase_crossover * loop.period)
    assert float(np.min(np.abs(eigenvalues - wanted))) < 1e-6


# ---------------------------------------------------------------------------------------- (d) single rate, no delay


def hand_plant(servo: Servo) -> tuple[np.ndarray, np.ndarray]:
    """A and B of the actuator written out: current, motor speed and angle over the ratio, stem speed and angle.

    L di/dt = v - R i - K N w;  Jm N dw/dt = K i - (1/eta + eta') T/(2 N) - b N w;  T = c (a - as) + d (w - ws)
    """
    n, jm, jl = servo.ratio, servo.motor_inertia, servo.load_inertia
    c, d, k = servo.spring, servo.damping, servo.torque_constant
    mesh = 0.5 * (1.0 / servo.train.efficiency + servo.train.backdrive_efficiency) / n
    a = np.array(
        [
            [-servo.resistance / servo.inductance, -k * n / servo.inductance, 0.0, 0.0, 0.0],
            [k / (jm * n), -mesh * d / (jm * n) - servo.motor_viscous / jm, -mesh * c / (jm * n), mesh * d / (jm * n),
             mesh * c / (jm * n)],
            [0.0, 1.0, 0.0, 0.0, 0.0],
            [0.0, d / jl, c / jl, -d / jl, -c / jl],
            [0.0, 0.0, 0.0, 1.0, 0.0],
        ]
    )  # fmt: skip
    b = np.array([[1.0 / servo.inductance, 0.0], [0.0, 0.0], [0.0, 0.0], [0.0, -1.0 / jl], [0.0, 0.0]])
    return a, b


def test_actuator_matrices_against_the_equations():
    servo = rig().machine.legs["oxidizer"].servo
    for got, expected in zip(servo_matrices(servo), hand_plant(servo), strict=True):
        assert got == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("on_motor", [False, True], ids=["encoder on stem", "encoder on motor"])
def test_single_rate_without_delay_against_difference_equations(on_motor):
    """All loops at 0.2 ms, outputs in force at once: scipy's held plant and the cascade written out, with a load."""
    period, tau = 2e-4, 3e-4
    servo = replace(
        rig().machine.legs["oxidizer"].servo,
        position_period=period, speed_period=period, current_period=period,
        position_delay=0.0, speed_delay=0.0, current_delay=0.0,
        speed_filter=tau, feedforward=0.7, position_on_motor=on_motor,
    )  # fmt: skip
    gains = CascadeGains(position=90.0, speed=5.0, speed_integral=60.0, current=1.5, current_integral=700.0)
    a, b, *_ = signal.cont2discrete((*hand_plant(servo), np.eye(5), np.zeros((5, 2))), period)
    rng = np.random.default_rng(7)
    command = np.cumsum(rng.normal(scale=1e-3, size=300))
    load = rng.normal(scale=0.5, size=300)
    state = np.zeros(5)
    before = motor_before = filtered = speed_integral = current_integral = 0.0
    expected = []
    for k in range(300):
        measured = state[2] if on_motor else state[4]
        expected.append([measured, state[4], state[2], state[0]])
        wanted_speed = gains.position * (command[k] - measured) + 0.7 * (command[k] - before) / period
        before = command[k]
        filtered += (1.0 - math.exp(-period / tau)) * ((state[2] - motor_before) / period - filtered)
        motor_before = state[2]
        error = wanted_speed - filtered
        wanted_current = gains.speed * error + speed_integral
        speed_integral += gains.speed * gains.speed_integral * period * error
        error = wanted_current - state[0]
        voltage = gains.current * error + current_integral
        current_integral += gains.current * gains.current_integral * period * error
        state = a @ state + b @ np.array([voltage, load[k]])
    got = closed_loop(servo, gains).simulate(np.column_stack([command, load]))
    scale = np.max(np.abs(expected), axis=0)
    assert np.max(np.abs((got - np.array(expected)) / scale)) < 1e-9


# ------------------------------------------------------------------------------------------------ (e) python-control


@pytest.mark.parametrize("at", LOOP_ORDER)
def test_loop_gain_in_python_control(at):
    """The object of to_control() gives the same response in python-control's frequency, Bode and Nyquist functions."""
    import control

    servo = rig().machine.legs["fuel"].servo
    loop = open_loop(servo, tune(servo), at)
    system = loop.to_control()
    assert system.dt == loop.period
    omega = np.geomspace(1e-3, 0.999, 60) * math.pi / loop.period
    ours = loop.response(omega)[:, 0, 0]
    theirs = np.asarray(system(np.exp(1j * omega * loop.period))).reshape(-1)
    assert np.max(np.abs(theirs / ours - 1.0)) < 1e-6
    bode = control.frequency_response(system, omega)  # what its Bode plot draws
    assert np.max(np.abs(np.asarray(bode.magnitude).reshape(-1) / np.abs(ours) - 1.0)) < 1e-6
    turned = np.asarray(bode.phase).reshape(-1) - np.angle(ours)
    assert np.max(np.abs(np.exp(1j * turned) - 1.0)) < 1e-6
    # The curve in a band where python-control need not go round the integrator.
    curve = control.nyquist_response(system, omega, warn_encirclements=False, warn_nyquist=False)
    values = np.asarray(curve.response).reshape(-1)[: omega.size]
    assert np.max(np.abs(values / ours - 1.0)) < 1e-3


def test_closed_loop_in_python_control():
    """Step response by python-control's forced_response of the discrete system; the design's own objects too."""
    import control

    servo = rig().machine.legs["oxidizer"].servo
    closed = closed_loop(servo, tune(servo))
    command = np.concatenate([[0.0], np.full(99, SIZE)])
    u = np.column_stack([command, np.zeros(100)])
    theirs = control.forced_response(closed.to_control(), inputs=u.T).outputs
    assert np.max(np.abs(theirs.T - closed.simulate(u))) < 1e-12
    design_loop = rig().loop_gain("oxidizer")
    omega = np.array([10.0, 100.0, 300.0])
    exact = open_loop(servo, rig().analysis.gains["oxidizer"], "position").response(omega)[:, 0, 0]
    assert np.asarray(design_loop(np.exp(1j * omega * servo.position_period))) == pytest.approx(exact, rel=1e-8)
    plant = rig().actuator("oxidizer")
    assert plant.output_labels == list(SERVO_STATES)
    a, b = servo_matrices(servo)
    expected = np.linalg.solve(50j * np.eye(5) - a, b)
    assert np.asarray(plant(50j)) == pytest.approx(expected, rel=1e-8)


def test_closed_loop_is_the_loop_gain_closed():
    """T = L/(1 + L) from the open loop equals the closed loop's response from command to measured angle."""
    for name in ("oxidizer", "fuel"):
        servo = replace(rig().machine.legs[name].servo, feedforward=0.0)
        gains = tune(servo)
        omega = np.geomspace(1.0, math.pi / servo.position_period, 40)
        loop = open_loop(servo, gains, "position").response(omega)[:, 0, 0]
        closed = closed_loop(servo, gains).response(omega)[:, 0, 0]
        assert np.max(np.abs(closed - loop / (1.0 + loop))) < 1e-8
