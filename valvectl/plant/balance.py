"""Steady operating point of both legs and the chamber, and its inverse: thrust and mixture ratio to two angles."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from scipy.optimize import brentq

from valvectl.design.schema import LEGS, LegName
from valvectl.errors import NoBalanceError
from valvectl.parts import chamber, injector, lookup, tank, valve
from valvectl.plant.machine import LegMachine, Machine

_TIGHT = 1e-13
_NEAR = 1e-4
"""A pressure said to be near is looked for within this share of it first."""
SHUT_SHARE = 1e-6
"""A valve with less than this share of its largest coefficient counts as shut."""


@dataclass(frozen=True)
class LegPoint:
    """Pressures and flow of one leg in steady flow: the pressure ladder."""

    name: LegName
    angle: float
    """Opening of the ball [rad]."""
    flow: float
    """Mass flow [kg/s]."""
    tank: float
    """Tank pressure above the liquid [Pa]."""
    valve_inlet: float
    """Pressure before the valve [Pa]."""
    valve_outlet: float
    """Pressure behind the valve [Pa]; what the downstream path needs, below the throat's own on the choked plateau."""
    manifold: float
    """Pressure before the injector [Pa]."""
    choked_drop: float
    """Valve drop at which the flow chokes [Pa]."""
    gain: float
    """d ln(c FL if choked, else c) / d angle [1/rad]: the valve's own sensitivity."""

    @property
    def valve_drop(self) -> float:
        """Pressure drop across the valve [Pa]."""
        return self.valve_inlet - self.valve_outlet

    @property
    def choked(self) -> bool:
        """True when the drop is at or beyond the choking drop."""
        return self.valve_drop >= self.choked_drop


@dataclass(frozen=True)
class OperatingPoint:
    """A steady state of the engine."""

    chamber_pressure: float
    """[Pa]"""
    thrust: float
    """[N]"""
    throttle: float
    """Thrust over full thrust [-]."""
    mixture_ratio: float
    """Oxidizer over fuel by mass [-]."""
    legs: dict[LegName, LegPoint]

    @property
    def total_flow(self) -> float:
        """Flow of both legs [kg/s]."""
        return sum(leg.flow for leg in self.legs.values())

    def injector_stiffness(self, name: LegName) -> float:
        """Injector pressure drop over chamber pressure [-]."""
        return (self.legs[name].manifold - self.chamber_pressure) / self.chamber_pressure

    def authority(self, name: LegName) -> float:
        """Valve authority: valve drop over the whole drop from tank to chamber [-]."""
        leg = self.legs[name]
        return leg.valve_drop / (leg.tank - self.chamber_pressure)


def coefficient(leg: LegMachine, angle: float) -> tuple[float, float]:
    """Flow coefficient c [m^2] and FL [-] at an opening [rad]; held at the stops."""
    grid = leg.characteristic
    cell, share = lookup.locate(grid.c.size, grid.start, grid.per_step, angle)
    return (
        lookup.blend(float(grid.c[cell]), float(grid.c[cell + 1]), share),
        lookup.blend(float(grid.fl[cell]), float(grid.fl[cell + 1]), share),
    )


def _ladder(leg: LegMachine) -> Callable[[float, float], tuple[float, float, float, float]]:
    """From a flow [kg/s] and a chamber pressure [Pa] to the pressures [Pa] in the tank, before the valve, behind it, and in the
    manifold. A balance asks hundreds of times: what does not change is looked up here."""
    pressure, droop, reference, head = leg.tank_pressure, leg.tank_droop, leg.reference_flow, leg.head
    cda, injected, count, per_step = leg.cda, leg.injector_density, leg.up_loss.size, leg.loss_per_step
    up, down = leg.up_loss.item, leg.down_loss.item
    locate, blend = lookup.locate, lookup.blend

    def pressures(flow: float, chamber_pressure: float) -> tuple[float, float, float, float]:
        cell, share = locate(count, 0.0, per_step, flow)
        supplied = tank.tank_pressure(pressure, droop, reference, flow)
        before = supplied + head - blend(up(cell), up(cell + 1), share) * flow * flow
        manifold = chamber_pressure + injector.injector_drop(cda, injected, flow)
        return supplied, before, manifold + blend(down(cell), down(cell + 1), share) * flow * flow, manifold

    return pressures


def leg_flow(leg: LegMachine, angle: float, chamber_pressure: float) -> float:
    """Steady mass flow [kg/s] of a leg at an opening [rad] and a chamber pressure [Pa]; zero when nothing can flow."""
    return _flow_law(leg, angle)(chamber_pressure, None)


def _flow_law(leg: LegMachine, angle: float) -> Callable[[float, float | None], float]:
    """``leg_flow`` of one leg at one opening: chamber pressure [Pa] and a flow near it, to get there sooner, to flow [kg/s]."""
    c, fl = coefficient(leg, angle)
    rho, vapour, ff = leg.liquid.density, leg.liquid.vapour_pressure, leg.ff
    reference, pressures, inlet_pressure = leg.reference_flow, _ladder(leg), valve.inlet_pressure
    close = _TIGHT * reference
    still = pressures(0.0, 0.0)[1]  # before the valve at no flow; behind it is then the chamber's pressure

    def excess(flow: float, chamber_pressure: float) -> float:
        _, before, behind, _ = pressures(flow, chamber_pressure)
        return inlet_pressure(c, fl, rho, flow, behind, ff, vapour) - before

    def law(chamber_pressure: float, start: float | None) -> float:
        rest = inlet_pressure(c, fl, rho, 0.0, chamber_pressure, ff, vapour) - still
        if rest >= 0.0:
            return 0.0
        # All drops go nearly with flow squared: scaling the flow by the square law converges in a few rounds.
        flow = reference if start is None or start <= 0.0 else start
        for _ in range(25):
            last = flow
            flow *= math.sqrt(-rest / (excess(flow, chamber_pressure) - rest))
            if abs(flow - last) <= close:
                return flow
        top = reference
        while excess(top, chamber_pressure) < 0.0:
            top *= 2.0
        return float(brentq(excess, 0.0, top, (chamber_pressure,), xtol=close, rtol=4 * _TIGHT))

    return law


def leg_point(leg: LegMachine, angle: float, flow: float, chamber_pressure: float) -> LegPoint:
    """Pressure ladder of a leg in steady flow, from ball angle [rad], flow [kg/s] and chamber pressure [Pa]."""
    c, fl = coefficient(leg, angle)
    pressure, before, behind, manifold = _ladder(leg)(flow, chamber_pressure)
    limit = valve.choked_pressure_drop(fl, before, leg.ff, leg.liquid.vapour_pressure)
    step = 2.0 / leg.characteristic.per_step
    low, high = max(angle - step, leg.closed_stop), min(angle + step, leg.open_stop)
    (c_low, fl_low), (c_high, fl_high) = coefficient(leg, low), coefficient(leg, high)
    gain = math.log(c_high / c_low)
    if before - behind >= limit:
        gain += math.log(fl_high / fl_low)
    return LegPoint(
        name=leg.name,
        angle=angle,
        flow=flow,
        tank=pressure,
        valve_inlet=before,
        valve_outlet=behind,
        manifold=manifold,
        choked_drop=limit,
        gain=gain / (high - low),
    )


def operating_point(
    machine: Machine, angles: dict[LegName, float], flows: dict[LegName, float], pc: float
) -> OperatingPoint:
    """The point of an engine of which angles, flows and chamber pressure are known to balance."""
    thrust = machine.thrust_at(pc)
    return OperatingPoint(
        chamber_pressure=pc,
        thrust=thrust,
        throttle=thrust / machine.thrust,
        mixture_ratio=flows["oxidizer"] / flows["fuel"] if flows["fuel"] > 0.0 else math.inf,
        legs={name: leg_point(machine.legs[name], angles[name], flows[name], pc) for name in LEGS},
    )


def balance(machine: Machine, oxidizer_angle: float, fuel_angle: float, near: float | None = None) -> OperatingPoint:
    """Steady operating point at two ball angles [rad].

    ``near``: a chamber pressure near that of the point [Pa], to get there sooner. Raises ``NoBalanceError`` when a leg passes
    nothing (valve shut, or no pressure left), since there is then no flame.
    """
    angles: dict[LegName, float] = {"oxidizer": oxidizer_angle, "fuel": fuel_angle}
    for name in LEGS:
        leg = machine.legs[name]
        if coefficient(leg, angles[name])[0] < SHUT_SHARE * float(leg.characteristic.c[-1]):
            raise NoBalanceError(f"{name} valve is shut at {math.degrees(angles[name]):.2f} deg: no steady combustion")

    laws = {name: _flow_law(machine.legs[name], angles[name]) for name in LEGS}
    seen: list[tuple[float, dict[LegName, float]]] = []

    def flows(pc: float) -> dict[LegName, float]:
        out: dict[LegName, float] = {}
        for name in LEGS:
            start = seen[-1][1][name] if seen else None
            if near is not None and start is not None and len(seen) > 1 and seen[-1][0] != seen[-2][0]:
                # Straight on from the last two pressures. Only here: it moves the last bit of the flows, and runs of engines
                # that hunt begin at points found without ``near`` and would chatter otherwise than before.
                start += (start - seen[-2][1][name]) * (pc - seen[-1][0]) / (seen[-1][0] - seen[-2][0])
            out[name] = laws[name](pc, start)
        seen.append((pc, out))
        return out

    def left(pc: float, f: dict[LegName, float]) -> float:
        if f["oxidizer"] <= 0.0 or f["fuel"] <= 0.0:
            return pc
        c_star = machine.c_star_at(f["oxidizer"] / f["fuel"], pc)
        return pc - chamber.steady_chamber_pressure(f["oxidizer"] + f["fuel"], c_star, machine.throat_area)

    def excess(pc: float) -> float:
        return left(pc, flows(pc))

    low, high = _bracket(machine, excess, near)
    pc = float(brentq(excess, low, high, xtol=_TIGHT * machine.chamber_pressure, rtol=4 * _TIGHT))
    found = flows(pc)
    # Where a leg stops flowing the balance jumps; a sign change there is no operating point.
    if min(found.values()) <= 0.0 or abs(left(pc, found)) > 1e-6 * machine.chamber_pressure:
        stopped = [name for name in LEGS if found[name] <= 1e-6 * machine.legs[name].reference_flow]
        raise NoBalanceError(
            f"no steady point: the {' and '.join(stopped) or 'oxidizer or fuel'} leg stops flowing at a chamber pressure of "
            f"{pc / 1e5:.2f} bar abs, which the other leg alone would hold"
        )
    return operating_point(machine, angles, found, pc)


def _bracket(machine: Machine, excess: Callable[[float], float], near: float | None) -> tuple[float, float]:
    """Chamber pressures [Pa] on either side of the balance. Raises ``NoBalanceError`` when no pressure is sustained."""
    low = 1e-3 * machine.chamber_pressure
    high = max(leg.tank_pressure + abs(leg.head) for leg in machine.legs.values())
    if near is not None:
        below, above = max(low, (1.0 - _NEAR) * near), min(high, (1.0 + _NEAR) * near)
        if excess(below) <= 0.0 < excess(above):
            return below, above
    if excess(low) > 0.0:
        raise NoBalanceError("the flows do not sustain any chamber pressure at these angles")
    return low, high


def pressure_for_thrust(machine: Machine, throttle: float) -> float:
    """Chamber pressure [Pa] at a throttle setting (thrust over full thrust) [-]. Raises ``NoBalanceError``."""
    wanted = throttle * machine.thrust
    low, high = 1e-3 * machine.chamber_pressure, 3.0 * machine.chamber_pressure
    if not machine.thrust_at(low) < wanted < machine.thrust_at(high):
        raise NoBalanceError(f"no chamber pressure gives {100 * throttle:.1f} % of the thrust at this ambient pressure")
    return float(brentq(lambda pc: machine.thrust_at(pc) - wanted, low, high, xtol=_TIGHT * high, rtol=4 * _TIGHT))


def angle_for_flow(leg: LegMachine, flow: float, chamber_pressure: float) -> float:
    """Ball angle [rad] that passes a flow [kg/s] into a chamber pressure [Pa].

    Raises ``NoBalanceError`` naming the station where the pressure runs out, or what Kv is missing.
    """
    pressure, before, behind, manifold = _ladder(leg)(flow, chamber_pressure)
    name = leg.name
    if before <= behind:
        station = "in the line before the valve" if before <= chamber_pressure else "at the valve"
        lost = (pressure + leg.head - before) / 1e5
        reach = (
            f"{before / 1e5:.2f} bar abs reach the valve"
            if before > 0.0
            else f"the line would take {lost:.0f} bar, more than the tank has,"
        )
        raise NoBalanceError(
            f"{name} leg: the pressure runs out {station}: {reach} at {flow:.3f} kg/s, but "
            f"{behind / 1e5:.2f} bar abs are needed behind it "
            f"(chamber {chamber_pressure / 1e5:.2f}, injector drop {(manifold - chamber_pressure) / 1e5:.2f}, "
            f"line and jacket {(behind - manifold) / 1e5:.2f} bar)"
        )
    rho, vapour = leg.liquid.density, leg.liquid.vapour_pressure

    def excess(angle: float) -> float:
        c, fl = coefficient(leg, angle)
        return valve.valve_flow(c, fl, rho, before, behind, leg.ff, vapour) - flow

    grid = leg.characteristic
    if excess(leg.open_stop) < 0.0:
        c, fl = coefficient(leg, leg.open_stop)
        drop = min(before - behind, valve.choked_pressure_drop(fl, before, leg.ff, vapour))
        needed = flow / math.sqrt(rho * drop) / valve.KV_TO_C
        raise NoBalanceError(
            f"{name} valve wide open passes too little: Kv {c / valve.KV_TO_C:.3f} at {math.degrees(leg.open_stop):.0f} "
            f"deg, {needed:.3f} needed for {flow:.3f} kg/s at a drop of {drop / 1e5:.2f} bar"
        )
    low = max(grid.shut, leg.closed_stop)
    return float(brentq(excess, low, leg.open_stop, xtol=1e-12))


def solve(machine: Machine, throttle: float, mixture_ratio: float | None = None) -> OperatingPoint:
    """Operating point at a throttle setting (thrust over full thrust) and mixture ratio (by default the design's).

    Raises ``NoBalanceError`` that says where and why when there is none.
    """
    ratio = machine.mixture_ratio if mixture_ratio is None else mixture_ratio
    pc = pressure_for_thrust(machine, throttle)
    total = chamber.chamber_flow(pc, machine.c_star_at(ratio, pc), machine.throat_area)
    flows: dict[LegName, float] = {"oxidizer": total * ratio / (1.0 + ratio), "fuel": total / (1.0 + ratio)}
    angles: dict[LegName, float] = {}
    failed: list[str] = []
    for name in LEGS:
        try:
            angles[name] = angle_for_flow(machine.legs[name], flows[name], pc)
        except NoBalanceError as error:
            failed.append(str(error))
    if failed:
        raise NoBalanceError(f"at {100 * throttle:.1f} % throttle: " + "; ".join(failed))
    return operating_point(machine, angles, flows, pc)
