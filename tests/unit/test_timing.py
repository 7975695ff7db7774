"""Timing of the loops: study, verb, figure, margins over jitter; a leg's servo as python-control objects."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import valvectl
from valvectl.cli import app
from valvectl.design.schema import Leg
from valvectl.errors import DesignError
from valvectl.plant.machine import build
from valvectl.servo.jitter import jitter_margins, place_margins
from valvectl.servo.tune import loop_margins
from valvectl.studies.timing import ELEMENTS, timing

EXAMPLE = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
AT = "legs.oxidizer.controller"
TRIMMED = [
    "legs.oxidizer.actuator.position_encoder.location=motor",
    "legs.oxidizer.actuator.stem_encoder.location=stem",
    "legs.oxidizer.actuator.stem_encoder.counts=65536",
    f"{AT}.stem_trim=3 1/s",
]


@pytest.fixture(scope="module")
def design() -> valvectl.Design:
    return valvectl.load(EXAMPLE)


@pytest.fixture(scope="module")
def split() -> valvectl.Design:
    changes = [
        f"{AT}.position_sense_delay=0.05 ms", f"{AT}.position_bus_delay=0.15 ms", f"{AT}.position_jitter=0.2 ms",
        f"{AT}.speed_jitter=0.05 ms", f"{AT}.speed_offset=0.1 ms", "legs.oxidizer.actuator.position_encoder.lag=0.1 ms",
    ]  # fmt: skip
    return valvectl.load(EXAMPLE, changes)


def test_shares_make_half_a_turn(split):
    for leg in ("oxidizer", "fuel"):
        for found in split.timing(leg).loops.values():
            margin = found.margins.nominal.margins.phase_margin
            assert sum(found.lags.values()) + margin == pytest.approx(math.pi, rel=1e-12)
            assert set(found.lags) == set(ELEMENTS)


def test_parts_of_the_delay_and_the_wait(split):
    found = split.timing("oxidizer").loops["position"]
    w = found.crossover
    assert found.lags["sense"] == pytest.approx(w * 0.05e-3)
    assert found.lags["bus"] == pytest.approx(w * 0.15e-3)
    assert found.lags["compute"] == pytest.approx(w * 0.20e-3)
    assert found.lags["sensor"] == pytest.approx(math.atan(w * 0.1e-3))
    assert found.wait == pytest.approx(0.2e-3)  # in force at 0.4 ms; speed samples at 0.1, 0.6 ms


def test_the_split_alone_changes_no_margin(design, split):
    parts = valvectl.load(EXAMPLE, [f"{AT}.position_sense_delay=0.1 ms", f"{AT}.position_bus_delay=0.2 ms"])
    assert parts.machine.legs["oxidizer"].servo == design.machine.legs["oxidizer"].servo


def test_shares_explain_what_a_delay_costs(design):
    """The phase of the wait is what the exact loop gains when an offset takes the wait away, gains held."""
    servo, gains = design.machine.legs["oxidizer"].servo, design.analysis.gains["oxidizer"]
    found = design.timing("oxidizer").loops["position"]
    without = place_margins(replace(servo, speed_offset=0.4e-3), gains, "position").margins
    assert without.phase_margin - found.margins.nominal.margins.phase_margin == pytest.approx(
        found.lags["wait"], rel=0.02
    )


def test_margins_over_jitter():
    design = valvectl.load(EXAMPLE, [f"{AT}.position_jitter=0.2 ms", f"{AT}.speed_jitter=0.05 ms"])
    servo, gains = design.machine.legs["oxidizer"].servo, design.analysis.gains["oxidizer"]
    found = design.timing("oxidizer").loops["position"].margins
    assert len(found.corners) == 4
    assert found.stable
    least = found.least_phase
    assert least.shifts["position"] == pytest.approx(0.2e-3)
    by_hand = replace(servo, position_delay=0.6e-3, speed_delay=servo.speed_delay + least.shifts["speed"])
    assert least.margins.phase_margin == pytest.approx(loop_margins(by_hand, gains, "position").margins.phase_margin)
    assert found.nominal.margins == loop_margins(servo, gains, "position").margins
    assert jitter_margins(servo, gains, "current").corners == ()


def test_jitter_that_a_wait_takes_up_costs_nothing(split):
    """In force at 0.2 to 0.6 ms and read at 0.6 ms in every case: the position loop's own jitter does not matter."""
    servo, gains = split.machine.legs["oxidizer"].servo, split.analysis.gains["oxidizer"]
    found = jitter_margins(replace(servo, speed_jitter=0.0), gains, "position")
    assert len(found.corners) == 2
    for corner in found.corners:
        assert corner.margins.phase_margin == pytest.approx(found.nominal.margins.phase_margin, rel=1e-9)


def test_unstable_within_jitter_is_said(design):
    servo = replace(design.machine.legs["fuel"].servo, position_jitter=0.4e-3)
    gains = design.analysis.gains["fuel"]
    edge = place_margins(servo, gains, "position").margins
    factor = 10.0 ** (edge.gain_margin_db / 20.0)
    found = jitter_margins(servo, replace(gains, position=0.995 * factor * gains.position), "position")
    assert found.nominal.stable
    assert not found.stable
    assert not found.least_phase.stable
    result = timing(
        servo, design.leg("fuel").controller, replace(gains, position=0.995 * factor * gains.position), "fuel"
    )
    assert result.columns()["stable over jitter"][0] is False


def test_trim_from_the_stem():
    design = valvectl.load(EXAMPLE, TRIMMED)
    servo = design.machine.legs["oxidizer"].servo
    assert servo.position_on_motor
    assert servo.trim_gain == 3.0
    found = design.timing("oxidizer").outer
    assert found is not None
    assert found.stable
    # an integrator in front of a quick servo: crossover at its rate
    assert found.nominal.margins.gain_crossover == pytest.approx(3.0, rel=0.05)
    assert design.timing("fuel").outer is None
    with pytest.raises(ValueError, match="no loop closes"):
        place_margins(design.machine.legs["fuel"].servo, design.analysis.gains["fuel"], "outer")


def test_trim_takes_lost_motion_out_of_the_simulated_stem():
    """With the position loop on the motor the stem is off by half the lost motion; the trim brings it back."""
    from valvectl.plant.simulate import simulate

    # without the trim's last key: the position loop on the motor alone
    designs = {"motor alone": valvectl.load(EXAMPLE, TRIMMED[:-1]), "trim": valvectl.load(EXAMPLE, TRIMMED)}
    left = {}
    for name, made in designs.items():
        machine = made.machine.with_servo("oxidizer", hold_band=0.0)
        point = made.analysis.schedule.points[15]
        command = {leg: np.full(3000, p.angle) for leg, p in point.legs.items()}
        command["oxidizer"] = command["oxidizer"] + np.minimum(np.arange(3000) * 2e-4, math.radians(5.0))
        trace = simulate(machine, made.analysis.gains, command, point, 2.5, hydraulics=False)
        leg = trace.legs["oxidizer"]
        left[name] = abs(float(np.mean(leg.stem[-200:] - leg.command[-200:])))
    servo = designs["trim"].machine.legs["oxidizer"].servo
    assert left["motor alone"] > 0.8 * servo.half_gap
    assert left["trim"] < 0.25 * left["motor alone"]


# -------------------------------------------------------------------------------------------------- python-control


@pytest.mark.parametrize("leg", ["oxidizer", "fuel"])
def test_objects_work_in_python_control(design, leg):
    import control
    import matplotlib

    matplotlib.use("agg")
    servo, found = design.machine.legs[leg].servo, design.leg(leg)
    loop = found.loop()
    assert loop.dt == servo.position_period
    assert loop.input_labels == ["position_error"]
    assert loop.output_labels == ["position_measured"]
    omega = np.geomspace(1.0, 0.99 * math.pi / loop.dt, 50)
    control.bode_plot(loop, omega)
    control.nyquist_plot(loop, omega, warn_encirclements=False, warn_nyquist=False)
    step = control.step_response(found.closed_loop(), T=np.arange(0, 400) * loop.dt, input=0)
    stem = np.asarray(step.outputs)[1].reshape(-1)
    assert stem[-1] == pytest.approx(1.0, rel=0.02)
    closed = control.feedback(loop, 1)  # python-control closes it as we do
    ours, theirs = (np.asarray(x(np.exp(1j * omega * x.dt))).reshape(-1) for x in (found.complementary(), closed))
    assert np.max(np.abs(ours - theirs)) < 1e-6
    for at in ("outer", "position", "speed", "current"):
        s, t = (
            np.asarray(x(np.exp(1j * omega[:20] * x.dt))).reshape(-1)
            for x in (found.sensitivity(at), found.complementary(at))
        )
        assert np.max(np.abs(s + t - 1.0)) < 1e-6
    import matplotlib.pyplot as plt

    plt.close("all")


def test_leg_is_still_what_the_file_says(design):
    leg = design.leg("fuel")
    assert isinstance(leg, Leg)
    assert leg.valve == design.data.legs.fuel.valve
    assert build(design).name == design.machine.name
    assert leg.plant().input_labels == ["voltage", "load"]
    with pytest.raises(DesignError, match="outer, position, speed, current"):
        leg.loop("motor")  # type: ignore[arg-type]
    with pytest.raises(DesignError):
        design.leg("water")  # type: ignore[arg-type]


# ----------------------------------------------------------------------------------------------------- verb, figure


def test_verb(tmp_path):
    figure, table = tmp_path / "timing.svg", tmp_path / "timing.csv"
    arguments = ["timing", str(EXAMPLE), "--leg", "oxidizer", "--figure", str(figure), "--csv", str(table)]
    arguments += ["--set", f"{AT}.position_jitter=0.2 ms", "--set", f"{AT}.speed_from=observer"]
    arguments += ["--set", f"{AT}.observer_bandwidth=1200 1/s"]
    done = CliRunner().invoke(app, arguments)
    assert done.exit_code == 0, done.output
    assert "observer" in done.output
    assert "least over jitter" in done.output
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    assert figure.stat().st_size > 5000
    assert "least phase margin over jitter" in table.read_text()


def test_verb_in_json():
    done = CliRunner().invoke(app, ["timing", str(EXAMPLE), "--json"])
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert set(found) == {"oxidizer", "fuel"}
    assert set(found["fuel"]["loops"]["speed"]["lags"]) == set(ELEMENTS)


def test_trimmed_design_prints_its_outer_loop():
    arguments = ["timing", str(EXAMPLE), "--leg", "oxidizer"]
    for change in TRIMMED:
        arguments += ["--set", change]
    done = CliRunner().invoke(app, arguments)
    assert done.exit_code == 0, done.output
    assert "outer (trim): least phase margin" in done.output


# ------------------------------------------------------------------------------------------------ rows and report


def test_rows_are_held_over_the_jitter(design):
    from valvectl.review.find_jitter import loop_cases

    plain = loop_cases(design.analysis, "fuel")
    assert dict(plain.margins) == design.loop("fuel").margins
    jittery = valvectl.load(EXAMPLE, ["legs.fuel.controller.position_jitter=0.5 ms"])
    cases = loop_cases(jittery.analysis, "fuel")
    assert set(cases.margins) > set(plain.margins)
    at = min(cases.margins, key=lambda name: cases.margins[name].gain_margin_db)
    assert at == "position delay +0.5 ms: position"
    assert cases.margins[at].gain_margin_db < plain.margins["position"].gain_margin_db
    trimmed = loop_cases(valvectl.load(EXAMPLE, TRIMMED).analysis, "oxidizer")
    assert trimmed.stable["outer"]


def test_report_says_what_a_controller_has_beyond_the_plain_one(design):
    from valvectl.review.report_timing import timing_lines

    assert timing_lines(design.machine.legs["fuel"].servo) == []
    changes = [
        *TRIMMED, f"{AT}.speed_offset=0.1 ms", f"{AT}.speed_from=observer", f"{AT}.observer_bandwidth=800 1/s",
        f"{AT}.current_sensor_lag=10 us", f"{AT}.position_jitter=0.1 ms",
    ]  # fmt: skip
    lines = timing_lines(valvectl.load(EXAMPLE, changes).machine.legs["oxidizer"].servo)
    assert len(lines) == 3


@pytest.mark.parametrize("structure", ["pid", "state_feedback"])
def test_structures_without_a_speed_loop(structure):
    design = valvectl.load(EXAMPLE, [f"{AT}.structure={structure}", f"{AT}.current_offset=10 us"])
    found = design.timing("oxidizer")
    assert list(found.loops) == ["position", "current"]
    assert found.swept == "current"
    assert found.loops["position"].wait == pytest.approx(10e-6)  # in force at 0.4 ms; the current loop at 0.41 ms
    assert design.leg("oxidizer").closed_loop().input_labels == ["command", "noise", "load"]
    done = CliRunner().invoke(app, ["timing", str(EXAMPLE), "--set", f"{AT}.structure={structure}"])
    assert done.exit_code == 0, done.output


def test_a_leg_without_a_speed_loop_is_not_cut_there():
    leg = valvectl.load(EXAMPLE, [f"{AT}.structure=pid"]).leg("oxidizer")
    with pytest.raises(DesignError, match="position, current"):
        leg.loop("speed")
