"""Start of the engine: how long lines and manifolds take to fill, and what has gathered in the chamber by ignition.

Each valve opens from shut at constant speed to its angle for the starting throttle. Until the volume behind it (pipe,
jacket, manifold) is full the valve works against ambient pressure; then the injector runs into the unlit chamber at
ambient pressure. Flow is quasi-steady at each angle (the column's inertia, some milliseconds, is left out), the liquid
arrives as one front, and hardware is as cold as the liquid. Timing scatter is normal and independent a leg; mean and
standard deviation come from quadrature over it, the high and low values from the flow at two standard deviations, which is
exact because the mass falls with lateness.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, LegName
from valvectl.errors import DesignError, Fault
from valvectl.parts import closed_burn, line, start, wave
from valvectl.parts.lookup import FloatArray
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.studies.opening import DEVIATIONS, Opening, opening_of, scattered_mass, volume_behind
from valvectl.studies.result import Result

SCATTER = 0.005
"""Standard deviation of a valve's and of the igniter's timing when none is given [s] (assumed)."""
IGNITION_DELAY = 0.01
"""From the later propellant's arrival to ignition when none is given [s] (assumed)."""
WARM = 293.0
"""Temperature of gas in a line before it is compressed [K] (assumed)."""
HOT_OXYGEN = 430.0
"""Temperature of compressed gas from which the caution on oxygen is given [K]; from memory, about where the first
greases and polymers ignite in pressurised oxygen."""


@dataclass(frozen=True)
class LegFill:
    """One leg's start; times count from this leg's own command [s]."""

    leg: LegName
    volume: float
    """Volume behind the valve that fills first [m^3]."""
    line_volume: float
    """Volume of the line before the valve [m^3], full at the command."""
    line_fill_time: float
    """Time to fill that line at the flow of full thrust [s]; what a cautious fill takes at least."""
    priming_speed: float
    """Bound of the front's speed when an empty line is opened to the tank, without friction [m/s]."""
    priming_surge: float
    """Bound of the rise when that front stops dead [Pa]: density, sound speed and speed."""
    cracking: float
    """Command to first flow [s]."""
    full: float
    """Command to manifold full [s]."""
    opened: float
    """Command to starting angle [s]."""
    arrival: float
    """Manifold full, on the engine's clock (oxidizer command at zero) [s]."""
    filling_flow: float
    """Flow as the front arrives [kg/s]."""
    injected_flow: float
    """Flow through the injector right after it [kg/s]."""
    slam: float
    """Bound of the rise before the valve as the flow drops from one to the other: impedance times the drop [Pa]."""
    mass: float
    """In the chamber at ignition, timing as commanded [kg]."""
    mass_mean: float
    """Mean over the timing scatter [kg]."""
    mass_deviation: float
    """Standard deviation [kg]."""
    mass_low: float
    """Two standard deviations late [kg]."""
    mass_high: float
    """Two standard deviations early [kg]."""
    time: FloatArray = field(repr=False)
    """From the leg's command [s], shape (n,)."""
    flow: FloatArray = field(repr=False)
    """Flow into the chamber [kg/s], shape (n,)."""
    injected: FloatArray = field(repr=False)
    """Mass in the chamber [kg], shape (n,)."""


@dataclass(frozen=True)
class FillResult(Result):
    """Start transient of both legs."""

    throttle: float
    """Throttle setting that the valves open to [-]."""
    fuel_lead: float
    """Fuel command before the oxidizer command [s]; negative: after."""
    arrival_lead: float
    """Fuel in the chamber before the oxidizer, timing as commanded [s]; negative: after."""
    arrival_deviation: float
    """Its standard deviation [s]."""
    fuel_first: float
    """Probability that the fuel arrives first [-]."""
    scatter: float
    """Standard deviation of each valve's and of the igniter's timing [s]."""
    ignition: float
    """Ignition on the engine's clock [s]."""
    ignition_delay: float
    """From the later arrival to ignition [s]."""
    legs: dict[LegName, LegFill]
    burnable: float
    """Mass that takes part in the worst burst, timing as commanded [kg]; heated excess of one propellant counts."""
    burnable_high: float
    """The same with both masses high [kg]."""
    burst: float
    """Bound of the pressure rise when it burns at once, closed chamber, worst mixture ratio [Pa]."""
    burst_high: float
    """The same with both masses high [Pa]."""
    burst_ratio: float
    """Mixture ratio of that worst burst, timing as commanded [-]."""
    service_mass: float
    """Gas in the chamber at full thrust [kg], to compare with."""
    burst_limit: float | None
    """Rise allowed [Pa]; None: not stated, so not assessed."""
    longest_delay: float
    """Longest ignition delay with which the high burst stays within its limit [s]; inf: longer than a second; NaN: none,
    or no limit stated."""
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def within_limit(self) -> bool | None:
        """True when the high burst is within its limit; None: not assessed, no limit stated."""
        return None if self.burst_limit is None else self.burst_high <= self.burst_limit

    def columns(self) -> dict[str, Any]:
        legs = list(self.legs.values())
        return {
            "leg": [leg.leg for leg in legs],
            "line fills at full flow in [ms]": [1e3 * leg.line_fill_time for leg in legs],
            "volume behind valve [mL]": [1e6 * leg.volume for leg in legs],
            "first flow [ms]": [1e3 * leg.cracking for leg in legs],
            "manifold full [ms]": [1e3 * leg.full for leg in legs],
            "arrival on engine clock [ms]": [1e3 * leg.arrival for leg in legs],
            "mass at ignition [g]": [1e3 * leg.mass for leg in legs],
            "standard deviation [g]": [1e3 * leg.mass_deviation for leg in legs],
            "low [g]": [1e3 * leg.mass_low for leg in legs],
            "high [g]": [1e3 * leg.mass_high for leg in legs],
            "rise as the front arrives, bound [bar]": [leg.slam / 1e5 for leg in legs],
            "priming an empty line, bound [bar]": [leg.priming_surge / 1e5 for leg in legs],
        }


def fill(
    machine: Machine,
    design: DesignFile,
    schedule: Schedule,
    throttle: float | None = None,
    fuel_lead: float = 0.0,
    ignition_delay: float | None = None,
    scatter: float | None = None,
    speed: float | None = None,
    burst_limit: float | None = None,
) -> FillResult:
    """Start transient of both legs.

    Parameters
    ----------
    throttle : setting that the valves open to [-]; by default the lowest of the schedule
    fuel_lead : fuel command before the oxidizer command [s]; negative: fuel after oxidizer
    ignition_delay : from the later arrival in the chamber to ignition [s]; by default 10 ms (a torch already burning), assumed
    scatter : standard deviation of each valve's and of the igniter's timing [s]; by default 5 ms, assumed
    speed : opening speed of both valves [rad/s]; by default each leg's command speed limit
    burst_limit : pressure rise allowed when what has gathered burns at once [Pa]; without it that is not assessed

    Raises ``DesignError`` with all faults of the inputs.
    """
    setting = float(schedule.throttle[0]) if throttle is None else throttle
    delay = IGNITION_DELAY if ignition_delay is None else ignition_delay
    deviation = SCATTER if scatter is None else scatter
    lowest, highest = float(schedule.throttle[0]), float(schedule.throttle[-1])
    rules = (
        (
            lowest <= setting <= highest,
            "throttle",
            f"must lie in the schedule, {lowest:.3g} to {highest:.3g}",
            f"{setting:g}",
        ),
        (abs(fuel_lead) <= 10.0, "fuel_lead", "must be within 10 s", f"{fuel_lead:g} s"),
        (0.0 <= delay <= 10.0, "ignition_delay", "must be from 0 to 10 s", f"{delay:g} s"),
        (0.0 <= deviation <= 1.0, "scatter", "must be from 0 to 1 s", f"{deviation:g} s"),
        (speed is None or 1e-3 <= speed <= 1e4, "speed", "must be from 0.001 to 10000 rad/s", f"{speed} rad/s"),
        (burst_limit is None or burst_limit > 0.0, "burst_limit", "must be above zero", f"{burst_limit} Pa"),
    )
    faults = [Fault(message, key=key, got=got) for good, key, message, got in rules if not good]
    if faults:
        raise DesignError(faults)
    openings: dict[LegName, Opening] = {}
    for name in LEGS:
        leg = machine.legs[name]
        target = float(schedule.angle_at(name, np.array([setting]))[0])
        fast = leg.servo.speed_limit if speed is None else speed
        openings[name] = opening_of(leg, target, fast, volume_behind(design, name), machine.ambient_pressure)
    command: dict[LegName, float] = {"oxidizer": 0.0, "fuel": -fuel_lead}
    arrival = {name: command[name] + openings[name].full for name in LEGS}
    ignition = max(arrival.values()) + delay
    both = math.hypot(deviation, deviation)
    legs = {
        name: _leg_fill(machine, design, name, openings[name], command[name], ignition, both, schedule) for name in LEGS
    }
    volume = machine.characteristic_length * machine.throat_area
    ideal = machine.c_star_at(machine.mixture_ratio, machine.chamber_pressure) / machine.c_star_efficiency
    curve = _force(machine, design)

    def burst_at(later: float) -> float:
        at = {n: np.array([max(arrival.values()) + later - command[n] + DEVIATIONS * both]) for n in LEGS}
        oxidizer, fuel = (float(openings[n].mass_at(np.maximum(at[n], 0.0))[0]) for n in LEGS)
        return closed_burn.worst_burst(oxidizer, fuel, volume, curve)[0]

    rise, burnable, ratio = closed_burn.worst_burst(legs["oxidizer"].mass, legs["fuel"].mass, volume, curve)
    rise_high, burnable_high, _ = closed_burn.worst_burst(
        legs["oxidizer"].mass_high, legs["fuel"].mass_high, volume, curve
    )
    lead = arrival["oxidizer"] - arrival["fuel"]
    result = FillResult(
        throttle=setting,
        fuel_lead=fuel_lead,
        arrival_lead=lead,
        arrival_deviation=both,
        fuel_first=0.5 * (1.0 + math.erf(lead / (both * math.sqrt(2.0)))) if both > 0.0 else float(lead > 0.0),
        scatter=deviation,
        ignition=ignition,
        ignition_delay=delay,
        legs=legs,
        burnable=burnable,
        burnable_high=burnable_high,
        burst=rise,
        burst_high=rise_high,
        burst_ratio=ratio if rise > 0.0 else math.nan,
        service_mass=machine.chamber_pressure * volume / start.gas_energy_per_mass(ideal, machine.gamma),
        burst_limit=burst_limit,
        longest_delay=math.nan if burst_limit is None else _longest(burst_at, burst_limit),
        assumptions=_assumptions(ignition_delay is None, scatter is None, curve.whole),
        cautions=(),
    )
    return dataclasses.replace(result, cautions=_cautions(machine, result))


def _leg_fill(
    machine: Machine,
    design: DesignFile,
    name: LegName,
    opening: Opening,
    command: float,
    ignition: float,
    both: float,
    schedule: Schedule,
) -> LegFill:
    leg, pipe = machine.legs[name], design.leg(name).line
    section = line.area(pipe.inner_diameter)
    rho, sound = leg.liquid.density, leg.liquid.sound_speed
    pressure = max(leg.tank_pressure + leg.head - machine.ambient_pressure, 0.0)
    front = math.sqrt(2.0 * pressure / rho)
    left = ignition - command
    mean, spread, low, high = scattered_mass(opening, left, both)
    drop = max(opening.filling_flow - opening.injected_flow, 0.0)
    return LegFill(
        leg=name,
        volume=volume_behind(design, name),
        line_volume=section * pipe.length,
        line_fill_time=section * pipe.length * rho / schedule.points[-1].legs[name].flow,
        priming_speed=front,
        priming_surge=wave.joukowsky(rho, sound, front),
        cracking=opening.cracking,
        full=opening.full,
        opened=opening.opened,
        arrival=command + opening.full,
        filling_flow=opening.filling_flow,
        injected_flow=opening.injected_flow,
        slam=wave.joukowsky(rho, sound, drop / (rho * section)),
        mass=float(opening.mass_at(np.array([left]))[0]),
        mass_mean=mean,
        mass_deviation=spread,
        mass_low=low,
        mass_high=high,
        time=opening.time,
        flow=opening.flow,
        injected=opening.injected,
    )


def _longest(burst_at: Any, limit: float) -> float:
    if burst_at(0.0) > limit:
        return math.nan
    if burst_at(1.0) <= limit:
        return math.inf
    from scipy.optimize import brentq

    return float(brentq(lambda x: burst_at(x) - limit, 0.0, 1.0, xtol=1e-7))


def _force(machine: Machine, design: DesignFile) -> closed_burn.ForceCurve:
    if design.engine.combustion.table is not None:
        return closed_burn.force_from_c_star(machine.c_star, machine.chamber_pressure)
    oxidizer, fuel = (design.leg(name).liquid.name for name in LEGS)
    return closed_burn.force_curve(oxidizer, fuel, machine.mixture_ratio)


def _assumptions(delay: bool, scatter: bool, whole: bool) -> tuple[str, ...]:
    lines = []
    if delay:
        lines.append(f"ignition {1e3 * IGNITION_DELAY:g} ms after the later arrival (a torch already burning), assumed")
    if scatter:
        lines.append(
            f"timing scatter {1e3 * SCATTER:g} ms (one standard deviation) of each valve and the igniter, assumed"
        )
    lines += [
        "quasi-steady flow, one front, hardware as cold as the liquid, nothing leaves the chamber before ignition",
        "burst: what waits burns at once and completely in the closed chamber, with as much of either propellant as gives "
        "the highest pressure; detonation is not covered"
        + ("" if whole else "; excess beyond the c* table's mixture ratios is left out, and can bring more"),
    ]
    return tuple(lines)


def _cautions(machine: Machine, result: FillResult) -> tuple[str, ...]:
    lines = []
    allowed = "" if result.burst_limit is None else f", {result.burst_limit / 1e5:.0f} bar allowed"
    if result.within_limit is False or (
        result.within_limit is None and result.burst_high > machine.chamber_pressure - machine.ambient_pressure
    ):
        lines.append(
            f"hard start: up to {1e3 * sum(leg.mass_high for leg in result.legs.values()):.0f} g of propellant wait at "
            f"ignition (the chamber holds {1e3 * result.service_mass:.1f} g of gas in service); burnt at once in a closed "
            f"chamber that is {result.burst_high / 1e5:.0f} bar{allowed}. Bring the arrivals together, ignite earlier, "
            "open slower or to a smaller angle, and prove ignition before the main flow"
        )
    first: LegName = "fuel" if result.arrival_lead > 0.0 else "oxidizer"
    alone = abs(result.arrival_lead)
    lines.append(
        f"{first} runs alone for {1e3 * alone:.0f} ms and lays {1e3 * result.legs[first].mass:.0f} g in the chamber by ignition"
        + ("; liquid oxygen wets seals, soot and grease there" if first == "oxidizer" else "")
    )
    if 0.02 < result.fuel_first < 0.98:
        lines.append(
            f"which propellant arrives first is left to chance: fuel first in {100 * result.fuel_first:.0f} % of starts; a "
            f"lead of three standard deviations is {3e3 * result.arrival_deviation:.0f} ms"
        )
    oxidizer = machine.legs["oxidizer"]
    hot = start.compressed_temperature(
        WARM, machine.ambient_pressure or 1e5, oxidizer.tank_pressure + oxidizer.head, 1.4
    )
    if hot > HOT_OXYGEN:
        lines.append(
            f"oxidizer line: gas that a fast opening compresses from ambient to tank pressure reaches up to {hot:.0f} K "
            "(no heat loss); in oxygen that ignites grease, particles and most polymers: fill through a bleed, slowly, with "
            "clean and compatible materials at every dead end (ASTM G63, G88 and G93 treat it)"
        )
    worst = max(result.legs.values(), key=lambda leg: leg.priming_surge)
    lines.append(
        f"never open an empty line to the tank: the front in the {worst.leg} line could run at up to "
        f"{worst.priming_speed:.0f} m/s and give {worst.priming_surge / 1e5:.0f} bar where it stops (bounds without friction "
        "and without gas cushion)"
    )
    lines.append("warm hardware boils the first liquid: filling takes longer and comes in bursts until it is chilled")
    return tuple(lines)
