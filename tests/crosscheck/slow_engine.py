"""An independent, slow solution of the whole engine, to check the compiled simulator against.

The governing equations are written out here a second time on purpose: nothing of ``valvectl.parts`` or of the kernel is
called, only the numbers of a ``Machine`` are read. The integrator is ``scipy.integrate.solve_ivp`` (DOP853), restarted
at each instant at which a loop of either leg samples or an output takes effect. Delayed flows come from a stored
history with its slopes (cubic Hermite). Tables are read with ``numpy.interp`` and SciPy's bilinear spline.

What it covers: motor, two-mass train with a spring and damper, with lost motion where there is some (no mesh losses),
friction of the stem with its Stribeck curve, smoothed with tanh where asked for, liquid columns with the free and the
choked valve, manifolds, chamber with one delay a propellant, battery and harness, the sampled cascade with limits and,
where asked for, quantisation. Not covered: clearance, friction of the motor, friction that truly sticks, hydrodynamic
torque; a machine that has them is refused.
"""

from __future__ import annotations

import bisect
import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.interpolate import RectBivariateSpline

if TYPE_CHECKING:
    from valvectl.parts.controller import CascadeGains
    from valvectl.plant.balance import OperatingPoint
    from valvectl.plant.machine import LegMachine, Machine

Floats = NDArray[np.float64]
NAMES: tuple[Any, ...] = ("oxidizer", "fuel")
SAME_INSTANT = 1e-12
"""Instants closer than this [s] are one: they differ by rounding only."""
# state of a leg, seven numbers; the chamber pressure is the last of all
CURRENT, MOTOR_SPEED, MOTOR_ANGLE, STEM_SPEED, STEM_ANGLE, FLOW, MANIFOLD = range(7)
PER_LEG = 7
STIFF_RTOL = 1e-7
"""Relative tolerance for a stiff method."""
CHAMBER = 2 * PER_LEG
RTOL = 1e-9
ATOL = RTOL * np.array([1.0, 10.0, 1.0, 0.1, 0.01, 0.1, 1e5] * 2 + [1e5])
"""[A, rad/s, rad, rad/s, rad, kg/s, Pa] for each leg, [Pa] for the chamber."""


def _clip(value: float, limit: float) -> float:
    return limit if value > limit else (-limit if value < -limit else value)


class _History:
    """Injector flow of a leg at past instants with its rate, constant before the start."""

    def __init__(self, flow: float) -> None:
        self.time, self.flow, self.rate = [-1.0, 0.0], [flow, flow], [0.0, 0.0]

    def add(self, time: float, flow: float, rate: float) -> None:
        self.time.append(time)
        self.flow.append(flow)
        self.rate.append(rate)

    def at(self, time: float) -> float:
        """Flow at a past instant [kg/s], cubic between the stored ones."""
        j = bisect.bisect_right(self.time, time)
        if j >= len(self.time):  # the newest instant itself, but for rounding
            return self.flow[-1]
        t0, t1 = self.time[j - 1], self.time[j]
        span = t1 - t0
        s = (time - t0) / span
        f0, f1, r0, r1 = self.flow[j - 1], self.flow[j], self.rate[j - 1] * span, self.rate[j] * span
        return f0 + s * (r0 + s * (3.0 * (f1 - f0) - 2.0 * r0 - r1 + s * (2.0 * (f0 - f1) + r0 + r1)))


class _Cascade:
    """The sampled cascade of a leg: its own difference equations, outputs on their way in queues."""

    def __init__(self, leg: LegMachine, gains: CascadeGains, command: Floats, angle: float) -> None:
        self.servo, self.gains, self.command = leg.servo, gains, command
        self.order = self.order_before = float(command[0])
        self.speed_set = self.current_set = self.voltage = 0.0
        self.angle_before = self._read(angle, leg.servo.speed_count)
        self.speed = self.speed_sum = self.current_sum = 0.0
        self.counts = [0, 0, 0]
        self.limited = [0, 0]
        self.periods = (leg.servo.position_period, leg.servo.speed_period, leg.servo.current_period)
        self.delays = (leg.servo.position_delay, leg.servo.speed_delay, leg.servo.current_delay)
        self.under_way: tuple[deque[tuple[float, float]], ...] = (deque(), deque(), deque())
        tau = leg.servo.speed_filter
        self.share = 1.0 if tau <= 0.0 else 1.0 - math.exp(-leg.servo.speed_period / tau)

    @staticmethod
    def _read(angle: float, count: float) -> float:
        return angle if count <= 0.0 else math.floor(angle / count + 0.5) * count

    def next_instant(self) -> float:
        """When something happens next [s]."""
        samples = [n * period for n, period in zip(self.counts, self.periods, strict=True)]
        return min(samples + [queue[0][0] for queue in self.under_way if queue])

    def _due(self, loop: int, now: float) -> bool:
        if self.counts[loop] * self.periods[loop] > now + SAME_INSTANT:
            return False
        self.counts[loop] += 1
        return True

    def _send(self, loop: int, now: float, value: float) -> None:
        self.under_way[loop].append((now + self.delays[loop], value))

    def _arrived(self, loop: int, now: float, held: float) -> float:
        queue = self.under_way[loop]
        while queue and queue[0][0] <= now + SAME_INSTANT:
            held = queue.popleft()[1]
        return held

    def act(self, now: float, motor: float, stem: float, current: float, bus: float) -> None:
        """All that happens at an instant: outer loop first; an output that arrives at an instant is seen by a sample
        at the same instant. ``motor`` is the motor's angle over the ratio [rad]; ``bus`` the voltage at the drive."""
        servo, g = self.servo, self.gains
        if self._due(0, now):
            self.order_before = self.order
            self.order = float(self.command[min(self.counts[0] - 1, self.command.size - 1)])
            error = self.order - self._read(motor if servo.position_on_motor else stem, servo.position_count)
            moved = self.order - self.order_before
            if moved == 0.0 and abs(error) <= servo.hold_band:
                error = 0.0
            wanted = g.position * error + servo.feedforward * moved / servo.position_period
            self._send(0, now, _clip(wanted, servo.speed_limit))
        self.speed_set = self._arrived(0, now, self.speed_set)
        if self._due(1, now):
            angle = self._read(motor if servo.speed_on_motor else stem, servo.speed_count)
            self.speed += self.share * ((angle - self.angle_before) / servo.speed_period - self.speed)
            self.angle_before = angle
            error = self.speed_set - self.speed
            output = g.speed * error + self.speed_sum
            if not (abs(output) > servo.current_limit and error * output > 0.0):
                self.speed_sum += g.speed * g.speed_integral * servo.speed_period * error
            self.limited[0] += abs(output) > servo.current_limit
            self._send(1, now, _clip(output, servo.current_limit))
        self.current_set = self._arrived(1, now, self.current_set)
        if self._due(2, now):
            limit = servo.duty_limit * bus
            error = self.current_set - current
            output = g.current * error + self.current_sum
            if not (abs(output) > limit and error * output > 0.0):
                self.current_sum += g.current * g.current_integral * servo.current_period * error
            self.limited[1] += abs(output) > limit
            self._send(2, now, _clip(output, limit))
        self.voltage = self._arrived(2, now, self.voltage)


def _injected_density(leg: LegMachine) -> float:
    """Density of the liquid at the injector [kg/m^3]; behind a heated jacket from its table over temperature, at the
    temperature whose heat content is what the jacket gives at full thrust."""
    heat = leg.jacket_heat
    if heat is None:
        return float(leg.liquid.density)
    content = heat.heat / heat.full_flow
    above = int(np.searchsorted(heat.content, content))
    share = (content - heat.content[above - 1]) / (heat.content[above] - heat.content[above - 1])
    ratio = heat.density_ratio[above - 1] + share * (heat.density_ratio[above] - heat.density_ratio[above - 1])
    return float(leg.liquid.density * ratio)


def _leg_rates(machine: Machine, leg: LegMachine, smoothing: float) -> Callable[..., tuple[float, ...]]:
    """Right-hand side of one leg: a function of its state, chamber pressure and voltage."""
    servo = leg.servo
    if servo.half_slot or servo.motor_friction or leg.hydrodynamic:
        raise ValueError("the slow solution knows no clearance, motor friction or hydrodynamic torque")
    if servo.train.efficiency != 1.0 or servo.train.backdrive_efficiency != 1.0:
        raise ValueError("the slow solution knows no mesh losses")
    if smoothing <= 0.0 and (leg.running.any() or leg.breakaway.any()):
        raise ValueError("friction of the stem needs a smoothing speed")
    if leg.running_closing is not None or leg.breakaway_closing is not None:
        raise ValueError("the slow solution knows one friction for both directions")
    curve = leg.characteristic
    grid = curve.start + np.arange(curve.c.size) / curve.per_step
    flow_grid = np.arange(leg.up_loss.size) / leg.loss_per_step
    rho = leg.liquid.density
    throat_pressure = leg.ff * leg.liquid.vapour_pressure
    hole = leg.cda * math.sqrt(2.0 * _injected_density(leg))
    both = leg.up_inertance + leg.down_inertance
    droop = leg.tank_droop / leg.reference_flow
    peak = float(leg.breakaway.max())
    friction = leg.running * leg.cold_factor
    stiction = (leg.breakaway - leg.running) * leg.cold_factor

    def rates(y: Floats, chamber: float, voltage: float) -> tuple[float, ...]:
        current, motor_speed, motor_angle, speed, angle, flow, manifold = y
        twist = motor_angle / servo.ratio - angle
        sense = math.copysign(1.0, twist)
        torque = servo.spring * (twist - sense * servo.half_gap)
        torque += servo.damping * (motor_speed / servo.ratio - speed)
        if servo.half_gap > 0.0 and (abs(twist) < servo.half_gap or torque * sense < 0.0):
            torque = 0.0  # within the gap, or the contact would have to pull
        current_rate = (voltage - servo.resistance * current - servo.torque_constant * motor_speed) / servo.inductance
        motor_rate = servo.torque_constant * current - servo.motor_viscous * motor_speed - torque / servo.ratio
        # liquid column: first as if the valve did not choke
        square = flow * abs(flow)
        c, fl = float(np.interp(angle, grid, curve.c)), float(np.interp(angle, grid, curve.fl))
        up = float(np.interp(flow, flow_grid, leg.up_loss)) * square
        down = float(np.interp(flow, flow_grid, leg.down_loss)) * square
        valve_drop = square / (rho * c * c)
        supply = leg.tank_pressure - droop * flow + leg.head - up
        flow_rate = (supply - valve_drop - down - manifold) / both
        inlet = supply - leg.up_inertance * flow_rate
        choked = valve_drop > fl * fl * (inlet - throat_pressure)
        if choked:  # the valve then fixes its inlet pressure, whatever lies behind it
            inlet = throat_pressure + valve_drop / (fl * fl)
            flow_rate = (supply - inlet) / leg.up_inertance
            valve_drop = inlet - (manifold + down + leg.down_inertance * flow_rate)
        if smoothing > 0.0:
            level = float(np.interp(angle, grid, friction))
            level += float(np.interp(angle, grid, stiction)) * math.exp(-((speed / leg.stribeck_speed) ** 2))
            if peak > 0.0:
                level *= 1.0 + leg.pressure_slope / peak * max(valve_drop, 0.0)
            torque -= level * math.tanh(speed / smoothing)
        drop = manifold - chamber
        injector = math.copysign(hole * math.sqrt(abs(drop)), drop)
        return (
            current_rate,
            motor_rate / servo.motor_inertia,
            motor_speed,
            torque / servo.load_inertia,
            speed,
            flow_rate,
            (flow - injector) / leg.compliance,
            injector,
            float(choked),
            valve_drop,
        )

    return rates


@dataclass
class SlowTrace:
    """Records of a slow run; names and units as in ``valvectl.plant.simulate.LegTrace``."""

    time: Floats
    chamber_pressure: Floats
    bus_voltage: Floats
    legs: dict[str, dict[str, Floats]]
    restarts: int
    """Times the integrator was started."""
    evaluations: int = 0
    """Calls of the right-hand side."""
    limited: dict[str, list[int]] = field(default_factory=dict)
    """For each leg the samples at which current set-point and voltage were limited."""

    @property
    def mixture_ratio(self) -> Floats:
        """Oxidizer over fuel flow at the injector [-], shape (n,)."""
        return np.asarray(self.legs["oxidizer"]["flow"] / self.legs["fuel"]["flow"])


def _bus(machine: Machine, battery: float, powers: list[float]) -> tuple[float, list[float]]:
    """Battery terminal voltage and the voltage at each drive [V] when the drives take ``powers`` [W]."""
    harness = [machine.legs[name].servo.harness for name in NAMES]
    drives = [battery, battery]
    terminal = battery
    for _ in range(200):
        currents = [power / volts for power, volts in zip(powers, drives, strict=True)]
        terminal = battery - machine.battery_resistance * (machine.other_loads + sum(currents))
        now = [terminal - h * i for h, i in zip(harness, currents, strict=True)]
        change = max(abs(a - b) for a, b in zip(now, drives, strict=True))
        drives = now
        if change < 1e-13 * battery:
            return terminal, drives
    raise ArithmeticError("the bus voltage does not settle")


def slow_run(
    machine: Machine,
    gains: Mapping[Any, CascadeGains],
    command: Mapping[Any, Floats],
    start: OperatingPoint,
    duration: float,
    *,
    record: float,
    smoothing: float = 0.0,
    battery: float | None = None,
    longest: float = math.inf,
    method: str = "DOP853",
) -> SlowTrace:
    """Solve the engine from a steady point; arguments as ``valvectl.plant.simulate.simulate``.

    record : time between records [s]
    smoothing : stem speed [rad/s] over which running friction changes its sign (tanh); 0 for a machine without friction
    method : DOP853, or a stiff one (LSODA) for friction smoothed over a small speed
    longest : longest stretch between restarts [s], to see that the slow solution has itself converged
    """
    volts = machine.battery if battery is None else battery
    legs = [machine.legs[name] for name in NAMES]
    points = [start.legs[name] for name in NAMES]
    rates = [_leg_rates(machine, leg, smoothing) for leg in legs]
    cascades = [
        _Cascade(leg, gains[leg.name], command[leg.name], point.angle) for leg, point in zip(legs, points, strict=True)
    ]
    histories = [_History(point.flow) for point in points]
    grid = machine.c_star
    spline = RectBivariateSpline(
        grid.x0 + grid.dx * np.arange(grid.nx), grid.r0 + grid.dr * np.arange(grid.nr), grid.values, kx=1, ky=1
    )
    g = machine.gamma
    choked_flow = math.sqrt(g) * (2.0 / (g + 1.0)) ** ((g + 1.0) / (2.0 * (g - 1.0)))
    y = np.zeros(CHAMBER + 1)
    for k, (leg, point) in enumerate(zip(legs, points, strict=True)):
        at = k * PER_LEG
        y[at + STEM_ANGLE], y[at + MOTOR_ANGLE] = point.angle, point.angle * leg.servo.ratio
        y[at + FLOW], y[at + MANIFOLD] = point.flow, point.manifold
    y[CHAMBER] = start.chamber_pressure
    evaluations = 0

    def all_rates(t: float, y: Floats) -> list[float]:
        nonlocal evaluations
        evaluations += 1
        values = y.tolist()
        chamber = values[CHAMBER]
        out: list[float] = []
        for k in range(2):
            part = values[k * PER_LEG : (k + 1) * PER_LEG]
            out.extend(rates[k](part, chamber, cascades[k].voltage)[:PER_LEG])
        burnt = [history.at(t - leg.delay) for history, leg in zip(histories, legs, strict=True)]
        ideal = float(spline(math.log(chamber), burnt[0] / burnt[1], grid=False))
        velocity = machine.c_star_efficiency * ideal
        residence = machine.characteristic_length / (velocity * choked_flow**2)
        out.append((velocity * sum(burnt) / machine.throat_area - chamber) / residence)
        return out

    rows: list[list[float]] = []
    records = 0
    restarts = 0
    now = 0.0
    last = round(duration / record) * record
    while True:
        powers = [cascades[k].voltage * float(y[k * PER_LEG + CURRENT]) + legs[k].servo.idle_power for k in range(2)]
        terminal, drives = _bus(machine, volts, powers)
        for k in range(2):
            s = y[k * PER_LEG : (k + 1) * PER_LEG].tolist()
            cascades[k].act(now, s[MOTOR_ANGLE] / legs[k].servo.ratio, s[STEM_ANGLE], s[CURRENT], drives[k])
        if now >= records * record - SAME_INSTANT:
            records += 1
            row = [now, float(y[CHAMBER]), terminal]
            for k in range(2):
                s = y[k * PER_LEG : (k + 1) * PER_LEG].tolist()
                *_, injector, choked, drop = rates[k](s, float(y[CHAMBER]), cascades[k].voltage)
                row += [*s, injector, choked, drop, cascades[k].voltage, cascades[k].order]
            rows.append(row)
        if now >= last - SAME_INSTANT:
            break
        then = min(cascades[0].next_instant(), cascades[1].next_instant(), records * record)
        # a delay must never reach into the stretch that is being solved
        then = min(then, now + 0.999 * min(leg.delay for leg in legs), now + longest)
        solved = solve_ivp(
            all_rates,
            (now, then),
            y,
            method=method,
            rtol=RTOL if method == "DOP853" else STIFF_RTOL,
            atol=ATOL if method == "DOP853" else STIFF_RTOL / RTOL * ATOL,
            first_step=then - now,
        )
        if not solved.success:
            raise ArithmeticError(f"the slow solution stopped at {now:.6f} s: {solved.message}")
        restarts += 1
        for t, column in zip(solved.t[1:], solved.y.T[1:], strict=True):
            slope = all_rates(float(t), column)
            for k, leg in enumerate(legs):
                manifold = k * PER_LEG + MANIFOLD
                drop = float(column[manifold] - column[CHAMBER])
                flow = math.copysign(leg.cda * math.sqrt(2.0 * _injected_density(leg) * abs(drop)), drop)
                rate = 0.5 * flow / drop * (slope[manifold] - slope[CHAMBER]) if drop else 0.0
                histories[k].add(float(t), flow, rate)
        now, y = then, solved.y[:, -1]
    table = np.array(rows)
    names = (
        "current",
        "motor_speed",
        "motor",
        "stem_speed",
        "stem",
        "valve_flow",
        "manifold",
        "flow",
        "choked",
        "valve_drop",
    )
    per_leg = len(names) + 2
    out: dict[str, dict[str, Floats]] = {}
    for k, name in enumerate(NAMES):
        columns = table[:, 3 + k * per_leg : 3 + (k + 1) * per_leg]
        out[name] = {key: columns[:, j] for j, key in enumerate((*names, "voltage", "command"))}
        out[name]["motor"] = out[name]["motor"] / legs[k].servo.ratio
    limited = {name: cascade.limited for name, cascade in zip(NAMES, cascades, strict=True)}
    return SlowTrace(table[:, 0], table[:, 1], table[:, 2], out, restarts, evaluations, limited)
