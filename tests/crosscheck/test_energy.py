"""Energy from battery to valve in simulated moves, a dead drive, and the return spring, against elementary mechanics."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.linalg import expm

from valvectl.parts.return_spring import return_energy
from valvectl.plant.machine import Machine
from valvectl.plant.simulate import DriveOff, simulate
from valvectl.servo.tune import gains_of
from valvectl.studies import stroke
from valvectl.studies.power import case_of

LEGS: tuple[Any, ...] = ("oxidizer", "fuel")
CLOSURE = 1e-3
"""Largest share of the energy put through that may be unaccounted for: the project's."""


def moves(machine: Machine, start: Any, size: float, times: tuple[float, ...]) -> dict[Any, np.ndarray[Any, Any]]:
    """Steps of the command to and fro about the start, at given times [s]."""
    command = {}
    for name in LEGS:
        period = machine.legs[name].servo.position_period
        row = np.zeros(round(times[-1] / period) + 2)
        for k, at in enumerate(times[:-1]):
            row[round(at / period) :] = size if k % 2 == 0 else 0.0
        command[name] = start.legs[name].angle + row
    return command


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    size=st.floats(-0.25, 0.25),
    gap=st.floats(0.0, 0.02),
    friction=st.floats(0.0, 2.0),
    efficiency=st.floats(0.4, 1.0),
    viscous=st.floats(0.0, 1e-4),
    stiffness=st.floats(0.1, 2.0),
    preload=st.floats(0.0, 2.0),
    stream=st.floats(0.0, 20.0),
    speed_up=st.floats(0.5, 2.0),
    hydraulics=st.booleans(),
)
def test_every_joule_is_accounted_for(
    design: Any,
    size: float,
    gap: float,
    friction: float,
    efficiency: float,
    viscous: float,
    stiffness: float,
    preload: float,
    stream: float,
    speed_up: float,
    hydraulics: bool,
) -> None:
    """Battery = losses of battery and harness + electronics + copper + friction + gears + kinetic + work on the valve."""
    machine: Machine = design.machine
    start = design.analysis.schedule.points[10]
    gains = {}
    for name in LEGS:
        leg = machine.legs[name]
        train = dataclasses.replace(
            leg.servo.train, efficiency=efficiency, backdrive_efficiency=max(0.0, 2.0 - 1.0 / efficiency)
        )
        machine = machine.with_servo(
            name,
            half_gap=0.5 * gap,
            train=train,
            motor_viscous=viscous,
            spring=stiffness * leg.servo.spring,
            return_preload=preload,
            return_rate=0.5 * preload,
        )
        machine = machine.with_leg(
            name, running=friction * leg.running, breakaway=friction * leg.breakaway, hydrodynamic=stream
        )
        found = gains_of(leg.servo)
        gains[name] = dataclasses.replace(found, position=speed_up * found.position)
    trace = simulate(
        machine, gains, moves(machine, start, size, (0.02, 0.2, 0.4)), start, 0.4, hydraulics=hydraulics, energy=True
    )
    for name in LEGS:
        book = trace.legs[name].energy
        assert book is not None
        assert abs(book.imbalance) < CLOSURE
        assert abs(book.supply_imbalance) < CLOSURE
        assert book.friction_given < CLOSURE * book.throughput + 1e-6
        for taken in (book.copper, book.motor_friction, book.gear_loss, book.stem_friction, book.stop):
            assert taken > -1e-9


def spinning(design: Any, off: DriveOff | None, viscous: float = 0.0) -> tuple[Machine, Any]:
    """A smooth machine whose command ramps at 2 rad/s until its drive dies at 0.1 s."""
    machine = design.machine.smooth()
    start = design.analysis.schedule.points[0]
    gains = {name: gains_of(design.machine.legs[name].servo) for name in LEGS}
    command = {}
    for name in LEGS:
        machine = machine.with_servo(name, motor_viscous=viscous)
        period = machine.legs[name].servo.position_period
        command[name] = start.legs[name].angle + 2.0 * period * np.arange(round(0.6 / period))
    dead = None if off is None else dict.fromkeys(LEGS, off)
    return machine, simulate(machine, gains, command, start, 0.5, hydraulics=False, record=1e-4, off=dead, energy=True)


def test_an_open_motor_coasts_and_a_shorted_one_brakes(design: Any) -> None:
    """Open: the speed stays. Shorted: J w' = K i, L i' = -R i - K w, by the matrix exponential."""
    machine, open_ = spinning(design, DriveOff(0.1))
    _, shorted = spinning(design, DriveOff(0.1, shorted=True))
    for name in LEGS:
        servo = machine.legs[name].servo
        time = open_.time
        late = time > 0.11
        speed = np.gradient(open_.legs[name].motor, time)[late]
        assert np.allclose(speed, speed.mean(), rtol=2e-3)
        assert np.all(open_.legs[name].current[late] == 0.0)
        inertia = servo.motor_inertia + servo.load_inertia / servo.ratio**2
        k, resistance, inductance = servo.torque_constant, servo.resistance, servo.inductance
        motion = np.array([[0.0, k / inertia], [-k / inductance, -resistance / inductance]])
        angle, current = servo.ratio * shorted.legs[name].motor, shorted.legs[name].current
        speed = np.gradient(angle, time)
        a, b = (int(np.searchsorted(time, at)) for at in (0.102, 0.106))
        exact = expm(motion * (time[b] - time[a])) @ np.array([speed[a], current[a]])
        assert speed[b] == pytest.approx(exact[0], abs=2e-3 * abs(speed[a]))
        assert current[b] == pytest.approx(exact[1], abs=5e-3 * abs(k * speed[a] / resistance))
        assert abs(speed[-1]) < 1e-6 * speed[a]


def test_a_spring_released_shuts_the_valve_with_its_energy(design: Any) -> None:
    """Frictionless: what the spring gives up arrives at the stop as kinetic energy (conservation)."""
    preload, rate = 0.8, 0.3
    machine = design.machine.smooth()
    start = design.analysis.schedule.points[-1]
    real = design.machine
    for name in LEGS:
        leg = real.legs[name]
        machine = machine.with_leg(name, closed_stop=leg.closed_stop, open_stop=leg.open_stop)
        machine = machine.with_servo(name, return_preload=preload, return_rate=rate, motor_viscous=0.0)
    gains = {name: gains_of(real.legs[name].servo) for name in LEGS}
    command = {name: np.full(3, start.legs[name].angle) for name in LEGS}
    trace = simulate(
        machine, gains, command, start, 0.6, hydraulics=False, record=1e-4, off=dict.fromkeys(LEGS, DriveOff(0.0)),
        energy=True,
    )  # fmt: skip
    for name in LEGS:
        leg, servo = trace.legs[name], machine.legs[name].servo
        opening = start.legs[name].angle - machine.legs[name].closed_stop
        first = int(np.argmax(leg.stem <= machine.legs[name].closed_stop + 1e-9))
        assert first > 10
        inertia = servo.load_inertia + servo.motor_inertia * servo.ratio**2
        speed = float(np.gradient(leg.motor, trace.time)[first - 5])
        left = float(leg.stem[first - 5]) - machine.legs[name].closed_stop
        expected = return_energy(opening, preload, rate) - return_energy(left, preload, rate)
        assert 0.5 * inertia * speed**2 == pytest.approx(expected, rel=2e-2)
        assert leg.energy is not None
        end = float(leg.stem[-1]) - machine.legs[name].closed_stop  # the rotor has bounced off the stop by then
        change = return_energy(end, preload, rate) - return_energy(opening, preload, rate)
        assert leg.energy.return_spring == pytest.approx(change, rel=1e-2)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    volts=st.floats(20.0, 25.2),
    resistance=st.floats(0.0, 0.2),
    loads=st.floats(0.0, 6.0),
    idle=st.floats(0.0, 10.0),
    friction=st.floats(0.2, 1.5),
    stream=st.floats(0.0, 5.0),
)
def test_the_power_study_accounts_for_the_batterys_joules(
    design: Any, volts: float, resistance: float, loads: float, idle: float, friction: float, stream: float
) -> None:
    """Both valves from stop to stop at once: battery = every loss + work + other loads, and voltages from circuit laws."""
    machine = dataclasses.replace(design.machine, battery_resistance=resistance, other_loads=loads)
    for name in LEGS:
        leg = machine.legs[name]
        machine = machine.with_servo(name, idle_power=idle).with_leg(
            name, running=friction * leg.running, breakaway=friction * leg.breakaway, hydrodynamic=stream
        )
    analysis = design.analysis
    for way in ("opening", "closing"):
        trace = stroke.simulated(machine, analysis.gains, analysis.schedule.points[0], way, battery=volts, energy=True)
        case = case_of(machine, trace, way, volts)
        assert abs(case.imbalance) < CLOSURE
        assert abs(case.leg_imbalance) < CLOSURE
        lower = min(case.lowest.values())
        assert min(float(v.min()) for v in case.drive_voltage.values()) >= lower - 0.05
        # the record's currents, worked back from the drives, make the battery's own sag
        sag = volts - trace.bus_voltage
        assert np.allclose(sag, resistance * case.current, atol=0.02 * volts * resistance + 1e-9)
