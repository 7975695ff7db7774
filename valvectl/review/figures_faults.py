"""Figure of the single faults: the worst case of each kind over the time after it. No physics."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.review.figure_style import ALLOWED, BACKING, INK, LEG_COLOUR, LIMIT, NEUTRAL, QUIET, styled, thinned

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.fault_result import FaultRow, FaultsResult

ACROSS = 3
"""Small axes side by side."""
PRESSURE = NEUTRAL[0]
MOST_SHOWN, LEAST_SHOWN = 120.0, -80.0
"""Range of the errors in sight [%]."""


def _one(ax: Axes, row: FaultRow, result: FaultsResult, right: float) -> None:
    case = row.worst
    colour = LEG_COLOUR.get(row.leg or "", INK)
    high = 100.0 * (result.ratio_high / result.wanted_ratio - 1.0)
    ax.axhspan(LEAST_SHOWN, high, color=ALLOWED, zorder=0)
    ax.axhline(high, color=LIMIT, linewidth=0.7)
    if case.after.size:
        pressure = 100.0 * (case.pressure / case.expected_pressure - 1.0)
        time, ratio, pressure = thinned(1e3 * case.after, 100.0 * case.ratio, pressure, most=500)
        ax.plot(time, np.clip(pressure, LEAST_SHOWN, MOST_SHOWN), color=PRESSURE, linewidth=1.0)
        ax.plot(time, np.clip(ratio, LEAST_SHOWN, MOST_SHOWN), color=colour, linewidth=1.4)
    # alarm, limit passed for too long, flows stopped: one below the other, so that none hides another
    for y, when, what, mark, ink in (
        (104.0, case.sure_after, "sure alarm", "o", "#2f6f73"),
        (86.0, case.limit_after, "limit", "X", LIMIT),
        (68.0, case.shut_after, "shut", "s", INK),
    ):
        inside = math.isfinite(when) and 1e3 * when <= right
        if inside:
            ax.plot([0.0, 1e3 * when], [y, y], color=ink, linewidth=0.8, alpha=0.5)
            ax.plot(1e3 * when, y, mark, color=ink, markersize=4.0)
            text = f"{what} {1e3 * when:.0f}"
        elif math.isfinite(when):
            text = f"{what} {1e3 * when:.0f}, later"
        else:
            text = f"{what} never"
        far = inside and 1e3 * when > 0.6 * right
        at = 1e3 * when if inside else 0.0
        ax.annotate(
            text, (at, y), xytext=(-5 if far else 5, 0), textcoords="offset points", ha="right" if far else "left",
            va="center", fontsize=6.8, color=ink, bbox=BACKING, zorder=4,
        )  # fmt: skip
    verdict = "within limits" if case.verdict == "within limits without action" else case.verdict
    bad = verdict in ("too late", "not detected")
    ax.set_title(f"{row.leg or 'both'} {row.fault}, {case.time:.2f} s", fontsize=8.0)
    ax.annotate(
        verdict, (1.0, 0.02), xycoords="axes fraction", ha="right", va="bottom", fontsize=7.5,
        color=LIMIT if bad else QUIET, fontweight="bold" if bad else "normal",
    )  # fmt: skip
    ax.set_xlim(0.0, right)
    ax.set_ylim(LEAST_SHOWN, MOST_SHOWN)
    ax.tick_params(labelsize=7.0)


@styled
def faults_chart(result: FaultsResult, axes: Any = None) -> Figure:
    """O/F and chamber pressure after the worst case of each kind of fault; alarm, limit and shutting as marks.

    ``axes``: one for each kind, or none.
    """
    from matplotlib.figure import Figure

    kinds = list(dict.fromkeys(r.fault for r in result.rows))
    rows = [max((r for r in result.rows if r.fault == kind), key=lambda r: r.worst.rank) for kind in kinds]
    across = min(ACROSS, len(rows))
    down = -(-len(rows) // across)
    if axes is None:
        figure = Figure(figsize=(2.0 + 2.5 * across, 0.9 + 1.75 * down))
        small = np.ravel(figure.subplots(down, across, squeeze=False))
    else:
        small = np.ravel(axes)
        if small.size < len(rows):
            raise ValueError(f"needs {len(rows)} axes, got {small.size}")
        figure = small[0].figure
    ends = [1e3 * float(r.worst.after[-1]) for r in rows if r.worst.after.size]
    decisive = [1e3 * t for r in rows for t in (r.worst.limit_after, r.worst.sure_after) if math.isfinite(t)]
    right = min(max([400.0, *(1.25 * t for t in decisive)]), max(ends, default=400.0))
    for ax, row in zip(small, rows, strict=False):
        _one(ax, row, result, right)
    for ax in small[len(rows) :]:
        ax.set_visible(False)
    for j, ax in enumerate(small[: len(rows)]):
        if j % across == 0:
            ax.set_ylabel("off [%]", fontsize=8.0)
        if j + across >= len(rows):
            ax.set_xlabel("time after the fault [ms]", fontsize=8.0)
    if axes is None:
        figure.suptitle(
            "Worst case of each single fault: O/F off the wanted (leg's colour), chamber pressure off the fault-free (green);\n"
            "pale: O/F within its limit. One fault at a time; no hazard analysis",
            fontsize=8.5, x=0.01, ha="left",
        )  # fmt: skip
    return figure
