"""Figures of surge and start: pressure before the valve, closing law, masses before ignition. They draw, no physics."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.design.schema import LEGS
from valvectl.review.figure_style import (
    INK,
    LEG_COLOUR,
    LEG_LINE,
    LIMIT,
    NEUTRAL,
    QUIET,
    given_or_new,
    limit_line,
    one_axes,
    styled,
    thinned,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.fill import FillResult
    from valvectl.studies.surge import SurgeResult


@styled
def surge_chart(result: SurgeResult, axes: Any = None) -> Figure:
    """Pressure before the valve and ball angle over time, one line a movement. Needs 2 axes."""
    figure, (pressure, angle) = given_or_new(axes, 2, 7.2, 5.2, sharex=True, gridspec_kw={"height_ratios": [1.6, 1.0]})
    shown = [result.pressure_limit, result.static_pressure]
    for j, move in enumerate(result.movements):
        colour = NEUTRAL[j % len(NEUTRAL)]
        time, values, stem = thinned(1e3 * move.time, move.pressure / 1e5, np.degrees(move.angle))
        pressure.plot(time, values, color=colour, linewidth=1.3, label=f"{move.name}: {move.peak / 1e5:.2f} bar abs")
        angle.plot(time, stem, color=colour, linewidth=1.3)
        shown += [move.peak, float(np.min(move.pressure))]
    low, high = min(shown) / 1e5, max(shown) / 1e5
    pressure.set_ylim(low - 0.06 * (high - low), high + 0.12 * (high - low))
    limit_line(pressure, result.pressure_limit / 1e5, f"limit {result.pressure_limit / 1e5:.4g} bar abs")
    pressure.axhline(result.static_pressure / 1e5, color=QUIET, linewidth=0.8, linestyle=":")
    pressure.set_ylabel("before the valve [bar abs]")
    pressure.set_title(
        f"{result.leg} line, valve moving at {np.degrees(result.speed_limit):.0f} deg/s (dotted: at rest)",
        color=LEG_COLOUR[result.leg],
    )
    pressure.legend(loc="upper right", bbox_to_anchor=(1.0, 0.9))
    angle.set_ylabel("ball angle [deg]")
    angle.set_xlabel("time [ms]")
    return figure


@styled
def closing_chart(result: SurgeResult, axes: Any = None) -> Figure:
    """Closing law of least surge: angle, and pressure before the valve with it. Needs 2 axes."""
    figure, (angle, pressure) = given_or_new(axes, 2, 7.2, 4.8, sharex=True)
    law = result.law
    if law is None:
        angle.set_title(f"{result.leg} leg: {result.law_note}", color=LEG_COLOUR[result.leg])
        angle.set_ylabel("ball angle [deg]")
        pressure.set_ylabel("before the valve [bar abs]")
        pressure.set_xlabel("time [ms]")
        return figure
    colour = LEG_COLOUR[result.leg]
    ends = np.degrees([float(law.angle[0]), float(law.angle[-1])])
    angle.plot([0.0, 1e3 * law.duration], ends, color=INK, linewidth=1.0, linestyle=(0, (5, 2)), label="constant speed")
    angle.plot(1e3 * law.time, np.degrees(law.angle), color=colour, linewidth=2.0, label="least surge")
    angle.set_ylabel("ball angle [deg]")
    angle.set_title(
        f"{result.leg} leg: closing from full thrust in {1e3 * law.duration:.0f} ms with least surge", color=colour
    )
    angle.legend(loc="upper right")
    time, values = thinned(1e3 * law.constant.time, law.constant.valve_pressure / 1e5)
    pressure.plot(
        time,
        values,
        color=INK,
        linewidth=1.0,
        linestyle=(0, (5, 2)),
        label=f"constant speed: peak {law.constant_speed_peak / 1e5:.2f} bar abs",
    )
    time, values = thinned(1e3 * law.run.time, law.run.valve_pressure / 1e5)
    pressure.plot(time, values, color=colour, linewidth=2.0, label=f"least surge: peak {law.peak / 1e5:.2f} bar abs")
    pressure.axhline(
        result.static_pressure / 1e5,
        color=QUIET,
        linewidth=0.9,
        linestyle=":",
        label=f"at rest: {result.static_pressure / 1e5:.2f} bar abs",
    )
    pressure.legend(loc="lower right")
    pressure.set_ylabel("before the valve [bar abs]")
    pressure.set_xlabel("time [ms]")
    return figure


@styled
def fill_chart(result: FillResult, ax: Axes | None = None) -> Axes:
    """Mass in the unlit chamber over the engine's clock, both legs, with their scatter at ignition."""
    ax = one_axes(ax, height=3.8)
    first = 1e3 * min(leg.arrival for leg in result.legs.values())
    span = max(1e3 * result.ignition - first, 1.0)
    left, right = first - 0.5 * span, 1e3 * result.ignition + 0.8 * span
    top = 1.0
    for name, side in zip(LEGS, (-1.0, 1.0), strict=True):
        leg = result.legs[name]
        command = leg.arrival - leg.full
        clock = 1e3 * (leg.time + command)
        upto = np.append(clock[clock <= right], right)
        mass = np.interp(upto, clock, 1e3 * leg.injected)
        lit = upto <= 1e3 * result.ignition
        before = np.append(upto[lit], 1e3 * result.ignition)
        ax.plot(
            before,
            np.interp(before, upto, mass),
            color=LEG_COLOUR[name],
            linestyle=LEG_LINE[name],
            linewidth=2.0,
            label=f"{name}: {1e3 * leg.mass:.1f} g at ignition ({1e3 * leg.mass_low:.1f} to {1e3 * leg.mass_high:.1f})",
        )
        late = np.insert(upto[~lit], 0, 1e3 * result.ignition)
        ax.plot(late, np.interp(late, upto, mass), color=LEG_COLOUR[name], linewidth=0.8, linestyle=":")
        ax.errorbar(
            [1e3 * result.ignition + side * 0.02 * span],  # apart, so that both can be read
            [1e3 * leg.mass],
            yerr=[[1e3 * max(leg.mass - leg.mass_low, 0.0)], [1e3 * max(leg.mass_high - leg.mass, 0.0)]],
            color=LEG_COLOUR[name],
            capsize=3.0,
            linewidth=1.2,
        )
        top = max(top, 1e3 * leg.mass_high, float(mass[-1]))
    ax.axvline(1e3 * result.ignition, color=LIMIT, linewidth=0.9, linestyle=(0, (7, 2, 1.5, 2)))
    ax.annotate(
        "ignition ",
        (1e3 * result.ignition, 1.02 * top),
        ha="right",
        va="center",
        color=LIMIT,
        fontsize=8.0,
    )
    ax.annotate(
        " dotted: if ignition comes late",
        (1e3 * result.ignition, 1.02 * top),
        ha="left",
        va="center",
        color=QUIET,
        fontsize=8.0,
    )
    ax.set_xlim(left, right)
    ax.set_ylim(0.0, 1.1 * top)
    ax.set_xlabel("time from the oxidizer command [ms]")
    ax.set_ylabel("propellant in the unlit chamber [g]")
    ax.set_title(f"Start to {100 * result.throttle:.0f} % throttle (bars: two standard deviations of timing)")
    ax.legend(loc="upper left")
    return ax
