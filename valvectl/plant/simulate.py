"""Time simulation of both servos and the engine: packs a machine into arrays, runs the compiled kernel, unpacks."""

from __future__ import annotations

import copy
import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.errors import SimulationError
from valvectl.parts.combustion import residence_time
from valvectl.parts.controller import CascadeGains, filter_share
from valvectl.parts.gearing import mesh_factors
from valvectl.parts.lookup import FloatArray
from valvectl.plant import layout as ix
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.compiled import compiled as compiled
from valvectl.plant.compiled import kernel_cache as kernel_cache
from valvectl.plant.compiled import kernel_is_cached as kernel_is_cached
from valvectl.plant.machine import Machine
from valvectl.plant.outer import OuterRun, outer_arrays
from valvectl.plant.pack_control import control_numbers, start_control
from valvectl.plant.sampling_numbers import at_rest, drawn_lateness, first_samples, sampling_parameters
from valvectl.plant.time_grid import CONTACT_SHARE, Grid, run_steps, time_grid
from valvectl.plant.trace import LegTrace as LegTrace
from valvectl.plant.trace import Trace as Trace
from valvectl.plant.trace import trace_of


@dataclass(frozen=True)
class DriveOff:
    """A drive that dies in a run."""

    time: float
    """When [s] from the start of the run."""
    shorted: bool = False
    """True: the motor's terminals are shorted and brake it; false: open, so that it coasts."""


def pack(
    machine: Machine,
    gains: Mapping[LegName, CascadeGains],
    grid: Grid,
    hydraulics: bool,
    battery: float,
    lanes: tuple[int, ...] = (),
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Parameter arrays of the kernel: par, glob, valve tables, losses (shapes in ``kernel.run``).

    With ``lanes`` = (n,) numbers of the machine may be arrays of that shape, and so are those of par and glob.
    """
    h, feed_step = grid.step, grid.feed_every * grid.step
    par = np.zeros((2, ix.PAR_SIZE, *lanes))
    points = machine.legs["oxidizer"].characteristic.c.size
    tables = np.zeros((2, ix.TAB_SIZE, points))
    losses = np.zeros((2, 2, machine.legs["oxidizer"].up_loss.size))
    for k, name in enumerate(LEGS):
        leg, servo, g = machine.legs[name], machine.legs[name].servo, gains[name]
        mean, loss = mesh_factors(servo.ratio, servo.train.efficiency, servo.train.backdrive_efficiency)
        numbers = {
            ix.RHO: leg.liquid.density,
            ix.FF: leg.ff,
            ix.VAPOUR: leg.liquid.vapour_pressure,
            ix.TANK: leg.tank_pressure,
            ix.DROOP_SLOPE: leg.tank_droop / leg.reference_flow,
            ix.HEAD: leg.head,
            ix.UP_INERTANCE: leg.up_inertance,
            ix.DOWN_INERTANCE: leg.down_inertance,
            ix.LOSS_PER_STEP: leg.loss_per_step,
            ix.GRID_START: leg.characteristic.start,
            ix.GRID_PER_STEP: leg.characteristic.per_step,
            ix.STEP_OVER_UP: feed_step / leg.up_inertance,
            ix.STEP_OVER_ALL: feed_step / (leg.up_inertance + leg.down_inertance),
            ix.HALF_STEP_COMPLIANCE: 0.5 * feed_step / leg.compliance,
            ix.ORIFICE: leg.cda * np.sqrt(2.0 * leg.injector_density),
            ix.DELAY: leg.delay / feed_step,
            ix.RELATIVE_SLOPE: leg.relative_slope,
            ix.COLD: leg.cold_factor,
            ix.STRIBECK: leg.stribeck_speed,
            ix.HYDRO: leg.hydrodynamic,
            ix.BORE: leg.bore,
            ix.CLOSED_STOP: leg.closed_stop,
            ix.OPEN_STOP: leg.open_stop,
            ix.RATIO: servo.ratio,
            ix.PER_RATIO: 1.0 / servo.ratio,
            ix.MESH_MEAN: mean,
            ix.MESH_LOSS: loss,
            ix.STEP_OVER_MOTOR: h / servo.motor_inertia,
            ix.STEP_OVER_LOAD: h / servo.load_inertia,
            ix.SPRING: servo.spring,
            ix.DAMPING: servo.damping,
            ix.HALF_GAP: servo.half_gap,
            ix.HALF_SLOT: servo.half_slot,
            ix.MOTOR_FRICTION: servo.motor_friction,
            ix.VISCOUS_DECAY: 0.5 * h / servo.motor_inertia * servo.motor_viscous,
            ix.CURRENT_HALF: 0.5 * h * servo.resistance / servo.inductance,
            ix.CURRENT_GAIN: h / servo.inductance,
            ix.TORQUE_CONSTANT: servo.torque_constant,
            ix.POSITION_ON_MOTOR: float(servo.position_on_motor),
            ix.POSITION_COUNT: servo.position_count,
            ix.SPEED_ON_MOTOR: float(servo.speed_on_motor),
            ix.SPEED_COUNT: servo.speed_count,
            ix.CURRENT_LIMIT: servo.current_limit,
            ix.DUTY_LIMIT: servo.duty_limit,
            ix.HARNESS: servo.harness,
            ix.IDLE_POWER: servo.idle_power,
            ix.POSITION_PERIOD: servo.position_period,
            ix.SPEED_PERIOD: servo.speed_period,
            ix.CURRENT_PERIOD: servo.current_period,
            ix.POSITION_DELAY_TICKS: servo.position_delay / h,
            ix.SPEED_DELAY_TICKS: servo.speed_delay / h,
            ix.CURRENT_DELAY_TICKS: servo.current_delay / h,
            ix.FILTER_SHARE: filter_share(servo.speed_period, servo.speed_filter),
            ix.KP_POSITION: g.position,
            ix.KP_SPEED: g.speed,
            ix.KI_SPEED: g.speed_integral,
            ix.KP_CURRENT: g.current,
            ix.KI_CURRENT: g.current_integral,
            ix.FEEDFORWARD: servo.feedforward,
            ix.SPEED_LIMIT: servo.speed_limit,
            ix.HOLD_BAND: servo.hold_band,
            ix.RETURN_PRELOAD: servo.return_preload,
            ix.RETURN_RATE: servo.return_rate,
            ix.OFF_TICK: np.inf,
            **control_numbers(servo, g),
        }
        par[k, ix.SIGMA0], par[k, ix.SIGMA1] = leg.bristles or (0.0, 0.0)
        for index, value in (numbers | sampling_parameters(servo, h)).items():
            par[k, index] = value
        tables[k, ix.TAB_C] = leg.characteristic.c
        tables[k, ix.TAB_FL] = leg.characteristic.fl
        tables[k, ix.TAB_RUN] = leg.running
        tables[k, ix.TAB_BREAK] = leg.breakaway
        tables[k, ix.TAB_RUN_CLOSING] = leg.stem_table(breakaway=False, closing=True)
        tables[k, ix.TAB_BREAK_CLOSING] = leg.stem_table(breakaway=True, closing=True)
        losses[k, 0], losses[k, 1] = leg.up_loss, leg.down_loss
    glob = np.zeros((ix.GLOB_SIZE, *lanes))
    grid_c = machine.c_star
    for index, value in {
        ix.THROAT_AREA: machine.throat_area,
        # The residence time goes with one over c*: its value at 1 m/s saves the kernel the powers of gamma.
        ix.RESIDENCE: residence_time(machine.characteristic_length, 1.0, machine.gamma),
        ix.EFFICIENCY: machine.c_star_efficiency,
        ix.R_START: grid_c.r0,
        ix.R_STEP: grid_c.dr,
        ix.X_START: grid_c.x0,
        ix.X_STEP: grid_c.dx,
        ix.BATTERY: battery,
        ix.BATTERY_RESISTANCE: machine.battery_resistance,
        ix.OTHER_LOADS: machine.other_loads,
        ix.STEP: h,
        ix.FEED_STEP: feed_step,
        ix.PER_FEED_STEP: 1.0 / feed_step,
        ix.FEED_EVERY: float(grid.feed_every),
        ix.HYDRAULICS: float(hydraulics),
    }.items():
        glob[index] = value
    return par, glob, tables, losses


def simulate(
    machine: Machine,
    gains: Mapping[LegName, CascadeGains],
    command: Mapping[LegName, FloatArray],
    start: OperatingPoint,
    duration: float,
    *,
    hydraulics: bool = True,
    step: float | None = None,
    record: float | None = None,
    battery: float | None = None,
    off: Mapping[LegName, DriveOff] | None = None,
    energy: bool = False,
    outer: OuterRun | None = None,
    seed: int = 0,
    half_way: bool = False,
    feed_every: int = 1,
    contact_share: float = CONTACT_SHARE,
) -> Trace:
    """Run both servos, and the engine with them unless ``hydraulics`` is off (a bench test without flow dynamics).

    Parameters
    ----------
    machine, gains : the engine and the gains of each leg
    command : stem angle wanted at each sample of the leg's position loop [rad], shape (samples,); the last one holds
    start : steady point to begin from; the valves rest at its angles in the middle of their lost motion
    duration : length of the run [s]
    step, record : integration step and time between records [s]; by default the design's
    battery : open-circuit voltage [V]; by default the design's nominal one
    off : drives that die in the run, by leg
    energy : keep an energy book of each motor (``LegTrace.energy``)
    outer : outer loops that trim the commands; their record is in it afterwards
    half_way : take the stem's friction level half-way through each step (``friction.half_way_speed``); lets the step be longer
    feed_every : steps of the servos that make one of feed legs and chamber; the run and the time between records must be whole
        numbers of these
    contact_share : longest step, as in ``time_grid``
    seed : of the random delays where a loop has jitter (even over its range, the same in every run with one seed)

    Raises ``SimulationError`` when a run stops being finite. Validity: see the laws; lines are rigid columns, one lump
    each, good to about a quarter of a / (4 L).
    """
    run = EngineRun(
        machine, gains, command, start, duration, hydraulics=hydraulics, step=step, record=record, battery=battery,
        off=off, energy=energy, outer=outer, seed=seed, half_way=half_way, feed_every=feed_every,
        contact_share=contact_share,
    )  # fmt: skip
    run.advance()
    return run.trace()


class EngineRun:
    """A run under way: all it knows in plain arrays, so that it can be cut, changed, copied and gone on with.

    Options as those of ``simulate``, which is one of these advanced to its end. Arrays as in ``kernel.run``; those of
    ``plant.layout`` may be changed between two calls of ``advance``. A run cut in pieces gives the same bits as a whole one.
    """

    def __init__(
        self,
        machine: Machine,
        gains: Mapping[LegName, CascadeGains],
        command: Mapping[LegName, FloatArray],
        start: OperatingPoint,
        duration: float,
        *,
        hydraulics: bool = True,
        step: float | None = None,
        record: float | None = None,
        battery: float | None = None,
        off: Mapping[LegName, DriveOff] | None = None,
        energy: bool = False,
        outer: OuterRun | None = None,
        seed: int = 0,
        half_way: bool = False,
        feed_every: int = 1,
        contact_share: float = CONTACT_SHARE,
    ) -> None:
        self.machine, self.gains, self.energy, self.duration = machine, gains, energy, duration
        grid = dataclasses.replace(time_grid(machine, step, contact_share), feed_every=feed_every)
        h = self.step = grid.step
        volts = machine.battery if battery is None else battery
        self.par, self.glob, self._tables, self._losses = pack(machine, gains, grid, hydraulics, volts)
        for k, name in enumerate(LEGS):
            if half_way:
                self.par[k, ix.HALF_WAY] = 1.0
            if energy:
                self.par[k, ix.AUDIT] = 1.0
            if off is not None and name in off:
                self.par[k, ix.OFF_TICK], self.par[k, ix.SHORTED] = off[name].time / h, float(off[name].shorted)
        _refuse_nan(self.par, self.glob, self._tables, self._losses)
        self.steps, self.every = run_steps(duration, machine.record if record is None else record, h)
        if outer is not None and feed_every != 1:
            raise SimulationError("outer loops listen to the engine at each step: feed_every must be 1")
        shortest = min(machine.legs[name].delay for name in LEGS)
        if hydraulics and shortest < feed_every * h * (1.0 - 1e-9):
            raise SimulationError(
                f"a combustion delay of {shortest:g} s is shorter than the step of {feed_every * h:g} s of feed legs and chamber"
            )
        if feed_every < 1 or self.steps % feed_every or self.every % feed_every:
            raise SimulationError(
                f"a run of {self.steps} steps, recorded each {self.every}, is no whole number of {feed_every}"
            )
        self.rec = np.full(((self.steps - 1) // self.every + 2, ix.REC_SIZE), np.nan)
        self.st = np.zeros((2, ix.ST_SIZE))
        longest = max(self.par[k, ix.DELAY] for k in range(2))
        self.flows = np.zeros((2, 1 << (int(longest) + 3).bit_length()))
        self.command = np.zeros((2, max(command[name].size for name in LEGS)))
        for k, name in enumerate(LEGS):
            self._start_leg(k, machine, gains, command[name], start)
        self.st[:, ix.BUS] = volts
        self._c_star = np.array(machine.c_star.values)
        self._periods = grid.periods
        self.due = np.array([first_samples(machine.legs[name].servo, h) for name in LEGS], dtype=np.int64)
        self._late = drawn_lateness(seed)
        self.ring = np.zeros((2, ix.QUEUES, ix.RING, 2))
        self.queue = np.zeros((2, ix.QUEUES, ix.QUEUE_SIZE), dtype=np.int64)
        self.acc = np.zeros((2, ix.ACC_SIZE))
        self.acc[:, ix.LOWEST_BUS] = np.inf
        self.out, self.outer_rows = outer_arrays(outer, h, start)
        self.gas = np.array([float(start.chamber_pressure)])
        self.clock = np.zeros(ix.CLOCK_SIZE, dtype=np.int64)

    def _start_leg(
        self,
        k: int,
        machine: Machine,
        gains: Mapping[LegName, CascadeGains],
        command: FloatArray,
        start: OperatingPoint,
    ) -> None:
        """A leg at rest at its steady point, the controller's memory with it."""
        name, st = LEGS[k], self.st[k]
        point, servo = start.legs[name], machine.legs[name].servo
        angle, count = point.angle, servo.speed_count
        st[ix.STEM_ANGLE] = st[ix.BALL_ANGLE] = angle
        st[ix.MOTOR_ANGLE] = angle * servo.ratio
        st[ix.FLOW] = point.flow
        st[ix.MANIFOLD] = point.manifold
        st[ix.VALVE_DROP] = point.valve_drop
        st[ix.COMMAND] = st[ix.COMMAND_BEFORE] = command[0]
        st[ix.ANGLE_BEFORE] = angle if count <= 0.0 else math.floor(angle / count + 0.5) * count
        start_control(st, servo, gains[name])
        at_rest(st, angle, angle)
        self.flows[k] = point.flow
        self.command[k, : command.size] = command
        self.command[k, command.size :] = command[-1]

    @property
    def tick(self) -> int:
        """Steps done."""
        return int(self.clock[ix.TICK])

    def advance(self, until: int | None = None) -> None:
        """Go on to a step, by default to the end. Raises ``SimulationError`` when the run stops being finite."""
        last = self.steps if until is None else min(until, self.steps)
        if self.tick >= self.steps:
            return  # the last sample and record have been made: once is enough
        done = compiled()(
            self.par, self.glob, self._tables, self._losses, self._c_star, self.command, self._periods, self.due,
            self._late, self.st, self.flows, self.ring, self.queue, self.acc, self.rec, self.out, self.outer_rows,
            self.gas, self.clock, last, self.steps, self.every,
        )  # fmt: skip
        if done < last:
            raise SimulationError(f"the run stopped being finite at {done * self.step:.6f} s of {self.duration:g} s")

    def branch(self, steps: int | None = None) -> EngineRun:
        """A copy that goes on by itself from here, to ``steps`` of the whole run or to this one's end; its record begins here."""
        other = copy.copy(self)
        for name in (
            "par",
            "glob",
            "st",
            "flows",
            "command",
            "due",
            "ring",
            "queue",
            "acc",
            "out",
            "outer_rows",
            "gas",
        ):
            setattr(other, name, getattr(self, name).copy())
        other.clock = self.clock.copy()
        if steps is not None:
            other.steps = steps
            other.duration = steps * self.step
        first = int(self.clock[ix.NEXT_RECORD])
        other.clock[ix.ROW] = 0
        other.rec = np.full((max(other.steps - first, 0) // self.every + 2, ix.REC_SIZE), np.nan)
        return other

    def trace(self) -> Trace:
        """The record so far. Raises ``SimulationError`` where it is not finite."""
        rec = self.rec[np.isfinite(self.rec[:, ix.REC_TIME])]
        if not np.isfinite(rec).all():
            row = int(np.argmin(np.isfinite(rec).all(axis=1)))
            at = f"{rec[row, ix.REC_TIME]:.6f} s of {self.duration:g} s"
            raise SimulationError(f"the run stopped being finite at {at}")
        return trace_of(rec, self.acc, max(self.tick, 1), self.step, self.energy)


def _refuse_nan(par: FloatArray, glob: FloatArray, tables: FloatArray, losses: FloatArray) -> None:
    """Raise ``SimulationError`` for a NaN in what the kernel is given: friction, limits and stops compare with it, and a
    comparison with NaN is false, so that the run would go on with a valve that sticks or a limit that is not there."""
    for k, name in enumerate(LEGS):
        for what, numbers in (("parameter", par[k]), ("valve table", tables[k]), ("line loss", losses[k])):
            if np.isnan(numbers).any():
                at = int(np.argmax(np.isnan(numbers).reshape(-1)))
                raise SimulationError(f"{name} leg: {what} {at} of the simulator is not a number")
    if np.isnan(glob).any():
        raise SimulationError(f"engine: parameter {int(np.argmax(np.isnan(glob)))} of the simulator is not a number")
