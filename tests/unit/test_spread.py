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
from valvectl.studies.spread import SpreadResult, spread

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
SETTINGS = (0.4, 0.7, 1.0)
TOLERANCE = re.compile(r',\s*tolerance\s*=\s*("[^"]*"|[0-9.e+-]+)')
ACCURACY = {f"legs.{name}.actuator.position_encoder.accuracy": 0.0 for name in LEGS}


@cache
def text() -> str:
    """The rig's file without any tolerance."""
    stripped = TOLERANCE.sub("", RIG.read_text(encoding="utf-8"))
    assert "tolerance" not in stripped
    return stripped


def toleranced(folder: Path, *changes: tuple[str, str], accuracy: bool = False) -> valvectl.Design:
    """The rig with only the tolerances put in by replacing pieces of its text, each found once."""
    out = text()
    for old, new in changes:
        assert out.count(old) == 1, old
        out = out.replace(old, new)
    path = folder / "rig.toml"
    path.write_text(out, encoding="utf-8")
    design = valvectl.load(path)
    return design if accuracy else design.with_values(ACCURACY)


def found(design: valvectl.Design) -> SpreadResult:
    return spread(design, design.machine, design.analysis.schedule, SETTINGS)


def models(design: valvectl.Design) -> list[EngineModel]:
    return [engine_model(design.machine, solve(design.machine, x)) for x in SETTINGS]


TANK = (
    'pressure = { value = "21.6 bar abs", origin',
    'pressure = { value = "21.6 bar abs", tolerance = "0.1 bar", origin',
)
FUEL_TANK = (
    'pressure = { value = "23 bar abs", origin',
    'pressure = { value = "23 bar abs", tolerance = "0.2 bar", origin',
)


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
    design = toleranced(tmp_path, TANK)
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
    start = text().index("kv = { value = [")
    end = text().index("]", start)
    table = text()[start : end + 1]
    result = found(design := toleranced(tmp_path, (table, f'{table}, tolerance = "0.1 %"')))
    keys = {c.key: c for c in result.contributions}
    assert set(keys) == {"legs.oxidizer.valve.flow.kv", "legs.fuel.valve.flow.kv"}
    for name in LEGS:
        expected = [
            abs(model.static_ratio_sensitivity(name)) * 0.001 / model.point.legs[name].gain for model in models(design)
        ]
        assert keys[f"legs.{name}.valve.flow.kv"].ratio_change == pytest.approx(expected, rel=0.01)


def test_independent_inputs_add_by_squares(tmp_path):
    both = found(toleranced(tmp_path, TANK, FUEL_TANK))
    first = found(toleranced(tmp_path, TANK))
    second = found(toleranced(tmp_path, FUEL_TANK))
    assert both.spread == pytest.approx(np.hypot(first.spread, second.spread), rel=1e-12)
    assert both.worst_case == pytest.approx(first.worst_case + second.worst_case, rel=1e-12)
    assert [c.key for c in both.contributions] == ["legs.fuel.tank.pressure", "legs.oxidizer.tank.pressure"]


def test_encoder_accuracy_by_hand(tmp_path):
    """0.05 deg at the stem times the static sensitivity; on the motor it shrinks by the gear ratio."""
    design = toleranced(tmp_path, accuracy=True)
    result = found(design)
    keys = {c.key: c for c in result.contributions}
    assert set(keys) == set(ACCURACY)
    for name in LEGS:
        expected = [abs(model.static_ratio_sensitivity(name)) * math.radians(0.05) for model in models(design)]
        got = keys[f"legs.{name}.actuator.position_encoder.accuracy"]
        # Scheduled angles give the setting exactly at the entries, within the table's own error between them.
        assert got.ratio_change == pytest.approx(expected, rel=2e-3)
    on_motor = found(design.with_values({f"legs.{name}.actuator.position_encoder.location": "motor" for name in LEGS}))
    assert on_motor.spread == pytest.approx(result.spread / 60.0, rel=1e-9)


def test_encoder_accuracy_against_the_balance(tmp_path):
    """The same error put on the angle and the engine solved anew."""
    design = toleranced(tmp_path, accuracy=True)
    keys = {c.key: c for c in found(design).contributions}
    point = solve(design.machine, 0.4)
    angles = {name: leg.angle for name, leg in point.legs.items()}
    moved = balance(design.machine, angles["oxidizer"] + math.radians(0.05), angles["fuel"])
    expected = moved.mixture_ratio / point.mixture_ratio - 1.0
    got = keys["legs.oxidizer.actuator.position_encoder.accuracy"].ratio_change[0]
    assert got == pytest.approx(expected, rel=0.01)


def test_input_that_can_not_be_moved_is_named(tmp_path):
    """A tolerance that would lift the tank's temperature to where it boils is left out, with the reason."""
    old = 'temperature = { value = "88 K", origin'
    result = found(toleranced(tmp_path, TANK, (old, 'temperature = { value = "88 K", tolerance = "60 K", origin')))
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
