"""What a simulated run leaves behind: arrays over time of the engine and of each leg."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.parts.lookup import FloatArray
from valvectl.plant import layout as ix
from valvectl.plant.energy import EnergyBook, energy_book


@dataclass(frozen=True)
class LegTrace:
    """What one leg did, each array of shape (n,) over ``Trace.time``."""

    command: FloatArray
    """Position command of the stem [rad]."""
    stem: FloatArray
    """Angle of the stem [rad]."""
    ball: FloatArray
    """Angle of the ball [rad]; differs from the stem's by the slot clearance."""
    motor: FloatArray
    """Motor angle over the ratio [rad]."""
    current: FloatArray
    """Motor current [A]."""
    voltage: FloatArray
    """Motor voltage [V]."""
    flow: FloatArray
    """Injector mass flow [kg/s]."""
    manifold: FloatArray
    """Manifold pressure [Pa]."""
    valve_drop: FloatArray
    """Pressure drop across the valve [Pa]."""
    choked: FloatArray
    """1 where the valve chokes, else 0."""
    stem_speed: FloatArray
    """Speed of the stem [rad/s]."""
    rms_current: float
    """RMS motor current over the run [A]."""
    peak_current: float
    """Largest motor current [A]."""
    peak_motor_speed: float
    """Largest motor speed [rad/s]."""
    lowest_voltage: float
    """Lowest voltage at the drive [V]."""
    peak_spring: float
    """Largest torque through the gears at the stem [N m]."""
    energy: EnergyBook | None = None
    """Where the motor's energy went, if asked for."""


@dataclass(frozen=True)
class Trace:
    """A simulated run."""

    time: FloatArray
    """Time [s], shape (n,)."""
    chamber_pressure: FloatArray
    """[Pa], shape (n,)."""
    bus_voltage: FloatArray
    """Battery terminal voltage [V], shape (n,)."""
    legs: dict[LegName, LegTrace]
    step: float
    """Integration step used [s]."""

    @property
    def mixture_ratio(self) -> FloatArray:
        """Oxidizer over fuel flow at the injector [-], shape (n,)."""
        return np.asarray(self.legs["oxidizer"].flow / self.legs["fuel"].flow)


def leg_trace(rec: FloatArray, acc: FloatArray, k: int, steps: int, energy: bool) -> LegTrace:
    """One leg of a record, rows of shape (n, REC_SIZE), with its accumulators."""
    at = ix.REC_ENGINE + k * ix.LEG_RECORD
    return LegTrace(
        command=rec[:, at + ix.REC_COMMAND],
        stem=rec[:, at + ix.REC_STEM],
        ball=rec[:, at + ix.REC_BALL],
        motor=rec[:, at + ix.REC_MOTOR],
        current=rec[:, at + ix.REC_CURRENT],
        voltage=rec[:, at + ix.REC_VOLTAGE],
        flow=rec[:, at + ix.REC_FLOW],
        manifold=rec[:, at + ix.REC_MANIFOLD],
        valve_drop=rec[:, at + ix.REC_DROP],
        choked=rec[:, at + ix.REC_CHOKED],
        stem_speed=rec[:, at + ix.REC_SPEED],
        rms_current=math.sqrt(acc[ix.SUM_CURRENT_SQUARED] / steps),
        peak_current=float(acc[ix.PEAK_CURRENT]),
        peak_motor_speed=float(acc[ix.PEAK_MOTOR_SPEED]),
        lowest_voltage=float(acc[ix.LOWEST_BUS]),
        peak_spring=float(acc[ix.PEAK_SPRING]),
        energy=energy_book(acc) if energy else None,
    )


def trace_of(rec: FloatArray, acc: FloatArray, steps: int, step: float, energy: bool = False) -> Trace:
    """A record and the accumulators of both legs, shape (2, ACC_SIZE), as a trace of ``steps`` steps of a length [s]."""
    return Trace(
        time=rec[:, ix.REC_TIME],
        chamber_pressure=rec[:, ix.REC_PC],
        bus_voltage=rec[:, ix.REC_BUS],
        legs={name: leg_trace(rec, acc[k], k, steps, energy) for k, name in enumerate(LEGS)},
        step=step,
    )
