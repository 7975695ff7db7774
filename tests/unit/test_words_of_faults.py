"""What a fault says: all at once, one slip of the pen once, values as their writer wrote them."""

from __future__ import annotations

from pathlib import Path

import pytest
from changed_starter import changed_starter

import valvectl
from valvectl.design.load import read_design
from valvectl.errors import DesignError, Fault


def faults_of(path: Path) -> tuple[Fault, ...]:
    with pytest.raises(DesignError) as caught:
        read_design(path)
    return caught.value.faults


def faults_with(*sets: str, path: Path) -> list[str]:
    with pytest.raises(DesignError) as caught:
        valvectl.load(path, sets)
    return [str(fault) for fault in caught.value.faults]


def test_all_faults_of_the_profile_at_once_each_at_its_line_and_as_written(tmp_path: Path) -> None:
    path = changed_starter(
        tmp_path,
        ('minimum = "40 %"', 'minimum = "50 %"'),
        ('{ time = "1.5 s", throttle = "40 %" }', '{ time = "0.9 s", throttle = "20 %" }'),
        ('{ time = "3.5 s", throttle = "70 %" }', '{ time = "3.5 s", throttle = "120 %" }'),
        ('{ time = "6.5 s"', '{ time = "601 s"'),
    )
    faults = faults_of(path)
    assert [(f.key, f.got) for f in faults] == [
        ("throttle.profile[2].time", '"0.9 s"'),
        ("throttle.profile[2].throttle", '"20 %"'),
        ("throttle.profile[3].throttle", '"40 %"'),
        ("throttle.profile[4].throttle", '"120 %"'),
        ("throttle.profile[7].time", '"601 s"'),
    ]
    lines = path.read_text(encoding="utf-8").splitlines()
    for fault in faults:
        assert fault.line is not None
        assert fault.got in lines[fault.line - 1]
    assert "a corner before it is at 1 s" in faults[0].message
    assert "throttle.minimum (50 %)" in faults[1].message


def test_a_corner_that_can_not_be_read_does_not_hide_the_others(tmp_path: Path) -> None:
    path = changed_starter(
        tmp_path,
        ('{ time = "1.5 s", throttle = "40 %" }', '{ time = "1.5 s", throttle = "40 mm" }'),
        ('{ time = "3.5 s", throttle = "70 %" }', '{ time = "3.5 s", throttle = "30 %" }'),
    )
    assert [f.key for f in faults_of(path)] == ["throttle.profile[2].throttle", "throttle.profile[4].throttle"]


def test_a_misspelt_required_key_is_one_fault(tmp_path: Path) -> None:
    path = changed_starter(tmp_path, ('thrust = "1.5 kN"', 'trust = "1.5 kN"'), ('bore = "8 mm"', 'boer = "8 mm"'))
    assert [(f.key, f.message) for f in faults_of(path)] == [
        ("engine.trust", "unknown key; did you mean 'thrust', which is missing?"),
        ("legs.oxidizer.valve.boer", "unknown key; did you mean 'bore', which is missing?"),
    ]


def test_a_misspelt_table_is_one_fault(tmp_path: Path) -> None:
    faults = faults_of(changed_starter(tmp_path, ("[battery]", "[batery]")))
    assert [f.message for f in faults] == ["unknown key; did you mean 'battery', which is missing?"]


def test_a_second_spelling_does_not_hide_that_a_key_is_missing(tmp_path: Path) -> None:
    path = changed_starter(tmp_path, ('inductance = "0.6 mH"', 'inductanse = "0.6 mH"\nindictance = "0.6 mH"'))
    assert [f.message.split(";")[0] for f in faults_of(path)] == ["unknown key", "unknown key"]
    path = changed_starter(tmp_path, ('inductance = "0.6 mH"', 'zzz = "0.6 mH"'))
    said = [f.message.split(":")[0] for f in faults_of(path)]
    assert sorted(said) == ["key is missing", "unknown key; allowed here"]


def test_changes_are_quoted_as_written(tmp_path: Path) -> None:
    path = changed_starter(tmp_path)
    assert faults_with("legs.fuel.valve.bore=-3 mm", path=path) == [
        "legs.fuel.valve.bore: must be above 0 mm (got -3 mm)"
    ]
    (said,) = faults_with("battery.resistance = -20 mohm", path=path)
    assert said.endswith("(got -20 mohm)")
    (said,) = faults_with('legs.fuel.valve.torque.running=["1 N m", "-2 N m", "1 N m", "1 N m"]', path=path)
    assert said.endswith('(got legs.fuel.valve.torque.running = ["1 N m", "-2 N m", "1 N m", "1 N m"])')


def test_what_a_change_makes_wrong_is_quoted_from_the_file(tmp_path: Path) -> None:
    said = faults_with("throttle.minimum=75 %", path=changed_starter(tmp_path))
    assert len(said) == 4
    assert said[0].endswith('profile must not go below throttle.minimum (75 %) (got "40 %")')


def test_a_program_sees_its_value_with_a_unit(tmp_path: Path) -> None:
    design = read_design(changed_starter(tmp_path))
    with pytest.raises(DesignError) as caught:
        design.with_values({"legs.fuel.valve.bore": -0.003})
    assert caught.value.faults[0].got == "-3 mm"
