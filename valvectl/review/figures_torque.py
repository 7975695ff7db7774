"""Figure of the torque envelope: both ways over the travel, corners as bands, what is asked and what is there. No physics."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.review.figure_style import BACKING, INK, LEG_COLOUR, LIMIT, end_labels, given_or_new, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.torque_demand import Direction
    from valvectl.studies.torque_result import TorqueResult

CLIPPED = 1.35
"""The axis reaches to this multiple of the taller of need and available torque; a rule that asks for more is said in words."""


def _panel(ax: Axes, result: TorqueResult, way: Direction, top: float) -> None:
    colour, degrees = LEG_COLOUR[result.leg], np.degrees(result.angle)
    first, worst = result.corners[0], result.corners[-1]
    ends: list[tuple[float, str, Any]] = []
    for what, low, high, line in (
        ("breakaway", first.breakaway[way], worst.breakaway[way], "-"),
        ("running", first.running[way], worst.running[way], (0, (4, 1.6))),
    ):
        ax.fill_between(degrees, low, high, color=colour, alpha=0.2 if what == "breakaway" else 0.14, linewidth=0.0)
        ax.plot(degrees, high, color=colour, linestyle=line, linewidth=1.7 if what == "breakaway" else 1.2)
        ax.plot(degrees, low, color=colour, linestyle=line, linewidth=0.7)
        ends.append((float(high[-1]), f"{what}, worst corner", colour))
    ends.append((float(first.breakaway[way][-1]), "the same, warm", colour))
    ax.plot(degrees, np.full(degrees.size, result.available), color=INK, linewidth=1.5)
    ends.append((result.available, "available", INK))
    asked = worst.required[way]
    if np.all(np.isfinite(asked)):
        name = result.rule.name if result.rule is not None else ""
        ax.plot(degrees, asked, color=LIMIT, linewidth=1.0, linestyle=(0, (7, 2, 1.5, 2)))
        if float(asked[-1]) <= top:
            ends.append((float(asked[-1]), f"asked: {name}", LIMIT))
        if float(np.min(asked)) > top:
            ax.annotate(
                f"{name} asks for {float(np.min(asked)):.3g} to {float(np.max(asked)):.3g} N m, above this axis",
                (0.5, 0.97), xycoords="axes fraction", ha="center", va="top", fontsize=8.0, color=LIMIT, bbox=BACKING,
            )  # fmt: skip
    judged = result.stem
    if judged is not None and judged.direction == way and judged.result.required <= top:
        ax.plot([math.degrees(judged.angle)], [judged.result.required], "o", color=LIMIT, markersize=4.0, clip_on=False)
    ax.set_xlim(float(degrees[0]), float(degrees[-1]))
    ax.set_ylim(0.0, top)
    ax.set_ylabel("stem torque [N m]")
    end_labels(ax, ends, size=8.0)


@styled
def torque_envelope_chart(result: TorqueResult, axes: Any = None) -> Figure:
    """Breakaway and running torque from the mildest to the worst corner, opening above and closing below, against the torque
    available and that which the rule in force asks for. Needs 2 axes."""
    figure, (opening, closing) = given_or_new(axes, 2, 7.4, 5.8, sharex=True)
    if not result.corners:
        raise ValueError("this result holds no corners; ask the design for torque(leg)")
    worst = result.corners[-1]
    tallest = max(result.available, *(float(np.max(worst.breakaway[way])) for way in worst.breakaway))
    asked = max(float(np.max(worst.required[way])) for way in worst.required)
    reach = min(asked, CLIPPED * tallest) if math.isfinite(asked) else tallest
    top = 1.1 * max(tallest, reach)
    _panel(opening, result, "opening", top)
    _panel(closing, result, "closing", top)
    margin = ""
    if result.stem is not None and math.isfinite(result.stem.result.margin):
        margin = f", margin over the rule {100.0 * result.stem.result.margin:.0f} %"
    opening.set_title(f"Opening, {result.leg} leg{margin}")
    closing.set_title("Closing: stream and spring help and are left out")
    closing.set_xlabel("opening [deg]")
    return figure
