"""What one actuator must do for one valve, check by check, in closed form: for one candidate or for arrays of them at once.

The sweep of the gear ratio, its sensitivities and samples, and the search of a catalogue all ask this one function. Every
number of ``Numbers`` may be a float or an array; all are broadcast together. Laws of ``parts`` that branch are called element
by element.

Worst case (``worst``): static and dynamic margin, with toleranced inputs at their adverse bounds where the caller puts them
there. All else with ``numbers``: end of discharge, hot winding, cold grease, largest pressure difference.

Limits without a requirement of the design behind them: ``SPEED_RESERVE`` (common practice, no source). What has no limit at
all is shown and not judged.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.parts import bang_bang, bus, gearing, motor, motor_heat, power_bus
from valvectl.parts.lookup import FloatArray

SPEED_RESERVE = 1.1
"""Stem speed that the voltage must reach under running load, over the commanded speed limit (common practice)."""
SPEED_SHARE, INTEGRAL_OF_LAG = 0.25, 2.0
"""Start of the servo's tuning: position crossover over speed crossover, and speed crossover times lag, both as ``servo.tune``."""

Value = Any
"""A float or an array of floats; all are broadcast together."""


@dataclass(frozen=True)
class ActuatorCheck:
    """One check over the candidates."""

    name: str
    values: FloatArray
    """In ``unit``, shape of the candidates."""
    limit: float
    """NaN when the value is only shown."""
    at_least: bool
    """True: values must not be below the limit; false: not above."""
    unit: str
    note: str = ""
    """Where the limit comes from, or what the value says."""
    base: float = 0.0
    """Added to value and limit before they are compared as a factor; 100 for a margin in percent, which is a factor less one."""

    @property
    def ok(self) -> FloatArray:
        """True where the requirement holds, shape of the candidates; NaN does not hold."""
        return np.asarray(self.values >= self.limit if self.at_least else self.values <= self.limit)

    @property
    def reserve(self) -> FloatArray:
        """Distance to the limit as ln of a factor, positive where it holds, shape of the candidates."""
        tiny = 1e-12
        with np.errstate(invalid="ignore"):
            logarithm = np.log(np.maximum(self.values + self.base, tiny) / max(self.limit + self.base, tiny))
        return np.asarray(
            np.nan_to_num(logarithm if self.at_least else -logarithm, nan=-60.0, posinf=60.0, neginf=-60.0)
        )


SAG_ROUNDS = 40
"""Rounds in which current and sagging bus settle on each other; each halves what is left."""


@dataclass(frozen=True)
class Numbers:
    """An actuator and the torque that its valve asks for; floats or arrays, SI."""

    resistance: Value
    """At 25 degC [ohm]."""
    torque_constant: Value
    """At 25 degC [N m/A]."""
    resistance_coefficient: Value
    magnet_coefficient: Value
    rotor_inertia: Value
    friction: Value
    """Coulomb friction of the motor with cold grease [N m]."""
    viscous: Value
    """Viscous friction of the motor with cold grease [N m s/rad]."""
    max_speed: Value
    temperature_limit: Value
    thermal_resistance: Value
    stages: tuple[gearing.StageNumbers, ...]
    torque_limits: tuple[Value, ...]
    """Peak torque at each stage's output [N m]; infinite: not checked."""
    speed_limits: tuple[Value, ...]
    """Speed allowed at each stage's input [rad/s]; infinite: not checked."""
    coupling: Value
    """Compliance between last stage and stem [rad/(N m)]."""
    current_limit: Value
    duty: Value
    harness: Value
    temperature: Value
    hot_winding: Value
    hot_surroundings: Value
    standing_current: Value
    """Largest current of the standing motor on the sagging bus [A]."""
    bus_voltage: Value
    """Bus voltage at the drive behind that [V]."""
    breakaway: Value
    """Stem torque to break loose, worst over the travel [N m]."""
    running: Value
    """Stem torque to run, largest over the travel [N m]."""
    load_inertia: Value


@dataclass(frozen=True)
class Demand:
    """What a leg asks of its actuator and holds fixed over all candidates, SI."""

    stroke: float
    """[rad]"""
    span: float
    """Travel from the lowest to full throttle [rad]."""
    speed_limit: float
    """Commanded stem speed [rad/s]."""
    acceleration: float
    """Least acceleration of the stroke wanted [rad/s^2] (``torque_moves.least_acceleration``)."""
    flow_gain: float
    """Largest relative flow per stem angle [1/rad]."""
    jump_torque: float
    """Breakaway less running friction, as the jump after sticking takes it, at its worst setting [N m]."""
    position_on_motor: bool
    count: float
    """One count of the position encoder at its own shaft [rad]."""
    fixed_step: float
    """Largest of command step and twice the hold band [rad]."""
    slot: float
    """Clearance between stem and ball [rad]."""
    lag: float
    """Of the speed loop as its tuning counts it [s]."""
    speed_on_motor: bool
    speed_count: float
    """One count of the speed sensor at its own shaft [rad]."""
    speed_period: float
    battery: float
    """At the end of discharge [V]."""
    battery_resistance: float
    other_current: float
    """Other loads and the other drive at its own peak [A]."""
    stroke_speed: float
    """Highest stem speed of the stroke wanted at its least acceleration [rad/s]."""
    other_moving: float
    """Other loads and the other drive in such a stroke [A]."""
    idle_power: float
    lockout: float
    """Undervoltage lockout [V]."""
    torque_margin: float
    dynamic_margin: float
    """NaN: not judged."""
    stroke_time: float
    motor_speed: float
    flow_resolution: float
    gear_torque: float
    bus_limit: float
    heating: float
    noise_share: float = 0.25
    """Share of the current limit that one count of the speed sensor may ask for, as the tuning has it [-]."""


def each(law: Callable[..., Any], *values: Value, where: Value = True) -> FloatArray:
    """A scalar law on broadcast arrays, element by element; NaN where ``where`` is false. Of several results the first."""
    arrays = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in values), np.asarray(where, dtype=bool))
    shape = arrays[0].shape
    wanted = arrays[-1].ravel()
    columns = [a.ravel()[wanted].tolist() for a in arrays[:-1]]
    found = [law(*row) for row in zip(*columns, strict=True)]
    out = np.full(wanted.size, np.nan)
    out[wanted] = [f[0] if isinstance(f, tuple) else f for f in found]
    return out.reshape(shape)


@dataclass(frozen=True)
class Seen:
    """The candidates' numbers as the moves see them, at the stem; floats or arrays."""

    train: gearing.Train
    resistance: Value
    """Hot [ohm]."""
    constant: Value
    """At the surroundings' temperature [N m/A]."""
    hot_constant: Value
    motor_inertia: Value
    gain: Value
    """Stem torque per ampere, hot, running [N m/A]."""
    back_emf: Value
    """[V s/rad]"""
    voltage: Value
    """Largest motor voltage [V]."""
    load: Value
    """Running torque with the motor's friction [N m]."""
    inertia: Value
    """At the stem, the motor's share divided by the gears' loss as in ``bang_bang.stem_acceleration`` [kg m^2]."""


def seen(n: Numbers) -> Seen:
    """A candidate at the stem."""
    train = gearing.combine(n.stages, n.coupling)
    hot = motor.torque_constant(n.torque_constant, n.magnet_coefficient, n.hot_winding)
    cold = motor.torque_constant(n.torque_constant, n.magnet_coefficient, n.temperature)
    inertia = n.rotor_inertia + train.motor_inertia
    through = train.ratio * train.efficiency
    return Seen(
        train=train,
        resistance=motor.winding_resistance(n.resistance, n.resistance_coefficient, n.hot_winding),
        constant=cold,
        hot_constant=hot,
        motor_inertia=inertia,
        gain=through * hot,
        back_emf=train.ratio * cold,
        voltage=n.duty * n.bus_voltage,
        load=n.running + through * n.friction,
        inertia=train.ratio * through * inertia + n.load_inertia,
    )


def static_margin(worst: Numbers, s: Seen) -> Value:
    """Torque available at rest over breakaway torque, less one [-]; law of ``studies.torque.available_torque``."""
    shaft = np.maximum(s.hot_constant * worst.standing_current - worst.friction, 0.0)
    available = s.train.ratio * s.train.static_efficiency * shaft
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        return np.where(worst.breakaway > 0.0, available / worst.breakaway - 1.0, math.inf)


def dynamic_margin(worst: Numbers, w: Seen, s: Seen, demand: Demand) -> Value:
    """Torque left in the full stroke wanted over that to accelerate it, less one [-]; NaN when the speed limit forbids it.

    Definition of ``studies.torque_moves`` for its full stroke. ``s`` is the nominal actuator: the torque constant stands at its
    low bound (``w``) or as far above the nominal, whichever leaves less.
    """
    if not math.isfinite(demand.acceleration):
        return np.full(np.broadcast_shapes(np.shape(w.inertia), np.shape(w.gain)), math.nan)
    low = _moving(worst, w, w.back_emf, w.hot_constant, demand)
    high = _moving(worst, w, 2.0 * s.back_emf - w.back_emf, 2.0 * s.hot_constant - w.hot_constant, demand)
    return (np.minimum(low, high) - worst.running) / (w.inertia * demand.acceleration) - 1.0


def _moving(worst: Numbers, w: Seen, back_emf: Value, constant: Value, demand: Demand) -> Value:
    """Stem torque at the speed of the stroke wanted [N m] on the bus that sags under it."""
    back = back_emf * demand.stroke_speed
    volts: Value = worst.bus_voltage
    with np.errstate(divide="ignore", invalid="ignore"):
        for _ in range(SAG_ROUNDS):
            current = np.clip((worst.duty * volts - back) / w.resistance, 0.0, worst.current_limit)
            drawn = bus.drive_current(w.resistance * current + back, current, volts, demand.idle_power)
            level = demand.battery - demand.battery_resistance * (demand.other_moving + drawn)
            volts = 0.5 * (volts + np.maximum(level - worst.harness * drawn, bus.COLLAPSED * demand.battery))
    turning = worst.friction + worst.viscous * w.train.ratio * demand.stroke_speed
    return w.train.ratio * w.train.efficiency * np.maximum(constant * current - turning, 0.0)


def _moves(n: Numbers, s: Seen, demand: Demand, angle: float, where: Value = True) -> FloatArray:
    return each(
        bang_bang.move, angle, demand.speed_limit, s.gain, s.gain, s.back_emf, s.resistance, n.current_limit, s.voltage,
        s.load, s.inertia, where=where,
    )  # fmt: skip


def through_stages(n: Numbers) -> tuple[Value, Value]:
    """Largest share of a stage's torque limit at the motor's current limit, cold magnets, and of a stage's speed limit per
    stem speed [-, s/rad]; zero without limits."""
    strongest = motor.torque_constant(n.torque_constant, n.magnet_coefficient, n.temperature) * n.current_limit
    torque = speed = np.asarray(0.0)
    through = strongest
    total = gearing.combine(n.stages, 1.0).ratio
    reached: Value = 1.0
    for stage, limit, fastest in zip(n.stages, n.torque_limits, n.speed_limits, strict=True):
        speed = np.maximum(speed, total / reached / fastest)
        through = through * stage.ratio * stage.efficiency
        reached = reached * stage.ratio
        torque = np.maximum(torque, through / limit)
    return torque, speed


def heating(n: Numbers, s: Seen, where: Value = True) -> FloatArray:
    """Winding [K] if the running torque were held without end: above what the moves of any profile make of it, for the
    integral part may leave that torque on a valve at rest. Magnets as warm as the winding: one node, and the safe side of two."""
    shaft = n.running / (s.train.ratio * s.train.efficiency) + n.friction
    return each(
        motor_heat.holding_temperature, shaft, n.hot_surroundings, n.resistance, n.resistance_coefficient, n.torque_constant,
        n.magnet_coefficient, 0.0, n.thermal_resistance, where=where,
    )  # fmt: skip


def share_of_rise(winding: Value, surroundings: Value, limit: Value) -> Value:
    """Rise of a winding over the rise allowed [-]; infinite when it is as hot outside as the limit or hotter."""
    allowed = np.asarray(limit) - surroundings
    return np.where(allowed > 0.0, (winding - surroundings) / np.where(allowed > 0.0, allowed, 1.0), math.inf)


def static_backdrive(n: Numbers) -> Value:
    """Efficiency of the train driven back from rest [-]: stage by stage 2 - 1/eta at breakaway, or what the stage states where
    that is less. Taken of the whole train's efficiency it would call trains self-locking that none of their stages is."""
    back: Value = 1.0
    for stage in n.stages:
        at_rest = np.maximum(2.0 - 1.0 / np.asarray(stage.static_efficiency), 0.0)
        back = back * np.minimum(stage.backdrive_efficiency, at_rest)
    return back


def peak_power(n: Numbers, s: Seen, demand: Demand) -> Value:
    """Largest electrical power of the motor in a run-up [W]: full current at the corner speed or the highest speed, if lower."""
    corner = np.maximum((s.voltage - s.resistance * n.current_limit) / s.back_emf, 0.0)
    top = np.minimum(demand.speed_limit, bang_bang.meeting_speed(s.gain, s.back_emf, s.resistance, s.voltage, s.load))
    current = np.minimum(n.current_limit, s.voltage / s.resistance)
    return (s.resistance * current + s.back_emf * np.maximum(np.minimum(corner, top), 0.0)) * current


def evaluate(demand: Demand, numbers: Numbers, worst: Numbers, frugal: bool = False) -> tuple[ActuatorCheck, ...]:
    """Judged checks. With ``frugal`` the dear ones are worked out only where the cheap ones hold (NaN elsewhere), which is
    enough to know where all hold."""
    s, w = seen(numbers), seen(worst)
    shape = np.broadcast_shapes(
        *(np.shape(v) for v in (s.train.ratio, s.load, s.resistance, s.gain, w.load, w.train.ratio, worst.breakaway,
                                numbers.current_limit, numbers.max_speed))
    )  # fmt: skip

    def spread(value: Value) -> FloatArray:
        return np.array(np.broadcast_to(value, shape), dtype=float)

    checks: list[ActuatorCheck] = []

    def add(name: str, value: Value, limit: float, at_least: bool, unit: str, note: str) -> None:
        base = 100.0 if name.endswith("margin") else 0.0
        checks.append(ActuatorCheck(name, spread(value), limit, at_least, unit, note, base))

    if not math.isnan(demand.torque_margin):
        add("static torque margin", 100.0 * static_margin(worst, w), 100.0 * demand.torque_margin, True, "%",
            "requirements.torque_margin or torque_rule, worst corner")  # fmt: skip
    if not math.isnan(demand.dynamic_margin):
        add("dynamic torque margin", 100.0 * dynamic_margin(worst, w, s, demand), 100.0 * demand.dynamic_margin, True, "%",
            "requirements.dynamic_torque_margin or torque_rule, full stroke")  # fmt: skip
    # viscous friction takes current in proportion to the speed, as if the back-EMF were so much larger
    drag = s.resistance * numbers.viscous * s.train.ratio / s.hot_constant
    free = bang_bang.meeting_speed(s.gain, s.back_emf + drag, s.resistance, s.voltage, s.load)
    add(
        "speed reserve",
        np.maximum(free, 0.0) / demand.speed_limit,
        SPEED_RESERVE,
        True,
        "x",
        "common practice, no source",
    )
    add("motor speed", 100.0 * demand.speed_limit * s.train.ratio / numbers.max_speed, 100.0 * demand.motor_speed, False,
        "% of limit", "requirements.motor_speed")  # fmt: skip
    add("flow step", 100.0 * demand.flow_gain * smallest_step(demand, s), 100.0 * demand.flow_resolution, False, "%",
        "requirements.flow_resolution")  # fmt: skip
    tooth, fast = through_stages(numbers)
    if any(np.any(np.isfinite(limit)) for limit in numbers.torque_limits):
        add("gear torque", 100.0 * tooth, 100.0 * demand.gear_torque, False, "% of limit", "requirements.gear_torque")
    if any(np.any(np.isfinite(limit)) for limit in numbers.speed_limits):
        add("gear speed", 100.0 * fast * demand.speed_limit, 100.0, False, "% of limit", "speed_limit of the stages")
    level = demand.battery - demand.battery_resistance * demand.other_current
    square = level * level - 4.0 * (demand.battery_resistance + numbers.harness) * (
        peak_power(numbers, s, demand) + demand.idle_power
    )
    # The upper root of power_bus.operating_voltages, on arrays; no operating point: zero.
    bus = np.where(square >= 0.0, 0.5 * (level + np.sqrt(np.maximum(square, 0.0))), 0.0)
    add(
        "bus voltage",
        bus / demand.lockout,
        demand.bus_limit,
        True,
        "x lockout",
        "requirements.bus_voltage, both drives at once",
    )
    alive: Value = np.logical_and.reduce([c.ok for c in checks]) if frugal else True
    share = share_of_rise(heating(numbers, s, alive), numbers.hot_surroundings, numbers.temperature_limit)
    add("motor heating", 100.0 * share, 100.0 * demand.heating, False,
        "% of rise", "requirements.motor_heating, running torque held without end")  # fmt: skip
    if frugal:
        alive = alive & checks[-1].ok
    times = _moves(numbers, s, demand, demand.stroke, alive)
    checks.insert(
        1, ActuatorCheck("stroke time", spread(times), demand.stroke_time, False, "s", "requirements.stroke_time")
    )
    return tuple(checks)


def smallest_step(demand: Demand, s: Seen) -> Value:
    """Largest of the causes of a smallest step [rad], as in ``studies.resolution``."""
    count = demand.count / (s.train.ratio if demand.position_on_motor else 1.0)
    unseen = demand.slot + (s.train.lost_motion if demand.position_on_motor else 0.0)
    return np.maximum.reduce(
        np.broadcast_arrays(demand.fixed_step, count, unseen, demand.jump_torque / s.train.stiffness)
    )


def crossover(demand: Demand, numbers: Numbers, s: Seen) -> Value:
    """Crossover of the position loop [Hz] that the tuning starts from: a quarter of the speed loop's, which its lag and one
    count of its sensor limit. The gears' resonance can only lower it."""
    factor = 0.5 * (1.0 / s.train.efficiency + s.train.backdrive_efficiency)
    inertia = s.motor_inertia + numbers.load_inertia * factor / s.train.ratio**2
    per_ampere = s.constant / inertia / s.train.ratio
    counts = demand.speed_count / (s.train.ratio if demand.speed_on_motor else 1.0)
    quiet = math.inf
    if demand.speed_count > 0.0:
        quiet = demand.noise_share * numbers.current_limit * demand.speed_period / counts * per_ampere
    return SPEED_SHARE * np.minimum(1.0 / (INTEGRAL_OF_LAG * demand.lag), quiet) / (2.0 * math.pi)


def shown(demand: Demand, numbers: Numbers, worst: Numbers) -> tuple[ActuatorCheck, ...]:
    """Values without a limit of the design's: shown, not judged."""
    s, w = seen(numbers), seen(worst)
    train = s.train
    shape = np.broadcast_shapes(np.shape(train.ratio), np.shape(s.load), np.shape(s.gain))
    current = np.minimum(numbers.current_limit, s.voltage / s.resistance)
    acceleration = bang_bang.stem_acceleration(
        train.ratio, s.hot_constant * current - numbers.friction, s.motor_inertia, numbers.running, numbers.load_inertia,
        train.efficiency,
    )  # fmt: skip
    total = train.ratio**2 * s.motor_inertia + numbers.load_inertia
    stop = each(bang_bang.stop_torque, total, train.stiffness, demand.speed_limit, s.gain * current)
    # the efficiency of one stage that drives back as the whole train does from rest
    one = 1.0 / (2.0 - static_backdrive(numbers))
    back = each(bang_bang.backdrive_torque, train.ratio, one, numbers.friction)
    visible = 0.0 if demand.position_on_motor else train.lost_motion
    unseen = demand.slot + (train.lost_motion if demand.position_on_motor else 0.0)
    sag = each(power_bus.sag, demand.battery, numbers.bus_voltage)
    rows: list[tuple[str, Value, str, str]] = [
        ("throttle move", _moves(numbers, s, demand, demand.span), "s", "fastest over the whole throttle range"),
        ("acceleration", acceleration, "rad/s2", "of the stem from rest against running torque"),
        ("reflected inertia", train.ratio**2 * s.motor_inertia, "kg m2", "of rotor and gears at the stem"),
        ("energy at the stop", bang_bang.kinetic_energy(total, demand.speed_limit), "J", "at the commanded speed limit"),
        ("torque at the stop", stop, "N m", "through the train's own stiffness, motor still pulling; no damping"),
        ("back-driving torque", back, "N m", "at the stem, motor dead, at rest; infinite: locks"),
        ("lost motion at the valve", np.degrees(unseen), "deg", "which the position sensor does not see"),
        ("lost motion in the loop", np.degrees(visible), "deg", "which the position sensor sees"),
        ("sensor step at the stem", np.degrees(demand.count / (train.ratio if demand.position_on_motor else 1.0)), "deg",
         "one count of the position sensor"),
        ("position crossover", crossover(demand, numbers, s), "Hz", "where the tuning starts; loop gives the exact one"),
        ("bus sag at rest", 100.0 * sag, "%", "both drives at their limit, motors standing"),
        ("winding temperature", heating(numbers, s) - 273.15, "degC", "running torque held without end"),
    ]  # fmt: skip
    if math.isnan(demand.dynamic_margin):
        note = "full stroke in stroke_time; none asked for, 25 % is common"
        rows.insert(0, ("dynamic torque margin", 100.0 * dynamic_margin(worst, w, s, demand), "%", note))
    return tuple(
        ActuatorCheck(name, np.array(np.broadcast_to(value, shape), dtype=float), math.nan, False, unit, note)
        for name, value, unit, note in rows
    )
