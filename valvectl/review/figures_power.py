"""Figure of both drives on one battery. No physics."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from valvectl.design.schema import LEGS
from valvectl.review.figure_style import (
    BACKING,
    INK,
    LEG_COLOUR,
    LEG_LINE,
    NEUTRAL,
    QUIET,
    given_or_new,
    limit_line,
    styled,
    thinned,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.power_result import PowerCase, PowerResult

LEFT_OUT = ("other loads", "drive electronics")
"""What does not come from moving the valves is left out of the bars."""
SMALLEST = 0.004
"""Shares of a bar below this are drawn without a name [-]."""


def _voltage(ax: Axes, case: PowerCase, lockout: float) -> None:
    for name in LEGS:
        time, volts = thinned(case.time, case.drive_voltage[name])
        ax.plot(time, volts, color=LEG_COLOUR[name], linestyle=LEG_LINE[name], linewidth=1.1, label=f"{name} drive")
    ax.axhline(case.battery, color=QUIET, linewidth=0.8)
    ax.annotate(
        f"open circuit {case.battery:.3g} V", (0.995, case.battery), xycoords=ax.get_yaxis_transform(), ha="right",
        va="bottom", xytext=(0, 2.5), textcoords="offset points", fontsize=8.0, color=QUIET, bbox=BACKING,
    )  # fmt: skip
    limit_line(ax, lockout, f"lock-out {lockout:.3g} V", above=True)
    lower = min(case.lowest, key=lambda n: case.lowest[n])
    low = case.lowest[lower]
    late = case.lowest_time > 0.5 * case.duration
    ax.annotate(
        f"{low:.2f} V at the {lower} drive", (case.lowest_time, low), xytext=(-8 if late else 8, -9),
        textcoords="offset points", ha="right" if late else "left", va="top", fontsize=8.0, color=LEG_COLOUR[lower],
        bbox=BACKING,
    )  # fmt: skip
    top = max(case.battery, max(float(v.max()) for v in case.drive_voltage.values()))
    span = top - min(lockout, low)
    ax.set_ylim(min(lockout, low) - 0.06 * span, top + 0.16 * span)
    ax.set_xlim(0.0, case.duration)
    ax.set_ylabel("at the drive [V]")
    ax.set_xlabel("time [s]")
    ax.set_title(f"{case.what[0].upper()}{case.what[1:]} valves at once: voltage at the drives")
    ax.legend(loc="center right", ncols=2)


def _bars(ax: Axes, result: PowerResult) -> None:
    names = [w for w in result.cases[0].spent if w not in LEFT_OUT]
    colours = {w: NEUTRAL[j % len(NEUTRAL)] for j, w in enumerate(names)}
    labels, longest = [], 1.0
    for row, case in enumerate(reversed(result.cases)):
        total = case.drawn - sum(case.spent[w] for w in LEFT_OUT)
        left = 0.0
        shown = []
        for w in names:
            share = case.spent[w] / total
            if share <= 0.0:
                continue
            ax.barh(
                row, 100.0 * share, left=100.0 * left, height=0.5, color=colours[w], edgecolor="#ffffff", linewidth=0.6
            )
            if share >= SMALLEST:
                shown.append((left + 0.5 * share, share, w))
            left += share
        last = [-1.0, -1.0, -1.0]
        for middle, share, w in shown:
            if share > 0.0105 * len(w) + 0.01:
                ax.annotate(w, (100.0 * middle, row), ha="center", va="center", fontsize=7.5, color="#ffffff")
            else:
                half = 0.0052 * len(w)
                level = next((k for k in range(3) if middle - half > last[k]), 2)
                last[level] = max(last[level], middle + half)
                ax.annotate(
                    w, (100.0 * middle, row + 0.25), xytext=(0, 2 + 9 * level), textcoords="offset points", ha="center",
                    va="bottom", fontsize=7.0, color=colours[w],
                )  # fmt: skip
        longest = max(longest, left)
        labels.append(f"{case.what}\n{total:.3g} J")
    ax.set_yticks(range(len(labels)), labels)
    ax.set_ylim(-0.4, len(labels) - 0.2)
    ax.set_xlim(-0.5, 100.0 * longest + 0.5)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel("share of what the moves take [%]; other loads and drive electronics left out")
    worst = max((c.imbalance for c in result.cases), key=abs)
    ax.set_title("Where the joules go")
    ax.annotate(
        f"not accounted for: {abs(100.0 * worst):.1g} % at most", (1.0, 1.0), xycoords="axes fraction", xytext=(0, 5),
        textcoords="offset points", ha="right", va="bottom", fontsize=8.0, color=INK,
    )  # fmt: skip


@styled
def power_chart(result: PowerResult, axes: Any = None) -> Figure:
    """Voltage at both drives over the simultaneous strokes with the lock-out, and the share of every loss."""
    figure, rows = given_or_new(axes, 3, 7.4, 8.2, gridspec_kw={"height_ratios": [1.0, 1.0, 1.15]})
    for ax, case in zip(rows[:2], result.cases[:2], strict=True):
        _voltage(ax, case, result.lockout)
    _bars(rows[2], result)
    return figure
