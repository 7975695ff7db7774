"""Shapes of a port in the design file: what each needs, what machine and study make of it, where it stops being true."""

from __future__ import annotations

import math
import shutil
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import PortModel, Valve
from valvectl.design.schema_valve import SHAPE_KEYS
from valvectl.errors import DesignError
from valvectl.parts import characteristic, valve
from valvectl.parts.flow_coefficients import kv_to_k
from valvectl.plant import port_curve
from valvectl.studies.port_facts import port_notes
from valvectl.studies.port_shapes import Port, default_ports, own_port, port_keys
from valvectl.studies.port_shapes import port_curve as candidate_curve
from valvectl.studies.ports import ports

DESIGNS = Path(__file__).parents[2] / "designs"
MODELS = {
    "cock": {},
    "round": {"ball_diameter": "13 mm", "open_loss_coefficient": 0.1},
    "v": {
        "included_angle": "60 deg", "ball_diameter": "12 mm", "open_loss_coefficient": 0.1, "dead_band": "8 deg",
    },
    "equal percentage": {"kv": 3.0, "rangeability": 50, "dead_band": "8 deg"},
    "linear": {"kv": 3.0, "rangeability": 50, "dead_band": "5 deg"},
    "quick opening": {"cv": 3.0, "rangeability": 50, "dead_band": "0 deg"},
}  # fmt: skip


@cache
def text() -> str:
    return (DESIGNS / "sprint-stand.toml").read_text(encoding="utf-8")


def written(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value)


def with_port(folder: Path, shape: str, fl: str = "[0.97, 0.95, 0.90, 0.78, 0.60]", bore: str = "8 mm", **keys: object):
    """The sprint stand with another port in both legs, from a file."""
    body = "\n".join(f"{k} = {written(v)}" for k, v in {"shape": shape, **keys}.items())
    old = "fl = [0.97, 0.95, 0.90, 0.78, 0.60]"
    assert text().count(old) == 1
    changed = text().replace(old, f"{body}\nfl = {fl}").replace('bore = "8 mm"', f'bore = "{bore}"')
    shutil.copytree(DESIGNS / "parts", folder / "parts", dirs_exist_ok=True)
    path = folder / "design.toml"
    path.write_text(changed, encoding="utf-8")
    return valvectl.load(path)


@pytest.mark.parametrize("shape", MODELS)
def test_every_shape_runs_through_machine_balance_and_ports(shape: str, tmp_path: Path) -> None:
    design = with_port(tmp_path, shape, **MODELS[shape])
    machine = design.machine
    grid = machine.legs["oxidizer"].characteristic
    assert np.all(np.diff(grid.c) >= 0.0)
    assert np.all(np.isfinite(grid.c))
    found = ports(design, machine, design.analysis.schedule, "oxidizer", [])
    assert found.own.reaches
    np.testing.assert_allclose(found.own.kv, found.need.kv, rtol=1e-8)
    assert found.own.validity
    assert design.get("legs.fuel.valve.port.shape") == shape


@pytest.mark.parametrize("shape", MODELS)
def test_validity_is_among_the_reports_notes(shape: str, tmp_path: Path) -> None:
    from valvectl.review.check import warnings_of

    design = with_port(tmp_path, shape, **MODELS[shape])
    part = design.leg("oxidizer").valve
    (note,) = port_notes(part)
    assert ("Weisbach's round cock" in note) == (shape == "cock")
    if shape != "cock":
        assert f"a model ({shape})" in note
        assert port_curve.valve_curve(part).curve.validity in note
    assert any(note in text for text in warnings_of(design.analysis, None))


@pytest.mark.parametrize("shape", MODELS)
def test_a_shape_needs_its_keys_and_refuses_others(shape: str) -> None:
    own = set(SHAPE_KEYS[shape])  # type: ignore[index]
    values = {
        "ball_diameter": 0.013, "open_loss_coefficient": 0.1, "included_angle": 1.0, "kv": 3.0, "rangeability": 50.0,
        "dead_band": 0.1,
    }  # fmt: skip
    si = {"si": True}
    good = {key: value for key, value in values.items() if key in own}
    PortModel.model_validate({"shape": shape, **good}, context=si)
    for key in own & set(values):
        with pytest.raises(ValueError, match=f'shape "{shape}" needs'):
            PortModel.model_validate({"shape": shape, **{k: v for k, v in good.items() if k != key}}, context=si)
    for key in set(values) - own:
        with pytest.raises(ValueError, match=f'shape "{shape}" has no {key}; its keys are fl'):
            PortModel.model_validate({"shape": shape, **good, key: values[key]}, context=si)


def valve_part(**changes: object) -> Valve:
    torque = {"angle": [0.0, 1.6], "running": [1.0, 1.0], "breakaway": [1.0, 1.0]}
    base = {"bore": 0.008, "torque": torque, "inertia": 1e-5, "closes": "clockwise"}
    return Valve.model_validate({**base, **changes}, context={"si": True})


def test_round_is_the_geometry_of_the_ball() -> None:
    part = valve_part(port={"shape": "round", "ball_diameter": 0.013, "open_loss_coefficient": 0.1})
    direct = characteristic.ball_curve(0.008, 0.013, 0.1)
    got = port_curve.valve_curve(part).curve
    assert (got.angle, got.kv) == (direct.angle, direct.kv)
    assert kv_to_k(got.rated_kv, 0.008) == pytest.approx(0.1, rel=1e-9)


def test_a_v_that_reaches_the_far_rim_before_the_stop_holds_its_kv() -> None:
    keys = {"shape": "v", "included_angle": 1.0, "open_loss_coefficient": 0.1, "dead_band": 0.1}
    part = valve_part(port={**keys, "ball_diameter": 0.016})
    curve = port_curve.valve_curve(part).curve
    reach = 0.1 + 2.0 * math.asin(0.5)
    assert curve.angle[-1] == pytest.approx(reach, rel=1e-12)
    grid = port_curve.grid(part, 0.012, 0.012)
    beyond = grid.angles >= reach
    assert np.ptp(grid.c[beyond]) <= 1e-9 * grid.c[-1]
    assert grid.shut == pytest.approx(0.1)


@pytest.mark.parametrize("shape", ["equal percentage", "linear", "quick opening"])
def test_formulas_hold_above_the_dead_band_and_shut_in_it(shape: str) -> None:
    law = {
        "equal percentage": characteristic.equal_percentage,
        "linear": characteristic.linear,
        "quick opening": characteristic.quick_opening,
    }[shape]
    dead, opened = math.radians(8.0), math.radians(90.0)
    part = valve_part(port={"shape": shape, "kv": 3.0, "rangeability": 40.0, "dead_band": dead})
    grid = port_curve.grid(part, 0.012, 0.012)
    kv = np.interp(np.radians([15.0, 45.0, 80.0, 90.0]), grid.angles, grid.c / valve.KV_TO_C)
    for degrees, got in zip((15.0, 45.0, 80.0, 90.0), kv, strict=True):
        travel = (math.radians(degrees) - dead) / (opened - dead)
        # Between its points the program's curve is a cubic in ln Kv.
        assert got == pytest.approx(3.0 * law(travel, 40.0), rel=2e-3)
    assert grid.shut == pytest.approx(dead)
    assert np.all(grid.c[grid.angles < dead - 1e-9] == valve.C_FLOOR)


def test_cv_is_turned_into_kv() -> None:
    keys = {"shape": "linear", "rangeability": 40.0, "dead_band": 0.1}
    by_cv = port_curve.valve_curve(valve_part(port={**keys, "cv": 2.0})).curve.rated_kv
    assert by_cv == pytest.approx(2.0 * valve.CV_TO_KV, rel=1e-12)


def test_one_fl_for_every_opening(tmp_path: Path) -> None:
    design = with_port(tmp_path, "cock", fl="0.85")
    grid = design.machine.legs["oxidizer"].valve_alone
    np.testing.assert_allclose(grid.fl, 0.85, rtol=1e-12)
    assert design.get("legs.oxidizer.valve.port.fl") == (0.85,)
    assert "one value" in port_curve.valve_curve(design.leg("oxidizer").valve).fl_origin
    changed = design.with_values({"legs.oxidizer.valve.port.fl": 0.7})
    np.testing.assert_allclose(changed.machine.legs["oxidizer"].valve_alone.fl, 0.7, rtol=1e-12)


def test_a_tolerance_on_one_fl(tmp_path: Path) -> None:
    design = with_port(tmp_path, "cock", fl='{ value = 0.85, tolerance = "4 %" }')
    item = design.inputs["legs.oxidizer.valve.port.fl"]
    assert item.half_widths() == pytest.approx((0.034,))
    from valvectl.studies.adverse import moved_value

    assert moved_value(item, -1) == pytest.approx([0.816])


def test_a_ball_that_never_shuts_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DesignError, match=r"must be above 11\.31 mm"):
        with_port(tmp_path, "round", ball_diameter="11 mm", open_loss_coefficient=0.1)


def test_dead_band_below_the_stop() -> None:
    with pytest.raises(ValueError, match="must be below open_stop"):
        valve_part(port={"shape": "linear", "kv": 3.0, "rangeability": 40.0, "dead_band": 1.6})


@pytest.mark.parametrize("shape", ["round, geometry", "V 60 deg", "equal percentage", "linear"])
def test_the_keys_a_candidate_tells_give_that_candidate(shape, tmp_path: Path) -> None:
    """What ``ports`` says to write, written: same Kv, angles and steps."""
    base = valvectl.load(DESIGNS / "sprint-stand.toml")
    port = Port(shape, 0.009)
    pick = ports(base, base.machine, base.analysis.schedule, "oxidizer", [port]).candidates[1]
    keys = {k: v.strip('"') if v.startswith('"') else float(v) for k, v in port_keys(port).items()}
    assert all(f"{k} = " in pick.how for k in keys)
    after = with_port(tmp_path, **keys, bore="9 mm")  # type: ignore[arg-type]
    after = after.with_values({"legs.oxidizer.valve.reducers": True})
    np.testing.assert_allclose(after.analysis.schedule.angle["oxidizer"], pick.angle, rtol=2e-5)
    np.testing.assert_allclose(after.machine.legs["oxidizer"].characteristic.shut, pick.shut, rtol=1e-4)
    found = ports(after, after.machine, after.analysis.schedule, "oxidizer", []).own
    np.testing.assert_allclose(found.flow_step, pick.flow_step, rtol=2e-3)


def test_the_own_model_is_scaled_like_an_own_table(tmp_path: Path) -> None:
    design = with_port(tmp_path, "v", **MODELS["v"])
    leg = design.leg("oxidizer")
    assert own_port(leg) == Port("own model", 0.008)
    listed = default_ports(leg)
    assert {p.shape for p in listed} >= {"own model", "round, Weisbach", "linear"}
    assert "own table" not in {p.shape for p in listed}
    pick = ports(design, design.machine, design.analysis.schedule, "oxidizer", [Port("own model", 0.010)]).candidates[1]
    key, value = pick.how.split(" = ")
    assert key == "legs.oxidizer.valve.port_scale"
    after = design.with_values({key: float(value)})
    np.testing.assert_allclose(after.analysis.schedule.angle["oxidizer"], pick.angle, rtol=1e-4)
    with pytest.raises(valvectl.RangeError, match="no flow table of its own"):
        candidate_curve(leg, Port("own table", 0.008))
