"""Bus voltage, fuses and braking against circuit theory and a fuse maker's published charts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from outside import OutsideCheck, verify

from valvectl.parts import power_bus

FUSE = "fuse maker's public selection guide for electronic fuses (2017), chart of wave shapes"
PULSES = "fuse maker's public selection guide for electronic fuses (2017), chart of pulse withstand"
SOURCE = "greatest power of a source, P = E^2/(4 r), a public formula page and any circuit text"
CIRCUIT = "circuit solved by hand"

ROWS = [
    (
        OutsideCheck("PB-greatest", "24 V behind 0.15 ohm", 960.0, "W", 1e-12, SOURCE, "recomputed"),
        lambda: power_bus.greatest_power(24.0, 0.15, 0.0),
    ),
    (
        OutsideCheck("PB-roots", "10 V, 1 ohm, 16 W: upper", 8.0, "V", 1e-12, CIRCUIT, "recomputed"),
        lambda: power_bus.operating_voltages(10.0, 1.0, 16.0, 0.0)[0],
    ),
    (
        OutsideCheck("PB-lower", "10 V, 1 ohm, 16 W: lower", 2.0, "V", 1e-12, CIRCUIT, "recomputed"),
        lambda: power_bus.operating_voltages(10.0, 1.0, 16.0, 0.0)[1],
    ),
    (
        OutsideCheck("PB-current", "24 V, 0.15 ohm, 2 x 15 A", 19.5, "V", 1e-12, CIRCUIT, "recomputed"),
        lambda: power_bus.bus_voltage(24.0, 0.15, 0.0, 30.0),
    ),
    (
        OutsideCheck("PB-half", "at the greatest power half the voltage", 12.0, "V", 1e-6, SOURCE, "recomputed"),
        lambda: power_bus.bus_voltage(24.0, 0.15, 960.0, 0.0),
    ),
    (
        OutsideCheck("PB-regen", "10 V, 1 ohm, 11 W fed back", 11.0, "V", 1e-12, CIRCUIT, "recomputed"),
        lambda: power_bus.bus_voltage(10.0, 1.0, -11.0, 0.0),
    ),
    (
        OutsideCheck("PB-rectangle", "8 A for 4 ms", 0.256, "A2 s", 1e-12, FUSE, "recomputed"),
        lambda: power_bus.pulse_i2t(8.0, 8.0, 4e-3),
    ),
    (
        OutsideCheck("PB-triangle", "8 A triangle, 4 ms", 0.256 / 3.0, "A2 s", 1e-12, FUSE, "recomputed"),
        lambda: power_bus.pulse_i2t(8.0, 0.0, 4e-3),
    ),
    (
        OutsideCheck("PB-trapezoid", "8 to 2 A, 4 ms", 84.0 * 4e-3 / 3.0, "A2 s", 1e-12, FUSE, "recomputed"),
        lambda: power_bus.pulse_i2t(8.0, 2.0, 4e-3),
    ),
    (
        OutsideCheck("PB-sine", "8 A half sine, 4 ms", 0.128, "A2 s", 1e-12, FUSE, "recomputed"),
        lambda: power_bus.half_sine_i2t(8.0, 4e-3),
    ),
    (
        OutsideCheck("PB-decay", "8 A, time constant 4 ms", 0.128, "A2 s", 1e-12, FUSE, "recomputed"),
        lambda: power_bus.decaying_i2t(8.0, 4e-3),
    ),
    (
        OutsideCheck("PB-capacitor", "24 V, 1 mF, 0.49 J", math.sqrt(576.0 + 980.0), "V", 1e-12, CIRCUIT, "recomputed"),
        lambda: power_bus.capacitor_voltage(24.0, 0.49, 1e-3),
    ),
]


@pytest.mark.parametrize(("check", "got"), ROWS, ids=[row[0].id for row in ROWS])
def test_published(check, got):
    verify(check, got())


@pytest.mark.parametrize(("pulses", "share"), [(100, 48.0), (1000, 38.0), (10000, 29.0), (100000, 22.0)])
def test_pulse_withstand(pulses, share):
    check = OutsideCheck(
        f"PB-pulses-{pulses}", f"share of melting I2t, {pulses} times", share, "%", 1e-9, PULSES, "published"
    )
    verify(check, 100.0 * power_bus.pulse_share(float(pulses)))


def test_trace_of_a_half_sine():
    """Samples of a half sine, joined by straight lines, against the chart's half sine."""
    time = np.linspace(0.0, 4e-3, 401)
    check = OutsideCheck("PB-trace", "sampled half sine, 8 A, 4 ms", 0.128, "A2 s", 1e-4, FUSE, "recomputed")
    verify(check, power_bus.trace_i2t(time, 8.0 * np.sin(np.pi * time / 4e-3)))
