"""Figure of what sampling costs the loops of one servo. It draws and computes no physics."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.review.figure_style import ALLOWED, BACKING, INK, LEG_COLOUR, NEUTRAL, QUIET, given_or_new, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.timing import LoopTiming, TimingResult

PLANT = "#d5d8dd"
"""Fill for the plant with the loops inside."""
LABELLED = 13.5
"""Width from which a part is named inside its bar [deg]."""


def _hertz(omega: float) -> str:
    value = omega / (2.0 * math.pi)
    return f"{value:.0f}" if value >= 100.0 else f"{value:.3g}"


def _bar(ax: Axes, row: float, found: LoopTiming, words: dict[str, str]) -> None:
    lags = {name: math.degrees(lag) for name, lag in found.lags.items()}
    at = 0.0
    small = []
    for j, name in enumerate(["plant", *(n for n in lags if n != "plant")]):
        width = lags[name]
        if not width > 0.0:
            continue
        colour = PLANT if name == "plant" else NEUTRAL[(j - 1) % len(NEUTRAL)]
        ax.barh(row, width, left=at, height=0.46, color=colour, edgecolor="#ffffff", linewidth=0.8)
        text = f"{words.get(name, name)}\n{width:.3g}°"
        if name == "plant" or width >= LABELLED:
            ink = INK if name == "plant" else "#ffffff"
            ax.annotate(text, (at + 0.5 * width, row), ha="center", va="center", fontsize=7.5, color=ink)
        else:
            small.append((at + 0.5 * width, f"{words.get(name, name)} {width:.2g}°"))
        at += width
    margin = math.degrees(found.margins.nominal.margins.phase_margin)
    ax.barh(row, max(180.0 - at, 0.0), left=at, height=0.46, color=ALLOWED)
    least = math.degrees(found.margins.least_phase.margins.phase_margin)
    jitter = f"\n{least:.3g}° over jitter" if found.margins.corners and found.margins.stable else ""
    if found.margins.corners and not found.margins.stable:
        jitter = "\nunstable within jitter"
    ax.annotate(f"margin {margin:.3g}°{jitter}", (178.0, row), ha="right", va="center", fontsize=8.0, color="#3f6b45")
    if small:
        ax.annotate(
            ", ".join(text for _, text in small), (small[0][0], row + 0.25), ha="left", va="bottom", fontsize=7.5, color=QUIET,
            xytext=(0, 1), textcoords="offset points",
        )  # fmt: skip


@styled
def timing_chart(result: TimingResult, axes: Any = None) -> Figure:
    """Phase lag of each loop at its crossover by parts, up to its margin; below, phase margin over an inner loop's offset.

    Needs 2 axes.
    """
    figure, (bars, offset) = given_or_new(axes, 2, 7.4, 6.0, gridspec_kw={"height_ratios": [1.5, 1.0]})
    words = {"speed": result.speed_from, "plant": "plant and loops inside"}
    names = [at for at, found in result.loops.items() if math.isfinite(found.crossover)]
    for row, at in enumerate(reversed(names)):
        _bar(bars, float(row), result.loops[at], words)
    bars.set_yticks(
        range(len(names)),
        [f"{at}\n{_hertz(result.loops[at].crossover)} Hz" for at in reversed(names)],
    )
    bars.set_ylim(-0.45, len(names) - 0.35)
    bars.set_xlim(0.0, 180.0)
    bars.set_xticks(np.arange(0.0, 181.0, 30.0))
    bars.grid(axis="y", visible=False)
    bars.set_xlabel("phase lag at the loop's crossover [deg]")
    bars.set_title(f"Where the phase goes, {result.leg} leg")
    inner = result.loops[result.swept]
    colour = LEG_COLOUR[result.leg]
    x, y = 1e3 * inner.period * result.offsets, np.degrees(result.phase_at_offset)
    offset.plot(x, y, "o", color=colour, markersize=4.0)
    now = float(np.interp(inner.offset, inner.period * result.offsets, y))
    offset.plot([1e3 * inner.offset], [now], "o", color=INK, markersize=6.0)
    right = inner.offset > 0.7 * inner.period
    offset.annotate(
        f"design {now:.3g}°", (1e3 * inner.offset, now), xytext=(-7 if right else 7, 6), textcoords="offset points",
        ha="right" if right else "left", va="bottom", fontsize=8.0, bbox=BACKING,
    )  # fmt: skip
    offset.margins(x=0.02, y=0.2)
    offset.set_xlabel(f"first sample of the {result.swept} loop after the position loop's [ms]")
    offset.set_ylabel("phase margin,\nposition loop [deg]")
    offset.set_title(f"Offset of the {result.swept} loop's samples")
    return figure
