"""Each tank disturbance by itself against one steady balance or a closed form, all together, words.

The designs are the example with other tanks (``tank_rig``); droop is left out unless a test is about it.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from tank_rig import BLOW_DOWN, BOTTLE_KEYS, FLIGHT, FULL, GAS, SLIDING, SWITCHED, TRACE, ULLAGE, Make, maker

import valvectl
from valvectl.design.schema import LEGS
from valvectl.errors import DesignError, RangeError
from valvectl.plant.balance import OperatingPoint, balance
from valvectl.plant.machine import LegMachine
from valvectl.review.requirements import BY_ID
from valvectl.studies.disturbance_result import Disturbance, DisturbanceResult

GRAVITY = 9.80665
SHORT = (1.0, 2.0)
"""A burn at full thrust for 2 s."""


@pytest.fixture(scope="module")
def designs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Make]:
    yield from maker(tmp_path_factory)


def case(result: DisturbanceResult, name: str) -> Disturbance:
    return next(c for c in result.cases if c.name == name)


def steady(design: valvectl.Design, change: Callable[[LegMachine], LegMachine] = lambda leg: leg) -> OperatingPoint:
    """Steady point at the angles of full thrust with every leg changed."""
    machine, schedule = design.machine, design.analysis.schedule
    angles = [float(schedule.angle_at(n, np.array([1.0]))[0]) for n in LEGS]
    return balance(dataclasses.replace(machine, legs={n: change(leg) for n, leg in machine.legs.items()}), *angles)


def shifted(design: valvectl.Design, **pressure: float) -> float:
    """O/F error from tank pressures that rose by so much [Pa]."""

    def change(leg: LegMachine) -> LegMachine:
        return dataclasses.replace(leg, tank_pressure=leg.tank_pressure + pressure.get(leg.name, 0.0))

    return steady(design, change).mixture_ratio / steady(design).mixture_ratio - 1.0


# ------------------------------------------------------------------------------------------- each by itself


def test_nothing_declared(designs: Make) -> None:
    """No disturbance, no error; what was taken for granted and what could not be assessed is said."""
    result = designs().disturbance()
    assert result.declared == result.cases == result.cautions == ()
    for errors in (result.together.ratio_error, result.thrust_error, result.pressure_error):
        assert float(np.max(np.abs(errors))) < 1e-12
    assert result.gas == {}
    said = " ".join(result.assumptions)
    for text in (
        "ullage, lock-up, response not stated, so pressurant, collapse and bottle are not assessed",
        "acceleration is not assessed",
        "no tank.warming is stated",
        "no tank.diameter is stated",
    ):
        assert text in said
    for leg in LEGS:
        end = result.tanks[leg]
        assert math.isnan(end.residual)
        assert math.isnan(end.fall)
        assert end.supply == "held"
        assert abs(result.trims[leg].change) < 1e-9


def test_trace(designs: Make) -> None:
    """A dip by 0.5 bar at 1 s, gone at 2 s; the trim at that moment holds thrust and O/F."""
    design = designs(TRACE)
    result = design.disturbance(SHORT)
    found = case(result, "pressure trace")
    assert found.time == pytest.approx(1.0)
    assert found.worst == pytest.approx(shifted(design, oxidizer=-0.5e5), rel=1e-9)
    assert abs(found.final) < 1e-9
    assert found.from_leg["oxidizer"] == pytest.approx(found.worst, rel=1e-9)
    assert abs(found.from_leg["fuel"]) < 1e-12
    machine = design.machine
    low = dataclasses.replace(machine.legs["oxidizer"], tank_pressure=20.1e5)
    legs = {**machine.legs, "oxidizer": low}
    point = balance(dataclasses.replace(machine, legs=legs), *(result.trims[n].needed for n in LEGS))
    assert point.mixture_ratio == pytest.approx(1.2, rel=1e-8)
    assert point.thrust == pytest.approx(2000.0, rel=1e-8)


def test_trace_holds_the_droop(designs: Make) -> None:
    """The trace is the tank pressure itself: droop does not come off it a second time."""
    result = designs(TRACE, droop=True).disturbance(SHORT)
    assert result.tanks["oxidizer"].highest == pytest.approx(20.6e5)
    assert float(result.undisturbed["oxidizer"][0]) == pytest.approx(20.3e5, rel=1e-6)


def test_common_and_unlike_parts(designs: Make) -> None:
    """Both tanks 0.4 bar low: all common; one low and the other as much high: none of it."""
    flat = 'trace = {{ time = ["0 s", "2 s"], pressure = ["{0} bar abs", "{0} bar abs"] }}\n'
    alike = case(designs(flat.format(20.2), flat.format(22.1)).disturbance(SHORT), "pressure trace")
    assert alike.common == pytest.approx(alike.worst, rel=1e-6)
    assert abs(alike.difference) < 1e-8
    unlike = case(designs(flat.format(20.2), flat.format(22.9)).disturbance(SHORT), "pressure trace")
    assert abs(unlike.common) < 1e-6
    assert abs(unlike.worst) > 5.0 * abs(alike.worst)


def test_lock_up(designs: Make) -> None:
    """At the start the tank stands at lock-up; from there it goes to the set pressure with its time constant."""
    design = designs('lock_up = "0.25 bar"\nresponse_time = "60 ms"\n')
    result = design.disturbance(SHORT)
    assert result.declared == ("lock-up",)
    found = case(result, "lock-up")
    assert found.time == 0.0
    assert found.worst == pytest.approx(shifted(design, oxidizer=0.25e5), rel=1e-9)
    at = int(np.argmin(np.abs(result.time - 0.06)))
    share = float(result.pressure["oxidizer"][at] - 20.6e5) / 0.25e5
    assert share == pytest.approx(math.exp(-float(result.time[at]) / 0.06), abs=2e-3)
    assert abs(found.final) < 1e-9


def test_response_of_the_regulator(designs: Make) -> None:
    """Late droop: nothing at a held setting, an error while the throttle moves."""
    design = designs('response_time = "0.5 s"\n', "", "", True)
    held = design.disturbance(SHORT)
    assert held.declared == ("regulator response",)
    assert abs(held.together.worst) < 1e-9
    assert 1e-4 < abs(design.disturbance().together.worst) < 0.02


def test_droop_beside_the_sum(designs: Make) -> None:
    """The droop's own part: with it against without, at the same angles; it is in the schedule and in no sum."""
    design = designs("", "", "", True)
    result = design.disturbance(SHORT)
    (droop,) = result.cases
    assert droop.in_schedule
    free = steady(design, lambda leg: dataclasses.replace(leg, tank_droop=0.0))
    assert droop.worst == pytest.approx(1.2 / free.mixture_ratio - 1.0, rel=1e-6)
    assert result.declared == ()
    assert abs(result.together.worst) < 1e-12


def test_inlet_effect(designs: Make) -> None:
    """The regulated pressure rises by the effect times the bottle's fall."""
    result = designs(ULLAGE + BOTTLE_KEYS.replace(" }", ", inlet_effect = 0.01 }")).disturbance((1.0, 8.0))
    assert result.declared == ("bottle pressure on the regulator",)
    gas = result.gas["oxidizer"]
    assert gas.bottle_end < gas.bottle_start - 20e5
    rise = result.tanks["oxidizer"].final - 20.6e5
    assert rise == pytest.approx(0.01 * (gas.bottle_start - gas.bottle_end), rel=0.01)
    assert result.together.worst > 0.0


def test_blow_down(designs: Make) -> None:
    """Insulated: pressure on the isentrope of what has left; the oxidizer's trim opens."""
    result = designs(BLOW_DOWN.replace("20 %", "40 %")).disturbance((1.0, 1.0))
    assert result.declared == ("blow-down",)
    end = result.tanks["oxidizer"]
    gone = 8.4e-3 - end.residual
    assert end.final == pytest.approx(20.6e5 * (5.6e-3 / (5.6e-3 + gone)) ** 1.4, rel=1e-4)
    assert result.together.final == pytest.approx(result.together.worst)
    assert result.together.worst < -0.05
    assert result.together.thrust < 0.0
    assert math.isnan(result.gas["oxidizer"].collapse_factor)
    assert result.gas["oxidizer"].drawn == 0.0
    early = designs(BLOW_DOWN.replace("20 %", "40 %")).disturbance((1.0, 0.2))
    assert early.trims["oxidizer"].change > math.radians(0.1)


@pytest.mark.parametrize(("text", "band"), [(SWITCHED, 0.2e5), (SLIDING, 1.0e5)], ids=["on-off", "proportional"])
def test_electronic(designs: Make, text: str, band: float) -> None:
    """Pressure about the set pressure: in the band, and what it moves in two samples and their delay beyond."""
    result = designs(text).disturbance((1.0, 4.0))
    assert result.declared == ("electronic regulator",)
    end, gas = result.tanks["oxidizer"], result.gas["oxidizer"]
    falling = 1.4 * 20.6e5 * 0.5468 / 1140.0 / 2.8e-3  # [Pa/s], gamma p Q/V at the start
    assert end.lowest > 20.6e5 - 0.5 * band - 0.05 * falling
    assert end.highest < 20.6e5 + 0.5 * band + 0.05 * falling * gas.kv_given / gas.kv_needed
    assert gas.drawn > 0.0
    assert gas.kv_needed < gas.kv_given
    assert result.together.ended == ""


def test_ullage_collapse(designs: Make) -> None:
    """20 % of the excess over oxygen at 88 K lost at 1 s: p T'/T at once, then the regulator brings it back."""
    design = designs(f'response_time = "0.2 s"\nullage = {{ {GAS}, collapse = {{ share = "20 %", time = "1 s" }} }}\n')
    result = design.disturbance(SHORT)
    found = case(result, "ullage collapse")
    assert found.time == pytest.approx(1.0, abs=1e-6)
    lost = 20.6e5 * 0.2 * (290.0 - 88.0) / 290.0
    assert result.tanks["oxidizer"].lowest == pytest.approx(20.6e5 - lost, rel=2e-4)
    assert found.worst == pytest.approx(shifted(design, oxidizer=-lost), rel=2e-3)
    assert abs(found.final) < 0.03 * abs(found.worst)
    before = int(np.argmin(np.abs(result.time - 0.99)))
    assert abs(float(found.ratio_error[before])) < 1e-9


def test_load_factor(designs: Make) -> None:
    """From 1 to 4 g: four heads in place of one in each tank."""
    design = designs(tail=FLIGHT)
    result = design.disturbance(SHORT)
    oxidizer = design.machine.legs["oxidizer"]
    assert oxidizer.head == pytest.approx(0.6 * GRAVITY * oxidizer.liquid.density)
    after = steady(design, lambda leg: dataclasses.replace(leg, head=4.0 * leg.head)).mixture_ratio
    assert result.together.final == pytest.approx(after / 1.2 - 1.0, rel=1e-6)
    assert result.together.final > 0.0
    assert case(result, "load factor").legs == LEGS


def test_falling_level(designs: Make) -> None:
    design = designs('diameter = "0.15 m"\n')
    result = design.disturbance((1.0, 10.0))
    assert result.declared == ("falling level",)
    end, rho = result.tanks["oxidizer"], design.machine.legs["oxidizer"].liquid.density
    fall = end.used / rho / (0.25 * math.pi * 0.15**2)
    assert end.fall == pytest.approx(fall, rel=1e-4)
    assert result.together.final == pytest.approx(shifted(design, oxidizer=-rho * GRAVITY * fall), rel=1e-3)


def test_warming(designs: Make) -> None:
    """3 K warmer oxygen: the steady point with its density, about half the relative change of it."""
    design = designs('warming = "0.5 K/s"\n')
    result = design.disturbance((1.0, 6.0))
    assert result.declared == ("warming liquid",)
    warm = design.with_values({"legs.oxidizer.liquid.temperature": 91.0}).machine.legs["oxidizer"]
    cold = design.machine.legs["oxidizer"]
    after = steady(design, lambda leg: warm if leg.name == "oxidizer" else leg).mixture_ratio
    assert result.together.final == pytest.approx(after / 1.2 - 1.0, rel=1e-6)
    assert result.together.final == pytest.approx(0.5 * (warm.liquid.density / cold.liquid.density - 1.0), rel=0.35)


def test_warming_to_boiling(designs: Make) -> None:
    with pytest.raises(DesignError) as caught:
        designs('warming = "10 K/s"\n').disturbance((1.0, 8.0))
    (fault,) = caught.value.faults
    assert fault.key == "legs.oxidizer.tank.warming"
    assert fault.message.startswith("brings the liquid to")


# ----------------------------------------------------------------------------------------- together, and ends


def test_all_together(designs: Make) -> None:
    """Both tanks with everything, costliest first; together about the sum, moment by moment."""
    result = designs(FULL, FULL.replace("0.1 K/s", "0.3 K/s").replace("290 K", "310 K"), FLIGHT, True).disturbance()
    counted = [c for c in result.cases if not c.in_schedule]
    assert sorted(c.name for c in counted) == sorted(result.declared)
    assert set(result.declared) == {
        "regulator response", "lock-up", "bottle pressure on the regulator", "ullage collapse", "load factor", "falling level",
        "warming liquid",
    }  # fmt: skip
    sizes = [abs(c.worst) for c in counted]
    assert sizes == sorted(sizes, reverse=True)
    assert min(sizes) > 0.0
    whole, parts = result.together.ratio_error, np.sum([c.ratio_error for c in counted], axis=0)
    assert float(np.max(np.abs(whole - parts))) < 0.15 * max(float(np.max(np.abs(whole))), max(sizes))
    assert result.together.ended == ""
    for leg in LEGS:
        gas, end, trim = result.gas[leg], result.tanks[leg], result.trims[leg]
        assert gas.collapse_factor > 1.0
        assert gas.bottle_end < gas.bottle_start
        assert gas.kv_needed > 0.0
        assert 0.0 < end.choking < 1.0
        assert end.stiffness > 0.1
        assert end.residual > 0.0
        assert math.degrees(abs(trim.change)) < 2.0
        assert min(trim.to_open, trim.to_shut) > 0.0
    assert result.trim_note.startswith("both valves have the travel")


def test_an_empty_tank_ends_the_run(designs: Make) -> None:
    result = designs("ullage = { " + GAS.replace("14 L", "3 L") + ' }\nlock_up = "0.1 bar"\n').disturbance((1.0, 20.0))
    assert re.fullmatch(r"the oxidizer tank is empty at [0-9.]+ s", result.together.ended)
    assert any("oxidizer tank is empty" in text for text in result.cautions)
    known = np.isfinite(result.together.ratio_error)
    assert known[0]
    assert not known[-1]
    assert float(result.time[known][-1]) == pytest.approx(2.4e-3 * 1152.0 / 0.5468, rel=0.03)


def test_a_ratio_beyond_the_known_c_star_ends_the_run(designs: Make) -> None:
    """A blow-down far down: O/F would go on to nothing with c* held at its edge; no such flame is reported."""
    design = designs(BLOW_DOWN.replace("20 %", "5 %"))
    low = design.machine.c_star.r0
    result = design.disturbance((1.0, 10.0))
    assert re.fullmatch(
        rf"no steady point from [0-9.]+ s on: O/F is 0\.5[0-9]*, and c\* is known from {low:.3g} to [0-9.]+",
        result.together.ended,
    )
    known = np.isfinite(result.together.ratio_error)
    assert float(np.min(1.2 * (1.0 + result.together.ratio_error[known]))) >= low
    row = BY_ID["mixture_ratio_disturbed"].rows(design.analysis)[0]
    assert row.verdict == "missed"
    assert row.value == math.inf
    assert "c* is known" in row.case


def test_a_start_beyond_the_known_c_star_is_refused(designs: Make) -> None:
    low = 'trace = { time = ["0 s", "2 s"], pressure = ["11 bar abs", "11 bar abs"] }\n'
    with pytest.raises(RangeError, match="no steady point at the start of the tank run"):
        designs(low).disturbance(SHORT)


@pytest.mark.parametrize("burn", [(0.2, 2.0), (1.2, 2.0), (math.nan, 2.0), (1.0, 0.0), (1.0, 601.0), (1.0, math.nan)])
def test_burns_that_make_no_sense(designs: Make, burn: tuple[float, float]) -> None:
    with pytest.raises(RangeError, match="burn"):
        designs().disturbance(burn)


# ------------------------------------------------------------------------------------------------------ words


def test_cautions(designs: Make) -> None:
    """Trace too short, collapse too late, small gas valve, low bottle, little liquid."""
    short = 'trace = { time = ["0.5 s", "1 s"], pressure = ["20.6 bar abs", "20.5 bar abs"] }\n'
    assert any("oxidizer trace covers 0.5 to 1 s of 0 to 2 s" in x for x in designs(short).disturbance(SHORT).cautions)
    late = designs(f'ullage = {{ {GAS}, collapse = {{ share = "3 %", time = "50 s" }} }}\n').disturbance(SHORT)
    assert any("lies after the end at 2 s" in text for text in late.cautions)
    small = f'lock_up = "0.1 bar"\n{ULLAGE}{BOTTLE_KEYS}gas_valve = {{ kv = 0.001, xt = 0.6 }}\n'
    assert any("oxidizer gas valve is too small: Kv" in x for x in designs(small).disturbance(SHORT).cautions)
    low = 'lock_up = "0.1 bar"\n' + ULLAGE + BOTTLE_KEYS.replace("200 bar", "35 bar")
    assert any("near the tank's" in text for text in designs(low).disturbance(SHORT).cautions)
    little = 'lock_up = "0.1 bar"\n' + ULLAGE.replace("14 L", "6 L")
    assert any("of the liquid is left at the end" in x for x in designs(little).disturbance((1.0, 9.9)).cautions)


def test_assumptions_about_the_gas(designs: Make) -> None:
    said = " ".join(designs(FULL.replace('"nitrogen"', '"helium"')).disturbance(SHORT).assumptions)
    for text in (
        "helium as a perfect gas",
        "a real one holds some per cent less",
        "overstates the choked flow of helium",
    ):
        assert text in said
    said = " ".join(designs(BLOW_DOWN).disturbance((1.0, 0.2)).assumptions)
    assert "the gas loses no heat to the liquid" in said


def test_a_tank_without_liquid_says_so_and_does_not_divide_by_nothing(tmp_path):
    """A tank that is all gas: empty at once, no collapse factor."""
    text = (Path(__file__).parents[2] / "designs" / "hover-rig.toml").read_text(encoding="utf-8")
    path = tmp_path / "dry.toml"
    path.write_text(text.replace('share = "20 %"', 'share = "99.99 %"', 1), encoding="utf-8")
    result = valvectl.load(path).disturbance()
    assert any("empty" in c for c in result.cautions)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('gas = "nitrogen"', 'gas = "oxygen"', "explode"),
        ('diameter = "0.2 m"', 'diameter = "2 mm"', "over 10 m tall"),
        ('gas_temperature = "285 K"\nheat', 'gas_temperature = "2 K"\nheat', "must lie between"),
    ],
)
def test_slips_of_the_pen(tmp_path, old, new, message):
    text = (Path(__file__).parents[2] / "designs" / "hover-rig.toml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "slip.toml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(DesignError, match=message) as caught:
        valvectl.load(path)
    assert all(f.line for f in caught.value.faults)
