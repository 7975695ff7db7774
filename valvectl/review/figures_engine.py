"""Figures of the whole engine: throttle run, pressure ladder, tolerances. They draw, no physics."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.review.figure_style import (
    ALLOWED,
    INK,
    LEG_COLOUR,
    LEG_LINE,
    LIMIT,
    NEUTRAL,
    QUIET,
    end_labels,
    given_or_new,
    limit_line,
    one_axes,
    styled,
    thinned,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.ladder import LadderResult
    from valvectl.studies.spread import SpreadResult
    from valvectl.studies.throttle import ThrottleResult

MOST_INPUTS = 14
"""Inputs shown in the chart of tolerances, largest first."""
MOST_SETTINGS = 3
"""Throttle settings marked in that chart; of more, the lowest, the middle one and the highest."""
LEAST_INPUT = 1e-5
"""Relative change of O/F below which an input is left out of that chart."""


def _leg_style(name: LegName, **more: Any) -> dict[str, Any]:
    return {"color": LEG_COLOUR[name], "linestyle": LEG_LINE[name], **more}


@styled
def throttle_chart(result: ThrottleResult, axes: Any = None, *, transient: float | None = None) -> Figure:
    """The simulated throttle profile: thrust, O/F error, ball angles, currents with bus voltage. Needs 4 axes.

    ``transient`` is the error of O/F allowed while throttling [-].
    """
    figure, (thrust, error, angle, current) = given_or_new(
        axes, 4, 7.2, 8.2, sharex=True, gridspec_kw={"height_ratios": [1.0, 1.25, 1.25, 1.15]}
    )
    t = result.time
    thrust.plot(*thinned(t, 100.0 * result.throttle), color=QUIET, linewidth=2.4, alpha=0.6, label="throttle commanded")
    thrust.plot(*thinned(t, 100.0 * result.thrust), color=INK, linewidth=1.1, label="thrust")
    thrust.set_ylim(0.0, 112.0)
    thrust.legend(loc="lower right", ncols=2)
    thrust.set_ylabel("of full thrust [%]")
    thrust.set_title("Throttle profile, simulated")

    band = 100.0 * result.band
    wide = max(band, 0.0 if transient is None else 100.0 * transient)
    error.plot(*thinned(t, 100.0 * result.ratio_error), color=INK, linewidth=1.0)
    error.axhspan(-band, band, color=ALLOWED, zorder=0)
    reach = 1.3 * max(wide, 100.0 * result.peak_error)
    error.set_ylim(-reach, reach)
    if transient is not None:
        limit_line(error, 100.0 * transient, f"while throttling ±{100.0 * transient:.3g} %")
        error.axhline(-100.0 * transient, color=LIMIT, linewidth=0.9, linestyle=(0, (7, 2, 1.5, 2)))
    error.annotate(
        f"settling band ±{band:.3g} %", (0.995, band), xycoords=error.get_yaxis_transform(), xytext=(0, 2.5),
        textcoords="offset points", ha="right", va="bottom", fontsize=8.0, color="#3f6b45",
    )  # fmt: skip
    worst = result.worst_change
    if worst is not None:
        peak = 100.0 * worst.peak_error
        error.plot([worst.peak_time], [peak], "o", color=LIMIT, markersize=4.5)
        error.annotate(
            f"{peak:+.2g} % at {worst.peak_time:.2f} s",
            (worst.peak_time, peak),
            xytext=(6, 5 if peak > 0.0 else -5),
            textcoords="offset points",
            va="bottom" if peak > 0.0 else "top",
            fontsize=8.0,
            color=LIMIT,
        )
    error.set_ylabel("O/F error [%]")
    error.set_title(f"Mixture ratio against the wanted {result.wanted_ratio:.3g}")

    ends: list[tuple[float, str, Any]] = []
    currents: list[Any] = []
    for name in LEGS:
        leg = result.trace.legs[name]
        command, ball = np.degrees(leg.command), np.degrees(leg.ball)
        tt, cc, bb = thinned(t, command, ball)
        angle.plot(tt, cc, color=QUIET, linewidth=2.4, alpha=0.5)
        angle.plot(tt, bb, **_leg_style(name, linewidth=1.2))
        ends.append((float(ball[-1]), name, LEG_COLOUR[name]))
        # Solid: dashes in a dense trace read as noise.
        currents += current.plot(*thinned(t, leg.current), color=LEG_COLOUR[name], linewidth=0.6, alpha=0.85)
    angle.margins(y=0.08)
    angle.set_ylim(*angle.get_ylim())
    end_labels(angle, ends)
    angle.set_ylabel("opening [deg]")
    angle.set_title("Balls (colour) and their commands (grey)")
    least, most = current.get_ylim()
    current.set_ylim(least, most + 0.55 * (most - least))
    legend = current.legend(currents, ["oxidizer", "fuel"], loc="lower right", ncols=2)
    for handle in legend.get_lines():
        handle.set(linewidth=1.8, alpha=1.0)
    current.set_ylabel("motor current [A]")
    current.set_xlabel("time [s]")
    current.set_title("Motor currents (colour), bus voltage (grey, right)")
    bus = current.twinx()
    bus.plot(*thinned(t, result.trace.bus_voltage), color=QUIET, linewidth=0.9)
    bus.set_ylabel("bus [V]", color=QUIET)
    bus.grid(False)
    volts = result.trace.bus_voltage
    low, high = float(np.min(volts)), float(np.max(volts))
    room = max(high - low, 0.02 * high)
    bus.set_ylim(low - 2.6 * room, high + 0.25 * room)  # in the upper part, clear of the currents
    bus.set_yticks([round(low, 1), round(high, 1)] if high - low > 0.6 * room else [round(high, 1)])
    current.set_xlim(float(t[0]), float(t[-1]))
    return figure


@styled
def ladder_chart(
    result: LadderResult, axes: Any = None, *, cavitation: float | None = None, stiffness: float | None = None
) -> Figure:
    """Pressures station by station over the throttle range, each leg, and how near valves choke. Needs 4 axes.

    ``cavitation`` is the largest drop over choking drop wanted [-], ``stiffness`` the least injector drop over chamber
    pressure [-].
    """
    if axes is None:
        from matplotlib.figure import Figure as New

        figure = New(figsize=(7.2, 6.2))
        grid = figure.subplots(2, 2, sharex=True, gridspec_kw={"height_ratios": [1.35, 1.0]})
        grid[0, 1].sharey(grid[0, 0])
        panels = list(grid.ravel())
    else:
        figure, panels = given_or_new(axes, 4, 7.2, 6.2)
    percent = 100.0 * result.throttle
    stations = ("tank", "valve_inlet", "valve_outlet", "manifold")
    names = {"tank": "tank", "valve_inlet": "valve inlet", "valve_outlet": "valve outlet", "manifold": "manifold"}
    chamber = result.chamber_pressure / 1e5
    highest = max(float(np.max(leg.tank)) for leg in result.legs.values()) / 1e5
    for ax, name in zip(panels[:2], LEGS, strict=True):
        leg = result.legs[name]
        colour = LEG_COLOUR[name]
        ends: list[tuple[float, str, Any]] = []
        ax.fill_between(percent, leg.valve_outlet / 1e5, leg.valve_inlet / 1e5, color=colour, alpha=0.14)
        ax.fill_between(percent, chamber, leg.manifold / 1e5, color=QUIET, alpha=0.14)
        for j, station in enumerate(stations):
            pressure = getattr(leg, station) / 1e5
            ax.plot(percent, pressure, color=colour, linewidth=1.5 if j else 1.0)
            ends.append((float(pressure[-1]), names[station], colour))
        ax.plot(percent, chamber, color=INK, linewidth=1.6)
        ends.append((float(chamber[-1]), "chamber", INK))
        ax.set_ylim(0.0, 1.08 * highest)
        end_labels(ax, ends, size=8.0)
        ax.set_title(f"{name} leg")
    panels[0].set_ylabel("pressure [bar abs]")
    drop, injector = panels[2], panels[3]
    values = [] if cavitation is None else [cavitation]
    for name in LEGS:
        leg = result.legs[name]
        drop.plot(percent, leg.choking, **_leg_style(name, label=name))
        injector.plot(percent, leg.stiffness, **_leg_style(name, label=name))
        values.append(float(np.max(leg.choking)))
    drop.set_ylim(0.0, 1.25 * max(values))
    least = 0.0 if stiffness is None else stiffness
    injector.set_ylim(0.0, 1.3 * max(least, *(float(np.max(leg.stiffness)) for leg in result.legs.values())))
    if cavitation is not None:
        drop.axhspan(0.0, cavitation, color=ALLOWED, zorder=0)
        limit_line(drop, cavitation, f"limit {cavitation:.3g}", at=0.02)
    if stiffness is not None:
        injector.axhspan(stiffness, injector.get_ylim()[1], color=ALLOWED, zorder=0)
        limit_line(injector, stiffness, f"limit {stiffness:.3g}", at=0.02, above=False)
    drop.set_title("Valve drop over choking drop")
    injector.set_title("Injector drop over chamber pressure")
    drop.set_ylabel("ratio [-]")
    drop.legend(loc="lower right", ncols=2)
    for ax in (drop, injector):
        ax.set_xlabel("throttle [% of full thrust]")
        ax.set_xlim(float(percent.min()), float(percent.max()))
    return figure


@styled
def spread_chart(result: SpreadResult, ax: Axes | None = None) -> Axes:
    """Change of O/F by each toleranced input at its bound, largest first; marks at up to three throttle settings."""
    shown = [c for c in result.contributions if float(np.max(c.ratio_change)) > LEAST_INPUT][:MOST_INPUTS]
    rows = len(shown) + 2
    ax = one_axes(ax, 7.2, 1.2 + 0.25 * rows)
    names = ["sum of all bounds", "spread, two standard uncertainties", *(c.key.removeprefix("legs.") for c in shown)]
    table = [result.worst_case, result.spread, *(c.ratio_change for c in shown)]
    marks = ("o", "s", "D")
    place = np.arange(rows)[::-1].astype(float)
    for y, values in zip(place, table, strict=True):
        ax.plot([0.0, 100.0 * float(np.max(values))], [y, y], color="#d4d7dc", linewidth=3.0, solid_capstyle="butt")
    n = result.throttle.size
    settings = range(n) if n <= MOST_SETTINGS else (0, n // 2, n - 1)
    for k, j in enumerate(settings):
        setting = result.throttle[j]
        ax.plot(
            [100.0 * float(v[j]) for v in table],
            place,
            marks[k],
            color=NEUTRAL[k],
            markersize=5.0,
            markeredgecolor="#ffffff",
            markeredgewidth=0.6,
            label=f"at {100.0 * float(setting):.0f} % throttle",
        )
    ax.axhline(place[1] - 0.5, color=QUIET, linewidth=0.7)
    ax.set_yticks(place, names)
    ax.set_ylim(-0.7, rows - 0.3)
    ax.set_xlim(0.0, 1.08 * 100.0 * max(float(np.max(v)) for v in table) or 1.0)
    ax.grid(False, axis="y")
    ax.legend(loc="lower right")
    ax.set_xlabel("change of O/F at the input's bound [%]")
    ax.set_title("Tolerances and mixture ratio, valves held")
    return ax
