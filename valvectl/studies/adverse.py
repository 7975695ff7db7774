"""The machine with every declared tolerance at its adverse bound for one question, all at once.

Each question names the inputs that matter to it and the side that hurts; each is monotone in its inputs, so that the
worst of all combinations within the bounds is the one with every input on its bad side.
"""

from __future__ import annotations

import dataclasses
import re
from typing import Any

from valvectl.design.design_file import DesignFile, Input
from valvectl.design.schema import LEGS
from valvectl.design.tolerances import bounds_of
from valvectl.errors import DesignError
from valvectl.plant.machine import Machine, build
from valvectl.plant.schedule import Schedule, build_schedule

CORNER_POINTS = 9
"""Throttle settings at which an adverse corner is looked at."""

_STEM = (
    r"valve\.torque\.((running|breakaway)(_closing)?|pressure_slope|cold_factor|dwell_factor|"
    r"model\.(break_to_open|run_to_open|end_to_open|break_to_close|run_to_close|end_to_close|rest_factor|seat_zone))$"
)
TORQUE: tuple[tuple[str, int], ...] = (
    (_STEM, +1),
    (r"valve\.torque\.hydrodynamic_coefficient$", +1),
    (r"actuator\.return_spring\.(preload|rate)$", +1),
    (r"motor\.(torque_constant|magnet_coefficient)$", -1),
    (
        r"motor\.(resistance|friction_torque|viscous_friction|cold_friction_factor|resistance_coefficient|rotor_inertia)$",
        +1,
    ),
    (r"valve\.inertia$|gears\[\d+\]\.inertia$", +1),
    (r"gears\[\d+\]\.(static_efficiency|efficiency)$", -1),
    (r"actuator\.(current_limit|duty_limit)$", -1),
    (r"actuator\.(harness_resistance|hot_winding|idle_power)$", +1),
    (r"tank\.pressure$", +1),
    (r"actuator\.return_spring\.(preload|rate)$", +1),
    (r"^battery\.(minimum_voltage|voltage)$", -1),
    (r"^battery\.(resistance|other_loads)$", +1),
)
"""Inputs of the torque margins and the side that lowers them."""
FLOW: tuple[tuple[str, int], ...] = (
    (r"\.(flow|port)\.fl$", -1),
    (r"liquid\.(temperature|vapour_pressure)$", +1),
    (r"tank\.(pressure|height|load_factor)$", +1),
    (r"tank\.droop$", -1),
    (r"injector\.(discharge_coefficient|hole_diameter)$", +1),
    (r"jacket\.(pressure_drop|heat|temperature_rise)$", -1),
)
"""Inputs of choking and the side that brings it nearer: a wide injector and a low jacket drop leave the valve more
pressure to take."""
STIFFNESS: tuple[tuple[str, int], ...] = (
    (r"injector\.(discharge_coefficient|hole_diameter)$", +1),
    (r"liquid\.temperature$", -1),
    (r"liquid\.density$", +1),
    (r"jacket\.(heat|temperature_rise)$", -1),
    (r"combustion\.efficiency$", +1),
)
"""Inputs of injector stiffness at a wanted thrust and the side that softens it: wide orifices, dense (cold) liquid, and a
high c* efficiency, which asks for less flow."""
_DRY = _STEM
_TURNING = r"motor\.(friction_torque|cold_friction_factor|viscous_friction)$"
_MESH = r"gears\[\d+\]\.(efficiency|static_efficiency|backdrive_efficiency)$"
FRICTION_LOW: tuple[tuple[str, int], ...] = ((_DRY, -1), (_TURNING, -1), (_MESH, +1))
"""Inputs of dry friction and the side that makes it small: what a dead valve may be held by at least."""
FRICTION_HIGH: tuple[tuple[str, int], ...] = (
    (_DRY, +1),
    (_TURNING, +1),
    (_MESH, -1),
    (r"actuator\.return_spring\.(preload|rate)$", -1),
    (r"tank\.pressure$", +1),
)
"""The other way round, with a weak return spring: what a dead valve may be held by at most."""

BOILING: tuple[tuple[str, int], ...] = (
    (r"jacket\.(heat|temperature_rise|outlet_vapour_pressure)$", +1),
    (r"jacket\.specific_heat$", -1),
    (r"liquid\.(temperature|vapour_pressure)$", +1),
    (r"injector\.(discharge_coefficient|hole_diameter)$", +1),
    (r"combustion\.efficiency$", +1),
)
"""Inputs of boiling behind a jacket and the side that brings it nearer: more heat, less flow to carry it, a lower pressure
before the injector."""


def adverse_design(design: DesignFile, sides: tuple[tuple[str, int], ...]) -> tuple[DesignFile, tuple[str, ...]]:
    """Design with the toleranced inputs that ``sides`` names moved to their bad side, and the keys that were moved."""
    changes: dict[str, Any] = {}
    for item in design.toleranced():
        for pattern, sign in sides:
            if item.tolerance is not None and re.search(pattern, item.key):
                changes[item.key] = moved_value(item, _slope_sign(design, item.key, sign))
                break
    if not changes:
        return design, ()
    moved = tuple(changes)
    keep_order(design, changes)
    try:
        return design.with_values(changes), moved
    except DesignError as error:  # a tolerance so wide that a bound of it is no design any more
        said = "with the tolerances at their adverse bounds"
        raise DesignError([dataclasses.replace(f, message=f"{said}: {f.message}") for f in error.faults]) from None


def adverse(design: DesignFile, sides: tuple[tuple[str, int], ...]) -> tuple[Machine, tuple[str, ...]]:
    """Machine of ``adverse_design``, and the keys that were moved."""
    changed, moved = adverse_design(design, sides)
    return build(changed), moved


def _slope_sign(design: DesignFile, key: str, sign: int) -> int:
    """A maker's torque stated at more than the tank's pressure is lower at the tank's by slope times the difference: there
    the flat slope hurts."""
    if not key.endswith("valve.torque.pressure_slope"):
        return sign
    leg = design.leg("oxidizer" if key.startswith("legs.oxidizer.") else "fuel")
    model = leg.valve.torque.model
    above = model is not None and model.pressure > leg.tank.pressure - design.engine.ambient_pressure
    return -sign if above else sign


def keep_order(design: DesignFile, changes: dict[str, Any]) -> None:
    """Changes of inputs to bounds that would cross each other, or one, are held there."""
    for name in LEGS:
        order_friction(design, f"legs.{name}.valve.torque", changes)
        for i, gear in enumerate(design.leg(name).actuator.gears):
            running, static = (f"legs.{name}.actuator.gears[{i}].{key}" for key in ("efficiency", "static_efficiency"))
            if running in changes:
                changes[running] = min(changes[running], 1.0)
            if running in changes or static in changes:
                most = changes.get(running, gear.efficiency)
                if changes.get(static, gear.static_efficiency) > most:
                    changes[static] = most


def order_friction(design: DesignFile, at: str, changes: dict[str, Any]) -> None:
    """Running torque moved beyond breakaway is held at it."""
    for way in ("", "_closing"):
        keys = f"{at}.running{way}", f"{at}.breakaway{way}"
        if not any(key in changes for key in keys):
            continue
        running, breakaway = (changes.get(key, design.inputs[key].value) for key in keys)
        changes[keys[0]] = [min(r, b) for r, b in zip(running, breakaway, strict=True)]


def corner_schedule(
    design: DesignFile, sides: tuple[tuple[str, int], ...]
) -> tuple[Machine, Schedule, tuple[str, ...]]:
    """The adverse machine, its steady points over the throttle range, and the keys that were moved.

    Raises ``NoBalanceError`` when a setting has no steady point there.
    """
    machine, moved = adverse(design, sides)
    return machine, build_schedule(machine, CORNER_POINTS, design.throttle.minimum), moved


def moved_value(item: Input, sign: float) -> Any:
    """An input's value [SI] at one of its bounds, +1 the upper, -1 the lower, or a share of the way there; a list as a whole,
    every entry on that side by its own width, FL not above one and a flow coefficient not below zero."""
    assert item.tolerance is not None
    if isinstance(item.value, tuple):
        return list(bounds_of(item.key.rsplit(".", 1)[-1], item.value, item.tolerance, item.relative, sign))
    assert isinstance(item.value, (int, float))
    assert isinstance(item.tolerance, float)
    width = abs(float(item.value)) * item.tolerance if item.relative else item.tolerance
    return float(item.value) + sign * width
