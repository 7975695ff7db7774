"""Numbers to check by hand, hold points, sources: against the studies, and shown in the report."""

from __future__ import annotations

import math
import re
from functools import cache
from pathlib import Path

import pytest

import valvectl
from valvectl.review.by_hand import lines
from valvectl.review.check import check
from valvectl.review.folder import json_of
from valvectl.review.hold_points import hold_points
from valvectl.review.report import render
from valvectl.review.sources import DERIVED, LIBRARY, MEMORY, PRACTICE, sources
from valvectl.review.verdict import Review

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


@cache
def review() -> Review:
    return check(rig())


def line(place: str, what: str):
    (found,) = [h for h in lines(rig().analysis) if h.place == place and h.what == what]
    return found


# ---------------------------------------------------------------------------------------------------- by hand


def test_the_formulas_lead_to_what_the_studies_found():
    """Every line that the program also has from elsewhere."""
    full = max(rig().analysis.schedule.points, key=lambda p: p.throttle)
    assert line("engine, 100 % thrust", "chamber pressure, absolute").value == pytest.approx(
        full.chamber_pressure / 1e5, rel=1e-6
    )
    assert line("engine, 100 % thrust", "mixture ratio").value == pytest.approx(full.mixture_ratio)
    for leg in ("oxidizer", "fuel"):
        point = full.legs[leg]
        drop = (point.manifold - full.chamber_pressure) / 1e5
        assert line(f"{leg}, 100 % thrust", "injector drop").value == pytest.approx(drop, rel=1e-6)
        assert line(f"{leg}, worst corner", "stem torque available").value == pytest.approx(
            rig().torque(leg).available, rel=1e-9
        )
        needed = line(f"{leg}, worst corner", "breakaway torque").value
        assert rig().torque(leg).margin == pytest.approx(rig().torque(leg).available / needed - 1.0, rel=1e-9)


def evaluate(text: str) -> float:
    """A formula of the table as a pocket calculator would take it."""
    body = text.split("=")[-1]
    body = re.sub(r"\)2", ")**2", body)
    body = body.replace(" x ", "*")
    body = re.sub(r"sqrt\(", "math.sqrt(", body)
    body = re.sub(r"(mm2|deg/s|mH|ohm|Hz|ms)\b", "", body)
    return float(eval(body, {"math": math}))  # a formula of our own making


@pytest.mark.parametrize(
    ("place", "what", "scale"),
    [
        ("engine, 100 % thrust", "chamber pressure, absolute", 10.0),  # m/s kg/s / mm2 = MPa
        ("fuel, 100 % thrust", "flow by volume", 1.0),
        ("fuel, 100 % thrust", "Kv", 1.0),
        ("fuel, worst corner", "stem torque available", 1.0),
        ("fuel", "motor speed at the command's limit", 1.0),
        ("fuel", "phase lost to delay and hold at Kp / 2 pi", 1e-3),
        ("fuel", "motor's electrical time constant", 1.0),
    ],
)
def test_a_calculator_gets_the_result_from_the_formula_as_printed(place, what, scale):
    found = line(place, what)
    assert evaluate(found.formula) * scale == pytest.approx(found.value, rel=2e-3)


def test_pressures_of_a_leg_add_up():
    """Tank + head - line - behind the valve - injector - chamber, as printed."""
    for leg in ("oxidizer", "fuel"):
        found = line(f"{leg}, 100 % thrust", "drop left for the valve")
        numbers = [float(v) for v in re.findall(r"(?<=[a-z] )-?\d+\.?\d*(?:e-?\d+)?", found.formula)]
        assert numbers[0] + numbers[1] - sum(numbers[2:]) == pytest.approx(found.value, abs=2e-3)


# ------------------------------------------------------------------------------------------------ hold points


def evidence(number: int, words: str) -> list[str]:
    stage = hold_points(rig().analysis)[number - 1]
    return [e.limit for e in stage.evidence if words in e.what]


def test_nine_hold_points_in_order_with_limits_of_this_design():
    found = hold_points(rig().analysis)
    assert [h.number for h in found] == list(range(1, 10))
    assert found[0].before.startswith("first power")
    assert found[-1].before.startswith("throttled")
    assert all(e.limit and e.what for h in found for e in h.evidence)
    assert evidence(1, "oxidizer: current limit") == ["≤ 3.00 A"]
    assert evidence(3, "fuel: span") == ["89.50 to 90.50 deg"]
    assert evidence(4, "difference of the two valves") == ["≤ 5 ms"]


def test_limits_follow_the_design():
    tighter = rig().with_values(
        {"legs.oxidizer.actuator.current_limit": 8.0, "requirements.mixture_ratio_steady": 0.03}
    )
    found = hold_points(tighter.analysis)
    assert "≤ 2.40 A" in [e.limit for e in found[0].evidence]
    assert "within 3 %" in [e.limit for e in found[8].evidence]


def test_cold_breakaway_is_held_to_what_the_margin_leaves():
    allowed = rig().torque("oxidizer").available / 2.0
    assert evidence(6, "oxidizer: first move")[0].startswith(f"≤ {allowed:.2f} N m")
    assert evidence(6, "fuel: first move") == []  # warm


# ---------------------------------------------------------------------------------------------------- sources


def test_sources_follow_what_the_design_uses():
    subjects = {(s.subject, s.model) for s in sources(rig().analysis)}
    assert ("gear teeth", "bending, contact, geometry") in subjects
    assert all(s.sure for s in sources(rig().analysis))
    known = (LIBRARY, MEMORY, PRACTICE, DERIVED)
    assert all(s.sure in known for s in sources(rig().analysis) if s.subject != "torque")
    assert not any(s.model == "separated flow" for s in sources(rig().analysis))
    leaving = rig().with_values({"engine.separation": "schmucker"})
    assert any(s.model == "separated flow" for s in sources(leaving.analysis))


# ------------------------------------------------------------------------------------------------- the report


def test_they_stand_in_the_report_and_in_the_json():
    page = render(review())
    for text in ('id="hold-points"', 'id="by-hand"', "Released by", "safe to proceed", "Sources of the models"):
        assert text in page
    content = json_of(review())
    assert len(content["hold_points"]) == 9
    assert content["by_hand"][0]["what"] == "mixture ratio"
    assert content["sources"][0]["sure"] == LIBRARY
