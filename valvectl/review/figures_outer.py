"""Figure of the outer loops: the schedule alone against the closed loops. No physics."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.review.figure_style import (
    ALLOWED,
    INK,
    NEUTRAL,
    QUIET,
    end_labels,
    given_or_new,
    limit_line,
    plain_numbers,
    styled,
    thinned,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.outer_result import OuterResult, TrimRun

ALONE, HELD = "#8a5a2b", "#2f6f73"
SOURCES = {
    "flow_meters": "usual flow meters",
    "absolute_pressures": "usual absolute",
    "differential_pressures": "usual differential",
}


def _over_time(ax: Axes, run: TrimRun, steady: float | None) -> None:
    time, alone, held = thinned(run.time, 100.0 * run.open_ratio, 100.0 * run.closed_ratio)
    if steady is not None:
        ax.axhspan(-100.0 * steady, 100.0 * steady, color=ALLOWED, zorder=0)
        ax.annotate(
            f"±{100.0 * steady:.3g} % steady limit", (0.01, -100.0 * steady), xycoords=("axes fraction", "data"),
            xytext=(0, 3), textcoords="offset points", fontsize=7.5, color="#3f6b45", va="bottom",
        )  # fmt: skip
    ax.plot(time, alone, color=ALONE)
    ax.plot(time, held, color=HELD, linewidth=1.0)
    ax.axhline(0.0, color=QUIET, linewidth=0.7)
    ax.set_xlim(float(time[0]), float(time[-1]))
    ax.set_ylabel("error of O/F [%]")
    ax.set_title(f"Error of the mixture ratio; {run.what}", wrap=True)
    end_labels(ax, [(float(alone[-1]), "schedule alone", ALONE), (float(held[-1]), "with loops", HELD)])


def _thrust(ax: Axes, run: TrimRun) -> None:
    alone, held = (100.0 * (f - run.throttle) for f in (run.open_thrust, run.closed_thrust))
    time, alone, held = thinned(run.time, alone, held)
    ax.plot(time, alone, color=ALONE)
    ax.plot(time, held, color=HELD, linewidth=1.0)
    ax.axhline(0.0, color=QUIET, linewidth=0.7)
    ax.set_xlim(float(time[0]), float(time[-1]))
    low, high = np.percentile(np.concatenate([alone, held]), [0.5, 99.5])
    room = 0.25 * (high - low)
    ax.set_ylim(float(low - room), float(high + room))
    ax.set_xlabel("time [s]")
    ax.set_ylabel("thrust less setting\n[% of full]")
    ax.set_title("Thrust less throttle setting")
    end_labels(ax, [(float(alone[-1]), "schedule alone", ALONE), (float(held[-1]), "with loops", HELD)])


def _standing(ax: Axes, result: OuterResult, steady: float | None) -> None:
    percent = 100.0 * result.throttle
    ax.set_yscale("log")
    curves: list[tuple[Any, str, str, float, Any]] = []
    if np.all(np.isfinite(result.open_error)):
        curves.append((100.0 * result.open_error, "schedule alone", ALONE, 2.0, "-"))
    if result.source != "none" and np.any(result.closed_error > 0.0):
        curves.append((100.0 * result.closed_error, "loops, as designed", HELD, 2.0, "-"))
    for k, (key, values) in enumerate(result.by_source.items()):
        curves.append((100.0 * values, SOURCES[key], NEUTRAL[2 + k], 1.0, (0, (4.0, 2.0))))
    for values, _, colour, width, line in curves:
        ax.plot(percent, values, color=colour, linewidth=width, linestyle=line)
    everything = np.concatenate([c[0] for c in curves])
    ax.set_ylim(float(np.min(everything)) / 1.5, float(np.max(everything)) * 1.5)
    ax.set_xlim(float(percent[0]), float(percent[-1]))
    plain_numbers(ax.yaxis)
    if steady is not None:
        limit_line(ax, 100.0 * steady, f"steady O/F limit {100.0 * steady:.3g} %", at=0.01)
    ax.set_xlabel("throttle [% of full thrust]")
    ax.set_ylabel("error of O/F [%]")
    ax.set_title("What stays of O/F at a held throttle, twice the standard uncertainty")
    end_labels(ax, [(float(c[0][-1]), c[1], c[2]) for c in curves], size=7.5)


@styled
def outer_chart(result: OuterResult, axes: Any = None, *, steady: float | None = None) -> Figure:
    """Error of O/F and thrust over the profile with everything wrong at once, and what stays over the throttle range.

    ``steady``: the steady O/F limit [-].
    """
    figure, (ratio, thrust, standing) = given_or_new(
        axes, 3, 7.4, 8.0, gridspec_kw={"height_ratios": [1.25, 1.0, 1.25]}
    )
    run = result.runs[-1]
    _over_time(ratio, run, steady)
    _thrust(thrust, run)
    _standing(standing, result, steady)
    for ax in (ratio, thrust, standing):
        ax.tick_params(colors=INK)
    return figure
