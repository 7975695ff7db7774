"""Rules between keys of a design that need no physics: what must be larger, a multiple of, or inside of what.

Each rule reads its values through ``get`` and says nothing when one of them is missing or wrong in itself.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator
from typing import Any

from valvectl.design.profile_rules import profile_checks
from valvectl.design.quantities import (
    ABSOLUTE_PRESSURE,
    ANGLE,
    FRACTION,
    FREQUENCY,
    LENGTH,
    TEMPERATURE,
    TIME,
    show,
)
from valvectl.design.sampling_rules import sampling_checks
from valvectl.design.schema import LEGS
from valvectl.design.supply_rules import flight_checks, supply_checks, warming_checks
from valvectl.errors import RangeError
from valvectl.parts.liquid import propellant
from valvectl.parts.motor import torque_constant, winding_resistance

Get = Callable[[str], Any]
"""Value [SI] at a dotted key; None when it is not there or wrong."""
Rule = Callable[[Get], Iterator[tuple[str, str]]]

ANGLE_SLACK = 1e-9
"""Angles closer than this count as equal [rad]."""
MULTIPLE_SLACK = 1e-6
"""Relative tolerance within which one period is a whole multiple of another."""
LONGEST_POSITION_PERIOD = 0.02
"""Largest sample period of the position loop [s]. Common practice, no source: a throttle valve's servo has a
closed-loop bandwidth of some 5 to 20 Hz, and a sampled loop wants at least some ten samples a period of that."""
LONGEST_DELAY = 8
"""Longest delay of a loop in sample periods. Common practice, no source: a loop with more is not worth closing."""
NOTCH_SHARE = 0.45
"""Highest centre of a notch over the sample rate; at half of it nothing is left to be cut out."""
LARGEST_LOAD_FACTOR = 20.0
"""Largest acceleration along the line over standard gravity; more is taken for a slip of the pen."""
TEMPERATURES = (10.0, 1000.0)
"""Range for the temperature of a liquid [K]; outside it is taken for a slip of the pen."""


def _delays(get: Get) -> Iterator[tuple[str, str]]:
    step = get("simulation.step")
    for name in ("delay_oxidizer", "delay_fuel"):
        delay = get(f"engine.combustion.{name}")
        if delay is not None and step is not None and delay < step:
            yield f"must not be below simulation.step ({show(step, TIME)})", f"engine.combustion.{name}"


def _shapes(get: Get) -> Iterator[tuple[str, str]]:
    shapes = [get(f"legs.{leg}.controller.command_shape") for leg in LEGS]
    if get("throttle.rate_matched") and None not in shapes and shapes[0] != shapes[1]:
        said = f"(now {shapes[0]} and {shapes[1]})"
        yield f"needs one command_shape in both legs' controllers {said}", "throttle.rate_matched"


def _feed(get: Get, at: str) -> Iterator[tuple[str, str]]:
    tank, chamber = get(f"{at}.tank.pressure"), get("engine.chamber_pressure")
    if tank is not None and chamber is not None and tank <= chamber:
        limit = show(chamber, ABSOLUTE_PRESSURE)
        yield f"must be above engine.chamber_pressure ({limit}), or nothing flows", f"{at}.tank.pressure"
    wall, bore = get(f"{at}.line.wall_thickness"), get(f"{at}.line.inner_diameter")
    if wall is not None and bore is not None and wall > bore:
        yield f"must not be above inner_diameter ({show(bore, LENGTH)})", f"{at}.line.wall_thickness"
    limit_line, height = get(f"{at}.line.pressure_limit"), get(f"{at}.tank.height") or 0.0
    if limit_line is not None and tank is not None and height >= 0.0 and limit_line <= tank:
        least = show(tank, ABSOLUTE_PRESSURE)
        yield f"must be above tank.pressure ({least}), which stands there at rest", f"{at}.line.pressure_limit"
    purge, ambient = get(f"{at}.purge.pressure"), get("engine.ambient_pressure")
    if purge is not None and ambient is not None and purge <= ambient:
        yield f"must be above engine.ambient_pressure ({show(ambient, ABSOLUTE_PRESSURE)})", f"{at}.purge.pressure"
    load = get(f"{at}.tank.load_factor")
    if load is not None and abs(load) > LARGEST_LOAD_FACTOR:
        yield f"must lie between {-LARGEST_LOAD_FACTOR:g} and {LARGEST_LOAD_FACTOR:g}", f"{at}.tank.load_factor"
    temperature = get(f"{at}.liquid.temperature")
    low, high = TEMPERATURES
    if temperature is not None and not low <= temperature <= high:
        yield f"must lie between {show(low, TEMPERATURE)} and {show(high, TEMPERATURE)}", f"{at}.liquid.temperature"


def _water(get: Get, at: str) -> Iterator[tuple[str, str]]:
    name, water = get(f"{at}.liquid.name"), get(f"{at}.liquid.water")
    if isinstance(name, str) and water is not None:
        try:
            propellant(name, water)
        except RangeError as error:
            yield str(error), f"{at}.liquid.water"


def _valve(get: Get, at: str) -> Iterator[tuple[str, str]]:
    closed, opened = get(f"{at}.closed_stop"), get(f"{at}.open_stop")
    if closed is None or opened is None or opened <= closed:
        return
    travel = f"closed_stop to open_stop ({show(closed, ANGLE)} to {show(opened, ANGLE)})"
    flow, torque = get(f"{at}.flow.angle"), get(f"{at}.torque.angle")
    if flow and (flow[0] < closed - ANGLE_SLACK or flow[-1] > opened + ANGLE_SLACK):
        yield f"angles must lie within the travel, {travel}", f"{at}.flow.angle"
    if torque and (torque[0] > closed + ANGLE_SLACK or torque[-1] < opened - ANGLE_SLACK):
        yield f"angles must cover the travel, {travel}", f"{at}.torque.angle"
    zone = get(f"{at}.torque.model.seat_zone")
    if zone is not None and 2.0 * zone >= opened - closed:
        yield f"twice the zone must be less than the travel, {travel}", f"{at}.torque.model.seat_zone"


def _actuator(get: Get, at: str) -> Iterator[tuple[str, str]]:
    hot, limit = get(f"{at}.hot_winding"), get(f"{at}.motor.temperature_limit")
    if hot is not None and limit is not None and hot > limit:
        yield f"must not be above motor.temperature_limit ({show(limit, TEMPERATURE)})", f"{at}.hot_winding"
    yield from _temperatures(get, at)
    for i in range(6):
        running, static = get(f"{at}.gears[{i}].efficiency"), get(f"{at}.gears[{i}].static_efficiency")
        if running is not None and static is not None and static > running:
            yield f"must not be above efficiency ({show(running, FRACTION)})", f"{at}.gears[{i}].static_efficiency"


def _temperatures(get: Get, at: str) -> Iterator[tuple[str, str]]:
    """Straight lines over temperature must not cross zero where the motor is used."""
    places = [get(f"{at}.{key}") for key in ("temperature", "hot_winding", "motor.temperature_limit")]
    known = [t for t in places if t is not None]
    copper, magnets = get(f"{at}.motor.resistance_coefficient"), get(f"{at}.motor.magnet_coefficient")
    for t in (min(known), max(known)) if known else ():
        if copper is not None and winding_resistance(1.0, copper, t) <= 0.0:
            yield (
                f"takes all resistance from the winding at {show(t, TEMPERATURE)}",
                f"{at}.motor.resistance_coefficient",
            )
        if magnets is not None and torque_constant(1.0, magnets, t) <= 0.0:
            yield f"takes all torque from the magnets at {show(t, TEMPERATURE)}", f"{at}.motor.magnet_coefficient"


def _controller(get: Get, leg: str) -> Iterator[tuple[str, str]]:
    at = f"{leg}.controller"
    loops = ("current", "speed", "position")
    period = {loop: get(f"{at}.{loop}_period") for loop in loops}
    for inner, outer in (("current", "speed"), ("speed", "position")):
        short, long = period[inner], period[outer]
        if short and long and not _is_multiple(long, short):
            yield f"must be a whole multiple of {inner}_period ({show(short, TIME)})", f"{at}.{outer}_period"
    for loop in loops:
        delay, limit = get(f"{at}.{loop}_delay"), period[loop]
        if delay is not None and limit and delay > LONGEST_DELAY * limit * (1.0 + 1e-9):
            longest = show(LONGEST_DELAY * limit, TIME)
            yield f"must be at most {LONGEST_DELAY} sample periods ({longest})", f"{at}.{loop}_delay"
    yield from _notch(get, at, period)
    resistance = get(f"{leg}.actuator.motor.resistance")
    inductance = get(f"{leg}.actuator.motor.inductance")
    if period["current"] and resistance and inductance and resistance > 0.0 and inductance > 0.0:
        electrical = inductance / resistance
        if period["current"] > 2.0 * electrical * (1.0 + 1e-9):
            message = (
                "sample period longer than the plant can bear: the electrical time constant L/R of the motor is "
                f"{show(electrical, TIME)}, so the largest period is {show(2.0 * electrical, TIME)}"
            )
            yield message, f"{at}.current_period"
    if period["position"] and period["position"] > LONGEST_POSITION_PERIOD * (1.0 + 1e-9):
        message = (
            "sample period longer than the plant can bear: the largest period of a position loop is "
            f"{show(LONGEST_POSITION_PERIOD, TIME)}"
        )
        yield message, f"{at}.position_period"


def _outer(get: Get) -> Iterator[tuple[str, str]]:
    period = get("outer_loops.period")
    for leg in LEGS:
        inner = get(f"legs.{leg}.controller.position_period")
        if period and inner and not _is_multiple(period, inner):
            at = f"legs.{leg}.controller.position_period"
            yield f"must be a whole multiple of {at} ({show(inner, TIME)})", "outer_loops.period"
            return


def _notch(get: Get, at: str, period: dict[str, Any]) -> Iterator[tuple[str, str]]:
    loop = "speed" if get(f"{at}.structure") == "cascade" else "position"
    centre, width, sample = get(f"{at}.notch_frequency"), get(f"{at}.notch_width"), period[loop]
    if centre and sample:
        most = NOTCH_SHARE / sample / max(1.0, width or 0.0)
        if centre > most * (1.0 + 1e-9):
            why = f"{NOTCH_SHARE:g} of the {loop} loop's sample rate{', notch_width counted in' if (width or 0.0) > 1.0 else ''}"
            yield f"must be at most {show(most, FREQUENCY)}: {why}", f"{at}.notch_frequency"
    tracking = get(f"{at}.tracking_time")
    if tracking is not None and sample and tracking < sample * (1.0 - 1e-9):
        yield f"must not be below {loop}_period ({show(sample, TIME)})", f"{at}.tracking_time"


def _is_multiple(long: float, short: float) -> bool:
    ratio = long / short
    return ratio > 0.5 and math.isfinite(ratio) and abs(ratio - round(ratio)) <= MULTIPLE_SLACK * ratio


def _of_leg(leg: str) -> Iterator[Rule]:
    at = f"legs.{leg}"
    for rule in (_feed, _water, supply_checks, warming_checks):
        yield functools.partial(_placed, rule, at)
    yield functools.partial(_placed, _valve, f"{at}.valve")
    yield functools.partial(_placed, _actuator, f"{at}.actuator")
    for rule in (_controller, sampling_checks):
        yield functools.partial(_placed, rule, at)


def _placed(rule: Callable[[Get, str], Iterator[tuple[str, str]]], at: str, get: Get) -> Iterator[tuple[str, str]]:
    return rule(get, at)


RULES: tuple[Rule, ...] = (
    _delays,
    profile_checks,
    flight_checks,
    _outer,
    _shapes,
    *(rule for leg in LEGS for rule in _of_leg(leg)),
)
"""All rules; each yields a sentence and the dotted key to look at first."""
