"""Figures of tolerances: dispersions, error budget, worst case. No physics."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.review.figure_style import (
    ALLOWED,
    BACKING,
    INK,
    LIMIT,
    NEUTRAL,
    QUIET,
    given_or_new,
    limit_line,
    plain_numbers,
    styled,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.disperse import DisperseResult, Odds

WIDTHS = (7.2, 8.6)
"""Of a figure with three axes [inch]."""
BARS = 10


def _short(key: str) -> str:
    return key.removeprefix("legs.").removeprefix("engine.").replace("position_encoder.", "encoder ")


def _distribution(ax: Axes, values: Any, odds: Odds) -> None:
    values = np.sort(values[np.isfinite(values)])
    ax.step(values, 100.0 * np.arange(1, values.size + 1) / values.size, where="post", color=NEUTRAL[0])
    good = "left" if odds.operator == "<=" else "right"
    if odds.limit is not None:
        low, high = ax.get_xlim()
        low, high = min(low, odds.limit - 0.03 * (high - low)), max(high, odds.limit + 0.03 * (high - low))
        ax.axvspan(
            low if good == "left" else odds.limit, odds.limit if good == "left" else high, color=ALLOWED, zorder=0
        )
        ax.axvline(odds.limit, color=LIMIT, linewidth=0.9, linestyle=(0, (7, 2, 1.5, 2)))
        ax.set_xlim(low, high)
        ax.annotate(
            f"limit {odds.limit:.4g} {odds.unit}", (odds.limit, 4.0), xytext=(-4 if good == "left" else 4, 0),
            textcoords="offset points", ha="right" if good == "left" else "left", color=LIMIT, fontsize=8.0, bbox=BACKING,
        )  # fmt: skip
    if np.isfinite(odds.bound):
        ax.axvline(odds.bound, color=INK, linewidth=0.9, linestyle=":")
        ax.annotate(
            f"95/95: {odds.bound:.3g} {odds.unit}", (odds.bound, 50.0), xytext=(-4, 0), textcoords="offset points",
            ha="right", fontsize=8.0, bbox=BACKING,
        )  # fmt: skip
    ax.set_ylim(0.0, 102.0)
    ax.set_ylabel("share of the engines [%]")
    ax.set_xlabel(f"{odds.name} [{odds.unit or '-'}]")


def _convergence(ax: Axes, odds: Odds, result: DisperseResult) -> None:
    runs, share, low, high = odds.converging
    if np.isfinite(low).any():
        ax.fill_between(runs, 100.0 * low, 100.0 * high, color="#d8dbe6", label="95 % bounds (Clopper and Pearson)")
    ax.plot(runs, 100.0 * share, color=NEUTRAL[2], label="share that holds", marker=".", markersize=3.5)
    ax.set_xscale("log")
    plain_numbers(ax.xaxis)
    ax.set_xlim(float(runs[0]), float(runs[-1]))
    ax.set_ylim(max(0.0, 100.0 * float(np.nanmin(np.append(low, share))) - 4.0), 101.0)
    if result.statement is not None:
        limit_line(
            ax, 100.0 * result.statement.coverage, f"asked for: {100.0 * result.statement.coverage:.4g} %", above=False
        )
    ax.set_xlabel("runs")
    ax.set_ylabel("probability [%]")
    ax.set_title(f"How the probability of {odds.name} settles")
    ax.legend(loc="lower right")


def _drivers(ax: Axes, odds: Odds) -> None:
    shown = [pair for pair in odds.shares if pair[1] > 0.005][:BARS]
    ranks = dict(odds.correlation)
    place = np.arange(len(shown))[::-1]
    ax.barh(place, [100.0 * share for _, share in shown], height=0.6, color=NEUTRAL[0])
    for y, (key, share) in zip(place, shown, strict=True):
        if key in ranks:
            ax.annotate(
                f"rank correlation {ranks[key]:+.2f}", (100.0 * share, y), xytext=(4, 0), textcoords="offset points",
                va="center", fontsize=7.5, color=QUIET,
            )  # fmt: skip
    ax.set_yticks(place, [_short(key) for key, _ in shown])
    ax.set_xlim(0.0, 1.45 * max((100.0 * share for _, share in shown), default=1.0))
    ax.grid(False, axis="y")
    ax.set_xlabel("first-order share of the variance [%]")
    ax.set_title(f"What drives {odds.name}")


@styled
def disperse_chart(result: DisperseResult, axes: Any = None) -> Figure:
    """Of the requirement that holds least often: distribution with limit, convergence of its probability, what drives it."""
    figure, rows = given_or_new(axes, 3, *WIDTHS, gridspec_kw={"height_ratios": [1.0, 1.0, 1.1]})
    limited = [o for o in result.odds if o.limit is not None] or list(result.odds)
    odds = min(limited, key=lambda o: o.probability)
    scale = 1.0
    values = result.values[odds.name]
    finite = values[np.isfinite(values)]
    if finite.size and odds.mean != 0.0:
        scale = odds.mean / float(np.mean(finite))  # to the unit of the row
    _distribution(rows[0], values * scale, odds)
    rows[0].set_title(f"{result.runs} engines: {odds.name}, held by {100.0 * odds.probability:.1f} %")
    _convergence(rows[1], odds, result)
    _drivers(rows[2], odds)
    return figure
