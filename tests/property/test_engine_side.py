"""Properties of thrust with and without separation, of the round trip through it, and of the liquids behind a jacket."""

from __future__ import annotations

import dataclasses
import math
from functools import cache
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

import valvectl
from valvectl.parts import nozzle, orifice, separation
from valvectl.parts.alcohol_water import ALCOHOLS, alcohol_water, mole_fraction, wilson
from valvectl.plant.balance import balance, pressure_for_thrust, solve
from valvectl.plant.machine import Machine

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
gammas = st.floats(1.1, 1.4)
expansions = st.floats(1.2, 60.0)
criteria = st.sampled_from([separation.SUMMERFIELD, separation.SCHMUCKER])


@cache
def base(heated: bool) -> Machine:
    """The rig with tanks at 30 bar, so that every mixture ratio has a point; heated or not."""
    changes = {"legs.oxidizer.tank.pressure": 30e5, "legs.fuel.tank.pressure": 30e5}
    if heated:
        changes["legs.fuel.jacket.temperature_rise"] = 60.0
    return valvectl.load(RIG).with_values(changes).machine


def machine(ambient: float, expansion: float, which: int, heated: bool) -> Machine:
    """The same with another ambient pressure, nozzle and criterion; full thrust stays at the same chamber pressure."""
    changed = dataclasses.replace(
        base(heated),
        ambient_pressure=ambient,
        expansion_ratio=expansion,
        exit_ratio=nozzle.area_ratio_to_pressure_ratio(expansion, base(heated).gamma),
        separation=which,
    )
    return dataclasses.replace(changed, thrust=changed.thrust_at(changed.chamber_pressure))


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0.45, 1.0),
    st.floats(0.9, 1.5),
    st.one_of(st.just(0.0), st.floats(2e4, 1.1e5)),
    st.floats(2.0, 12.0),
    st.sampled_from(sorted(separation.CRITERIA.values())),
    st.booleans(),
)
def test_round_trip_with_ambient_and_separation(
    throttle: float, ratio: float, ambient: float, expansion: float, which: int, heated: bool
) -> None:
    """Thrust and mixture ratio to angles and back: in vacuum, at sea level, overexpanded and separated, hot and cold."""
    engine = machine(ambient, expansion, which, heated)
    wanted = solve(engine, throttle, ratio)
    found = balance(engine, wanted.legs["oxidizer"].angle, wanted.legs["fuel"].angle)
    assert found.throttle == pytest.approx(throttle, rel=1e-8)
    assert found.mixture_ratio == pytest.approx(ratio, rel=1e-8)
    assert found.chamber_pressure == pytest.approx(wanted.chamber_pressure, rel=1e-8)
    assert found.total_flow == pytest.approx(wanted.total_flow, rel=1e-8)


@settings(max_examples=200, deadline=None)
@given(gammas, expansions, criteria, st.floats(1.9, 500.0), st.floats(1.0001, 1.2))
def test_thrust_rises_with_chamber_pressure(
    gamma: float, expansion: float, which: int, ratio: float, step: float
) -> None:
    """So that a wanted thrust has one chamber pressure, separated or not; separation never takes thrust away."""
    exit_ratio = nozzle.area_ratio_to_pressure_ratio(expansion, gamma)

    def thrust(pressure: float) -> float:
        return pressure * separation.separated_thrust_coefficient(which, gamma, expansion, exit_ratio, pressure, 1e5)

    low, high = ratio * 1e5, step * ratio * 1e5
    assert thrust(high) > thrust(low)
    full = low * nozzle.thrust_coefficient(gamma, expansion, exit_ratio, low, 1e5)
    assert thrust(low) >= full * (1.0 - 1e-12) or full < 0.0


@settings(max_examples=100, deadline=None)
@given(gammas, st.floats(2.0, 60.0), criteria)
def test_thrust_is_continuous_at_the_onset(gamma: float, expansion: float, which: int) -> None:
    exit_ratio = nozzle.area_ratio_to_pressure_ratio(expansion, gamma)
    mach = nozzle.area_ratio_to_mach(expansion, gamma)
    onset = separation.criterion(which, mach) / exit_ratio * 1e5
    before, after = (
        separation.separated_thrust_coefficient(which, gamma, expansion, exit_ratio, onset * (1.0 + s), 1e5)
        for s in (1e-7, -1e-7)
    )
    assert before == pytest.approx(after, abs=1e-5)
    area = separation.separation_area_ratio(which, gamma, expansion, onset * (1.0 - 1e-7) / 1e5)
    assert area == pytest.approx(expansion, rel=1e-5)


@settings(max_examples=100, deadline=None)
@given(gammas, st.floats(5.0, 60.0), criteria, st.floats(2.5, 200.0))
def test_the_wall_has_the_pressure_of_the_criterion_there(
    gamma: float, expansion: float, which: int, ratio: float
) -> None:
    exit_mach = nozzle.area_ratio_to_mach(expansion, gamma)
    mach = separation.separation_mach(which, gamma, exit_mach, ratio)
    assume(1.0 < mach < exit_mach)
    assert separation.pressure_ratio(mach, gamma) * ratio == pytest.approx(separation.criterion(which, mach), rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.3, 1.0), st.floats(4.0, 20.0), criteria)
def test_pressure_for_thrust_inverts_thrust(throttle: float, expansion: float, which: int) -> None:
    engine = machine(1e5, expansion, which, False)
    pressure = pressure_for_thrust(engine, throttle)
    assert engine.thrust_at(pressure) == pytest.approx(throttle * engine.thrust, rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(ALCOHOLS), st.floats(0.02, 0.58), st.floats(275.0, 420.0))
def test_mixtures_are_smooth_and_ordered(alcohol: str, water: float, temperature: float) -> None:
    """More water is denser; hotter is lighter, thinner and boils sooner; small steps make small changes."""
    here = alcohol_water(alcohol, water, temperature, 3e6)
    wetter = alcohol_water(alcohol, water + 0.01, temperature, 3e6)
    hotter = alcohol_water(alcohol, water, temperature + 1.0, 3e6)
    assert wetter["density"] > here["density"] > hotter["density"]
    assert here["viscosity"] > hotter["viscosity"] > 0.0
    assert here["vapour_pressure"] < hotter["vapour_pressure"]
    assert all(math.isfinite(value) and value > 0.0 for value in here.values())
    for key, value in hotter.items():
        assert value == pytest.approx(here[key], rel=0.1), key


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(ALCOHOLS), st.floats(0.0, 1.0), st.floats(280.0, 420.0))
def test_wilson_obeys_gibbs_and_duhem(alcohol: str, x: float, temperature: float) -> None:
    """x dln g1 + (1 - x) dln g2 = 0, and a pure liquid has an activity coefficient of one."""
    step = 1e-5
    low, high = max(x - step, 0.0), min(x + step, 1.0)
    first, second = wilson(alcohol, low, temperature), wilson(alcohol, high, temperature)
    middle = 0.5 * (low + high)
    total = middle * math.log(second[0] / first[0]) + (1.0 - middle) * math.log(second[1] / first[1])
    assert abs(total) < 1e-8
    assert wilson(alcohol, 1.0, temperature)[0] == pytest.approx(1.0)
    assert wilson(alcohol, 0.0, temperature)[1] == pytest.approx(1.0)


@given(st.sampled_from(ALCOHOLS), st.floats(0.0, 0.6))
def test_mole_fraction_lies_between(alcohol: str, water: float) -> None:
    assert mole_fraction(alcohol, water) <= 1.0 - water + 1e-12 or water == 0.0
    assert 0.0 < mole_fraction(alcohol, water) <= 1.0


@given(st.floats(0.1, 30.0), st.floats(50.0, 1e6), st.floats(0.0, 1.0))
def test_discharge_coefficients_are_sane(slenderness: float, reynolds: float, rounding: float) -> None:
    value = orifice.discharge_coefficient(slenderness, reynolds, rounding)
    assert 0.1 < value <= 1.0
    assert orifice.contraction(rounding) >= orifice.CONTRACTION - 1e-12
