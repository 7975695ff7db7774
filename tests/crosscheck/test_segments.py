"""A simulated run cut in pieces against the whole one: bit for bit, with everything on that a run carries along."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import LEGS
from valvectl.plant.outer import OuterGains, OuterRun, outer_run
from valvectl.plant.schedule import commands
from valvectl.plant.simulate import EngineRun, simulate

DESIGN = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
PROFILE = [(0.0, 0.4), (0.02, 0.4), (0.12, 0.8), (0.25, 0.6)]


@pytest.fixture(scope="module")
def a() -> Any:
    return valvectl.load(DESIGN).analysis


def arguments(a: Any, **more: Any) -> dict[str, Any]:
    """A short run of the example's throttle."""
    return {
        "machine": a.machine,
        "gains": a.gains,
        "command": commands(a.machine, a.schedule, PROFILE, PROFILE[-1][0]),
        "start": a.schedule.points[0],
        "duration": PROFILE[-1][0],
        **more,
    }


def same(one: Any, other: Any) -> None:
    """Every number of two traces, to the bit."""
    assert np.array_equal(one.time, other.time)
    assert np.array_equal(one.chamber_pressure, other.chamber_pressure)
    assert np.array_equal(one.bus_voltage, other.bus_voltage)
    for name in LEGS:
        for field in dataclasses.fields(one.legs[name]):
            first, second = getattr(one.legs[name], field.name), getattr(other.legs[name], field.name)
            assert np.array_equal(first, second), (name, field.name)


def outer(a: Any) -> OuterRun:
    settings = a.design.outer_loops
    gains = OuterGains({"thrust": 0.1, "mixture": 0.1}, {"thrust": 2.0, "mixture": 2.0})
    return outer_run(a.machine, a.schedule, settings, gains, PROFILE, reference_delay=0.02)


@pytest.mark.parametrize("what", ["plain", "lags and jitter", "outer loops", "energy"])
def test_a_run_in_pieces_is_the_whole_run(a: Any, what: str) -> None:
    more: dict[str, Any] = {}
    if what == "lags and jitter":
        machine = a.machine.with_servo("fuel", position_jitter=2e-4, speed_jitter=2e-5, position_sensor_lag=3e-4)
        more = {"machine": machine, "seed": 3}
    if what == "energy":
        more = {"energy": True}
    with_loops = {"outer": outer(a)} if what == "outer loops" else {}
    whole = simulate(**arguments(a, **more, **with_loops))
    rows = with_loops["outer"].rows.copy() if with_loops else None
    with_loops = {"outer": outer(a)} if what == "outer loops" else {}
    run = EngineRun(**arguments(a, **more, **with_loops))
    for tick in (0, 1, 2, 137, 138, 1000, 5001, 5001):  # twice the same: nothing is done
        run.advance(tick)
    run.advance()
    run.advance()
    same(run.trace(), whole)
    if rows is not None:
        assert np.array_equal(with_loops["outer"].rows, rows)


def test_a_branch_goes_on_alone(a: Any) -> None:
    """A branch ends as the run it was cut from does, and neither disturbs the other."""
    whole = simulate(**arguments(a))
    run = EngineRun(**arguments(a))
    run.advance(4000)
    spoilt = run.branch()
    spoilt.par[:, :] = np.nan
    one = run.branch()
    one.advance()
    run.advance()
    same(run.trace(), whole)
    tail = one.trace()
    later = whole.time >= tail.time[0]
    assert np.array_equal(tail.chamber_pressure, whole.chamber_pressure[later])
    assert np.array_equal(tail.legs["fuel"].stem, whole.legs["fuel"].stem[later])
    assert tail.time[0] == pytest.approx(4000 * run.step, abs=run.machine.record + run.step)
    short = spoilt.branch(4500)
    assert short.steps == 4500
