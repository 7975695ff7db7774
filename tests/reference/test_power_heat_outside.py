"""Heat over a mission, duty types, fuses and braking as the studies compute them, against closed forms and published rules."""

from __future__ import annotations

import math

import numpy as np
import pytest
from outside import OutsideCheck, verify

from valvectl.design.schema_power import Duty, FuseCurve
from valvectl.parts import motor, motor_one_node
from valvectl.studies import mission_heat, power
from valvectl.studies.heat_network import Course, HeatNetwork, Stretch, repeated_time

FIRST = "first-order heating, T = Ta + P R (1 - exp(-t/RC)), any text on motor heating"
COPPER = "first-order heating with loss 1 + a (T - 25), integrated by hand: rate (I^2 R25 a - 1/Rth)/C"
NETWORK = "public article on two-node heating: Tw = Ta + P (R1 + R2), Tc = Ta + P R2"
SHORT = "short-time rating, Subrahmanyam, Electric Drives, 2nd ed., section 5: loss factor 1/(1 - exp(-t/tau))"
INTERMITTENT = (
    "intermittent rating, Subrahmanyam, Electric Drives, 2nd ed., section 5: (1 - exp(-(t1+t2)/tau))/(1 - exp(-t1/tau))"
)
IEC = "IEC 60034-1, duty types S1, S2, S3, S6"
FUSE = "fuse maker's public selection guide for electronic fuses (2017), chart of wave shapes"
CIRCUIT = "circuit solved by hand"

PLAIN = HeatNetwork(293.15, 393.15, 0.5, 0.0, 0.0, 4.0, 150.0, 0.0)
"""One node without copper's rise: 20 to 120 degC, 4 K/W, 150 J/K, so 600 s."""
TWO = HeatNetwork(293.15, 393.15, 0.5, 0.0, 1.0, 3.0, 10.0, 190.0)
RATED = math.sqrt(100.0 / (4.0 * 0.5))
"""Lasting current of PLAIN [A]."""


def duty(net: HeatNetwork, **said: object) -> mission_heat.DutyVerdict:
    found = mission_heat._duty(net, Duty(**said), 5.0, 2.0)
    assert found is not None
    return found


def settled(net: HeatNetwork, current: float) -> np.ndarray:
    return Course(net, [Stretch(current, 1e5)]).lasting()


def cooled() -> float:
    """60 K above the surroundings, one time constant at rest."""
    return motor_one_node.node_step(353.15, 293.15, 0.0, 0.5, 0.0, 4.0, 150.0, 600.0) - 293.15


def with_copper() -> float:
    return motor_one_node.node_step(293.15, 293.15, 10.0, 0.5, 0.004, 4.0, 150.0, 300.0)


_RATE = (10.0 * 10.0 * 0.5 * 0.004 - 0.25) / 150.0
_SLOPE = 100.0 * 0.5 * (1.0 + 0.004 * -5.0) / 150.0
RISING = np.linspace(0.0, 1.0, 1001)

ROWS = [
    (
        OutsideCheck("HP-63", "10 W, one time constant: rise", 40.0 * (1.0 - math.exp(-1.0)), "K", 1e-12, FIRST, "recomputed"),
        lambda: PLAIN.step(293.15, 293.15, Stretch(math.sqrt(20.0), 600.0))[0] - 293.15,
    ),
    (
        OutsideCheck("HP-cool", "60 K after one time constant at rest", 60.0 / math.e, "K", 1e-12, FIRST, "recomputed"),
        cooled,
    ),
    (
        OutsideCheck(
            "HP-copper", "10 A, 300 s, copper 0.4 %/K", 293.15 + _SLOPE * math.expm1(_RATE * 300.0) / _RATE, "K", 1e-12,
            COPPER, "recomputed",
        ),
        with_copper,
    ),
    (
        OutsideCheck("HP-never", "at the lasting current: never, 1/s", 0.0, "", 1e-12, FIRST, "recomputed", absolute=True),
        lambda: 1.0 / PLAIN.time_to_limit(RATED * (1.0 - 1e-9), 293.15, 293.15),
    ),
    (
        OutsideCheck("HP-double", "twice the lasting current", 600.0 * math.log(4.0 / 3.0), "s", 1e-10, FIRST, "recomputed"),
        lambda: PLAIN.time_to_limit(2.0 * RATED, 293.15, 293.15),
    ),
    (
        OutsideCheck("HP-winding", "10 W, 1 and 3 K/W: winding", 333.15, "K", 1e-10, NETWORK, "recomputed"),
        lambda: float(settled(TWO, math.sqrt(20.0))[0]),
    ),
    (
        OutsideCheck("HP-case", "10 W, 1 and 3 K/W: case", 323.15, "K", 1e-10, NETWORK, "recomputed"),
        lambda: float(settled(TWO, math.sqrt(20.0))[1]),
    ),
    (
        OutsideCheck("HP-S1", "S1: current allowed", RATED, "A", 1e-9, IEC, "from memory"),
        lambda: duty(PLAIN, type="S1").allowed,
    ),
    (
        OutsideCheck(
            "HP-S2", "S2, 10 min, tau 10 min", RATED / math.sqrt(1.0 - math.exp(-1.0)), "A", 1e-9, SHORT, "recomputed"
        ),
        lambda: duty(PLAIN, type="S2", loaded="600 s").allowed,
    ),
    (
        OutsideCheck(
            "HP-S3", "S3, 150 of 600 s (25 %), tau 600 s",
            RATED * math.sqrt((1.0 - math.exp(-1.0)) / (1.0 - math.exp(-0.25))), "A", 1e-9, INTERMITTENT, "recomputed",
        ),
        lambda: duty(PLAIN, type="S3", loaded="150 s", other="450 s").allowed,
    ),
    (
        OutsideCheck(
            "HP-S6", "S6: with as much current unloaded as loaded it is S1", 50.0 + 293.15, "K", 1e-9, IEC, "from memory"
        ),
        lambda: mission_heat._duty(PLAIN, Duty(type="S6", loaded="90 s", other="510 s"), 5.0, 5.0).crest,  # type: ignore[union-attr]
    ),
    (
        OutsideCheck("HP-S6-cold", "S6 without unloaded current is S3", 0.0, "K", 1e-9, IEC, "from memory", absolute=True),
        lambda: mission_heat._duty(PLAIN, Duty(type="S6", loaded="90 s", other="510 s"), 5.0, 0.0).crest  # type: ignore[union-attr]
        - duty(PLAIN, type="S3", loaded="90 s", other="510 s").crest,
    ),
    (
        OutsideCheck(
            "HP-repeat", "runs without pause at twice the lasting current", 600.0 * math.log(4.0 / 3.0), "s", 1e-4, FIRST,
            "recomputed",
        ),
        lambda: repeated_time(PLAIN, Course(PLAIN, [Stretch(2.0 * RATED, 0.5)] * 20), np.array([293.15, 293.15])),
    ),
    (
        OutsideCheck("HP-pulse", "0 to 10 A in 1 s, above 6 A: I2t", (1000.0 - 216.0) / 30.0, "A2 s", 1e-2, FUSE, "recomputed"),
        lambda: power.worst_pulse(RISING, 10.0 * RISING, 6.0)[0],
    ),
    (
        OutsideCheck(
            "HP-curve", "30 A for 0.25 s, 15 A at 1 s to 30 A at 0.25 s", 0.0, "", 1e-2, CIRCUIT, "recomputed", absolute=True
        ),
        lambda: power.curve_margin(
            FuseCurve(current=("15 A", "60 A"), time=("1 s", "62.5 ms")), RISING, np.where(RISING <= 0.25, 30.0, 0.0)
        ),
    ),
    (
        OutsideCheck("HP-melt", "15 A at 1 s, 60 A at 1/16 s: at 1/4 s", 30.0, "A", 1e-12, CIRCUIT, "recomputed"),
        lambda: power.melting_current(FuseCurve(current=("15 A", "60 A"), time=("1 s", "62.5 ms")), 0.25),
    ),
    (
        OutsideCheck("HP-standing", "-20 W for 0.5 s, then +20 W: most standing", 10.0, "J", 1e-2, CIRCUIT, "recomputed"),
        lambda: power.standing_energy(RISING, np.where(RISING < 0.5, -20.0, 20.0)),
    ),
    (
        OutsideCheck("HP-R", "copper, 20 to 120 degC, k 235", 355.0 / 255.0, "", 1e-12, "IEC 60034-1", "from memory"),
        lambda: motor.winding_resistance(1.0, 1.0 / 260.0, 393.15) / motor.winding_resistance(1.0, 1.0 / 260.0, 293.15),
    ),
]  # fmt: skip


@pytest.mark.parametrize(("check", "got"), ROWS, ids=[row[0].id for row in ROWS])
def test_published(check, got):
    verify(check, got())
