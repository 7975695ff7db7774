"""Inputs that mend a missed requirement only together: which belong together, and what has to follow when one of them moves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from valvectl.design.design_file import DesignFile

LOWEST = "throttle.minimum"


@dataclass(frozen=True)
class Together:
    """Inputs moved by one factor, each in its own direction; keys with ``{leg}`` for the leg."""

    keys: tuple[tuple[str, bool], ...]
    """Key, and whether it goes up."""


def _pair(*keys: tuple[str, bool]) -> Together:
    return Together(keys)


_RATIO = "legs.{leg}.actuator.gears[-1].ratio"
_LIMIT = "legs.{leg}.actuator.current_limit"
_SPEED = "legs.{leg}.controller.command_speed_limit"
_GAIN = "legs.{leg}.controller.gains.position"
_DELAY = "legs.{leg}.controller.position_delay"
_HOLE = "legs.{leg}.injector.hole_diameter"
_TANK = "legs.{leg}.tank.pressure"
# The lowest setting is where drops, angles and flows are least; the corners of the profile below it come along (``followers``).
_HIGHER = _pair((LOWEST, True))
# What the injector takes more, the tank has to give, and the other way round.
_STIFFER, _SOFTER = _pair((_HOLE, False), (_TANK, True)), _pair((_TANK, False), (_HOLE, True))
_CALMER = _pair((_GAIN, False), (_DELAY, False))


def _both(key: str, up: bool) -> Together:
    """The same input of both valves, so that they stay alike."""
    return _pair(*((key.format(leg=leg), up) for leg in ("oxidizer", "fuel")))


PAIRS: Mapping[str, tuple[Together, ...]] = {
    "mixture_ratio_steady": (_HIGHER,),
    "mixture_ratio_transient": (_both(_GAIN, True), _both(_SPEED, False)),
    "mixture_ratio_settling": (_both(_GAIN, True),),
    "flow_resolution": (_HIGHER,),
    "flow_dead_band": (_HIGHER,),
    "valve_travel": (_HIGHER,),
    "cavitation": (_SOFTER, _HIGHER),
    "injector_stiffness": (_STIFFER, _HIGHER),
    "boiling_margin": (_STIFFER, _HIGHER),
    "chug_margin": (_STIFFER, _HIGHER),
    "torque_margin": (_pair((_RATIO, True), (_LIMIT, True)),),
    "torque_dynamic": (_pair((_RATIO, True), (_LIMIT, True)),),
    "stroke_time": (_pair((_SPEED, True), (_LIMIT, True)),),
    "gain_margin": (_CALMER,),
    "phase_margin": (_CALMER,),
    "peak_sensitivity": (_CALMER,),
    "step_overshoot": (_pair((_GAIN, False), (_SPEED, False)),),
    "step_settling": (_pair((_GAIN, True), (_SPEED, True)),),
    "tracking_mismatch": (_both(_GAIN, True),),
    "limit_cycle": (_pair((_GAIN, False), ("legs.{leg}.controller.hold_band", True)),),
    "bus_voltage": (_both(_LIMIT, False),),
    "motor_speed": (_pair((_RATIO, False), (_SPEED, False)),),
    "gear_torque": (_pair((_LIMIT, False), (_RATIO, False)),),
    "motor_heating": (_pair((_RATIO, True), ("legs.{leg}.actuator.motor.thermal_resistance", False)),),
}
"""What is tried together for each requirement where nothing suffices alone."""


def followers(design: DesignFile, changes: Mapping[str, Any]) -> dict[str, float]:
    """What has to move with ``changes`` (dotted key to SI value) so that the design stays valid: the corners of the throttle
    profile that lie below a higher ``throttle.minimum`` are lifted to it."""
    lowest = changes.get(LOWEST)
    if lowest is None:
        return {}
    corners = enumerate(design.throttle.profile)
    return {f"throttle.profile[{i}].throttle": float(lowest) for i, c in corners if c.throttle < lowest}
