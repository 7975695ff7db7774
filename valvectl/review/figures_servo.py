"""Figures of one leg's actuator: gear ratio, position loop, step, torque. They draw and compute no physics."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.review.figure_style import (
    ALLOWED,
    BACKING,
    INK,
    LEG_COLOUR,
    LIMIT,
    NEUTRAL,
    QUIET,
    end_labels,
    given_or_new,
    limit_line,
    one_axes,
    plain_numbers,
    styled,
    thinned,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.loop import LoopResult
    from valvectl.studies.ratio import RatioResult
    from valvectl.studies.torque import TorqueResult


@styled
def ratio_chart(result: RatioResult, ax: Axes | None = None) -> Axes:
    """Reserve of every check over the gear ratio: 1 is the limit, above it the check holds.

    The range in which all checks hold is shaded; the design's ratio and the recommended one are marked.
    """
    ax = one_axes(ax, 7.2, 3.9)
    x = result.ratio
    low, high = 0.2, 20.0
    ends: list[tuple[float, str, Any]] = []
    for j, check in enumerate(result.checks):
        reserve = np.exp(np.clip(check.reserve, math.log(low) - 1.0, math.log(high) + 1.0))
        colour = NEUTRAL[j % len(NEUTRAL)]
        again = j >= len(NEUTRAL)  # colours come round: the line tells them apart
        ax.plot(x, reserve, color=colour, linewidth=1.6, linestyle=(0, (4, 1.6)) if again else "-")
        sign = "≥" if check.at_least else "≤"
        ends.append(
            (float(np.clip(reserve[-1], low, high)), f"{check.name} {sign} {check.limit:.3g} {check.unit}", colour)
        )
    ax.set_xscale("log")
    ax.set_yscale("log")
    ax.set_xlim(float(x[0]), float(x[-1]))
    ax.set_ylim(low, high)
    plain_numbers(ax.xaxis)
    plain_numbers(ax.yaxis)
    if result.window is not None:
        ax.axvspan(*result.window, color=ALLOWED, zorder=0)
        middle = math.sqrt(result.window[0] * result.window[1])
        ax.annotate(
            "all checks hold", (middle, 0.03), xycoords=ax.get_xaxis_transform(), ha="center", fontsize=8.0, color=INK
        )
    limit_line(ax, 1.0, "limit", at=0.01)
    ax.axvline(result.current, color=INK, linewidth=1.1)
    marks = [(result.current, f"design {result.current:.3g}")]
    if result.recommended is not None:
        ax.axvline(result.recommended, color=INK, linewidth=1.1, linestyle=(0, (1.5, 1.5)))
        marks.append((result.recommended, f"recommended {result.recommended:.3g}"))
    for j, (place, text) in enumerate(sorted(marks)):
        along = math.log(place / float(x[0])) / math.log(float(x[-1] / x[0]))
        left = along > 0.75 or (len(marks) == 2 and j == 0 and along > 0.25)
        ax.annotate(
            text,
            (place, 0.985 - 0.055 * j),
            xycoords=ax.get_xaxis_transform(),
            xytext=(-4 if left else 4, 0),
            textcoords="offset points",
            ha="right" if left else "left",
            va="top",
            fontsize=8.0,
            bbox=BACKING,
        )
    end_labels(ax, ends, size=8.0)
    ax.set_xlabel("total gear ratio [-]")
    ax.set_ylabel("reserve over the limit [factor]")
    none = "" if result.window is not None else ": no ratio meets every check"
    ax.set_title(f"Gear ratio, {result.leg} leg{none}")
    return ax


@styled
def bode(result: LoopResult, axes: Any = None) -> Figure:
    """Position loop gain: magnitude [dB] and phase [deg] over frequency [Hz], both margins marked. Needs 2 axes."""
    figure, (top, bottom) = given_or_new(axes, 2, 7.2, 4.8, sharex=True)
    hertz = result.frequency / (2.0 * math.pi)
    with np.errstate(divide="ignore"):
        magnitude = 20.0 * np.log10(np.abs(result.loop_gain))
        closed = 20.0 * np.log10(np.abs(result.complementary))
    phase = np.degrees(np.unwrap(np.angle(result.loop_gain)))
    phase -= 360.0 * round((phase[0] + 90.0) / 360.0)
    colour = LEG_COLOUR[result.leg]
    top.plot(hertz, magnitude, color=colour, label="loop gain")
    top.plot(hertz, closed, color=QUIET, linewidth=1.1, linestyle=(0, (4, 1.5)), label="closed loop, no feed-forward")
    bottom.plot(hertz, phase, color=colour)
    top.axhline(0.0, color=INK, linewidth=0.7)
    bottom.axhline(-180.0, color=INK, linewidth=0.7)
    m = result.margins["position"]
    if math.isfinite(m.gain_margin_db) and math.isfinite(m.phase_crossover):
        at = m.phase_crossover / (2.0 * math.pi)
        _bracket(top, at, -m.gain_margin_db, 0.0)
        _note(top, f"gain margin {m.gain_margin_db:.3g} dB", (at, 0.0), (4, 3), "left", "bottom")
        bottom.plot([at], [-180.0], "o", color=LIMIT, markersize=4)
        bottom.axvline(at, color=QUIET, linewidth=0.6, linestyle=":")
    if math.isfinite(m.phase_margin) and math.isfinite(m.gain_crossover):
        at = m.gain_crossover / (2.0 * math.pi)
        margin = math.degrees(m.phase_margin)
        _bracket(bottom, at, -180.0, -180.0 + margin)
        place = (at, -180.0 + 0.5 * margin)
        _note(bottom, f"phase margin {margin:.3g}° at {at:.3g} Hz", place, (-6, 0), "right", "center")
        top.plot([at], [0.0], "o", color=LIMIT, markersize=4)
        top.axvline(at, color=QUIET, linewidth=0.6, linestyle=":")
    wanted = hertz > 0.003 * hertz[-1]
    floor = float(np.min(magnitude[np.isfinite(magnitude)]))
    top.set_ylim(max(floor - 3.0, -40.0), float(np.max(magnitude[wanted])) + 5.0)
    bottom.set_ylim(min(-270.0, max(float(np.min(phase)) - 10.0, -450.0)), -60.0)
    bottom.set_yticks(np.arange(-90.0 * math.floor(-bottom.get_ylim()[0] / 90.0), -45.0, 90.0))
    top.set_xscale("log")
    bottom.set_xscale("log")
    bottom.set_xlim(0.003 * hertz[-1], hertz[-1])
    plain_numbers(bottom.xaxis)
    top.legend(loc="upper right")
    top.set_ylabel("magnitude [dB]")
    bottom.set_ylabel("phase [deg]")
    bottom.set_xlabel("frequency [Hz], up to half the sample rate")
    gains = "gains tuned here" if result.tuned else "gains from the design file"
    top.set_title(f"Position loop, {result.leg} leg, {gains}")
    return figure


def _bracket(ax: Axes, at: float, low: float, high: float) -> None:
    """A margin as a double arrow between two levels."""
    arrow = {"arrowstyle": "<->", "color": LIMIT, "linewidth": 1.1, "shrinkA": 0, "shrinkB": 0}
    ax.annotate("", (at, low), (at, high), arrowprops=arrow)


def _note(
    ax: Axes, text: str, at: tuple[float, float], shift: tuple[float, float], side: str, stand: str, colour: str = LIMIT
) -> None:
    """Small text beside a point; ``shift`` in points."""
    ax.annotate(
        text,
        at,
        xytext=shift,
        textcoords="offset points",
        ha=side,
        va=stand,
        color=colour,
        fontsize=8.0,
        bbox=BACKING,
    )


@styled
def nyquist(result: LoopResult, ax: Axes | None = None, *, peak_limit: float | None = None) -> Axes:
    """Position loop gain in the complex plane round the point -1, with the circle that the peak sensitivity touches.

    ``peak_limit`` is the largest |S| wanted [-]; its circle is drawn as a limit.
    """
    ax = one_axes(ax, 4.6, 4.4)
    gain = result.loop_gain
    colour = LEG_COLOUR[result.leg]
    ax.axhline(0.0, color=QUIET, linewidth=0.6)
    ax.axvline(0.0, color=QUIET, linewidth=0.6)
    turn = np.linspace(0.0, 2.0 * math.pi, 181)
    ax.plot(np.cos(turn), np.sin(turn), color=QUIET, linewidth=0.7, linestyle=":")
    near = np.abs(gain) < 6.0
    ax.plot(gain.real[near], gain.imag[near], color=colour)
    ax.plot(gain.real[near], -gain.imag[near], color=colour, linewidth=0.7, alpha=0.5)
    m = result.margins["position"]
    if math.isfinite(m.peak_sensitivity) and m.peak_sensitivity > 0.0:
        radius = 1.0 / m.peak_sensitivity
        ax.plot(-1.0 + radius * np.cos(turn), radius * np.sin(turn), color=INK, linewidth=0.9)
        _note(ax, f"Ms = {m.peak_sensitivity:.3g}", (-1.0, radius), (0, 3), "center", "bottom", INK)
    if peak_limit is not None:
        radius = 1.0 / peak_limit
        ax.plot(-1.0 + radius * np.cos(turn), radius * np.sin(turn), color=LIMIT, linewidth=0.9, linestyle=(0, (5, 2)))
        _note(ax, f"limit {peak_limit:.3g}", (-1.0, -radius), (0, 5), "center", "bottom")
    ax.plot([-1.0], [0.0], "+", color=LIMIT, markersize=9, markeredgewidth=1.4)
    ax.set_xlim(-2.1, 1.2)
    ax.set_ylim(-1.75, 1.55)
    ax.set_aspect("equal")
    ax.set_xlabel("real part [-]")
    ax.set_ylabel("imaginary part [-]")
    ax.set_title(f"Nyquist curve, {result.leg} leg")
    return ax


@styled
def step(
    result: LoopResult, axes: Any = None, *, overshoot: float | None = None, settling: float | None = None
) -> Figure:
    """Simulated steps of the command both ways: travel, the same near the target, current. Needs 3 axes.

    ``overshoot`` [-] and ``settling`` [s] are the limits wanted.
    """
    figure, (travel, close, current) = given_or_new(
        axes, 3, 7.2, 5.6, sharex=True, gridspec_kw={"height_ratios": [1.3, 1.1, 1.0]}
    )
    looks = {"opening": ("-", 1.6), "closing": ((0, (4.5, 1.5)), 1.3)}
    colour = LEG_COLOUR[result.leg]
    for name, response in result.steps.items():
        line, width = looks.get(name, ("-", 1.0))
        size, start = response.metrics.size, response.metrics.start
        share = 100.0 * (response.stem - start) / size
        t, y, c = thinned(1e3 * response.time, share, response.current)
        settles = (
            f"within 2 % after {1e3 * response.metrics.settling:.3g} ms"
            if math.isfinite(response.metrics.settling)
            else "does not settle within 2 %"
        )
        travel.plot(t, y, color=colour, linestyle=line, linewidth=width, label=f"{name}: {settles}")
        close.plot(t, y - 100.0, color=colour, linestyle=line, linewidth=width)
        current.plot(t, c, color=colour, linestyle=line, linewidth=width)
    first = next(iter(result.steps.values()))
    wanted = 100.0 * (first.command - first.metrics.start) / first.metrics.size
    travel.plot(1e3 * first.time, wanted, color=QUIET, linewidth=0.9, label="command")
    close.axhspan(-2.0, 2.0, color=ALLOWED, zorder=0)
    close.axhline(0.0, color=QUIET, linewidth=0.7)
    peak = 100.0 * max(s.metrics.overshoot for s in result.steps.values())
    reach = max(4.0, 1.3 * peak, 130.0 * (overshoot or 0.0))
    close.set_ylim(-reach, reach)
    if overshoot is not None:
        limit_line(close, 100.0 * overshoot, f"overshoot limit {100.0 * overshoot:.3g} %", above=True)
    if settling is not None:
        for ax in (travel, close):
            ax.axvline(1e3 * settling, color=LIMIT, linewidth=0.9, linestyle=(0, (7, 2, 1.5, 2)))
        close.annotate(
            f"settled by {1e3 * settling:.3g} ms",
            (1e3 * settling, 0.03),
            xycoords=close.get_xaxis_transform(),
            xytext=(4, 0),
            textcoords="offset points",
            color=LIMIT,
            fontsize=8.0,
        )
    travel.legend(loc="lower right")
    last = _watched(result, settling)
    travel.set_xlim(-0.01 * last, last)
    travel.set_ylabel("travel [% of step]")
    close.set_ylabel("error [% of step]")
    current.set_ylabel("current [A]")
    current.set_xlabel("time from the step [ms]")
    size = abs(math.degrees(first.metrics.size))
    travel.set_title(
        f"Step of {size:.3g}° from {math.degrees(first.metrics.start):.3g}°, {result.leg} leg, with friction and gaps"
    )
    return figure


def _watched(result: LoopResult, settling: float | None) -> float:
    """End of the time axis [ms]: the whole run when a step settles late, else until it has been at rest a while."""
    last = max(float(s.time[-1]) for s in result.steps.values())
    longest = max(s.metrics.settling for s in result.steps.values())
    return 1e3 * min(last, max(2.5 * longest, 1.6 * (settling or 0.0), 0.1 * last))


@styled
def torque_chart(result: TorqueResult, ax: Axes | None = None, *, margin: float | None = None) -> Axes:
    """Stem torque needed over the travel against the torque available at the worst corner.

    ``margin`` is the static margin wanted [-]; the torque that it asks for is drawn as a limit.
    """
    ax = one_axes(ax, 7.2, 3.3)
    degrees = np.degrees(result.angle)
    colour = LEG_COLOUR[result.leg]
    ax.plot(degrees, result.running, color=colour, linewidth=1.2, linestyle=(0, (4, 1.6)))
    ax.plot(degrees, result.needed, color=colour, linewidth=1.9)
    ax.axhline(result.available, color=INK, linewidth=1.5)
    ends: list[tuple[float, str, Any]] = [
        (float(result.running[-1]), "running, cold", colour),
        (float(result.needed[-1]), "breakaway, worst corner", colour),
        (result.available, "available", INK),
    ]
    tallest = max(result.available, float(np.max(result.needed)))
    if margin is not None:
        wanted = result.needed * (1.0 + margin)
        ax.plot(degrees, wanted, color=LIMIT, linewidth=0.9, linestyle=(0, (7, 2, 1.5, 2)))
        ends.append((float(wanted[-1]), f"breakaway + {100.0 * margin:.3g} %", LIMIT))
        tallest = max(tallest, float(np.max(wanted)))
    ax.set_ylim(0.0, 1.1 * tallest)
    ax.set_xlim(float(degrees[0]), float(degrees[-1]))
    if math.isfinite(result.margin):
        at = math.degrees(result.worst_angle)
        worst = float(np.interp(at, degrees, result.needed))
        inset = float(np.clip(at, degrees[0] + 0.02 * np.ptp(degrees), degrees[-1] - 0.02 * np.ptp(degrees)))
        _bracket(ax, inset, worst, result.available)
        left = inset < 0.5 * (degrees[0] + degrees[-1])
        gap = result.available - worst
        clear = abs(gap) > 0.15 * tallest  # else there is no room between the lines: above them
        place = (inset, result.available - 0.25 * gap if clear else max(result.available, worst))
        shift, side = (6 if left else -6, 0 if clear else 5), "left" if left else "right"
        _note(ax, f"margin {100.0 * result.margin:.3g} %", place, shift, side, "center" if clear else "bottom")
    end_labels(ax, ends, size=8.0)
    ax.set_xlabel("opening [deg]")
    ax.set_ylabel("stem torque [N m]")
    ax.set_title(
        f"Torque, {result.leg} leg: {result.current:.3g} A, bus at {result.bus_voltage:.3g} V, "
        f"{result.pressure_drop / 1e5:.3g} bar across"
    )
    return ax
