"""The kernel as plain Python with every index checked, against the compiled one: an index out of bounds is silent there.

The runs are short but meet the branches: everything on, choking, delays of 14 sample periods (the most the rings hold),
another split of periods, a valve run against its stop.
"""

from __future__ import annotations

import dataclasses
import math
import os
import pickle
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from valvectl.design.schema_outer import MixtureLoop, OuterLoops, ThrustLoop
from valvectl.parts.controller_more import BACK_CALCULATION, CLAMPED, PID, STATE_FEEDBACK, ControllerMore
from valvectl.parts.controller_state import MOST_PAST
from valvectl.plant import layout as ix
from valvectl.plant.machine import Machine
from valvectl.plant.outer import OuterGains, outer_run
from valvectl.plant.schedule import commands
from valvectl.plant.simulate import LegTrace, simulate, time_grid
from valvectl.servo.tune import gains_of

LEGS: tuple[Any, ...] = ("oxidizer", "fuel")
SAME = 1e-12
"""Agreement of plain and compiled kernel, relative to the largest magnitude.

They round differently (fused products); compiled for a processor without them the two agree to the last bit."""
ROUNDINGS = 100.0
"""Two recorded quantities are differences that magnify rounding beyond ``SAME``, and may differ by so many roundings: the
stem's speed, by those of its angle as the stiff gears turn them into speed in a step; the valve's drop, by those of the
flow as the column's inertance turns them into pressure in a step."""
MOST_PERIODS = ix.RING - 2
OWN_GAINS = ("structures", "cascade with all")
"""Runs with gains worked out for them."""


def slowest_loops(machine: Machine) -> Machine:
    """All delays at their limit: outputs under way fill the rings; the burning waits for many steps."""
    for name in LEGS:
        servo = machine.legs[name].servo
        machine = machine.with_servo(
            name,
            position_period=0.5e-3,
            speed_period=0.25e-3,
            position_delay=MOST_PERIODS * 0.5e-3,
            speed_delay=MOST_PERIODS * 0.25e-3,
            current_delay=MOST_PERIODS * servo.current_period,
        )
    return machine.with_leg("fuel", delay=9.99e-3)


def choking(machine: Machine) -> Machine:
    """Both valves choke from the start."""
    for name in LEGS:
        curve = machine.legs[name].characteristic
        curve = dataclasses.replace(curve, fl=np.full_like(curve.fl, 0.12))
        machine = machine.with_leg(name, characteristic=curve)
    return machine


def other_periods(machine: Machine) -> Machine:
    """Two legs that share few instants; encoders the other way round."""
    machine = machine.with_servo(
        "oxidizer", position_period=2e-3, position_delay=2.3e-3, speed_delay=0.13e-3, current_delay=37e-6
    )
    return machine.with_servo(
        "fuel",
        position_period=1e-3,
        speed_period=0.25e-3,
        current_period=62.5e-6,
        current_delay=0.0,
        position_on_motor=True,
        speed_on_motor=False,
    )


def structures(machine: Machine) -> Machine:
    """A PID with everything beside a state feedback that remembers as many outputs as it can."""
    fed = {"feedforward_acceleration": 1.0, "feedforward_friction": 1.0, "friction_current": 0.8}
    machine = machine.with_servo(
        "oxidizer", more=ControllerMore(PID, BACK_CALCULATION, notch_frequency=150.0, weight=0.6, **fed)
    )
    period = machine.legs["fuel"].servo.speed_period
    return machine.with_servo(
        "fuel",
        position_period=period,
        position_delay=10.6 * period,
        more=ControllerMore(STATE_FEEDBACK, CLAMPED, bandwidth=12.0, **fed),
    )


def cascade_with_all(machine: Machine) -> Machine:
    """Both cascades with feed-forward, notch and dead zone."""
    fed = {"feedforward_acceleration": 1.0, "feedforward_friction": 1.0, "friction_current": 0.8}
    for name in LEGS:
        machine = machine.with_servo(
            name, more=ControllerMore(anti_windup=BACK_CALCULATION, notch_frequency=200.0, dead_zone=0.01, **fed)
        )
    return machine


def sampled_otherwise(machine: Machine) -> Machine:
    """Offsets, observer, lags of all sensors, jitter of all loops, trim from the stem on one leg."""
    for name in LEGS:
        machine = machine.with_servo(
            name,
            speed_offset=125e-6,
            current_offset=25e-6,
            observer_bandwidth=900.0,
            position_sensor_lag=80e-6,
            speed_sensor_lag=50e-6,
            current_sensor_lag=30e-6,
            position_jitter=200e-6,
            speed_jitter=90e-6,
            current_jitter=12e-6,
        )
    return machine.with_servo(
        "fuel", position_on_motor=True, trim_gain=3.0, trim_limit=0.02, trim_count=1e-4, trim_sensor_lag=1e-4
    )


def jobs(design: Any) -> list[tuple[str, dict[str, Any]]]:
    """Names and arguments of ``simulate``."""
    a = design.analysis
    profile = [(0.0, 1.0), (0.002, 1.0), (0.02, 0.9)]
    out = []
    for name, machine in {
        "example": a.machine,
        "choking": choking(a.machine),
        "slowest": slowest_loops(a.machine),
        "periods": other_periods(a.machine),
        "structures": structures(a.machine),
        "cascade with all": cascade_with_all(a.machine),
        "sampling": sampled_otherwise(a.machine),
    }.items():
        start = a.schedule.points[-1]
        out.append(
            (
                name,
                {
                    "machine": machine,
                    "gains": {leg: gains_of(machine.legs[leg].servo) for leg in LEGS} if name in OWN_GAINS else a.gains,
                    "command": commands(machine, a.schedule, profile, 0.02),
                    "start": start,
                    "duration": 0.02,
                    "record": time_grid(machine).step,
                    "energy": True,
                },
            )
        )
    # outer loops with every sensor noisy, sampled a few times
    loops = OuterLoops(
        period="4 ms", delay="1.5 ms", chamber_noise="0.05 bar", thrust=ThrustLoop(),
        mixture=MixtureLoop(source="absolute_pressures", pressure_noise="0.05 bar", pressure_accuracy="0.1 bar"),
    )  # fmt: skip
    outer = OuterGains({"thrust": 0.3, "mixture": 0.3}, {"thrust": 50.0, "mixture": 50.0})
    run = outer_run(a.machine, a.schedule, loops, outer, profile, reference_delay=0.01)
    out.append(("outer", {**out[0][1], "outer": run}))
    # a stop just behind where the valve stands, and a command through it
    stopped = a.machine
    for name in LEGS:
        stopped = stopped.with_leg(name, open_stop=a.schedule.points[-1].legs[name].angle + 0.004)
    command = {name: np.full(3, a.schedule.points[-1].legs[name].angle + 0.1) for name in LEGS}
    out.append(("stop", {**out[0][1], "machine": stopped, "command": command}))
    return out


def test_the_longest_memory_is_met(design: Any) -> None:
    """One of the runs fills every past output that the arrays hold."""
    machine = structures(design.analysis.machine)
    assert len(gains_of(machine.legs["fuel"].servo).outer.past) == MOST_PAST


@pytest.fixture(scope="module")
def plain(design: Any, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Name -> (arguments, trace of the plain kernel, flows at each step)."""
    folder = tmp_path_factory.mktemp("plain")
    wanted = jobs(design)
    (folder / "job").write_bytes(pickle.dumps(wanted))
    root = Path(__file__).parents[2]
    path = os.pathsep.join([str(root), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    done = subprocess.run(
        [
            sys.executable,
            str(Path(__file__).with_name("pure_python_kernel.py")),
            str(folder / "job"),
            str(folder / "out"),
        ],
        env={**os.environ, "NUMBA_DISABLE_JIT": "1", "PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    results = pickle.loads((folder / "out").read_bytes())
    return {name: (arguments, *results[name]) for name, arguments in wanted}


@pytest.mark.parametrize("name", ["example", "choking", "slowest", "periods", "outer", "sampling", *OWN_GAINS, "stop"])
def test_plain_and_compiled_kernel_agree(plain: dict[str, Any], name: str) -> None:
    arguments, expected, _ = plain[name]
    trace = simulate(**arguments)
    for quantity in ("time", "chamber_pressure", "bus_voltage"):
        got, want = getattr(trace, quantity), getattr(expected, quantity)
        assert np.max(np.abs(got - want)) <= SAME * np.max(np.abs(want)), quantity
    for leg in LEGS:
        for field in dataclasses.fields(LegTrace):
            if field.name == "energy":
                books = [dataclasses.asdict(t.legs[leg].energy) for t in (trace, expected)]
                for entry, want in books[1].items():
                    assert abs(books[0][entry] - want) <= 1e-6 * books[1]["throughput"], (leg, entry)
                continue
            got, want = (np.asarray(getattr(t.legs[leg], field.name)) for t in (trace, expected))
            scale = float(np.max(np.abs(want)))
            allowed = SAME * max(scale, 1.0)
            part = arguments["machine"].legs[leg]
            rounding = ROUNDINGS * float(np.finfo(float).eps)
            if field.name == "stem_speed":
                angle = float(np.max(np.abs(expected.legs[leg].stem)))
                allowed = rounding * angle * part.servo.spring / part.servo.load_inertia * trace.step
            elif field.name == "valve_drop":
                flow = float(np.max(np.abs(expected.legs[leg].flow)))
                allowed = rounding * flow * (part.up_inertance + part.down_inertance) / trace.step
            assert np.max(np.abs(got - want)) <= allowed, (leg, field.name)


def test_the_runs_meet_what_they_are_for(plain: dict[str, Any]) -> None:
    """Else the checks above would check little."""
    for leg in LEGS:
        assert plain["choking"][1].legs[leg].choked[1:].all()
        moved = plain["example"][1].legs[leg]
        assert np.ptp(moved.stem) > 0.01
        # the first outputs arrive after 14 periods of each loop, one after the other
        late = plain["slowest"][1].legs[leg]
        first = plain["slowest"][1].time[np.nonzero(late.voltage)[0][0]]
        assert first >= MOST_PERIODS * (0.5e-3 + 0.25e-3) > 0.0
        trimmed = plain["outer"][1].legs[leg].command - moved.command
        assert np.ptp(trimmed) > 1e-4
        stop = plain["stop"][0]["machine"].legs[leg].open_stop
        assert plain["stop"][1].legs[leg].stem.max() == stop


def test_mass_balance_of_each_step(plain: dict[str, Any]) -> None:
    """What the valve passes less what the injector passes is what the manifold stores, in each step, to rounding."""
    for name, (arguments, trace, (valve, injector)) in plain.items():
        for k, leg in enumerate(LEGS):
            manifold = trace.legs[leg].manifold
            stored = arguments["machine"].legs[leg].compliance * np.diff(manifold)
            passed = trace.step * (valve[:, k] - injector[:, k])
            rounding = 1e-14 * np.max(np.abs(manifold)) * arguments["machine"].legs[leg].compliance
            assert np.max(np.abs(stored - passed)) <= 10.0 * rounding, name
            total = trace.step * math.fsum(valve[:, k])
            assert abs(math.fsum(stored) - math.fsum(passed)) <= 1e-12 * total, name
