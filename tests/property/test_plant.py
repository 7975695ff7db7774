"""Properties of the steady balance and of the linear engine over the throttle range and the mixture ratio."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mover import Mover

import valvectl
from valvectl.design.schema import LEGS
from valvectl.parts import chamber, injector, lookup, valve
from valvectl.plant.balance import angle_for_flow, balance, coefficient, leg_flow, solve
from valvectl.plant.linear import engine_model
from valvectl.plant.machine import Machine

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
throttles = st.floats(0.4, 1.0)
ratios = st.floats(0.9, 1.5)


@cache
def machine() -> Machine:
    """The rig with tanks at 30 bar: at those of its file the fuel leg gives no full thrust at a mixture ratio of 0.9."""
    design = valvectl.load(RIG)
    return design.with_values({f"legs.{name}.tank.pressure": 30e5 for name in LEGS}).machine


@settings(max_examples=60, deadline=None)
@given(throttles, ratios)
def test_round_trip(throttle, ratio):
    """Angles from thrust and mixture ratio give the same thrust, mixture ratio, flows and pressures."""
    wanted = solve(machine(), throttle, ratio)
    found = balance(machine(), wanted.legs["oxidizer"].angle, wanted.legs["fuel"].angle)
    assert found.throttle == pytest.approx(throttle, rel=1e-9)
    assert found.mixture_ratio == pytest.approx(ratio, rel=1e-9)
    assert found.chamber_pressure == pytest.approx(wanted.chamber_pressure, rel=1e-9)
    for name in LEGS:
        assert found.legs[name].flow == pytest.approx(wanted.legs[name].flow, rel=1e-9)
        assert found.legs[name].valve_outlet == pytest.approx(wanted.legs[name].valve_outlet, rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.floats(math.radians(35.0), math.radians(85.0)), st.floats(math.radians(35.0), math.radians(85.0)))
def test_round_trip_from_angles(oxidizer, fuel):
    """The other way round, where the mixture ratio lies in the range of the c* grid."""
    point = balance(machine(), oxidizer, fuel)
    if not 0.5 < point.mixture_ratio < 2.5:
        return
    again = solve(machine(), point.throttle, point.mixture_ratio)
    assert again.legs["oxidizer"].angle == pytest.approx(oxidizer, abs=1e-8)
    assert again.legs["fuel"].angle == pytest.approx(fuel, abs=1e-8)


@settings(max_examples=60, deadline=None)
@given(throttles, ratios)
def test_conservation_and_ladder(throttle, ratio):
    """What the legs pass is what the chamber burns and the stations pass, and pressure falls from station to station."""
    m = machine()
    point = solve(m, throttle, ratio)
    pc = point.chamber_pressure
    o, f = point.legs["oxidizer"].flow, point.legs["fuel"].flow
    assert point.total_flow == o + f
    assert o / f == pytest.approx(ratio, rel=1e-12)
    assert chamber.steady_chamber_pressure(o + f, m.c_star_at(ratio, pc), m.throat_area) == pytest.approx(pc, rel=1e-11)
    for name in LEGS:
        leg, at = m.legs[name], point.legs[name]
        assert leg.tank_pressure >= at.tank > 0.0
        assert at.tank + leg.head > at.valve_inlet > at.valve_outlet >= at.manifold > pc
        drops = (
            lookup.lookup(leg.up_loss, 0.0, leg.loss_per_step, at.flow) * at.flow**2
            + at.valve_drop
            + lookup.lookup(leg.down_loss, 0.0, leg.loss_per_step, at.flow) * at.flow**2
            + injector.injector_drop(leg.cda, leg.liquid.density, at.flow)
        )
        assert at.tank + leg.head - drops == pytest.approx(pc, rel=1e-12)
        # Each station by its own law passes the leg's flow.
        c, fl = coefficient(leg, at.angle)
        through = valve.valve_flow(
            c, fl, leg.liquid.density, at.valve_inlet, at.valve_outlet, leg.ff, leg.liquid.vapour_pressure
        )
        assert through == pytest.approx(at.flow, rel=1e-9)
        orifice = leg.cda * math.sqrt(2.0 * leg.liquid.density * (at.manifold - pc))
        assert orifice == pytest.approx(at.flow, rel=1e-12)
        assert 0.0 < point.authority(name) < 1.0
        assert point.injector_stiffness(name) == pytest.approx((at.manifold - pc) / pc)


@settings(max_examples=40, deadline=None)
@given(throttles, st.sampled_from(LEGS), st.floats(0.2, 0.9))
def test_choked_leg(throttle, name, vapour_share):
    """Near boiling the valve chokes: flow then does not know the chamber, and the inverse still finds the angle."""
    m = machine()
    point = solve(m, throttle)
    at = point.legs[name]
    hot = replace(m.legs[name].liquid, vapour_pressure=vapour_share * at.valve_inlet)
    leg = replace(m.legs[name], liquid=hot)
    flow = leg_flow(leg, at.angle, point.chamber_pressure)
    c, fl = coefficient(leg, at.angle)
    limit = fl * c * math.sqrt(leg.liquid.density * max(at.valve_inlet - leg.ff * hot.vapour_pressure, 0.0))
    if limit >= at.flow:  # vapour pressure too low to choke
        assert flow == pytest.approx(at.flow, rel=1e-9)
        return
    assert flow < at.flow
    assert leg_flow(leg, at.angle, 0.97 * point.chamber_pressure) == pytest.approx(flow, rel=1e-10)
    assert angle_for_flow(leg, flow, point.chamber_pressure) == pytest.approx(at.angle, abs=1e-8)
    changed = replace(m, legs={**m.legs, name: leg})
    angles = {n: p.angle for n, p in point.legs.items()}
    found = balance(changed, angles["oxidizer"], angles["fuel"])
    assert found.legs[name].choked
    assert engine_model(changed, found).slopes[name].coupling == 0.0


@settings(max_examples=40, deadline=None)
@given(throttles, st.sampled_from(LEGS))
def test_flow_rises_with_opening_and_falls_with_chamber_pressure(throttle, name):
    m = machine()
    point = solve(m, throttle)
    leg, at = m.legs[name], point.legs[name]
    flows = [leg_flow(leg, at.angle + d, point.chamber_pressure) for d in (-0.1, -0.01, 0.0, 0.01, 0.1)]
    assert all(b > a for a, b in pairwise(flows))
    flows = [leg_flow(leg, at.angle, share * point.chamber_pressure) for share in (0.8, 0.9, 1.0, 1.1)]
    assert all(b < a for a, b in pairwise(flows))
    assert leg_flow(leg, at.angle, 2.0 * at.tank) == 0.0


@settings(max_examples=30, deadline=None)
@given(throttles, ratios)
def test_linear_engine_at_rest(throttle, ratio):
    """Response at zero frequency is real and equals the state space's gain; both signs are as physics has it."""
    m = machine()
    model = engine_model(m, solve(m, throttle, ratio))
    response, pressure = model.response(np.zeros(1))
    system = model.state_space()
    gain = np.real(np.asarray(system.dcgain()))
    for k, name in enumerate(LEGS):
        assert response[name][0].imag == 0.0
        assert model.static_ratio_sensitivity(name) == response[name][0].real
        assert gain[0, k] == pytest.approx(response[name][0].real, rel=1e-9)
        assert gain[1, k] == pytest.approx(pressure[k, 0].real, rel=1e-9)
    assert response["oxidizer"][0].real > 0.0 > response["fuel"][0].real
    assert sum(model.weights.values()) == pytest.approx(1.0)


@settings(max_examples=150, deadline=None)
@given(
    st.floats(0.5, 5.0), st.floats(0.3, 5.0), st.floats(0.3, 2.0), st.floats(2.0, 20.0), st.floats(5.0, 40.0),
    st.floats(0.0, 0.8), st.floats(0.05, 2.0), st.floats(0.5, 50.0), st.floats(0.01, 2.0), st.floats(1.01, 3.0),
)  # fmt: skip
def test_moves_are_monotone(torque, back, resistance, current, voltage, load, inertia, speed, angle, factor):
    """A longer way takes longer; more voltage, current or speed limit never does; more load or inertia always does."""
    strongest = torque * min(current, voltage / resistance)
    mover = Mover(torque, back, resistance, current, voltage, load * strongest, inertia, speed)
    time = mover.move_time(angle)
    if not mover.can_move:
        assert time == math.inf
        return
    assert time > 0.0
    assert mover.move_time(0.0) == 0.0
    assert mover.move_time(factor * angle) > time
    slack = time * (1.0 + 1e-7)  # cruise is at a hair below the final speed
    assert replace(mover, voltage=factor * voltage).move_time(angle) <= slack
    assert replace(mover, current_limit=factor * current).move_time(angle) <= slack
    assert replace(mover, speed_limit=factor * speed).move_time(angle) <= slack
    assert replace(mover, inertia=factor * inertia).move_time(angle) > time * (1.0 - 1e-7)
