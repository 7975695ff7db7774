"""Figure of the flow resolution: what each cause does to the flow, and what both legs do to the mixture ratio."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.design.schema import LEGS
from valvectl.review.figure_style import (
    ALLOWED,
    INK,
    LEG_COLOUR,
    NEUTRAL,
    QUIET,
    end_labels,
    given_or_new,
    limit_line,
    plain_numbers,
    styled,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.parts.lookup import FloatArray
    from valvectl.studies.resolution import LegResolution, ResolutionResult

DECADES_SHOWN = 2.0
"""Curves further below the limit than this many powers of ten are left out of view."""


@styled
def resolution_chart(result: ResolutionResult, axes: Any = None) -> Figure:
    """Flow step of each cause and of all together over the throttle range, a panel a leg; then the change of O/F.

    Needs one more axes than the result has legs.
    """
    legs = [name for name in LEGS if name in result.legs]
    rows = 1 + len(legs)
    figure, (*each, ratio) = given_or_new(axes, rows, 7.2, 0.6 + 2.65 * rows, sharex=True)
    percent = 100.0 * result.throttle
    for ax, name in zip(each, legs, strict=True):
        _flow_panel(ax, percent, result.legs[name], 100.0 * result.limit, 100.0 * result.dead_band_limit)
    _ratio_panel(ratio, percent, result)
    ratio.set_xlabel("throttle [% of full thrust]")
    ratio.set_xlim(float(percent.min()), float(percent.max()))
    return figure


def _flow_panel(ax: Axes, percent: FloatArray, leg: LegResolution, limit: float, dead_band: float) -> None:
    colour = LEG_COLOUR[leg.leg]
    curves: list[tuple[str, FloatArray, Any, dict[str, Any]]] = [
        (cause, 100.0 * leg.gain * size, NEUTRAL[j % len(NEUTRAL)], {"linewidth": 1.1})
        for j, (cause, size) in enumerate(leg.steps.items())
    ]
    curves.append(("ball offset", 100.0 * leg.offset_flow, QUIET, {"linewidth": 1.1, "linestyle": (0, (1.2, 1.6))}))
    together = {"linewidth": 1.6, "linestyle": (0, (5.0, 1.6))}
    curves.append(("after a reversal", 100.0 * leg.reversal_flow, colour, together))
    # under the causes: the largest of them is the step that is judged
    ax.plot(percent, 100.0 * leg.flow_step, color=colour, linewidth=4.5, alpha=0.3, solid_capstyle="butt")
    lowest = limit * 10.0**-DECADES_SHOWN
    ends: list[tuple[float, str, Any]] = []
    for label, flow, tone, look in curves:
        if not np.any(flow > lowest):
            continue
        ax.plot(percent, flow, color=tone, **look)
        ends.append((float(flow[-1]), label, tone))
    top = max(limit, dead_band, *(float(np.max(flow)) for _, flow, _, _ in curves))
    ax.set_yscale("log")
    ax.set_ylim(lowest, 1.8 * top)
    plain_numbers(ax.yaxis)
    ax.axhspan(lowest, limit, color=ALLOWED, zorder=0)
    limit_line(
        ax, limit, f"limit {limit:.3g} %", at=_free_end(percent, [flow for _, flow, _, _ in curves], 1.2 * limit)
    )
    limit_line(
        ax, dead_band, f"limit after a reversal {dead_band:.3g} %",
        at=_free_end(percent, [flow for _, flow, _, _ in curves], 1.2 * dead_band),
    )  # fmt: skip
    end_labels(ax, ends, size=8.0)
    ax.set_ylabel("flow step [%]")
    ax.set_title(
        f"{leg.leg} leg: flow per step by cause; judged: wide pale (largest), dashed",
        color=colour,
    )


def _free_end(x: FloatArray, curves: list[FloatArray], height: float) -> float:
    """Share of the width at which a label at ``height`` on a logarithmic axis lies farther from all curves: left or right."""
    share = (x - x.min()) / np.ptp(x)

    def room(end: Any) -> float:
        return min(float(np.min(np.abs(np.log(np.maximum(c[end], 1e-12) / height)))) for c in curves)

    return 0.01 if room(share <= 0.15) > room(share >= 0.85) else 0.995


def _ratio_panel(ax: Axes, percent: FloatArray, result: ResolutionResult) -> None:
    curves: list[tuple[str, FloatArray, Any]]
    independent: list[FloatArray] = []
    if len(result.legs) == len(LEGS):
        shown = (result.both_reversal, result.both_step, result.both_offset)
        curves = [
            (label, both.worst, tone)
            for label, both, tone in zip(
                ("after a reversal", "smallest step", "ball offset"), shown, (INK, NEUTRAL[0], QUIET), strict=True
            )
        ]
        independent = [both.rss for both in shown]
        title = "O/F with both valves off at once; full: each the wrong way, dotted: independent"
    else:
        (leg,) = result.legs.values()
        curves = [
            ("after a reversal", leg.reversal_ratio, INK),
            ("smallest step", leg.ratio_step, NEUTRAL[0]),
            ("ball offset", leg.offset_ratio, QUIET),
        ]
        title = f"O/F with the {leg.leg} valve alone off"
    top = 0.0
    ends: list[tuple[float, str, Any]] = []
    for label, change, tone in curves:
        ax.plot(percent, 100.0 * change, color=tone)
        ends.append((100.0 * float(change[-1]), label, tone))
        top = max(top, 100.0 * float(np.max(change)))
    for change, (_, _, tone) in zip(independent, curves, strict=False):
        ax.plot(percent, 100.0 * change, color=tone, linewidth=1.1, linestyle=(0, (1.2, 1.6)))
    ax.set_ylim(0.0, 1.1 * top if top > 0.0 else 1.0)
    end_labels(ax, ends, size=8.0)
    ax.set_ylabel("O/F change [%]")
    ax.set_title(title)
