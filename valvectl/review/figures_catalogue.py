"""Figure of the catalogue search: margin over stroke time, mass as size, the front marked. It draws and computes no physics."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from valvectl.review.figure_style import BACKING, INK, NEUTRAL, QUIET, limit_line, one_axes, plain_numbers, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from valvectl.studies.catalogue import CatalogueResult

NAMED = 6
"""Combinations of the front that are named."""
_SHAPE = {"brushless": "o", "brushed": "s", "stepper": "^"}


@styled
def catalogue_chart(result: CatalogueResult, ax: Axes | None = None) -> Axes:
    """Static margin [%] over stroke time [ms], area in proportion to mass; filled: on the front, the first ones named."""
    ax = one_axes(ax, 7.6, 4.6)
    time, margin = 1e3 * result.time, 100.0 * result.margin
    limits = {c.name: c.limit for c in result.checks}
    slowest = 1e3 * limits["stroke time"]
    seen = np.isfinite(time) & (time < 1.25 * slowest) & (margin > 0.2 * limits["static torque margin"])
    size = 26.0 * result.mass
    kinds = np.array(result.kind)
    on = np.zeros(time.size, dtype=bool)
    on[list(result.front)] = True
    for j, (kind, shape) in enumerate(_SHAPE.items()):
        of = seen & (kinds == kind)
        colour = NEUTRAL[j]
        fails = of & np.logical_not(result.holds)
        ax.scatter(time[fails], margin[fails], 5.0, marker=shape, color=QUIET, alpha=0.25, linewidths=0.0, zorder=1)
        open_ = of & np.asarray(result.holds, dtype=bool) & np.logical_not(on)
        ax.scatter(time[open_], margin[open_], size[open_], marker=shape, facecolors="none", edgecolors=colour,
                   linewidths=0.6, alpha=0.8, zorder=2)  # fmt: skip
        if bool(np.any(of & (on | result.holds))):
            ax.scatter(time[of & on], margin[of & on], size[of & on], marker=shape, color=colour, zorder=3, label=kind)
    ax.set_yscale("log")
    plain_numbers(ax.yaxis)
    shown = seen & np.asarray(result.holds, dtype=bool)
    if bool(np.any(shown)):  # where something holds; what is slower fails anyway
        low, high = float(np.min(time[shown])), float(np.max(time[shown]))
        wide = max(high - low, 0.05 * high)
        ax.set_xlim(low - 0.25 * wide, high + 0.5 * wide)
        ax.set_ylim(0.6 * limits["static torque margin"], 2.0 * float(np.max(margin[shown])))
    low, high = ax.get_xlim()
    limit_line(
        ax,
        limits["static torque margin"],
        f"margin wanted {limits['static torque margin']:.3g} %",
        at=0.99,
        above=False,
    )
    if slowest < high:
        ax.axvline(slowest, color=INK, linewidth=0.8, linestyle=(0, (4, 2)))
        ax.annotate(f"limit {slowest:.3g} ms", (slowest, 0.02), xycoords=ax.get_xaxis_transform(), xytext=(-3, 0),
                    textcoords="offset points", ha="right", fontsize=8.0, color=INK, bbox=BACKING)  # fmt: skip
    lines = []
    for place, index in enumerate(result.front[:NAMED], 1):
        away = (-26 if place % 2 else 26, 12 * ((place % 3) - 1) + 14)
        ax.annotate(str(place), (time[index], margin[index]), xytext=away, textcoords="offset points", fontsize=8.5,
                    color=INK, zorder=5, bbox=BACKING,
                    arrowprops={"arrowstyle": "-", "color": INK, "linewidth": 0.7, "shrinkA": 0.0, "shrinkB": 2.0})  # fmt: skip
        lines.append(f"{place}  {result.motor[index]} + {result.gear[index]}, {result.mass[index]:.2f} kg")
    if lines:
        ax.annotate(
            "\n".join(lines), (1.02, 1.0), xycoords="axes fraction", va="top", fontsize=8.0, annotation_clip=False
        )
        ax.legend(loc="lower left", bbox_to_anchor=(1.0, 0.0), fontsize=8.0, frameon=False, title="on the front (filled)",
                  title_fontsize=8.0, alignment="left")  # fmt: skip
    ax.set_xlabel("full stroke, fastest [ms]")
    ax.set_ylabel("static torque margin [%]")
    none = "" if result.front else ": no combination holds every check"
    invented = "; invented catalogue" if result.invented else ""
    ax.set_title(f"Motors and gearboxes, {result.leg} leg{none} (area: mass{invented})")
    return ax
