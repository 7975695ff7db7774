"""Pressure waves in one line from tank to valve: method of characteristics at Courant number one.

The line runs from a tank (pressure falling linearly with flow) to a valve with a given flow coefficient at each step, or
to an imposed flow. Friction goes half explicit to the start and half implicit to the end of each characteristic, which
keeps a steady flow steady, is of second order and can only take energy out. The valve either follows angles given
beforehand or closes as fast as a speed limit and a held pressure allow; losses of fittings are spread evenly along
the line. Unsteady friction (Brunone, Vitkovsky's form) is explicit. Where the pressure would fall below the vapour
pressure a discrete vapour cavity opens at that node and closes again (collapse included). Its first collapse is usable,
later spikes depend on the grid; a run with a cavity says so. Walls elastic through the wave speed only; no gas in the
liquid, no movement of the pipe.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from valvectl.errors import SimulationError
from valvectl.parts.lookup import FloatArray, blend, locate
from valvectl.parts.valve import C_FLOOR, valve_loss
from valvectl.parts.wave import valve_end_flow
from valvectl.plant import wave_kernel as wk

TIME_STEPS_LIMIT = 40_000_000
"""Most node updates of one run; a longer one is refused rather than left to run for minutes."""


@dataclass(frozen=True)
class Pipe:
    """A line as the wave solution sees it, SI."""

    length: float
    area: float
    wave_speed: float
    """[m/s]"""
    rho: float
    loss: FloatArray
    """Pressure drop over flow squared of the whole line on a uniform grid of flow from zero [Pa s^2/kg^2], shape (m,)."""
    loss_per_step: float
    """Grid points of the loss tables per kg/s."""
    tank: float
    """Pressure at its inlet at no flow, absolute [Pa]."""
    droop: float = 0.0
    """Fall of that pressure per flow [Pa s/kg]."""
    head: float = 0.0
    """Pressure of the column from inlet to valve at rest [Pa]; spread evenly along the line."""
    vapour_pressure: float = 0.0
    """[Pa]; zero or below keeps the liquid whole down to that pressure."""
    unsteady: float = 0.0
    """Brunone coefficient k [-]; zero: steady friction only."""

    @property
    def impedance(self) -> float:
        """a / A: pressure per mass flow of a wave [Pa s/kg]."""
        return self.wave_speed / self.area

    @property
    def reflection(self) -> float:
        """2 L / a [s]."""
        return 2.0 * self.length / self.wave_speed


@dataclass(frozen=True)
class ValveEnd:
    """The valve and what lies behind it at every time of the grid; arrays of shape (n,)."""

    c: FloatArray
    """Flow coefficient [m^2]."""
    fl: FloatArray
    """Recovery factor [-]."""
    back_pressure: FloatArray
    """Pressure behind the fixed loss, absolute [Pa]."""
    ff: float = 0.96
    down_loss: FloatArray | None = None
    """Loss behind the valve on the pipe's grid of flow [Pa s^2/kg^2], shape (m,); None: none."""
    fixed_loss: float = 0.0
    """Loss behind the valve that goes with flow squared, such as the injector's [Pa s^2/kg^2]."""


@dataclass(frozen=True)
class HeldValve:
    """A valve that closes at a speed limit, but no faster than a pressure before it allows; tables over the angle."""

    start: float
    """First angle of the tables [rad]."""
    per_step: float
    """Entries per radian [1/rad]."""
    c: FloatArray
    """Flow coefficient [m^2], shape (k,)."""
    fl: FloatArray
    """Recovery factor [-], shape (k,)."""
    back_pressure: FloatArray
    """Pressure behind the fixed loss that goes with the angle, absolute [Pa], shape (k,)."""
    first: float
    """Angle at the start [rad]."""
    last: float
    """Angle to stop at [rad], below ``first``."""
    speed: float
    """Speed limit [rad/s]."""
    pressure: float
    """Pressure before the valve that its closing must not exceed, absolute [Pa]; it never reopens for it."""
    ff: float = 0.96
    down_loss: FloatArray | None = None
    fixed_loss: float = 0.0


@dataclass(frozen=True)
class Waves:
    """One run. Arrays of shape (n,) over time unless said."""

    time: FloatArray
    valve_pressure: FloatArray
    """Absolute pressure before the valve [Pa]."""
    valve_flow: FloatArray
    """Flow through the valve [kg/s]."""
    inlet_flow: FloatArray
    """Flow out of the tank [kg/s]."""
    highest: FloatArray
    """Highest pressure at each node, shape (reaches + 1,), tank first [Pa]."""
    lowest: FloatArray
    """Lowest pressure at each node, shape (reaches + 1,) [Pa]."""
    energy: FloatArray
    """Elastic and kinetic energy of the line [J], on the pressure less the head at rest."""
    work: FloatArray
    """Work done on the line at its two ends since the start [J]."""
    friction: FloatArray
    """Energy lost to friction since the start [J]; energy + friction - work stays what it was while no cavity opens."""
    angle: FloatArray
    """Angle of a held valve [rad]; zero with angles given beforehand."""
    cavity: float
    """Largest vapour volume at one node [m^3]; zero when the liquid stayed whole."""

    @property
    def peak(self) -> float:
        """Highest pressure before the valve [Pa]."""
        return float(np.max(self.valve_pressure))

    @property
    def trough(self) -> float:
        """Lowest pressure anywhere in the line [Pa]."""
        return float(np.min(self.lowest))


def time_step(pipe: Pipe, reaches: int) -> float:
    """Time [s] for a wave to run through one reach."""
    return pipe.length / (pipe.wave_speed * reaches)


def times(pipe: Pipe, duration: float, reaches: int) -> FloatArray:
    """Times [s] of a run: the least number of steps that reach ``duration``."""
    step = time_step(pipe, reaches)
    return np.asarray(step * np.arange(math.ceil(duration / step - 1e-9) + 1), dtype=float)


def loss_at(table: FloatArray, per_step: float, flow: float) -> float:
    """Pressure drop over flow squared [Pa s^2/kg^2] at a flow [kg/s]."""
    cell, way = locate(table.size, 0.0, per_step, abs(flow))
    return blend(float(table[cell]), float(table[cell + 1]), way)


def steady_flow(pipe: Pipe, end: ValveEnd) -> float:
    """Flow [kg/s] of the line at the first state of its valve end, at rest."""
    from scipy.optimize import brentq

    c, fl, back = float(end.c[0]), float(end.fl[0]), float(end.back_pressure[0])
    behind = np.zeros_like(pipe.loss) if end.down_loss is None else end.down_loss

    def excess(flow: float) -> float:
        line, after = loss_at(pipe.loss, pipe.loss_per_step, flow), loss_at(behind, pipe.loss_per_step, flow)
        arriving = pipe.tank + pipe.head - pipe.droop * flow - line * flow * abs(flow)
        loss = valve_loss(c, pipe.rho)
        choke = end.ff * pipe.vapour_pressure
        # a vanishing impedance leaves the plain balance of losses
        return valve_end_flow(arriving, 1e-9, 0.0, loss, end.fixed_loss + after, fl, back, choke) - flow

    if c <= 2.0 * C_FLOOR:
        return 0.0
    top = math.sqrt(abs(pipe.tank + pipe.head - back) / (valve_loss(c, pipe.rho) + end.fixed_loss))
    return float(brentq(excess, -1.001 * top, 1.001 * top, xtol=1e-15, rtol=1e-14))


def moc(
    pipe: Pipe,
    outlet: ValveEnd | HeldValve | FloatArray,
    reaches: int,
    duration: float | None = None,
    python: bool = False,
) -> Waves:
    """Solve one event.

    Parameters
    ----------
    pipe : the line
    outlet : the valve at every time of ``times``; or a valve held by a pressure, with ``duration``; or the outlet's flow
        [kg/s] at every time
    reaches : number of reaches; the time step follows, L / (a reaches)
    duration : time watched [s], for a held valve
    python : run uncompiled, with numpy's bounds checks; slow, for tests

    Starts from the steady flow of the first entry. Raises ``SimulationError`` when the run stops being finite, is too
    long, or has no liquid to start from.
    """
    empty = np.zeros(2)
    mode, held, imposed = wk.GIVEN, np.zeros(6), empty
    step = time_step(pipe, reaches)
    end: ValveEnd | None
    if isinstance(outlet, HeldValve):
        if duration is None:
            raise ValueError("a held valve needs the time to be watched")
        mode, steps = wk.HELD, times(pipe, duration, reaches).size
        held[:] = outlet.start, outlet.per_step, outlet.first, outlet.last, outlet.speed * step, outlet.pressure
        angles = outlet.start + np.arange(outlet.c.size) / outlet.per_step
        tables = (outlet.c, outlet.fl, outlet.back_pressure)
        c, fl, back = (np.array([np.interp(outlet.first, angles, table)]) for table in tables)
        start = ValveEnd(c, fl, back, outlet.ff, outlet.down_loss, outlet.fixed_loss)
        flow, end = steady_flow(pipe, start), ValveEnd(*tables, outlet.ff, outlet.down_loss, outlet.fixed_loss)
    elif isinstance(outlet, ValveEnd):
        steps, flow, end = outlet.c.size, steady_flow(pipe, outlet), outlet
    else:
        imposed = np.ascontiguousarray(outlet, dtype=float)
        mode, steps, flow, end = wk.IMPOSED, imposed.size, float(imposed[0]), None
    if reaches < 2 or steps < 2:
        raise ValueError("needs at least two reaches and two times")
    if steps * reaches > TIME_STEPS_LIMIT:
        raise SimulationError(f"line run of {steps} steps and {reaches} reaches is too long; use fewer reaches")
    nodes = reaches + 1
    drop = loss_at(pipe.loss, pipe.loss_per_step, flow) * flow * abs(flow)
    p = pipe.tank - pipe.droop * flow - np.linspace(0.0, drop, nodes)
    lift = pipe.head / reaches
    absolute = p + lift * np.arange(nodes)
    if float(np.min(absolute[1:])) < pipe.vapour_pressure:
        raise SimulationError("the line's pressure lies below the vapour pressure before anything moves")
    rec = np.zeros((steps, wk.COLUMNS))
    weight = np.ones(nodes)
    weight[0] = weight[-1] = 0.5
    storing = 0.5 * step / (pipe.rho * pipe.impedance)
    energy = storing * float(np.sum(weight * (p**2 + (pipe.impedance * flow) ** 2)))
    rec[0, [wk.PRESSURE, wk.FLOW, wk.INLET, wk.ENERGY, wk.ANGLE]] = absolute[-1], flow, flow, energy, held[2]
    high, low = absolute.copy(), absolute.copy()
    run = wk.march if python else wk.compiled()
    cavity = run(
        p, np.full(nodes, flow), np.full(nodes, flow), np.full(nodes, flow),
        np.zeros(nodes), np.zeros(nodes), np.zeros(nodes), high, low, rec,
        np.ascontiguousarray(pipe.loss),
        np.zeros_like(pipe.loss) if end is None or end.down_loss is None else np.ascontiguousarray(end.down_loss),
        float(pipe.loss_per_step),
        empty if end is None else np.maximum(end.c, C_FLOOR),
        empty if end is None else np.ascontiguousarray(end.fl),
        empty if end is None else np.ascontiguousarray(end.back_pressure),
        imposed, mode, held,
        0.0 if end is None else float(end.fixed_loss),
        float(pipe.tank), float(pipe.droop), lift, pipe.impedance, float(pipe.rho),
        0.0 if end is None else float(end.ff * pipe.vapour_pressure),
        float(pipe.vapour_pressure), float(pipe.unsteady), step,
    )  # fmt: skip
    if not np.all(np.isfinite(rec[-1])):
        bad = int(np.argmax(~np.isfinite(rec).all(axis=1)))
        raise SimulationError(f"line run stops being finite at {1e3 * bad * step:.4g} ms")
    return Waves(
        time=np.asarray(step * np.arange(steps), dtype=float),
        valve_pressure=rec[:, wk.PRESSURE],
        valve_flow=rec[:, wk.FLOW],
        inlet_flow=rec[:, wk.INLET],
        highest=high,
        lowest=low,
        energy=rec[:, wk.ENERGY],
        work=rec[:, wk.WORK],
        friction=rec[:, wk.FRICTION],
        angle=rec[:, wk.ANGLE],
        cavity=float(cavity),
    )
