"""The studies hunting, response and loop in full: results, tables, figures, command line."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from valvectl import load
from valvectl.cli import app
from valvectl.errors import RangeError
from valvectl.review import figures
from valvectl.studies.limit_cycles import backlash_curve

DESIGNS = Path(__file__).resolve().parents[2] / "designs"
HOVER = DESIGNS / "hover-rig.toml"


@pytest.fixture(scope="module")
def design() -> Any:
    return load(HOVER)


@pytest.fixture(scope="module")
def hunting(design: Any) -> Any:
    return design.hunting("fuel")


def run(*arguments: str) -> Any:
    return CliRunner().invoke(app, list(arguments))


def test_hunting_says_what_the_hold_band_does(hunting):
    held, creeping = hunting.cases[:2]
    assert held.hold_band > 0.0 == creeping.hold_band
    assert held.seen.outcome == "rests"
    assert creeping.seen.outcome == "hunts"
    assert math.isfinite(held.seen.ended)
    assert creeping.seen.ended == math.inf
    assert held.verdict == "none foreseen, none seen"
    assert "outside the balance" in creeping.verdict


def test_hunting_beyond_the_border_swings_as_foreseen(hunting):
    for case in hunting.cases[2:]:
        assert case.seen.outcome == "swings"
        assert case.best is not None
        assert case.best.amplitude == pytest.approx(case.seen.amplitude, rel=0.10)
        assert case.best.frequency == pytest.approx(case.seen.frequency, rel=0.04)


def test_map_and_smallest_step(hunting):
    assert len(hunting.map_seen) == len(hunting.gap_factors)
    assert all(len(row) == len(hunting.gain_factors) for row in hunting.map_seen)
    beyond = [j for j, g in enumerate(hunting.gain_factors) if g > 1.2 * hunting.border]
    assert all(row[j] == "swings" for row in hunting.map_seen for j in beyond)
    assert np.count_nonzero(hunting.map_foreseen[:, beyond]) >= 0.8 * hunting.map_foreseen[:, beyond].size
    assert 0.0 < hunting.smallest.onward < math.radians(1.0)
    assert 0.0 < hunting.smallest.reversal < math.radians(1.0)


def test_hunting_results_as_data(hunting):
    frame = hunting.to_frame()
    assert list(frame["seen"])[:2] == ["rests", "hunts"]
    assert json.dumps(hunting.to_dict())


def test_backlash_curve_meets_a_loop_of_too_much_gain():
    omega = np.geomspace(0.05, 50.0, 2000)
    s = 1j * omega
    plant = 1.0 / (s * (s + 1.0) * (0.2 * s + 1.0))
    small, large = backlash_curve(omega, plant, 0.5), backlash_curve(omega, 4.0 * plant, 0.5)
    assert not small.meets
    assert large.meets
    assert small.factor == pytest.approx(4.0 * large.factor, rel=1e-6)
    # one gain above which lost motion keeps up a swing, below the linear border of 6
    assert 1.5 < small.factor < 6.0
    assert not backlash_curve(omega, plant, 0.0).meets


def test_responses(design):
    found = design.responses("oxidizer")
    assert [round(math.degrees(c.size), 6) for c in found.steps] == [0.5, -0.5, 2.0, -2.0, 10.0, -10.0, 45.0, -45.0]
    for case in found.steps:
        assert case.linear.metrics.residual == pytest.approx(0.0, abs=1e-6)
        assert case.real.metrics.t86 > case.linear.metrics.t86
        assert case.real.iae > case.linear.iae
    up, down = found.steps[4].real.metrics, found.steps[5].real.metrics
    assert up.t63 == pytest.approx(down.t63, rel=0.02)
    assert abs(found.ramp_linear) < 1e-9  # speed fed forward in full
    assert abs(found.ramp_real) < 1e-3
    # friction and limits take over where the sine gets fast
    assert found.sine_gain[0] == pytest.approx(found.linear_gain[0], rel=0.06)
    assert found.sine_gain[-1] < 0.5 * found.linear_gain[-1]
    assert found.profile_error("real")[0] > found.profile_error("linear")[0] > 0.0
    assert len(found.to_frame()) == 16


def test_smooth_servo_is_its_linear_loop(design):
    """Without friction, gap, rounding and limits the simulator and the exact loop give the same responses."""
    from valvectl.studies.loop import middle_point
    from valvectl.studies.responses import responses

    analysis = design.analysis
    point = middle_point(analysis.schedule.points, "fuel")
    machine = design.machine.smooth()
    found = responses(machine, analysis.gains, "fuel", point, analysis.loop["fuel"].bandwidth, analysis.throttle)
    case = found.steps[2]
    assert float(np.max(np.abs(case.real.angle - case.linear.angle))) < 0.02 * abs(case.size)
    assert found.sine_gain == pytest.approx(found.linear_gain, rel=0.02)
    assert found.sine_phase == pytest.approx(found.linear_phase, abs=0.03)


def test_loop_in_full(design):
    found = design.loop_in_full("oxidizer")
    detail = found.detail
    assert detail is not None
    assert all(count.agree and count.closed_unstable == 0 for count in detail.counts.values())
    assert detail.delay_margin == pytest.approx(found.margins["position"].delay_margin, rel=1e-6)
    assert detail.softest == pytest.approx(float(detail.stiffness.min()))
    assert detail.holds > detail.running > 0.0
    assert [n.source for n in detail.noise] == ["position encoder", "speed encoder"]
    assert all(abs(p.z) < 1.0 for p in detail.poles)
    assert [e.gain for e in detail.effects] == ["Kp", "Kv", "Kiv", "Kc", "Kic"]
    assert 5 <= detail.word_own <= detail.word_common + 2
    assert json.dumps(found.to_dict())


@pytest.mark.parametrize("draw", ["nichols", "sensitivity", "pole_zero", "stiffness", "word_lengths"])
def test_figures_of_the_loop(design, draw):
    axes = getattr(figures, draw)(design.loop_in_full("oxidizer"))
    assert axes.get_xlabel()
    assert axes.get_title(loc="left")


def test_figures_that_need_the_detail_say_so(design):
    with pytest.raises(RangeError, match="loop_in_full"):
        figures.stiffness(design.loop("oxidizer"))


def test_figures_of_hunting_and_responses(design, hunting):
    assert len(figures.hunting_chart(hunting).axes) == 4
    assert len(figures.response_chart(design.responses("oxidizer")).axes) == 4
    with pytest.raises(ValueError, match="4 axes"):
        figures.hunting_chart(hunting, [None])


def test_verb_response(tmp_path):
    done = run(
        "response", str(HOVER), "--leg", "fuel", "--csv", str(tmp_path / "r.csv"), "--figure", str(tmp_path / "r.svg")
    )
    assert done.exit_code == 0, done.output
    assert "dead band" in done.output
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    assert (tmp_path / "r.csv").read_text(encoding="utf-8").startswith("step [deg]")
    assert (tmp_path / "r.svg").stat().st_size > 5000


def test_verb_loop_in_full():
    done = run("loop", str(HOVER), "--leg", "oxidizer")
    assert done.exit_code == 0, done.output
    assert "agrees with the eigenvalues" in done.output
    assert "softest" in done.output
    assert max(len(line) for line in done.stdout.splitlines()) <= 80


def test_verb_hunting():
    done = run("hunting", str(DESIGNS / "sprint-stand.toml"), "--leg", "fuel")
    assert done.exit_code == 0, done.output
    assert "confirmed" in done.output
    assert max(len(line) for line in done.stdout.splitlines()) <= 80


def test_lugre_keys_reach_the_machine():
    found = load(HOVER, ["legs.oxidizer.valve.torque.friction_model=lugre"])
    stiffness, damping = found.machine.legs["oxidizer"].bristles
    torque = found.leg("oxidizer").valve.torque
    peak = max(torque.breakaway) * torque.cold_factor / torque.includes_factor
    assert stiffness == pytest.approx(peak / math.radians(0.02))
    assert damping == pytest.approx(math.sqrt(stiffness * found.leg("oxidizer").valve.inertia))
    given = load(
        HOVER,
        [
            "legs.oxidizer.valve.torque.friction_model=lugre",
            "legs.oxidizer.valve.torque.bristle_stiffness=5000 N m/rad",
            "legs.oxidizer.valve.torque.bristle_damping=0.2 N m s/rad",
        ],
    )
    assert given.machine.legs["oxidizer"].bristles == (5000.0, 0.2)
    assert load(HOVER).machine.legs["oxidizer"].bristles is None


def test_a_held_stem_gives_way_like_its_bristles():
    """A load that friction holds bends the bristles by load over sigma0; with true sticking the stem stands still."""
    from valvectl.parts.friction import stick_or_slip
    from valvectl.parts.lugre import lugre_step

    inertia, load_torque, step = 4e-5, 0.8, 1e-5
    angle = speed = bristle = 0.0
    stuck = 0.0
    for k in range(20000):
        now = load_torque * min(1.0, k / 10000.0)  # raised slowly: a sudden load swings it further
        free = speed + step / inertia * now
        speed, bristle = lugre_step(free, speed, bristle, 2.0, 8000.0, 0.56, step, step / inertia)
        angle += step * speed
        stuck = stick_or_slip(stuck + step / inertia * now, 2.0, step / inertia)
    assert stuck == 0.0
    # dz/dx = 1 - sigma0 z / g: -g/sigma0 ln(1 - load/g)
    assert angle == pytest.approx(-2.0 / 8000.0 * math.log(1.0 - load_torque / 2.0), rel=0.02)
