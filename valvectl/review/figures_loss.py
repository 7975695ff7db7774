"""Figure of the loss of power, command or one motor. No physics."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.design.schema import LEGS
from valvectl.review.figure_style import ALLOWED, BACKING, INK, LEG_COLOUR, QUIET, given_or_new, plain_numbers, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.power_loss_result import PowerLossResult


def _at_rest(ax: Axes, result: PowerLossResult) -> None:
    largest = max(float(np.max(r.shutting)) for r in result.at_rest.values())
    finite = [float(v) for r in result.at_rest.values() for v in (*r.held_low, *r.held_high) if math.isfinite(v)]
    top = max([largest, *finite]) * 1.6
    smallest = min(float(np.min(r.shutting[r.shutting > 0.0], initial=top)) for r in result.at_rest.values())
    ax.set_yscale("log")
    plain_numbers(ax.yaxis)
    ax.set_ylim(min(smallest, *finite, top) / 2.5, top)
    shuts = "stream shuts" if result.closing.shuts == "stream" else "stream and spring shut"
    for name, rest in result.at_rest.items():
        colour, percent = LEG_COLOUR[name], 100.0 * rest.throttle
        low, high = np.minimum(rest.held_low, top), np.minimum(rest.held_high, top)
        ax.fill_between(percent, low, high, color=colour, alpha=0.16, linewidth=0.0)
        ax.plot(percent, rest.shutting, color=colour)
        middle = (3 * percent.size) // 4 if name == "oxidizer" else percent.size // 4
        ax.annotate(
            f"{name}: friction holds, low to high", (percent[middle], math.sqrt(float(low[middle] * high[middle]))),
            color=colour, fontsize=8.0, ha="center", va="center", bbox=BACKING,
        )  # fmt: skip
        ax.annotate(
            f"{name}: {shuts}", (percent[middle], float(rest.shutting[middle])), color=colour,
            fontsize=8.0, ha="center", va="bottom", xytext=(0, 3 if name == "fuel" else -12), textcoords="offset points",
        )  # fmt: skip
    ax.set_xlim(100.0 * float(result.at_rest["fuel"].throttle[0]), 100.0)
    ax.set_xlabel("throttle at which power is lost [% of full thrust]")
    ax.set_ylabel("torque at the stem [N m]")
    ax.set_title("Dead valve at rest: what turns it shut against what holds it")


MOST_SHOWN = 200.0
"""Largest error of O/F in sight [%]."""


@styled
def power_loss_chart(result: PowerLossResult, axes: Any = None) -> Figure:
    """Torques on a dead valve over the throttle range; below, the error of O/F for each loss in mid-change."""
    figure, (rest, error) = given_or_new(axes, 2, 7.4, 6.8, gridspec_kw={"height_ratios": [1.0, 1.25]})
    _at_rest(rest, result)
    kinds = list(dict.fromkeys(c.what for c in result.cases))
    for row, kind in enumerate(reversed(kinds)):
        cases = [c for c in result.cases if c.what == kind]
        colour = next((LEG_COLOUR[leg] for leg in LEGS if leg in kind), INK)
        for case in cases:
            shown = [case.peak_error, case.final_error if math.isfinite(case.final_error) else case.peak_error]
            error.plot([100.0 * v for v in shown], [row, row], color=colour, linewidth=1.0, alpha=0.6)
            error.plot(100.0 * case.peak_error, row, "o", color=colour, markersize=5.0)
        worst = max(cases, key=lambda c: abs(c.peak_error))
        soon = f", limit passed after {1e3 * worst.time_to_limit:.0f} ms" if math.isfinite(worst.time_to_limit) else ""
        left = worst.peak_error > 0.0
        error.annotate(
            f"{100.0 * worst.throttle_from:.0f} to {100.0 * worst.throttle_to:.0f} %{soon}",
            (min(100.0 * worst.peak_error, MOST_SHOWN), row), xytext=(0, 6), textcoords="offset points",
            ha="right" if left else "left", va="bottom", fontsize=7.5, color=QUIET,
        )  # fmt: skip
    low, high = error.get_xlim()
    if max(-low, high) > MOST_SHOWN:  # a flow on its way to nothing
        error.set_xlim(max(low, -110.0), min(high, MOST_SHOWN))
    band = 100.0 * result.limit
    error.axvspan(-band, band, color=ALLOWED, zorder=0)
    error.axvline(0.0, color=QUIET, linewidth=0.7)
    error.annotate(
        f"±{band:.3g} %", (0.0, 1.0), xycoords=("data", "axes fraction"), xytext=(0, -2), textcoords="offset points",
        ha="center", va="top", fontsize=7.5, color="#3f6b45",
    )  # fmt: skip
    error.set_yticks(range(len(kinds)), list(reversed(kinds)))
    error.set_ylim(-0.5, len(kinds) - 0.2)
    error.set_xlabel("largest error of O/F within half a second of the loss [%]; a dot each change of the profile")
    error.set_title("Lost in mid-change: error of the mixture ratio")
    error.grid(axis="x")
    return figure
