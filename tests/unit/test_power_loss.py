"""Loss of power, command or one motor: the torques by hand, the verdicts, the words."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import valvectl
from valvectl.errors import DesignError
from valvectl.studies.adverse import FRICTION_HIGH, FRICTION_LOW, adverse
from valvectl.studies.power_loss import at_rest, back_torque, power_loss, shutting_torque

EXAMPLE = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
SPRING = 'return_spring = { preload = "%s", rate = "0.5 N m/rad" }\n'


def changed(folder: Path, *pairs: tuple[str, str]) -> Any:
    """The example with pieces of text replaced."""
    text = EXAMPLE.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    path = folder / "changed.toml"
    path.write_text(text, encoding="utf-8")
    return valvectl.load(path)


@pytest.fixture(scope="module")
def example() -> Any:
    """The example's result."""
    return valvectl.load(EXAMPLE).power_loss()


def test_a_locked_train_can_not_be_driven_back() -> None:
    assert back_torque(60.0, 0.006, 0.78) == pytest.approx(60.0 * 0.006 / 0.78)
    assert back_torque(60.0, 0.006, 0.0) == math.inf


def test_torques_by_hand(example: Any) -> None:
    """Oxidizer leg at full thrust: Ct d^3 dp; least friction: running -15 %, warm, and N T / eta_back at nominal motor
    friction (the example gives it no tolerance)."""
    design = valvectl.load(EXAMPLE)
    leg, at = design.machine.legs["oxidizer"], example.at_rest["oxidizer"]
    point = design.analysis.schedule.points[-1].legs["oxidizer"]
    assert at.shutting[-1] == pytest.approx(0.05 * 0.008**3 * point.valve_drop)
    rise = 1.0 + 0.02 / 1e5 / (1.85 * 0.85) * point.valve_drop
    running = 0.85 * np.interp(math.degrees(point.angle), [0, 10, 30, 60, 80, 90], [1.6, 1.4, 1.2, 1.2, 1.3, 1.5])
    back = (2.0 - 1.0 / 0.85) * (2.0 - 1.0 / 0.95)
    assert at.backdrive_efficiency == pytest.approx(back)
    assert at.held_low[-1] == pytest.approx(running * rise + 60.0 * 0.004 / back, rel=2e-3)
    assert set(at.behaviour) == {"holds"}
    assert leg.servo.ratio == pytest.approx(60.0)


def test_one_motor_lost_hurts_more_than_both(example: Any) -> None:
    by = {
        what: max(abs(c.peak_error) for c in example.cases if c.what == what)
        for what in {c.what for c in example.cases}
    }
    assert by["power of both drives"] < 0.05
    assert by["fuel drive"] > 0.3
    assert example.worst.what in ("fuel drive", "command to fuel")
    assert example.worst.time_to_limit < 0.1
    assert any("propellant goes on flowing" in c for c in example.cautions)
    frame = example.to_frame()
    assert len(frame) == 6 * 6
    assert np.isfinite(frame["peak O/F error [%]"]).all()


def test_a_strong_spring_shuts_and_a_weak_one_may_drift(tmp_path: Path) -> None:
    """Same leg, three springs: holds, may drift, shuts; the time to shut against the energy it needs."""
    anchor = "[legs.oxidizer.actuator]\n"
    words = []
    for preload in ("0.1 N m", "2 N m", "12 N m"):
        design = changed(tmp_path, (anchor, anchor + SPRING % preload))
        low, _ = adverse(design, FRICTION_LOW)
        low = low.with_leg("oxidizer", cold_factor=1.0)
        high, _ = adverse(design, FRICTION_HIGH)
        rest = at_rest(design.machine, low, high, design.analysis.schedule, "oxidizer")
        words.append(rest.overall)
        assert shutting_torque(design.machine.legs["oxidizer"], 0.5, 0.0) == pytest.approx(
            float(preload.split()[0]) + 0.25
        )
    assert words == ["holds", "may drift", "shuts"]


def test_shutting_by_springs(tmp_path: Path) -> None:
    anchor = "[legs.oxidizer.actuator]\n"
    design = changed(tmp_path, (anchor, anchor + SPRING % "12 N m"))  # the fuel actuator is the same
    result = design.power_loss()
    closing = result.closing
    assert closing.by == "return spring"
    for name in ("oxidizer", "fuel"):
        assert 0.01 < closing.time[name] <= closing.time_late[name] < 1.0
        assert result.at_rest[name].overall == "shuts"
        assert result.at_rest[name].margin > 0.0
    assert closing.first is not None
    assert 0.0 <= closing.tail_mass < 0.1
    shorted = changed(tmp_path, (anchor, anchor + 'dead_drive = "shorted"\n' + SPRING % "12 N m")).power_loss()
    assert shorted.closing.time["fuel"] > 1.2 * closing.time["fuel"]  # a shorted motor brakes


def test_a_reserve_store(tmp_path: Path) -> None:
    anchor = "[legs.oxidizer.actuator]\n"
    store = 'reserve = {{ capacitance = "{}", voltage = "24 V", minimum_voltage = "18 V" }}\n'
    small = changed(tmp_path, (anchor, anchor + store.format("1 mF"))).power_loss().stored[0]
    large = changed(tmp_path, (anchor, anchor + store.format("500 mF"))).power_loss().stored[0]
    assert small.usable == pytest.approx(0.5e-3 * (24.0**2 - 18.0**2))
    assert small.margin < 0.0 < large.margin
    assert large.needed == pytest.approx(small.needed)
    assert 0.2 < large.time < 0.6
    with pytest.raises(DesignError, match="below voltage"):
        changed(tmp_path, (anchor, anchor + store.format("1 mF").replace("18 V", "24 V")))


def test_less_motor_friction_never_holds_more(example: Any) -> None:
    design = valvectl.load(EXAMPLE)
    a = design.analysis
    machine = a.machine
    for name in ("oxidizer", "fuel"):
        servo = machine.legs[name].servo
        slack = machine.with_servo(name, motor_friction=0.5 * servo.motor_friction)
        loose = at_rest(machine, slack, machine, a.schedule, name)
        usual = at_rest(machine, machine, machine, a.schedule, name)
        assert np.all(loose.held_low < usual.held_low)
        locked = machine.with_servo(name, train=dataclasses.replace(servo.train, backdrive_efficiency=0.0))
        assert at_rest(machine, locked, locked, a.schedule, name).self_locking


def test_figure_and_table(example: Any, capsys: pytest.CaptureFixture[str]) -> None:
    from valvectl import cli_tables
    from valvectl.review.figures import power_loss_chart

    cli_tables.show("power-loss", example)
    text = capsys.readouterr().out
    assert "holds" in text
    assert "caution:" in text
    figure = power_loss_chart(example)
    assert [ax.get_xlabel() != "" for ax in figure.axes] == [True, True]
    assert "[N m]" in figure.axes[0].get_ylabel()


def test_power_loss_takes_the_same_result_twice() -> None:
    design = valvectl.load(EXAMPLE)
    a = design.analysis
    one = power_loss(design, a.machine, a.gains, a.schedule, [(0.0, 0.6), (0.1, 0.6), (0.3, 0.8)])
    two = power_loss(design, a.machine, a.gains, a.schedule, [(0.0, 0.6), (0.1, 0.6), (0.3, 0.8)])
    assert one.to_dict() == two.to_dict()


def test_the_margin_counts_the_spring_against_opening(tmp_path: Path) -> None:
    """Needed torque with a spring less that without: preload + rate times opening, at every angle."""
    anchor = "[legs.oxidizer.actuator]\n"
    sprung = changed(tmp_path, (anchor, anchor + SPRING % "2 N m")).torque("oxidizer")
    plain = valvectl.load(EXAMPLE).torque("oxidizer")
    np.testing.assert_allclose(sprung.needed - plain.needed, 2.0 + 0.5 * sprung.angle, rtol=1e-9)
    assert sprung.margin < plain.margin


def test_with_springs_no_mixture_ratio_is_stated_where_no_flame_can_be(tmp_path: Path) -> None:
    """A flow on its way to nothing gives no error of O/F; the flame goes out before the valve is shut."""
    anchor = "[legs.oxidizer.actuator]\n"
    result = changed(tmp_path, (anchor, anchor + SPRING % "12 N m")).power_loss()
    dead = [c for c in result.cases if "drive" in c.what]
    assert all(0.0 < c.flame_until < 0.5 for c in dead)
    assert all(abs(c.peak_error) < 1.0 / 0.02 * 1.5 for c in dead)
    assert all(math.isnan(c.final_error) and c.final_throttle == 0.0 for c in dead)
    assert all(math.isinf(c.flame_until) for c in result.cases if "command" in c.what)
