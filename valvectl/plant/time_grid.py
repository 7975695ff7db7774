"""The step of the time simulation, and what is too long a run to begin."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from valvectl.design.quantities import FREQUENCY, TIME, show
from valvectl.design.schema import LEGS
from valvectl.errors import Fault, SimulationError
from valvectl.parts.combustion import residence_time
from valvectl.plant import layout as ix
from valvectl.plant.machine import Machine
from valvectl.plant.sampling_numbers import common_divisor

IntArray = NDArray[np.int64]
CONTACT_SHARE = 0.35
"""Largest step times natural frequency of the stem on the gears' stiffness [rad]; leapfrog is stable below 2."""
FEED_STEP = 100e-6
"""Longest step of feed legs and chamber [s] where it may be longer than that of the servos."""
FEED_SHARE = 0.5
"""Longest such step times natural frequency of a line's liquid on its manifold [rad]; leapfrog is stable below 2, and the
injector damps what swings: up to 1.2 the largest O/F error of the examples with stiffer manifolds moved by less than 0.02 % of
itself."""
STEPS_PER_LAG = 10
"""Least number of such steps in a combustion delay and in the chamber's residence time."""
LEAST_STEP = 1e-8
"""Shortest step [s]; at a shorter one the queues of the combustion delays alone take gigabytes."""
MOST_STEPS = 50_000_000
"""Most steps of one run: some 20 seconds on one core, and a review makes some ten runs. 600 s at 17 us are 35 million."""
MOST_RECORDS = 1_500_000
"""Most recorded points of one run, some 500 megabytes."""


@dataclass(frozen=True)
class Grid:
    """The step and the loops' periods in whole steps."""

    step: float
    periods: IntArray
    """Periods in steps, shape (2 legs, 3 loops)."""
    feed_every: int = 1
    """Steps of the servos that make one of feed legs and chamber."""

    def words(self) -> str:
        """The step as a reader is told of it."""
        step = f"{1e6 * self.step:.4g} us"
        return (
            step
            if self.feed_every == 1
            else f"{step}, feed legs and chamber {1e6 * self.feed_every * self.step:.4g} us"
        )


def time_grid(machine: Machine, step: float | None = None, contact_share: float = CONTACT_SHARE) -> Grid:
    """Largest step at or below ``step`` [s] (default: the design's) that divides every sample period of both legs.

    Also at most ``contact_share`` of a radian of the stem's vibration against the gears, and a combustion delay.
    """
    wanted = machine.step if step is None else step
    # A common divisor of the two legs' fastest periods; the slower ones are multiples of these by the design's rules.
    servos = [machine.legs[name].servo for name in LEGS]
    base = common_divisor(
        [s.current_period for s in servos] + [x for s in servos for x in (s.speed_offset, s.current_offset)]
    )
    for name in LEGS:
        servo = machine.legs[name].servo
        wanted = min(wanted, contact_share * math.sqrt(servo.load_inertia / servo.spring))
    # Combustion delays reach back at least one step.
    wanted = min(wanted, *(machine.legs[name].delay for name in LEGS))
    if not (wanted >= LEAST_STEP and base >= LEAST_STEP):
        raise SimulationError(
            f"the simulation would need steps of {min(wanted, base):.2g} s; the shortest is {LEAST_STEP:g} s "
            "(sample periods and offsets, stiffness over inertia, combustion delays)"
        )
    h = base / math.ceil(base / wanted - 1e-9)
    periods = np.zeros((2, ix.LOOPS), dtype=np.int64)
    for k, name in enumerate(LEGS):
        servo = machine.legs[name].servo
        for loop, period in enumerate((servo.position_period, servo.speed_period, servo.current_period)):
            periods[k, loop] = round(period / h)
    return Grid(h, periods)


def longest_feed_step(machine: Machine) -> float:
    """Longest step [s] of feed legs and chamber: it follows the lines' swing on their manifolds, combustion delays and the
    chamber's residence time, and costs a few hundredths of a percent of the largest O/F error
    (``tests/crosscheck/test_lanes_accuracy.py``).

    A manifold emptying through its injector (some tens of microseconds) and a column held by a nearly shut valve are quicker;
    they are stepped implicitly and end where they must, but are not resolved, at the servos' step either.
    """
    flow = sum(machine.legs[name].reference_flow for name in LEGS)
    velocity = machine.chamber_pressure * machine.throat_area / flow
    lags = [residence_time(machine.characteristic_length, velocity, machine.gamma)]
    swings = []
    for leg in machine.legs.values():
        lags.append(leg.delay)
        swings.append(math.sqrt((leg.up_inertance + leg.down_inertance) * leg.compliance))
    return min(FEED_STEP, FEED_SHARE * min(swings), min(lags) / STEPS_PER_LAG)


def feed_every(machine: Machine, step: float, steps: int, every: int) -> int:
    """How many steps of the servos of ``step`` [s] may make one of feed legs and chamber: 1, 2 or 4.

    A run of ``steps`` with a look at the engine each ``every`` steps must be whole numbers of them.
    """
    longest = longest_feed_step(machine) * (1.0 + 1e-9)
    return max(n for n in (1, 2, 4) if n == 1 or (n * step <= longest and steps % n == 0 and every % n == 0))


def run_steps(duration: float, record: float, step: float) -> tuple[int, int]:
    """Steps of a run and steps between its records. Raises ``SimulationError`` for a run that would take too long."""
    if not duration / step <= MOST_STEPS:
        raise SimulationError(
            f"a run of {duration:g} s in steps of {1e6 * step:.3g} us would take {duration / step:.2g} steps; "
            f"at most {MOST_STEPS:.0e}"
        )
    steps = max(1, round(duration / step))
    every = max(1, round(record / step))
    if steps / every > MOST_RECORDS:
        raise SimulationError(
            f"a run of {duration:g} s recorded every {1e3 * record:g} ms has {steps / every:.2g} points; at most {MOST_RECORDS}"
        )
    return steps, every


def too_long(machine: Machine, duration: float) -> Iterator[Fault]:
    """What keeps a run of the throttle profile (``duration`` [s]) from being simulated in reasonable time."""
    least = max(LEAST_STEP, duration / MOST_STEPS)
    said = f"a run of the profile ({duration:g} s) can not be simulated in steps below {1e6 * least:.3g} us"
    found = list(_short_steps(machine, least, said))
    yield from found
    if not found:
        try:
            step = time_grid(machine).step
        except SimulationError as error:
            yield Fault(str(error), key="legs.oxidizer.controller.current_period")
            return
        if step < least:
            yield Fault(
                f"{said}: periods and offsets of both legs' loops have no longer step in common",
                key="legs.fuel.controller.current_period",
            )
    if duration / machine.record > MOST_RECORDS:
        yield Fault(
            f"a run of the profile ({duration:g} s) may have at most {MOST_RECORDS} records: at least "
            f"{show(duration / MOST_RECORDS, TIME, 3)} apart",
            key="simulation.record",
        )


def _short_steps(machine: Machine, least: float, said: str) -> Iterator[Fault]:
    if machine.step < least:
        yield Fault(said, key="simulation.step")
    for name in LEGS:
        leg, servo = machine.legs[name], machine.legs[name].servo
        rate = math.sqrt(servo.spring / servo.load_inertia)
        if rate * least > CONTACT_SHARE:
            seen = show(rate / (2.0 * math.pi), FREQUENCY, 3)
            yield Fault(
                f"{said}: the valve's inertia vibrates on shaft and gears at {seen}; look at valve.inertia and the stiffnesses",
                key=f"legs.{name}.actuator.coupling_stiffness",
            )
        if leg.delay < least:
            yield Fault(said, key=f"engine.combustion.delay_{name}")
        if servo.current_period < least:
            yield Fault(said, key=f"legs.{name}.controller.current_period")
