"""Dry friction that truly sticks, with stiction and the Stribeck effect.

Level of friction: running + (breakaway - running) exp(-(w/ws)^2)  (Stribeck curve in the usual Gaussian form, e.g.
Armstrong-Helouvry, Dupont and Canudas de Wit, Automatica 30 (1994)).
Time step: the velocity is first advanced without friction; friction then takes away as much of it as its impulse can,
and no more, so that a body that friction can hold has exactly zero speed (Moreau's time stepping).
"""

from __future__ import annotations

import math


def stribeck(speed: float, breakaway: float, running: float, stribeck_speed: float) -> float:
    """Friction level [N m] at a speed [rad/s]; ``breakaway`` at rest, ``running`` well above ``stribeck_speed``."""
    x = speed / stribeck_speed
    if x * x > 40.0:
        return running
    return faded(breakaway, running, math.exp(-x * x))


def faded(breakaway: float, running: float, share: float) -> float:
    """Friction level [N m] when ``share`` [-] of the stiction is left."""
    return running + (breakaway - running) * share


def half_way_speed(speed: float, free_speed: float, level: float, step_over_inertia: float) -> float:
    """Speed [rad/s] in the middle of a step at whose start the friction level is ``level`` [N m].

    The level at this speed, taken for the whole step, makes breaking loose second order where the Stribeck curve is
    steeper than a step can follow. Arguments as in ``stick_or_slip``.
    """
    return 0.5 * (speed + stick_or_slip(free_speed, level, step_over_inertia))


def stick_or_slip(free_speed: float, level: float, step_over_inertia: float) -> float:
    """Speed [rad/s] after friction: zero when the friction impulse can stop it, else reduced by that impulse.

    ``free_speed`` [rad/s] speed after one step without friction; ``level`` [N m]; ``step_over_inertia`` h/J.
    """
    impulse = level * step_over_inertia
    if free_speed > impulse:
        return free_speed - impulse
    if free_speed < -impulse:
        return free_speed + impulse
    return 0.0


def pressure_rise(relative_slope: float, drop: float) -> float:
    """Factor [-] by which a pressure drop [Pa] raises stem friction; ``relative_slope`` [1/Pa] is the slope of breakaway
    torque over its peak."""
    return 1.0 + relative_slope * max(drop, 0.0)


def stem_friction(table_torque: float, table_peak: float, pressure_slope: float, drop: float, factor: float) -> float:
    """Friction level at the stem [N m]: the table's torque, raised in proportion by the pressure drop.

    At the angle of the table's peak, pressure adds ``pressure_slope`` [N m/Pa] times ``drop`` [Pa]; elsewhere in
    proportion to the table. ``factor`` is the cold (and dwell) factor.
    """
    if table_peak <= 0.0:
        return 0.0
    return factor * table_torque * pressure_rise(pressure_slope / table_peak, drop)


def hydrodynamic_torque(coefficient: float, bore: float, drop: float) -> float:
    """Torque [N m] by which the stream tends to close the ball: Ct d^3 dp; ``bore`` [m], ``drop`` [Pa]."""
    return coefficient * bore * bore * bore * drop
