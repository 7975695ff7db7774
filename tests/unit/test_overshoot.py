"""What makes a step overshoot is named where it can be told, and only there."""

from __future__ import annotations

from typing import Any

import pytest

import valvectl
from valvectl.design.starter import write_starter
from valvectl.review.check import _with_cause
from valvectl.review.verdict import row
from valvectl.studies.analysis import Analysis
from valvectl.studies.overshoot import main_contributor


@pytest.fixture(scope="module")
def starter(tmp_path_factory: pytest.TempPathFactory) -> valvectl.Design:
    return valvectl.load(write_starter(tmp_path_factory.mktemp("designs") / "starter.toml"))


def changed(design: valvectl.Design, **gains: float) -> dict[str, Any]:
    """Gains as tuned, some of them times a factor."""
    tuned = design.analysis.gains["oxidizer"]
    names = ("position", "speed", "speed_integral", "current", "current_integral")
    return {f"legs.oxidizer.controller.gains.{n}": getattr(tuned, n) * gains.get(n, 1.0) for n in names}


def test_a_loop_of_low_phase_margin(starter: valvectl.Design) -> None:
    slow = starter.with_values({"legs.oxidizer.controller.position_delay": "4 ms"})
    analysis = Analysis(slow.with_values(changed(slow, position=2.7)))
    assert min(m.phase_margin for m in analysis.loop["oxidizer"].margins.values()) < 0.45
    said = main_contributor(analysis, "oxidizer")
    assert said.startswith("main contributor: low phase margin, 21 deg in the position loop (its linear step alone")


def test_a_drive_that_brakes_at_its_limit(starter: valvectl.Design) -> None:
    analysis = Analysis(starter.with_values({"legs.oxidizer.actuator.current_limit": "2.2 A"}))
    said = main_contributor(analysis, "oxidizer")
    assert said.startswith("main contributor: saturation of the current at its limit of 2.2 A")
    more = Analysis(starter.with_values({"legs.oxidizer.actuator.current_limit": "10 A"}))
    assert more.loop["oxidizer"].worst_overshoot == 0.0  # with more current the same step does not overshoot
    assert main_contributor(more, "oxidizer") == ""


def test_feed_forward_without_friction_to_damp_it(starter: valvectl.Design) -> None:
    torque = "legs.oxidizer.valve.torque"
    easy = {
        f"{torque}.running": ["0.02 N m"] * 4,
        f"{torque}.breakaway": ["0.02 N m"] * 4,
        f"{torque}.pressure_slope": "0 N m/bar",
        "legs.oxidizer.actuator.motor.friction_torque": "0 N m",
        "legs.oxidizer.actuator.current_limit": "60 A",
        "legs.oxidizer.actuator.gears[0].lost_motion": "0 deg",
        "legs.oxidizer.actuator.gears[1].lost_motion": "0 deg",
    }
    analysis = Analysis(starter.with_values(easy))
    assert analysis.loop["oxidizer"].worst_overshoot > 0.05
    assert main_contributor(analysis, "oxidizer").startswith("main contributor: feed-forward of the command (")
    off = Analysis(starter.with_values(easy | {"legs.oxidizer.controller.feedforward_speed": "0 %"}))
    assert off.loop["oxidizer"].worst_overshoot < 0.5 * analysis.loop["oxidizer"].worst_overshoot


def test_only_a_missed_overshoot_is_told_of(starter: valvectl.Design) -> None:
    analysis = Analysis(starter.with_values({"legs.oxidizer.actuator.current_limit": "2.2 A"}))

    def found(id_: str, value: float) -> str:
        return _with_cause(row(id_, "oxidizer", "t", value, "<=", 5.0, "%", "step", "m", True), analysis).case

    assert found("step_overshoot", 5.1).startswith("step; main contributor: saturation of the current")
    assert found("step_overshoot", 4.9) == "step"
    assert found("step_settling", 5.1) == "step"
