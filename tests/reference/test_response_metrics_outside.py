"""Metrics of responses: closed forms of first- and second-order systems, published forms, an open library's step_info."""

from __future__ import annotations

import math

import numpy as np
import pytest
from outside import OutsideCheck, verify

from valvectl.parts import response_metrics as rm

TIME = np.arange(0.0, 40.0, 1e-3)
SECOND = "step response of wn^2/(s^2 + 2 zeta wn s + wn^2), any control text"


def second_order(zeta: float) -> np.ndarray:
    """Unit step response at 1 rad/s, closed form."""
    if zeta == 1.0:
        return 1.0 - (1.0 + TIME) * np.exp(-TIME)
    wd = math.sqrt(1.0 - zeta * zeta)
    return 1.0 - np.exp(-zeta * TIME) * (np.cos(wd * TIME) + zeta / wd * np.sin(wd * TIME))


@pytest.mark.parametrize(("zeta", "percent"), [(0.2, 52.66), (0.4, 25.38), (0.5, 16.30), (0.7, 4.599)])
def test_overshoot(zeta, percent):
    check = OutsideCheck(f"RM-over-{zeta}", f"overshoot, damping {zeta}", percent, "%", 3e-4, SECOND, "recomputed")
    verify(check, 100.0 * rm.overshoot(second_order(zeta)))


def test_first_order_with_dead_time():
    """ISA-75.25.01 terms: T63 = dead time + 0.994 tau, T86 = dead time + 2.0025 tau."""
    y = np.where(TIME > 0.5, 1.0 - np.exp(-(TIME - 0.5) / 2.0), 0.0)
    source = "ANSI/ISA-75.25.01, levels 63 and 86.5 % (from memory); closed form of a first-order lag"
    for name, expected, got in (
        ("t63", 0.5 + 2.0 * 0.994252, rm.first_time(TIME, y, rm.T63_LEVEL)),
        ("t86", 0.5 + 2.0 * 2.002481, rm.first_time(TIME, y, rm.T86_LEVEL)),
        ("dead", 0.5 - 2.0 * math.log(0.97), rm.first_time(TIME, y, rm.DEAD_LEVEL)),
        ("rise", 2.0 * math.log(9.0), rm.rise_time(TIME, y)),
        ("settling", 0.5 - 2.0 * math.log(0.02), rm.settling_time(TIME, y, 0.02)),
    ):
        verify(
            OutsideCheck(f"RM-{name}", f"{name}, tau 2 s, dead time 0.5 s", expected, "s", 5e-4, source, "recomputed"),
            got,
        )


@pytest.mark.parametrize(("zeta", "ise"), [(0.3, 1.13333), (0.5, 1.0), (0.7, 1.05714), (1.0, 1.25)])
def test_integral_of_the_squared_error(zeta, ise):
    source = "Newton, Gould and Kaiser (1957): zeta + 1/(4 zeta) at 1 rad/s"
    found = rm.error_integrals(TIME, 1.0 - second_order(zeta))[0]
    verify(OutsideCheck(f"RM-ise-{zeta}", f"ISE, damping {zeta}", ise, "s", 1e-5, source, "recomputed"), found)


def test_other_integrals_of_a_first_order_lag():
    """e = exp(-t/tau): IAE tau, ITAE tau^2, ISE tau/2."""
    ise, iae, itae = rm.error_integrals(TIME, np.exp(-TIME / 1.5))
    source = "integrals of an exponential"
    verify(OutsideCheck("RM-iae", "IAE, tau 1.5 s", 1.5, "s", 1e-6, source, "recomputed"), iae)
    verify(OutsideCheck("RM-itae", "ITAE, tau 1.5 s", 2.25, "s^2", 1e-6, source, "recomputed"), itae)
    verify(OutsideCheck("RM-ise", "ISE, tau 1.5 s", 0.75, "s", 1e-6, source, "recomputed"), ise)


ITAE_FORMS = {
    2: ([1.0, 1.4, 1.0], [1.0, 1.505, 1.0]),
    3: ([1.0, 1.75, 2.15, 1.0], [1.0, 1.782, 2.171, 1.0]),
    4: ([1.0, 2.1, 3.4, 2.7, 1.0], [1.0, 1.952, 3.345, 2.647, 1.0]),
}


def itae_of(denominator: list[float]) -> float:
    from scipy.signal import lsim

    time = np.arange(0.0, 30.0, 2e-3)
    y = lsim(([1.0], denominator), np.ones_like(time), time)[1]
    return rm.error_integrals(time, 1.0 - y)[2]


@pytest.mark.parametrize("order", ITAE_FORMS)
def test_standard_forms_of_least_itae(order):
    """Graham and Lathrop's forms lie near the least ITAE; the later ones are it, for each coefficient by itself."""
    printed, best = ITAE_FORMS[order]
    assert itae_of(best) <= itae_of(printed)
    for at in range(1, order):
        for factor in (0.97, 1.03):
            other = list(best)
            other[at] *= factor
            assert itae_of(other) > itae_of(best) * (1.0 - 2e-4)
    source = "Graham and Lathrop, Trans. AIEE 72 (1953) 273-288, standard forms (from memory); near the optimum"
    check = OutsideCheck(
        f"RM-itae-form-{order}",
        "ITAE of the printed form over that of the optimum",
        1.0,
        "",
        0.03,
        source,
        "recomputed",
    )
    verify(check, itae_of(printed) / itae_of(best))


@pytest.mark.parametrize("zeta", [0.3, 0.6])
def test_against_step_info(zeta):
    """python-control's step_info on a unit step from zero (there it measures from zero too)."""
    import control

    info = control.step_info(control.tf([1.0], [1.0, 2.0 * zeta, 1.0]), T=TIME)
    y = second_order(zeta)
    source = "python-control, step_info"
    for name, theirs, ours in (
        ("SettlingTime", info["SettlingTime"], rm.settling_time(TIME, y, 0.02)),
        ("RiseTime", info["RiseTime"], rm.rise_time(TIME, y)),
        ("Overshoot", info["Overshoot"], 100.0 * rm.overshoot(y)),
    ):
        verify(OutsideCheck(f"RM-lib-{name}-{zeta}", name, float(theirs), "", 2e-3, source, "library"), ours)


def test_lag_of_a_ramp():
    """A first-order lag follows a ramp late by its time constant, whichever way the ramp goes."""
    source = "ramp response of a first-order lag"
    for rate in (0.7, -0.7):
        command = 2.0 + rate * TIME
        response = 2.0 + rate * (TIME - 0.3 * (1.0 - np.exp(-TIME / 0.3)))
        late = TIME > 10.0
        check = OutsideCheck(f"RM-ramp-{rate}", "lag behind a ramp, tau 0.3 s", 0.3, "s", 1e-9, source, "recomputed")
        verify(check, rm.ramp_lag(command[late], response[late], rate))


@pytest.mark.parametrize("omega", [0.5, 2.0, 11.0])
def test_gain_and_phase_by_correlation(omega):
    """First-order lag: 1/sqrt(1 + (w tau)^2), -atan(w tau); with an offset, a drift and not a whole number of periods."""
    gain, phase = 1.0 / math.hypot(1.0, 0.4 * omega), -math.atan(0.4 * omega)
    command = np.sin(omega * TIME)
    response = gain * np.sin(omega * TIME + phase) + 0.3 + 0.002 * TIME
    found = rm.gain_and_phase(TIME, command, response, omega)
    source = "frequency response of a first-order lag"
    verify(OutsideCheck(f"RM-gain-{omega}", "gain, tau 0.4 s", gain, "", 1e-6, source, "recomputed"), found[0])
    verify(OutsideCheck(f"RM-phase-{omega}", "phase, tau 0.4 s", phase, "rad", 1e-6, source, "recomputed"), found[1])


def test_awkward_responses():
    flat = np.zeros_like(TIME)
    assert rm.first_time(TIME, flat, 0.5) == math.inf
    assert rm.rise_time(TIME, flat) == math.inf
    assert rm.settling_time(TIME, flat, 0.02) == math.inf
    assert rm.settling_time(TIME, np.ones_like(TIME), 0.02) == 0.0
    assert rm.residual(flat) == -1.0
    assert rm.lagging(math.radians(20.0)) == math.radians(20.0)
    assert rm.lagging(math.radians(40.0)) == pytest.approx(math.radians(-320.0))
