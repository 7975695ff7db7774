"""Stem torque of a design on the valve's grid of openings: a measured table or a maker's numbers, bare of any factor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from valvectl.design.schema import StemTorque
from valvectl.parts import lugre, stem_torque
from valvectl.parts.lookup import FloatArray


@dataclass(frozen=True)
class StemTables:
    """Warm, no pressure, factors that the maker included taken out; arrays [N m] on the grid."""

    running: FloatArray
    breakaway: FloatArray
    running_closing: FloatArray | None
    """None: as opening."""
    breakaway_closing: FloatArray | None
    pressure_slope: float
    """[N m/Pa]"""


def stem_tables(part: StemTorque, grid: FloatArray, closed_stop: float, open_stop: float) -> StemTables:
    """Tables of a valve's torque on a grid of openings [rad]."""
    included = part.includes_factor
    model = part.model
    if model is None:
        angle = part.angle
        assert angle is not None
        assert part.running is not None
        assert part.breakaway is not None

        def on(column: tuple[float, ...]) -> FloatArray:
            return np.asarray(np.interp(grid, angle, column) / included)

        return StemTables(
            running=on(part.running),
            breakaway=on(part.breakaway),
            running_closing=None if part.running_closing is None else on(part.running_closing),
            breakaway_closing=None if part.breakaway_closing is None else on(part.breakaway_closing),
            pressure_slope=part.pressure_slope / included,
        )
    scale = model.multiplier / included
    torque = stem_torque.without_pressure(model.break_to_open, part.pressure_slope, model.pressure)
    close = model.end_to_open * model.rest_factor if model.break_to_close is None else model.break_to_close
    at, *found = stem_torque.columns(
        scale * torque,
        model.run_to_open,
        model.end_to_open,
        close,
        model.run_to_close,
        model.end_to_close,
        model.rest_factor,
        closed_stop,
        open_stop,
        model.seat_zone,
    )
    run_open, break_open, run_close, break_close = (np.interp(grid, at, column) for column in found)
    # The law raises all torques with pressure in proportion to the peak of the table (``friction.pressure_rise``); the
    # maker's slope is that of the break-to-open torque, so that it is scaled where another place is higher.
    peak = float(break_open.max()) / (scale * torque)
    return StemTables(run_open, break_open, run_close, break_close, scale * part.pressure_slope * peak)


def bristles(torque: StemTorque, inertia: float, peak: float) -> tuple[float, float] | None:
    """Bristle stiffness [N m/rad] and damping [N m s/rad] of a valve's stem friction; None when it is to stick truly.

    ``inertia`` of ball and stem [kg m^2], ``peak`` the highest cold breakaway [N m].
    """
    if torque.friction_model != "lugre" or peak <= 0.0:
        return None
    stiffness = torque.bristle_stiffness
    if stiffness is None:
        stiffness = lugre.default_stiffness(peak, torque.presliding_angle)
    damping = torque.bristle_damping
    if damping is None:
        damping = lugre.default_damping(stiffness, inertia)
    return stiffness, damping
