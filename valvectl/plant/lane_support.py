"""What the simulator in lanes does not simulate; a machine that has it is refused, so that a study runs it one by one."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.errors import RangeError
from valvectl.parts.controller import CascadeGains
from valvectl.plant.machine import Machine

NOT_IN_LANES: dict[str, str] = {
    "controller.structure": "another structure than the cascade",
    "controller.anti_windup": "another anti-windup than standing still at the limit",
    "controller.integral_dead_zone": "a dead zone of the speed loop",
    "controller.feedforward_acceleration or feedforward_friction": "acceleration or friction fed forward",
    "controller.notch_frequency": "a notch",
    "controller.speed_from": "an observer of the speed",
    "controller.stem_trim": "a trim from the stem's own encoder",
    "controller.position_jitter, speed_jitter or current_jitter": "jitter of the loops",
    "actuator encoders' lag or controller.current_sensor_lag": "a lag of a sensor",
    "valve.torque.friction_model": "bristle friction",
}
"""Part of a leg that the lanes do not simulate, and its words; the one list of what they can not do."""


def unsupported(machine: Machine, gains: Mapping[LegName, CascadeGains]) -> list[str]:
    """What the machine has of ``NOT_IN_LANES``, each with its leg and key; empty: the lanes can run it."""
    found = []
    for name in LEGS:
        leg, servo = machine.legs[name], machine.legs[name].servo
        more = servo.more
        lags = (
            servo.position_sensor_lag,
            servo.speed_sensor_lag,
            servo.current_sensor_lag,
            servo.trim_sensor_lag,
        )
        has = {
            "controller.structure": more.structure > 0.5 or gains[name].outer is not None,
            "controller.anti_windup": more.anti_windup > 0.5,
            "controller.integral_dead_zone": more.dead_zone != 0.0,
            "controller.feedforward_acceleration or feedforward_friction": bool(more.fed_forward),
            "controller.notch_frequency": more.notch_frequency > 0.0,
            "controller.speed_from": servo.observer_bandwidth > 0.0,
            "controller.stem_trim": servo.trim_gain != 0.0,
            "controller.position_jitter, speed_jitter or current_jitter": max(
                servo.position_jitter, servo.speed_jitter, servo.current_jitter
            )
            > 0.0,
            "actuator encoders' lag or controller.current_sensor_lag": max(lags) > 0.0,
            "valve.torque.friction_model": leg.bristles is not None and bool(np.any(np.asarray(leg.bristles))),
        }
        found += [f"legs.{name}.{key}: {NOT_IN_LANES[key]}" for key, yes in has.items() if yes]
    return found


def refuse(machine: Machine, gains: Mapping[LegName, CascadeGains]) -> None:
    """Raise ``RangeError`` that names all a machine has and the lanes do not simulate."""
    found = unsupported(machine, gains)
    if found:
        raise RangeError("the simulator in lanes does not have " + "; ".join(found))
