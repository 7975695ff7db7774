"""Figures of the study of ports: Kv and angle of the ports worth a look, distance from choking. They draw, no physics."""

from __future__ import annotations

import math
from collections.abc import Mapping
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
    plain_numbers,
    styled,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.port_result import PortsResult

MOST_PORTS = 6
"""Ports drawn, in the order of the shortlist."""


def _role(result: PortsResult, index: int) -> str:
    roles = []
    if index == result.recommended:
        roles.append("recommended")
    elif index == result.next_best:
        roles.append("next" if result.recommended is not None else "nearest")
    if index == 0:
        roles.append("the design's")
    return f" ({', '.join(roles)})" if roles else ""


@styled
def ports_chart(result: PortsResult, axes: Any = None) -> Figure:
    """Kv against angle with what is needed, and angle against throttle with the travel limits. Needs 2 axes.

    Thick: the port recommended; black: the design's own.
    """
    figure, (curve, travel) = given_or_new(axes, 2, 7.2, 7.0, gridspec_kw={"height_ratios": [1.15, 1.0]})
    need = result.need
    least, most = float(np.min(need.kv)), float(np.max(need.kv))
    closed, opened = (math.degrees(a) for a in result.stops)
    spare = math.degrees(result.travel_limit)
    percent = 100.0 * need.throttle
    curve.axhspan(least, most, color=ALLOWED, zorder=0)
    ends: list[tuple[float, str, Any]] = []
    for place, j in enumerate(result.shortlist()[:MOST_PORTS]):
        port = result.candidates[j]
        colour = INK if j == 0 else NEUTRAL[place % len(NEUTRAL)]
        look: dict[str, Any] = {
            "color": colour,
            "linewidth": 2.4 if j == result.recommended else 1.2,
            "linestyle": "-" if j in (0, result.recommended) else (0, (5.0, 1.6)),
        }
        angle = np.degrees(port.angle)
        shown = port.curve_kv > 0.02 * least
        curve.plot(
            np.degrees(port.curve_angle[shown]), port.curve_kv[shown], label=port.label + _role(result, j), **look
        )
        used = np.isfinite(angle)
        if bool(np.any(used)):
            picked = np.flatnonzero(used)[[0, -1]]
            curve.plot(angle[picked], port.kv[picked], "o", color=colour, markersize=4.5)
        travel.plot(percent, angle, **look)
        if math.isfinite(angle[-1]):
            ends.append((float(angle[-1]), port.label, colour))
    curve.set_yscale("log")
    curve.set_ylim(0.25 * least, 12.0 * most)
    plain_numbers(curve.yaxis)
    curve.set_xlim(closed, opened)
    curve.annotate(
        f"Kv needed, {percent[0]:.0f} to {percent[-1]:.0f} % throttle", (0.985, least), xycoords=curve.get_yaxis_transform(),
        xytext=(0, 3), textcoords="offset points", ha="right", va="bottom", fontsize=8.0, color="#3f6b45",
    )  # fmt: skip
    curve.legend(loc="upper left", fontsize=8.0)
    curve.set_xlabel("opening [deg]")
    curve.set_ylabel("Kv [m³/h at 1 bar]")
    curve.set_title(f"{result.leg} leg: ports; dots at lowest and full throttle", color=LEG_COLOUR[result.leg])
    shut = max(math.degrees(result.candidates[result.recommended or 0].shut), closed)
    travel.set_ylim(closed, opened)
    travel.set_xlim(float(percent.min()), float(percent.max()))
    travel.axhspan(shut + spare, opened - spare, color=ALLOWED, zorder=0)
    if shut > closed:
        travel.axhspan(closed, shut, color=QUIET, alpha=0.25, zorder=0)
    limit_line(travel, shut + spare, f"{spare:.3g} deg above the end of the dead band", at=0.01)
    limit_line(travel, opened - spare, f"{spare:.3g} deg below the open stop", at=0.01, above=False)
    end_labels(travel, ends, size=8.0)
    travel.set_xlabel("throttle [% of full thrust]")
    travel.set_ylabel("opening [deg]")
    travel.set_title("Opening over the throttle range; travel wanted is tinted")
    return figure


@styled
def installed_chart(result: PortsResult, axes: Any = None) -> Figure:
    """Installed characteristic (flow against opening, chamber at full pressure) of the design's port, the one recommended
    and the next, dots at lowest and full throttle; below their installed gain over the throttle range. Needs 2 axes."""
    figure, (flow, gain) = given_or_new(axes, 2, 7.2, 6.4)
    percent = 100.0 * result.need.throttle
    wanted = 100.0 * result.need.flow / result.need.flow[-1]
    highest = 0.0
    by_label = {c.label: j for j, c in enumerate(result.candidates)}
    for place, curve in enumerate(result.installed):
        j = by_label[curve.label]
        port = result.candidates[j]
        look: dict[str, Any] = {
            "color": INK if j == 0 else NEUTRAL[place % len(NEUTRAL)],
            "linewidth": 2.2 if j == result.recommended else 1.2,
            "linestyle": "-" if j in (0, result.recommended) else (0, (5.0, 1.6)),
        }
        label = port.label + _role(result, j)
        angle = np.degrees(curve.angle)
        at = np.degrees(port.angle)
        full = float(np.interp(at[-1], angle, curve.flow)) if math.isfinite(at[-1]) else 1.0
        flow.plot(angle, 100.0 * curve.flow / full, label=label, **look)
        used = np.isfinite(at)
        # At low throttle the chamber's pressure is lower too, so that less opening passes the flow than this curve says.
        if bool(used[-1]):
            flow.plot(at[-1], 100.0, "o", color=look["color"], markersize=4.5)
        gain.plot(percent, 100.0 * np.radians(port.gain), label=label, **look)
        highest = max(highest, float(np.nanmax(100.0 * np.radians(port.gain))) if bool(np.any(used)) else 0.0)
    closed, opened = (math.degrees(a) for a in result.stops)
    flow.set_xlim(closed, opened)
    flow.set_ylim(0.0, None)
    flow.axhspan(float(wanted.min()), 100.0, color=ALLOWED, zorder=0)
    flow.annotate(
        f"flow needed, {percent[0]:.0f} to {percent[-1]:.0f} % throttle", (0.985, float(wanted.min())),
        xycoords=flow.get_yaxis_transform(), xytext=(0, 3), textcoords="offset points", ha="right", va="bottom",
        fontsize=8.0, color="#3f6b45",
    )  # fmt: skip
    flow.legend(loc="upper left", fontsize=8.0)
    flow.set_xlabel("opening [deg]")
    flow.set_ylabel("flow [% of full flow]")
    flow.set_title(
        f"{result.leg} leg: flow at full chamber pressure; authority {float(result.need.authority[-1]):.2f} at full thrust",
        color=LEG_COLOUR[result.leg],
    )
    gain.set_xlim(float(percent.min()), float(percent.max()))
    gain.set_ylim(0.0, 1.15 * highest if highest > 0.0 else 1.0)
    gain.set_xlabel("throttle [% of full thrust]")
    gain.set_ylabel("installed gain [% flow/deg]")
    gain.set_title("Flow per degree of the ball over the throttle range; the flatter, the easier to control")
    return figure


@styled
def choking_chart(results: Mapping[LegName, PortsResult], ax: Axes | None = None) -> Axes:
    """Valve drop over choking drop of both legs over the throttle range: the design's ports, pale at the adverse bounds
    of the tolerances, thin the ports recommended, there too. Each leg is judged at its adverse bounds."""
    ax = one_axes(ax, 7.2, 3.8)
    highest = 1.0
    limit = 1.0
    straddles: list[str] = []
    throttle: Any = np.zeros(0)
    for name in LEGS:
        if name not in results:
            continue
        result = results[name]
        limit = result.cavitation_limit
        throttle = 100.0 * result.need.throttle
        corner = 100.0 * result.corner_throttle
        look: dict[str, Any] = {"color": LEG_COLOUR[name], "linestyle": LEG_LINE[name]}
        ax.plot(throttle, result.own.choking, linewidth=1.9, label=f"{name}, as designed", **look)
        ax.plot(corner, result.own.choking_adverse, linewidth=1.9, alpha=0.4, label=f"{name}, adverse bounds", **look)
        straddles += [name] if any(flag.startswith("straddles") for flag in result.own.flags) else []
        highest = max(highest, result.own.worst_choking)
        if result.recommended:
            pick = result.candidates[result.recommended]
            ax.plot(corner, pick.choking_adverse, linewidth=0.8, label=f"{pick.label}, adverse", **look)
            highest = max(highest, pick.worst_choking)
    ax.set_ylim(0.0, 1.15 * highest)
    if throttle.size:
        ax.set_xlim(float(throttle.min()), float(throttle.max()))
    ax.axhspan(0.0, limit, color=ALLOWED, zorder=0)
    limit_line(ax, limit, f"limit {limit:.3g}", at=0.99)
    ax.axhline(1.0, color=LIMIT, linewidth=1.6)
    ax.annotate(
        "chokes", (0.01, 1.0), xycoords=ax.get_yaxis_transform(), xytext=(0, 3), textcoords="offset points", va="bottom",
        fontsize=8.0, color=LIMIT,
    )  # fmt: skip
    ax.legend(loc="lower left", ncols=2)
    ax.set_xlabel("throttle [% of full thrust]")
    ax.set_ylabel("valve drop over choking drop [-]")
    said = f"; {' and '.join(straddles)} chokes over part of the range" if straddles else ""
    ax.set_title(f"Distance from choking, both legs{said}")
    return ax
