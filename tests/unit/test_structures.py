"""Structures of the controller from the design file to gains, equations, simulated steps and pages."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.errors import ValvectlError
from valvectl.parts.controller_more import ANTI_WINDUP, PID, STATE_FEEDBACK, ControllerMore
from valvectl.parts.controller_pid import PidGains
from valvectl.parts.controller_state import MOST_PAST, StateGains
from valvectl.plant.pack_control import control_numbers
from valvectl.plant.simulate import simulate
from valvectl.servo.equations import equations
from valvectl.servo.outer_gains import at_bandwidth, current_per_count, rigid_plant
from valvectl.servo.tune import DIRECT_TARGETS, NOISE_SHARE, gains_of, loop_margins

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
LEG = "legs.oxidizer.controller."


def design(*changes: str) -> valvectl.Design:
    return valvectl.load(RIG, [LEG + text for text in changes])


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


def servo_with(more: ControllerMore, **changes):
    return replace(rig().machine.legs["oxidizer"].servo, more=more, **changes)


# ---------------------------------------------------------------------------------------------------- keys to gains


def test_stated_pid_gains_are_used():
    made = design('structure="pid"', 'pid.gain="240 A/rad"', 'pid.integral_time="50 ms"', 'pid.derivative_time="12 ms"',
                  "pid.derivative_filter=15", "setpoint_weight=0.5")  # fmt: skip
    assert made.analysis.gains["oxidizer"].outer == PidGains(240.0, 0.05, 0.012, 15.0, 0.5)
    assert made.analysis.gains["fuel"].outer is None


@pytest.mark.parametrize(("structure", "kind"), [("pid", PidGains), ("state_feedback", StateGains)])
def test_stated_bandwidth_is_used(structure, kind):
    made = design(f'structure="{structure}"', 'bandwidth="12 Hz"')
    servo, gains = made.machine.legs["oxidizer"].servo, made.analysis.gains["oxidizer"]
    assert isinstance(gains.outer, kind)
    assert gains == at_bandwidth(servo, gains, 2.0 * math.pi * 12.0)


@pytest.mark.parametrize("structure", [PID, STATE_FEEDBACK])
@pytest.mark.parametrize("leg", ["oxidizer", "fuel"])
def test_worked_out_gains_keep_what_they_promise(structure, leg):
    servo = replace(rig().machine.legs[leg].servo, more=ControllerMore(structure))
    gains = gains_of(servo)
    found = loop_margins(servo, gains, "position")
    assert found.stable
    assert found.margins.gain_margin_db >= DIRECT_TARGETS.gain_margin_db
    assert found.margins.gain_reduction_db >= DIRECT_TARGETS.gain_margin_db
    assert found.margins.phase_margin >= DIRECT_TARGETS.phase_margin
    assert found.margins.peak_sensitivity <= DIRECT_TARGETS.peak_sensitivity
    assert current_per_count(servo, gains) <= NOISE_SHARE * servo.current_limit


def test_a_coarse_encoder_slows_the_loop_down():
    fine, coarse = (servo_with(ControllerMore(PID), position_count=c) for c in (4.8e-5, 2e-3))
    assert gains_of(coarse).outer.gain < 0.8 * gains_of(fine).outer.gain
    assert current_per_count(coarse, gains_of(coarse)) == pytest.approx(NOISE_SHARE * coarse.current_limit, rel=0.03)


def test_gains_of_the_current_loop_are_taken_from_the_file():
    stated = rig().analysis.gains["oxidizer"]
    servo = servo_with(ControllerMore(PID), gains=replace(stated, current=4.0, current_integral=700.0))
    gains = gains_of(servo)
    assert (gains.current, gains.current_integral) == (4.0, 700.0)
    assert isinstance(gains.outer, PidGains)


def test_too_long_a_delay_for_the_memory():
    servo = servo_with(ControllerMore(STATE_FEEDBACK, bandwidth=5.0), position_delay=11.2e-3)
    with pytest.raises(ValvectlError, match="can bridge 10 sample periods of delay, not 11"):
        gains_of(servo)
    assert MOST_PAST == 11


def test_no_bandwidth_keeps_the_margins():
    with pytest.raises(ValvectlError, match="no bandwidth of the position loop"):
        gains_of(servo_with(ControllerMore(PID), position_count=3.0))


def test_observer_model_is_that_of_the_rigid_plant():
    """The model in the controller adds up, without and with a part of a period of delay."""
    for delay in (0.0, 0.4e-3, 2.35e-3):
        servo = servo_with(ControllerMore(STATE_FEEDBACK, bandwidth=60.0), position_delay=delay)
        gains = gains_of(servo).outer
        transition, held = rigid_plant(servo, servo.position_period)
        assert gains.transition == pytest.approx(transition[:, 1])
        assert np.array(gains.early) + np.array(gains.late) == pytest.approx(held)


# ------------------------------------------------------------------------------------------------- simulated steps


def run(more: ControllerMore, size: float = 0.2, kick: int = 100, **changes):
    """A step of the oxidizer's command by ``size`` [rad], rate-limited, on the real machine."""
    machine = rig().machine.with_servo("oxidizer", more=more, **changes)
    gains = {leg: gains_of(machine.legs[leg].servo) for leg in machine.legs}
    point = rig().analysis.schedule.points[15]
    order = {name: np.full(800, leg.angle) for name, leg in point.legs.items()}
    order["oxidizer"] = order["oxidizer"] + size * np.clip((np.arange(800) - 1) / kick, 0.0, 1.0)
    return simulate(machine, gains, order, point, 0.8, hydraulics=False, record=1e-3).legs["oxidizer"]


def friction(share: float) -> ControllerMore:
    more = rig().machine.legs["oxidizer"].servo.more
    return replace(more, feedforward_friction=share)


def test_friction_current_is_that_of_motor_and_stem():
    """Of the order of what the run in fact needs at constant speed."""
    leg = run(friction(0.0))
    moving = leg.current[60:95]
    assert friction(1.0).friction_current == pytest.approx(float(np.mean(moving)), rel=0.5)


def test_friction_fed_forward_shrinks_the_lag_of_a_slow_move():
    """Without it the error has to grow until the loops by themselves overcome friction."""
    errors = []
    for share in (0.0, 1.0):
        leg = run(friction(share), 0.05, 400)
        errors.append(float(np.mean(np.abs(leg.command[2:100] - leg.stem[2:100]))))
    assert errors[1] < 0.9 * errors[0]


def test_acceleration_fed_forward_shrinks_the_error_of_a_smooth_move():
    machine = rig().machine
    more = machine.legs["oxidizer"].servo.more
    point = rig().analysis.schedule.points[15]
    share = np.clip((np.arange(400) - 1) / 150.0, 0.0, 1.0)
    errors = []
    for forward in (0.0, 1.0):
        one = machine.smooth().with_servo("oxidizer", more=replace(more, feedforward_acceleration=forward))
        order = {name: np.full(400, leg.angle) for name, leg in point.legs.items()}
        order["oxidizer"] = order["oxidizer"] + 0.3 * share**3 * (10 - 15 * share + 6 * share**2)
        trace = simulate(one, rig().analysis.gains, order, point, 0.4, hydraulics=False, record=1e-3)
        leg = trace.legs["oxidizer"]
        errors.append(float(np.max(np.abs(leg.command - leg.stem))))
    assert errors[1] < 0.7 * errors[0]


@pytest.mark.parametrize("structure", [0.0, PID, STATE_FEEDBACK])
def test_anti_windup_changes_nothing_inside_the_limits(structure):
    base = ControllerMore(structure)
    legs = [run(replace(base, anti_windup=kind), 0.02, 200, current_limit=50.0) for kind in ANTI_WINDUP.values()]
    for leg in legs[1:]:
        assert leg.stem == pytest.approx(legs[0].stem, abs=1e-12)


@pytest.mark.parametrize("kind", ["conditional", "back_calculation"])
def test_anti_windup_keeps_a_limited_pid_from_overshooting(kind):
    """A jump of the command into the current's limit; the integral that is let run (limit seen late) goes far beyond."""
    limit = {"current_limit": 3.0, "position_delay": 0.4e-3}
    held = run(ControllerMore(PID, ANTI_WINDUP[kind], weight=0.6), 0.4, 2, **limit)
    over = float(np.max(held.stem - held.command[-1])) / 0.4
    # a tracking time of seconds leaves the integral to itself, which is no anti-windup at all
    loose = run(ControllerMore(PID, ANTI_WINDUP["back_calculation"], tracking_time=100.0, weight=0.6), 0.4, 2, **limit)
    let_run = float(np.max(loose.stem - loose.command[-1])) / 0.4
    assert over < 0.7 * let_run


def test_dead_zone_stops_the_integral():
    still, moving = (run(ControllerMore(dead_zone=zone)) for zone in (100.0, 0.0))
    # without an integral friction leaves an error that the integral would have worked off
    assert abs(still.command[-1] - still.stem[-1]) > abs(moving.command[-1] - moving.stem[-1])


@pytest.mark.parametrize("structure", ["cascade", "pid", "state_feedback"])
def test_a_valve_at_rest_stays_at_rest(structure):
    made = design(f'structure="{structure}"', "feedforward_friction=1", "feedforward_acceleration=1")
    point = made.analysis.schedule.points[10]
    order = {name: np.full(50, leg.angle) for name, leg in point.legs.items()}
    trace = simulate(made.machine, made.analysis.gains, order, point, 0.2, hydraulics=False)
    for leg in trace.legs.values():
        assert np.ptp(leg.stem) == 0.0
        assert leg.peak_current < 0.5


# -------------------------------------------------------------------------------------------- equations, tables, pages


def test_equations_of_the_plain_cascade():
    servo = replace(rig().machine.legs["oxidizer"].servo, speed_filter=0.0, hold_band=0.0, position_count=0.0)
    loops = equations(servo, rig().analysis.gains["oxidizer"])
    assert [loop.loop for loop in loops] == ["command", "position", "speed", "current"]
    assert loops[1].lines == (
        "angle = stem",
        "e = r - angle",
        "w_set = clip(152.098*e + 1000*(r - r_before), 5.23599)",
        "r_before = r",
    )
    assert "w = w_raw" in loops[2].lines
    assert loops[3].lines[0] == "v_max = 0.95*bus"
    assert (loops[1].period, loops[1].delay) == (1e-3, 0.4e-3)


@pytest.mark.parametrize("shape", ["ramp", "trapezoid", "s_curve", "minimum_jerk"])
def test_the_command_is_said_too(shape):
    limits = {"ramp": [], "minimum_jerk": []}.get(shape, ['command_acceleration_limit="9000 deg/s^2"'])
    limits = [*limits, 'command_jerk_limit="9e5 deg/s^3"'] if shape == "s_curve" else limits
    made = design(f'command_shape="{shape}"', *limits)
    said = " ".join(made.equations("oxidizer").loops[0].lines)
    assert {"ramp": "clip(target - r", "trapezoid": "constant acceleration", "s_curve": "constant jerk"}.get(
        shape, "s**3"
    ) in said


def test_equations_as_a_result():
    found = design('structure="pid"').equations("oxidizer")
    assert found.structure == "pid"
    frame = found.to_frame()
    assert list(frame.columns) == ["loop", "period [ms]", "delay [ms]", "equation"]
    assert set(frame["loop"]) == {"command", "position", "current"}
    assert "shown" not in found.to_dict()


def test_report_of_other_structures():
    from valvectl.review.report import render

    made = design('structure="state_feedback"')
    page = render(made.check())
    assert "past outputs" in page
    assert "th = th +" in page
    assert "oxidizer leg: every line with its numbers" in page


@pytest.mark.parametrize("structure", ["pid", "state_feedback"])
def test_timing_without_a_speed_loop(structure):
    from valvectl.review.figures_timing import timing_chart

    found = design(f'structure="{structure}"').timing("oxidizer")
    assert list(found.loops) == ["position", "current"]
    assert found.swept == "current"  # its offset stands in for that of the speed loop
    for loop in found.loops.values():
        total = sum(loop.lags.values()) + loop.margins.nominal.margins.phase_margin
        assert total == pytest.approx(math.pi)
    assert timing_chart(found).axes


def test_numbers_of_the_simulator_are_finite():
    for structure in (0.0, PID, STATE_FEEDBACK):
        servo = servo_with(ControllerMore(structure))
        assert all(math.isfinite(v) for v in control_numbers(servo, gains_of(servo)).values())


@pytest.mark.parametrize("verb", ["loop", "hunting"])
def test_verbs_that_rest_on_the_cascade_say_so(verb):
    from typer.testing import CliRunner

    from valvectl.cli import app

    done = CliRunner().invoke(app, [verb, str(RIG), "--leg", "fuel", "--set", "legs.fuel.controller.structure=pid"])
    assert done.exit_code == (0 if verb == "loop" else 2), done.output
    assert "structure cascade only" in " ".join(done.output.split())
