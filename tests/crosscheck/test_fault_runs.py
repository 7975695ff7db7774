"""Each fault in the simulator against something made without it: steady balance, a run of another kind, elementary laws."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import valvectl
from valvectl.design.schema import LEGS
from valvectl.parts.encoder import faulty_reading
from valvectl.plant import layout as ix
from valvectl.plant.balance import balance
from valvectl.plant.fault_run import KINDS, fault_numbers, inject, possible
from valvectl.plant.schedule import commands
from valvectl.plant.simulate import DriveOff, EngineRun, simulate

DESIGN = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
PROFILE = [(0.0, 0.4), (0.2, 0.4), (0.4, 0.8), (1.2, 0.8)]
DURATION = 1.2


class Rig:
    """The example, a short profile, and a run of it at any time."""

    def __init__(self) -> None:
        self.design = valvectl.load(DESIGN)
        self.a: Any = self.design.analysis
        self.machine = self.a.machine
        self.numbers = fault_numbers(self.design)
        self.command = commands(self.machine, self.a.schedule, PROFILE, DURATION)

    def at(self, time: float, machine: Any = None) -> EngineRun:
        run = EngineRun(machine or self.machine, self.a.gains, self.command, self.a.schedule.points[0], DURATION)
        run.advance(round(time / run.step))
        return run

    def whole(self, machine: Any = None, **more: Any) -> Any:
        command = more.pop("command", self.command)
        return simulate(
            machine or self.machine, self.a.gains, command, self.a.schedule.points[0], DURATION, **more
        )  # fmt: skip


@pytest.fixture(scope="module")
def rig() -> Rig:
    return Rig()


def tail_of(trace: Any, other: Any) -> Any:
    """Chamber pressure of a whole run over the times of a branch."""
    late = trace.time >= other.time[0]
    assert np.array_equal(trace.time[late], other.time)
    return trace.chamber_pressure[late]


@pytest.mark.parametrize("name", LEGS)
def test_a_stuck_valve_is_the_balance_at_its_angle(rig: Rig, name: Any) -> None:
    run = rig.at(0.3)
    stands = float(run.st[LEGS.index(name), ix.STEM_ANGLE])
    trace = inject(run, "stuck-valve", name, rig.numbers, 2.0).run.trace()
    assert np.all(trace.legs[name].stem == stands)
    point = balance(rig.machine, *(float(trace.legs[n].ball[-1]) for n in LEGS))
    assert trace.mixture_ratio[-1] == pytest.approx(point.mixture_ratio, rel=2e-3)
    assert trace.chamber_pressure[-1] == pytest.approx(point.chamber_pressure, rel=2e-3)
    assert abs(point.mixture_ratio / rig.machine.mixture_ratio - 1.0) > 0.1  # it matters


@pytest.mark.parametrize(("kind", "share"), [("regulator-high", 1.25), ("regulator-low", 0.9)])
def test_a_failed_regulator_is_the_balance_at_its_pressure(rig: Rig, kind: str, share: float) -> None:
    """Without an ullage: a ramp to the stated pressure, then the balance of an engine whose tank stands there."""
    leg = rig.machine.legs["fuel"]
    pressure = share * leg.tank_pressure
    old = rig.numbers.supply["fuel"]
    assert old is not None
    supply = dataclasses.replace(
        old, gas=None, bottle=None, ceiling=pressure, floor=pressure, rise_rate=3e7, fall_rate=3e7
    )
    numbers = dataclasses.replace(rig.numbers, supply={**rig.numbers.supply, "fuel": supply})
    branch = inject(rig.at(0.2), kind, "fuel", numbers, 2.0)
    trace = branch.run.trace()
    moved = rig.machine.with_leg("fuel", tank_pressure=pressure, tank_droop=0.0)
    point = balance(moved, *(float(trace.legs[n].ball[-1]) for n in LEGS))
    assert branch.tank["fuel"][1][-1] == pytest.approx(pressure)
    assert trace.mixture_ratio[-1] == pytest.approx(point.mixture_ratio, rel=2e-3)


def test_a_shut_regulator_lets_the_gas_expand(rig: Rig) -> None:
    """Isentropic: p V^gamma stays, V growing by what the trace says has left."""
    branch = inject(rig.at(0.2), "regulator-low", "oxidizer", rig.numbers, 2.0)
    supply, trace = rig.numbers.supply["oxidizer"], branch.run.trace()
    assert supply is not None
    assert supply.gas is not None
    times, pressures = branch.tank["oxidizer"]
    flow = trace.legs["oxidizer"].flow / rig.machine.legs["oxidizer"].liquid.density
    left = float(np.trapezoid(flow, trace.time))
    expected = pressures[0] * (supply.volume / (supply.volume + left)) ** supply.gas.gamma
    assert times[-1] == pytest.approx(trace.time[-1], abs=1e-3)
    assert pressures[-1] < 0.8 * pressures[0]
    assert pressures[-1] == pytest.approx(expected, rel=5e-3)


def test_an_open_regulator_fills_as_fast_as_its_valve_lets(rig: Rig) -> None:
    """First rise: (gamma - 1) (m h) / V less the liquid's share, with the choked flow of IEC 60534-2-1 written out here."""
    branch = inject(rig.at(0.1), "regulator-high", "fuel", rig.numbers, 0.05)
    supply = rig.numbers.supply["fuel"]
    assert supply is not None
    assert supply.gas is not None
    assert supply.bottle is not None
    before, temperature, kv, xt = supply.bottle
    gas = supply.gas
    density = before * gas.molar_mass / (8.314462618 * temperature)
    choked = gas.gamma / 1.4 * xt
    # W [kg/h] = 31.6 Kv Y sqrt(x p1 [kPa]... in the standard's units N6 = 31.6 with bar and kg/m^3
    mass = 31.6 / 3600.0 * kv * (2.0 / 3.0) * math.sqrt(choked * before / 1e5 * density)
    trace = branch.run.trace()
    outflow = float(trace.legs["fuel"].flow[0]) / rig.machine.legs["fuel"].liquid.density
    times, pressures = branch.tank["fuel"]
    enthalpy = gas.gamma / (gas.gamma - 1.0) * 8.314462618 / gas.molar_mass * temperature
    rate = ((gas.gamma - 1.0) * mass * enthalpy - gas.gamma * pressures[0] * outflow) / supply.volume
    assert (pressures[1] - pressures[0]) / (times[1] - times[0]) == pytest.approx(rate, rel=5e-3)


@pytest.mark.parametrize(("kind", "sign"), [("encoder-high", 1.0), ("encoder-low", -1.0)])
def test_a_shifted_encoder_shifts_the_stem(rig: Rig, kind: str, sign: float) -> None:
    trace = inject(rig.at(0.1), kind, "oxidizer", rig.numbers, 2.0).run.trace()
    leg = trace.legs["oxidizer"]
    off = float(leg.stem[-1] - leg.command[-1])
    servo = rig.machine.legs["oxidizer"].servo
    assert off == pytest.approx(-sign * rig.numbers.encoder_offset, abs=servo.hold_band + servo.position_count)


def test_a_frozen_encoder_winds_the_valve_to_its_stop(rig: Rig) -> None:
    trace = inject(rig.at(0.25), "frozen-encoder", "oxidizer", rig.numbers, 2.0).run.trace()
    assert trace.legs["oxidizer"].stem[-1] == rig.machine.legs["oxidizer"].open_stop
    # at rest with the error inside the hold band nothing moves
    calm = EngineRun(
        rig.machine, rig.a.gains, {n: np.array([rig.a.schedule.points[0].legs[n].angle]) for n in LEGS},
        rig.a.schedule.points[0], 0.3,
    )  # fmt: skip
    calm.advance(1000)
    held = inject(calm, "frozen-encoder", "fuel", rig.numbers, 1.0).run.trace()
    assert np.all(held.legs["fuel"].stem == held.legs["fuel"].stem[0])


def test_slips(rig: Rig) -> None:
    """Seen by a stem encoder, a slip of the coupling is put right; beyond the encoder, or with it on the motor, it stays."""
    slip = rig.numbers.slip
    servo = rig.machine.legs["fuel"].servo
    wound = float(np.max(rig.machine.legs["fuel"].breakaway)) / servo.spring  # what friction may leave in the gears
    near = servo.hold_band + servo.position_count + servo.half_gap + wound
    seen = inject(rig.at(0.1), "slipped-coupling", "fuel", rig.numbers, 2.0).run.trace().legs["fuel"]
    start = rig.at(0.1)
    at_once = inject(start, "slipped-coupling", "fuel", rig.numbers, start.step).run
    assert at_once.st[1, ix.STEM_ANGLE] - start.st[1, ix.STEM_ANGLE] == pytest.approx(-slip, abs=1e-5)
    assert float(seen.stem[-1] - seen.command[-1]) == pytest.approx(0.0, abs=near)
    unseen = inject(rig.at(0.1), "slipped-ball", "fuel", rig.numbers, 2.0).run.trace().legs["fuel"]
    assert float(unseen.ball[-1] - unseen.command[-1]) == pytest.approx(
        -slip, abs=near + rig.machine.legs["fuel"].servo.half_slot
    )
    blind = rig.machine.with_servo("fuel", position_on_motor=True)
    lost = inject(rig.at(0.1, blind), "slipped-coupling", "fuel", rig.numbers, 2.0).run.trace().legs["fuel"]
    assert float(lost.stem[-1] - lost.command[-1]) == pytest.approx(-slip, abs=near)


def test_a_dead_motor_is_a_drive_switched_off(rig: Rig) -> None:
    run = rig.at(0.3)
    off = DriveOff(run.tick * run.step, rig.numbers.shorted["oxidizer"])
    trace = inject(run, "dead-motor", "oxidizer", rig.numbers, 2.0).run.trace()
    whole = rig.whole(off={"oxidizer": off})
    assert np.array_equal(tail_of(whole, trace), trace.chamber_pressure)


def test_commands_held_or_shifted_are_such_commands(rig: Rig) -> None:
    run = rig.at(0.3)
    at = int(run.due[1, ix.LOOPS])
    period = rig.machine.legs["fuel"].servo.position_period
    held = rig.command["fuel"].copy()
    held[at:] = held[at - 1]
    trace = inject(run, "lost-command", "fuel", rig.numbers, 2.0).run.trace()
    assert np.array_equal(tail_of(rig.whole(command={**rig.command, "fuel": held}), trace), trace.chamber_pressure)
    count = math.ceil(rig.numbers.command_delay / period)
    rows = np.arange(rig.command["fuel"].size)
    source = np.where(rows < at, rows, np.maximum(rows - count, at - 1))
    late = rig.command["fuel"][source]
    trace = inject(rig.at(0.3), "late-command", "fuel", rig.numbers, 2.0).run.trace()
    assert np.array_equal(tail_of(rig.whole(command={**rig.command, "fuel": late}), trace), trace.chamber_pressure)


def test_a_mild_brown_out_is_a_run_on_that_battery(rig: Rig) -> None:
    numbers = dataclasses.replace(rig.numbers, brown_out_voltage=20.0, brown_out_time=5.0)
    branch = inject(rig.at(0.0), "brown-out", None, numbers, 2.0)
    whole = rig.whole(battery=20.0)
    trace = branch.run.trace()
    # the bus voltage that the very first step starts from is another, before any current
    assert np.allclose(trace.chamber_pressure, whole.chamber_pressure, rtol=1e-9)
    assert "stay on" in branch.said
    deep = inject(rig.at(0.3), "brown-out", None, rig.numbers, 2.0)
    assert "lock-out" in deep.said
    dark = rig.numbers.brown_out_time + rig.numbers.reset_time
    assert deep.silent == pytest.approx(dark)
    trace = deep.run.trace()
    off = (trace.time > 0.3 + 1e-3) & (trace.time < 0.3 + dark - 1e-3)
    for name in LEGS:
        assert np.all(trace.legs[name].voltage[off] == 0.0)
        assert abs(float(trace.legs[name].stem[-1] - rig.command[name][-1])) < math.radians(0.1)


def test_a_reset_comes_back_to_the_command(rig: Rig) -> None:
    trace = inject(rig.at(0.3), "controller-reset", "oxidizer", rig.numbers, 2.0).run.trace()
    leg, time = trace.legs["oxidizer"], trace.time - 0.3
    assert np.all(leg.voltage[(time > 1e-3) & (time < rig.numbers.reset_time - 1e-3)] == 0.0)
    steps = np.abs(np.diff(leg.command)) / np.diff(trace.time)
    servo = rig.machine.legs["oxidizer"].servo
    late = time[1:] > rig.numbers.reset_time + 2e-3
    # a record may fall on either side of a sample
    assert float(np.max(steps[late])) <= servo.speed_limit * servo.position_period / rig.machine.record * 1.01
    assert abs(float(leg.stem[-1] - leg.command[-1])) < math.radians(0.1)


def test_a_slow_valve_is_slow(rig: Rig) -> None:
    trace = inject(rig.at(0.2), "slow-valve", "oxidizer", rig.numbers, 2.0).run.trace()
    servo = rig.machine.legs["oxidizer"].servo
    most = rig.numbers.slow_speed * servo.speed_limit
    mean = float(trace.legs["oxidizer"].stem[-1] - trace.legs["oxidizer"].stem[0]) / (trace.time[-1] - 0.2)
    assert 0.5 * most < mean <= most


def test_a_broken_coupling_leaves_the_stem_to_friction(rig: Rig) -> None:
    trace = inject(rig.at(0.2), "broken-coupling", "fuel", rig.numbers, 2.0).run.trace()
    leg = trace.legs["fuel"]
    assert np.all(leg.stem == leg.stem[0])  # the stream alone does not beat this valve's friction
    assert float(np.ptp(leg.motor)) > math.radians(20.0)


def test_noise_of_nothing_is_no_fault_and_noise_moves_the_valve(rig: Rig) -> None:
    none = dataclasses.replace(rig.numbers, encoder_noise=0.0)
    calm = inject(rig.at(0.1), "noisy-encoder", "fuel", none, 2.0).run.trace()
    assert np.array_equal(tail_of(rig.whole(), calm), calm.chamber_pressure)
    loud = inject(rig.at(0.1), "noisy-encoder", "fuel", rig.numbers, 2.0)
    leg = loud.run.trace().legs["fuel"]
    late = loud.run.trace().time > 0.8
    assert 0.0 < float(np.std(leg.stem[late])) < rig.numbers.encoder_noise


def test_what_a_faulty_encoder_shows() -> None:
    assert faulty_reading(0.3, 1.0, 0.0, 0.0, 5.0) == 0.3
    assert faulty_reading(0.3, 0.0, 0.1, 0.0, 5.0) == 0.1
    assert faulty_reading(0.3, 1.0, 0.1, 0.01, -2.0) == pytest.approx(0.38)


def test_every_fault_runs_everywhere(rig: Rig) -> None:
    """In the middle of a change and at rest; the run it was cut from is untouched."""
    listed = possible(rig.numbers)
    assert {kind for kind, _ in listed} == set(KINDS)
    for time in (0.0, 0.3):
        run = rig.at(time)
        before = {key: getattr(run, key).copy() for key in ("par", "glob", "st", "command", "queue", "clock", "gas")}
        for kind, leg in listed:
            trace = inject(run, kind, leg, rig.numbers, 0.2).run.trace()
            assert trace.time[-1] == pytest.approx(run.tick * run.step + 0.2, abs=1e-3)
        for key, value in before.items():
            assert np.array_equal(getattr(run, key), value), key


@pytest.mark.parametrize("setting", [0, -1])
def test_valves_shut_within_the_time_that_verdicts_count_on(rig: Rig, setting: int) -> None:
    """Angle over speed limit, as the study counts it, against simulated closing: the flow is gone by then, not much earlier."""
    start = rig.a.schedule.points[setting]
    command, counted = {}, {}
    for name in LEGS:
        leg = rig.machine.legs[name]
        angle, speed = start.legs[name].angle, leg.servo.speed_limit
        counted[name] = (angle - leg.closed_stop) / speed
        time = leg.servo.position_period * np.arange(round(0.5 / leg.servo.position_period))
        command[name] = np.maximum(angle - speed * time, leg.closed_stop)
    trace = simulate(rig.machine, rig.a.gains, command, start, 0.4)
    for name in LEGS:
        gone = trace.legs[name].flow < 0.02 * start.legs[name].flow
        after = float(trace.time[int(np.argmax(gone))])
        assert gone.any()
        assert counted[name] - 0.05 < after <= counted[name]
