"""The machine with every declared tolerance at its adverse bound for one question, all at once.

Each question names the inputs that matter to it and the side that hurts; each is monotone in its inputs, so that the
worst of all combinations within the bounds is the one with every input on its bad side.
"""

from __future__ import annotations

import re
from typing import Any

from valvectl.design.design_file import DesignFile
from valvectl.plant.machine import Machine, build

TORQUE: tuple[tuple[str, int], ...] = (
    (r"valve\.torque\.(running|breakaway|pressure_slope|cold_factor|dwell_factor)$", +1),
    (r"motor\.(torque_constant|magnet_coefficient)$", -1),
    (r"motor\.(resistance|friction_torque|cold_friction_factor|resistance_coefficient)$", +1),
    (r"gears\[\d+\]\.(static_efficiency|efficiency)$", -1),
    (r"actuator\.(current_limit|duty_limit)$", -1),
    (r"actuator\.(harness_resistance|hot_winding|idle_power)$", +1),
    (r"tank\.pressure$", +1),
    (r"^battery\.(minimum_voltage|voltage)$", -1),
    (r"^battery\.(resistance|other_loads)$", +1),
)
"""Inputs of the static torque margin and the side that lowers it."""
FLOW: tuple[tuple[str, int], ...] = (
    (r"\.(flow|port)\.fl$", -1),
    (r"liquid\.(temperature|vapour_pressure)$", +1),
    (r"tank\.(pressure|height|load_factor)$", +1),
    (r"tank\.droop$", -1),
    (r"injector\.(discharge_coefficient|hole_diameter)$", +1),
    (r"jacket\.pressure_drop$", -1),
)
"""Inputs of choking and the side that brings it nearer: a wide injector and a low jacket drop leave the valve more
pressure to take."""
STIFFNESS: tuple[tuple[str, int], ...] = (
    (r"injector\.(discharge_coefficient|hole_diameter)$", +1),
    (r"liquid\.temperature$", -1),
    (r"liquid\.density$", +1),
    (r"combustion\.efficiency$", +1),
)
"""Inputs of injector stiffness at a wanted thrust and the side that softens it: wide orifices, dense (cold) liquid, and a
high c* efficiency, which asks for less flow."""


def adverse(design: DesignFile, sides: tuple[tuple[str, int], ...]) -> tuple[Machine, tuple[str, ...]]:
    """Machine with the toleranced inputs that ``sides`` names moved to their bad side, and the keys that were moved."""
    changes: dict[str, Any] = {}
    for item in design.toleranced():
        for pattern, sign in sides:
            if item.tolerance is not None and re.search(pattern, item.key):
                changes[item.key] = _moved(item.value, item.tolerance, item.relative, sign, item.key)
                break
    if not changes:
        return build(design), ()
    return build(design.with_values(changes)), tuple(changes)


def _moved(value: Any, tolerance: float, relative: bool, sign: int, key: str) -> Any:
    if isinstance(value, (list, tuple)):
        moved = [float(v) * (1.0 + sign * tolerance) for v in value]
        return [min(v, 1.0) for v in moved] if key.endswith(".fl") else moved
    width = abs(float(value)) * tolerance if relative else tolerance
    return float(value) + sign * width
