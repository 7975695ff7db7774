"""Figure of the tank disturbances: error of the mixture ratio and tank pressures over time. It draws, no physics."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.design.schema import LEGS
from valvectl.review.figure_style import (
    ALLOWED,
    INK,
    LEG_COLOUR,
    LEG_LINE,
    NEUTRAL,
    QUIET,
    end_labels,
    given_or_new,
    limit_line,
    styled,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from valvectl.studies.disturbance_result import DisturbanceResult

LEAST_HEIGHT = 1e-3
"""Least half-height of the error panel [-]."""
_LINES: tuple[Any, ...] = ("-", (0, (4.0, 1.5)), (0, (1.2, 1.2)), (0, (6.0, 1.5, 1.2, 1.5)))


@styled
def disturbance_chart(result: DisturbanceResult, axes: Any = None, *, limit: float | None = None) -> Figure:
    """O/F error over time, one line a disturbance and all together, and the tank pressures. Needs 2 axes.

    ``limit`` allowed error [-]: its band is drawn where it lies within sight of the curves.
    """
    figure, (error, tank) = given_or_new(axes, 2, 7.6, 5.6, sharex=True, gridspec_kw={"height_ratios": [1.7, 1.0]})
    time = result.time
    shown = [case for case in result.cases if not case.in_schedule]
    height = LEAST_HEIGHT
    for case in (*shown, result.together):
        height = max(height, float(np.nanmax(np.abs(case.ratio_error))))
    band = limit is not None and limit < 3.0 * height
    top = 115.0 * max(height, limit if band and limit is not None else 0.0)
    error.set_ylim(-top, top)
    if limit is not None:
        error.axhspan(-100.0 * limit, 100.0 * limit, color=ALLOWED, zorder=0)
        if band:
            limit_line(error, 100.0 * limit, f"limit {100.0 * limit:.3g} %", at=0.005)
            limit_line(error, -100.0 * limit, f"limit -{100.0 * limit:.3g} %", at=0.005, above=False)
    ends: list[tuple[float, str, Any]] = []
    for j, case in enumerate(shown):
        colour = NEUTRAL[j % len(NEUTRAL)]
        style = _LINES[j // len(NEUTRAL) % len(_LINES)] if len(shown) > len(NEUTRAL) else _LINES[j % len(_LINES)]
        error.plot(time, 100.0 * case.ratio_error, color=colour, linestyle=style, linewidth=1.2)
        ends.append((_last(100.0 * case.ratio_error), case.name, colour))
    error.plot(time, 100.0 * result.together.ratio_error, color=INK, linewidth=2.0, zorder=3)
    if result.declared:
        ends.append((_last(100.0 * result.together.ratio_error), "all together", INK))
    error.axhline(0.0, color=QUIET, linewidth=0.7)
    error.set_ylabel("O/F error [%]")
    error.set_title("O/F against the undisturbed steady value, valves on their schedule")
    if limit is not None and not band:
        error.annotate(
            f"limit ±{100.0 * limit:.3g} %, beyond the chart", (0.995, 0.97), xycoords="axes fraction", ha="right", va="top",
            fontsize=8.0, color="#3f6b45",
        )  # fmt: skip
    labels: list[tuple[float, str, Any]] = []
    for leg in LEGS:
        colour = LEG_COLOUR[leg]
        tank.plot(time, result.undisturbed[leg] / 1e5, color=colour, linewidth=0.8, linestyle=":")
        tank.plot(time, result.pressure[leg] / 1e5, color=colour, linestyle=LEG_LINE[leg])
        labels.append((_last(result.pressure[leg] / 1e5), leg, colour))
    tank.set_ylabel("tank [bar abs]")
    tank.set_xlabel("time [s]")
    tank.set_title("Tank pressures, all together (dotted: undisturbed)")
    error.set_xlim(0.0, float(time[-1]))
    end_labels(error, ends)
    end_labels(tank, labels)
    return figure


def _last(values: Any) -> float:
    """The last number of a curve that may end early."""
    known = values[np.isfinite(values)]
    return float(known[-1]) if known.size else 0.0
