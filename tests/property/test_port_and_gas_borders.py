"""Borders of regime that a port and a gas hole cross: laminar to turbulent, free to choked, with and without reducers.

Round trips between flow, pressure and coefficient; monotone and continuous across each border; undetermined on the plateau.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from valvectl.parts import flow_coefficients, gas_orifice, valve, valve_fitted
from valvectl.parts.valve_sizing import FittedValve, LiquidService, liquid_flow, outlet_pressure_at_flow
from valvectl.plant.port_curve import Shape, shape_curve

FEW = settings(max_examples=120, deadline=None)
TINY = 1.0 + 1e-12


def between(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


def spread(low: float, high: float) -> st.SearchStrategy[float]:
    """Positive numbers, evenly in the logarithm."""
    return between(math.log10(low), math.log10(high)).map(lambda x: 10.0**x)


# --------------------------------------------------------------------------------------------------------- coefficients

BORE, COEFFICIENT = spread(1e-3, 0.3), spread(1e-4, 1e3)


@FEW
@given(COEFFICIENT, BORE)
def test_coefficients_go_round(kv, bore):
    assert flow_coefficients.k_to_kv(flow_coefficients.kv_to_k(kv, bore), bore) == pytest.approx(kv, rel=1e-12)
    assert flow_coefficients.cda_to_kv(flow_coefficients.kv_to_cda(kv)) == pytest.approx(kv, rel=1e-12)
    # The same flow by each of them, water at one bar.
    rho, drop = 999.1, 1e5
    flow = kv / 3600.0
    assert valve.KV_TO_C * kv * math.sqrt(drop / rho) == pytest.approx(flow, rel=1e-12)
    assert flow_coefficients.kv_to_cda(kv) * math.sqrt(2.0 * drop / rho) == pytest.approx(flow, rel=1e-12)
    speed = flow / (0.25 * math.pi * bore**2)
    assert flow_coefficients.kv_to_k(kv, bore) * 0.5 * rho * speed**2 == pytest.approx(drop, rel=1e-10)


@FEW
@given(spread(1e-4, 0.06), between(0.3, 1.0), between(1.0, 3.0), between(1.0, 3.0), st.booleans())
def test_bare_coefficient_undoes_the_fittings(ratio, fl, before, behind, choking):
    size = 0.02
    kv = ratio * 400.0
    sum_k, inlet_k = valve.reducer_losses(size, before * size, behind * size)
    assume(1.0 + sum_k / valve_fitted.N2 * ratio**2 > valve.LEAST_FP_TERM)
    passing = valve_fitted.passing_kv(kv, 1.0, fl, size, sum_k, inlet_k, choking)
    assume(passing > 0.1 * kv)  # below, the fittings take nearly all and rounding is blown up
    assert valve_fitted.bare_kv(passing, fl, size, sum_k, inlet_k, choking) == pytest.approx(kv, rel=1e-10)


# --------------------------------------------------------------------------------------------------------------- liquid


@FEW
@given(spread(1e-4, 0.0138), between(0.3, 1.0), spread(1e-4, 10.0), between(0.1, 1.0))
def test_flow_goes_between_root_and_line_through_every_reynolds_number(ratio, fl, viscosity, fd):
    """Turbulent flow goes with the root of the drop, laminar flow with the drop: no step and no dip between them."""
    made = FittedValve(fl, 0.02, 0.02, 0.02, fd, 0.46)
    service = LiquidService(900.0, 0.0, 0.96, viscosity)
    drops = np.geomspace(1.0, 5e5, 160)
    flows = [liquid_flow(ratio * 400.0, made, service, 1e8, 1e8 - d).flow for d in drops]
    growth = drops[1] / drops[0]
    for low, high in pairwise(flows):
        assert high >= low * math.sqrt(growth) * (1.0 - 1e-6)
        assert high <= low * growth * (1.0 + 1e-6)


@FEW
@given(spread(1e-4, 0.0138), between(0.3, 1.0), spread(1e-4, 0.5), between(0.0, 0.999), between(1e-9, 1e-7))
def test_reducers_vanish_without_a_step(ratio, fl, viscosity, share, wider):
    service = LiquidService(900.0, 2e3, 0.93, viscosity)
    flows = [
        liquid_flow(ratio * 400.0, FittedValve(fl, 0.02, 0.02 * w, 0.02 * w, 1.0, 0.46), service, 1e6, share * 1e6).flow
        for w in (1.0, 1.0 + wider)
    ]
    assert flows[1] == pytest.approx(flows[0], rel=50.0 * wider)


@FEW
@given(spread(1e-3, 0.0138), between(0.3, 0.95), st.sampled_from([0.0, 1e-3, 0.05]), between(1.0, 2.0))
def test_the_plateau_begins_where_the_flow_stops_rising(ratio, fl, viscosity, wide):
    made = FittedValve(fl, 0.02, 0.02 * wide, 0.02 * wide, 1.0, 0.46)
    service = LiquidService(900.0, 2e4, 0.93, viscosity)
    kv, p1 = ratio * 400.0, 1e6
    edge = p1 - liquid_flow(kv, made, service, p1, 0.0).choked_drop
    assume(0.0 < edge < p1)
    most = liquid_flow(kv, made, service, p1, 0.0).flow
    at_edge = outlet_pressure_at_flow(most, kv, made, service, p1)
    assert at_edge.state == "undetermined"
    assert at_edge.pressure is None
    assert "undetermined on the choked plateau" in at_edge.sentence
    assert at_edge.highest == pytest.approx(edge, rel=1e-9)
    p2 = p1 - 0.9 * (p1 - edge)
    free = liquid_flow(kv, made, service, p1, p2).flow
    back = outlet_pressure_at_flow(free, kv, made, service, p1)
    assert back.state == "determined"
    assert back.pressure == pytest.approx(p2, abs=1e-10 * p1)


# ------------------------------------------------------------------------------------------------------------ gas, hole

GAMMA, RHO, CDA, INLET = between(1.05, 1.7), spread(0.05, 200.0), spread(1e-8, 1e-3), spread(1e4, 5e7)


@FEW
@given(CDA, GAMMA, INLET, between(0.0, 0.9999), RHO, between(1e-6, 2.0))
def test_hole_flow_is_monotone(cda, gamma, p1, share, rho, more):
    p2 = share * p1
    flow = gas_orifice.orifice_gas_flow(cda, gamma, p1, p2, rho)
    assert flow > 0.0
    # The density before goes with the pressure before.
    assert gas_orifice.orifice_gas_flow(cda, gamma, p1 * (1.0 + more), p2, rho * (1.0 + more)) * TINY >= flow
    assert gas_orifice.orifice_gas_flow(cda, gamma, p1, p2 / (1.0 + more), rho) * TINY >= flow
    assert gas_orifice.orifice_gas_flow(cda * (1.0 + more), gamma, p1, p2, rho) >= flow
    assert gas_orifice.orifice_gas_flow(cda, gamma, p2, p1, rho) == 0.0


@FEW
@given(CDA, GAMMA, INLET, RHO)
def test_hole_flow_is_continuous_and_level_where_it_chokes(cda, gamma, p1, rho):
    edge = gas_orifice.critical_ratio(gamma) * p1
    above, at, below, none = (
        gas_orifice.orifice_gas_flow(cda, gamma, p1, p, rho) for p in (edge * 1.000001, edge, 0.5 * edge, 0.0)
    )
    assert at == pytest.approx(below, rel=1e-12)
    assert below == none
    # Level: the flow leaves the plateau with a slope of zero.
    assert above == pytest.approx(at, rel=1e-10)


@FEW
@given(CDA, GAMMA, INLET, RHO, between(0.0, 0.9999))
def test_hole_round_trips(cda, gamma, p1, rho, share):
    flow = gas_orifice.orifice_gas_flow(cda, gamma, p1, share * p1, rho)
    assert gas_orifice.orifice_cda(flow, gamma, p1, share * p1, rho) == pytest.approx(cda, rel=1e-12)
    ratio = gas_orifice.orifice_ratio(flow, cda, gamma, p1, rho)
    edge = gas_orifice.critical_ratio(gamma)
    if share <= edge:
        assert math.isnan(ratio)  # undetermined: every lower pressure gives this flow
    elif share > edge + 0.05:
        # Nearer to the edge the flow is level, so that its last digits no longer tell the ratio to 1e-10.
        assert ratio == pytest.approx(share, abs=1e-10)


@FEW
@given(CDA, GAMMA, INLET, RHO, between(1e-9, 1e-6))
def test_hole_flow_at_a_small_drop_is_that_of_a_liquid(cda, gamma, p1, rho, drop):
    expected = cda * math.sqrt(2.0 * rho * drop * p1)
    # 1 - drop is rounded at 1e-16, so that a drop of 1e-9 is known to 1e-7.
    assert gas_orifice.orifice_gas_flow(cda, gamma, p1, p1 * (1.0 - drop), rho) == pytest.approx(expected, rel=2e-6)


def test_hole_laws_compile_and_give_the_same():
    from numba import njit
    from numba.extending import register_jitable

    register_jitable(gas_orifice.critical_ratio)
    flow = register_jitable(gas_orifice.orifice_gas_flow)
    arguments = (2e-6, 1.4, 2e6, 5e5, 23.0)
    assert njit(gas_orifice.orifice_gas_flow)(*arguments) == pytest.approx(flow(*arguments), rel=1e-15)
    assert njit(gas_orifice.sound_speed)(1.4, 2e6, 23.0) == gas_orifice.sound_speed(1.4, 2e6, 23.0)


# ---------------------------------------------------------------------------------------------------------------- ports


@st.composite
def shapes(draw: st.DrawFn) -> Shape:
    """Any shape with sizes that the design file accepts."""
    kind = draw(st.sampled_from(["cock", "round", "v", "equal percentage", "linear", "quick opening"]))
    bore = draw(spread(0.002, 0.05))
    if kind == "cock":
        return Shape("cock", bore=bore)
    if kind == "round":
        return Shape("round", bore=bore, ball=bore * draw(between(1.42, 3.0)), open_loss=draw(spread(0.01, 10.0)))
    dead, opened = draw(between(0.0, 0.4)), draw(between(0.8, 1.6))
    if kind == "v":
        ball = bore * draw(between(1.05, 3.0))
        loss, angle = draw(spread(0.01, 10.0)), draw(between(0.09, 2.6))
        return Shape("v", bore, ball, loss, included_angle=angle, dead_band=dead, opened=opened)
    rated, span = draw(spread(1e-3, 30.0)), draw(between(1.5, 500.0))
    return Shape(kind, bore, kv=rated, rangeability=span, dead_band=dead, opened=opened)


@FEW
@given(shapes())
def test_every_shape_rises_from_nothing_and_says_where_it_holds(shape):
    curve = shape_curve(shape)
    assert curve.kv[0] == 0.0
    assert curve.kv[1] > 0.0
    assert all(b >= a for a, b in pairwise(curve.kv))
    assert all(math.isfinite(k) for k in curve.kv)
    assert curve.angle[0] >= shape.dead_band * (1.0 - 1e-12)
    assert curve.validity
    if shape.kv:
        assert curve.rated_kv == pytest.approx(shape.kv, rel=1e-12)


@FEW
@given(shapes(), spread(0.3, 3.0))
def test_like_shapes_scale_with_the_bore_squared(shape, factor):
    import dataclasses

    larger = dataclasses.replace(shape, bore=shape.bore * factor, ball=shape.ball * factor, kv=shape.kv * factor**2)
    small, large = shape_curve(shape), shape_curve(larger)
    np.testing.assert_allclose(large.angle, small.angle, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(large.kv, np.array(small.kv) * factor**2, rtol=1e-6, atol=1e-12)
