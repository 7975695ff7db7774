"""The study of ports against the standard's formulas by hand, Driskell's installed characteristic, and geometry."""

from __future__ import annotations

import dataclasses
import math
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from outside import OutsideCheck, verify

from valvectl.design.load import read_design
from valvectl.parts import valve
from valvectl.plant.balance import balance, leg_flow, leg_point
from valvectl.plant.linear import leg_slopes
from valvectl.plant.machine import LegMachine, Machine, build
from valvectl.plant.schedule import build_schedule
from valvectl.studies.port_result import PortsResult
from valvectl.studies.port_shapes import Port, port_curve, with_reducers
from valvectl.studies.ports import needed_kv, port_need, ports

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
SIZING = (
    "IEC 60534-2-1, liquid sizing without choking: Kv = Q[m3/h] sqrt(SG/dp[bar]), SG on water of 999.1 kg/m3; by hand"
)
CHOKING = "IEC 60534-2-1: choking drop FL^2 (p1 - FF pv), FF = 0.96 - 0.28 sqrt(pv/pc); solved for FL by hand"
DRISKELL = "Driskell, Control-Valve Selection and Sizing: installed q = 1/sqrt(1 - N + N/Phi^2) of square losses"
WEISBACH = (
    "Weisbach's loss of a cock at 60 degrees open, K = 5.47 on the pipe velocity; Kv by hand from dp = K rho v^2/2"
)
FITTED = "IEC 60534-2-1, piping factor: K1 = 0.5 (1-(d/D)^2)^2, K2 = (1-(d/D)^2)^2 in line with the valve's K; by hand"
EQUAL = "IEC 60534-2-4, equal percentage Phi = R^(h-1): d ln Phi/d angle = ln R over the travel of 82 degrees, R = 50"
COCK = "Weisbach's cock shuts 82 degrees from open (handbook table); dead band is the rest of the quarter turn"
LIKE = "like ports have one K, so Kv goes with the bore's area: (5/8)^2"


@cache
def rig() -> tuple[Any, Machine, Any]:
    design = read_design(RIG)
    machine = build(design)
    return design, machine, build_schedule(machine, 5)


@cache
def compared() -> PortsResult:
    shapes = ("round, Weisbach", "round, geometry", "V 30 deg", "V 60 deg", "V 90 deg", "equal percentage", "linear")
    return ports(*rig(), "oxidizer", [Port(s, 0.008) for s in shapes])  # type: ignore[arg-type]


def row(name: str, what: str, expected: float, unit: str, tolerance: float, source: str, sure: Any) -> OutsideCheck:
    return OutsideCheck(f"PO-{name}", what, expected, unit, tolerance, source, sure)


@pytest.mark.parametrize(
    ("name", "flow", "rho", "drop", "kv"),
    [("lox", 0.45, 1150.0, 3.2e5, 0.844864), ("methanol", 0.30, 800.0, 7.5e5, 0.441107)],
)
def test_needed_kv_by_hand(name, flow, rho, drop, kv):
    what = f"Kv for {flow} kg/s of {rho} kg/m3 at {drop / 1e5} bar"
    verify(row(f"kv-{name}", what, kv, "m3/h", 2e-6, SIZING, "recomputed"), needed_kv(flow, rho, drop))


@pytest.mark.parametrize("setting", [0, -1])
def test_needed_kv_at_two_settings(setting):
    """From the pressures of the ladder, with the standard's formula written out here in its own units."""
    _, machine, schedule = rig()
    at = schedule.points[setting].legs["oxidizer"]
    rho = machine.legs["oxidizer"].liquid.density
    volume, bar = 3600.0 * at.flow / rho, (at.valve_inlet - at.valve_outlet) / 1e5
    expected = volume * math.sqrt(rho / 999.1 / bar)
    what = f"Kv needed by the demo oxidizer leg, {'full' if setting else 'lowest'} throttle"
    verify(row(f"need{setting}", what, expected, "m3/h", 1e-9, SIZING, "recomputed"), compared().need.kv[setting])


def test_choking_fl_by_hand():
    """20 bar before the valve, vapour pressure 1, critical 50, drop 10 bar: FF 0.92040, FL at which it chokes 0.72396."""
    _, machine, schedule = rig()
    leg = machine.legs["oxidizer"]
    leg = dataclasses.replace(
        leg,
        ff=valve.critical_pressure_ratio_factor(1e5, 50e5),
        liquid=dataclasses.replace(leg.liquid, vapour_pressure=1e5, critical_pressure=50e5),
    )
    point = schedule.points[0]
    at = dataclasses.replace(point.legs["oxidizer"], valve_inlet=20e5, valve_outlet=10e5)
    changed = dataclasses.replace(schedule, points=(dataclasses.replace(point, legs={**point.legs, "oxidizer": at}),))
    got = float(port_need(leg, changed).choking_fl[0])
    verify(row("choke", "FL at which 10 of 20 bar choke", 0.723961, "", 2e-6, CHOKING, "recomputed"), got)


def square_leg(share: float) -> tuple[LegMachine, Machine]:
    """The demo leg with square losses only, no droop, and a valve of authority ``share`` wide open."""
    machine = rig()[1]
    leg = machine.legs["oxidizer"]
    up = np.full_like(leg.up_loss, 1.0e6)
    leg = dataclasses.replace(leg, up_loss=up, down_loss=0.5 * up, tank_droop=0.0)
    rest = 1.5e6 + 1.0 / (2.0 * leg.liquid.density * leg.cda**2)
    wide = 1.0 / math.sqrt(leg.liquid.density * rest * share / (1.0 - share))
    angles = leg.characteristic.angles
    # c goes with the square of the angle, so that the curve has a slope; at full it is the wide-open coefficient.
    c = wide * (angles / angles[-1]) ** 2
    flat = dataclasses.replace(leg.characteristic, c=np.maximum(c, 1e-14), fl=np.ones_like(c))
    leg = dataclasses.replace(leg, characteristic=flat)
    return leg, dataclasses.replace(machine, legs={**machine.legs, "oxidizer": leg})


INSTALLED = [
    (0.3, 0.5, 0.725476),
    (0.3, 0.25, 0.426401),
    (0.6, 0.5, 0.597614),
    (0.1, 0.1, 0.302891),
    (0.9, 0.5, 0.519875),
]


@pytest.mark.parametrize(("share", "phi", "flow"), INSTALLED)
def test_installed_characteristic(share, phi, flow):
    leg, machine = square_leg(share)
    pc = 0.5 * machine.chamber_pressure
    opened = leg.open_stop
    got = leg_flow(leg, opened * math.sqrt(phi), pc) / leg_flow(leg, opened, pc)
    what = f"installed flow share at Phi {phi}, authority {share}"
    verify(row(f"q-{share}-{phi}", what, flow, "", 2e-5, DRISKELL, "from memory"), got)


@pytest.mark.parametrize(("share", "phi", "gain"), [(0.3, 0.5, 0.631579), (0.6, 0.5, 0.857143), (0.3, 0.25, 0.872727)])
def test_installed_gain(share, phi, gain):
    """d ln q / d ln Phi of the same formula: N/Phi^2 over (1 - N + N/Phi^2)."""
    leg, machine = square_leg(share)
    pc, angle = 0.5 * machine.chamber_pressure, leg.open_stop * math.sqrt(phi)
    at = leg_point(leg, angle, leg_flow(leg, angle, pc), pc)
    point = balance(rig()[1], 1.0, 1.0)
    here = dataclasses.replace(point, chamber_pressure=pc, legs={**point.legs, "oxidizer": at})
    got = leg_slopes(leg, here).angle_gain / at.gain
    what = f"installed over inherent gain at Phi {phi}, authority {share}"
    verify(row(f"gain-{share}-{phi}", what, gain, "", 1e-5, DRISKELL + ", derived", "recomputed"), got)


@pytest.mark.parametrize("shape", ["round, Weisbach", "round, geometry", "V 60 deg"])
def test_dead_band(shape):
    got = next(c for c in compared().candidates if c.port.shape == shape).shut
    verify(row(f"dead-{shape}", f"dead band, {shape}", 8.0, "deg", 1e-6, COCK, "from memory"), math.degrees(got))


def kv_at(port: Port, degrees: float, reducers: bool) -> float:
    part = rig()[0].leg("oxidizer")
    grid = port_curve(part, port).grid(part, reducers)
    return float(np.interp(math.radians(degrees), grid.angles, grid.c)) / valve.KV_TO_C


def test_weisbach_kv_by_hand():
    what = "Kv of a round port of 8 mm, 60 degrees open"
    check = row("weisbach", what, 1.094685, "m3/h", 1e-4, WEISBACH, "recomputed")
    verify(check, kv_at(Port("round, Weisbach", 0.008), 60.0, False))


def test_kv_with_reducers_by_hand():
    """7 mm in a line of 12 mm: K = 5.47 + 1.5 (1 - (7/12)^2)^2 = 6.1229. The standard's N2 is rounded to 1.60e-3."""
    port = Port("round, Weisbach", 0.007)
    assert with_reducers(rig()[0].leg("oxidizer"), port)
    what = "Kv of a round port of 7 mm in a 12 mm line, 60 degrees open"
    verify(row("fitted", what, 0.792177, "m3/h", 3e-4, FITTED, "recomputed"), kv_at(port, 60.0, True))


@pytest.mark.parametrize("shape", ["round, Weisbach", "round, geometry", "V 60 deg", "equal percentage", "own table"])
def test_kv_goes_with_bore_squared(shape):
    got = kv_at(Port(shape, 0.005), 50.0, False) / kv_at(Port(shape, 0.008), 50.0, False)
    verify(row(f"like-{shape}", f"Kv of 5 over 8 mm, {shape}", 0.390625, "", 1e-9, LIKE, "recomputed"), got)


@pytest.mark.parametrize("degrees", [20.0, 45.0, 80.0])
def test_equal_percentage_gain_is_even(degrees):
    port, step = Port("equal percentage", 0.012), 0.5
    got = math.log(kv_at(port, degrees + step, False) / kv_at(port, degrees - step, False)) / (2.0 * step) * 100.0
    what = f"inherent gain of the equal percentage port at {degrees:.0f} degrees"
    verify(row(f"eq-{degrees:.0f}", what, 4.770760, "%/deg", 1e-4, EQUAL, "recomputed"), got)
