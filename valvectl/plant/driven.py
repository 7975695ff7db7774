"""One leg's servo with its rotor moved as a sine: the describing function of all that is in the drive, by its own laws.

Only the rotor's inertia is left out of it, so that the harmonic balance is that of one double integrator and one
nonlinear element (``servo.limit_cycle``).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from valvectl.design.schema import LEGS, LegName
from valvectl.parts.controller import CascadeGains
from valvectl.plant import layout as ix
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.compiled import kept, kernel_cache
from valvectl.plant.machine import Machine
from valvectl.plant.pack_control import start_control
from valvectl.plant.sampling_numbers import at_rest, first_samples
from valvectl.plant.servo_numbers import Servo
from valvectl.plant.simulate import pack
from valvectl.plant.time_grid import time_grid

SETTLE_PERIODS = 4
"""Periods that run unread."""
LEAST_SETTLE = 0.05
"""Time that runs unread at least [s]."""
READ_PERIODS = 3
"""Periods read at least."""
LEAST_READ = 0.05
"""Time read at least [s]: samples and motion have no common period, so that several must pass."""


@dataclass(frozen=True)
class Driven:
    """Phasors against the rotor's motion, exp(j w t): real part in phase, imaginary part ahead."""

    torque: complex
    """Net torque on the rotor's inertia at the shaft [N m]."""
    torque_third: complex
    """Its third harmonic [N m]."""
    stem: complex
    """Stem angle over the rotor's (over the ratio) [-]."""
    stem_third: complex
    """Third harmonic of the stem angle over the same [-]."""
    current: complex
    """Motor current [A]."""


@dataclass(frozen=True)
class Drive:
    """A leg packed for ``driven``, at one operating point: pressure drop and place of the stem held."""

    name: LegName
    par: Any
    tables: Any
    periods: Any
    step: float
    middle: float
    drop: float
    bus: float
    inertia: float
    """Rotor with gears at the shaft [kg m^2]."""
    ratio: float
    first: NDArray[np.int64]
    """Step of each loop's first sample, shape (4,)."""
    servo: Servo
    gains: CascadeGains


def drive(machine: Machine, gains: Mapping[LegName, CascadeGains], name: LegName, point: OperatingPoint) -> Drive:
    """Numbers of one leg's drive about an operating point; the voltage at the drive is the nominal one, without sag."""
    grid = time_grid(machine)
    par, _, tables, _ = pack(machine, gains, grid, False, machine.battery)
    k = LEGS.index(name)
    servo = machine.legs[name].servo
    return Drive(
        name=name,
        par=np.ascontiguousarray(par[k]),
        tables=np.ascontiguousarray(tables[k]),
        periods=np.ascontiguousarray(grid.periods[k]),
        step=grid.step,
        middle=point.legs[name].angle,
        drop=point.legs[name].valve_drop,
        bus=machine.battery,
        inertia=servo.motor_inertia,
        ratio=servo.ratio,
        first=np.array(first_samples(servo, grid.step), dtype=np.int64),
        servo=servo,
        gains=gains[name],
    )


def driven(what: Drive, amplitude: float, omega: float, third: complex = 0j, periods: int = READ_PERIODS) -> Driven:
    """Run the drive with its rotor (angle over the ratio) at ``amplitude`` [rad] times sin(``omega`` t) about the middle.

    The command rests at the middle. ``third``: third harmonic of the motion over the first, as a phasor; ``periods``: how
    many are read at least.
    """
    st = np.zeros(ix.ST_SIZE)
    st[ix.STEM_ANGLE] = st[ix.BALL_ANGLE] = what.middle
    st[ix.COMMAND] = st[ix.COMMAND_BEFORE] = what.middle
    st[ix.VALVE_DROP], st[ix.BUS] = what.drop, what.bus
    count = what.par[ix.SPEED_COUNT]
    st[ix.ANGLE_BEFORE] = what.middle if count <= 0.0 else math.floor(what.middle / count + 0.5) * count
    at_rest(st, what.middle, what.middle)
    start_control(st, what.servo, what.gains)
    turn = 2.0 * math.pi / (omega * what.step)
    settle = max(SETTLE_PERIODS, math.ceil(LEAST_SETTLE / (turn * what.step)))
    read = max(periods, math.ceil(LEAST_READ / (turn * what.step)))
    out = np.empty(12)
    compiled()(
        what.par,
        what.tables,
        np.full(1, what.middle),
        what.periods,
        what.first.copy(),
        np.zeros((ix.QUEUES, ix.LATE)),  # outputs come when the delays say, without jitter
        st,
        np.zeros((ix.QUEUES, ix.RING, 2)),
        np.zeros((ix.QUEUES, ix.QUEUE_SIZE), dtype=np.int64),
        np.zeros(ix.ACC_SIZE),
        float(what.middle),
        float(amplitude),
        float(omega),
        float(third.real),
        float(third.imag),
        float(what.step),
        round(turn),
        settle,
        round(read * turn),
        out,
    )
    torque, third, stem, stem_third, current = (complex(out[2 * j], out[2 * j + 1]) for j in range(5))
    return Driven(torque, third, stem / amplitude, stem_third / amplitude, current)


@functools.lru_cache(maxsize=1)
def compiled() -> Any:
    """The compiled entry point, kept on disk beside that of the simulator."""
    import numba

    from valvectl.plant import kernel_driven

    folder = kernel_cache()
    if folder is None:
        return numba.njit(kernel_driven.driven, fastmath=kernel_driven.FAST, error_model="numpy")
    return kept(kernel_driven.driven, folder, fastmath=kernel_driven.FAST, error_model="numpy")
