"""Figure of the gear ratio in full: reserves, the span that each check allows, probability. It draws and computes no physics."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.review.figure_style import ALLOWED, BACKING, INK, LIMIT, NEUTRAL, QUIET, new_axes, plain_numbers, styled
from valvectl.review.figures_servo import ratio_chart

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.parts.lookup import FloatArray
    from valvectl.studies.ratio import RatioResult


@styled
def ratio_window_chart(result: RatioResult) -> Figure:
    """Reserve of every check, the range of ratios that each allows as a bar with the one that closes each side named, and,
    where it was worked out, the probability that all hold over the declared tolerances."""
    rows = 2 if result.odds is None else 3
    heights = [3.9, 0.5 + 0.24 * len(result.checks), 1.3][:rows]
    figure, axes = new_axes(rows, 7.6, sum(heights) + 0.6, sharex=True, gridspec_kw={"height_ratios": heights})
    ratio_chart(result, axes[0])
    axes[0].set_xlabel("")
    _bars(result, axes[1])
    if result.odds is not None:
        _odds(result, axes[2])
    axes[-1].set_xlabel("total gear ratio [-]")
    return figure


def _spans(x: FloatArray, ok: FloatArray) -> list[tuple[float, float]]:
    """Stretches of x where ``ok``."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.asarray(ok, dtype=int), [0]])))
    return [(float(x[a]), float(x[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _bars(result: RatioResult, ax: Axes) -> None:
    x, count = result.ratio, len(result.checks)
    for j, check in enumerate(result.checks):
        place = count - 1 - j
        for low, high in _spans(x, check.ok):
            ax.barh(place, high - low, left=low, height=0.5, color=NEUTRAL[j % len(NEUTRAL)], linewidth=0.0,
                    alpha=0.55 if j >= len(NEUTRAL) else 1.0)  # fmt: skip
        if not bool(np.any(check.ok)):
            ax.annotate("holds nowhere", (0.5, place), xycoords=("axes fraction", "data"), ha="center", va="center",
                        fontsize=8.0, color=LIMIT)  # fmt: skip
        sides: list[tuple[str, int, str]] = [(result.closed_below, 0, "right"), (result.closed_above, 1, "left")]
        if result.window is not None:
            for name, side, align in sides:
                if name == check.name:
                    text = "closes the window" if result.closed_below != result.closed_above else "closes this side"
                    ax.annotate(text, (result.window[side], place), xytext=(-4 if side == 0 else 4, 0),
                                textcoords="offset points", ha=align, va="center", fontsize=8.0, color=LIMIT,
                                bbox=BACKING)  # fmt: skip
    ax.set_yticks(range(count), [c.name for c in reversed(result.checks)])
    ax.set_ylim(-0.6, count - 0.4)
    ax.tick_params(axis="y", length=0)
    ax.grid(False, axis="y")
    _marks(result, ax)
    ax.set_title("Ratios that each check allows", fontsize=9.0)


def _odds(result: RatioResult, ax: Axes) -> None:
    odds: Any = result.odds
    ax.plot(odds.ratio, 100.0 * odds.probability, color=INK, linewidth=1.4)
    ax.fill_between(odds.ratio, 100.0 * odds.at_least, 100.0 * odds.probability, color=QUIET, alpha=0.35, linewidth=0.0)
    ax.set_ylim(-3.0, 108.0)
    ax.set_ylabel("all hold [%]")
    plain_numbers(ax.xaxis)
    _marks(result, ax)
    ax.set_title(
        f"Probability over the declared tolerances, {odds.samples} draws (shaded: down to its "
        f"{100.0 * odds.confidence:.0f} % bound)",
        fontsize=9.0,
    )


def _marks(result: RatioResult, ax: Axes) -> None:
    if result.window is not None:
        ax.axvspan(*result.window, color=ALLOWED, zorder=0)
    ax.axvline(result.current, color=INK, linewidth=1.1)
    if result.recommended is not None:
        ax.axvline(result.recommended, color=INK, linewidth=1.1, linestyle=(0, (1.5, 1.5)))
