"""Motor law against the published tutorial motor, copper data and machine theory."""

from __future__ import annotations

import math

import numpy as np
import pytest
from outside import OutsideCheck, verify
from scipy import linalg, signal
from scipy.optimize import minimize_scalar

from valvectl.parts import controller, motor

TUTORIAL = (
    "Control Tutorials (Univ. of Michigan, Carnegie Mellon, Detroit Mercy; open web pages), DC Motor Speed: "
    "J 0.01, b 0.1, K 0.01, R 1, L 0.5"
)
J, B, K, R, L = 0.01, 0.1, 0.01, 1.0, 0.5


def rates(voltage: float, current: float, speed: float) -> np.ndarray:
    """d/dt of (current, speed) of the tutorial motor: our electrical law and the torque balance."""
    electrical = motor.current_rate(voltage, current, speed, R, L, K)
    return np.array([electrical, (K * current - B * speed) / J])


def plant() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """State space voltage to speed, read off the law by unit inputs (the law is linear)."""
    a = np.column_stack([rates(0.0, 1.0, 0.0), rates(0.0, 0.0, 1.0)])
    b = rates(1.0, 0.0, 0.0).reshape(2, 1)
    return a, b, np.array([[0.0, 1.0]]), np.array([[0.0]])


def step_of(numerator: np.ndarray, denominator: np.ndarray, end: float) -> tuple[np.ndarray, np.ndarray]:
    time = np.linspace(0.0, end, 40001)
    return time, signal.step((numerator, denominator), T=time)[1]


def settling(time: np.ndarray, y: np.ndarray, final: float) -> float:
    outside = np.nonzero(np.abs(y - final) > 0.02 * abs(final))[0]
    return float(time[outside[-1] + 1])


def plant_polynomials() -> tuple[np.ndarray, np.ndarray]:
    numerator, denominator = signal.ss2tf(*plant())
    return np.trim_zeros(np.where(np.abs(numerator[0]) < 1e-12, 0.0, numerator[0]), "f"), denominator


def closed(controller_numerator: list[float], controller_denominator: list[float]) -> tuple[np.ndarray, np.ndarray]:
    """Unity feedback of the plant with a continuous controller."""
    numerator, denominator = plant_polynomials()
    forward = np.polymul(controller_numerator, numerator)
    return forward, np.polyadd(np.polymul(controller_denominator, denominator), forward)


def tutorial_numbers() -> dict[str, float]:
    """Everything that the tutorial's rows need, worked out from our motor law."""
    out: dict[str, float] = {}
    a, b, c, _ = plant()
    slow, fast = sorted(linalg.eigvals(a).real, reverse=True)
    out["S1-slow"], out["S1-fast"] = slow, fast
    gain = float((-c @ np.linalg.solve(a, b))[0, 0])
    out["S1-gain"] = gain
    time, y = step_of(*plant_polynomials(), 5.0)
    out["S1-settling"] = settling(time, y, gain)
    forward, whole = closed([100.0], [1.0])
    time, y = step_of(forward, whole, 3.0)
    final = float(forward[-1] / whole[-1])
    out["S2-steady"], out["S2-peak"], out["S2-time"] = final, float(y.max()), float(time[y.argmax()])
    out["S2-overshoot"] = 100.0 * (float(y.max()) / final - 1.0)
    time, y = step_of(*closed([10.0, 100.0, 200.0], [1.0, 0.0]), 3.0)
    out["S3-overshoot"] = 100.0 * (float(y.max()) - 1.0)
    out["S3-rise"] = float(np.interp(0.9, y[: y.argmax()], time[: y.argmax()])) - float(
        np.interp(0.1, y[: y.argmax()], time[: y.argmax()])
    )
    out["S3-settling"] = settling(time, y, 1.0)
    ad, bd, cd, dd, _ = signal.cont2discrete(plant(), 0.05)
    numerator, denominator = signal.ss2tf(ad, bd, cd, dd)
    out["S4-b1"], out["S4-b0"] = float(numerator[0][1]), float(numerator[0][2])
    out["S4-a1"], out["S4-a0"] = float(denominator[1]), float(denominator[2])
    return out


TUTORIAL_ROWS = [
    OutsideCheck("S1-slow", "slow pole, printed as -2", -2.00250, "1/s", 1e-5, TUTORIAL, "recomputed"),
    OutsideCheck("S1-fast", "fast pole, printed as -10", -9.99750, "1/s", 1e-5, TUTORIAL, "recomputed"),
    OutsideCheck("S1-gain", "speed at one volt, printed as 0.1", 0.0999001, "rad/s", 1e-5, TUTORIAL, "recomputed"),
    OutsideCheck("S1-settling", "settling time to 2 %", 2.07, "s", 5e-3, TUTORIAL, "recomputed"),
    OutsideCheck("S2-steady", "final value, gain 100", 0.909008, "rad/s", 1e-5, TUTORIAL, "recomputed"),
    OutsideCheck("S2-overshoot", "overshoot, gain 100", 24.9, "%", 3e-3, TUTORIAL, "recomputed"),
    OutsideCheck("S2-peak", "peak, gain 100", 1.1355, "rad/s", 1e-4, TUTORIAL, "recomputed"),
    # Peak at pi/wd, wd^2 = 220.02 - 36 of s^2 + 12 s + 220.02.
    OutsideCheck("S2-time", "time of the peak, gain 100", 0.231589, "s", 5e-4, TUTORIAL, "recomputed"),
    OutsideCheck("S3-overshoot", "overshoot, PID 100, 200, 10", 1.03, "%", 0.01, TUTORIAL, "recomputed"),
    # From poles and residues of (20 s^2 + 200 s + 400)/(s^3 + 32 s^2 + 220.02 s + 400), roots by bisection.
    OutsideCheck("S3-rise", "rise 10 to 90 %, PID 100, 200, 10", 0.132401, "s", 5e-4, TUTORIAL, "recomputed"),
    OutsideCheck("S3-settling", "settling to 2 %, PID 100, 200, 10", 0.256968, "s", 5e-4, TUTORIAL, "recomputed"),
    OutsideCheck("S4-b1", "sampled at 0.05 s, numerator of z", 0.002059, "", 5e-4, TUTORIAL, "recomputed"),
    OutsideCheck("S4-b0", "sampled at 0.05 s, constant of the numerator", 0.001686, "", 5e-4, TUTORIAL, "recomputed"),
    OutsideCheck("S4-a1", "sampled at 0.05 s, denominator of z", -1.511, "", 5e-4, TUTORIAL, "recomputed"),
    OutsideCheck("S4-a0", "sampled at 0.05 s, constant of the denominator", 0.5488, "", 5e-4, TUTORIAL, "recomputed"),
]


@pytest.fixture(scope="module")
def numbers() -> dict[str, float]:
    return tutorial_numbers()


@pytest.mark.parametrize("check", TUTORIAL_ROWS, ids=lambda check: check.id)
def test_tutorial_motor(check, numbers):
    verify(check, numbers[check.id])


def test_midpoint_step_follows_the_exact_solution():
    """R-L circuit with a held voltage: i(t) = V/R (1 - exp(-R t/L)); error of second order in the step."""
    source = "step response of an R-L circuit, any circuit text"
    errors = []
    for steps in (40, 80):
        current = 0.0
        for _ in range(steps):
            current = motor.current_midpoint_step(12.0, current, 0.0, 0.6, 6e-4, 0.038, 1e-3 / steps)
        exact = 20.0 * (1.0 - math.exp(-1.0))
        errors.append(current - exact)
        check = OutsideCheck(f"RL-{steps}", "current after one L/R at 12 V", exact, "A", 1e-4, source, "recomputed")
        verify(check, current)
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.02)


def test_speed_torque_line():
    """Greatest shaft power V^2/(4R) at half the no-load speed and half the stall current."""
    source = "speed-torque line of a permanent-magnet motor, any machines text: P_max = V^2/(4R) at half no-load speed"
    voltage, resistance, k = 24.0, 0.6, 0.038
    top = motor.no_load_speed(voltage, k)

    def current(speed: float) -> float:
        return (voltage - k * speed) / resistance

    found = minimize_scalar(lambda w: -k * current(w) * w, bounds=(0.0, top), method="bounded", options={"xatol": 1e-9})
    verify(OutsideCheck("line-power", "greatest shaft power", 240.0, "W", 1e-9, source, "recomputed"), -found.fun)
    verify(
        OutsideCheck("line-speed", "its speed over no-load speed", 0.5, "", 1e-6, source, "recomputed"), found.x / top
    )
    assert motor.current_rate(voltage, motor.stall_current(voltage, resistance), 0.0, resistance, 5e-4, k) == 0.0
    assert motor.current_rate(voltage, 0.0, top, resistance, 5e-4, k) == pytest.approx(0.0, abs=1e-9)


def test_speed_constant_in_rpm_per_volt():
    """K of 9.5493 mN m/A and 1000 rpm/V are the same motor: 60/(2 pi) = 9.5493."""
    check = OutsideCheck(
        "Kv-Kt",
        "no-load speed at 1 V of K = 9.549297 mN m/A",
        1000.0,
        "rpm",
        1e-7,
        "torque constant times speed constant is 1 in SI; 30000/pi rpm/V per mN m/A in motor makers' data books",
        "recomputed",
    )
    verify(check, motor.no_load_speed(1.0, 9.549297e-3) * 30.0 / math.pi)


# ------------------------------------------------------------------------------------------------- heat and copper

IEC_60034 = "IEC 60034-1: resistance of copper goes with 235 + t (t in degC)"
IEC_60028 = "IEC 60028: copper at 20 degC, coefficient 0.00393 1/K"
CELSIUS = 273.15

COPPER = [
    (OutsideCheck("N8-235", "R(120 degC)/R(20 degC)", 1.39216, "", 5e-6, IEC_60034, "from memory"), 1.0 / 260.0),
    (
        OutsideCheck("N8-alpha", "R(120 degC)/R(20 degC)", 1.39300, "", 5e-6, IEC_60028, "from memory"),
        0.00393 / (1.0 + 5.0 * 0.00393),
    ),
]


@pytest.mark.parametrize(("check", "at_25"), COPPER, ids=[row[0].id for row in COPPER])
def test_copper_resistance(check, at_25):
    """The coefficient of the source, moved to our reference temperature of 25 degC."""
    hot = motor.winding_resistance(0.6, at_25, 120.0 + CELSIUS)
    verify(check, hot / motor.winding_resistance(0.6, at_25, 20.0 + CELSIUS))


@pytest.mark.parametrize(("current", "surroundings"), [(4.0, 298.15), (6.0, 313.15), (2.0, 253.15)])
def test_winding_temperature_by_iteration(current, surroundings):
    """Heat, temperature and resistance worked round and round by hand, IEC copper: T = Ta + Rth I^2 R(T)."""
    temperature, r25, thermal = surroundings, 0.6, 4.5
    for _ in range(500):
        resistance = r25 * (235.0 + temperature - CELSIUS) / 260.0
        temperature = surroundings + thermal * current * current * resistance
    check = OutsideCheck(
        f"heat-{current:g}A",
        f"winding temperature at {current:g} A, {surroundings:g} K around it",
        temperature,
        "K",
        1e-12,
        f"{IEC_60034}; iterated apart from the program",
        "recomputed",
    )
    verify(check, motor.winding_temperature(surroundings, current, r25, 1.0 / 260.0, thermal))


def test_thermal_runaway_current():
    """Heating runs away where Rth I^2 R25 alpha reaches one: no steady temperature above that current."""
    limit = math.sqrt(260.0 / (4.5 * 0.6))
    assert math.isfinite(motor.winding_temperature(298.15, 0.999 * limit, 0.6, 1.0 / 260.0, 4.5))
    assert motor.winding_temperature(298.15, 1.001 * limit, 0.6, 1.0 / 260.0, 4.5) == math.inf


# ------------------------------------------------------------------------------------------- sampled filter of speed


@pytest.mark.parametrize(("times", "share"), [(1.0, 0.632121), (0.994, 0.63), (2.0025, 0.865)])
def test_first_order_terms(times, share):
    """Time to 63 and 86.5 % of a first-order step, by the filter's own difference equation."""
    check = OutsideCheck(
        f"S35-{times}",
        f"first-order response after {times} time constants",
        share,
        "",
        5e-4,
        "ANSI/ISA-75.25.01-2000 (R2010): T63 and T86 of a first-order lag (definitions from memory, values worked out)",
        "recomputed",
    )
    y, steps, tau = 0.0, 200, 0.5e-3
    for _ in range(steps):
        y += controller.filter_share(times * tau / steps, tau) * (1.0 - y)
    verify(check, y)
