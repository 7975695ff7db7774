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
    thinned,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.budget import BudgetResult
    from valvectl.studies.disperse import DisperseResult, Odds
    from valvectl.studies.drivers import DriversResult
    from valvectl.studies.worst import WorstResult

WIDTHS = (7.2, 8.6)
"""Of a figure with three axes [inch]."""
BARS = 10
MOST = 16
"""Contributors drawn."""


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
    if not shown:
        ax.annotate("too few runs to tell one input from another", (0.5, 0.5), xycoords="axes fraction", ha="center")
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


@styled
def budget_chart(result: BudgetResult, axes: Any = None) -> Figure:
    """Contributors to O/F, largest first, with the sums; what halving each would save; sum of squares and drawn engines."""
    shown = [c for c in result.contributors if float(np.max(np.abs(c.ratio))) > 5e-6][:MOST]
    figure, rows = given_or_new(
        axes, 3, 7.4, 3.6 + 0.42 * (len(shown) + 3), gridspec_kw={"height_ratios": [len(shown) + 5, len(shown) + 2, 8]}
    )
    n = result.throttle.size
    settings = sorted({0, n // 2, n - 1})
    sums = [(f"{result.engines} engines drawn", result.ratio.drawn), ("root of the sum of squares", result.ratio.rss)]
    table = [*sums, *((_short(c.key) + (f" ({c.group})" if c.group else ""), np.abs(c.ratio)) for c in shown)]
    place = np.arange(len(table))[::-1].astype(float)
    ax = rows[0]
    for y, (_, values) in zip(place, table, strict=True):
        ax.plot([0.0, 100.0 * float(np.max(values))], [y, y], color="#d4d7dc", linewidth=3.0, solid_capstyle="butt")
    for k, j in enumerate(settings):
        ax.plot(
            [100.0 * float(v[j]) for _, v in table], place, ("o", "s", "D")[k], color=NEUTRAL[k], markersize=4.8,
            markeredgecolor="#ffffff", markeredgewidth=0.6, label=f"at {100.0 * float(result.throttle[j]):.0f} % throttle",
        )  # fmt: skip
    ax.axhline(place[1] - 0.5, color=QUIET, linewidth=0.7)
    ax.set_yticks(place, [name for name, _ in table])
    ax.set_ylim(-0.7, len(table) - 0.3)
    ax.set_xlim(left=0.0)
    ax.grid(False, axis="y")
    ax.legend(loc="lower right")
    ax.set_xlabel("change of O/F, one standard deviation [%]")
    ax.set_title("Who contributes to the O/F error at held throttle")
    lines = [
        f"at {100 * float(result.throttle[j]):.0f} %: {100 * float(result.ratio.worst_case[j]):.1f} %" for j in settings
    ]
    ax.annotate(
        "all at their bounds\n" + "\n".join(lines), (0.985, 0.52), xycoords="axes fraction", ha="right", va="center",
        fontsize=8.0, bbox=BACKING,
    )  # fmt: skip
    _halving(rows[1], result, shown)
    ax = rows[2]
    x = 100.0 * result.throttle
    ax.fill_between(x, 90.0 * result.ratio.drawn, 110.0 * result.ratio.drawn, color=ALLOWED)
    ax.plot(x, 100.0 * result.ratio.rss, color=NEUTRAL[0], marker="o", markersize=4, label="root of the sum of squares")
    ax.plot(
        x, 100.0 * result.ratio.drawn, color=NEUTRAL[1], linestyle="--", marker="s", markersize=4,
        label="engines drawn, not linearised (band: 10 %)",
    )  # fmt: skip
    ax.set_ylim(0.0, 1.5 * 100.0 * float(np.max(result.ratio.rss)))
    ax.set_xlim(float(x.min()), float(x.max()))
    ax.set_xlabel("throttle [% of full thrust]")
    ax.set_ylabel("deviation of O/F [%]")
    ax.set_title("Does the linear sum hold?")
    ax.legend(loc="lower right")
    return figure


def _halving(ax: Axes, result: BudgetResult, shown: Any) -> None:
    j = int(np.argmax(result.ratio.rss))
    shown = sorted(shown, key=lambda c: -float(c.halved[j]))
    place = np.arange(len(shown))[::-1]
    saved = [100.0 * float(c.halved[j]) for c in shown]
    ax.barh(place, saved, height=0.6, color=NEUTRAL[0])
    for y, value in zip(place, saved, strict=True):
        ax.annotate(
            f"{value:.1f}",
            (max(value, 0.0), y),
            xytext=(3, 0),
            textcoords="offset points",
            va="center",
            fontsize=7.5,
            color=QUIET,
        )
    ax.set_yticks(place, [_short(c.key) for c in shown])
    ax.set_ylim(-0.7, len(shown) - 0.3)
    ax.set_xlim(min(0.0, 1.1 * min(saved, default=0.0)), 1.15 * max([*saved, 0.1]))
    ax.grid(False, axis="y")
    ax.set_xlabel("less deviation of O/F [% of it]")
    ax.set_title(f"What halving each alone would buy, at {100.0 * float(result.throttle[j]):.0f} % throttle")


_DRIVEN = {
    "mixture_ratio_transient": "Largest O/F error in a change",
    "mixture_ratio_steady": "Held O/F error where it scatters most",
    "thrust_error": "Held thrust error where it scatters most",
    "tracking_mismatch": "Difference of the valves' lags",
}


@styled
def drivers_chart(result: DriversResult, axes: Any = None) -> Figure:
    """Shares of the variance of the O/F errors and of the valves' mismatch, alone and in total, with bootstrap bounds."""
    wanted = ("mixture_ratio_transient", "mixture_ratio_steady", "thrust_error", "tracking_mismatch")
    driven = [d for name in wanted for d in result.driven if d.name == name][:3] or list(result.driven[:1])
    figure, rows = given_or_new(axes, len(driven), 7.2, 0.8 + 2.6 * len(driven))
    for ax, one in zip(rows, driven, strict=True):
        shown = one.indices[:8]
        place = np.arange(len(shown))[::-1].astype(float)
        for shift, colour, label, values, bounds in (
            (0.19, NEUTRAL[0], "alone", [i.first for i in shown], [i.first_bounds for i in shown]),
            (-0.19, NEUTRAL[1], "with others (total)", [i.total for i in shown], [i.total_bounds for i in shown]),
        ):
            ax.barh(place + shift, [100.0 * v for v in values], height=0.36, color=colour, label=label)
            for y, (low, high) in zip(place + shift, bounds, strict=True):
                ax.plot([100.0 * low, 100.0 * high], [y, y], color=QUIET, linewidth=1.0)
        ax.axvline(0.0, color=QUIET, linewidth=0.8)
        ax.set_yticks(place, [_short(i.factor) for i in shown])
        ax.grid(False, axis="y")
        ax.set_xlabel("share of the variance [%]; line: 95 % of resamples")
        ax.set_title(f"{_DRIVEN.get(one.name, one.name.replace('_', ' '))}: deviation {one.deviation:.3g} {one.unit}")
    rows[0].legend(loc="lower right")
    return figure


@styled
def worst_chart(result: WorstResult, axes: Any = None) -> Figure:
    """Where the inputs stand in the worst engine for O/F, and its throttle profile beside the nominal one."""
    case = max((c for c in result.cases if c.quantity == "O/F error"), key=lambda c: abs(c.value))
    inputs = list(case.at.items())[:24]
    figure, rows = given_or_new(
        axes, 2, 7.2, 3.9 + 0.2 * len(inputs), gridspec_kw={"height_ratios": [len(inputs) + 2, 14]}
    )
    ax = rows[0]
    place = np.arange(len(inputs))[::-1].astype(float)
    ax.axvline(0.0, color=QUIET, linewidth=0.8)
    for y, (_, share) in zip(place, inputs, strict=True):
        ax.plot([0.0, share], [y, y], color="#d4d7dc", linewidth=3.0, solid_capstyle="butt")
        ax.plot(
            [share],
            [y],
            "o" if abs(share) > 0.999 else "D",
            color=NEUTRAL[0] if abs(share) > 0.999 else LIMIT,
            markersize=4.5,
        )
    ax.set_yticks(place, [_short(key) for key, _ in inputs])
    ax.set_ylim(-0.7, len(inputs) - 0.3)
    ax.set_xlim(-1.15, 1.15)
    ax.grid(False, axis="y")
    ax.set_xlabel("place within the tolerance: -1 lower bound, 1 upper bound [-]")
    ax.set_title(f"Worst held O/F: {100.0 * case.value:+.2f} % at {100.0 * case.throttle:.0f} % throttle")
    ax = rows[1]
    for run, name, colour, dash in (
        (result.nominal_run, "as designed", QUIET, "--"), (result.run, "worst engine found", NEUTRAL[0], "-"),
    ):  # fmt: skip
        if run is not None:
            time, error = thinned(run.time, 100.0 * run.ratio_error)
            ax.plot(time, error, color=colour, linestyle=dash, linewidth=1.1, label=name)
    ax.set_xlabel("time [s]")
    ax.set_ylabel("O/F error [%]")
    ax.set_title("Its throttle profile, simulated")
    ax.legend(loc="best", ncols=2)
    return figure
