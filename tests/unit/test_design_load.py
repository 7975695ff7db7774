"""Reading design files: parts, same_as, extras, gauge pressures, and input that means harm."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest
from changed_starter import changed_starter

from valvectl.design.load import read_design
from valvectl.design.starter import STARTERS_NOTE, starter_text, write_starter
from valvectl.errors import DesignError, Fault

TANK = 'pressure = { value = "16.4 bar abs", tolerance = "0.15 bar", origin = "assumed" }'
MANIFOLD = 'volume = "20 mL"                                 # liquid volume that counts as manifold\n'


def messages(path: Path) -> list[str]:
    with pytest.raises(DesignError) as caught:
        read_design(path)
    return [f"{f.key}: {f.message}" for f in caught.value.faults]


def test_gauge_counts_from_the_ambient_pressure(tmp_path: Path) -> None:
    ambient = ('ambient_pressure = "1.013 bar abs"', 'ambient_pressure = "0.7 bar abs"')
    design = read_design(changed_starter(tmp_path, (TANK, 'pressure = "16 bar gauge"'), ambient))
    assert design.legs.oxidizer.tank.pressure == pytest.approx(16.7e5)


def test_ambient_itself_must_be_absolute(tmp_path: Path) -> None:
    path = changed_starter(tmp_path, ('ambient_pressure = "1.013 bar abs"', 'ambient_pressure = "0 bar gauge"'))
    assert messages(path) == ["engine.ambient_pressure: must be absolute: gauge pressures are counted from it"]


def test_part_file_and_override(tmp_path: Path) -> None:
    (tmp_path / "parts").mkdir()
    (tmp_path / "parts" / "m.toml").write_text('# a part\nvolume = "33 mL"\ngas_volume = "1 mL"\n')
    path = changed_starter(tmp_path, (MANIFOLD, 'part = "parts/m.toml"\n'))
    design = read_design(path)
    assert design.legs.oxidizer.manifold.volume == pytest.approx(33e-6)
    assert design.legs.oxidizer.manifold.gas_volume == 0.0  # the key next to part wins
    given = design.inputs["legs.oxidizer.manifold.volume"]
    assert (given.file, given.line, given.text) == (str(tmp_path / "parts" / "m.toml"), 2, "33 mL")


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    inner, outside = tmp_path / "inner", tmp_path / "secret.toml"
    inner.mkdir()
    outside.write_text('volume = "20 mL"\n')
    os.symlink(outside, inner / "link.toml")
    path = changed_starter(inner, (MANIFOLD, 'part = "link.toml"\n'))
    assert messages(path) == [
        "legs.oxidizer.manifold.part: part file must lie in the folder of the design file or below it: "
        "this one is a link out of it"
    ]


@pytest.mark.parametrize("name", ["a\\u0000b", "x" * 5000, "", "..\\\\m.toml", "C:\\\\m.toml", "~/m.toml", "."])
def test_strange_part_names_are_one_fault(tmp_path: Path, name: str) -> None:
    assert len(messages(changed_starter(tmp_path, (MANIFOLD, f'part = "{name}"\n')))) == 1


def test_a_part_that_is_not_toml_names_its_own_file_once(tmp_path: Path) -> None:
    (tmp_path / "m.toml").write_text("volume = \n")
    with pytest.raises(DesignError) as caught:
        read_design(changed_starter(tmp_path, (MANIFOLD, 'part = "m.toml"\n')))
    (fault,) = caught.value.faults
    assert fault.file == str(tmp_path / "m.toml")
    assert fault.line == 1


def test_same_as_merges_tables_and_replaces_lists(tmp_path: Path) -> None:
    design = read_design(changed_starter(tmp_path))
    fuel, oxidizer = design.legs.fuel, design.legs.oxidizer
    assert fuel.actuator.motor.resistance == oxidizer.actuator.motor.resistance
    assert fuel.actuator.motor.cold_friction_factor == 1.0
    assert oxidizer.actuator.motor.cold_friction_factor == 1.5
    assert fuel.valve.torque.cold_factor == 1.0
    assert design.inputs["legs.fuel.valve.torque.cold_factor"].tolerance is None  # a new value drops the old extras
    assert design.inputs["legs.fuel.actuator.motor.resistance"].tolerance == pytest.approx(0.048)
    gear = '{ name = "one", ratio = 50, efficiency = 0.8, static_efficiency = 0.7, lost_motion = "9 arcmin" }'
    gears = f"gears = [{gear}]\n"
    path = changed_starter(
        tmp_path, ("motor = { cold_friction_factor = 1.0 }", gears + "motor = { cold_friction_factor = 1.0 }")
    )
    assert [g.ratio for g in read_design(path).legs.fuel.actuator.gears] == [50.0]


def test_same_as_inside_a_table_that_took_over_another(tmp_path: Path) -> None:
    path = changed_starter(tmp_path)
    text = path.read_text()
    head, tail = text.split("[legs.fuel.liquid]")
    battery = tail.index("# ====", tail.index("[legs.fuel.controller]"))
    fuel = (
        '[legs.fuel]\nsame_as = "legs.oxidizer"\n[legs.fuel.downstream]\nsame_as = "legs.fuel.line"\nlength = "0.2 m"\n'
        '[legs.fuel.tank]\npressure = { tolerance = "0.3 bar", origin = "measured" }\n'
    )
    path.write_text(head + fuel + tail[battery:])
    design = read_design(path)
    assert design.legs.fuel.downstream is not None
    assert design.legs.fuel.downstream.inner_diameter == pytest.approx(0.012)
    assert design.legs.fuel.downstream.length == pytest.approx(0.2)
    tank = design.inputs["legs.fuel.tank.pressure"]
    assert (tank.value, tank.tolerance) == pytest.approx((16.4e5, 3e4))
    assert tank.origin == "measured"


@pytest.mark.parametrize(
    "target", ["legs.fuel.controller", "legs.fuel", "legs", "nothing.here", "battery.voltage", "a..b", ""]
)
def test_bad_targets_of_same_as_are_one_fault(tmp_path: Path, target: str) -> None:
    said = messages(changed_starter(tmp_path, ('same_as = "legs.oxidizer.controller"', f'same_as = "{target}"')))
    assert len(said) == 1
    assert said[0].startswith("legs.fuel.controller.same_as: ")


def test_a_fault_that_was_taken_over_is_said_once(tmp_path: Path) -> None:
    assert messages(changed_starter(tmp_path, ('inductance = "0.6 mH"', 'inductance = "0 mH"'))) == [
        "legs.oxidizer.actuator.motor.inductance: must be above 0 mH"
    ]
    assert len(messages(changed_starter(tmp_path, ('inductance = "0.6 mH" ', "")))) == 1


def test_a_misspelt_key_is_not_reported_as_two_faults(tmp_path: Path) -> None:
    said = messages(changed_starter(tmp_path, ("open_stop =", "open_stopp =")))
    assert said == ["legs.oxidizer.valve.open_stopp: unknown key; did you mean 'open_stop'?"]


def test_limits_are_shown_in_the_unit_of_the_tables(tmp_path: Path) -> None:
    path = changed_starter(tmp_path, ('slot_clearance = "0.05 deg"', 'slot_clearance = "20 deg"'))
    assert messages(path) == ["legs.oxidizer.valve.slot_clearance: must be at most 10 deg"]


def test_a_rule_about_a_default_says_so(tmp_path: Path) -> None:
    path = changed_starter(tmp_path, ('hot_winding = "353 K" ', ""), ('"398 K"', '"350 K"'))
    with pytest.raises(DesignError) as caught:
        read_design(path)
    assert caught.value.faults[0].got == "373.15 K, the default"


def test_bom_and_windows_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "design.toml"
    path.write_bytes(b"\xef\xbb\xbf" + starter_text().replace("\n", "\r\n").encode())
    assert read_design(path).name


HOSTILE = {
    "deep list": "a = " + "[" * 5000 + "]" * 5000,
    "deep list, readable": "a = " + "[" * 60 + "]" * 60,
    "deep dotted key": ".".join(["a"] * 400000) + " = 1",
    "deep quoted key": " . ".join(['"a\\"b"'] * 100000) + " = 1",
    "deep header": "[" + ".".join(["1"] * 400000) + "]",
    "a million signs of a word": "a = '" + "a" * 900000 + "'",
    "long decimal": "a = " + "9" * 6000,
    "long hexadecimal": "name = 0x" + "f" * 8000,
    "date": "engine = 1979-05-27",
    "list of nothing": "engine = [[], []]\nlegs = [1]\nbattery = 3\nthrottle = ''",
    "tables that double": "\n".join(
        ["[t0]\na = [1, 2, 3, 4, 5, 6, 7, 8]"]
        + [f'[t{i}]\na = {{ same_as = "t{i - 1}" }}\nb = {{ same_as = "t{i - 1}" }}' for i in range(1, 40)]
    ),
    "many links": "".join(f'[a.b{i}]\nsame_as = "a.b{i + 1}"\n' for i in range(15000)) + "[a.b15000]\nx = 1\n",
    "key with escape": '"\\u001b[2J" = 1',
    "key of 10000 letters": "a" * 10000 + " = 1",
    "table for text": "name = { a = 1 }",
    "extras without value": 'name = { origin = "measured" }',
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE.keys())
@pytest.mark.timeout(20)
def test_hostile_text_gives_plain_faults(tmp_path: Path, text: str) -> None:
    path = tmp_path / "design.toml"
    path.write_text(text)
    with pytest.raises(DesignError) as caught:
        read_design(path)
    for fault in caught.value.faults:
        assert str(fault).isprintable()
        assert len(str(fault)) < 1000


def test_folders_pipes_and_missing_files(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert messages(tmp_path) == [": is a folder, not a file"]
    assert messages(tmp_path / "pipe") == [": is a device or pipe, not a file"]
    assert messages(tmp_path / "none.toml") == [": no such file"]
    assert messages(Path("a\0b"))[0].startswith(": can not be read")


def faults_or_none(path: Path) -> tuple[Fault, ...] | None:
    try:
        read_design(path)
    except DesignError as error:
        return error.faults
    return None


@pytest.mark.timeout(120)
def test_random_damage_gives_a_design_or_faults_and_nothing_else(tmp_path: Path) -> None:
    draw = random.Random(20260101)
    path = tmp_path / "design.toml"
    words = ["nan", "inf", "true", "[[", '"""', "same_as", "part", "value", "1e400"]
    signs = [*"{}[]=\"'.,#\n\t 0-9e%x\\\u00b5\u202e\x7f", *words]
    for _ in range(150):
        text = starter_text()
        for _ in range(draw.randint(1, 4)):
            at = draw.randrange(len(text))
            text = text[:at] + draw.choice(signs) + text[at + draw.randint(0, 12) :]
        path.write_text(text, encoding="utf-8")
        faults = faults_or_none(path)
        assert faults is None or (faults and all(str(fault).isprintable() for fault in faults))


def test_starter_is_written_once(tmp_path: Path) -> None:
    path = write_starter(tmp_path / "my.toml")
    design = read_design(path)
    assert design.data.note.startswith(STARTERS_NOTE)
    assert "Invented demonstration data" not in design.data.note  # that is the demonstration's, not the team's
    assert design.name == "my (numbers of the starter)"
    assert design.engine == read_design(changed_starter(tmp_path)).engine
    (tmp_path / "design.toml").unlink()
    path.write_text("mine")
    with pytest.raises(DesignError, match="exists already and is not overwritten"):
        write_starter(path)
    assert path.read_text() == "mine"
    with pytest.raises(DesignError, match="does not exist; make it first"):
        write_starter(tmp_path / "no" / "my.toml")
    os.symlink(tmp_path / "nowhere", tmp_path / "dangling.toml")
    with pytest.raises(DesignError, match="exists already"):
        write_starter(tmp_path / "dangling.toml")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["dangling.toml", "my.toml"]


@pytest.mark.parametrize("stem", ['a "b" \\ c', "x" * 90, "שלום", "a\x1b[31m", "\\"])
def test_a_new_design_is_called_after_its_file(tmp_path: Path, stem: str) -> None:
    design = read_design(write_starter(tmp_path / f"{stem}.toml"))
    assert design.name.endswith(" (numbers of the starter)")
    assert design.name.isprintable()


def test_the_example_design_reads() -> None:
    example = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
    design = read_design(example)
    assert "invented" in design.name
    assert len(design.toleranced()) > 20


def test_a_quantity_in_a_table_is_shown_by_its_value(tmp_path: Path) -> None:
    path = changed_starter(
        tmp_path, (TANK, 'pressure = { value = "16.4 mm", tolerance = "0.15 bar", origin = "assumed" }')
    )
    with pytest.raises(DesignError) as caught:
        read_design(path)
    assert [f.got for f in caught.value.faults] == ['"16.4 mm"']
