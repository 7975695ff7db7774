"""The compiled stem behind a rotor that moves as a sine: gears with their gap, stem friction that sticks, load inertia.

The laws and their order are those of ``kernel_servo.mechanics``; only the rotor's motion is given instead of worked out.
"""

from __future__ import annotations

import math
from typing import Any

from valvectl.parts.friction import stick_or_slip, stribeck
from valvectl.parts.gearing import spring_torque
from valvectl.plant.kernel_base import FAST, laws

__all__ = ["FAST", "driven_stem"]

laws(stick_or_slip, stribeck, spring_torque)


def driven_stem(
    amplitude: float, omega: float, steps: int, periods: int, inertia: float, spring: float, damping: float,
    half_gap: float, breakaway: float, running: float, stribeck_speed: float, load: float, mesh_mean: float,
    mesh_loss: float, motor_friction: float, out: Any,
) -> None:  # fmt: skip
    """Run ``periods`` periods of ``steps`` steps and fill ``out`` (6,) from the last one.

    Rotor angle over the ratio is ``amplitude`` sin(``omega`` t) [rad], [rad/s]; ``inertia`` [kg m^2], ``spring`` [N m/rad],
    ``damping`` [N m s/rad], ``half_gap`` [rad], friction levels [N m] and ``stribeck_speed`` [rad/s] of the stem, ``load``
    [N m] towards shut, mesh factors and ``motor_friction`` [N m] at the shaft. ``out``: in-phase and leading part of the
    stem's first harmonic [rad], of its third [rad], of the torque that the shaft feels [N m].
    """
    h = 2.0 * math.pi / (omega * steps)
    over = h / inertia
    angle, speed = 0.0, 0.0
    for j in range(6):
        out[j] = 0.0
    for tick in range(steps * periods):
        phase = 2.0 * math.pi * (tick % steps) / steps
        rotor, rate = amplitude * math.sin(phase), amplitude * omega * math.cos(phase - 0.5 * omega * h)
        torque = spring_torque(rotor - angle, rate - speed, spring, damping, half_gap)
        level = stribeck(speed, breakaway, running, stribeck_speed)
        if tick >= steps * (periods - 1):
            shaft = mesh_mean * torque
            dry = motor_friction + mesh_loss * abs(torque)
            moving = math.cos(phase)
            shaft += dry if moving > 0.0 else -dry
            out[0] += angle * math.sin(phase)
            out[1] += angle * math.cos(phase)
            out[2] += angle * math.sin(3.0 * phase)
            out[3] += angle * math.cos(3.0 * phase)
            out[4] += shaft * math.sin(phase)
            out[5] += shaft * math.cos(phase)
        speed = stick_or_slip(speed + over * (torque - load), level, over)
        angle += h * speed
    for j in range(6):
        out[j] *= 2.0 / steps
