"""Start transients: fill times and masses against hand calculation, scatter against sampling, faults, figure."""

from __future__ import annotations

import dataclasses
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.errors import DesignError
from valvectl.parts import line, start
from valvectl.parts.valve import valve_flow
from valvectl.plant.balance import leg_flow
from valvectl.review.figure_style import svg_text
from valvectl.review.figures_surge import fill_chart
from valvectl.studies.fill import FillResult, fill

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


def study(**given) -> FillResult:
    return fill(rig().machine, rig(), rig().analysis.schedule, **given)


def test_sudden_opening_is_volume_over_flow():
    result = study(speed=1e4, scatter=0.0, ignition_delay=0.02)
    machine = rig().machine
    for name in ("oxidizer", "fuel"):
        leg, made = machine.legs[name], result.legs[name]
        angle = float(rig().analysis.schedule.angle[name][0])
        bare = dataclasses.replace(leg, cda=1.0, down_loss=np.zeros_like(leg.down_loss))
        flow = leg_flow(bare, angle, machine.ambient_pressure)
        assert made.full == pytest.approx(made.volume * leg.liquid.density / flow, rel=2e-3)
        into = leg_flow(leg, angle, machine.ambient_pressure)
        left = result.ignition - made.arrival
        assert made.mass == pytest.approx(into * left, rel=1e-3)
        assert made.mass_deviation == 0.0
        assert made.mass_low == made.mass == made.mass_high


def test_volumes():
    fuel, oxidizer = rig().leg("fuel"), rig().leg("oxidizer")
    made = study().legs
    assert made["oxidizer"].volume == pytest.approx(oxidizer.manifold.volume)
    assert made["fuel"].volume == pytest.approx(fuel.manifold.volume + fuel.jacket.length * fuel.jacket.flow_area)
    assert made["fuel"].line_volume == pytest.approx(fuel.line.length * line.area(fuel.line.inner_diameter))


def test_slow_opening_fills_later_and_mass_adds_up():
    fast, slow = study(), study(speed=1.0)
    for name in ("oxidizer", "fuel"):
        assert slow.legs[name].full > fast.legs[name].full
        leg = fast.legs[name]
        sums = np.concatenate(([0.0], np.cumsum(0.5 * (leg.flow[1:] + leg.flow[:-1]) * np.diff(leg.time))))
        after = leg.time >= leg.full
        inside = leg.injected[after] - leg.injected[after][0]
        assert inside == pytest.approx((sums[after] - sums[after][0]), rel=1e-9, abs=1e-9)
        assert np.all(leg.injected[leg.time <= leg.full] == 0.0)


def test_lead_moves_the_arrivals():
    none, lead = study(), study(fuel_lead=0.03)
    assert lead.arrival_lead - none.arrival_lead == pytest.approx(0.03, rel=1e-9)
    even = study(fuel_lead=-none.arrival_lead)
    assert even.arrival_lead == pytest.approx(0.0, abs=1e-12)
    assert even.fuel_first == pytest.approx(0.5)
    assert any("left to chance" in text for text in even.cautions)


def test_scatter_against_sampling():
    result = study(fuel_lead=0.1, scatter=0.004)
    random = np.random.default_rng(7)
    shift = random.normal(0.0, 0.004, (2, 200_000)).sum(axis=0)
    for name, command in (("oxidizer", 0.0), ("fuel", -0.1)):
        leg = result.legs[name]
        mass = np.interp(result.ignition - command + shift, leg.time, leg.injected)
        assert leg.mass_mean == pytest.approx(mass.mean(), rel=0.01)
        assert leg.mass_deviation == pytest.approx(mass.std(), rel=0.01)
        low, high = np.quantile(mass, [0.02275, 0.97725])
        assert leg.mass_low == pytest.approx(low, rel=0.03, abs=2e-5)
        assert leg.mass_high == pytest.approx(high, rel=0.03)
    assert result.arrival_deviation == pytest.approx(0.004 * math.sqrt(2.0))


def test_burst_and_longest_delay():
    result = study(fuel_lead=0.1, scatter=0.001, burst_limit=80e5)
    legs = result.legs
    ratio = rig().machine.mixture_ratio
    assert result.burnable == start.burnable_mass(legs["oxidizer"].mass, legs["fuel"].mass, result.burst_ratio)
    assert result.burnable <= legs["oxidizer"].mass + legs["fuel"].mass
    assert result.within_limit == (result.burst_high <= 80e5)
    at_border = study(fuel_lead=0.1, scatter=0.001, burst_limit=80e5, ignition_delay=result.longest_delay)
    assert at_border.burst_high == pytest.approx(80e5, rel=1e-4)
    assert study().within_limit is None
    assert math.isnan(study().longest_delay)
    assert study(burst_limit=1e12).longest_delay == math.inf
    # what burns in service, at the full chamber pressure: m R T = p V
    assert result.service_mass * start.gas_energy_per_mass(
        rig().machine.c_star_at(ratio, 15e5) / rig().machine.c_star_efficiency, rig().machine.gamma
    ) == pytest.approx(15e5 * rig().machine.characteristic_length * rig().machine.throat_area, rel=1e-9)


def test_burnable_mass():
    assert start.burnable_mass(1.2, 1.0, 1.2) == pytest.approx(2.2)
    assert start.burnable_mass(9.0, 1.0, 1.2) == pytest.approx(2.2)
    assert start.burnable_mass(1.2, 9.0, 1.2) == pytest.approx(2.2)
    assert start.burnable_mass(0.0, 1.0, 1.2) == 0.0


def test_cautions_name_what_kills():
    text = " ".join(study().cautions)
    for words in ("empty line", "oxygen", "warm hardware", "alone"):
        assert words in text


def test_all_faults_at_once():
    with pytest.raises(DesignError) as caught:
        study(throttle=2.0, fuel_lead=math.nan, ignition_delay=-1.0, scatter=-1.0, speed=0.0, burst_limit=0.0)
    assert {f.key for f in caught.value.faults} == {
        "throttle", "fuel_lead", "ignition_delay", "scatter", "speed", "burst_limit",
    }  # fmt: skip


def test_table_and_figure():
    frame = study().to_frame()
    assert list(frame["leg"]) == ["oxidizer", "fuel"]
    assert "time" not in study().to_dict()["legs"]["fuel"]
    ax = fill_chart(study())
    assert "[ms]" in ax.get_xlabel()
    assert "[g]" in ax.get_ylabel()
    assert svg_text(fill_chart(study()).figure, "f") == svg_text(fill_chart(study()).figure, "f")


def test_bounds_by_hand():
    """Filling the line, the front of a dry opening and its stop, the drop of flow as the manifold fills: closed forms."""
    result = study(throttle=1.0, speed=1e4)
    points = rig().analysis.schedule.points
    for name in ("oxidizer", "fuel"):
        leg, pipe, made = rig().machine.legs[name], rig().leg(name).line, result.legs[name]
        rho, sound, area = leg.liquid.density, leg.liquid.sound_speed, math.pi / 4.0 * pipe.inner_diameter**2
        assert made.line_fill_time == pytest.approx(rho * area * pipe.length / points[-1].legs[name].flow, rel=1e-9)
        head = leg.tank_pressure + leg.head - rig().machine.ambient_pressure
        assert 0.5 * rho * made.priming_speed**2 == pytest.approx(head, rel=1e-9)
        assert made.priming_surge == pytest.approx(rho * sound * made.priming_speed, rel=1e-9)
        assert made.filling_flow > 1.02 * made.injected_flow
        assert made.slam == pytest.approx(sound / area * (made.filling_flow - made.injected_flow), rel=1e-6)


def test_while_it_fills_nothing_but_ambient_stands_behind_the_valve():
    """Flow of the filling leg from the valve's own law, line and tank, solved apart."""
    from scipy.optimize import brentq

    made = study(throttle=1.0, speed=1e4).legs
    for name in ("oxidizer", "fuel"):
        leg = rig().machine.legs[name]
        angle = rig().analysis.schedule.angle[name][-1]
        c, fl = (
            float(np.interp(angle, leg.characteristic.angles, t)) for t in (leg.characteristic.c, leg.characteristic.fl)
        )

        def excess(m, leg=leg, c=c, fl=fl):
            loss = float(np.interp(m, np.arange(leg.up_loss.size) / leg.loss_per_step, leg.up_loss))
            before = leg.tank_pressure + leg.head - leg.tank_droop * m / leg.reference_flow - loss * m * m
            return m - valve_flow(
                c, fl, leg.liquid.density, before, rig().machine.ambient_pressure, leg.ff, leg.liquid.vapour_pressure
            )

        assert made[name].filling_flow == pytest.approx(brentq(excess, 1e-3, 2.0), rel=2e-3)


def test_dead_travel_delays_the_first_flow():
    """The other example's valve passes nothing over its first degrees: that angle over the command speed."""
    stand = valvectl.load(RIG.with_name("sprint-stand.toml"))
    for name, made in stand.fill().legs.items():
        leg = stand.machine.legs[name]
        travel = leg.characteristic.shut - leg.closed_stop
        assert travel > math.radians(1.0)
        assert made.cracking == pytest.approx(travel / leg.servo.speed_limit, rel=1e-9)
        assert np.all(made.flow[made.time < made.cracking] == 0.0)
        assert made.full > made.cracking
