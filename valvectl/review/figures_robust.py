"""Figure of the robust choice. No physics."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from valvectl.review.figure_style import INK, LIMIT, NEUTRAL, QUIET, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.robust_result import FreeQuantity, RobustResult, Slice

MARKS = (("present", QUIET, "s"), ("nominal optimum", NEUTRAL[1], "D"), ("robust optimum", NEUTRAL[0], "o"))
COLUMNS = 2


@styled
def robust_chart(result: RobustResult) -> Figure:
    """What the three choices miss; probability along each free quantity through the robust choice, all on top."""
    from matplotlib.figure import Figure

    cuts = [(f, s) for f in result.free for s in result.slices if s.name == f.name and not f.idle]
    rows = (len(cuts) + COLUMNS - 1) // COLUMNS
    figure = Figure(figsize=(7.4, 3.5 + 2.1 * rows))
    grid = figure.add_gridspec(rows + 1, COLUMNS, height_ratios=[1.55, *[1.0] * rows])
    _requirements(figure.add_subplot(grid[0, :]), result)
    low = min([100.0 * float(s.at_least.min()) for _, s in cuts], default=0.0)
    for k, (f, s) in enumerate(cuts):
        ax = figure.add_subplot(grid[1 + k // COLUMNS, k % COLUMNS])
        _cut(ax, f, s)
        ax.set_ylim(max(0.0, low - 3.0), 103.0)
        if k < COLUMNS:
            ax.set_title(("One at a time", "x: a constraint is missed")[k], pad=11.0)
        if k % COLUMNS == 0:
            ax.set_ylabel("meet all [%]")
    return figure


def _requirements(ax: Axes, result: RobustResult) -> None:
    """Share of the engines that miss each requirement, and any, for the three choices."""
    names = [h.name for h in result.present.requirements]
    place = np.arange(len(names) + 1)[::-1].astype(float)
    most = 0.0
    for k, (choice, (label, colour, _)) in enumerate(zip(result.choices, MARKS, strict=True)):
        missed = [100.0 * (1.0 - choice.probability), *(100.0 * (1.0 - h.probability) for h in choice.requirements)]
        y = place + 0.26 * (1 - k)
        ax.barh(y, missed, height=0.24, color=colour, label=label)
        low, high = 100.0 * (choice.probability - choice.at_least), 100.0 * (choice.at_most - choice.probability)
        ax.errorbar([missed[0]], [y[0]], xerr=[[high], [low]], color=INK, linewidth=0.9, capsize=2.0)
        most = max(most, missed[0] + low)
        for at, value in zip(y, missed, strict=True):
            if value == 0.0 and at != y[0]:
                continue
            ax.annotate(f"{value:.1f}", (value + (low if at == y[0] else 0.0), at), xytext=(3, 0), textcoords="offset points",
                        va="center", fontsize=7.0, color=QUIET)  # fmt: skip
    moved = {h.name: h.moved for h in result.present.requirements}
    ax.set_yticks(place, ["any of them", *(n + ("" if moved[n] else " (not moved)") for n in names)])
    ax.set_xlim(0.0, max(1.15 * most, 1.0))
    ax.grid(False, axis="y")
    ax.set_xlabel(f"missed by [% of {result.runs} fresh engines, the same for all]")
    ax.set_title("What the three choices miss")
    ax.legend(loc="lower right")


def _cut(ax: Axes, f: FreeQuantity, s: Slice) -> None:
    """Probability along one quantity, all others as in the robust choice."""
    x = np.arange(len(s.values)) if f.words else s.values
    ax.vlines(x, 100.0 * s.at_least, 100.0 * s.at_most, color="#c3c8d6", linewidth=3.0, zorder=1)
    if not f.words:
        ax.plot(x, 100.0 * s.probability, color=QUIET, linewidth=0.9, zorder=2)
    allowed = np.array(s.allowed)
    ax.plot(x[allowed], 100.0 * s.probability[allowed], "o", color=NEUTRAL[0], markersize=4.2, zorder=3)
    ax.plot(x[~allowed], 100.0 * s.probability[~allowed], "x", color=LIMIT, markersize=5.0, zorder=3)
    for value, (_, colour, mark) in zip((*f.present[:1], f.nominal, f.robust), MARKS[-3:], strict=True):
        if value == value:
            ax.plot([value], [1.02], mark, color=colour, markersize=5.0, transform=ax.get_xaxis_transform(), clip_on=False,
                    zorder=4)  # fmt: skip
    if f.words:
        ax.set_xticks(x, [w.replace("_", " ") for w in f.words])
        ax.set_xlim(-0.5, len(f.words) - 0.5)
    elif f.low > 0.0 and f.high / f.low > 20.0:
        ax.set_xscale("log")
    ax.set_xlabel(f"{f.name}{f' [{f.unit}]' if f.unit else ''}")
