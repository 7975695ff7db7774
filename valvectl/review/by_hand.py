"""Intermediate numbers of a design with the formula beside them, so that a reviewer can check them with a pocket calculator.

Each line's result is what the program used; the formula holds the numbers that go in, rounded to five digits. Lines that follow
from a table look-up (c*, loss of a line, angle of an opening) say so instead of pretending to be a formula.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from valvectl.design.schema import LEGS, LegName
from valvectl.parts import friction
from valvectl.plant.balance import OperatingPoint
from valvectl.servo.outer_gains import position_rate
from valvectl.studies.analysis import Analysis
from valvectl.studies.torque import largest_pressure_drop

KV = math.sqrt(1000.0 / 1e5) / 3600.0
"""Flow coefficient c [m^2] of Kv = 1 m^3/h: m = c sqrt(rho dp)."""


@dataclass(frozen=True)
class HandLine:
    """One number that can be checked by hand."""

    place: str
    """Engine, or leg."""
    what: str
    formula: str
    """With the numbers put in, in the units stated."""
    value: float
    """In ``unit``."""
    unit: str


def _d(value: float, digits: int = 5) -> str:
    return f"{value:.{digits}g}"


def lines(analysis: Analysis) -> tuple[HandLine, ...]:
    """The lines of a design: at full thrust and at the lowest setting, then torque, speed and the loop's small numbers."""
    points = sorted(analysis.schedule.points, key=lambda p: p.throttle)
    chosen = [points[-1]] if points[0].throttle == points[-1].throttle else [points[-1], points[0]]
    out: list[HandLine] = []
    for point in chosen:
        out.extend(_engine(analysis, point))
        for name in LEGS:
            out.extend(_leg(analysis, point, name))
    for name in LEGS:
        out.extend(_torque(analysis, name))
        out.extend(_servo(analysis, name))
    return tuple(out)


def _engine(analysis: Analysis, point: OperatingPoint) -> Iterator[HandLine]:
    machine = analysis.machine
    at = f"engine, {100.0 * point.throttle:.0f} % thrust"
    o, f = (point.legs[name].flow for name in LEGS)
    yield HandLine(at, "mixture ratio", f"{_d(o)} / {_d(f)} (flows in kg/s)", o / f, "")
    velocity = machine.c_star_at(point.mixture_ratio, point.chamber_pressure)
    yield HandLine(at, "c*, delivered", "from the equilibrium grid times engine.combustion.efficiency", velocity, "m/s")
    yield HandLine(
        at,
        "chamber pressure, absolute",
        f"c* m / At = {_d(velocity)} x {_d(o + f)} / {_d(1e6 * machine.throat_area)} mm2",
        velocity * (o + f) / machine.throat_area / 1e5,
        "bar",
    )


def _leg(analysis: Analysis, point: OperatingPoint, name: LegName) -> Iterator[HandLine]:
    leg, found = analysis.machine.legs[name], point.legs[name]
    at = f"{name}, {100.0 * point.throttle:.0f} % thrust"
    rho, hot = leg.liquid.density, leg.injector_density
    yield HandLine(at, "flow by volume", f"3600 x {_d(found.flow)} / {_d(rho)}", 3600.0 * found.flow / rho, "m3/h")
    drop = found.manifold - point.chamber_pressure
    yield HandLine(
        at,
        "injector drop",
        f"m2 / (2 rho (Cd A)2) = {_d(found.flow)}2 / (2 x {_d(hot)} x ({_d(1e6 * leg.cda)} mm2)2)",
        (found.flow / leg.cda) ** 2 / (2.0 * hot) / 1e5,
        "bar",
    )
    losses = (found.tank + leg.head - found.valve_inlet, found.valve_outlet - found.manifold)
    yield HandLine(
        at,
        "drop left for the valve",
        f"tank {_d(found.tank / 1e5)} + head {_d(leg.head / 1e5, 3)} - line {_d(losses[0] / 1e5, 4)} - behind the valve "
        f"{_d(losses[1] / 1e5, 4)} - injector {_d(drop / 1e5)} - chamber {_d(point.chamber_pressure / 1e5)}",
        found.valve_drop / 1e5,
        "bar",
    )
    if found.choked:
        yield HandLine(
            at,
            "drop at which the valve chokes",
            f"FL2 (p1 - FF pv), p1 {_d(found.valve_inlet / 1e5)}, FF {_d(leg.ff, 4)}, pv {_d(leg.liquid.vapour_pressure / 1e5)}",
            found.choked_drop / 1e5,
            "bar",
        )
    used = min(found.valve_drop, found.choked_drop)
    yield HandLine(
        at,
        "Kv",
        f"Q sqrt(rho / 1000 / dp) = {_d(3600.0 * found.flow / rho)} x sqrt({_d(rho / 1000.0, 4)} / {_d(used / 1e5)})",
        found.flow / math.sqrt(rho * used) / KV,
        "m3/h",
    )
    yield HandLine(
        at, "opening of the ball", "where the flow table or port model has that Kv", math.degrees(found.angle), "deg"
    )


def _torque(analysis: Analysis, name: LegName) -> Iterator[HandLine]:
    machine = analysis.torque_corner[0]
    leg, found = machine.legs[name], analysis.torque_static[name]
    servo, drop = leg.servo, largest_pressure_drop(machine, name)
    cold, rest = leg.cold_factor, leg.dwell_factor
    efficiency, constant = servo.train.static_efficiency, servo.hot_torque_constant
    rise = friction.pressure_rise(leg.relative_slope, drop)
    peak = float(leg.breakaway.max())
    stream = friction.hydrodynamic_torque(leg.hydrodynamic, leg.bore, drop)
    if found.worst_direction == "opening" and servo.return_preload == servo.return_rate == 0.0:
        yield HandLine(
            f"{name}, worst corner",
            "breakaway torque",
            f"table {_d(peak)} x pressure {_d(rise, 4)} x cold {_d(cold, 4)} x rest {_d(rest, 4)} + stream {_d(stream, 3)}",
            peak * rise * cold * rest + stream,
            "N m",
        )
    yield HandLine(
        f"{name}, worst corner",
        "stem torque available",
        f"N eta (K I - friction) = {_d(servo.ratio)} x {_d(efficiency, 4)} x ({_d(constant)} x {_d(found.current, 4)} - "
        f"{_d(servo.motor_friction, 4)})",
        servo.ratio * efficiency * (constant * found.current - servo.motor_friction),
        "N m",
    )


def _servo(analysis: Analysis, name: LegName) -> Iterator[HandLine]:
    servo = analysis.machine.legs[name].servo
    gains = analysis.gains[name]
    yield HandLine(
        name,
        "motor speed at the command's limit",
        f"N w = {_d(servo.ratio)} x {_d(math.degrees(servo.speed_limit), 4)} deg/s / 6",
        servo.ratio * servo.speed_limit * 30.0 / math.pi,
        "rpm",
    )
    yield HandLine(
        name,
        "inertia seen at the stem",
        f"N2 Jm + Jl = {_d(servo.ratio)}2 x {_d(servo.motor_inertia, 4)} + {_d(servo.load_inertia, 3)}",
        servo.total_inertia,
        "kg m2",
    )
    yield HandLine(
        name,
        "stem on the gears, motor held",
        f"sqrt(k / Jl) / 2 pi, k = {_d(servo.spring, 4)} N m/rad",
        math.sqrt(servo.spring / servo.load_inertia) / (2.0 * math.pi),
        "Hz",
    )
    yield HandLine(
        name, "motor's electrical time constant", f"L / R = {_d(1e3 * servo.inductance, 4)} mH / {_d(servo.resistance, 4)} ohm",
        1e3 * servo.inductance / servo.resistance, "ms",
    )  # fmt: skip
    delay = servo.position_delay + 0.5 * servo.position_period
    hertz = position_rate(gains) / (2.0 * math.pi)
    where = "Kp / 2 pi" if gains.outer is None else "the placed bandwidth"
    yield HandLine(
        name,
        f"phase lost to delay and hold at {where}",
        f"360 f (Td + T/2) = 360 x {_d(hertz, 4)} Hz x {_d(1e3 * delay, 4)} ms",
        360.0 * hertz * delay,
        "deg",
    )
