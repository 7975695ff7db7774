"""A flow table against the characteristic that its maker states, to the limits of IEC 60534-2-4, and in ``ports``."""

from __future__ import annotations

import json
import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import valvectl
from valvectl.cli import app
from valvectl.design.schema import Valve
from valvectl.parts.characteristic import equal_percentage, linear
from valvectl.studies.port_facts import STANDARD_TRAVEL, port_notes, stated_characteristic

DESIGNS = Path(__file__).parents[2] / "designs"
LAW = {"equal percentage": equal_percentage, "linear": linear}


def valve_part(
    name: str, off: dict[float, float] | None = None, rangeability: float = 50.0, **changes: object
) -> Valve:
    """A valve whose table is the stated characteristic at the standard's openings, some of them off by a share."""
    travel = (0.0, *STANDARD_TRAVEL)
    kv = [0.0] + [4.0 * LAW[name](h, rangeability) * (1.0 + (off or {}).get(h, 0.0)) for h in STANDARD_TRAVEL]
    flow = {
        "angle": [math.radians(8.0 + 82.0 * h) for h in travel], "kv": kv, "fl": [0.9] * len(kv), "characteristic": name,
        "rangeability": rangeability,
    }  # fmt: skip
    torque = {"angle": [0.0, 1.6], "running": [1.0, 1.0], "breakaway": [1.0, 1.0]}
    base = {"bore": 0.008, "torque": torque, "inertia": 1e-5, "closes": "clockwise", "flow": flow}
    return Valve.model_validate({**base, **changes}, context={"si": True})


@pytest.mark.parametrize("name", LAW)
def test_the_stated_curve_itself_is_within(name: str) -> None:
    found = stated_characteristic(valve_part(name))
    assert found is not None
    assert found.within
    assert [row.angle for row in found.rows] == pytest.approx([math.radians(8.0 + 82.0 * h) for h in STANDARD_TRAVEL])
    np.testing.assert_allclose([row.deviation for row in found.rows], 0.0, atol=2e-4)
    assert found.inherent_rangeability == pytest.approx(1.0 / found.rows[0].stated)
    assert "is within the limits" in found.verdict
    assert not port_notes(valve_part(name))


def test_one_opening_beyond_the_limit_is_named() -> None:
    """At 30 % of travel equal percentage has Phi = 50^-0.7, limit 10 (1/Phi)^0.2 = 17.3 %."""
    found = stated_characteristic(valve_part("equal percentage", {0.3: 0.19}))
    assert found is not None
    row = found.rows[3]
    assert row.limit == pytest.approx(0.1 * 50.0 ** (0.7 * 0.2), rel=1e-9)
    assert row.deviation == pytest.approx(0.19, abs=2e-4)
    assert not row.within
    assert not found.within
    assert "NOT within" in found.verdict
    assert "32.6" in found.verdict
    (note,) = port_notes(valve_part("equal percentage", {0.3: 0.19}))
    assert note.startswith("equal percentage, rangeability 50, as stated")
    # The slope from there to 40 % is still within 0.5 to 2, so that the rangeability counts from 40 % of travel.
    assert found.inherent_rangeability == pytest.approx(50.0**0.6, rel=1e-9)


def test_port_scale_and_reducers_do_not_enter() -> None:
    plain, scaled = (
        stated_characteristic(valve_part("linear", **keys)) for keys in ({}, {"port_scale": 0.5, "reducers": True})
    )
    assert plain is not None
    assert scaled is not None
    np.testing.assert_allclose([r.measured for r in scaled.rows], [r.measured for r in plain.rows], rtol=1e-12)


def test_nothing_stated_nothing_compared() -> None:
    part = valve_part("linear")
    bare = part.model_copy(update={"flow": part.flow.model_copy(update={"characteristic": None, "rangeability": None})})  # type: ignore[union-attr]
    assert stated_characteristic(bare) is None


def stated_rig(folder: Path) -> Path:
    shutil.copytree(DESIGNS / "parts", folder / "parts")
    text = (DESIGNS / "hover-rig.toml").read_text(encoding="utf-8")
    head = "[legs.oxidizer.valve.flow]\n"
    assert text.count(head) == 1
    path = folder / "rig.toml"
    path.write_text(
        text.replace(head, f'{head}characteristic = "equal percentage"\nrangeability = 100\n'), encoding="utf-8"
    )
    return path


def test_ports_prints_the_table_with_the_verdict(tmp_path: Path) -> None:
    path = stated_rig(tmp_path)
    result = CliRunner().invoke(app, ["ports", str(path), "--leg", "oxidizer"])
    assert result.exit_code == 0, result.output
    assert "against the characteristic it is stated to have" in result.output
    assert "BEYOND" in result.output
    assert "NOT within the limits of IEC 60534-2-4" in " ".join(result.output.split())
    content = json.loads(CliRunner().invoke(app, ["ports", str(path), "--leg", "oxidizer", "--json"]).stdout)
    assert len(content["stated"]["rows"]) == len(STANDARD_TRAVEL)
    assert content["stated"]["rows"][0]["within"] is False
    own = valvectl.load(path).ports("oxidizer")
    assert own.stated is not None
    assert not own.stated.within
    assert own.reason in content["reason"]
