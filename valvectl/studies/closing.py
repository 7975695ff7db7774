"""A leg's line with its valve as the surge study moves it, and the closing law of least surge.

The law shuts at the speed limit wherever the pressure before the valve allows it and holds that pressure elsewhere; the
pressure is the lowest with which it is shut in time. It follows from the line and the valve, so that it changes with
either.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.parts import line, wave
from valvectl.parts.lookup import FloatArray
from valvectl.parts.wave import PipeWall
from valvectl.plant.characteristics import (
    HeldValve,
    Pipe,
    ValveEnd,
    Waves,
    loss_at,
    moc,
    steady_flow,
    time_step,
    times,
)
from valvectl.plant.machine import LegMachine, Machine
from valvectl.plant.schedule import Schedule

WATCHED_REFLECTIONS = 6
"""Time watched after a movement, in 2 L / a."""
LAW_POINTS = 121
"""Entries of the closing law's table."""


@dataclass(frozen=True)
class ValveLine:
    """A leg with its line and the chamber pressure that goes with each angle."""

    leg: LegMachine
    pipe: Pipe
    angles: FloatArray
    chamber: FloatArray

    def coefficients(self, angle: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Flow coefficient [m^2], recovery factor [-] and chamber pressure [Pa] at angles [rad]."""
        grid = self.leg.characteristic
        c = np.interp(angle, grid.angles, grid.c)
        return c, np.interp(angle, grid.angles, grid.fl), np.interp(angle, self.angles, self.chamber)

    def end(self, angle: FloatArray) -> ValveEnd:
        c, fl, back = self.coefficients(angle)
        return ValveEnd(
            c=c,
            fl=fl,
            back_pressure=back,
            ff=self.leg.ff,
            down_loss=self.leg.down_loss,
            fixed_loss=1.0 / (2.0 * self.leg.injector_density * self.leg.cda**2),
        )

    def standing(self, angle: float) -> float:
        """Pressure before the valve in steady flow at an angle [Pa]."""
        flow, pipe = steady_flow(self.pipe, self.end(np.array([angle]))), self.pipe
        loss = loss_at(pipe.loss, pipe.loss_per_step, flow)
        return pipe.tank + pipe.head - pipe.droop * flow - loss * flow * abs(flow)

    def move(self, first: float, last: float, speed: float, reaches: int) -> tuple[Waves, FloatArray]:
        """A movement at constant speed [rad/s], and the angles."""
        lasting = abs(last - first) / speed
        time = times(self.pipe, lasting + WATCHED_REFLECTIONS * self.pipe.reflection, reaches)
        angle = first + (last - first) * np.minimum(time / lasting, 1.0)
        return moc(self.pipe, self.end(angle), reaches), angle


def valve_line(
    machine: Machine, design: DesignFile, schedule: Schedule, name: LegName, wall: PipeWall, unsteady: bool
) -> ValveLine:
    leg, pipe = machine.legs[name], design.leg(name).line
    liquid, flow = leg.liquid, schedule.points[-1].legs[name].flow
    decay = wave.shear_decay(line.reynolds(flow, pipe.inner_diameter, liquid.viscosity))
    shut = max(leg.characteristic.shut, leg.closed_stop)
    order = np.argsort(schedule.angle[name])
    angles = schedule.angle[name][order]
    pressures = np.array([p.chamber_pressure for p in schedule.points])[order]
    return ValveLine(
        leg=leg,
        pipe=Pipe(
            length=pipe.length,
            area=line.area(pipe.inner_diameter),
            wave_speed=wave.pipe_wave_speed(liquid.sound_speed, liquid.density, pipe.inner_diameter, wall),
            rho=liquid.density,
            loss=leg.up_loss,
            loss_per_step=leg.loss_per_step,
            tank=leg.tank_pressure,
            droop=leg.tank_droop / leg.reference_flow,
            head=leg.head,
            vapour_pressure=liquid.vapour_pressure,
            unsteady=wave.brunone_coefficient(decay) if unsteady else 0.0,
        ),
        angles=np.concatenate(([shut], angles)),
        chamber=np.concatenate(([machine.ambient_pressure], pressures)),
    )


@dataclass(frozen=True)
class ClosingLaw:
    """Closing law of least surge for one closing time."""

    duration: float
    """[s]"""
    time: FloatArray
    """Times of the table [s], shape (n,)."""
    angle: FloatArray
    """Ball angle at those times [rad], shape (n,); straight lines between."""
    peak: float
    """Highest pressure with that table [Pa], by the method of characteristics."""
    trough: float
    """[Pa]"""
    constant_speed_peak: float
    """Highest pressure when the valve shuts at constant speed in the same time [Pa]."""
    held_pressure: float
    """Pressure before the valve that the law sets out to hold [Pa]; the table's straight lines can go a little above."""
    fastest: float
    """Largest speed that the table asks for [rad/s]; at most the leg's limit."""
    run: Waves = field(repr=False)
    """With that table."""
    constant: Waves = field(repr=False)
    """At constant speed in the same time."""


def closing_law(
    of: ValveLine, first: float, last: float, duration: float, speed_limit: float, reaches: int
) -> ClosingLaw:
    """Closing law of least surge from an angle to shut in a given time [s].

    ``duration`` must leave room for the stroke at ``speed_limit`` [rad/s].
    """
    pipe, grid = of.pipe, of.leg.characteristic
    c, fl, back = of.coefficients(grid.angles)
    outline = of.end(grid.angles)

    def held(pressure: float) -> Waves:
        valve = HeldValve(
            start=grid.start,
            per_step=grid.per_step,
            c=c,
            fl=fl,
            back_pressure=back,
            first=first,
            last=last,
            speed=speed_limit,
            pressure=pressure,
            ff=outline.ff,
            down_loss=outline.down_loss,
            fixed_loss=outline.fixed_loss,
        )
        return moc(pipe, valve, reaches, duration - time_step(pipe, reaches))

    constant, _ = of.move(first, last, abs(last - first) / duration, reaches)
    # Below the pressure at rest a valve can not shut; at the peak of constant speed it needs no longer than that.
    low, high = min(pipe.tank + pipe.head, constant.peak), constant.peak
    for _ in range(20):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if held(middle).angle[-1] <= last + 1e-9 else (middle, high)
    ideal = held(high)
    table = np.linspace(0.0, duration, LAW_POINTS)
    angle = np.interp(table, ideal.time, ideal.angle)
    angle[-1] = last
    time = times(pipe, duration + WATCHED_REFLECTIONS * pipe.reflection, reaches)
    run = moc(pipe, of.end(np.interp(time, table, angle)), reaches)
    return ClosingLaw(
        duration=duration,
        time=table,
        angle=angle,
        peak=run.peak,
        trough=run.trough,
        constant_speed_peak=constant.peak,
        held_pressure=high,
        fastest=float(np.max(np.abs(np.diff(angle)))) / float(table[1]),
        run=run,
        constant=constant,
    )
