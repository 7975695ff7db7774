"""The team's own gear stage from a design file: loads from the actuator by hand, verb, errors."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import valvectl
from valvectl import cli
from valvectl.errors import DesignError
from valvectl.studies.own_stage import gear_wishes

EXAMPLE = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


def changed(folder: Path, old: str, new: str) -> Any:
    text = EXAMPLE.read_text(encoding="utf-8")
    assert old in text
    path = folder / "changed.toml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return valvectl.load(path)


def test_loads_by_hand() -> None:
    """Running: 1.6 N m x 1.5 cold at the table's peak, raised by pressure in proportion, and the stream. Stall: 38 mN m/A,
    colder magnets, x 10 A x 20 x 0.85 x 3."""
    design = valvectl.load(EXAMPLE)
    asked = gear_wishes(design, design.machine, "oxidizer")
    drop = 20.6e5 + design.machine.legs["oxidizer"].head - 1.013e5
    running = 1.5 * 1.6 * (1.0 + 0.02e-5 * drop / 1.85) + 0.05 * 0.008**3 * drop
    assert asked.torque == pytest.approx(running, rel=1e-6)
    constant = 0.038 * (1.0 - 0.0012 * (283.0 - 298.15))
    assert asked.peak_torque == pytest.approx(constant * 10.0 * 20.0 * 0.85 * 3.0, rel=1e-9)
    assert asked.stop_inertia == pytest.approx((8e-6 + 1e-6) * 60.0**2)
    assert asked.speed == pytest.approx(math.radians(300.0))
    assert asked.ratio == 3.0
    assert asked.output_travel == pytest.approx(0.5 * math.pi)


def test_the_example_finds_a_pair_and_its_stage_goes_back_into_the_file() -> None:
    design = valvectl.load(EXAMPLE)
    result = design.gear("oxidizer")
    assert result.recommended is not None
    stage = result.stage()
    keys = {f"legs.oxidizer.actuator.gears[1].{k}": v for k, v in stage.items() if k in ("ratio", "lost_motion")}
    assert design.with_values(keys).machine.legs["oxidizer"].servo.ratio == pytest.approx(20.0 * stage["ratio"])


def test_verb(tmp_path: Path) -> None:
    runner = CliRunner()
    done = runner.invoke(cli.app, ["gear", str(EXAMPLE), "--leg", "oxidizer", "--figure", str(tmp_path / "g.svg")])
    assert done.exit_code == 0
    assert "For the workshop" in done.output
    assert "caution:" in done.output
    assert (tmp_path / "g.svg").read_text(encoding="utf-8").startswith("<?xml")
    content = json.loads(runner.invoke(cli.app, ["gear", str(EXAMPLE), "--leg", "oxidizer", "--json"]).output)
    assert content["recommended"]["module"] == pytest.approx(1.5e-3)


def test_without_the_table_the_error_says_what_to_write(tmp_path: Path) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    start = text.index("[legs.oxidizer.actuator.own_stage]")
    end = text.index("[legs.oxidizer.actuator.position_encoder]")
    path = tmp_path / "bare.toml"
    path.write_text(text[:start] + text[end:], encoding="utf-8")
    with pytest.raises(DesignError, match="centre_distance, face_width"):
        valvectl.load(path).gear("oxidizer")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"30 mm", "45 mm"', '"45 mm", "30 mm"', "smaller first"),
        ('pinion_material = "case-hardening steel, carburised"', 'pinion_material = "cheese"', "pinion_properties"),
        ('face_width = "14 mm"', 'face_width = "14 mm"\nstatic_friction = 0.01', "must not be below friction"),
        (
            'face_width = "14 mm"',
            'face_width = "14 mm"\nlow_temperature = "400 K"',
            "must not be below low_temperature",
        ),
        ('face_width = "14 mm"', 'face_width = "14 mm"\npinion_teeth_most = 8', "must not be below pinion_teeth_least"),
        ('"30 mm", "45 mm"', '"30 cm", "45 m"', "from 1 mm to 2 m"),
    ],
)
def test_bad_wishes(tmp_path: Path, old: str, new: str, message: str) -> None:
    with pytest.raises(DesignError, match=message):
        changed(tmp_path, old, new)


def test_own_material_numbers(tmp_path: Path) -> None:
    table = (
        'wheel_properties = { elasticity = "206 GPa", density = "7850 kg/m^3", expansion = "0.00115 %/K", '
        'yield_stress = "2000 MPa", bending_endurance = "900 MPa", contact_endurance = "2500 MPa" }'
    )
    design = changed(tmp_path, 'face_width = "14 mm"', f'face_width = "14 mm"\n{table}')
    wishes = gear_wishes(design, design.machine, "oxidizer")
    assert wishes.wheel_material.yield_stress == pytest.approx(2e9)
    assert wishes.wheel_material.expansion == pytest.approx(11.5e-6)
    assert wishes.wheel_material.origin == "given in the design file"
