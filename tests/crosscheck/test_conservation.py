"""What must hold of any solution of the machine: stick, energy, mass."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from valvectl.parts.controller import CascadeGains
from valvectl.plant import layout as ix
from valvectl.plant.machine import Machine
from valvectl.plant.simulate import compiled, pack, simulate, time_grid

LEGS: tuple[Any, ...] = ("oxidizer", "fuel")
SERVO_STIFFNESS = CascadeGains(position=100.0, speed=8.0, speed_integral=0.0, current=5.0, current_integral=900.0)
"""A cascade without integral action in the outer loops: the motor's torque follows the position error."""


def rig(design: Any) -> Machine:
    """The example's valves with their friction on a train without losses or lost motion and an exact encoder.

    At rest the torque at the stem is then the motor's times the ratio.
    """
    machine: Machine = design.machine
    for name in LEGS:
        servo = machine.legs[name].servo
        machine = machine.with_servo(
            name,
            half_gap=0.0,
            half_slot=0.0,
            motor_friction=0.0,
            position_count=0.0,
            speed_count=0.0,
            hold_band=0.0,
            feedforward=0.0,
            train=dataclasses.replace(servo.train, efficiency=1.0, backdrive_efficiency=1.0),
        )
    return machine


def breakaway_torque(machine: Machine, start: Any, name: Any) -> float:
    """Torque at the stem that sets the valve moving open [N m], from the stated table, cold, pressure and stream."""
    leg, point = machine.legs[name], start.legs[name]
    stated = float(np.interp(point.angle, leg.characteristic.angles, leg.breakaway))
    share = stated / float(leg.breakaway.max())
    closing = leg.hydrodynamic * leg.bore**3 * point.valve_drop
    return float(leg.cold_factor * (stated + share * leg.pressure_slope * point.valve_drop) + closing)


def pull(
    machine: Machine, start: Any, reach: float, duration: float, hydraulics: bool, step: float | None = None
) -> Any:
    """Run with commands that ramp up over 0.5 s to ``reach`` times the breakaway torque, then hold."""
    command = {}
    for name in LEGS:
        servo = machine.legs[name].servo
        torque = reach * breakaway_torque(machine, start, name)
        amperes = torque / (servo.ratio * servo.torque_constant)
        error = amperes / (SERVO_STIFFNESS.position * SERVO_STIFFNESS.speed)
        time = servo.position_period * np.arange(round(duration / servo.position_period) + 1)
        command[name] = start.legs[name].angle + error * np.clip(time / 0.5, 0.0, 1.0)
    gains = dict.fromkeys(LEGS, SERVO_STIFFNESS)
    return simulate(machine, gains, command, start, duration, hydraulics=hydraulics, record=1e-4, step=step)


def stem_torque(machine: Machine, trace: Any, name: Any) -> NDArray[np.float64]:
    """Torque through the gears [N m] of a train without gap at rest."""
    leg = trace.legs[name]
    return np.asarray(machine.legs[name].servo.spring * (leg.motor - leg.stem))


@pytest.mark.parametrize("hydraulics", [False, True])
def test_a_valve_below_breakaway_does_not_move(design: Any, hydraulics: bool) -> None:
    """97 % of the breakaway torque, 1 s: the stem's angle stays the same to the last bit."""
    machine = rig(design)
    start = design.analysis.schedule.points[-1]
    trace = pull(machine, start, 0.97, 1.0, hydraulics)
    for name in LEGS:
        assert np.all(trace.legs[name].stem == start.legs[name].angle)
        assert np.all(trace.legs[name].ball == start.legs[name].angle)
        assert np.all(trace.legs[name].stem_speed == 0.0)
        held = stem_torque(machine, trace, name)[-1] / breakaway_torque(machine, start, name)
        assert 0.95 < held < 0.99


@pytest.mark.parametrize("setting", [0, -1])
def test_breakaway_at_the_stated_torque(design: Any, setting: int) -> None:
    machine = rig(design)
    start = design.analysis.schedule.points[setting]
    trace = pull(machine, start, 1.3, 0.6, hydraulics=True)
    for name in LEGS:
        moved = np.nonzero(trace.legs[name].stem != start.legs[name].angle)[0]
        assert moved.size > 0
        first = int(moved[0])
        assert trace.legs[name].stem[first] > start.legs[name].angle
        torque = float(stem_torque(machine, trace, name)[first - 1])
        assert torque == pytest.approx(breakaway_torque(machine, start, name), rel=0.01)


def test_the_example_at_rest_stays_at_rest(design: Any) -> None:
    """The example as it is, encoders and hold band included, under a constant command: no number of it moves for 1 s."""
    a = design.analysis
    start = a.schedule.points[-1]
    command = {name: np.array([start.legs[name].angle]) for name in LEGS}
    trace = simulate(a.machine, a.gains, command, start, 1.0)
    for name in LEGS:
        assert np.all(trace.legs[name].stem == trace.legs[name].stem[0])
        assert np.all(trace.legs[name].motor == trace.legs[name].motor[0])
    assert np.ptp(trace.chamber_pressure) < 1e-9 * trace.chamber_pressure[0]


def coast(machine: Machine, motor_speed: float, stem_speed: float, twist: float, steps: int) -> tuple[Any, float]:
    """Oxidizer actuator on its own, motor unwound, from given speeds [rad/s at the stem] and twist [rad].

    Returns angles of rotor (over the ratio) and stem at each step, shape (steps + 1, 2), and the step.
    """
    machine = machine.with_servo("oxidizer", torque_constant=0.0)
    none = CascadeGains(0.0, 0.0, 0.0, 0.0, 0.0)
    grid = time_grid(machine)
    par, glob, tables, losses = pack(machine, {"oxidizer": none, "fuel": none}, grid, False, machine.battery)
    st = np.zeros((2, ix.ST_SIZE))
    ratio, angle = machine.legs["oxidizer"].servo.ratio, 0.8
    st[:, ix.BUS] = machine.battery
    st[0, ix.STEM_ANGLE] = st[0, ix.BALL_ANGLE] = angle
    st[0, ix.MOTOR_ANGLE] = (angle + twist) * ratio
    st[0, ix.MOTOR_SPEED], st[0, ix.STEM_SPEED] = motor_speed * ratio, stem_speed
    acc = np.zeros((2, ix.ACC_SIZE))
    rec = np.full((steps + 1, ix.REC_SIZE), np.nan)
    done = compiled()(
        par,
        glob,
        tables,
        losses,
        np.array(machine.c_star.values),
        np.zeros((2, 1)),
        grid.periods,
        np.zeros((2, ix.LOOPS + 1), dtype=np.int64),
        np.zeros((2, ix.QUEUES, ix.LATE)),
        st,
        np.zeros((2, 8)),
        np.zeros((2, ix.QUEUES, ix.RING, 2)),
        np.zeros((2, ix.QUEUES, ix.QUEUE_SIZE), dtype=np.int64),
        acc,
        rec,
        np.zeros(ix.OUT_SIZE),
        np.zeros((1, ix.ROW_SIZE)),
        np.array([1e5]),
        np.zeros(ix.CLOCK_SIZE, dtype=np.int64),
        steps,
        steps,
        1,
    )
    assert done == steps
    return rec[:, [ix.REC_ENGINE + ix.REC_MOTOR, ix.REC_ENGINE + ix.REC_STEM]], grid.step


def energy(machine: Machine, angles: Any, step: float) -> NDArray[np.float64]:
    """Energy of rotor, stem and gears [J] at whole steps, by the form that leapfrog keeps when nothing rubs.

    Kinetic energy with the product of the speeds half a step before and behind; stretch of the gears beyond the gap.
    """
    servo = machine.legs["oxidizer"].servo
    speed = np.diff(angles, axis=0) / step
    inertia = np.array([servo.ratio**2 * servo.motor_inertia, servo.load_inertia])
    kinetic = 0.5 * (speed[1:] * speed[:-1]) @ inertia
    twist = angles[1:-1, 0] - angles[1:-1, 1]
    stretch = np.maximum(np.abs(twist) - servo.half_gap, 0.0)
    return np.asarray(kinetic + 0.5 * servo.spring * stretch**2)


def even_friction(machine: Machine) -> Machine:
    """Friction of one level, at every angle and speed."""
    leg = machine.legs["oxidizer"]
    level = np.full_like(leg.running, 0.3)
    return machine.with_leg("oxidizer", running=level, breakaway=level)


def test_energy_is_kept_without_losses(design: Any) -> None:
    machine = design.machine.smooth().with_servo("oxidizer", damping=0.0, motor_viscous=0.0)
    angles, step = coast(machine, 1.0, -2.0, 1e-3, 6000)
    stored = energy(machine, angles, step)
    assert np.ptp(stored) < 1e-9 * stored[0]


def test_friction_only_takes_energy(design: Any) -> None:
    """Undriven, every single step loses energy or keeps it, until all stands still."""
    machine = even_friction(rig(design)).with_servo("oxidizer", motor_friction=4e-4)
    angles, step = coast(machine, 4.0, -6.0, 2e-3, 30000)
    stored = energy(machine, angles, step)
    assert float(np.max(np.diff(stored))) <= 1e-11 * stored[0]
    assert stored[-1] < 0.1 * stored[0]
    assert np.all(angles[-100:, 1] == angles[-1, 1])


def test_gap_mesh_losses_and_stiction_take_energy(design: Any) -> None:
    """The example's actuator as it is. The gap's corners are met within a step, so single steps may err; 2 ms may not."""
    machine = design.machine
    angles, step = coast(machine, 4.0, -6.0, 2e-3, 30000)
    stored = energy(machine, angles, step)
    assert float(np.max(stored)) <= stored[0] * 1.001
    coarse = stored[:: round(2e-3 / step)]
    assert float(np.max(np.diff(coarse))) <= 1e-4 * stored[0]
    assert np.all(angles[-100:, 1] == angles[-1, 1])


def test_mass_balance_from_the_records(design: Any) -> None:
    """Flow through the valve less flow through the injector is what the manifold stores, with everything on.

    The valve's flow comes from the recorded drop (written one step late) and the ball's angle, the injector's from the
    recorded pressures; neither is what the kernel adds up.
    """
    from valvectl.plant.schedule import commands

    a = design.analysis
    machine = a.machine
    profile = [(0.0, 1.0), (0.02, 1.0), (0.22, 0.7), (0.25, 0.7)]
    command = commands(machine, a.schedule, profile, 0.25)
    grid = time_grid(machine)
    trace = simulate(machine, a.gains, command, a.schedule.points[-1], 0.25, record=grid.step)
    h = grid.step
    assert np.allclose(np.diff(trace.time), h, rtol=1e-6)
    for name in LEGS:
        leg, run = machine.legs[name], trace.legs[name]
        assert not run.choked.any()
        c = np.interp(run.ball[:-1], leg.characteristic.angles, leg.characteristic.c)
        valve = c * np.sqrt(leg.liquid.density * run.valve_drop[1:])
        inflow = h * float(np.sum(0.5 * (valve[1:-1] + valve[2:])))
        drop = run.manifold - trace.chamber_pressure
        middle = 0.5 * (drop[1:-2] + drop[2:-1])
        outflow = h * float(np.sum(leg.cda * np.sqrt(2.0 * leg.liquid.density * middle)))
        stored = leg.compliance * float(run.manifold[-2] - run.manifold[1])
        assert abs(stored) > 1e-6
        assert inflow - outflow == pytest.approx(stored, rel=1e-3)


def test_a_nan_ends_in_an_error(design: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """NaN in any parameter of the kernel, one after the other, and in a command: never a trace."""
    from valvectl.errors import SimulationError
    from valvectl.plant import simulate as module
    from valvectl.plant.schedule import commands

    a = design.analysis
    machine, start = a.machine, a.schedule.points[-1]
    command = commands(machine, a.schedule, [(0.0, 1.0), (0.03, 0.97)], 0.03)
    original = module.pack
    simulate(machine, a.gains, command, start, 0.03)
    shapes = [array.shape for array in original(machine, a.gains, time_grid(machine), True, machine.battery)]
    places: list[tuple[int, tuple[int, ...]]] = [(0, (k, i)) for k in range(2) for i in range(shapes[0][1])] + [
        (1, (i,)) for i in range(shapes[1][0])
    ]
    places += [(2, (k, i, 700)) for k in range(2) for i in range(shapes[2][1])]
    places += [(3, (k, i, 300)) for k in range(2) for i in range(2)]
    for array, place in places:

        def spoilt(*args: Any, array: int = array, place: Any = place) -> Any:
            out = original(*args)
            out[array][place] = math.nan
            return out

        monkeypatch.setattr(module, "pack", spoilt)
        with pytest.raises(SimulationError):
            simulate(machine, a.gains, command, start, 0.03)
    monkeypatch.setattr(module, "pack", original)
    for name in LEGS:
        bad = {key: value.copy() for key, value in command.items()}
        bad[name][4] = math.nan
        with pytest.raises(SimulationError, match="finite"):
            simulate(machine, a.gains, bad, start, 0.03)
    bad_start = dataclasses.replace(start, chamber_pressure=math.nan)
    with pytest.raises(SimulationError, match="finite"):
        simulate(machine, a.gains, command, bad_start, 0.03)


def test_a_nan_in_the_last_stretch_is_found(design: Any) -> None:
    """A run that loses its numbers after the last record but one."""
    from valvectl.errors import SimulationError

    a = design.analysis
    start = a.schedule.points[-1]
    period = a.machine.legs["oxidizer"].servo.position_period
    command = {name: np.full(40, start.legs[name].angle) for name in LEGS}
    duration = 20.0 * period + a.machine.legs["oxidizer"].servo.position_delay + 4.0 * period
    command["oxidizer"][20:] = math.nan
    with pytest.raises(SimulationError, match="finite"):
        simulate(a.machine, a.gains, command, start, duration, record=1.0)


def test_the_compiled_kernel_is_kept_where_the_variable_says(cache_folder: Path) -> None:
    """The compiled kernel is kept where ``VALVECTL_CACHE`` says."""
    from valvectl.plant.simulate import kernel_cache

    folder = kernel_cache()
    assert folder is not None
    assert folder.parent == cache_folder
