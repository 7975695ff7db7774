"""Figure of the study of gear stages: the pair in mesh true to scale, its teeth close up, and its safeties. No physics."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.review.figure_style import ALLOWED, BACKING, INK, LIMIT, NEUTRAL, QUIET, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.parts.lookup import FloatArray
    from valvectl.studies.gear_pair import GearPair
    from valvectl.studies.gear_result import GearStageResult, Mesh

PINION_COLOUR, WHEEL_COLOUR = NEUTRAL[0], NEUTRAL[1]
CLOSE_UP = 3.2
"""Half the width of the close-up [modules]."""


def _circle(ax: Axes, x: float, diameter: float, **look: Any) -> None:
    turn = np.linspace(0.0, 2.0 * np.pi, 361)
    r = 0.5e3 * diameter
    ax.plot(1e3 * x + r * np.cos(turn), r * np.sin(turn), **{"linewidth": 0.7, "color": QUIET, **look})


def _fill(ax: Axes, x: FloatArray, y: FloatArray, colour: str, alpha: float | None = None) -> None:
    """``ax.fill`` without its search for the extent of every edge: an outline of straight edges is as large as its corners."""
    from matplotlib.patches import Polygon

    corners = np.column_stack([x, y])
    ax.add_artist(Polygon(corners, closed=True, facecolor=colour, alpha=alpha))
    ax.update_datalim(corners)
    ax.autoscale_view()


def _pair(ax: Axes, pair: GearPair, mesh: Mesh) -> None:
    wheel, pinion = 1e3 * mesh.wheel, 1e3 * mesh.pinion
    if pair.internal:
        turn = np.linspace(0.0, 2.0 * np.pi, 361)
        rim = 1e3 * mesh.rim
        _fill(ax, rim * np.cos(turn), rim * np.sin(turn), WHEEL_COLOUR, 0.25)
        _fill(ax, wheel[:, 0], wheel[:, 1], "#ffffff")
    else:
        _fill(ax, wheel[:, 0], wheel[:, 1], WHEEL_COLOUR, 0.25)
    _fill(ax, pinion[:, 0], pinion[:, 1], PINION_COLOUR, 0.25)
    ax.plot(wheel[:, 0], wheel[:, 1], color=WHEEL_COLOUR, linewidth=0.8)
    ax.plot(pinion[:, 0], pinion[:, 1], color=PINION_COLOUR, linewidth=0.8)
    ax.set_aspect("equal")
    ax.grid(visible=False)


@styled
def gear_stage_chart(result: GearStageResult, axes: Any = None) -> Figure:
    """The pair recommended, or the nearest: whole, close up with its path of contact, and its safeties. Needs 3 axes.

    Raises ValueError when the study has nothing that can be drawn.
    """
    from matplotlib.figure import Figure

    pair, mesh = result.nearest, result.mesh
    if pair is None or mesh is None:
        raise ValueError(f"no pair to draw: {result.reason}")
    if axes is None:
        figure = Figure(figsize=(9.6, 7.4))
        grid = figure.add_gridspec(2, 2, height_ratios=[1.6, 1.0])
        whole, close, bars = (
            figure.add_subplot(grid[0, 0]),
            figure.add_subplot(grid[0, 1]),
            figure.add_subplot(grid[1, :]),
        )
    else:
        whole, close, bars = list(np.ravel(axes))
        figure = whole.figure
    _whole(whole, pair, mesh, "recommended" if result.recommended is not None else "not all met")
    _close_up(close, pair, mesh)
    _safeties(bars, pair)
    return figure


def _whole(ax: Axes, pair: GearPair, mesh: Mesh, state: str) -> None:
    _pair(ax, pair, mesh)
    centre = 1e3 * mesh.pinion_centre
    outer = 1e3 * mesh.rim if pair.internal else 0.5e3 * pair.wheel.tip
    level = -1.12 * outer
    for x in (0.0, centre):
        ax.plot([x, x], [0.0, 1.03 * level], color=INK, linewidth=0.6)
        ax.plot([x], [0.0], "+", color=INK, markersize=7.0)
    ax.annotate("", (0.0, level), (centre, level), arrowprops={"arrowstyle": "<->", "color": INK, "linewidth": 0.8})
    ax.annotate(
        f"centre distance {centre:.3f} mm", (0.5 * centre, level), xytext=(0, -4), textcoords="offset points", ha="center",
        va="top", fontsize=8.5,
    )  # fmt: skip
    ax.margins(0.04)
    ax.set_ylim(1.3 * level, 1.05 * outer)
    ax.set_xlabel("x [mm]")
    ax.set_ylabel("y [mm]")
    name = "ring" if pair.internal else "wheel"
    ax.set_title(f"{pair.pinion.teeth}:{pair.wheel.teeth} teeth, module {1e3 * pair.module:g} mm; {state}")
    ax.annotate(name, (-0.45 * outer, 0.0), ha="center", color=WHEEL_COLOUR, fontsize=8.5, bbox=BACKING)
    ax.annotate(
        "pinion",
        (centre, 0.0),
        xytext=(0, 6),
        textcoords="offset points",
        ha="center",
        color=PINION_COLOUR,
        fontsize=8.5,
    )


def _close_up(ax: Axes, pair: GearPair, mesh: Mesh) -> None:
    _pair(ax, pair, mesh)
    dash: Any = (0, (7, 2, 1.5, 2))
    for x, gear, colour in ((mesh.pinion_centre, pair.pinion, PINION_COLOUR), (0.0, pair.wheel, WHEEL_COLOUR)):
        _circle(ax, x, gear.operating, color=colour, linestyle=dash)
        _circle(ax, x, gear.base, color=colour, linestyle=":")
    path = 1e3 * mesh.contact
    ax.plot(path[:, 0], path[:, 1], color=LIMIT, linewidth=1.4, marker="o", markersize=3.0)
    ax.annotate(
        "path of contact", path[int(np.argmax(path[:, 1]))], xytext=(5, 5), textcoords="offset points", color=LIMIT, fontsize=8.0,
        bbox=BACKING,
    )  # fmt: skip
    point = 0.5e3 * pair.wheel.operating
    half = max(CLOSE_UP * 1e3 * pair.module, 1.12 * float(np.max(np.abs(path[:, 1]))))
    ax.set_xlim(point - half, point + half)
    ax.set_ylim(-half, half)
    ax.set_xlabel("x [mm]; dash-dot: operating pitch circles, dotted: base circles")
    ax.set_title(f"contact ratio {pair.contact_ratio:.2f}, operating angle {math.degrees(pair.alpha_w):.2f} deg")


def _safeties(ax: Axes, pair: GearPair) -> None:
    names = [what for what, _, _ in pair.safeties]
    got = np.array([value for _, value, _ in pair.safeties])
    wanted = np.array([value for _, _, value in pair.safeties])
    places = np.arange(len(names))[::-1]
    right = 1.18 * float(max(got.max(), wanted.max()))
    for place, reached, limit in zip(places, got, wanted, strict=True):
        ax.barh(place, right - limit, left=limit, height=0.86, color=ALLOWED, zorder=0)
        ax.barh(place, reached, height=0.5, color=NEUTRAL[2] if reached >= limit else LIMIT, zorder=2)
        ax.plot([limit, limit], [place - 0.43, place + 0.43], color=LIMIT, linewidth=1.2, zorder=3)
        ax.annotate(
            f"{reached:.2f}, wanted {limit:g}", (max(reached, limit), place), xytext=(5, 0), textcoords="offset points",
            va="center", fontsize=8.0, zorder=4,
        )  # fmt: skip
    ax.set_yticks(places, names)
    ax.set_xlim(0.0, right)
    ax.grid(visible=False, axis="y")
    ax.set_xlabel("safety [-]; of contact: on pressure")
    most, least = pair.lost_motion_most, pair.lost_motion(pair.backlash.least)
    ax.set_title(
        f"Safeties (Lewis, Hertz; no claim to ISO 6336); lost motion at the output {math.degrees(least):.3f} to "
        f"{math.degrees(most):.3f} deg"
    )
