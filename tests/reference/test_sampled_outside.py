"""The exact sampled loop against hold-equivalent tables of control texts, modified z-transforms and tracking filters.

The servo is made into a textbook plant by its numbers: without torque constant the current loop is 1/(L s + R), without
resistance an integrator; a sensor lag adds a pole; a stem on its own is a double integrator, on a held gear an oscillator.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from outside import OutsideCheck, verify
from scipy import signal

import valvectl
from valvectl.parts.controller import CascadeGains
from valvectl.parts.speed_estimate import lag_shares, lagged, observer_gains, tracked
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.jitter import place_margins
from valvectl.servo.sampled import Discrete
from valvectl.servo.transfers import loop_gain, sensitivity, transfers
from valvectl.studies.timing import speed_lags

TABLE = (
    "table of zero-order-hold equivalents in Astrom and Wittenmark, Computer-Controlled Systems, and Franklin, Powell and "
    "Workman, Digital Control of Dynamic Systems (from memory, worked out again)"
)
MODIFIED = (
    "sampling a system with a time delay, Gamma0 and Gamma1 of Astrom and Wittenmark, Computer-Controlled Systems; modified "
    "z-transform (from memory, worked out again)"
)
OGATA = "zero-order-hold equivalent of 1/(s(s+1)) at 1 s: Ogata, Discrete-Time Control Systems (from memory, worked out again)"
BROOKNER = "critically damped g-h filter, Brookner, Tracking and Kalman Filtering Made Easy (1998), from memory"
GH = "g-h (alpha-beta) filter: variance and lag formulas as in Brookner (1998) and Kalata (1984), from memory"
SCIPY = "scipy.signal.cont2discrete"
POINTS = (1.7, -0.6)
"""Real z at which transfer functions are compared, so that the numbers are real."""
ONES = CascadeGains(position=1.0, speed=1.0, speed_integral=0.0, current=1.0, current_integral=0.0)


@pytest.fixture(scope="module")
def base() -> Servo:
    servo = valvectl.load(Path(__file__).parents[2] / "designs" / "hover-rig.toml").machine.legs["oxidizer"].servo
    return replace(
        servo,
        train=replace(servo.train, efficiency=1.0, backdrive_efficiency=1.0),
        motor_viscous=0.0, damping=0.0, speed_filter=0.0, feedforward=0.0, position_on_motor=False, speed_on_motor=True,
        position_delay=0.0, speed_delay=0.0, current_delay=0.0,
    )  # fmt: skip


def current_plant(base: Servo, period: float, a: float, b: float, **changes: float) -> Servo:
    """Current loop of 1/(s + a) at a period, and nothing that turns."""
    return replace(
        base, torque_constant=0.0, inductance=b, resistance=a * b, position_period=period, speed_period=period,
        current_period=period, **changes,
    )  # fmt: skip


def at(system: Discrete, z: float, output: int = 0, column: int = 0) -> float:
    """Transfer function at a real z."""
    inner = np.linalg.solve(z * np.eye(system.a.shape[0]) - system.a, system.b[:, column])
    return float(system.c[output] @ inner + system.d[output, column])


def ratio(z: float, numerator: list[float], denominator: list[float]) -> float:
    return float(np.polyval(numerator, z) / np.polyval(denominator, z))


def row(name: str, what: str, expected: float, source: str, tolerance: float = 1e-9, **more: bool) -> OutsideCheck:
    kind = "library" if source.startswith("scipy") else "recomputed"
    return OutsideCheck(name, what, expected, "", tolerance, source, kind, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("z", POINTS)
def test_hold_of_a_lag_and_of_an_integrator(base, z):
    """a/(s + a): (1 - e)/(z - e); 1/s: T/(z - 1)."""
    period, a = 2e-4, 900.0
    e = math.exp(-a * period)
    expected = ratio(z, [(1.0 - e) / a], [1.0, -e])
    got = at(loop_gain(current_plant(base, period, a, 1.0), ONES, "current"), z)
    verify(row(f"ZOH-lag-{z}", "1/(s + 900) held at 0.2 ms", expected, TABLE), got)
    expected = ratio(z, [period], [1.0, -1.0])
    got = at(loop_gain(current_plant(base, period, 0.0, 1.0), ONES, "current"), z)
    verify(row(f"ZOH-integrator-{z}", "1/s held at 0.2 ms", expected, TABLE), got)


@pytest.mark.parametrize("z", POINTS)
def test_hold_of_two_real_poles(base, z):
    """ab/((s + a)(s + b)), the second pole being the current sensor's."""
    period, a, b = 2e-4, 900.0, 2500.0
    ea, eb = math.exp(-a * period), math.exp(-b * period)
    b1 = (b * (1.0 - ea) - a * (1.0 - eb)) / (b - a)
    b2 = (a * (1.0 - eb) * ea - b * (1.0 - ea) * eb) / (b - a)
    expected = ratio(z, [b1, b2], [1.0, -(ea + eb), ea * eb]) / a
    got = at(loop_gain(current_plant(base, period, a, 1.0, current_sensor_lag=1.0 / b), ONES, "current"), z)
    verify(row(f"ZOH-two-poles-{z}", "1/(s + 900) behind a sensor lag of 0.4 ms", expected, TABLE), got)


def test_ogatas_plant_and_its_ultimate_gain(base):
    """Integrator and sensor lag, both of 1 s: (0.3679 z + 0.2642)/(z^2 - 1.3679 z + 0.3679), border at K = 2.3922."""
    servo = current_plant(base, 1.0, 0.0, 1.0, current_sensor_lag=1.0)
    loop = loop_gain(servo, ONES, "current")
    for z in POINTS:
        expected = ratio(z, [0.36787944, 0.26424112], [1.0, -1.36787944, 0.36787944])
        verify(row(f"Ogata-{z}", "1/(s(s+1)) held at 1 s", expected, OGATA, 1e-7), at(loop, z))
    margin = place_margins(servo, ONES, "current").margins
    verify(
        row("Ogata-gain", "gain at the border, from the gain margin", 2.3922, OGATA, 1e-4),
        10.0 ** (margin.gain_margin_db / 20.0),
    )
    # z at the border: z^2 + (K 0.3679 - 1.3679) z + K 0.2642 + 0.3679 = 0 with product 1: cos(w T) = 0.2441
    verify(
        row("Ogata-frequency", "phase crossover [rad/s]", math.acos((1.36787944 - 2.39221119 * 0.36787944) / 2.0), OGATA, 1e-6),
        margin.phase_crossover,
    )  # fmt: skip


@pytest.mark.parametrize("z", POINTS)
@pytest.mark.parametrize("share", [0.25, 0.8])
def test_fractional_delay(base, z, share):
    """Lag and integrator behind a delay of part of a period: two held pieces, one pole at zero."""
    period, a = 2e-4, 900.0
    late = share * period
    whole, rest = math.exp(-a * period), math.exp(-a * (period - late))
    expected = ratio(z, [(1.0 - rest) / a, (rest - whole) / a], [1.0, -whole, 0.0])
    got = at(loop_gain(current_plant(base, period, a, 1.0, current_delay=late), ONES, "current"), z)
    verify(row(f"delay-lag-{share}-{z}", f"1/(s + 900), delay {share} of a period", expected, MODIFIED), got)
    expected = ratio(z, [period - late, late], [1.0, -1.0, 0.0])
    got = at(loop_gain(current_plant(base, period, 0.0, 1.0, current_delay=late), ONES, "current"), z)
    verify(row(f"delay-integrator-{share}-{z}", f"1/s, delay {share} of a period", expected, MODIFIED), got)


@pytest.mark.parametrize("z", POINTS)
def test_delay_of_more_than_a_period(base, z):
    """The same with 1.8 periods: one more pole at zero."""
    period, late = 2e-4, 0.8 * 2e-4
    expected = ratio(z, [period - late, late], [1.0, -1.0, 0.0, 0.0])
    servo = current_plant(base, period, 0.0, 1.0, current_delay=period + late)
    verify(
        row(f"delay-long-{z}", "1/s, delay 1.8 periods", expected, MODIFIED), at(loop_gain(servo, ONES, "current"), z)
    )


@pytest.mark.parametrize("z", POINTS)
def test_stem_alone_is_a_double_integrator(base, z):
    """Load on a stem without gears: (T^2/2)(z + 1)/(z - 1)^2 over the inertia, against opening."""
    servo = replace(base, spring=0.0)
    t = servo.position_period
    expected = -ratio(z, [0.5 * t * t, 0.5 * t * t], [1.0, -2.0, 1.0]) / servo.load_inertia
    # The speed loop reads the motor; at its place everything outside is open, so that nothing holds the stem.
    got = transfers(replace(servo, speed_period=t), ONES, "speed")
    verify(row(f"double-integrator-{z}", "load to stem angle", expected, TABLE), at(got, z, 1, 2))


@pytest.mark.parametrize("damping", [0.0, 0.2])
@pytest.mark.parametrize("z", POINTS)
def test_stem_on_a_held_gear_is_an_oscillator(base, z, damping):
    """w0^2/(s^2 + 2 z w0 s + w0^2) with a motor too heavy to move."""
    t = base.speed_period
    omega = 0.9 / t  # under half the sample rate
    servo = replace(
        base, motor_inertia=1e30, spring=omega**2 * base.load_inertia, damping=2.0 * damping * omega * base.load_inertia
    )
    under = omega * math.sqrt(1.0 - damping**2)
    alpha, beta, gamma = math.exp(-damping * omega * t), math.cos(under * t), math.sin(under * t)
    b1 = 1.0 - alpha * (beta + damping * omega / under * gamma)
    b2 = alpha**2 + alpha * (damping * omega / under * gamma - beta)
    expected = -ratio(z, [b1, b2], [1.0, -2.0 * alpha * beta, alpha**2]) / servo.spring
    got = at(transfers(servo, ONES, "speed"), z, 1, 2)
    verify(row(f"oscillator-{damping}-{z}", f"load to stem angle, damping {damping}", expected, TABLE), got)


def test_first_order_lag_of_a_straight_input():
    """The lag's step equals scipy's first-order-hold equivalent, and trails a ramp by its time constant."""
    step, tau = 2e-5, 7e-5
    above, denominator, _ = signal.cont2discrete(([1.0], [tau, 1.0]), step, method="foh")
    numerator = np.asarray(above).reshape(-1)
    keep, ramp = lag_shares(step, tau)
    verify(row("FOH-now", "share of the newest input", float(numerator[0]), SCIPY), 1.0 - ramp)
    verify(row("FOH-before", "share of the input before", float(numerator[1]), SCIPY), ramp - keep)
    verify(row("FOH-keep", "share kept", -float(denominator[1]), SCIPY), keep)
    value, now = 0.0, 0.0
    for _ in range(400):
        value = lagged(value, now, now + step, keep, ramp)
        now += step
    verify(
        row("FOH-ramp", "lag behind a ramp over the time constant", 1.0, "first-order lag, any control text"),
        (now - value) / tau,
    )


@pytest.mark.parametrize("decay", [0.3, 0.8])
def test_critically_damped_tracking(decay):
    """g = 1 - r^2, h = (1 - r)^2."""
    gain, rate = observer_gains(1e-3, -math.log(decay) / 1e-3, 1.0)
    verify(row(f"g-{decay}", f"position gain at pole {decay}", 1.0 - decay**2, BROOKNER), gain)
    verify(row(f"h-{decay}", f"speed gain at pole {decay}", (1.0 - decay) ** 2, BROOKNER), rate)


def response(gain: float, rate: float, period: float, inputs: np.ndarray) -> np.ndarray:
    angle = speed = 0.0
    out = []
    for measured in inputs:
        angle, speed = tracked(float(measured), angle, speed, period, gain, rate)
        out.append((angle, speed))
    return np.array(out)


@pytest.mark.parametrize("damping", [0.7, 1.0, 1.5])
def test_tracking_filters_noise_and_lag(damping):
    """Variance of angle and speed for white noise, and the lag under constant acceleration."""
    period, bandwidth = 5e-4, 600.0
    g, h = observer_gains(period, bandwidth, damping)
    impulse = np.zeros(6000)
    impulse[0] = 1.0
    out = response(g, h, period, impulse)
    scale = g * (4.0 - h - 2.0 * g)
    angle = (2.0 * g * g + h * (2.0 - 3.0 * g)) / scale
    verify(
        row(f"g-h-angle-{damping}", "variance of the angle over that of the reading", angle, GH),
        float(np.sum(out[:, 0] ** 2)),
    )
    speed = 2.0 * h * h / (period**2 * scale)
    verify(
        row(f"g-h-speed-{damping}", "variance of the speed over that of the reading [1/s^2]", speed, GH),
        float(np.sum(out[:, 1] ** 2)),
    )
    time = period * np.arange(4000)
    late = response(g, h, period, 0.5 * 300.0 * time**2)
    expected = 300.0 * period**2 * (1.0 - g) / h
    verify(
        row(f"g-h-lag-{damping}", "angle lag at 300 rad/s^2", expected, GH, 1e-7),
        0.5 * 300.0 * time[-1] ** 2 - float(late[-1, 0]),
    )


def test_tracking_loop_in_continuous_time():
    """Sampled fast, the lag under acceleration is a/w^2: a type-2 tracking loop with natural frequency w."""
    source = "steady error of a type-2 loop is acceleration over the acceleration constant w^2, any control text"
    g, h = observer_gains(1e-7, 800.0, 1.0)
    verify(row("type-2", "lag over acceleration [s^2]", 1.0 / 800.0**2, source, 5e-4), 1e-14 * (1.0 - g) / h)


@pytest.mark.parametrize("share", [0.2, 1.0])
def test_phase_of_the_observer(share):
    """Phase lag of the estimated speed against scipy's response of the same difference equation in state space."""
    period, bandwidth, damping = 5e-4, 900.0, 0.8
    g, h = observer_gains(period, bandwidth, damping)
    a = np.array([[1.0 - g, (1.0 - g) * period], [-h / period, 1.0 - h]])
    b = np.array([[g], [h / period]])
    omega = share * bandwidth
    _, value = signal.dfreqresp((a, b, a[1:], b[1:], period), [omega * period])
    servo = valvectl.load(Path(__file__).parents[2] / "designs" / "hover-rig.toml").machine.legs["oxidizer"].servo
    servo = replace(servo, observer_bandwidth=bandwidth, observer_damping=damping, speed_period=period)
    expected = -float(np.angle(value[0] / (1j * omega)))
    check = row(
        f"observer-phase-{share}", "phase lag of the observer's speed [rad]", expected, "scipy.signal.dfreqresp"
    )
    verify(check, speed_lags(servo, omega)[0])


def test_half_a_period_of_a_difference_and_of_a_hold():
    """(1 - 1/z)/T against s: lag of half a period exactly; hold: half a period exactly."""
    omega, period = 700.0, 5e-4
    difference = (1.0 - np.exp(-1j * omega * period)) / period / (1j * omega)
    source = "phase of a backward difference and of a zero-order hold is half a period, any text on sampled control"
    servo = valvectl.load(Path(__file__).parents[2] / "designs" / "hover-rig.toml").machine.legs["oxidizer"].servo
    verify(
        row("difference", "phase lag of a difference [rad]", -float(np.angle(difference)), source),
        speed_lags(replace(servo, speed_period=period), omega)[0],
    )


def test_sensitivity_integral(base):
    """Integral of ln|S| over the band of a stable sampled loop with a strictly proper loop gain and no unstable pole is 0."""
    source = "Bode's integral for sampled loops: Sung and Hara, Int. J. Control (1988), from memory"
    servo = current_plant(base, 2e-4, 900.0, 1.0, current_delay=1.1e-4)
    gains = replace(ONES, current=1500.0)
    assert place_margins(servo, gains, "current").stable
    points = (np.arange(40000) + 0.5) / 40000.0 * math.pi / 2e-4
    s = sensitivity(servo, gains, "current").response(points)[:, 0, 0]
    check = row("Bode-integral", "mean of ln|S| over the band", 0.0, source, 1e-6, absolute=True)
    verify(check, float(np.mean(np.log(np.abs(s)))))
