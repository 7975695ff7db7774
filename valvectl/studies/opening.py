"""One valve opens from shut into an empty manifold: flow, filling, and what then gathers in the unlit chamber."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.parts import line
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import leg_flow
from valvectl.plant.machine import LegMachine

ANGLES = 61
"""Angles at which the flow is worked out between shut and the starting angle."""
STEPS = 2000
"""Steps of the time integrals."""
DEVIATIONS = 2.0
"""The high and low values lie this many standard deviations out: 2.3 % beyond each."""


@dataclass(frozen=True)
class Opening:
    """A leg from its command on, on a grid of time."""

    time: FloatArray
    """[s], shape (n,)"""
    flow: FloatArray
    """Into the chamber [kg/s], shape (n,)."""
    injected: FloatArray
    """Mass in the chamber [kg], shape (n,)."""
    cracking: float
    """First flow [s]."""
    full: float
    """Manifold full [s]."""
    opened: float
    """At the target angle [s]."""
    filling_flow: float
    """As the front arrives [kg/s]."""
    injected_flow: float
    """Through the injector right after it [kg/s]."""

    def mass_at(self, time: FloatArray) -> FloatArray:
        """Mass in the chamber [kg] at times from the command [s]; straight on after the grid's end."""
        beyond = np.maximum(time - self.time[-1], 0.0) * self.flow[-1]
        return np.asarray(np.interp(time, self.time, self.injected) + beyond)


def _summed(values: FloatArray, time: FloatArray) -> FloatArray:
    return np.concatenate(([0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(time))))


def opening_of(leg: LegMachine, target: float, speed: float, volume: float, ambient: float) -> Opening:
    """A leg whose valve opens from shut to ``target`` [rad] at a speed [rad/s], ``volume`` [m^3] behind it empty at first.

    ``ambient`` pressure [Pa] stands behind the valve while it fills, and in the chamber until ignition.
    A jacket is cold before there is a flame.
    """
    leg = dataclasses.replace(leg, jacket_heat=None)
    angles = np.linspace(leg.closed_stop, target, ANGLES)
    # While it fills, nothing but ambient pressure stands behind the valve.
    bare = dataclasses.replace(leg, cda=1.0, down_loss=np.zeros_like(leg.down_loss))
    filling = np.array([leg_flow(bare, float(a), ambient) for a in angles])
    through = np.array([leg_flow(leg, float(a), ambient) for a in angles])
    opened = (target - leg.closed_stop) / speed
    rho = leg.liquid.density
    last = opened + volume * rho / float(filling[-1])
    time = np.linspace(0.0, 1.02 * last, STEPS + 1)
    angle = leg.closed_stop + speed * np.minimum(time, opened)
    filling_flow, through_flow = np.interp(angle, angles, filling), np.interp(angle, angles, through)
    filled = _summed(filling_flow, time) / rho
    full = float(np.interp(volume, filled, time))
    # The moment of filling becomes a point of the grid, so that the injected mass starts exactly there.
    after = np.concatenate(([full], time[time > full], [time[-1] + 1.0]))
    flow = np.interp(after, time, through_flow)
    crack = max(leg.characteristic.shut - leg.closed_stop, 0.0) / speed
    return Opening(
        time=np.concatenate(([0.0, full], after)),
        flow=np.concatenate(([0.0, 0.0], flow)),
        injected=np.concatenate(([0.0, 0.0], _summed(flow, after))),
        cracking=crack,
        full=full,
        opened=opened,
        filling_flow=float(np.interp(full, time, filling_flow)),
        injected_flow=float(flow[0]),
    )


def volume_behind(design: DesignFile, name: LegName) -> float:
    """Volume between valve and injector that fills first [m^3]: pipe, jacket, manifold."""
    leg = design.leg(name)
    volume = leg.manifold.volume
    if leg.downstream is not None:
        volume += leg.downstream.length * line.area(leg.downstream.inner_diameter)
    if leg.jacket is not None:
        volume += leg.jacket.liquid_volume
    return float(volume)


def scattered_mass(opening: Opening, at: float, deviation: float) -> tuple[float, float, float, float]:
    """Mean, standard deviation, low and high mass [kg] when the time left before ignition has a standard deviation."""
    if deviation == 0.0:
        sure = float(opening.mass_at(np.array([at]))[0])
        return sure, 0.0, sure, sure
    z = np.linspace(-7.0, 7.0, 1401)
    weight = np.exp(-0.5 * z * z)
    weight /= weight.sum()
    mass = opening.mass_at(np.maximum(at + deviation * z, 0.0))
    mean = float(weight @ mass)
    spread = math.sqrt(max(float(weight @ (mass - mean) ** 2), 0.0))
    ends = opening.mass_at(np.maximum(at + deviation * np.array([-DEVIATIONS, DEVIATIONS]), 0.0))
    return mean, spread, float(ends[0]), float(ends[1])
