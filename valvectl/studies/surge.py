"""Pressure surge in a leg's line when its valve moves: how high, how low, how fast it may move, how it best closes.

Three movements at the leg's command speed limit, solved by the method of characteristics with the valve's own curve
(free and choked), friction and the path behind the valve: shutting from full thrust, the largest throttle step down and
the same step up. Then the fastest constant speed that shuts within a pressure limit with the liquid left whole, and the
closing law of least surge for a given closing time.

That law shuts at the leg's speed limit wherever the pressure before the valve allows it and holds that pressure elsewhere;
the pressure is the lowest with which it is shut in time. It follows from the line and the valve, so that it changes with
either; the table is to be checked on the stand before it is trusted.

The chamber pressure follows the valve without lag: the schedule's between its ends, and down to ambient in a straight
line below the lowest throttle. That is on the cautious side for a closure. The command is followed exactly; a servo's lag
only rounds the corners.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.errors import DesignError, Fault
from valvectl.parts import wave
from valvectl.parts.lookup import FloatArray
from valvectl.parts.wave import PipeWall
from valvectl.plant.characteristics import time_step
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.studies.closing import ClosingLaw, ValveLine, closing_law, valve_line
from valvectl.studies.line_waves import wall_of
from valvectl.studies.result import Result

WALL_KEYS = ("wall_thickness", "wall_elasticity", "poisson_ratio", "anchoring")
"""Keys of the design file's line that describe its wall."""
LIMIT_FACTOR = 1.2
"""Pressure limit over the pressure at rest when none is given (common practice, no source)."""
LAW_TIME = 2.0
"""Closing time of the law over that of the stroke at the speed limit, when none is given [-]."""
SLOWEST_CLOSURE = 5.0
"""Longest closing time looked at [s]."""
SAFE_TOLERANCE = 0.01
"""Relative width to which the safe speed is found [-]."""


@dataclass(frozen=True)
class Movement:
    """One movement of the valve; arrays of shape (n,) over time."""

    name: str
    start_angle: float
    """[rad]"""
    end_angle: float
    """[rad]"""
    duration: float
    """Time that the valve moves [s]."""
    start_velocity: float
    """Velocity in the line before it [m/s]."""
    peak: float
    """Highest pressure before the valve [Pa]."""
    rise: float
    """Peak over the higher of the steady pressures before the valve at the start and at the end [Pa]."""
    trough: float
    """Lowest pressure anywhere in the line [Pa]."""
    cavity: float
    """Largest vapour volume at one node [m^3]; zero: the liquid stays whole."""
    grid_error: float
    """Change of the peak when the number of reaches is doubled [Pa]."""
    time: FloatArray = field(repr=False)
    angle: FloatArray = field(repr=False)
    """[rad]"""
    pressure: FloatArray = field(repr=False)
    """Before the valve [Pa]."""
    flow: FloatArray = field(repr=False)
    """[kg/s]"""


@dataclass(frozen=True)
class SurgeResult(Result):
    """Surge of one leg. Pressures absolute and before the valve unless said."""

    leg: LegName
    wall: PipeWall
    wave_speed: float
    """[m/s]"""
    reflection: float
    """2 L / a [s]; the line rings at twice this period."""
    velocity: float
    """Velocity in the line at full thrust [m/s]."""
    static_pressure: float
    """At no flow [Pa]."""
    vapour_pressure: float
    """[Pa]"""
    joukowsky: float
    """Rise of a stop from full thrust within 2 L / a [Pa]."""
    slow_estimate: float
    """Rise by Michaud's estimate for the stroke at the speed limit, as if the flow fell evenly [Pa]."""
    unsteady_coefficient: float
    """Brunone coefficient k [-]; zero: steady friction only."""
    reaches: int
    speed_limit: float
    """The leg's command speed limit [rad/s]."""
    pressure_limit: float
    """[Pa]"""
    movements: tuple[Movement, ...]
    safe_speed: float
    """Fastest constant speed [rad/s] that shuts from full thrust within the limit; zero: not within 5 s; inf: any."""
    law: ClosingLaw | None
    """None when there is none for the closing time."""
    law_note: str
    """Why there is none, or that it gains nothing; else empty."""
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]

    def movement(self, name: str) -> Movement:
        """A movement by name."""
        return next(m for m in self.movements if m.name == name)

    @property
    def worst(self) -> Movement:
        """The movement with the highest peak."""
        return max(self.movements, key=lambda m: m.peak)

    def columns(self) -> dict[str, Any]:
        moves = self.movements
        return {
            "movement": [m.name for m in moves],
            "from [deg]": [math.degrees(m.start_angle) for m in moves],
            "to [deg]": [math.degrees(m.end_angle) for m in moves],
            "time [ms]": [1e3 * m.duration for m in moves],
            "peak [bar abs]": [m.peak / 1e5 for m in moves],
            "rise [bar]": [m.rise / 1e5 for m in moves],
            "limit [bar abs]": [self.pressure_limit / 1e5 for m in moves],
            "lowest in the line [bar abs]": [m.trough / 1e5 for m in moves],
            "vapour pressure [bar abs]": [self.vapour_pressure / 1e5 for m in moves],
            "largest cavity [mm^3]": [1e9 * m.cavity for m in moves],
            "grid error [bar]": [m.grid_error / 1e5 for m in moves],
        }


def _faults(design: DesignFile, leg: LegName, wall: PipeWall, limit: float | None, static: float) -> list[Fault]:
    file = str(design.path) if design.path is not None else ""
    faults: list[Fault] = []

    def fault(key: str, message: str, got: str) -> None:
        faults.append(Fault(message, key=f"legs.{leg}.line.{key}", file=file, got=got))

    diameter = design.leg(leg).line.inner_diameter
    if not 0.0 < wall.thickness <= diameter:
        fault(
            "wall_thickness",
            f"must be above zero and at most the inner diameter ({1e3 * diameter:.4g} mm)",
            f"{1e3 * wall.thickness:.4g} mm",
        )
    if not 1e6 <= wall.elasticity <= 1e12:
        fault("wall_elasticity", "must be between 1 MPa and 1000 GPa", f"{wall.elasticity / 1e9:.4g} GPa")
    if not 0.0 <= wall.poisson <= 0.5:
        fault("poisson_ratio", "must be between 0 and 0.5", f"{wall.poisson:.4g}")
    if wall.anchoring not in wave.ANCHORINGS:
        fault("anchoring", f"must be one of {', '.join(wave.ANCHORINGS)}", str(wall.anchoring))
    if limit is not None and not (math.isfinite(limit) and limit > static):
        fault(
            "pressure_limit",
            f"must be above the pressure at rest before the valve ({static / 1e5:.4g} bar abs)",
            f"{limit / 1e5:.4g} bar abs",
        )
    return faults


def _movement(of: ValveLine, name: str, first: float, last: float, speed: float, reaches: int) -> Movement:
    run, angle = of.move(first, last, speed, reaches)
    fine, _ = of.move(first, last, speed, 2 * reaches)
    rest = max(of.standing(first), of.standing(last))
    return Movement(
        name=name,
        start_angle=first,
        end_angle=last,
        duration=abs(last - first) / speed,
        start_velocity=float(run.valve_flow[0]) / (of.pipe.rho * of.pipe.area),
        peak=run.peak,
        rise=run.peak - rest,
        trough=run.trough,
        cavity=run.cavity,
        grid_error=abs(fine.peak - run.peak),
        time=run.time,
        angle=angle,
        pressure=run.valve_pressure,
        flow=run.valve_flow,
    )


def _safe_speed(of: ValveLine, first: float, last: float, start: float, limit: float, reaches: int) -> float:
    stroke = abs(last - first)

    def holds(speed: float) -> bool:
        run, _ = of.move(first, last, speed, reaches)
        return run.peak <= limit and run.cavity == 0.0

    fastest, slowest = stroke / (0.02 * of.pipe.reflection), stroke / SLOWEST_CLOSURE
    low = high = min(max(start, slowest), fastest)
    if holds(low):
        while holds(high):
            if high >= fastest:
                return math.inf
            low, high = high, min(3.0 * high, fastest)
    else:
        while not holds(low):
            if low <= slowest:
                return 0.0
            low, high = max(low / 3.0, slowest), low
    while high > (1.0 + SAFE_TOLERANCE) * low:
        middle = math.sqrt(low * high)
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def surge(
    machine: Machine,
    design: DesignFile,
    schedule: Schedule,
    leg: LegName,
    wall: PipeWall | None = None,
    pressure_limit: float | None = None,
    closing_time: float | None = None,
    reaches: int = 24,
    unsteady: bool = True,
) -> SurgeResult:
    """Surge study of one leg.

    Parameters
    ----------
    wall : the line's wall; by default the design file's, and what that does not give is said to be assumed
    pressure_limit : highest pressure allowed before the valve, absolute [Pa]; by default the design file's, else 1.2
        times that at rest
    closing_time : for the closing law [s]; by default twice that of the stroke at the leg's speed limit
    reaches : reaches of the line; the peak of each movement is compared with twice as many
    unsteady : add Brunone's unsteady friction to the steady one

    Raises ``DesignError`` with all faults of the inputs, ``SimulationError`` when a run can not be made.
    """
    numbers, pipe = machine.legs[leg], design.leg(leg).line
    static = numbers.tank_pressure + numbers.head
    given = wall_of(pipe)
    assumed: tuple[str, ...] = tuple(key for key in WALL_KEYS if f"legs.{leg}.line.{key}" not in design.inputs)
    if wall is not None:
        given, assumed = wall, ()
    pressure_limit = pipe.pressure_limit if pressure_limit is None else pressure_limit
    faults = _faults(design, leg, given, pressure_limit, static)
    file = str(design.path) if design.path is not None else ""
    if closing_time is not None and not 1e-6 < closing_time <= SLOWEST_CLOSURE:
        message = f"closing time must be above zero and at most {SLOWEST_CLOSURE:g} s"
        faults.append(Fault(message, key="closing_time", file=file, got=f"{closing_time:g} s"))
    if not 4 <= reaches <= 500:
        faults.append(Fault("reaches must be from 4 to 500", key="reaches", file=file, got=str(reaches)))
    if faults:
        raise DesignError(faults)
    of = valve_line(machine, design, schedule, leg, given, unsteady)
    limit = LIMIT_FACTOR * static if pressure_limit is None else pressure_limit
    speed = numbers.servo.speed_limit
    highest, lowest = float(schedule.angle[leg][-1]), float(schedule.angle[leg][0])
    shut = numbers.closed_stop
    movements = (
        _movement(of, "shut from full thrust", highest, shut, speed, reaches),
        _movement(of, "throttle down", highest, lowest, speed, reaches),
        _movement(of, "throttle up", lowest, highest, speed, reaches),
    )
    safe = _safe_speed(of, highest, shut, speed, limit, reaches)
    stroke = movements[0].duration
    lasting = LAW_TIME * stroke if closing_time is None else closing_time
    shortest = 1.02 * stroke
    law, note = None, ""
    if lasting < shortest:
        note = f"no closing law for {1e3 * lasting:.4g} ms: the stroke at the speed limit takes {1e3 * stroke:.4g} ms"
    else:
        law = closing_law(of, highest, shut, lasting, speed, reaches)
        if law.peak >= law.constant_speed_peak:
            note = "the closing law gains nothing over constant speed here"
    velocity = movements[0].start_velocity
    result = SurgeResult(
        leg=leg,
        wall=given,
        wave_speed=of.pipe.wave_speed,
        reflection=of.pipe.reflection,
        velocity=velocity,
        static_pressure=static,
        vapour_pressure=numbers.liquid.vapour_pressure,
        joukowsky=wave.joukowsky(of.pipe.rho, of.pipe.wave_speed, velocity),
        slow_estimate=wave.closure_estimate(
            of.pipe.rho, of.pipe.wave_speed, of.pipe.length, velocity, movements[0].duration
        ),
        unsteady_coefficient=of.pipe.unsteady,
        reaches=reaches,
        speed_limit=speed,
        pressure_limit=limit,
        movements=movements,
        safe_speed=safe,
        law=law,
        law_note=note,
        assumptions=_assumptions(given, assumed, pressure_limit is None, unsteady, of, reaches),
        cautions=(),
    )
    return _with_cautions(result, pipe.length)


def _assumptions(
    wall: PipeWall, assumed_wall: Sequence[str], assumed_limit: bool, unsteady: bool, of: ValveLine, reaches: int
) -> tuple[str, ...]:
    lines = []
    if assumed_wall:
        values = (
            f"{1e3 * wall.thickness:g} mm",
            f"{wall.elasticity / 1e9:g} GPa",
            f"Poisson's ratio {wall.poisson:g}",
            "anchored at its upstream end",
        )
        said = [text for key, text in zip(WALL_KEYS, values, strict=True) if key in assumed_wall]
        lines.append(f"wall assumed: {', '.join(said)} (the design file does not say)")
    if assumed_limit:
        lines.append(
            f"pressure limit assumed: {LIMIT_FACTOR:g} times the pressure at rest (common practice, no source)"
        )
    lines += [
        "liquid free of gas, pipe at rest, one diameter; losses of fittings spread along the line",
        "unsteady friction: Brunone, coefficient by Vardy and Brown" if unsteady else "steady friction only",
        "chamber pressure follows the valve without lag, down to ambient when it is shut",
        "the command is followed exactly at the speed limit",
        "the path behind the valve is a resistance without waves of its own",
        f"{reaches} reaches, time step {1e6 * time_step(of.pipe, reaches):.3g} us",
    ]
    return tuple(lines)


def _with_cautions(result: SurgeResult, length: float) -> SurgeResult:
    import dataclasses

    lines = []
    for m in result.movements:
        if m.peak > result.pressure_limit:
            lines.append(
                f"{m.name}: {m.peak / 1e5:.2f} bar abs before the valve, above the limit of "
                f"{result.pressure_limit / 1e5:.2f}"
            )
        if m.cavity > 0.0:
            lines.append(
                f"{m.name}: the line falls to vapour pressure and the column parts; its collapse can exceed any figure "
                "here, and in oxygen or a monopropellant it can ignite"
            )
        if m.grid_error > 0.02 * max(abs(m.rise), 0.01 * m.peak):
            lines.append(f"{m.name}: the peak still moves by {m.grid_error / 1e5:.2g} bar when the reaches are doubled")
    if result.joukowsky + result.static_pressure > result.pressure_limit:
        lines.append(
            f"a valve that slams (broken coupler, lost drive, a solenoid or burst disc in this line) within "
            f"{1e3 * result.reflection:.2g} ms gives {(result.static_pressure + result.joukowsky) / 1e5:.0f} bar abs, more if "
            "the column parts and rejoins, whatever the command speed: choose line, fittings and sensors for it or make "
            "it impossible"
        )
    lines.append(
        f"priming an empty line of {length:.3g} m is another event: the front runs faster than the flow in service and "
        "stops dead at the shut valve; fill slowly, through a bleed, and wait"
    )
    return dataclasses.replace(result, cautions=tuple(lines))
