"""Valve sizing across every border of regime: choking, Reynolds number, gas expansion, with and without reducers.

Monotone, continuous in value, and each inverse undoes its law, for any valve that the functions accept.
"""

from __future__ import annotations

import inspect
import math
from itertools import pairwise

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from valvectl.parts import characteristic, flow_coefficients, valve, valve_fitted, valve_gas
from valvectl.parts.valve_sizing import (
    FittedValve,
    LiquidService,
    liquid_flow,
    outlet_pressure_at_flow,
    required_inlet_pressure,
    required_kv,
)

FEW = settings(max_examples=150, deadline=None)


def between(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


def spread(low: float, high: float) -> st.SearchStrategy[float]:
    """Positive numbers, evenly in the logarithm."""
    return between(math.log10(low), math.log10(high)).map(lambda x: 10.0**x)


@st.composite
def fitted(draw: st.DrawFn) -> tuple[float, FittedValve]:
    """Kv and a valve: half of them between reducers, the coefficient from a needle's to a full bore's."""
    size = draw(spread(0.004, 0.2))
    kv = draw(spread(1e-4, 0.06)) * (1e3 * size) ** 2
    widths = draw(st.sampled_from(["plain", "reducers", "before", "behind"]))
    before = size * (draw(between(1.0, 3.0)) if widths in ("reducers", "before") else 1.0)
    behind = size * (draw(between(1.0, 3.0)) if widths in ("reducers", "behind") else 1.0)
    made = FittedValve(draw(between(0.3, 1.0)), size, before, behind, draw(between(0.05, 1.0)), kv)
    assume(1.0 + made.losses[0] / valve_fitted.N2 * (kv / (1e3 * size) ** 2) ** 2 > 1.05 * valve.LEAST_FP_TERM)
    return kv, made


@st.composite
def liquids(draw: st.DrawFn, viscous: bool | None = None) -> LiquidService:
    thick = draw(st.booleans()) if viscous is None else viscous
    viscosity = draw(spread(1e-5, 10.0)) if thick else 0.0
    return LiquidService(draw(between(60.0, 1500.0)), draw(between(0.0, 2e5)), draw(between(0.7, 0.96)), viscosity)


INLET = between(5e5, 1e7)
SHARE = between(0.0, 0.999)
MORE = between(1e-6, 2.0)
TINY = 1.0 + 1e-12

# ------------------------------------------------------------------------------------------------------------- liquid


@FEW
@given(fitted(), liquids(), INLET, SHARE, MORE)
def test_flow_is_monotone_in_both_pressures(case, service, p1, share, more):
    kv, made = case
    p2 = share * p1
    flow = liquid_flow(kv, made, service, p1, p2).flow
    assert flow > 0.0
    assert liquid_flow(kv, made, service, p1 * (1.0 + more), p2).flow * TINY >= flow
    assert liquid_flow(kv, made, service, p1, p2 / (1.0 + more)).flow * TINY >= flow


@FEW
@given(fitted(), liquids(), INLET)
def test_flow_is_continuous_where_it_chokes(case, service, p1):
    kv, made = case
    choked = liquid_flow(kv, made, service, p1, 0.0)
    assume(choked.choked and choked.choked_drop < 0.999 * p1)
    border = p1 - choked.choked_drop
    above, below = (liquid_flow(kv, made, service, p1, border * (1.0 + s)) for s in (1e-9, -1e-9))
    assert above.flow == pytest.approx(choked.flow, rel=1e-9 + 2e-9 * border / choked.choked_drop)
    assert below.flow == pytest.approx(choked.flow, rel=1e-12)
    assert below.choked


@FEW
@given(fitted(), INLET, SHARE, spread(1e-5, 10.0))
def test_flow_is_continuous_and_falls_with_viscosity(case, p1, share, viscosity):
    kv, made = case
    flows = [
        liquid_flow(kv, made, LiquidService(900.0, 1e3, 0.9, viscosity * factor), p1, share * p1).flow
        for factor in (1.0, 1.0 + 1e-9, 1.01, 2.0)
    ]
    assert flows[1] == pytest.approx(flows[0], rel=1e-8)
    assert all(b <= a * TINY for a, b in pairwise(flows))


@FEW
@given(between(0.2, 1.0), between(1.0, 10.0), spread(1e-4, 1e6))
def test_reynolds_factor_is_continuous_rises_and_never_faster_than_the_root(fl, n, reynolds):
    here = valve_fitted.reynolds_factor(reynolds, fl, n)
    assert 0.0 < here <= 1.0
    for factor in (1.0 + 1e-9, 1.001, 2.0, 100.0):
        there = valve_fitted.reynolds_factor(reynolds * factor, fl, n)
        assert here <= there * TINY
        assert there <= here * math.sqrt(factor) * TINY


@FEW
@given(between(0.2, 1.0), between(1.0, 10.0), st.sampled_from([10.0, 1e4]))
def test_reynolds_factor_has_no_step_at_the_standards_borders(fl, n, border):
    low, high = (valve_fitted.reynolds_factor(border * (1.0 + s), fl, n) for s in (-1e-9, 1e-9))
    assert high == pytest.approx(low, rel=3e-9)
    assert border < 1e4 or high == 1.0


@FEW
@given(fitted(), INLET, SHARE, between(1.0, 3.0))
def test_turbulent_flow_rises_with_the_coefficient(case, p1, share, wider):
    kv, made = case
    service = LiquidService(1000.0, 2e3, 0.95)
    assume(1.0 + made.losses[0] / valve_fitted.N2 * (wider * kv / (1e3 * made.size) ** 2) ** 2 > valve.LEAST_FP_TERM)
    flow = liquid_flow(kv, made, service, p1, share * p1).flow
    assert liquid_flow(kv * wider, made, service, p1, share * p1).flow * TINY >= flow


@FEW
@given(spread(1e-4, 0.0069), between(0.3, 1.0), spread(1e-4, 10.0), SHARE, between(1.0, 2.0))
def test_reduced_trim_flow_rises_with_the_coefficient_at_any_viscosity(ratio, fl, viscosity, share, wider):
    """Full-size trim is left out: its laminar formula falls with Kv, see ``required_kv``."""
    made = FittedValve(fl, 0.02, 0.02, 0.02, 0.46)
    service = LiquidService(900.0, 1e3, 0.9, viscosity)
    flow = liquid_flow(ratio * 400.0, made, service, 1e6, share * 1e6).flow
    assert liquid_flow(wider * ratio * 400.0, made, service, 1e6, share * 1e6).flow * TINY >= flow


@FEW
@given(fitted(), liquids(), INLET, SHARE)
def test_inlet_pressure_undoes_the_flow(case, service, p1, share):
    kv, made = case
    flow = liquid_flow(kv, made, service, p1, share * p1).flow
    assert required_inlet_pressure(flow, kv, made, service, share * p1) == pytest.approx(p1, rel=1e-10)


@FEW
@given(fitted(), liquids(), INLET, SHARE)
def test_outlet_pressure_undoes_the_flow_away_from_the_plateau_only(case, service, p1, share):
    kv, made = case
    p2 = share * p1
    at = liquid_flow(kv, made, service, p1, p2)
    answer = outlet_pressure_at_flow(at.flow, kv, made, service, p1)
    if at.choked:
        assert answer.state == "undetermined"
        assert answer.pressure is None
        assert answer.highest is not None
        assert answer.highest >= p2 * (1.0 - 1e-9)
    else:
        assume(at.flow < 0.999999 * answer.largest_flow)
        assert answer.state == "determined"
        assert answer.pressure == pytest.approx(p2, abs=1e-10 * p1)
    assert outlet_pressure_at_flow(1.001 * answer.largest_flow, kv, made, service, p1).state == "impossible"


@FEW
@given(fitted(), INLET, SHARE)
def test_coefficient_undoes_the_flow_when_turbulent(case, p1, share):
    kv, made = case
    service = LiquidService(1000.0, 2e3, 0.95)
    flow = liquid_flow(kv, made, service, p1, share * p1).flow
    # Where the reducers take nearly all of the drop the coefficient hardly matters and rounding is blown up.
    sum_k, inlet_k = made.losses
    assume(valve.piping_factor(kv, made.size, sum_k) > 0.1)
    got = required_kv(flow, made, service, p1, share * p1)
    assert got.kv == pytest.approx(kv, rel=1e-10)
    assert got.at.flow == pytest.approx(flow, rel=1e-10)


@FEW
@given(spread(1e-4, 0.0138), between(0.3, 1.0), spread(1e-4, 10.0), SHARE, between(1.0, 2.0))
def test_coefficient_undoes_the_flow_in_reduced_trim_at_any_viscosity(ratio, fl, viscosity, share, wide):
    made = FittedValve(fl, 0.02, 0.02 * wide, 0.02, 0.46, 0.01 * 400.0)
    service = LiquidService(900.0, 1e3, 0.9, viscosity)
    flow = liquid_flow(ratio * 400.0, made, service, 1e6, share * 1e6).flow
    assert required_kv(flow, made, service, 1e6, share * 1e6).kv == pytest.approx(ratio * 400.0, rel=1e-10)


@FEW
@given(fitted(), liquids(viscous=True), INLET, SHARE)
def test_a_coefficient_that_is_returned_passes_the_flow(case, service, p1, share):
    """Full-size trim too, where another Kv may pass the same flow."""
    kv, made = case
    flow = liquid_flow(kv, made, service, p1, share * p1).flow
    got = required_kv(flow, made, service, p1, share * p1)
    assert got.kv <= kv * (1.0 + 1e-6)
    assert got.at.flow == pytest.approx(flow, rel=1e-9)


@FEW
@given(fitted(), INLET, SHARE, between(0.001, 0.1), between(0.001, 0.1))
def test_uncertainty_is_the_flows_own_sensitivity(case, p1, share, of_kv, of_fl):
    kv, made = case
    service = LiquidService(1000.0, 2e3, 0.95)
    at, step = liquid_flow(kv, made, service, p1, share * p1), 1e-6
    limit = (p1 - share * p1) / at.choked_drop
    assume(abs(limit - 1.0) > 1e-4)

    def flow(kv: float, fl: float) -> float:
        other = FittedValve(fl, made.size, made.pipe_before, made.pipe_behind)
        return liquid_flow(kv, other, service, p1, share * p1).flow

    by_kv = math.log(flow(kv * math.exp(step), made.fl) / flow(kv * math.exp(-step), made.fl)) / (2.0 * step)
    by_fl = math.log(flow(kv, made.fl) / flow(kv, made.fl * math.exp(-step))) / step
    expected = math.hypot(by_kv * of_kv, by_fl * of_fl)
    got = valve_fitted.relative_flow_uncertainty(of_kv, of_fl, at.choked, at.fp, at.flp / made.fl)
    assert got == pytest.approx(expected, rel=1e-4)


# ---------------------------------------------------------------------------------------------------------------- gas

XT = between(0.1, 0.84)
GASES = st.sampled_from([valve_gas.HELIUM, valve_gas.NITROGEN, valve_gas.Gas(44.01e-3, 1.30, 433.0, 0.988)]).map(
    lambda gas: valve_gas.Gas(gas.molar_mass, gas.gamma, gas.temperature, gas.z)
)


@FEW
@given(fitted(), XT, GASES, INLET, SHARE, MORE)
def test_gas_flow_is_monotone_in_pressures_and_coefficient(case, xt, gas, p1, share, more):
    kv, made = case
    p2 = share * p1
    flow = valve_gas.gas_flow(kv, xt, made, gas, p1, p2).flow
    assert valve_gas.gas_flow(kv, xt, made, gas, p1 * (1.0 + more), p2).flow * TINY >= flow
    assert valve_gas.gas_flow(kv, xt, made, gas, p1, p2 / (1.0 + more)).flow * TINY >= flow
    assert flow * TINY >= valve_gas.gas_flow(kv / (1.0 + more), xt, made, gas, p1, p2).flow


@FEW
@given(fitted(), XT, GASES, INLET)
def test_gas_flow_is_continuous_and_flat_where_it_chokes(case, xt, gas, p1):
    kv, made = case
    at = valve_gas.gas_flow(kv, xt, made, gas, p1, 0.5 * p1)
    assume(at.x_choked < 0.99)
    border = p1 * (1.0 - at.x_choked)
    above, below = (valve_gas.gas_flow(kv, xt, made, gas, p1, border + s * p1) for s in (1e-7, -1e-7))
    assert above.flow == pytest.approx(below.flow, rel=1e-9)
    assert below.choked
    assert not above.choked
    assert below.y == pytest.approx(2.0 / 3.0, rel=1e-12)
    assert below.flow == pytest.approx(valve_gas.gas_flow(kv, xt, made, gas, p1, 0.0).flow, rel=1e-12)


@FEW
@given(fitted(), XT, GASES, INLET, between(0.001, 0.99))
def test_gas_inverses_undo_the_flow(case, xt, gas, p1, share):
    kv, made = case
    p2 = share * p1
    at = valve_gas.gas_flow(kv, xt, made, gas, p1, p2)
    assert valve_gas.required_inlet_pressure(at.flow, kv, xt, made, gas, p2) == pytest.approx(p1, rel=1e-10)
    if valve.piping_factor(kv, made.size, made.losses[0]) > 0.1:
        assert valve_gas.required_kv(at.flow, xt, made, gas, p1, p2)[0] == pytest.approx(kv, rel=1e-10)
    answer = valve_gas.outlet_pressure_at_flow(at.flow, kv, xt, made, gas, p1)
    if at.choked:
        assert answer.state == "undetermined"
        assert answer.pressure is None
    elif at.x < 0.95 * at.x_choked:
        # Closer to the plateau the flow is flat in p2, so that its last digits no longer tell p2 to 1e-10.
        assert answer.pressure == pytest.approx(p2, abs=1e-10 * p1)


@FEW
@given(fitted(), GASES, INLET, between(1e-8, 1e-6))
def test_gas_at_a_small_drop_is_a_liquid_of_the_inlets_density(case, gas, p1, x):
    kv, made = case
    liquid = LiquidService(valve_gas.gas_density(p1, gas.temperature, gas.molar_mass, gas.z), 0.0, 0.96)
    p2 = p1 * (1.0 - x)
    expected = liquid_flow(kv, made, liquid, p1, p2).flow
    assert valve_gas.gas_flow(kv, 0.7, made, gas, p1, p2).flow == pytest.approx(expected, rel=2.0 * x / 0.1)


# ------------------------------------------------------------------------------------------------------------ geometry


@FEW
@given(between(1.42, 4.0), between(0.0, 0.5 * math.pi), between(0.0, 0.2))
def test_ball_window_rises_from_shut_to_one(ratio, opening, more):
    share = characteristic.ball_window(opening, 1.0, ratio)
    assert 0.0 <= share <= 1.0 + 1e-12
    assert characteristic.ball_window(min(opening + more, 0.5 * math.pi), 1.0, ratio) >= share - 1e-12
    if opening <= characteristic.ball_shut_opening(1.0, ratio):
        assert share == 0.0
    assert characteristic.ball_window(0.5 * math.pi, 1.0, ratio) == pytest.approx(1.0, rel=1e-12)


@FEW
@given(between(0.1, 0.78), between(0.1, 2.6), between(0.0, 2.0), between(0.0, 0.3))
def test_v_window_rises_with_turn_and_with_the_angle_of_the_v(half, included, advance, more):
    share = characteristic.v_window(advance, included, half)
    assert 0.0 <= share <= 1.0
    assert characteristic.v_window(advance + more, included, half) >= share - 1e-9
    assert characteristic.v_window(advance, included + more, half) >= share - 1e-9


# ------------------------------------------------------------------------------------------------------------ compiled

LAWS = [
    valve_fitted.trim_constant,
    valve_fitted.reynolds_factor,
    valve_fitted.passing_kv,
    valve_fitted.bare_kv,
    valve_fitted.factor_at_flow,
    valve_fitted.branch_flow,
    valve_fitted.relative_flow_uncertainty,
    valve_gas.gas_density,
    valve_gas.fitted_xt,
    valve_gas.expansion_factor,
    valve_gas.gas_mass_flow,
    valve_gas.ratio_at_share,
    characteristic.equal_percentage,
    characteristic.linear,
    characteristic.quick_opening,
    characteristic.ball_shut_opening,
    characteristic.ball_window,
    characteristic.v_window,
    characteristic.contraction,
    flow_coefficients.kv_to_k,
    flow_coefficients.k_to_kv,
]
VALUES = {
    "kv": 2.0, "fl": 0.8, "fd": 0.9, "d": 0.025, "pipe": 0.04, "sum_k": 0.6, "inlet_k": 0.9, "rho": 900.0, "mu": 0.05,
    "reynolds": 900.0, "n": 3.0, "head": 3e5, "flow": 1.5, "fr": 0.7, "passing": 1.5, "xt": 0.7, "gamma": 1.4, "p1": 1e6,
    "p2": 7e5, "rho1": 11.0, "p": 1e6, "temperature": 300.0, "molar_mass": 0.028, "z": 1.0, "x": 0.3, "x_choked": 0.6,
    "share": 0.6, "travel": 0.4, "rangeability": 50.0, "opening": 0.8, "bore": 0.01, "ball": 0.015, "advance": 0.5,
    "included_angle": 1.0, "half_angle": 0.6, "k": 2.0, "kv_uncertainty": 0.02, "fl_uncertainty": 0.05, "fp": 0.95,
    "flp_over_fl": 0.9, "full_trim": False, "choking": True, "choked": True,
}  # fmt: skip


def test_every_law_compiles_and_gives_the_same():
    from numba import njit
    from numba.extending import register_jitable

    inner = [valve.combined_recovery_factor, valve.piping_factor, valve.valve_reynolds, valve_gas.specific_heat_factor]
    for law in (*inner, *LAWS):
        register_jitable(law)
    for law in LAWS:
        given_values = [VALUES[name] for name in inspect.signature(law).parameters]
        assert njit(law)(*given_values) == pytest.approx(law(*given_values), rel=1e-12), law.__name__
