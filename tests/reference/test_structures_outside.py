"""Command shapes, PID, anti-windup, notch and pole placement against published formulas and open libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from outside import OutsideCheck, verify

from valvectl.parts.command_shape import (
    MINIMUM_JERK,
    S_CURVE,
    TRAPEZOID,
    minimum_jerk,
    minimum_jerk_time,
    s_curve_bend,
    s_curve_rise,
    s_curve_time,
    trapezoid_rise,
    trapezoid_time,
    way_gone,
)
from valvectl.parts.controller_more import integral_back_calculated, notch_coefficients
from valvectl.parts.controller_pid import (
    derivative_decay,
    derivative_gain,
    pid_derivative,
    pid_proportional,
    pid_tracking_time,
    placed_pid,
)
from valvectl.servo.outer_gains import ackermann

FLASH_HOGAN = "Flash and Hogan, J. Neuroscience 5 (1985) 1688: minimum-jerk polynomial, its peaks by its derivatives"
BIAGIOTTI = "Biagiotti and Melchiorri, Trajectory Planning for Automatic Machines and Robots, 2008, ch. 3"
HAGGLUND = "Astrom and Hagglund, PID Controllers: Theory, Design, and Tuning, 1995"
SCIPY_NOTCH = "scipy.signal.iirnotch (open library), frequency response by scipy.signal.freqz"


def row(id, what, expected, unit, tolerance, source, certainty, absolute=False):
    return OutsideCheck(id, what, expected, unit, tolerance, source, certainty, absolute)


# ----------------------------------------------------------------------------------------------------- minimum jerk


MINIMUM = [
    row("B1", "minimum jerk, half the time: half the way", 0.5, "", 1e-15, FLASH_HOGAN, "from memory"),
    row("B2", "minimum jerk at a quarter: 10/64 - 15/256 + 6/1024", 106.0 / 1024.0, "", 1e-14, FLASH_HOGAN, "from memory"),
    row("B3", "minimum jerk, peak speed over d/T", 1.875, "", 1e-6, FLASH_HOGAN, "from memory"),
    row("B4", "minimum jerk, peak acceleration over d/T^2: 10/sqrt(3)", 5.7735026919, "", 1e-5, FLASH_HOGAN, "from memory"),
    row("B5", "minimum jerk, jerk at the start over d/T^3", 60.0, "", 2e-3, FLASH_HOGAN, "from memory"),
]  # fmt: skip


@pytest.mark.parametrize("check", MINIMUM, ids=lambda check: check.id)
def test_minimum_jerk(check):
    share = np.linspace(0.0, 1.0, 20001)
    way = np.array([minimum_jerk(float(s)) for s in share])
    h = share[1]
    got = {
        "B1": minimum_jerk(0.5),
        "B2": minimum_jerk(0.25),
        "B3": np.max(np.diff(way)) / h,
        "B4": np.max(np.diff(way, 2)) / h**2,
        "B5": (way[300] - 3 * way[200] + 3 * way[100] - way[0]) / (100 * h) ** 3 * 1.0,
    }[check.id]
    if check.id == "B5":  # the jerk falls from the start on: extrapolated to it from two widths
        wide = (way[600] - 3 * way[400] + 3 * way[200] - way[0]) / (200 * h) ** 3
        got = 2.0 * got - wide
    verify(check, float(got))


def test_minimum_jerk_duration():
    """1 rad at 2 rad/s at most takes 1.875/2 s; with 3 rad/s^2 alone sqrt(5.7735/3) s."""
    verify(row("B6", "minimum jerk, 1 rad, 2 rad/s", 0.9375, "s", 1e-12, FLASH_HOGAN, "from memory"),
           minimum_jerk_time(1.0, 2.0, math.inf, math.inf))  # fmt: skip
    verify(row("B7", "minimum jerk, 1 rad, 3 rad/s^2", 1.3872638, "s", 1e-7, FLASH_HOGAN, "recomputed"),
           minimum_jerk_time(1.0, math.inf, 3.0, math.inf))  # fmt: skip


# ------------------------------------------------------------------------------------------ trapezoid and S-curve


SHAPES = [
    row("B8", "trapezoid, d 10, v 2, a 1: d/v + v/a", 7.0, "s", 1e-12, BIAGIOTTI, "recomputed"),
    row("B9", "trapezoid too short for its speed, d 1, v 2, a 1: 2 sqrt(d/a)", 2.0, "s", 1e-12, BIAGIOTTI, "recomputed"),
    row("B10", "trapezoid, rise, d 10, v 2, a 1", 2.0, "s", 1e-12, BIAGIOTTI, "recomputed"),
    row("B11", "S-curve, d 10, v 5, a 10, j 30: d/v + v/a + a/j", 2.8333333333, "s", 1e-9, BIAGIOTTI, "recomputed"),
    row("B12", "S-curve, acceleration time, v 5, a 10, j 30: v/a + a/j", 0.8333333333, "s", 1e-9, BIAGIOTTI, "recomputed"),
    row("B13", "S-curve, v 1, a 10, j 30: bend sqrt(v/j)", 0.1825741858, "s", 1e-9, BIAGIOTTI, "recomputed"),
    row("B14", "S-curve, shortest move, d 0.1, v 5, a 10, j 30: 4 cbrt(d/(2 j))", 0.4742524, "s", 1e-6, BIAGIOTTI, "recomputed"),
]  # fmt: skip


@pytest.mark.parametrize("check", SHAPES, ids=lambda check: check.id)
def test_times_of_shapes(check):
    got = {
        "B8": lambda: trapezoid_time(10.0, 2.0, 1.0),
        "B9": lambda: trapezoid_time(1.0, 2.0, 1.0),
        "B10": lambda: trapezoid_rise(10.0, 2.0, 1.0),
        "B11": lambda: s_curve_time(10.0, 5.0, 10.0, 30.0),
        "B12": lambda: s_curve_rise(10.0, 5.0, 10.0, 30.0),
        "B13": lambda: s_curve_bend(10.0, 1.0, 10.0, 30.0),
        "B14": lambda: s_curve_time(0.1, 5.0, 10.0, 30.0),
    }[check.id]
    verify(check, got())


def test_s_curve_against_integrated_jerk():
    """The S-curve's way against its jerk, three times integrated by hand: four bends of +, -, -, + with the rests between."""
    distance, speed, acceleration, jerk = 10.0, 5.0, 10.0, 30.0
    bend, rise = acceleration / jerk, speed / acceleration + acceleration / jerk
    duration = distance / speed + rise
    n = 283300  # whole numbers of steps in every stretch, to a microsecond
    time = np.linspace(0.0, duration, n + 1)
    h, middle = time[1], 0.5 * (time[1:] + time[:-1])
    on = np.zeros(n)
    for start, sign in ((0.0, 1), (rise - bend, -1), (duration - rise, -1), (duration - bend, 1)):
        on[(middle > start) & (middle < start + bend)] += sign * jerk
    a = np.concatenate([[0.0], np.cumsum(on) * h])
    v = np.concatenate([[0.0], np.cumsum(0.5 * (a[1:] + a[:-1])) * h])
    x = np.concatenate([[0.0], np.cumsum(0.5 * (v[1:] + v[:-1])) * h])
    for id, share in (("B15", 0.15), ("B16", 0.4), ("B17", 0.9)):
        j = round(share * n)
        check = row(id, f"S-curve, way at {share:g} of its time", float(x[j]) / distance, "", 1e-4,
                    "jerk integrated three times by the trapezoidal rule", "recomputed")  # fmt: skip
        verify(check, way_gone(S_CURVE, float(time[j]), duration, distance, speed, acceleration, jerk))


def test_trapezoid_way():
    """d 10, v 2, a 1: after 1 s a t^2/2 = 0.5; after 4 s 2 + 2 * 2 = 6; mirrored at the end."""
    for id, time, way in (("B18", 1.0, 0.5), ("B19", 4.0, 6.0), ("B20", 6.0, 9.5)):
        check = row(id, f"trapezoid, way after {time:g} s", way / 10.0, "", 1e-12, BIAGIOTTI, "recomputed")
        verify(check, way_gone(TRAPEZOID, time, 7.0, 10.0, 2.0, 1.0, math.inf))


def test_minimum_jerk_is_smoothest():
    """Of these shapes over the same time the minimum-jerk one has the least squared jerk, 720 d^2/T^5 by its polynomial."""
    n = 20000
    share = np.linspace(0.0, 1.0, n + 1)
    way = np.array([way_gone(MINIMUM_JERK, float(s), 1.0, 1.0, 1e9, 1e9, 1e9) for s in share])
    third = np.diff(way[::10], 3) / (10.0 / n) ** 3
    check = row("B21", "integral of squared jerk, d 1, T 1", 720.0, "", 0.01, FLASH_HOGAN, "recomputed")
    verify(check, float(np.sum(third**2) * 10.0 / n))


# ------------------------------------------------------------------------------------------------------------- PID


def test_derivative_filter_is_the_backward_difference():
    """K s Td/(1 + s Td/N), s -> (z - 1)/(T z): scipy's Euler-backward transformation gives the same coefficients."""
    from scipy.signal import cont2discrete

    gain, derivative_time, n, period = 12.0, 0.05, 8.0, 2e-3
    num, den, _ = cont2discrete(([gain * derivative_time, 0.0], [derivative_time / n, 1.0]), period, "backward_diff")
    source = f"{HAGGLUND}, section 3.6; scipy.signal.cont2discrete, backward_diff (open library)"
    verify(row("B22", "derivative, ad = Td/(Td + N T)", float(-den[1]), "", 1e-12, source, "library"),
           derivative_decay(derivative_time, n, period))  # fmt: skip
    verify(row("B23", "derivative, bd = K Td N/(Td + N T)", float(num[0][0]), "A/rad", 1e-12, source, "library"),
           derivative_gain(gain, derivative_time, n, period))  # fmt: skip
    verify(row("B24", "derivative of a ramp: K Td times 3 rad/s", 1.8, "A", 1e-9, f"{HAGGLUND}, section 3.2", "recomputed"),
           _derivative_of_a_ramp(gain, derivative_time, n, period, 3.0))  # fmt: skip


def _derivative_of_a_ramp(gain, derivative_time, n, period, slope):
    part = 0.0
    for _ in range(500):
        part = pid_derivative(
            part,
            slope * period,
            derivative_decay(derivative_time, n, period),
            derivative_gain(gain, derivative_time, n, period),
        )
    return part


def test_set_point_weight():
    """b r - y: K 4, b 0.5, r 2, y 0.25 gives 3."""
    check = row("B25", "proportional part K (b r - y)", 3.0, "A", 1e-15, f"{HAGGLUND}, section 3.4", "recomputed")
    verify(check, pid_proportional(2.0, 0.25, 4.0, 0.5))


def test_tracking_time():
    source = f"{HAGGLUND}, section 3.5: Tt between Td and Ti, rule sqrt(Ti Td)"
    check = row("B26", "tracking time, Ti 0.4 s, Td 0.1 s", 0.2, "s", 1e-12, source, "from memory")
    verify(check, pid_tracking_time(0.0, 0.4, 0.1))


def test_back_calculation_settles_where_the_source_says():
    """With a constant error e the integral stops where K e/Ti + (v - u)/Tt = 0: u = v + Tt K e/Ti above the limit."""
    gain, integral_time, tracking, period, limit, error = 5.0, 0.3, 0.06, 1e-3, 2.0, 0.7
    x = 0.0
    for _ in range(2000):
        output = gain * error + x
        x = integral_back_calculated(error, x, gain, period / integral_time, output, limit, period / tracking)
    source = f"{HAGGLUND}, section 3.5, figure of back-calculation: steady state of its integrator"
    check = row(
        "B27",
        "back-calculation, output under a constant error",
        2.0 + 0.06 * 5.0 * 0.7 / 0.3,
        "A",
        1e-9,
        source,
        "recomputed",
    )
    verify(check, gain * error + x)


def test_pid_poles_of_a_double_integrator():
    """python-control: poles of the loop of the placed PID on 1/(m s^2)."""
    import control

    bandwidth, damping, m = 40.0, 0.8, 0.02
    gain, integral, derivative = placed_pid(bandwidth, damping, m)
    s = control.tf("s")
    loop = gain * (1 + 1 / (integral * s) + derivative * s) / (m * s**2)
    poles = sorted(control.poles(control.minreal(loop / (1 + loop), verbose=False)), key=lambda p: p.imag)
    source = "poles found by python-control (open library); placed by comparison of coefficients"
    verify(row("B28", "placed PID: real pole", -40.0, "rad/s", 1e-6, source, "library"), poles[1].real)
    verify(
        row("B29", "placed PID: real part of the pair, -D w", -32.0, "rad/s", 1e-6, source, "library"), poles[0].real
    )
    verify(
        row("B30", "placed PID: imaginary part, w sqrt(1 - D^2)", 24.0, "rad/s", 1e-6, source, "library"), poles[2].imag
    )


# ----------------------------------------------------------------------------------------------------------- notch


def test_notch_against_scipy():
    """For depth 0 the coefficients are those of scipy's notch with Q = 1/width."""
    from scipy.signal import iirnotch

    frequency, width, period = 140.0, 0.4, 0.5e-3
    b, a = iirnotch(frequency, 1.0 / width, fs=1.0 / period)
    got = notch_coefficients(frequency, width, 0.0, period)
    for id, name, want, value in zip(
        ("B31", "B32", "B33", "B34", "B35"), ("b0", "b1", "b2", "a1", "a2"), (*b, *a[1:]), got, strict=True
    ):
        verify(
            row(id, f"notch at 140 Hz, width 0.4, 2 kHz: {name}", float(want), "", 1e-12, SCIPY_NOTCH, "library"), value
        )


def test_notch_by_its_response():
    """Gain at the centre, at the edges and far away."""
    from scipy.signal import bilinear, freqz

    frequency, width, depth, period = 140.0, 0.4, 0.1, 0.5e-3
    b0, b1, b2, a1, a2 = notch_coefficients(frequency, width, depth, period)
    response = freqz([b0, b1, b2], [1.0, a1, a2], [1e-9, frequency], fs=1.0 / period)[1]
    verify(row("B36", "notch, gain at its centre", depth, "", 1e-9, SCIPY_NOTCH, "library"), abs(response[1]))
    verify(row("B37", "notch, gain at rest", 1.0, "", 1e-9, SCIPY_NOTCH, "library"), abs(response[0]))
    # prewarped by hand: the continuous notch at w0' = 2/T tan(w0 T/2), its width prewarped likewise
    warped = 2.0 / period * math.tan(math.pi * frequency * period)
    bend = math.tan(0.5 * width * 2.0 * math.pi * frequency * period)
    middle = 2.0 / period * bend * (1.0 + (warped * period / 2.0) ** 2)
    b, a = bilinear([1.0, depth * middle, warped**2], [1.0, middle, warped**2], 1.0 / period)
    source = "scipy.signal.bilinear (open library) of the continuous notch, prewarped"
    for id, name, want, value in (("B38", "b0", b[0], b0), ("B39", "b2", b[2], b2), ("B40", "a1", a[1], a1)):
        verify(row(id, f"notch of depth 0.1: {name}", float(want), "", 1e-9, source, "library"), value)


# -------------------------------------------------------------------------------------------------- pole placement


def test_ackermann():
    """A double integrator sampled at T = 1 s to z = 0: L = [1, 1.5] (deadbeat), and python-control's acker elsewhere."""
    import control
    from scipy.signal import place_poles

    a, b = np.array([[1.0, 1.0], [0.0, 1.0]]), np.array([0.5, 1.0])
    source = "Astrom and Wittenmark, Computer-Controlled Systems, double integrator, deadbeat: L = [1/T^2, 3/(2 T)]"
    got = ackermann(a, b, np.zeros(2))
    verify(row("B41", "deadbeat gain of the angle", 1.0, "", 1e-12, source, "from memory"), got[0])
    verify(row("B42", "deadbeat gain of the speed", 1.5, "", 1e-12, source, "from memory"), got[1])
    rng = np.random.default_rng(4)
    a, b = rng.normal(size=(4, 4)), rng.normal(size=4)
    poles = np.array([0.3, 0.5, complex(0.6, 0.2), complex(0.6, -0.2)])
    got = ackermann(a, b, poles)
    wanted = control.acker(a, b[:, None], poles)
    placed = place_poles(a, b[:, None], poles).gain_matrix
    for j in range(4):
        verify(
            row(
                f"B{43 + j}",
                f"Ackermann, random plant, gain {j}",
                float(np.ravel(wanted)[j]),
                "",
                1e-9,
                "control.acker (python-control, open library)",
                "library",
            ),
            got[j],
        )
        verify(
            row(
                f"B{47 + j}",
                f"placement, random plant, gain {j}",
                float(np.ravel(placed)[j]),
                "",
                1e-6,
                "scipy.signal.place_poles (open library)",
                "library",
            ),
            got[j],
        )
