"""Figure of hunting and limit cycles of a leg. It draws and computes no physics."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.review.figure_style import BACKING, INK, LEG_COLOUR, LIMIT, QUIET, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.limit_cycles import Case, LimitCycles

SHOWN_PERIODS = 6.0
"""Periods of a limit cycle shown over time."""
SHOWN_HUNT = 2.0
"""Time shown of a leg that hunts or rests [s]."""


@styled
def hunting_chart(result: LimitCycles, axes: Any = None) -> Figure:
    """Over time and in the phase plane what the simulation did, with the cycle foreseen; lost motion on the Nyquist plane.

    Needs 4 axes.
    """
    if axes is None:
        from matplotlib.figure import Figure as New

        figure: Figure = New(figsize=(8.6, 6.6))
        found = list(figure.subplots(2, 2).ravel())
    else:
        found = list(np.ravel(axes))
        if len(found) != 4:
            raise ValueError(f"needs 4 axes, got {len(found)}")
        figure = found[0].figure
    quiet = result.cases[min(1, len(result.cases) - 1)]
    loud = result.cases[-1]
    _over_time(found[0], result, quiet, result.cases[0] if quiet is not result.cases[0] else None)
    _over_time(found[1], result, loud, None)
    _phase_plane(found[2], result, loud)
    _nyquist(found[3], result)
    return figure


def _over_time(ax: Axes, result: LimitCycles, case: Case, beside: Case | None) -> None:
    colour = LEG_COLOUR[result.leg]
    shown = SHOWN_PERIODS * 2.0 * math.pi / case.seen.frequency if case.seen.outcome == "swings" else SHOWN_HUNT
    late = case.time >= case.time[-1] - shown
    time = case.time[late] - case.time[-1] + shown
    ax.plot(time, np.degrees(case.rotor[late]), color=QUIET, linewidth=1.0, label="rotor over the ratio")
    ax.plot(time, np.degrees(case.stem[late]), color=colour, label="stem")
    if beside is not None:
        held = beside.time >= beside.time[-1] - shown
        ax.plot(
            time,
            np.degrees(beside.stem[held]),
            color=INK,
            linewidth=1.0,
            linestyle=(0, (2, 1.5)),
            label="stem, with hold band",
        )
    best = case.best
    if case.seen.outcome == "swings" and best is not None:
        middle = math.degrees(float(np.mean(case.rotor[late])))
        for sign in (1.0, -1.0):
            ax.axhline(
                middle + sign * math.degrees(best.amplitude), color=LIMIT, linewidth=0.9, linestyle=(0, (7, 2, 1.5, 2))
            )
        ax.annotate(
            "rotor, foreseen",
            (0.01, middle + math.degrees(best.amplitude)),
            xycoords=("axes fraction", "data"),
            xytext=(0, 2),
            textcoords="offset points",
            color=LIMIT,
            fontsize=8.0,
            bbox=BACKING,
        )
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + 0.45 * (high - low))
    ax.set_xlim(0.0, shown)
    ax.legend(loc="upper right", ncols=1, fontsize=8.0)
    ax.set_xlabel(f"time, the last {shown:.2g} s of {case.time[-1]:.2g} s [s]")
    ax.set_ylabel("angle less command [deg]")
    ax.set_title(f"{case.what}: {case.seen.outcome}")


def _phase_plane(ax: Axes, result: LimitCycles, case: Case) -> None:
    """Rotor angle and speed of the last case, from its start on."""
    angle = np.degrees(case.rotor)
    speed = np.gradient(angle, case.time)
    early = case.time < 0.4
    ax.plot(angle[early], speed[early], color=QUIET, linewidth=0.5, alpha=0.8)
    late = case.time > 0.9 * case.time[-1]
    ax.plot(angle[late], speed[late], color=LEG_COLOUR[result.leg], linewidth=1.3)
    best = case.best
    if best is not None:
        turn = np.linspace(0.0, 2.0 * math.pi, 181)
        middle = float(np.mean(angle[late]))
        a = math.degrees(best.amplitude)
        ax.plot(
            middle + a * np.sin(turn),
            a * best.frequency * np.cos(turn),
            color=LIMIT,
            linewidth=1.0,
            linestyle=(0, (5, 2)),
        )
        text = f"foreseen {a:.3g}° at {best.frequency / (2.0 * math.pi):.3g} Hz"
        _text(ax, text, (0.02, 0.03), LIMIT)
    if case.seen.outcome == "swings":
        seen = f"simulated {math.degrees(case.seen.amplitude):.3g}° at {case.seen.frequency / (2.0 * math.pi):.3g} Hz"
        _text(ax, seen, (0.02, 0.93), LEG_COLOUR[result.leg])
    ax.set_xlabel("rotor over the ratio, less command [deg]")
    ax.set_ylabel("its speed [deg/s]")
    ax.set_title(f"{case.what}: phase plane")


def _text(ax: Axes, text: str, place: tuple[float, float], colour: str) -> None:
    ax.annotate(text, place, xycoords="axes fraction", color=colour, fontsize=8.0, bbox=BACKING)


def _nyquist(ax: Axes, result: LimitCycles) -> None:
    """Exact loop gain and -1/N of the lost motion; where they meet, lost motion alone would keep up a swing."""
    curve = result.curve
    ax.set_title("Lost motion alone: loop gain and −1/N")
    if curve is None:
        _text(ax, "position encoder on the motor:\nthe gap lies outside the loop", (0.1, 0.5), INK)
        ax.set_axis_off()
        return
    gain, inverse = curve.loop_gain, curve.inverse
    ax.axhline(0.0, color=QUIET, linewidth=0.6)
    ax.axvline(0.0, color=QUIET, linewidth=0.6)
    ax.plot(gain.real, gain.imag, color=LEG_COLOUR[result.leg], clip_on=True)
    ax.plot(inverse.real, inverse.imag, color=INK, linewidth=1.2)
    ax.plot([-1.0], [0.0], "+", color=LIMIT, markersize=9, markeredgewidth=1.4)
    for ratio in (1.3, 2.0, 4.0):
        j = int(np.argmin(np.abs(curve.ratio - ratio)))
        place = (float(inverse[j].real), float(inverse[j].imag))
        if place[0] > -4.2 and place[1] < 3.2:
            ax.plot(*[[v] for v in place], "o", color=INK, markersize=3)
            _beside(ax, f"{math.degrees(ratio * curve.half_gap):.2g}°", place, (-4, 2), "right", INK)
    _beside(ax, "−1/N, rotor amplitude", (-2.1, -1.9), (0, 0), "right", INK)
    j = int(np.argmin(np.abs(gain.imag + 2.0)))
    _beside(ax, "loop gain", (float(gain[j].real), float(gain[j].imag)), (5, 0), "left", LEG_COLOUR[result.leg])
    touch = (
        "no touch up to 100 times the gain"
        if math.isinf(curve.factor)
        else f"touch at {curve.factor:.3g} times the gain"
    )
    _text(ax, touch, (0.02, 0.9), LIMIT)
    ax.set_xlim(-4.5, 1.5)
    ax.set_ylim(-3.6, 1.4)
    ax.set_xlabel("real part [-]")
    ax.set_ylabel("imaginary part [-]")


def _beside(
    ax: Axes, text: str, place: tuple[float, float], shift: tuple[float, float], side: str, colour: str
) -> None:
    ax.annotate(
        text, place, xytext=shift, textcoords="offset points", ha=side, color=colour, fontsize=8.0, bbox=BACKING
    )
