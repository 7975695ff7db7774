"""Single faults in a simulated run: from the fault's time on, a branch of the run with numbers and state changed.

A fault starts where the run stands and goes on to the end of the branch. What each does:

stuck-valve         the stem stands still whatever turns it
slow-valve          drag on the motor takes all that the current limit gives at a small share of the command's speed limit
slipped-coupling    between motor and stem: stem and ball jump towards shut; an encoder on the motor does not see it
slipped-ball        between stem encoder and ball: the ball jumps, and no encoder sees it
broken-coupling     no torque between motor and stem any more
frozen-encoder      the position encoder shows its last reading for good
encoder-high, -low  the position encoder shows a fixed angle too much or too little
noisy-encoder       normal noise on each reading of the position encoder
lost-command        the last command is held for good
late-command        commands come by a delay later
controller-reset    no voltage for a time, then all integrators empty and the command taken up from where the stem stands
dead-motor          no voltage for good, terminals open or shorted as the design says
regulator-high      the regulator stands open: tank pressure rises to the relief valve's or a stated share
regulator-low       the regulator stands shut: tank pressure falls
lost-commands       the commands of both legs are held for good
brown-out           the battery's voltage falls for a time; where a drive sees less than the lock-out, both controllers reset

A slip happens at once and keeps the twist of the gears as it was; friction and stops then count from the ball's angle. The
encoder of the speed loop shares a fault where it is the same encoder.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, LegName
from valvectl.parts import ullage
from valvectl.parts.encoder import quantise
from valvectl.parts.lookup import FloatArray
from valvectl.parts.valve_gas import gas_density, gas_mass_flow
from valvectl.plant import layout as ix
from valvectl.plant.command import limit_rate
from valvectl.plant.pack_control import start_control
from valvectl.plant.simulate import EngineRun

PRESSURE_STEP = 5e-3
"""Time between two changes of a tank's pressure in a branch [s]."""
_ANY_SIZE = 0.01
"""Valve size [m] that the gas equations ask for; without fittings it has no effect."""


@dataclass(frozen=True)
class Supply:
    """What a tank's pressure does when its regulator fails."""

    ceiling: float
    """Pressure that it rises to [Pa]."""
    floor: float
    """Pressure that it falls to [Pa]; zero where the gas sets it."""
    rise_rate: float
    """[Pa/s]; NaN where the gas sets it."""
    fall_rate: float
    """[Pa/s]; NaN where the gas sets it."""
    volume: float = math.nan
    """Gas above the liquid at the start of the profile [m^3]. A fault begins with it whenever it comes: with more gas, later in a
    firing, the pressure changes more slowly."""
    gas: ullage.PressurantGas | None = None
    bottle: tuple[float, float, float, float] | None = None
    """Pressure [Pa] and temperature [K] of the bottle, Kv [m^3/h] and xT [-] of the regulator's valve wide open."""

    def rate(self, pressure: float, volume: float, outflow: float, rising: bool) -> float:
        """Rate of the tank pressure [Pa/s] at a pressure [Pa] and gas ``volume`` [m^3], liquid leaving at ``outflow`` [m^3/s].

        No heat to the wall, the bottle full.
        """
        if self.gas is None or (rising and self.bottle is None):
            return self.rise_rate if rising else -self.fall_rate
        inflow, enthalpy = 0.0, 0.0
        if rising and self.bottle is not None:
            before, temperature, kv, xt = self.bottle
            density = gas_density(before, temperature, self.gas.molar_mass, 1.0)
            inflow = gas_mass_flow(kv, xt, _ANY_SIZE, 0.0, 0.0, self.gas.gamma, before, pressure, density)
            enthalpy = self.gas.cp * temperature
        return ullage.pressure_rate(pressure, volume, self.gas.gamma, inflow, enthalpy, outflow, 0.0)


@dataclass(frozen=True)
class FaultNumbers:
    """Sizes of the faults of a design, SI."""

    slow_speed: float
    slip: float
    encoder_offset: float
    encoder_noise: float
    command_delay: float
    reset_time: float
    brown_out_voltage: float
    brown_out_time: float
    undervoltage: float
    shared: dict[LegName, bool]
    """True where the speed loop reads the position encoder."""
    shorted: dict[LegName, bool]
    """True where a dead drive shorts the motor."""
    supply: dict[LegName, Supply | None]
    """None where there is no regulator that could fail."""


def fault_numbers(design: DesignFile) -> FaultNumbers:
    """What a design file says of its faults."""
    f = design.faults
    voltage = f.brown_out_voltage
    return FaultNumbers(
        slow_speed=float(f.slow_speed),
        slip=float(f.slip),
        encoder_offset=float(f.encoder_offset),
        encoder_noise=float(f.encoder_noise),
        command_delay=float(f.command_delay),
        reset_time=float(f.reset_time),
        brown_out_voltage=float(design.battery.undervoltage_lockout if voltage is None else voltage),
        brown_out_time=float(f.brown_out_time),
        undervoltage=float(design.battery.undervoltage_lockout),
        shared={name: design.leg(name).actuator.speed_encoder is None for name in LEGS},
        shorted={name: design.leg(name).actuator.dead_drive == "shorted" for name in LEGS},
        supply={name: _supply(design, name) for name in LEGS},
    )


def _supply(design: DesignFile, name: LegName) -> Supply | None:
    tank, f = design.leg(name).tank, design.faults
    if tank.supply == "blow-down":
        return None
    ceiling = tank.relief_pressure if tank.relief_pressure is not None else tank.pressure * (1.0 + f.regulator_high)
    floor = tank.pressure * (1.0 - f.regulator_low)
    rise, fall = (ceiling - tank.pressure) / f.regulator_time, (tank.pressure - floor) / f.regulator_time
    if tank.ullage is None:
        return Supply(float(ceiling), float(floor), float(rise), float(fall))
    bottle = None
    if tank.bottle is not None and tank.gas_valve is not None:
        part, valve = tank.bottle, tank.gas_valve
        bottle = (float(part.pressure), float(part.temperature), float(valve.kv), float(valve.xt))
    return Supply(
        ceiling=float(ceiling),
        floor=0.0,
        rise_rate=float(rise) if bottle is None else math.nan,
        fall_rate=math.nan,
        volume=float(tank.ullage.volume * tank.ullage.share),
        gas=ullage.GASES[tank.ullage.gas],
        bottle=bottle,
    )


@dataclass
class Branch:
    """A branch of a run with a fault in it, under way."""

    run: EngineRun
    numbers: FaultNumbers
    tank: dict[LegName, tuple[list[float], list[float]]] = field(default_factory=dict)
    """Times [s] and tank pressures at no flow [Pa] of a leg whose regulator failed."""
    silent: float = 0.0
    """How long messages stay away [s]; infinite for good."""
    said: str = ""
    """What else happened."""

    def ticks(self, time: float) -> int:
        """The step a time [s] from now on, at least one."""
        return self.run.tick + max(1, round(time / self.run.step))


def angle_seen(run: EngineRun, k: int, on_motor: bool) -> float:
    """Angle [rad of the stem] at one of a leg's encoders before its counts, as it is now."""
    st, par = run.st[k], run.par[k]
    return float(st[ix.MOTOR_ANGLE] * par[ix.PER_RATIO] if on_motor else st[ix.STEM_ANGLE])


def _faulty(run: EngineRun, k: int) -> FloatArray:
    par: FloatArray = run.par[k]
    if par[ix.FAULTY] < 0.5:
        par[ix.FAULTY] = par[ix.POSITION_SLOPE] = par[ix.SPEED_SLOPE] = par[ix.TRIM_SLOPE] = 1.0
    return par


def _stuck(b: Branch, k: int) -> None:
    b.run.par[k, ix.STEP_OVER_LOAD] = 0.0
    b.run.st[k, ix.STEM_SPEED] = 0.0


def _slow(b: Branch, k: int) -> None:
    servo = b.run.machine.legs[LEGS[k]].servo
    drag = servo.torque_constant * servo.current_limit / (b.numbers.slow_speed * servo.speed_limit * servo.ratio)
    b.run.par[k, ix.VISCOUS_DECAY] = 0.5 * b.run.par[k, ix.STEP_OVER_MOTOR] * (servo.motor_viscous + drag)


def _jump(b: Branch, k: int, beyond_encoder: bool) -> None:
    run = b.run
    st, par, servo = run.st[k], _faulty(run, k), run.machine.legs[LEGS[k]].servo
    way = min(b.numbers.slip, float(st[ix.STEM_ANGLE] - par[ix.CLOSED_STOP]))
    st[ix.STEM_ANGLE] -= way
    st[ix.BALL_ANGLE] -= way
    # the gears' twist stays: in the model's coordinates the motor goes along, and its encoder has to be told that it did not
    st[ix.MOTOR_ANGLE] -= way * servo.ratio
    st[ix.MOTOR_BEFORE] -= way
    for on_motor, offset, seen in (
        (servo.position_on_motor, ix.POSITION_OFFSET, ix.POSITION_SEEN),
        (servo.speed_on_motor, ix.SPEED_OFFSET, ix.SPEED_SEEN),
        (False, ix.TRIM_OFFSET, ix.TRIM_SEEN),
    ):
        if on_motor or beyond_encoder:
            par[offset] += way
            st[seen] -= way
    if beyond_encoder:
        st[ix.STEM_BEFORE] -= way
    b.said = f"jumped by {math.degrees(way):.3g} deg"


def _slipped(b: Branch, k: int) -> None:
    _jump(b, k, beyond_encoder=False)


def _slipped_ball(b: Branch, k: int) -> None:
    _jump(b, k, beyond_encoder=True)


def _broken(b: Branch, k: int) -> None:
    b.run.par[k, ix.SPRING] = b.run.par[k, ix.DAMPING] = 0.0


def _frozen(b: Branch, k: int) -> None:
    par, servo = _faulty(b.run, k), b.run.machine.legs[LEGS[k]].servo
    shown = angle_seen(b.run, k, servo.position_on_motor)
    par[ix.POSITION_SLOPE], par[ix.POSITION_OFFSET] = 0.0, shown
    if b.numbers.shared[LEGS[k]]:
        par[ix.SPEED_SLOPE], par[ix.SPEED_OFFSET] = 0.0, shown


def _offset(b: Branch, k: int, way: float) -> None:
    par = _faulty(b.run, k)
    par[ix.POSITION_OFFSET] = way
    if b.numbers.shared[LEGS[k]]:
        par[ix.SPEED_OFFSET] = way


def _high(b: Branch, k: int) -> None:
    _offset(b, k, b.numbers.encoder_offset)


def _low(b: Branch, k: int) -> None:
    _offset(b, k, -b.numbers.encoder_offset)


def _noisy(b: Branch, k: int) -> None:
    par = _faulty(b.run, k)
    par[ix.POSITION_NOISE] = b.numbers.encoder_noise
    if b.numbers.shared[LEGS[k]]:
        par[ix.SPEED_NOISE] = b.numbers.encoder_noise


def _lost(b: Branch, k: int) -> None:
    at = int(b.run.due[k, ix.LOOPS])
    b.run.command[k, at:] = b.run.command[k, max(at - 1, 0)]
    b.silent = math.inf


def _late(b: Branch, k: int) -> None:
    at, row = int(b.run.due[k, ix.LOOPS]), b.run.command[k]
    count = math.ceil(b.numbers.command_delay / float(b.run.par[k, ix.POSITION_PERIOD]) - 1e-9)
    later = row[at:].copy()
    row[at : at + count] = row[max(at - 1, 0)]
    row[at + count :] = later[: max(later.size - count, 0)]
    b.silent = b.numbers.command_delay


def _dead(b: Branch, k: int) -> None:
    b.run.par[k, ix.OFF_TICK] = b.run.tick
    b.run.par[k, ix.SHORTED] = float(b.numbers.shorted[LEGS[k]])


def _restart(b: Branch, k: int) -> None:
    """A controller that wakes up: all its memory empty, its command going from where the stem stands to what is asked."""
    run = b.run
    name = LEGS[k]
    st, par, servo = run.st[k], run.par[k], run.machine.legs[name].servo
    par[ix.OFF_TICK] = math.inf
    run.queue[k, :, ix.COUNT_INDEX] = 0
    for slot in (
        ix.VOLTAGE, ix.SPEED_SET, ix.CURRENT_SET, ix.SPEED_FILTERED, ix.SPEED_INTEGRAL, ix.CURRENT_INTEGRAL,
        ix.OBSERVER_SPEED, ix.TRIM, ix.CURRENT_FORWARD, ix.NOTCH_1, ix.NOTCH_2, ix.DERIVATIVE, ix.HAT_SPEED,
    ):  # fmt: skip
        st[slot] = 0.0
    st[ix.PAST :] = 0.0
    angle = angle_seen(run, k, servo.position_on_motor)
    st[ix.COMMAND] = st[ix.COMMAND_BEFORE] = angle
    st[ix.ANGLE_BEFORE] = quantise(angle_seen(run, k, servo.speed_on_motor), servo.speed_count)
    start_control(st, servo, run.gains[name])
    shown = quantise(angle, servo.position_count)
    st[ix.HAT_ANGLE], st[ix.WEIGHED_BEFORE] = shown, servo.feedforward * angle - shown
    at, row = int(run.due[k, ix.LOOPS]), run.command[k]
    end = at + math.ceil((run.steps - run.tick) * run.step / servo.position_period) + 2  # what lies behind is not run
    wanted = np.concatenate([[angle], row[at:end]])
    row[at:end] = limit_rate(wanted, servo.speed_limit * servo.position_period)[1:]


def _reset(b: Branch, k: int) -> None:
    _dead(b, k)
    b.run.advance(b.ticks(b.numbers.reset_time))
    b.silent = b.numbers.reset_time
    _restart(b, k)


def _regulator(b: Branch, k: int, rising: bool) -> None:
    name = LEGS[k]
    run, supply, leg = b.run, b.numbers.supply[name], b.run.machine.legs[name]
    assert supply is not None
    par = run.par[k]
    pressure = float(par[ix.TANK] - par[ix.DROOP_SLOPE] * run.st[k, ix.FLOW])
    par[ix.TANK], par[ix.DROOP_SLOPE] = pressure, 0.0
    times, pressures, volume = [run.tick * run.step], [pressure], supply.volume
    each = max(1, round(PRESSURE_STEP / run.step))
    while run.tick < run.steps:
        run.advance(run.tick + each)
        outflow = max(float(run.st[k, ix.FLOW]), 0.0) / leg.liquid.density
        volume += 0.5 * outflow * each * run.step
        pressure += supply.rate(pressure, volume, outflow, rising) * each * run.step
        volume += 0.5 * outflow * each * run.step
        pressure = min(pressure, supply.ceiling) if rising else max(pressure, supply.floor)
        par[ix.TANK] = pressure
        times.append(run.tick * run.step)
        pressures.append(pressure)
    b.tank[name] = (times, pressures)


def _regulator_high(b: Branch, k: int) -> None:
    _regulator(b, k, rising=True)


def _regulator_low(b: Branch, k: int) -> None:
    _regulator(b, k, rising=False)


def _lost_both(b: Branch, k: int) -> None:
    for leg in range(2):
        _lost(b, leg)


def _brown_out(b: Branch, k: int) -> None:
    full = float(b.run.glob[ix.BATTERY])
    untouched = b.run.branch()
    b.run.glob[ix.BATTERY] = b.numbers.brown_out_voltage
    b.run.acc[:, ix.LOWEST_BUS] = np.inf
    until = b.ticks(b.numbers.brown_out_time)
    b.run.advance(until)
    least = float(np.min(b.run.acc[:, ix.LOWEST_BUS]))
    if least >= b.numbers.undervoltage:
        b.run.glob[ix.BATTERY] = full
        b.said = f"drives stay on, {least:.3g} V at least"
        return
    # below the lock-out the drives let go: the same again with both dead from the start, and until they have started anew
    b.run = untouched
    for leg in range(2):
        _dead(b, leg)
    dark = b.numbers.brown_out_time + b.numbers.reset_time
    b.run.advance(b.ticks(dark))
    for leg in range(2):
        _restart(b, leg)
    b.silent = dark
    b.said = "below the lock-out: both controllers reset"


KINDS: dict[str, Callable[[Branch, int], None]] = {
    "stuck-valve": _stuck,
    "slow-valve": _slow,
    "slipped-coupling": _slipped,
    "slipped-ball": _slipped_ball,
    "broken-coupling": _broken,
    "frozen-encoder": _frozen,
    "encoder-high": _high,
    "encoder-low": _low,
    "noisy-encoder": _noisy,
    "lost-command": _lost,
    "late-command": _late,
    "controller-reset": _reset,
    "dead-motor": _dead,
    "regulator-high": _regulator_high,
    "regulator-low": _regulator_low,
    "lost-commands": _lost_both,
    "brown-out": _brown_out,
}
"""What each fault does to a branch and a leg (0, 1); the last two take both legs."""
OF_BOTH = ("lost-commands", "brown-out")
"""Faults that belong to no leg."""
CAN_NOT_SHUT = ("stuck-valve", "broken-coupling", "dead-motor", "lost-command", "lost-commands")
"""Faults after which the leg's valve does not shut on command."""


def possible(numbers: FaultNumbers) -> list[tuple[str, LegName | None]]:
    """All single faults that a design can have: their name and leg, None for both."""
    out: list[tuple[str, LegName | None]] = []
    for kind in KINDS:
        if kind in OF_BOTH:
            out.append((kind, None))
            continue
        for name in LEGS:
            if kind.startswith("regulator") and numbers.supply[name] is None:
                continue
            out.append((kind, name))
    return out


def inject(run: EngineRun, kind: str, leg: LegName | None, numbers: FaultNumbers, watched: float) -> Branch:
    """A branch of a run with a fault from where it stands, ``watched`` [s] long or to the run's end.

    Raises ``SimulationError`` when it stops being finite.
    """
    steps = min(run.steps, run.tick + max(1, round(watched / run.step)))
    b = Branch(run.branch(steps), numbers)
    KINDS[kind](b, LEGS.index(leg) if leg is not None else 0)
    b.run.advance()
    return b
