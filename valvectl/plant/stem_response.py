"""First harmonic of the stem behind a rotor that moves as a sine: describing function of gap, gears and stem friction."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.parts.gearing import mesh_factors
from valvectl.plant.servo_numbers import Servo
from valvectl.plant.simulate import CONTACT_SHARE, kernel_cache

LEAST_STEPS = 400
"""Steps in a period at least."""
PERIODS = 3
"""Periods run; the last one is read."""


@dataclass(frozen=True)
class StemFriction:
    """Dry friction at the stem where the valve stands, with what cold and pressure make of it."""

    breakaway: float
    """[N m]"""
    running: float
    """[N m]"""
    stribeck_speed: float
    """[rad/s]"""
    load: float
    """Torque of stream and return spring, towards shut [N m]."""


@dataclass(frozen=True)
class StemResponse:
    """Ratios of phasors against the rotor's angle over the ratio, exp(j w t)."""

    stem: complex
    """Stem angle over rotor angle [-]."""
    third: complex
    """Third harmonic of the stem angle over rotor angle [-]."""
    shaft: complex
    """Torque that the shaft feels (load through the gears, all dry friction) over rotor angle [N m/rad]."""


def stem_response(servo: Servo, friction: StemFriction, amplitude: float, omega: float) -> StemResponse:
    """What the stem does when the rotor (angle over the ratio) moves as ``amplitude`` [rad] times sin(``omega`` t).

    Found by running gap, gears, friction that sticks and load inertia to their periodic motion. Validity: the rotor's
    motion is near a sine, which its inertia and the loop's low-pass see to; bristle friction is not in it.
    """
    mean, loss = mesh_factors(servo.ratio, servo.train.efficiency, servo.train.backdrive_efficiency)
    step = CONTACT_SHARE * math.sqrt(servo.load_inertia / servo.spring)
    steps = max(LEAST_STEPS, math.ceil(2.0 * math.pi / (omega * step)))
    out = np.empty(6)
    compiled()(
        float(amplitude), float(omega), steps, PERIODS, float(servo.load_inertia), float(servo.spring),
        float(servo.damping), float(servo.half_gap), float(friction.breakaway), float(friction.running),
        float(friction.stribeck_speed), float(friction.load), float(mean), float(loss), float(servo.motor_friction), out,
    )  # fmt: skip
    stem, third, shaft = (complex(out[2 * j], out[2 * j + 1]) / amplitude for j in range(3))
    return StemResponse(stem=stem, third=third, shaft=shaft)


@functools.lru_cache(maxsize=1)
def compiled() -> Any:
    """The compiled entry point, kept on disk beside that of the simulator."""
    import numba

    from valvectl.plant import kernel_stem

    folder = kernel_cache()
    if folder is None:
        return numba.njit(kernel_stem.driven_stem, fastmath=kernel_stem.FAST, error_model="numpy")
    before = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = str(folder)
    try:
        return numba.njit(kernel_stem.driven_stem, fastmath=kernel_stem.FAST, error_model="numpy", cache=True)
    finally:
        numba.config.CACHE_DIR = before
