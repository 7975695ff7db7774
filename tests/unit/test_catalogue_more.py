"""Catalogues in TOML, measured pull-out curves of steppers, close calls of a search."""

from __future__ import annotations

import dataclasses
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.design.catalogue_file import CatalogueMotor, read_gears, read_motors
from valvectl.errors import DesignError
from valvectl.studies.catalogue import CatalogueResult, stepper_data
from valvectl.studies.catalogue_close import picked

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
GEARS = """# invented
[units]
lost_motion = "arcmin"
stiffness = "N m/rad"
inertia = "g cm2"
peak_torque = "N m"
max_input_speed = "rpm"
mass = "g"
efficiency = "%"
static_efficiency = "%"

[[part]]
name = "one"
kind = "planetary"
ratio = 16
efficiency = 80
static_efficiency = 70
lost_motion = 12
stiffness = 500.0
inertia = 5
peak_torque = 10
max_input_speed = 6000
mass = 400
"""
STEPPER_HEAD = "name,kind,holding_torque [N m],teeth,resistance [ohm],inductance [mH],peak_current [A],rotor_inertia [g cm2],max_speed [rpm],winding_limit [degC],thermal_resistance [K/W],mass [kg],pull_out [rpm: N m],pull_out_voltage [V]"  # noqa: E501
STEPPER = "s,stepper,1.9,50,0.5,1.5,4,400,1500,130,3,1.1,0: 1.6; 300: 1.2; 900: 0.4,48"


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


@cache
def searched(leg: str) -> CatalogueResult:
    return rig().catalogue(leg)


def written(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


# -------------------------------------------------------------------------------------------------------- TOML


def test_toml_reads_as_the_same_part_in_commas(tmp_path):
    head = (
        "name,kind,ratio,efficiency [%],static_efficiency [%],lost_motion [arcmin],stiffness [N m/rad],inertia [g cm2],"
        "peak_torque [N m],max_input_speed [rpm],mass [g]"
    )
    commas = written(tmp_path / "g.csv", f"{head}\none,planetary,16,80,70,12,500,5,10,6000,400\n")
    assert read_gears(written(tmp_path / "g.toml", GEARS)) == read_gears(commas)


@pytest.mark.parametrize(
    ("old", "new", "key", "line", "message"),
    [
        ("ratio = 16", "ratio = 0.5", "ratio", 12, "must be 1 to"),
        ('mass = "g"', 'mass = "lb"', "mass", 2, "unit must be one of kg, g"),
        ("mass = 400", "weight = 400", "weight", 2, "is no column"),
        ("stiffness = 500.0", "stiffness = [1, 2]", "stiffness", 12, "must be a number or a text"),
        ("stiffness = 500.0", "stiffness = true", "stiffness", 12, "must be a number or a text"),
        ("[[part]]", "[[parts]]", "parts", None, "no table of a catalogue"),
        ("[units]", "[unit]", "unit", None, "no table of a catalogue"),
        ("efficiency = 80", "efficiency = 60", "static_efficiency", 12, "must not be above efficiency"),
    ],
)
def test_faults_of_a_toml_catalogue(old, new, key, line, message, tmp_path):
    with pytest.raises(DesignError) as caught:
        read_gears(written(tmp_path / "g.toml", GEARS.replace(old, new, 1)))
    fault = next(f for f in caught.value.faults if f.key == key)
    assert message in fault.message
    assert fault.line == line


def test_a_missing_column_of_a_toml_part_is_an_empty_cell(tmp_path):
    two = GEARS + GEARS[GEARS.index("[[part]]") :].replace('"one"', '"two"').replace("mass = 400\n", "")
    with pytest.raises(DesignError) as caught:
        read_gears(written(tmp_path / "g.toml", two))
    (fault,) = caught.value.faults
    assert (fault.key, fault.line, fault.message) == ("mass", 24, "must not be empty")


def test_no_toml_at_all(tmp_path):
    with pytest.raises(DesignError, match="is not valid TOML"):
        read_gears(written(tmp_path / "g.toml", "name = = 3"))
    with pytest.raises(DesignError, match="holds no rows"):
        read_gears(written(tmp_path / "h.toml", '[units]\nmass = "kg"\n'))


# ------------------------------------------------------------------------------------------------ pull-out curves


def stepper(tmp_path: Path, row: str = STEPPER) -> CatalogueMotor:
    (motor,) = read_motors(written(tmp_path / "m.csv", f"{STEPPER_HEAD}\n{row}\n"))
    return motor


def test_a_curve_is_read_in_its_units(tmp_path):
    motor = stepper(tmp_path)
    rpm = math.pi / 30.0
    np.testing.assert_allclose(motor.pull_out, [(0.0, 1.6), (300.0 * rpm, 1.2), (900.0 * rpm, 0.4)], rtol=1e-12)
    assert motor.pull_out_voltage == 48.0
    data = stepper_data([motor])
    assert data.curves == (motor.pull_out,)


@pytest.mark.parametrize(
    ("curve", "message"),
    [
        ("0: 1.6", "2 to 100"),
        ("0: 1.6; 0: 1.2", "must rise"),
        ("0: 1.6; 300", "must be points as"),
        ("0: 1.6; 300: -1", "not negative"),
        ("0: nan; 300: 1", "finite"),
        ("fast", "must be points as"),
    ],
)
def test_curves_that_are_none(curve, message, tmp_path):
    with pytest.raises(DesignError, match=message):
        stepper(tmp_path, STEPPER.replace("0: 1.6; 300: 1.2; 900: 0.4", curve))


def test_a_curve_needs_its_supply_and_a_stepper(tmp_path):
    with pytest.raises(DesignError, match="belong together"):
        stepper(tmp_path, STEPPER.removesuffix("48"))
    other = "b,brushed,,,0.5,0.5,4,40,5000,130,3,0.4,0: 1.6; 300: 1.2,48"
    with pytest.raises(DesignError, match="only a stepper"):
        stepper(tmp_path, other)


def test_a_measured_curve_decides_over_the_ideal_motor(tmp_path):
    """A weak curve makes steps be lost; the same motor without one keeps them; half the supply halves its speeds."""
    gears = tmp_path / "g.csv"
    gears.write_text(
        "name,kind,ratio,efficiency,static_efficiency,lost_motion [deg],stiffness [N m/rad],inertia [g cm2],"
        "peak_torque [N m],max_input_speed [rpm],mass [kg]\ng,planetary,5,0.9,0.85,0.2,500,5,100,6000,0.4\n",
        encoding="utf-8",
    )

    def margin(curve: str, volts: str) -> float:
        row = STEPPER.replace("0: 1.6; 300: 1.2; 900: 0.4,48", f"{curve},{volts}")
        found = rig().catalogue("fuel", written(tmp_path / "m.csv", f"{STEPPER_HEAD}\n{row}\n"), gears)
        return float(next(c.values for c in found.checks if c.name == "lost-step margin")[0])

    bus = 22.0
    ideal = margin("", "")
    strong, weak = margin("0: 5; 3000: 5", "24"), margin("0: 0.3; 3000: 0.2", "24")
    assert strong > ideal > weak
    # a curve taken at twice the supply reaches half as far
    assert margin("0: 5; 2000: 0", "48") < margin("0: 5; 2000: 0", f"{bus:g}")


# ---------------------------------------------------------------------------------------------------- close calls


def test_close_calls_name_what_flips():
    close = searched("oxidizer").close
    assert any("breakaway torque +1 %" in text and "static torque margin" in text for text in close)
    # its margin stands at 100 % to three digits: a real close call
    third = searched("oxidizer").front[2]
    assert searched("oxidizer").margin[third] == pytest.approx(1.0, abs=0.01)
    assert searched("oxidizer").to_dict()["close_calls"] == list(close)


def test_one_percent_on_the_inputs_that_are_not_called_close_flips_nothing():
    """Against the search done anew: the fuel leg's front names no close call, and its first five stay and hold."""
    before = searched("fuel")
    assert before.close == ()

    def names(result: CatalogueResult) -> list[tuple[str, str]]:
        return [(result.motor[i], result.gear[i]) for i in result.front]

    first = names(before)[:5]
    for key in ("valve.torque.cold_factor", "actuator.duty_limit", "actuator.harness_resistance"):
        item = rig().inputs.get(f"legs.fuel.{key}") or rig().inputs[f"legs.oxidizer.{key}"]
        for factor in (0.99, 1.01):
            value = float(item.value) * factor
            if (key.endswith("cold_factor") and value < 1.0) or (key.endswith("duty_limit") and value > 1.0):
                continue
            after = rig().with_values({f"legs.fuel.{key}": value}).catalogue("fuel")
            assert names(after)[0] == first[0]
            held = {(m, g) for m, g, ok in zip(after.motor, after.gear, after.holds, strict=True) if ok}
            assert set(first) <= held


def test_picking_one_out_of_arrays():
    from valvectl.parts.gearing import StageNumbers
    from valvectl.studies.actuator_demand import actuator_numbers

    machine = rig().machine
    one = actuator_numbers(rig().leg("fuel").actuator, machine.legs["fuel"].servo, machine, "fuel")
    several = dataclasses.replace(one, resistance=np.array([1.0, 2.0, 3.0]))
    assert picked(several, 1).resistance == 2.0
    assert picked(several, 1).stages == one.stages
    assert isinstance(picked(several, 0).stages[0], StageNumbers)


def test_nothing_in_front_no_close_call():
    nothing = rig().with_values({"requirements.torque_margin": 90.0}).catalogue("fuel")
    assert nothing.front == ()
    assert nothing.close == ()
