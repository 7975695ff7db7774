"""Figure of a motor's heat over its mission. No physics."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from valvectl.review.figure_style import (
    BACKING,
    INK,
    LEG_COLOUR,
    QUIET,
    end_labels,
    given_or_new,
    limit_line,
    plain_numbers,
    styled,
    thinned,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from valvectl.studies.mission_heat_result import MissionHeat

ZERO = 273.15


@styled
def heat_chart(result: MissionHeat, axes: Any = None) -> Figure:
    """Winding and case over the mission with the limit; below, the time to the limit stalled, pushing, holding."""
    figure, (course, bars) = given_or_new(axes, 2, 7.4, 5.8, gridspec_kw={"height_ratios": [1.5, 1.0]})
    time, winding, case = thinned(result.time, result.winding, result.case)
    colour = LEG_COLOUR[result.leg]
    unit, by = ("min", 60.0) if time[-1] > 600.0 else ("s", 1.0)
    course.plot(time / by, winding - ZERO, color=colour)
    if result.nodes == 2:
        course.plot(time / by, case - ZERO, color=QUIET)
    limit_line(course, result.limit - ZERO, f"winding's limit {result.limit - ZERO:.0f} °C", above=False)
    top, bottom = max(result.limit, result.peak) - ZERO, result.surroundings - ZERO
    course.set_ylim(bottom - 0.06 * (top - bottom), top + 0.06 * (top - bottom))
    course.set_xlim(0.0, time[-1] / by)
    course.annotate(
        f"peak {result.peak - ZERO:.1f} °C; repeated for ever "
        + (f"{result.lasting - ZERO:.1f} °C" if math.isfinite(result.lasting) else "it runs away"),
        (0.015, 0.80), xycoords="axes fraction", fontsize=8.5, color=colour, bbox=BACKING, va="top",
    )  # fmt: skip
    course.set_xlabel(f"time [{unit}]")
    course.set_ylabel("temperature [°C]")
    between = f", {result.pause:.4g} s between" if result.runs > 1 and result.pause > 0.0 else ""
    course.set_title(f"{result.leg} motor: {result.runs} run{'s' if result.runs > 1 else ''} of the profile{between}")
    ends = [(float(winding[-1]) - ZERO, "winding" if result.nodes == 2 else "motor", colour)]
    if result.nodes == 2:
        ends.append((float(case[-1]) - ZERO, "case", QUIET))
    end_labels(course, ends)

    cases = [(e.what, e.current, e.from_cold, e.from_peak) for e in result.endurance]
    cases.append(("profile without pause", result.rms_current, result.repeated, math.nan))
    finite = [v for c in cases for v in c[2:] if math.isfinite(v) and v > 0.0]
    low, high = min([*finite, 1.0]) / 3.0, max([*finite, 100.0]) * 12.0
    bars.set_xscale("log")
    bars.set_xlim(low, high)
    plain_numbers(bars.xaxis)
    for row, (*_, cold, warm) in enumerate(reversed(cases)):
        if math.isfinite(cold):
            bars.barh(row, cold - low, left=low, height=0.45, color=colour, alpha=0.55)
            text = f"{cold:.3g} s"
            if math.isfinite(warm):
                bars.plot([warm] * 2, [row - 0.3, row + 0.3], color=INK, linewidth=1.4)
                text += f"; {warm:.3g} s warm"
            bars.annotate(
                text, (max(cold, low * 1.2), row), xytext=(5, 0), textcoords="offset points", va="center", fontsize=8.0
            )
        else:
            bars.annotate(
                "never", (low, row), xytext=(5, 0), textcoords="offset points", va="center", fontsize=8.0, color=QUIET
            )
    bars.set_yticks(range(len(cases)), [f"{c[0]}\n{c[1]:.2g} A" for c in reversed(cases)])
    bars.set_ylim(-0.5, len(cases) - 0.4)
    bars.grid(axis="y", visible=False)
    bars.set_xlabel("time to the limit [s]: bar from cold on a hot day, line from the peak (warm)")
    bars.set_title("How long it bears it")
    return figure
