"""The printed difference equations, run as they stand, against the compiled simulator's own loops on recorded measurements.

Each line that ``valvectl loop --equations`` prints is executed as Python at each sample, with nothing added but ``clip``,
``floor`` and the names' first values. The compiled loops get the same measurements.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.parts.controller_more import ANTI_WINDUP, CASCADE, PID, STATE_FEEDBACK, ControllerMore
from valvectl.plant import kernel_servo
from valvectl.plant import layout as ix
from valvectl.plant.pack_control import start_control
from valvectl.plant.simulate import pack, time_grid
from valvectl.servo.equations import equations
from valvectl.servo.tune import gains_of

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
SAMPLES = 3000
SAME = 1e-12
"""Agreement, relative to the largest magnitude: compiled code fuses products."""
FORWARD = {
    "feedforward_acceleration": 1.0, "feedforward_friction": 0.8, "friction_current": 0.9, "friction_speed": 0.05,
}  # fmt: skip
NOTCH = {"notch_frequency": 150.0, "notch_width": 0.6, "notch_depth": 0.2}
FULL = {**FORWARD, **NOTCH}

MORE = {
    "plain cascade": ControllerMore(),
    **{f"cascade with all, {name}": ControllerMore(CASCADE, kind, dead_zone=0.4, **FULL) for name, kind in ANTI_WINDUP.items()},
    "cascade, tracking time": ControllerMore(CASCADE, ANTI_WINDUP["back_calculation"], tracking_time=7e-3),
    "plain pid": ControllerMore(PID),
    **{f"pid with all, {name}": ControllerMore(PID, kind, **FULL) for name, kind in ANTI_WINDUP.items()},
    "pid, weight": ControllerMore(PID, weight=0.4),
    "plain state feedback": ControllerMore(STATE_FEEDBACK),
    **{f"state feedback with all, {name}": ControllerMore(STATE_FEEDBACK, kind, **FORWARD) for name, kind in ANTI_WINDUP.items()},
}  # fmt: skip
DELAYS = {
    "example": {},
    "long": {"position_delay": 2.35e-3},
    "trim": {"position_on_motor": True, "trim_gain": 4.0, "trim_limit": 1e-3, "trim_count": 1e-4},
}
SPEEDS = {
    "filter": {"speed_filter": 0.8e-3},
    "no filter": {"speed_filter": 0.0},
    "observer": {"speed_filter": 0.0, "observer_bandwidth": 900.0, "observer_damping": 0.8},
}


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


class Compiled:
    """The compiled loops, one sample at a time."""

    def __init__(self, servo, gains, start) -> None:
        machine = rig().machine
        for name in machine.legs:
            machine = machine.with_leg(name, servo=servo)
        both = dict.fromkeys(machine.legs, gains)
        self.par = np.ascontiguousarray(pack(machine, both, time_grid(machine), False, 24.0)[0][0])
        self.ratio = servo.ratio
        self.st = np.zeros(ix.ST_SIZE)
        self.st[ix.STEM_ANGLE] = self.st[ix.COMMAND] = self.st[ix.COMMAND_BEFORE] = self.st[ix.ANGLE_BEFORE] = start
        start_control(self.st, servo, gains)
        self.ring, self.queue = np.zeros(ix.QUEUES * ix.RING * 2), np.zeros(ix.QUEUES * ix.QUEUE_SIZE, dtype=np.int64)

    def taken(self, queue: int) -> float:
        """The output just sent; the line is emptied."""
        assert self.queue[queue * ix.QUEUE_SIZE + ix.COUNT_INDEX] == 1
        self.queue[queue * ix.QUEUE_SIZE + ix.COUNT_INDEX] = 0
        return float(self.ring[2 * queue * ix.RING])

    def see(self, angle: float) -> None:
        self.st[ix.STEM_ANGLE], self.st[ix.MOTOR_ANGLE] = angle, angle * self.ratio

    def outer(self, r: float, angle: float, structure: float):
        self.see(angle)
        sample = kernel_servo.sample_position if structure == CASCADE else kernel_servo.sample_outer
        sample(self.par, self.st, self.ring, self.queue, np.array([r]), 0, 0)
        if structure != CASCADE:
            return {"i_set": self.taken(ix.LOOP_SPEED)}
        out = {}
        if self.par[ix.FORWARD_ON] > 0.5:
            kernel_servo.send_forward(self.par, self.st, self.ring, self.queue)
            out["i_forward"] = self.taken(ix.QUEUE_FORWARD)
        return out | {"w_set": self.taken(ix.LOOP_POSITION)}

    def speed(self, angle: float, w_set: float, forward: float):
        self.see(angle)
        self.st[ix.SPEED_SET], self.st[ix.CURRENT_FORWARD] = w_set, forward
        kernel_servo.sample_speed(self.par, self.st, self.ring, self.queue, 0)
        return {"i_set": self.taken(ix.LOOP_SPEED)}

    def current(self, i_set: float, current: float, bus: float):
        self.st[ix.CURRENT_SET], self.st[ix.CURRENT], self.st[ix.BUS] = i_set, current, bus
        kernel_servo.sample_current(self.par, self.st, self.ring, self.queue, 0)
        return {"v": self.taken(ix.LOOP_CURRENT)}


class Printed:
    """The printed lines of one loop, run as Python."""

    def __init__(self, loop, **first: float) -> None:
        self.code = [compile(line, loop.loop, "exec") for line in loop.lines]
        self.names = {name: 0.0 for line in self.code for name in line.co_names} | first
        self.names |= {"clip": lambda x, m: min(max(x, -m), m), "floor": math.floor, "abs": abs}

    def sample(self, **inputs: float):
        self.names |= inputs
        for line in self.code:
            exec(line, self.names)
        return self.names


def compared(pairs):
    """Both series agree, relative to the largest magnitude of each output."""
    for name in pairs[0][0]:
        got = np.array([p[0][name] for p in pairs])
        want = np.array([p[1][name] for p in pairs])
        assert np.ptp(got) > 0.0
        assert np.max(np.abs(got - want)) <= SAME * np.max(np.abs(got)), name


def recorded(seed: int, start: float):
    """A command that moves and rests, and an angle that follows it roughly [rad]."""
    rng = np.random.default_rng(seed)
    steps = np.where(rng.random(SAMPLES) < 0.02, rng.normal(scale=0.1, size=SAMPLES), 0.0)
    command = start + np.convolve(np.cumsum(steps), np.ones(30) / 30.0)[:SAMPLES]
    command = np.round(command, 6)  # rests exactly between its moves
    angle = np.roll(command, 12) + rng.normal(scale=2e-4, size=SAMPLES)
    angle[:12] = start
    return command, angle


@pytest.mark.parametrize("delays", list(DELAYS))
@pytest.mark.parametrize("name", list(MORE))
def test_outer_loop(name, delays):
    start, more = 0.8, MORE[name]
    servo = replace(rig().machine.legs["oxidizer"].servo, more=more, hold_band=3e-4, **DELAYS[delays])
    gains = gains_of(servo)
    loop = next(e for e in equations(servo, gains, 17) if e.loop == "position")
    machine = Compiled(servo, gains, start)
    first = {"r_before": start, "r_earlier": start, "th": float(machine.st[ix.HAT_ANGLE])}
    first |= {"x": float(machine.st[ix.SPEED_INTEGRAL]), "q_before": float(machine.st[ix.WEIGHED_BEFORE])}
    printed = Printed(loop, **first)
    pairs = []
    for r, angle in zip(*recorded(1, start), strict=True):
        got = machine.outer(float(r), float(angle), more.structure)
        names = printed.sample(r=float(r), stem=float(machine.st[ix.STEM_ANGLE]), motor=float(angle))
        pairs.append((got, {key: names[key] for key in got}))
    compared(pairs)


@pytest.mark.parametrize("filtered", list(SPEEDS))
@pytest.mark.parametrize("name", [name for name, more in MORE.items() if more.structure == CASCADE])
def test_speed_loop(name, filtered):
    start = 0.8
    servo = replace(rig().machine.legs["oxidizer"].servo, more=MORE[name], speed_on_motor=False, **SPEEDS[filtered])
    gains = gains_of(servo)
    loop = next(e for e in equations(servo, gains, 17) if e.loop == "speed")
    machine, printed = Compiled(servo, gains, start), Printed(loop, angle_before=start)
    rng = np.random.default_rng(2)
    _, angle = recorded(3, start)
    pairs = []
    for a, w_set, forward in zip(angle, rng.normal(scale=1.0, size=SAMPLES), rng.normal(size=SAMPLES), strict=True):
        forward = float(forward) if servo.more.fed_forward else 0.0
        got = machine.speed(float(a), float(w_set), forward)
        pairs.append((got, {"i_set": printed.sample(stem=float(a), w_set=float(w_set), i_forward=forward)["i_set"]}))
    compared(pairs)


@pytest.mark.parametrize("kind", list(ANTI_WINDUP))
def test_current_loop(kind):
    servo = replace(rig().machine.legs["oxidizer"].servo, more=ControllerMore(anti_windup=ANTI_WINDUP[kind]))
    gains = gains_of(servo)
    loop = next(e for e in equations(servo, gains, 17) if e.loop == "current")
    machine, printed = Compiled(servo, gains, 0.8), Printed(loop)
    rng = np.random.default_rng(5)
    pairs = []
    for i_set, current, bus in zip(
        rng.normal(scale=3.0, size=SAMPLES), rng.normal(scale=3.0, size=SAMPLES), rng.uniform(18.0, 25.0, SAMPLES), strict=True
    ):  # fmt: skip
        got = machine.current(float(i_set), float(current), float(bus))
        pairs.append((got, {"v": printed.sample(i_set=float(i_set), i=float(current), bus=float(bus))["v"]}))
    compared(pairs)


def test_limits_are_met_in_these_records():
    """The measurements drive the loops into their limits and out again, or the anti-windup would not be seen."""
    servo = replace(rig().machine.legs["oxidizer"].servo, more=ControllerMore(PID))
    gains = gains_of(servo)
    machine = Compiled(servo, gains, 0.8)
    out = np.array([machine.outer(float(r), float(a), PID)["i_set"] for r, a in zip(*recorded(1, 0.8), strict=True)])
    limited = float(np.mean(np.abs(out) >= servo.current_limit * (1.0 - 1e-12)))
    assert 0.01 < limited < 0.9
