"""Stem friction that differs by the way the valve turns: in the simulator, and nowhere else when it is the same."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import LEGS
from valvectl.plant.machine import Machine
from valvectl.plant.simulate import simulate
from valvectl.servo.tune import gains_of

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@cache
def rig() -> Any:
    return valvectl.load(RIG)


def swing(machine: Machine, turn: float, hydraulics: bool = False) -> Any:
    """A run in which both stems turn by an angle [rad] at half their command limit, and rest."""
    start = rig().analysis.schedule.points[10]
    gains = {name: gains_of(rig().machine.legs[name].servo) for name in LEGS}
    command = {}
    for name in LEGS:
        servo = machine.legs[name].servo
        time = servo.position_period * np.arange(round(0.3 / servo.position_period))
        way = np.minimum(0.5 * servo.speed_limit * time, abs(turn))
        command[name] = start.legs[name].angle + np.sign(turn) * way
    return simulate(machine, gains, command, start, 0.4, hydraulics=hydraulics, energy=True)


def with_friction(opening: float, closing: float | None) -> Machine:
    """The example with one dry friction of the stem [N m] opening and one closing, the same at rest, whatever the pressure."""
    machine = rig().machine
    for name in LEGS:
        grid = machine.legs[name].running
        back = None if closing is None else np.full_like(grid, closing)
        machine = machine.with_leg(
            name,
            running=np.full_like(grid, opening),
            breakaway=np.full_like(grid, opening),
            running_closing=back,
            breakaway_closing=back,
            pressure_slope=0.0,
        )
    return machine


@pytest.mark.parametrize("turn", [0.3, -0.3])
def test_friction_takes_the_level_of_its_direction(turn: float) -> None:
    """0.5 N m opening, 1.25 N m closing: energy is level times cold factor times the way that was turned each way."""
    trace = swing(with_friction(0.5, 1.25), turn)
    for name in LEGS:
        leg = trace.legs[name]
        steps = np.diff(leg.stem)
        opened, closed = float(np.sum(steps[steps > 0.0])), float(-np.sum(steps[steps < 0.0]))
        assert (opened if turn > 0.0 else closed) > 0.29
        expected = rig().machine.legs[name].cold_factor * (0.5 * opened + 1.25 * closed)
        assert leg.energy.stem_friction == pytest.approx(expected, rel=2e-3)
        assert abs(leg.energy.imbalance) < 1e-3


@pytest.mark.parametrize("turn", [0.3, -0.3])
def test_equal_columns_change_nothing(turn: float) -> None:
    """To the last bit, with stiction, lost motion and the engine running."""
    machine = rig().machine
    same = machine
    for name in LEGS:
        leg = machine.legs[name]
        same = same.with_leg(name, running_closing=leg.running.copy(), breakaway_closing=leg.breakaway.copy())
    first, second = swing(machine, turn, hydraulics=True), swing(same, turn, hydraulics=True)
    for name in LEGS:
        for field in ("stem", "ball", "motor", "current"):
            assert np.array_equal(getattr(first.legs[name], field), getattr(second.legs[name], field))


def test_opening_does_not_see_the_closing_columns() -> None:
    """Up to the first step back, to the last bit."""
    plain, heavy = swing(with_friction(0.5, None), 0.3), swing(with_friction(0.5, 3.0), 0.3)
    for name in LEGS:
        first = plain.legs[name].stem
        back = np.nonzero(np.diff(first) < 0.0)[0]
        until = int(back[0]) if back.size else first.size
        assert float(first[until - 1] - first[0]) > 0.28
        assert np.array_equal(first[:until], heavy.legs[name].stem[:until])


def test_a_smooth_machine_has_no_friction_either_way() -> None:
    machine = with_friction(0.5, 1.0).smooth()
    for name in LEGS:
        for closing in (False, True):
            for breakaway in (False, True):
                assert not machine.legs[name].stem_table(breakaway, closing).any()


def test_a_dead_valve_is_held_by_closing_friction() -> None:
    from valvectl.studies.power_loss import at_rest

    machine, schedule = rig().machine, rig().analysis.schedule
    leg = machine.legs["fuel"]
    harder = replace(leg, running_closing=leg.running + 1.0, breakaway_closing=leg.breakaway + 1.0)
    changed = machine.with_leg("fuel", **{k: getattr(harder, k) for k in ("running_closing", "breakaway_closing")})
    before = at_rest(machine, machine, machine, schedule, "fuel")
    after = at_rest(changed, changed, changed, schedule, "fuel")
    assert np.all(after.held_low > before.held_low + 0.99 * leg.cold_factor)
