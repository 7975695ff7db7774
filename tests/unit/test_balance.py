"""Steady balance: messages that name the station, the choked inverse, the pressure ladder's own figures."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

import valvectl
from valvectl.design.schema import LEGS
from valvectl.errors import NoBalanceError
from valvectl.parts import valve
from valvectl.plant.balance import (
    angle_for_flow,
    balance,
    coefficient,
    leg_flow,
    pressure_for_thrust,
    solve,
)

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


def message(action) -> str:
    with pytest.raises(NoBalanceError) as caught:
        action()
    return str(caught.value)


# -------------------------------------------------------------------------------------------------- no steady point


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"legs.fuel.line.inner_diameter": 3.5e-3}, ("fuel leg", "in the line before the valve", "kg/s")),
        ({"legs.oxidizer.injector.hole_count": 18}, ("oxidizer leg", "at the valve", "injector drop")),
        ({"legs.fuel.jacket.pressure_drop": 8e5}, ("fuel leg", "at the valve", "line and jacket")),
        ({"legs.oxidizer.valve.port_scale": 0.2}, ("oxidizer valve wide open", "Kv", "90 deg")),
    ],
    ids=["line", "injector", "jacket", "valve"],
)
def test_message_names_the_station(changes, words):
    text = message(lambda: solve(rig().with_values(changes).machine, 1.0))
    assert text.startswith("at 100.0 % throttle")
    for word in words:
        assert word in text
    assert "nan" not in text


def test_both_legs_are_named_at_once():
    text = message(lambda: solve(rig().machine, 1.3))
    assert "oxidizer leg" in text
    assert "fuel leg" in text


def test_kv_named_in_the_message_is_the_one_that_would_do():
    """The Kv that the message asks for passes the flow at that drop."""
    machine = rig().with_values({"legs.oxidizer.valve.port_scale": 0.2}).machine
    leg = machine.legs["oxidizer"]
    text = message(lambda: solve(machine, 1.0))
    needed = float(text.split("deg, ")[1].split(" needed")[0])
    largest = float(leg.characteristic.c[-1]) / valve.KV_TO_C
    scaled = replace(leg.characteristic, c=leg.characteristic.c * (1.001 * needed / largest))
    solve(machine.with_leg("oxidizer", characteristic=scaled), 1.0)


def test_shut_valves():
    machine = rig().machine
    full = solve(machine, 1.0)
    open_fuel = full.legs["fuel"].angle
    assert message(lambda: balance(machine, 0.0, open_fuel)).startswith("oxidizer valve is shut at 0.00 deg")
    assert message(lambda: balance(machine, open_fuel, 0.0)).startswith("fuel valve is shut")
    assert "do not sustain" in message(lambda: balance(machine, math.radians(2.5), math.radians(2.5)))


def test_thrust_out_of_reach():
    assert "350.0 %" in message(lambda: pressure_for_thrust(rig().machine, 3.5))


@pytest.mark.parametrize("pressure", [3e5, 5e5, 8e5])
def test_leg_that_can_not_flow_is_no_steady_point(pressure):
    """The fuel alone would hold the chamber above the oxidizer's tank: nothing of it comes in, so there is no flame."""
    machine = rig().machine.with_leg("oxidizer", tank_pressure=pressure)
    with pytest.raises(NoBalanceError):
        balance(machine, math.radians(60.0), math.radians(90.0))


# -------------------------------------------------------------------------------------------------------- the legs


def test_no_flow_against_too_high_a_pressure():
    leg = rig().machine.legs["oxidizer"]
    assert leg_flow(leg, leg.open_stop, leg.tank_pressure + leg.head) == 0.0
    assert leg_flow(leg, leg.open_stop, 0.999 * leg.tank_pressure) > 0.0


@pytest.mark.parametrize("name", LEGS)
def test_choked_inverse(name):
    """At a boiling inlet the flow is FL c sqrt(rho (p1 - FF pv)), whatever the chamber does, and gives its angle back."""
    point = solve(rig().machine, 0.7)
    at = point.legs[name]
    leg = rig().machine.legs[name]
    leg = replace(leg, liquid=replace(leg.liquid, vapour_pressure=0.8 * at.valve_inlet))
    flow = leg_flow(leg, at.angle, point.chamber_pressure)
    assert flow < at.flow
    assert leg_flow(leg, at.angle, 0.5 * point.chamber_pressure) == pytest.approx(flow, rel=1e-12)
    assert angle_for_flow(leg, flow, point.chamber_pressure) == pytest.approx(at.angle, abs=1e-9)
    c, fl = coefficient(leg, at.angle)
    loss = flow * flow / (leg.liquid.density * c * c)
    before = leg.ff * leg.liquid.vapour_pressure + loss / fl**2
    assert valve.valve_flow(
        c, fl, leg.liquid.density, before, point.chamber_pressure, leg.ff, leg.liquid.vapour_pressure
    ) == pytest.approx(flow, rel=1e-12)
    # The pressure that the downstream path needs lies below what the throat would leave: told by the point as choked.
    legs = {**rig().machine.legs, name: leg}
    found = balance(replace(rig().machine, legs=legs), point.legs["oxidizer"].angle, point.legs["fuel"].angle)
    assert found.legs[name].choked
    assert found.legs[name].valve_drop > found.legs[name].choked_drop


def test_coefficient_is_held_at_the_stops():
    leg = rig().machine.legs["oxidizer"]
    assert coefficient(leg, 3.0) == coefficient(leg, leg.open_stop)
    assert coefficient(leg, -1.0) == coefficient(leg, leg.closed_stop)
    # A stated point of the table comes back: Kv 0.463 at 45 deg in the file.
    kv = dict(zip(rig().legs.oxidizer.valve.flow.angle, rig().legs.oxidizer.valve.flow.kv, strict=True))
    angle = math.radians(45.0)
    stated = kv[min(kv, key=lambda a: abs(a - angle))]
    assert coefficient(leg, angle)[0] / valve.KV_TO_C == pytest.approx(stated, rel=1e-6)


@pytest.mark.parametrize("name", LEGS)
def test_gain_is_the_slope_of_the_coefficient(name):
    point = solve(rig().machine, 0.6)
    leg, at = rig().machine.legs[name], point.legs[name]
    h = math.radians(0.5)
    slope = math.log(coefficient(leg, at.angle + h)[0] / coefficient(leg, at.angle - h)[0]) / (2.0 * h)
    assert not at.choked
    assert at.gain == pytest.approx(slope, rel=0.01)


def test_figures_of_a_point():
    point = solve(rig().machine, 0.8)
    assert point.throttle == pytest.approx(0.8, rel=1e-12)
    assert point.thrust == pytest.approx(1600.0, rel=1e-12)
    assert point.mixture_ratio == pytest.approx(1.2, rel=1e-12)
    assert point.total_flow == pytest.approx(point.legs["fuel"].flow * 2.2, rel=1e-12)
    leg = point.legs["oxidizer"]
    assert point.authority("oxidizer") == leg.valve_drop / (leg.tank - point.chamber_pressure)
    assert point.injector_stiffness("oxidizer") == (leg.manifold - point.chamber_pressure) / point.chamber_pressure
    # Droop: the tank stands lower by the flow's share of it.
    machine = rig().machine.legs["oxidizer"]
    fall = machine.tank_droop * leg.flow / machine.reference_flow
    assert leg.tank == pytest.approx(machine.tank_pressure - fall, rel=1e-12)


def test_full_thrust_is_at_the_stated_chamber_pressure():
    assert pressure_for_thrust(rig().machine, 1.0) == pytest.approx(15e5, rel=1e-9)
