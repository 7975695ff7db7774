"""What must hold for any actuator: monotone margins, windows that hold, probabilities that are ones, fronts that are fronts."""

from __future__ import annotations

import dataclasses

import numpy as np
from actuator_case import DEMAND, numbers
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from valvectl.studies.actuator_checks import evaluate, shown
from valvectl.studies.actuator_demand import with_last_stage
from valvectl.studies.catalogue import pareto
from valvectl.studies.ratio_choice import choose
from valvectl.studies.ratio_odds import lower_bound

RATIOS = np.geomspace(4.0, 400.0, 61)
ACTUATORS = st.builds(
    lambda k, r, load, ratio, j, eta, amperes: numbers(
        1.0, torque_constant=k, resistance=r, breakaway=1.5 * load, running=load, rotor_inertia=j, efficiency=eta,
        static_efficiency=0.8 * eta, current_limit=amperes, standing_current=amperes,
    ),
    st.floats(0.01, 0.2),
    st.floats(0.05, 3.0),
    st.just(0.0) | st.floats(1e-3, 20.0),  # no friction, or one that a valve can have
    st.floats(1.0, 10.0),
    st.floats(1e-6, 1e-3),
    st.floats(0.3, 1.0),
    st.floats(1.0, 30.0),
)  # fmt: skip


def checks_of(one, demand=DEMAND):
    many = with_last_stage(one, RATIOS)
    return evaluate(demand, many, many)


@settings(max_examples=60, deadline=None)
@given(ACTUATORS)
def test_static_margin_rises_and_speeds_fall_with_the_ratio(one):
    found = {c.name: c for c in checks_of(one)}
    margin = found["static torque margin"].values
    assert np.all(np.diff(margin) > 0.0) or np.all(np.isinf(margin))
    assert np.all(np.diff(found["motor speed"].values) > 0.0)
    assert np.all(found["stroke time"].values >= DEMAND.stroke / DEMAND.speed_limit * (1.0 - 1e-9))
    assert np.all(found["bus voltage"].values * DEMAND.lockout <= DEMAND.battery)


@settings(max_examples=60, deadline=None)
@given(ACTUATORS)
def test_window_contains_the_recommendation_and_holds(one):
    checks = checks_of(one)
    choice = choose(RATIOS, 20.0, checks)
    holds = np.logical_and.reduce([c.ok for c in checks])
    assert (choice.window is None) == (not np.any(holds))
    if choice.window is not None:
        low, high = choice.window
        assert low <= choice.recommended <= high
        assert np.all(holds[(low <= RATIOS) & (high >= RATIOS)])
        assert choice.inside == (low <= 20.0 <= high)


@settings(max_examples=60, deadline=None)
@given(ACTUATORS)
def test_frugal_says_the_same_of_whether_all_hold(one):
    many = with_last_stage(one, RATIOS)
    full = np.logical_and.reduce([c.ok for c in evaluate(DEMAND, many, many)])
    frugal = np.logical_and.reduce([c.ok for c in evaluate(DEMAND, many, many, frugal=True)])
    assert np.array_equal(full, frugal)


@settings(max_examples=60, deadline=None)
@given(ACTUATORS)
def test_reserve_is_above_zero_where_a_check_holds(one):
    for check in checks_of(one):
        assert np.all(np.isfinite(check.reserve))
        assert np.array_equal(check.ok, check.reserve >= 0.0) or np.any(np.isclose(check.reserve, 0.0, atol=1e-12))


@settings(max_examples=30, deadline=None)
@given(ACTUATORS, st.floats(1.01, 3.0))
def test_a_weaker_valve_is_never_harder(one, factor):
    easier = dataclasses.replace(one, breakaway=one.breakaway / factor, running=one.running / factor)
    for hard, easy in zip(checks_of(one), checks_of(easier), strict=True):
        assert np.all(easy.ok >= hard.ok), hard.name


@settings(max_examples=30, deadline=None)
@given(ACTUATORS)
def test_an_array_is_the_same_as_one_by_one(one):
    many = with_last_stage(one, RATIOS[::20])
    together = (*evaluate(DEMAND, many, many), *shown(DEMAND, many, many))
    for j, ratio in enumerate(RATIOS[::20]):
        alone = with_last_stage(one, float(ratio))
        for whole, single in zip(
            together, (*evaluate(DEMAND, alone, alone), *shown(DEMAND, alone, alone)), strict=True
        ):
            assert np.isclose(whole.values[j], float(single.values), rtol=1e-9, equal_nan=True), whole.name


@settings(deadline=None)  # the first call imports SciPy
@given(st.integers(1, 3000), st.floats(0.0, 1.0), st.floats(0.5, 0.999))
def test_lower_bound_is_a_probability_below_the_share(samples, share, confidence):
    held = np.floor(share * samples)
    bound = float(lower_bound(np.array([held]), samples, confidence)[0])
    assert 0.0 <= bound <= held / samples or held == samples


@settings(max_examples=100, deadline=None)
@given(arrays(float, st.tuples(st.integers(1, 40), st.integers(1, 5)), elements=st.integers(0, 6).map(float)))
def test_front_is_a_front(costs):
    front = pareto(costs)
    assert np.any(front)

    def beats(a, b):
        return bool(np.all(a <= b) and np.any(a < b))

    for j, row in enumerate(costs):
        beaten = any(beats(other, row) for other in costs)
        assert front[j] == (not beaten)
        if beaten:
            assert any(beats(other, row) for other in costs[front])
