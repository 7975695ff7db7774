"""A slow, plain simulation of the sampled servo, event by event, written from the equations and nothing else.

The linear actuator and its sensors move by matrix exponentials (scipy) from one event to the next; the loops are plain
Python classes that step their difference equations; outputs wait in a heap for the instant at which they take effect.
Times are whole picoseconds, so that equal instants are equal. Nothing here comes from ``valvectl.servo``.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import expm

from valvectl.parts.controller import CascadeGains
from valvectl.plant.servo_numbers import Servo

PICO = 10**12
ORDER = ("position", "speed", "current")


def pico(seconds: float) -> int:
    return round(seconds * PICO)


class Actuator:
    """i, wm, am, ws, as (angles and speeds over the ratio), four sensor lags; held voltage and load."""

    def __init__(self, s: Servo) -> None:
        n, jm, jl, c, d, k = s.ratio, s.motor_inertia, s.load_inertia, s.spring, s.damping, s.torque_constant
        mesh = 0.5 * (1.0 / s.train.efficiency + s.train.backdrive_efficiency) / n
        a = np.zeros((11, 11))  # 5 plant, 4 sensors, voltage, load
        a[0, [0, 1, 9]] = [-s.resistance / s.inductance, -k * n / s.inductance, 1.0 / s.inductance]
        a[1, 0] = k / (jm * n)
        a[1, [1, 2, 3, 4]] = np.array([-d, -c, d, c]) * mesh / (jm * n)
        a[1, 1] -= s.motor_viscous / jm
        a[2, 1] = 1.0
        a[3, [1, 2, 3, 4, 10]] = np.array([d, c, -d, -c, -1.0]) / jl
        a[4, 3] = 1.0
        self.sees = {
            "position": 2 if s.position_on_motor else 4,
            "speed": 2 if s.speed_on_motor else 4,
            "current": 0,
            "stem": 4,
        }
        self.lag = {
            "position": s.position_sensor_lag,
            "speed": s.speed_sensor_lag,
            "current": s.current_sensor_lag,
            "stem": s.trim_sensor_lag,
        }
        for j, name in enumerate(self.sees):
            if self.lag[name] > 0.0:
                a[5 + j, self.sees[name]] += 1.0 / self.lag[name]
                a[5 + j, 5 + j] -= 1.0 / self.lag[name]
        self.a = a
        self.x = np.zeros(11)
        self.steps: dict[int, np.ndarray] = {}

    def move(self, duration: int) -> None:
        if duration not in self.steps:
            self.steps[duration] = expm(self.a * (duration / PICO))
        self.x = self.steps[duration] @ self.x

    def reading(self, name: str) -> float:
        if self.lag[name] > 0.0:
            return float(self.x[5 + list(self.sees).index(name)])
        return float(self.x[self.sees[name]])


@dataclass
class PositionLoop:
    servo: Servo
    gain: float
    before: float = 0.0
    trim: float = 0.0

    def sample(self, command: float, angle: float, stem: float) -> float:
        s = self.servo
        out = self.gain * (command + self.trim - angle) + s.feedforward * (command - self.before) / s.position_period
        self.trim += s.trim_gain * s.position_period * (command - stem)
        self.before = command
        return out


@dataclass
class SpeedLoop:
    servo: Servo
    gains: CascadeGains
    angle: float = 0.0
    rate: float = 0.0
    filtered: float = 0.0
    integral: float = 0.0

    def estimate(self, reading: float) -> float:
        s, t = self.servo, self.servo.speed_period
        if s.observer_bandwidth > 0.0:
            # poles of the continuous tracking loop mapped by exp(s T); gains from the characteristic polynomial
            root = np.roots([1.0, 2.0 * s.observer_damping * s.observer_bandwidth, s.observer_bandwidth**2])
            z = np.exp(root * t)
            total, product = float(np.real(z.sum())), float(np.real(z.prod()))
            g = 1.0 - product
            h = 2.0 - g - total
            ahead = self.angle + t * self.rate
            off = reading - ahead
            self.angle, self.rate = ahead + g * off, self.rate + h * off / t
        else:
            self.rate = (reading - self.angle) / t
            self.angle = reading
        share = 1.0 if s.speed_filter <= 0.0 else 1.0 - math.exp(-t / s.speed_filter)
        self.filtered += share * (self.rate - self.filtered)
        return self.filtered

    def sample(self, wanted: float, measured: float) -> float:
        out = self.gains.speed * (wanted - measured) + self.integral
        self.integral += self.gains.speed * self.gains.speed_integral * self.servo.speed_period * (wanted - measured)
        return out


@dataclass
class CurrentLoop:
    servo: Servo
    gains: CascadeGains
    integral: float = 0.0

    def sample(self, wanted: float, measured: float) -> float:
        out = self.gains.current * (wanted - measured) + self.integral
        self.integral += (
            self.gains.current * self.gains.current_integral * self.servo.current_period * (wanted - measured)
        )
        return out


@dataclass
class Record:
    """What was seen at the samples of the outermost loop that runs, before they act."""

    returned: list[float] = field(default_factory=list)
    stem: list[float] = field(default_factory=list)
    motor: list[float] = field(default_factory=list)
    current: list[float] = field(default_factory=list)


def simulate_events(
    servo: Servo,
    gains: CascadeGains,
    samples: int,
    command: Sequence[float],
    load: Sequence[float],
    broken: str | None = None,
    injected: Sequence[float] | None = None,
    lateness: Callable[[str, int], float] | None = None,
) -> Record:
    """Run ``samples`` periods of the outermost loop from rest.

    ``broken``: a loop (or ``outer``, the trim) whose measurement is put in from ``injected``; loops outside it do not run.
    ``lateness(loop, n)`` [s] is added to the delay of a loop's n-th output.
    """
    s = servo
    first = 0 if broken in (None, "outer") else ORDER.index(str(broken))
    running = ORDER[first:]
    period = {"position": pico(s.position_period), "speed": pico(s.speed_period), "current": pico(s.current_period)}
    delay = {"position": s.position_delay, "speed": s.speed_delay, "current": s.current_delay}
    offset = {"position": 0, "speed": pico(s.speed_offset), "current": pico(s.current_offset)}
    outermost = running[0]
    trim_on = s.trim_gain > 0.0 and broken in (None, "outer")
    plant = Actuator(s)
    position, speed, current = PositionLoop(s, gains.position), SpeedLoop(s, gains), CurrentLoop(s, gains)
    held = {"position": 0.0, "speed": 0.0, "current": 0.0}
    # heap: time, loop, 0 sample | 1 effect, serial, value
    heap: list[tuple[int, int, int, int, float]] = []
    serial = 0
    for loop in running:
        start = (offset[loop] - offset[outermost]) % period[loop]
        for k in range(samples * (period[outermost] // period[loop])):
            heap.append((start + k * period[loop], ORDER.index(loop), 0, k, 0.0))
    heapq.heapify(heap)
    out = Record()
    now, count = 0, 0
    while heap:
        time, order, effect, number, value = heapq.heappop(heap)
        plant.move(time - now)
        now = time
        loop = ORDER[order]
        if effect:
            held[loop] = value
            plant.x[9] = held["current"]
            continue
        if loop == outermost:
            plant.x[10] = load[count]
            if broken is None:
                seen = plant.reading("position")
            elif broken == "outer":
                seen = plant.reading("stem")
            else:
                seen = plant.reading(loop)
            put_in = 0.0 if injected is None else injected[count]
            if broken != "speed":
                out.returned.append(seen)
            out.stem.append(float(plant.x[4]))
            out.motor.append(float(plant.x[2]))
            out.current.append(float(plant.x[0]))
        if loop == "position":
            angle = put_in if broken == "position" else plant.reading("position")
            stem = put_in if broken == "outer" else plant.reading("stem")
            result = position.sample(command[count], angle, stem if trim_on else command[count])
        elif loop == "speed":
            measured = speed.estimate(plant.reading("speed"))
            if broken == "speed":
                out.returned.append(measured)
                measured = put_in
            result = speed.sample(held["position"], measured)
        else:
            result = current.sample(held["speed"], put_in if broken == "current" else plant.reading("current"))
        if loop == outermost:
            count += 1
        serial += 1
        late = 0.0 if lateness is None else lateness(loop, number)
        heapq.heappush(heap, (time + pico(delay[loop] + late), order, 1, serial, result))
    return out
