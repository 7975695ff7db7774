"""Spread of the mixture ratio: one input by hand, two by squares, encoders, what is left out."""

from __future__ import annotations

import math
import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import LEGS, LegName
from valvectl.plant.balance import balance, solve
from valvectl.plant.linear import EngineModel, engine_model
from valvectl.studies.spread import SpreadResult, expanded, spread

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
SETTINGS = (0.4, 0.7, 1.0)
TOLERANCE = re.compile(r',\s*tolerance\s*=\s*("[^"]*"|[0-9.e+-]+)')
PLACEMENT = ("actuator.position_encoder.accuracy", "controller.hold_band", "valve.slot_clearance")
"""Keys of a leg that say where a ball may rest about its command."""


@cache
def text() -> str:
    """The rig's file without any tolerance."""
    stripped = TOLERANCE.sub("", RIG.read_text(encoding="utf-8"))
    assert "tolerance" not in stripped
    return stripped


def tolerance(table: str, key: str, width: str) -> tuple[str, str]:
    """The line of a key given as a table in the rig's file, and the same with a tolerance put in."""
    line = re.search(rf"^{key} = \{{ value = .*$", text()[text().index(f"[{table}]") :], re.MULTILINE)
    assert line is not None
    return f"[{table}]", line[0].replace(", origin", f', tolerance = "{width}", origin', 1)


def toleranced(folder: Path, *changes: tuple[str, str], placed: bool = False) -> valvectl.Design:
    """The rig with only the tolerances of ``tolerance``; balls rest where they are told to unless ``placed``."""
    out = text()
    for table, line in changes:
        start = out.index(table)
        head = line.split(" = ")[0]
        place = re.compile(rf"^{head} = .*$", re.MULTILINE).search(out, start)
        assert place is not None
        out = out[: place.start()] + line + out[place.end() :]
    path = folder / "rig.toml"
    path.write_text(out, encoding="utf-8")
    design = valvectl.load(path)
    return design if placed else design.with_values({f"legs.{name}.{key}": 0.0 for name in LEGS for key in PLACEMENT})


def found(design: valvectl.Design) -> SpreadResult:
    return spread(design, design.machine, design.analysis.schedule, SETTINGS)


def models(design: valvectl.Design) -> list[EngineModel]:
    return [engine_model(design.machine, solve(design.machine, x)) for x in SETTINGS]


TANK = ("legs.oxidizer.tank", "pressure", "0.1 bar")
FUEL_TANK = ("legs.fuel.tank", "pressure", "0.2 bar")


def by_tank(model: EngineModel, name: LegName, change: float) -> float:
    """Relative O/F per change of tank pressure: the leg's own flow, and both legs through the chamber's answer."""
    drive = model.slopes[name].tank * change
    soft = 1.0 - model.pressure_exponent + sum(model.weights[leg] * model.slopes[leg].coupling for leg in LEGS)
    chamber = model.weights[name] * drive / soft
    sign = 1.0 if name == "oxidizer" else -1.0
    return sign * drive - (model.slopes["oxidizer"].coupling - model.slopes["fuel"].coupling) * chamber


def test_no_tolerance_no_spread(tmp_path):
    result = found(toleranced(tmp_path))
    assert result.contributions == ()
    assert result.left_out == ()
    assert list(result.spread) == [0.0, 0.0, 0.0]
    assert list(result.worst_case) == [0.0, 0.0, 0.0]


def test_one_tank_pressure_by_hand(tmp_path):
    """Bound x linear sensitivity; the larger side of a curved law is a little above it."""
    design = toleranced(tmp_path, tolerance(*TANK))
    result = found(design)
    assert [c.key for c in result.contributions] == ["legs.oxidizer.tank.pressure"]
    one = result.contributions[0]
    assert one.bound == pytest.approx(0.1e5)
    expected = [abs(by_tank(model, "oxidizer", 0.1e5)) for model in models(design)]
    assert one.ratio_change == pytest.approx(expected, rel=0.01)
    assert result.spread == pytest.approx(2.0 / math.sqrt(3.0) * one.ratio_change, rel=1e-12)
    assert result.worst_case == pytest.approx(one.ratio_change, rel=1e-12)
    assert result.throttle == pytest.approx(SETTINGS)


def test_flow_table_moves_as_a_whole(tmp_path):
    """0.1 % of all Kv acts as an angle does: sensitivity over d ln c / d angle. Both legs have a table of their own."""
    design = toleranced(tmp_path)
    start = text().index("kv = { value = [")
    end = text().index("]", start) + 1
    path = tmp_path / "kv.toml"
    path.write_text(f'{text()[:end]}, tolerance = "0.1 %"{text()[end:]}', encoding="utf-8")
    result = found(valvectl.load(path).with_values({f"legs.{n}.{key}": 0.0 for n in LEGS for key in PLACEMENT}))
    keys = {c.key: c for c in result.contributions}
    assert set(keys) == {"legs.oxidizer.valve.flow.kv", "legs.fuel.valve.flow.kv"}
    for name in LEGS:
        expected = [
            abs(model.static_ratio_sensitivity(name)) * 0.001 / model.point.legs[name].gain for model in models(design)
        ]
        assert keys[f"legs.{name}.valve.flow.kv"].ratio_change == pytest.approx(expected, rel=0.01)


def test_independent_inputs_add_by_squares(tmp_path):
    both = found(toleranced(tmp_path, tolerance(*TANK), tolerance(*FUEL_TANK)))
    first = found(toleranced(tmp_path, tolerance(*TANK)))
    second = found(toleranced(tmp_path, tolerance(*FUEL_TANK)))
    assert both.spread == pytest.approx(np.hypot(first.spread, second.spread), rel=1e-12)
    assert both.worst_case == pytest.approx(first.worst_case + second.worst_case, rel=1e-12)
    assert [c.key for c in both.contributions] == ["legs.fuel.tank.pressure", "legs.oxidizer.tank.pressure"]


def with_extras(line: tuple[str, str], extras: str) -> tuple[str, str]:
    return line[0], line[1].replace(", origin", f", {extras}, origin", 1)


@pytest.mark.parametrize(("correlation", "between"), [(1.0, 1.0), (0.8, 0.64), (-1.0, 1.0), (0.0, 0.0)])
def test_a_group_counts_by_its_correlation_as_in_the_gum(tmp_path, correlation, between):
    """Two tank pressures push O/F to opposite sides: what they have in common goes away (JCGM 100:2008, 5.2.2). ``between`` is
    the product of the two members' correlations; even inputs keep (6/pi) asin(r/2) of it."""
    first = found(toleranced(tmp_path, tolerance(*TANK))).spread
    second = found(toleranced(tmp_path, tolerance(*FUEL_TANK))).spread
    extras = f'group = "supply", correlation = {correlation}'
    both = found(toleranced(tmp_path, *(with_extras(tolerance(*tank), extras) for tank in (TANK, FUEL_TANK))))
    r = 6.0 / math.pi * math.asin(0.5 * between)
    assert both.spread == pytest.approx(np.sqrt(first**2 + second**2 - 2.0 * r * first * second), rel=1e-9)
    unlike = [
        with_extras(tolerance(*TANK), 'group = "supply"'),
        with_extras(tolerance(*FUEL_TANK), 'group = "supply", correlation = -1.0'),
    ]
    assert found(toleranced(tmp_path, *unlike)).spread == pytest.approx(first + second, rel=1e-9)


def test_a_distribution_counts_by_its_deviation(tmp_path):
    """Half the tolerance for a normal one, over sqrt 6 for a triangular one, where an even one counts over sqrt 3."""
    even = found(toleranced(tmp_path, tolerance(*TANK))).spread
    for word, share in (("normal", 0.5), ("triangular", 1.0 / math.sqrt(6.0))):
        line = with_extras(tolerance(*TANK), f'distribution = "{word}"')
        assert found(toleranced(tmp_path, line)).spread == pytest.approx(share * math.sqrt(3.0) * even, rel=1e-9)


def test_what_a_tightened_tolerance_leaves(tmp_path):
    result = found(toleranced(tmp_path, tolerance(*TANK), tolerance(*FUEL_TANK)))
    alone = found(toleranced(tmp_path, tolerance(*FUEL_TANK))).spread
    assert expanded(result.contributions) == pytest.approx(result.spread)
    assert expanded(result.contributions, "legs.oxidizer.tank.pressure", 0.0) == pytest.approx(alone, rel=1e-9)


def test_where_the_ball_rests_by_hand(tmp_path):
    """Accuracy 0.05 deg, hold band 0.02 deg, half of the slot's 0.05 deg, each times the static sensitivity."""
    design = toleranced(tmp_path, placed=True)
    result = found(design)
    keys = {c.key: c for c in result.contributions}
    assert set(keys) == {f"legs.{name}.{key}" for name in LEGS for key in PLACEMENT}
    for name in LEGS:
        for key, bound in zip(PLACEMENT, (0.05, 0.02, 0.025), strict=True):
            got = keys[f"legs.{name}.{key}"]
            assert got.bound == pytest.approx(math.radians(bound), rel=1e-12)
            expected = [abs(model.static_ratio_sensitivity(name)) * math.radians(bound) for model in models(design)]
            assert got.ratio_change == pytest.approx(expected, rel=2e-3)


def test_encoder_on_the_motor(tmp_path):
    """Its error shrinks by the gear ratio; half the gears' lost motion comes in instead."""
    design = toleranced(tmp_path, placed=True)
    design = design.with_values({f"legs.{name}.actuator.position_encoder.location": "motor" for name in LEGS})
    keys = {c.key: c for c in found(design).contributions}
    for name in LEGS:
        assert keys[f"legs.{name}.{PLACEMENT[0]}"].bound == pytest.approx(math.radians(0.05) / 60.0, rel=1e-12)
        lost = keys[f"legs.{name}.actuator.gears (lost motion)"].bound
        assert lost == pytest.approx(0.5 * math.radians(8.0 / 60.0 / 3.0 + 0.12), rel=1e-9)


def test_encoder_accuracy_against_the_balance(tmp_path):
    """The same error put on the angle and the engine solved anew."""
    design = toleranced(tmp_path, placed=True)
    keys = {c.key: c for c in found(design).contributions}
    point = solve(design.machine, 0.4)
    angles = {name: leg.angle for name, leg in point.legs.items()}
    moved = balance(design.machine, angles["oxidizer"] + math.radians(0.05), angles["fuel"])
    expected = moved.mixture_ratio / point.mixture_ratio - 1.0
    got = keys["legs.oxidizer.actuator.position_encoder.accuracy"].ratio_change[0]
    assert got == pytest.approx(expected, rel=0.01)


def test_input_that_can_not_be_moved_is_named(tmp_path):
    """A tolerance that would lift the tank's temperature to where it boils is left out, with the reason."""
    warm = tolerance("legs.oxidizer.liquid", "temperature", "60 K")
    result = found(toleranced(tmp_path, tolerance(*TANK), warm))
    assert [c.key for c in result.contributions] == ["legs.oxidizer.tank.pressure"]
    assert len(result.left_out) == 1
    assert result.left_out[0].startswith("legs.oxidizer.liquid.temperature: ")
    assert len(result.left_out[0]) > 60


def test_the_rig_itself():
    """All tolerances of the file: largest first, table by setting, every number finite."""
    design = valvectl.load(RIG)
    seen: list[tuple[int, int]] = []
    result = spread(design, design.machine, design.analysis.schedule, SETTINGS, lambda k, n: seen.append((k, n)))
    largest = [float(np.max(c.ratio_change)) for c in result.contributions]
    assert largest == sorted(largest, reverse=True)
    assert np.all(np.isfinite(result.spread))
    assert np.all(result.spread <= 2.0 / math.sqrt(3.0) * result.worst_case)
    assert seen == [(k, len(design.toleranced())) for k in range(len(design.toleranced()))]
    assert list(result.to_frame().columns)[1:] == [f"O/F change at {x} % throttle [%]" for x in (40, 70, 100)]
