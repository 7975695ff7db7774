"""The engine side from the design file to the studies: water in the fuel, heated jacket, orifices, separation."""

from __future__ import annotations

import dataclasses
import itertools
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import LEGS
from valvectl.errors import DesignError
from valvectl.parts import injector, nozzle, orifice, separation
from valvectl.parts.liquid import liquid_state, propellant
from valvectl.plant.balance import balance, pressure_for_thrust, solve
from valvectl.plant.chug import chug_loop, compliance_at
from valvectl.plant.linear import engine_model
from valvectl.plant.schedule import build_schedule
from valvectl.review.engine_warnings import engine_warnings
from valvectl.studies.engine_side import separation_ladder
from valvectl.studies.ladder import ladder
from valvectl.studies.opening import opening_of, volume_behind

RIG = Path(__file__).resolve().parents[2] / "designs" / "hover-rig.toml"
HOT = {"legs.fuel.jacket.temperature_rise": 90.0}
NUMBERS = {
    "legs.fuel.liquid.name": "house blend",
    "legs.fuel.liquid.density": 800.0,
    "legs.fuel.liquid.vapour_pressure": 2e3,
    "legs.fuel.liquid.critical_pressure": 22e5,
    "legs.fuel.liquid.viscosity": 1.5e-3,
    "legs.fuel.liquid.sound_speed": 1300.0,
}


@pytest.fixture(scope="module")
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


@pytest.fixture(scope="module")
def hot(rig: valvectl.Design) -> valvectl.Design:
    return rig.with_values(HOT)


def faults(design: valvectl.Design, **changes: Any) -> list[tuple[str, str]]:
    """Key and message of what a change is refused with, in reading or in building."""
    with pytest.raises(DesignError) as caught:
        _ = design.with_values(changes).machine
    return [(fault.key, fault.message) for fault in caught.value.faults]


# ------------------------------------------------------------------------------------------------------ no change


def test_without_the_new_keys_every_number_is_the_old_one(rig: valvectl.Design) -> None:
    machine = rig.machine
    for name in LEGS:
        leg, part = machine.legs[name], rig.leg(name)
        assert leg.injector_density == leg.liquid.density
        assert leg.manifold_sound_speed == leg.liquid.sound_speed
        assert leg.jacket_heat is None
        area = math.pi / 4.0 * part.injector.hole_diameter * part.injector.hole_diameter
        assert leg.cda == part.injector.discharge_coefficient * part.injector.hole_count * area
    for pressure in (3e5, 9e5, 15e5):
        full = nozzle.thrust_coefficient(
            machine.gamma, machine.expansion_ratio, machine.exit_ratio, pressure, machine.ambient_pressure
        )
        assert machine.thrust_at(pressure) == machine.thrust_efficiency * full * machine.throat_area * pressure
    assert ladder(machine, build_schedule(machine, 3)).legs["fuel"].jacket is None


# ------------------------------------------------------------------------------------------------- water in the fuel


def test_water_by_key_and_by_name_are_the_same_fuel(rig: valvectl.Design) -> None:
    key = rig.with_values({"legs.fuel.liquid.name": "ethanol", "legs.fuel.liquid.water": 0.25}).machine
    name = rig.with_values({"legs.fuel.liquid.name": "ethanol 75 %"}).machine
    assert key.legs["fuel"].liquid == name.legs["fuel"].liquid
    assert key.legs["fuel"].liquid.name == "ethanol 75 %"
    assert np.array_equal(key.c_star.values, name.c_star.values)
    pure = rig.with_values({"legs.fuel.liquid.name": "ethanol"}).machine
    assert key.legs["fuel"].liquid.density > 1.06 * pure.legs["fuel"].liquid.density
    assert key.c_star_at(1.2, 15e5) < pure.c_star_at(1.2, 15e5)


def test_no_water_is_the_pure_liquid(rig: valvectl.Design) -> None:
    assert propellant("Methanol", 0.0) == "methanol"
    assert propellant("rp-1", None) == "rp-1"
    dry = rig.with_values({"legs.fuel.liquid.water": 0.0}).machine
    assert dry.legs["fuel"].liquid == rig.machine.legs["fuel"].liquid


def test_numbers_given_override_the_mixture() -> None:
    own = liquid_state("ethanol 75 %", 290.0, 2e6, density=860.0)
    assert own.density == 860.0
    assert own.viscosity == liquid_state("ethanol 75 %", 290.0, 2e6).viscosity
    assert "given: density" in own.source


def test_a_liquid_given_by_numbers_needs_no_mixture() -> None:
    numbers = {
        "density": 850.0,
        "vapour_pressure": 5e3,
        "critical_pressure": 6e6,
        "viscosity": 2e-3,
        "sound_speed": 1300.0,
    }
    assert liquid_state("ethanol 10 %", 200.0, 2e6, **numbers).density == 850.0


# ---------------------------------------------------------------------------------------------------- heated jacket


def test_heat_and_rise_are_two_ways_to_say_it(rig: valvectl.Design, hot: valvectl.Design) -> None:
    first = hot.machine.legs["fuel"].jacket_heat
    assert first is not None
    assert first.rise == 90.0
    assert first.heat == pytest.approx(first.absorbed * hot.machine.legs["fuel"].reference_flow)
    second = rig.with_values({"legs.fuel.jacket.heat": first.heat}).machine.legs["fuel"].jacket_heat
    assert second is not None
    assert second.rise == pytest.approx(90.0, abs=0.05)


def test_hot_liquid_is_that_of_the_library(hot: valvectl.Design) -> None:
    leg = hot.machine.legs["fuel"]
    direct = liquid_state("methanol", leg.liquid.temperature + 90.0, 20e5)
    assert leg.injector_density == pytest.approx(direct.density, rel=1e-3)
    assert leg.manifold_sound_speed == pytest.approx(direct.sound_speed, rel=5e-3)
    assert leg.jacket_heat is not None
    found = leg.jacket_heat.vapour_pressure_at(leg.jacket_heat.full_temperature)
    assert found == pytest.approx(direct.vapour_pressure, rel=1e-3)


def test_every_consumer_sees_the_same_injector(hot: valvectl.Design) -> None:
    """Balance, chug loop, compliance and the linear model: one density behind the jacket."""
    machine = hot.machine
    leg, point = machine.legs["fuel"], solve(machine, 0.7)
    flow = point.legs["fuel"].flow
    drop = injector.injector_drop(leg.cda, leg.injector_density, flow)
    assert point.legs["fuel"].manifold - point.chamber_pressure == pytest.approx(drop, rel=1e-12)
    loop = chug_loop(machine, point).legs["fuel"]
    assert loop.injector == pytest.approx(2.0 * drop / point.chamber_pressure, rel=1e-12)
    full = solve(machine, 1.0).legs["fuel"].manifold
    again = compliance_at(leg, hot.leg("fuel").manifold, hot.leg("fuel").manifold.gas_volume, full, full)
    assert again == pytest.approx(leg.compliance, rel=1e-9)
    # the linear model against the balance itself
    step, model = 1e-4, engine_model(machine, point)
    angles = point.legs["oxidizer"].angle, point.legs["fuel"].angle
    up, down = balance(machine, angles[0], angles[1] + step), balance(machine, angles[0], angles[1] - step)
    slope = math.log(up.mixture_ratio / down.mixture_ratio) / (2.0 * step)
    assert model.static_ratio_sensitivity("fuel") == pytest.approx(slope, rel=2e-3)


def test_rise_goes_with_pressure_and_flow(hot: valvectl.Design) -> None:
    """At 40 % throttle the liquid is hotter, by about throttle^-0.2 of the heat it takes up."""
    heat, found = hot.machine.legs["fuel"].jacket_heat, hot.ladder().legs["fuel"].jacket
    assert heat is not None
    assert found is not None
    assert found.temperature[-1] == pytest.approx(heat.full_temperature, rel=1e-6)
    point = hot.ladder().points[0]
    wanted = heat.absorbed * (point.chamber_pressure / heat.full_pressure) ** 0.8
    wanted *= heat.full_flow / point.legs["fuel"].flow
    assert np.interp(found.temperature[0], heat.temperature, heat.content) == pytest.approx(wanted, rel=1e-9)
    assert found.temperature[0] > found.temperature[-1] + 8.0
    assert found.drop_error[-1] == pytest.approx(0.0, abs=1e-9)
    assert np.all(found.drop_error[:-1] < 0.0)
    assert np.nanmax(np.abs(found.flow_error)) < 0.002
    assert found.dwell[0] > found.dwell[-1]


def test_flow_error_is_that_of_a_balance_with_the_right_density(hot: valvectl.Design) -> None:
    machine, result = hot.machine, hot.ladder()
    j = result.throttle.size // 2
    leg, at = machine.legs["fuel"], result.points[j].legs["fuel"]
    found = result.legs["fuel"].jacket
    assert found is not None
    from valvectl.plant.balance import leg_flow

    right = dataclasses.replace(leg, cda=leg.cda * math.sqrt(float(found.density[j]) / leg.injector_density))
    pressure = result.points[j].chamber_pressure
    exact = leg_flow(leg, at.angle, pressure) / leg_flow(right, at.angle, pressure) - 1.0
    assert found.flow_error[j] == pytest.approx(exact, rel=0.1)


def test_boiling_is_said_loudly(rig: valvectl.Design) -> None:
    boiling = rig.with_values({"legs.fuel.jacket.temperature_rise": 115.0})
    found = boiling.ladder().legs["fuel"].jacket
    assert found is not None
    assert found.boils[0]
    assert not found.boils[-1]
    assert np.array_equal(found.boils, ~(found.boiling_margin > 0.0))
    said = [text for text in engine_warnings(boiling.ladder()) if "BOILS" in text]
    assert len(said) == 1
    assert "burn-through" in said[0]
    result = boiling.stability()
    assert any("DANGER, fuel" in note for note in result.notes)
    frame = result.to_frame()
    assert bool(frame["fuel boils behind jacket"].iloc[0])
    assert frame["fuel margin to boiling [bar]"].iloc[0] < 0.0 < frame["fuel margin to boiling [bar]"].iloc[-1]


def test_boiling_never_passes_a_review(rig: valvectl.Design, hot: valvectl.Design) -> None:
    """A requirement row of its own, on heated legs only, at the adverse bounds of what brings boiling nearer."""
    from valvectl.review.mend import KNOBS
    from valvectl.review.requirements import BY_ID
    from valvectl.studies.analysis import Analysis

    requirement = BY_ID["boiling_margin"]
    assert requirement.rows(rig.analysis) == []
    (row,) = requirement.rows(hot.analysis)
    found = hot.ladder().legs["fuel"]
    assert found.jacket is not None
    assert row.leg == "fuel"
    assert row.value is not None
    # the file's tolerances on Cd and c* efficiency make it worse than nominal
    assert 1.0 < row.value < float(np.min(found.manifold / found.jacket.vapour_pressure))
    (bad,) = requirement.rows(Analysis(rig.with_values({"legs.fuel.jacket.temperature_rise": 115.0})))
    assert bad.verdict == "missed"
    assert "BOILS" in bad.case
    assert {knob.key for knob in KNOBS["boiling_margin"]} >= {"legs.{leg}.jacket.heat"}
    assert faults(rig, **{"requirements.boiling_margin": 1.0})[0][0] == "requirements.boiling_margin"


@pytest.mark.parametrize(
    ("key", "factor"),
    [
        ("legs.fuel.jacket.temperature_rise", 1.05),
        ("legs.fuel.liquid.temperature", 1.01),
        ("legs.fuel.injector.discharge_coefficient", 1.02),
        ("engine.combustion.efficiency", 1.02),
    ],
)
def test_the_adverse_side_of_boiling_is_the_adverse_side(hot: valvectl.Design, key: str, factor: float) -> None:
    import re

    from valvectl.studies.adverse import BOILING

    assert any(re.search(pattern, key) and sign == 1 for pattern, sign in BOILING)

    def margin(design: valvectl.Design) -> float:
        leg = ladder(design.machine, build_schedule(design.machine, 3)).legs["fuel"]
        assert leg.jacket is not None
        return float(np.min(leg.manifold / leg.jacket.vapour_pressure))

    # the heat is what stays when less flow has to carry it
    heat = hot.machine.legs["fuel"].jacket_heat
    assert heat is not None
    base = hot
    if "temperature_rise" not in key:
        tables = hot.data.legs.fuel.jacket
        assert tables is not None
        jacket = tables.model_copy(update={"temperature_rise": None, "heat": heat.heat})
        legs = hot.data.legs.model_copy(update={"fuel": hot.data.legs.fuel.model_copy(update={"jacket": jacket})})
        base = dataclasses.replace(hot, data=hot.data.model_copy(update={"legs": legs}))
    worse = base.with_values({key: factor * float(base.get(key))})
    assert margin(worse) < margin(base)


def test_too_hot_is_a_fault_with_the_way_out(rig: valvectl.Design) -> None:
    ((key, message),) = faults(rig, **{"legs.fuel.jacket.temperature_rise": 300.0})
    assert key == "legs.fuel.jacket"
    assert "jacket.outlet_density" in message


def test_a_liquid_known_by_numbers_only(rig: valvectl.Design) -> None:
    table = {"legs.fuel.jacket.temperature_rise": 80.0}
    # equilibrium does not know the blend: the fault of the jacket has to show beside that, so ask with a name it knows
    blend = {**NUMBERS, "legs.fuel.liquid.name": "rp-1"}
    ((key, message),) = faults(rig, **blend, **table)
    assert key == "legs.fuel.jacket"
    assert "give jacket.specific_heat and jacket.outlet_density and jacket.outlet_vapour_pressure" in message
    stated = {
        "legs.fuel.jacket.specific_heat": 2000.0,
        "legs.fuel.jacket.outlet_density": 740.0,
        "legs.fuel.jacket.outlet_vapour_pressure": 40e3,
    }
    leg = rig.with_values({**blend, **table, **stated}).machine.legs["fuel"]
    assert leg.jacket_heat is not None
    assert leg.injector_density == pytest.approx(740.0, rel=1e-12)
    assert leg.jacket_heat.heat == pytest.approx(2000.0 * 80.0 * leg.reference_flow)
    assert leg.jacket_heat.vapour_pressure_at(leg.jacket_heat.full_temperature) == pytest.approx(40e3, rel=1e-6)


def test_a_stated_outlet_density_rules(hot: valvectl.Design) -> None:
    own = hot.with_values({"legs.fuel.jacket.outlet_density": 690.0, "legs.fuel.jacket.outlet_vapour_pressure": 5e5})
    leg = own.machine.legs["fuel"]
    assert leg.injector_density == pytest.approx(690.0, rel=1e-9)
    assert leg.jacket_heat is not None
    assert leg.jacket_heat.vapour_pressure_at(leg.jacket_heat.full_temperature) == pytest.approx(5e5, rel=1e-9)
    assert leg.jacket_heat.density_ratio[0] == 1.0


def test_volume_of_the_jacket(rig: valvectl.Design, hot: valvectl.Design) -> None:
    assert volume_behind(rig, "fuel") == pytest.approx(
        volume_behind(rig.with_values({"legs.fuel.jacket.volume": 0.35 * 90e-6}), "fuel")
    )
    larger = rig.with_values({"legs.fuel.jacket.volume": 100e-6})
    assert volume_behind(larger, "fuel") - volume_behind(rig, "fuel") == pytest.approx(100e-6 - 0.35 * 90e-6)
    soft = larger.with_values({"legs.fuel.jacket.compliant": True}).machine.legs["fuel"]
    stiff = larger.machine.legs["fuel"]
    assert soft.jacket_share == 100e-6
    assert soft.compliance == pytest.approx(stiff.compliance * (25e-6 + 100e-6) / 25e-6, rel=1e-9)
    # before there is a flame the jacket is cold
    cold, warm = (d.machine.legs["fuel"] for d in (rig, hot))
    volume = volume_behind(rig, "fuel")
    first, second = (opening_of(leg, 0.8, 5.0, volume, 101325.0) for leg in (cold, warm))
    assert second.injected_flow == pytest.approx(first.injected_flow, rel=1e-12)


def test_tolerance_on_the_heat_reaches_the_adverse_corner() -> None:
    from valvectl.studies.adverse import FLOW, STIFFNESS

    for sides in (FLOW, STIFFNESS):
        assert any("temperature_rise" in pattern and sign == -1 for pattern, sign in sides)


# ------------------------------------------------------------------------------------------------------- orifices


def test_predicted_coefficient(rig: valvectl.Design) -> None:
    """Without Cd, inlet and length predict it at the Reynolds number of full thrust; the warning says how good that is."""
    text = RIG.read_text(encoding="utf-8")
    assert text.count("discharge_coefficient") >= 1
    data = rig.data.legs.fuel.injector
    holes = data.model_copy(update={"discharge_coefficient": None, "inlet": "sharp", "length": 4e-3})
    legs = rig.data.legs.model_copy(update={"fuel": rig.data.legs.fuel.model_copy(update={"injector": holes})})
    changed = dataclasses.replace(rig, data=rig.data.model_copy(update={"legs": legs}))
    leg = changed.machine.legs["fuel"]
    reynolds = 4.0 * leg.reference_flow / data.hole_count / (math.pi * data.hole_diameter * leg.liquid.viscosity)
    expected = orifice.discharge_coefficient(4e-3 / data.hole_diameter, reynolds, 0.0)
    assert leg.injector_predicted
    assert leg.injector_coefficient == pytest.approx(expected, rel=1e-12)
    assert 0.7 < expected < 0.83
    result = ladder(changed.machine, build_schedule(changed.machine, 3))
    assert any("predicted from inlet and length" in text for text in engine_warnings(result))


def test_orifices_laws() -> None:
    """Between thin and long there is no jump; rounding only helps; a longer hole has more friction."""
    before = None
    for slenderness in np.linspace(0.2, 12.0, 400):
        value = orifice.discharge_coefficient(float(slenderness), 3e4, 0.0)
        assert 0.6 < value < 0.85
        assert before is None or abs(value - before) < 0.01
        before = value
    rounded = [orifice.discharge_coefficient(4.0, 3e4, r) for r in (0.0, 0.03, 0.06, 0.1, 0.14, 0.3)]
    assert all(b >= a for a, b in itertools.pairwise(rounded))
    assert rounded[-1] < 1.0
    assert orifice.contraction(0.2) == 1.0


def test_cavitation_shows(rig: valvectl.Design) -> None:
    holes = rig.ladder().legs["fuel"].orifice
    assert holes is not None
    assert not holes.cavitates.any()
    assert holes.flow_number == pytest.approx(math.sqrt(2.0) * rig.machine.legs["fuel"].cda)
    near = rig.with_values({"legs.fuel.jacket.temperature_rise": 105.0})
    found = near.ladder().legs["fuel"].orifice
    assert found is not None
    assert found.cavitates[0]
    assert any("hydraulic flip" in text for text in engine_warnings(near.ladder()))


# ------------------------------------------------------------------------------------------------------ separation


def test_the_key_changes_thrust_where_the_flow_separates(rig: valvectl.Design) -> None:
    wide = {"engine.expansion_ratio": 4.5, "engine.thrust": 1950.0}
    full, off = (rig.with_values({**wide, "engine.separation": w}).machine for w in ("none", "summerfield"))
    assert full.thrust_efficiency == off.thrust_efficiency  # flows full at full thrust
    assert off.thrust_at(15e5) == full.thrust_at(15e5)
    assert off.thrust_at(6e5) > 1.05 * full.thrust_at(6e5)
    low = pressure_for_thrust(off, 0.4)
    assert low < pressure_for_thrust(full, 0.4)
    assert off.thrust_at(low) == pytest.approx(0.4 * off.thrust, rel=1e-12)
    result = ladder(off, build_schedule(off, 13))
    found = result.separation
    assert found is not None
    assert found.in_use == "summerfield"
    where = found.separates("summerfield")
    assert np.array_equal(where, result.exit_pressure_ratio < nozzle.SUMMERFIELD_RATIO)
    assert np.all(found.area_ratio["summerfield"][where] < 4.5)
    assert np.all(found.gain("summerfield")[where] > 0.0)
    assert np.all(found.gain("summerfield")[~where] == 0.0)
    text = " ".join(engine_warnings(result))
    assert "Summerfield's criterion" in text
    assert "the thrust here follows it" in text
    assert "nozzle separates at area ratio, schmucker [-]" in result.columns()


def test_nothing_separates_in_vacuum(rig: valvectl.Design) -> None:
    machine = dataclasses.replace(rig.machine, ambient_pressure=0.0, separation=separation.SCHMUCKER)
    full = dataclasses.replace(machine, separation=separation.NONE)
    assert machine.thrust_at(3e5) == full.thrust_at(3e5)
    assert separation_ladder(machine, np.array([3e5, 15e5])) is None


def test_separation_ladder_without_a_supersonic_part() -> None:
    """A chamber hardly above ambient: the flow leaves at the throat, and the coefficient is that of the throat."""
    gamma, eps = 1.2, 5.0
    ratio = nozzle.area_ratio_to_pressure_ratio(eps, gamma)
    assert separation.separation_area_ratio(separation.SCHMUCKER, gamma, eps, 1.2) == 1.0
    got = separation.separated_thrust_coefficient(separation.SCHMUCKER, gamma, eps, ratio, 1.2e5, 1e5)
    throat = nozzle.critical_pressure_ratio(gamma)
    assert got == pytest.approx(nozzle.thrust_coefficient(gamma, 1.0, throat, 1.2e5, 1e5), rel=1e-12)
