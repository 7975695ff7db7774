"""Figure of the torque demand: envelope over the travel, and what each rule requires. No physics."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.review.figure_style import INK, LEG_COLOUR, LIMIT, NEUTRAL, QUIET, end_labels, given_or_new, styled

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from valvectl.studies.torque_demand import TorqueDemand


@styled
def torque_demand_chart(result: TorqueDemand, axes: Any = None) -> Figure:
    """Breakaway to open at every corner and to close at the worst, over the travel; below, required torque by each rule."""
    figure, (envelope, rules) = given_or_new(axes, 2, 7.6, 7.4, gridspec_kw={"height_ratios": [1.0, 1.15]})
    degrees, colour = np.degrees(result.angle), LEG_COLOUR[result.leg]
    ends: list[tuple[float, str, Any]] = []
    for j, corner in enumerate(result.corners):
        worst = j == len(result.corners) - 1
        tone = colour if worst else NEUTRAL[j]
        envelope.plot(degrees, corner.opening_break, color=tone, linewidth=2.0 if worst else 1.1)
        ends.append((float(corner.opening_break[-1]), f"{corner.name}", tone))
    last = result.corners[-1]
    envelope.plot(degrees, last.closing_break, color=colour, linewidth=1.2, linestyle=(0, (4, 1.6)))
    envelope.axhline(result.stem_available, color=INK, linewidth=1.5)
    ends.append((result.stem_available, "available", INK))
    envelope.set_ylim(0.0, 1.1 * max(result.stem_available, float(last.opening_break.max())))
    envelope.set_xlim(float(degrees[0]), float(degrees[-1]))
    end_labels(envelope, ends, size=8.0)
    envelope.set_xlabel("opening [deg]")
    envelope.set_ylabel("stem torque [N m]")
    envelope.set_title(f"Breakaway to open, {result.leg} leg; dashed: to close")
    names = list(result.rules)
    for row, name in enumerate(reversed(names)):
        at = result.rules[name].stem
        met = result.rules[name].smaller >= 0.0
        tone = colour if met else LIMIT
        rules.barh(row, at.required, height=0.62, color=tone, alpha=0.9 if name == result.chosen else 0.55)
        named = ", named in the design" if name == result.chosen else ""
        rules.annotate(
            f"{at.required:.3g} N m, {'met' if met else 'missed'}{named}", (at.required, row), xytext=(4, 0),
            textcoords="offset points", va="center", fontsize=7.5, color=QUIET,
        )  # fmt: skip
    rules.axvline(result.stem_available, color=INK, linewidth=1.5)
    rules.annotate(
        f"available {result.stem_available:.3g} N m", (result.stem_available, 1.0), xycoords=("data", "axes fraction"),
        xytext=(3, -3), textcoords="offset points", va="top", fontsize=8.0, color=INK,
    )  # fmt: skip
    rules.set_yticks(range(len(names)), list(reversed(names)))
    rules.set_xlim(0.0, 1.35 * max(result.stem_available, *(r.stem.required for r in result.rules.values())))
    rules.set_ylim(-0.6, len(names) - 0.1)
    rules.set_xlabel("torque required at the stem [N m]; met or missed counts both sides of the gears")
    rules.set_title("What each rule requires of this actuator")
    rules.grid(axis="x")
    return figure
