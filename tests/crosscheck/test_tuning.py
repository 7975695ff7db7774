"""Batched loops against the loops one by one; the gains found re-evaluated with python-control and plain numpy."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import control
import numpy as np
import pytest
from scipy.stats import qmc

import valvectl
from valvectl.servo.batch import Batch
from valvectl.servo.optimise import Problem
from valvectl.servo.sampled import LOOP_ORDER, closed_loop, open_loop
from valvectl.servo.tune import gains_of, loop_margins
from valvectl.studies.tuning import corners_of, limits_of

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@cache
def rig() -> Any:
    return valvectl.load(RIG)


@cache
def found(leg: str) -> Any:
    return rig().tuning(leg)


def variants() -> list[Any]:
    servo = rig().machine.legs["fuel"].servo
    out = []
    for j in range(6):
        out.append(
            replace(
                servo,
                motor_inertia=servo.motor_inertia * (0.85 + 0.06 * j),
                resistance=servo.resistance * (1.0 + 0.07 * j),
                torque_constant=servo.torque_constant * (1.1 - 0.05 * j),
                position_delay=servo.position_delay + 0.37e-3 * (j % 3),
            )
        )
    return out


@pytest.mark.parametrize("at", LOOP_ORDER)
def test_batch_against_one_by_one(at):
    servos = variants()
    gains = gains_of(rig().machine.legs["fuel"].servo)
    many = Batch(servos).margins(gains, at)
    for j, servo in enumerate(servos):
        one = loop_margins(servo, gains, at)
        assert bool(many.stable[j]) == one.stable
        assert many.gain_margin_db[j] == pytest.approx(one.margins.gain_margin_db, abs=0.12)
        assert many.phase_margin[j] == pytest.approx(one.margins.phase_margin, abs=math.radians(0.3))
        assert many.delay_margin[j] == pytest.approx(one.margins.delay_margin, rel=0.01)
        assert many.peak_sensitivity[j] == pytest.approx(one.margins.peak_sensitivity, rel=5e-3)


@pytest.mark.parametrize("at", LOOP_ORDER)
def test_batch_matrices_are_those_of_one(at):
    servos = variants()
    gains = gains_of(rig().machine.legs["fuel"].servo)
    for members, schedule, total in Batch(servos).maps(gains, at):
        for row, j in enumerate(members):
            one = open_loop(servos[j], gains, at)
            n = schedule.size
            np.testing.assert_allclose(total[row, :n, :n], one.a, rtol=1e-9, atol=1e-12 * np.abs(one.a).max())


def test_ramp_against_the_closed_loop_one_by_one():
    servos = variants()
    gains = gains_of(rig().machine.legs["fuel"].servo)
    loads = np.linspace(0.5, 3.0, len(servos))
    mean, current, voltage = Batch(servos).ramp(gains, 1.2, loads, 0.1)
    for j, servo in enumerate(servos):
        model = closed_loop(servo, gains)
        steps = round(0.1 / servo.position_period)
        command = 1.2 * servo.position_period * np.arange(steps)
        u = np.column_stack([command, np.full(steps, loads[j])])
        y = model.simulate(u)
        assert mean[j] == pytest.approx(np.mean(np.abs(command - y[:, 1])), rel=1e-9)
        assert current[j] == pytest.approx(np.max(np.abs(y[:, 3])), rel=1e-9)
        assert voltage[j] > 0.0


@pytest.mark.parametrize("leg", ["oxidizer", "fuel"])
def test_claimed_constraints_hold_when_python_control_looks(leg):
    """Its own frequency response on its own grid, margins by plain numpy, stability by a count of encirclements and poles."""
    result = found(leg)
    assert result.feasible
    corners, _ = corners_of(rig(), rig().machine, leg)
    limits = limits_of(rig(), leg, rig().machine)
    worst: dict[tuple[str, str], float] = {}
    for servo in {c.servo: None for c in corners}:
        for at in LOOP_ORDER:
            model = open_loop(servo, result.gains, at)
            system = model.to_control()
            omega = (
                np.unique(np.concatenate([np.geomspace(1e-4, 1.0, 6000), np.linspace(0.3, 1.0, 3000)]))
                * math.pi
                / model.period
            )
            loop = np.asarray(control.frequency_response(system, omega).frdata[0, 0])
            peak = float(np.max(1.0 / np.abs(1.0 + loop)))
            disk = float(1.0 / np.max(np.abs(1.0 / (1.0 + loop) - 0.5)))
            size = np.abs(loop)
            cross = np.nonzero((size[:-1] > 1.0) != (size[1:] > 1.0))[0]
            phase = min(math.degrees(abs(math.remainder(float(np.angle(-loop[i])), 2.0 * math.pi))) for i in cross)
            real = np.nonzero((loop.imag[:-1] * loop.imag[1:] <= 0.0) & (loop.real[1:] < 0.0) & (size[1:] < 1.0))[0]
            gain = min((-20.0 * math.log10(size[i + 1]) for i in real), default=math.inf)
            poles = np.abs(np.linalg.eigvals(model.a - model.b @ model.c))
            assert poles.max() < 1.0 + 1e-7
            assert gain >= limits.gain_margin_db - 0.02
            assert phase >= math.degrees(limits.phase_margin) - 0.1
            assert peak <= limits.peak_sensitivity * 1.001
            assert disk >= limits.disk * 0.999
            for name, value in (("gain margin", gain), ("phase margin", phase), ("disk margin", disk)):
                worst[at, name] = min(worst.get((at, name), math.inf), value)
    for held in result.held:
        if (held.loop, held.name) in worst:
            assert held.value == pytest.approx(worst[held.loop, held.name], rel=5e-3)


@pytest.mark.parametrize("leg", ["oxidizer", "fuel"])
def test_a_search_all_over_finds_little_more(leg):
    """Sets drawn in a box of +-35 % round the one found: none keeps everything with an error more than three per cent less."""
    result = found(leg)
    corners, _ = corners_of(rig(), rig().machine, leg)
    problem = Problem(corners, limits_of(rig(), leg, rig().machine), result.speed, 0.2)
    own = problem.cost(result.gains)
    for point in qmc.Sobol(3, seed=3).random(64):
        x = np.exp(0.3 * (2.0 * point - 1.0))
        trial = replace(
            result.gains,
            position=result.gains.position * x[0],
            speed=result.gains.speed * x[1],
            speed_integral=result.gains.speed_integral * x[2],
        )
        assert problem.cost(trial) > 0.97 * own


def test_the_optimum_is_no_worse_than_its_neighbours():
    """No gain moved by five per cent alone keeps everything and tracks better by more than a per cent."""
    result = found("fuel")
    corners, _ = corners_of(rig(), rig().machine, "fuel")
    problem = Problem(corners, limits_of(rig(), "fuel", rig().machine), result.speed, 0.2)
    own = problem.cost(result.gains)
    for key in ("position", "speed", "speed_integral"):
        for factor in (0.95, 1.05):
            moved = replace(result.gains, **{key: getattr(result.gains, key) * factor})
            assert problem.cost(moved) > 0.985 * own
