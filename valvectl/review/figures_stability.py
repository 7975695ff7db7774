"""Figures of feed-system stability: gain margin against throttle, stability maps over throttle and delay. No physics."""

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
    end_labels,
    given_or_new,
    limit_line,
    one_axes,
    styled,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.stability import ManifoldCase, StabilityResult

UNSTABLE = "#f0d3d6"
"""Fill where the loop is unstable."""
THIN = "#f4ecd8"
"""Fill where it is stable with less than the margin wanted."""
MOST_MARGIN = 24.0
"""The chart ends here: curves of larger gain margin leave it at the top [dB]."""
NEVER = 100.0
"""Where a gain margin without bound is drawn, well outside the chart [dB]."""
HERTZ_LABELS = 3
"""Frequencies written along a border, at most."""
FACTORS = (0.1, 0.2, 0.25, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 10.0)


def _separation(ax: Axes, result: StabilityResult, label: bool) -> None:
    """Grey band over the throttle settings at which the nozzle flow may separate."""
    if not result.separated.any():
        return
    percent = 100.0 * result.throttle
    right = float(percent[result.separated].max())
    ax.axvspan(float(percent.min()), right, facecolor="none", edgecolor=QUIET, hatch="//", linewidth=0.0, alpha=0.35)
    if label:
        ax.annotate(
            "nozzle flow may separate",
            (float(percent.min()), 0.03),
            xycoords=ax.get_xaxis_transform(),
            xytext=(4, 0),
            textcoords="offset points",
            color=QUIET,
            fontsize=8.0,
            bbox=BACKING,
        )


def _border_frequencies(ax: Axes, result: StabilityResult, case: ManifoldCase) -> None:
    """The frequency at which the loop would chug, written along the border of a map."""
    # not where the label, which hangs below the border, would lie on the operating points
    clear = (case.neutral_scale < 0.95) | (case.neutral_scale > 1.4)
    inside = np.nonzero(np.isfinite(case.neutral_frequency) & clear)[0]
    if inside.size == 0:
        return
    for j in np.unique(inside[np.linspace(0, inside.size - 1, HERTZ_LABELS + 2).round().astype(int)[1:-1]]):
        ax.annotate(
            f"{case.neutral_frequency[j]:.0f} Hz",
            (100.0 * float(result.throttle[j]), float(case.neutral_scale[j])),
            xytext=(4, -4),
            textcoords="offset points",
            ha="left",
            va="top",
            color=LIMIT,
            fontsize=8.0,
            zorder=3,
        )


@styled
def chug_margin_chart(result: StabilityResult, ax: Axes | None = None, *, margin: float = 6.0) -> Axes:
    """Gain margin of the chug loop over the throttle range, one curve a manifold state; ``margin`` wanted [dB]."""
    ax = one_axes(ax, 7.2, 3.6)
    percent = 100.0 * result.throttle
    shown = [np.minimum(case.gain_margin, NEVER) for case in result.cases]
    low = min(-2.0, *(float(np.min(values)) for values in shown)) - 1.0
    high = min(max(margin + 2.0, *(float(np.max(values)) for values in shown)), max(MOST_MARGIN, margin + 2.0)) + 1.0
    ax.set_xlim(float(percent.min()), float(percent.max()))
    ax.set_ylim(low, high)
    ax.axhspan(margin, high, color=ALLOWED, zorder=0)
    ax.axhspan(low, 0.0, color=UNSTABLE, zorder=0)
    ends: list[tuple[float, str, Any]] = []
    for j, (case, values) in enumerate(zip(result.cases, shown, strict=True)):
        colour = INK if case is result.as_stated else NEUTRAL[j % len(NEUTRAL)]
        stated = case is result.as_stated
        ax.plot(
            percent, values, color=colour, linewidth=2.2 if stated else 1.3, linestyle="-" if stated else (0, (5, 1.6))
        )
        ends.append(
            (
                min(float(values[-1]), high),
                f"{case.label}{', as stated' if stated and 'stated' not in case.label else ''}",
                colour,
            )
        )
    _separation(ax, result, True)
    limit_line(ax, 0.0, "unstable below", at=0.99, above=False)
    limit_line(ax, margin, f"wanted {margin:.3g} dB", at=0.99)
    end_labels(ax, ends, size=8.0)
    ax.set_ylabel("gain margin [dB]")
    ax.set_xlabel("throttle [% of full thrust]")
    full = float(result.chamber_pressure[int(np.argmax(result.throttle))]) / 1e5
    ax.set_title(f"Chug: gain margin over the throttle range (chamber {full:.3g} bar abs at full thrust)")
    return ax


@styled
def stability_map(
    result: StabilityResult, case: ManifoldCase | None = None, ax: Axes | None = None, *, margin: float = 6.0
) -> Axes:
    """Stability over throttle and combustion delay for one manifold state, by default the one stated.

    ``margin`` wanted [dB], at most 13 (the map does not look further). The line at factor 1 is the engine as stated;
    its points are full where it is stable.
    """
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    case = result.as_stated if case is None else case
    ax = one_axes(ax, 7.2, 3.6)
    percent, scale = 100.0 * result.throttle, result.delay_scale
    ceiling = 13.9
    field = np.minimum(case.map_gain_margin, ceiling).T
    field = np.where((case.map_roots > 0).T, np.minimum(field, -1e-6), np.maximum(field, 1e-6))
    low = min(-1.0, float(np.min(field))) - 1.0
    wanted = min(margin, 13.0)
    ax.contourf(
        percent, scale, field, levels=[low, 0.0, wanted, ceiling + 1.0], colors=[UNSTABLE, THIN, ALLOWED], zorder=0
    )
    if float(field.min()) < 0.0 < float(field.max()):
        ax.contour(percent, scale, field, levels=[0.0], colors=[LIMIT], linewidths=1.6)
    if float(field.min()) < wanted < float(field.max()):
        ax.contour(percent, scale, field, levels=[wanted], colors=[QUIET], linewidths=1.0, linestyles="dashed")
    ax.set_yscale("log")
    ax.set_xlim(float(percent.min()), float(percent.max()))
    ax.set_ylim(float(scale.min()), float(scale.max()))
    ax.yaxis.set_major_locator(FixedLocator([f for f in FACTORS if scale.min() <= f <= scale.max()]))
    ax.yaxis.set_minor_locator(NullLocator())
    ax.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    ax.grid(False)
    _separation(ax, result, False)
    if scale.min() <= 1.0 <= scale.max():
        ax.axhline(1.0, color=INK, linewidth=1.0)
        every = max(1, percent.size // 10)
        picked = np.unique([*range(0, percent.size, every), percent.size - 1])
        for fine in (True, False):
            at = picked[case.stable[picked] == fine]
            if at.size == 0:
                continue
            ax.plot(
                percent[at],
                np.ones(at.size),
                "o" if fine else "X",
                color=INK if fine else LIMIT,
                markersize=4.5 if fine else 6.5,
                clip_on=False,
                zorder=4,
                label="operating point, stable" if fine else "operating point, unstable",
            )
    _border_frequencies(ax, result, case)
    labels = [(UNSTABLE, "unstable"), (THIN, f"under {wanted:.3g} dB"), (ALLOWED, f"{wanted:.3g} dB or more")]
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = [Patch(facecolor=colour, label=text) for colour, text in labels]
    if np.isfinite(case.neutral_frequency).any():
        handles.append(Line2D([], [], color=LIMIT, linewidth=1.6, label="border, frequency there"))
    for line in ax.get_lines():
        if not str(line.get_label()).startswith("_"):
            handles.append(line)
    ax.legend(handles=handles, loc="upper left", bbox_to_anchor=(1.0, 1.0), fontsize=8.0)
    ax.set_ylabel("delays over those stated [-]")
    full = int(np.argmax(result.throttle))
    stated = ", ".join(f"{name} {1e3 * float(values[full]):.3g}" for name, values in result.delay.items())
    ax.set_xlabel("throttle [% of full thrust]")
    exponent = f" x throttle^{-result.delay_exponent:g}" if result.delay_exponent else ""
    ax.set_title(f"Stability map, {case.label}; delays stated: {stated} ms{exponent}")
    return ax


@styled
def stability_chart(result: StabilityResult, axes: Any = None, *, margin: float = 6.0) -> Figure:
    """Gain margin over throttle, then the maps of the manifolds as stated and of the soft limit. Needs 3 axes."""
    figure, (top, stated, soft) = given_or_new(
        axes, 3, 7.6, 8.6, sharex=True, gridspec_kw={"height_ratios": [1.15, 1.0, 1.0]}
    )
    chug_margin_chart(result, top, margin=margin)
    stability_map(result, result.as_stated, stated, margin=margin)
    stability_map(result, result.soft, soft, margin=margin)
    for ax in (top, stated):
        ax.set_xlabel("")
    return figure
