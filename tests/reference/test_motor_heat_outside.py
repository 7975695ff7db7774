"""Motor heating and duty types against published worked examples and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from outside import OutsideCheck, verify

from valvectl.parts import motor_duty, motor_heat

FUCHS = (
    "worked example of a fan-cooled motor (Fuchs and Masoum, Power Quality in Power Systems and Electrical Machines, "
    "eq. 6-39, as quoted in public): 3 h, 40 to 120 degC, 95 % of the final 120 degC after 2.59 time constants = 7.77 h"
)
SUBRAHMANYAM = "Subrahmanyam, Electric Drives, 2nd ed., example 5.2, as in a public solution notebook: 1.23972921698"
PERIODIC = (
    "Subrahmanyam, Electric Drives, example 5.3, formula of the public solution notebook (its printed 1.0713 comes of "
    "a whole-number division of 15/100); worked anew"
)
OVERLOAD = "public article on overload of motors: t = tau ln(I^2/(I^2 - I0^2))"
NETWORK = "public article on two-node heating: Tw = Ta + P (R1 + R2), Tc = Ta + P R2"
IEC = "IEC 60034-1, duty types"

ROWS = [
    (
        OutsideCheck("HT-95", "hours to 114 degC", 7.77, "h", 1e-3, FUCHS, "published"),
        lambda: motor_duty.one_node_time(40.0, 120.0, 114.0, 3.0),
    ),
    (
        OutsideCheck("HT-95-tau", "in time constants", 2.59, "", 1e-3, FUCHS, "published"),
        lambda: motor_duty.one_node_time(40.0, 120.0, 114.0, 1.0),
    ),
    (
        OutsideCheck("HT-S2", "S2 2 h, 1.5 h, a 0.5: overload", 1.23972921698, "", 1e-10, SUBRAHMANYAM, "published"),
        lambda: motor_duty.overload(motor_duty.short_time_loss_factor(2.0, 1.5), 0.5),
    ),
    (
        OutsideCheck(
            "HT-S3",
            "S3 15 of 45 min, 100 and 150 min, a 0.4: overload",
            math.sqrt(1.4 * (1.0 - math.exp(-0.35)) / (1.0 - math.exp(-0.15)) - 0.4),
            "",
            1e-12,
            PERIODIC,
            "recomputed",
        ),
        lambda: motor_duty.overload(motor_duty.intermittent_loss_factor(15.0, 30.0, 100.0, 150.0), 0.4),
    ),
    (
        OutsideCheck("HT-twice", "twice the current, in time constants", 0.28768, "", 1e-4, OVERLOAD, "recomputed"),
        lambda: motor_duty.one_node_time(0.0, 4.0, 1.0, 1.0),
    ),
    (
        OutsideCheck("HT-winding", "10 W, 2 and 4 K/W, 20 degC: winding", 353.15, "K", 1e-12, NETWORK, "recomputed"),
        lambda: motor_heat.steady_temperatures(293.15, 1.0, 10.0, 0.0, 2.0, 4.0, 0.0)[0],
    ),
    (
        OutsideCheck("HT-case", "10 W, 2 and 4 K/W, 20 degC: case", 333.15, "K", 1e-12, NETWORK, "recomputed"),
        lambda: motor_heat.steady_temperatures(293.15, 1.0, 10.0, 0.0, 2.0, 4.0, 0.0)[1],
    ),
    (
        OutsideCheck("HT-cycle", "length of a cycle of S3", 10.0, "min", 1e-12, IEC, "from memory"),
        lambda: motor_duty.CYCLE / 60.0,
    ),
    (
        OutsideCheck("HT-factor", "25 % of a cycle: 2.5 of 10 min", 25.0, "%", 1e-12, IEC, "from memory"),
        lambda: 100.0 * motor_duty.duration_factor(150.0, 450.0),
    ),
    (
        OutsideCheck(
            "HT-runaway",
            "current of thermal runaway, 4.5 K/W, 0.6 ohm, copper 235",
            math.sqrt(260.0 / 2.7),
            "A",
            1e-12,
            "Rth I^2 R25 a = 1 with a = 1/260 of IEC 60034-1 copper, by hand",
            "recomputed",
        ),
        lambda: motor_heat.runaway_current(0.6, 1.0 / 260.0, 4.5),
    ),
    (
        OutsideCheck(
            "HT-continuous",
            "155 degC class F, 40 degC, 0.6 ohm, 4.5 K/W",
            math.sqrt(115.0 / (4.5 * 0.6 * 390.0 / 260.0)),
            "A",
            1e-12,
            "I = sqrt((Tmax - Ta)/(R hot Rth)), copper 235 + t, by hand",
            "recomputed",
        ),
        lambda: motor_heat.continuous_current(428.15, 313.15, 0.6, 1.0 / 260.0, 4.5),
    ),
]


@pytest.mark.parametrize(("check", "got"), ROWS, ids=[row[0].id for row in ROWS])
def test_published(check, got):
    verify(check, got())


def test_short_heating_is_adiabatic():
    """A burst far shorter than the winding's time constant: t = Cw (Tl - T0)/P, less than 1 % longer by what leaves."""
    heat = 20.0 * 20.0 * 0.6
    expected = 15.0 * 10.0 / heat
    got = motor_heat.time_to_limit(310.0, 300.0, 300.0, 300.0, 20.0, 0.6, 0.0, 3.0, 2.0, 15.0, 200.0, 0.0)
    source = "heat capacity times rise over power, no heat leaving"
    verify(OutsideCheck("HT-burst", "10 K at 240 W into 15 J/K", expected, "s", 0.01, source, "recomputed"), got)
    assert got > expected


def test_modes_by_eigenvalues():
    """The two rates against numpy's eigenvalues of the matrix written out."""
    current, r25, a, r1, r2, cw, cc = 7.0, 0.6, 0.0039, 2.5, 2.0, 12.0, 180.0
    heat = current * current * r25 * a
    matrix = np.array([[(heat - 1 / r1) / cw, 1 / (r1 * cw)], [1 / (r1 * cc), -(1 / r1 + 1 / r2) / cc]])
    slow, fast = sorted(np.linalg.eigvals(matrix).real, reverse=True)
    got = motor_heat.heat_modes(current, r25, a, r1, r2, cw, cc)
    source = "eigenvalues by numpy"
    verify(OutsideCheck("HT-slow", "slow rate", float(slow), "1/s", 1e-10, source, "recomputed"), got[0])
    verify(OutsideCheck("HT-fast", "fast rate", float(fast), "1/s", 1e-10, source, "recomputed"), got[1])


def test_rms_of_a_profile():
    """Servo sizing: 10 A for 0.1 s, 2 A for 0.3 s, 10 A for 0.1 s, rest of 0.5 s: sqrt(21.2)."""
    source = "root mean square torque of a trapezoidal cycle, any servo-sizing guide; worked by hand"
    check = OutsideCheck("HT-rms", "RMS current", math.sqrt(21.2), "A", 1e-12, source, "recomputed")
    verify(check, motor_duty.rms_current(np.array([10.0, 2.0, 10.0, 0.0]), np.array([0.1, 0.3, 0.1, 0.5])))


def test_holding_by_iteration():
    """Torque held for ever: temperature, magnets, current and resistance worked round and round by hand."""
    ta, r25, a, k25, m, r1, r2, torque = 313.15, 0.6, 1.0 / 260.0, 0.04, -0.0012, 2.5, 2.0, 0.16
    tw = tc = ta
    for _ in range(3000):
        current = torque / (k25 * (1.0 + m * (tc - 298.15)))
        loss = current * current * r25 * (235.0 + tw - 273.15) / 260.0
        tw, tc = ta + loss * (r1 + r2), ta + loss * r2
    check = OutsideCheck("HT-hold", "winding while holding 0.16 N m", tw, "K", 1e-9, "iterated by hand", "recomputed")
    verify(check, motor_heat.holding_temperature(torque, ta, r25, a, k25, m, r1, r2))
