"""Figure of the responses of a leg's servo, real and linear. It draws and computes no physics."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from valvectl.review.figure_style import BACKING, INK, LEG_COLOUR, LIMIT, QUIET, plain_numbers, styled, thinned

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from valvectl.studies.responses import Responses, StepCase

SMALL, LARGE = 0, 4
"""Steps shown: the smallest upward and the one of ten degrees."""
DASHED: Any = (0, (4, 1.5))


@styled
def response_chart(result: Responses, axes: Any = None) -> Figure:
    """A small and a large step, the sine sweep (gain) and the error over the throttle profile. Needs 4 axes."""
    if axes is None:
        from matplotlib.figure import Figure as New

        figure: Figure = New(figsize=(8.6, 6.2))
        found = list(figure.subplots(2, 2).ravel())
    else:
        found = list(np.ravel(axes))
        if len(found) != 4:
            raise ValueError(f"needs 4 axes, got {len(found)}")
        figure = found[0].figure
    _step(found[0], result, result.steps[SMALL])
    _step(found[1], result, result.steps[LARGE])
    _sine(found[2], result)
    _profile(found[3], result)
    return figure


def _step(ax: Axes, result: Responses, case: StepCase) -> None:
    colour = LEG_COLOUR[result.leg]
    settled = [c.metrics.settling for c in (case.real, case.linear) if math.isfinite(c.metrics.settling)]
    shown = 1e3 * min(2.0 * max([*settled, 0.03]), float(case.time[-1]))
    time = 1e3 * case.time

    def over(angle: Any) -> Any:
        return np.degrees(angle - case.start)

    ax.plot(time, over(case.command), color=INK, linewidth=0.9, drawstyle="steps-post", label="command")
    ax.plot(time, over(case.linear.angle), color=QUIET, linewidth=1.1, linestyle=DASHED, label="linear loop")
    ax.plot(time, over(case.real.angle), color=colour, label="real servo")
    m = case.real.metrics
    for share, at, name in ((0.63, m.t63, "T63"), (0.865, m.t86, "T86")):
        if math.isfinite(at) and 1e3 * at < shown:
            level = share * math.degrees(case.size)
            ax.plot([1e3 * at], [level], "o", color=LIMIT, markersize=4)
            ax.annotate(
                f"{name} {1e3 * at:.3g} ms", (1e3 * at, level), xytext=(6, -8), textcoords="offset points", color=LIMIT,
                fontsize=8.0, bbox=BACKING,
            )  # fmt: skip
    ax.set_xlim(0.0, shown)
    ax.legend(loc="lower right")
    ax.set_xlabel("time from the step [ms]")
    ax.set_ylabel("stem less its start [deg]")
    ax.set_title(f"Step of {math.degrees(case.size):.3g}°, {result.leg} leg")


def _sine(ax: Axes, result: Responses) -> None:
    hertz = result.sine_frequency / (2.0 * math.pi)
    with np.errstate(divide="ignore"):
        real, linear = 20.0 * np.log10(result.sine_gain), 20.0 * np.log10(result.linear_gain)
    ax.plot(hertz, linear, color=QUIET, linewidth=1.1, linestyle=DASHED, marker="o", markersize=3)
    ax.plot(hertz, real, color=LEG_COLOUR[result.leg], marker="o", markersize=3.5)
    ax.axhline(0.0, color=INK, linewidth=0.7)
    ax.set_xscale("log")
    plain_numbers(ax.xaxis)
    top = max(float(np.max(real)), float(np.max(linear)))
    ax.set_ylim(max(float(min(real.min(), linear.min())), -30.0) - 2.0, top + 4.0)
    j = result.sine_gain.size // 2
    for values, text, colour, shift, side in (
        (linear, "linear loop", QUIET, (6, 6), "left"),
        (real, "real servo", LEG_COLOUR[result.leg], (-6, -12), "right"),
    ):
        k = min(j + 1, hertz.size - 1)
        ax.annotate(
            text, (float(hertz[k]), float(values[k])), xytext=shift, textcoords="offset points", color=colour,
            fontsize=8.0, ha=side, bbox=BACKING,
        )  # fmt: skip
    ax.set_xlabel("frequency [Hz]")
    ax.set_ylabel("stem over command [dB]")
    low, high = (math.degrees(float(x)) for x in (result.sine_amplitude.min(), result.sine_amplitude.max()))
    ax.set_title(f"Sine of {high:.2g}° (at the top {low:.2g}°, by the rate limit)")


def _profile(ax: Axes, result: Responses) -> None:
    for values, text, colour, style in (
        (result.profile_real, "real servo", LEG_COLOUR[result.leg], "-"),
        (result.profile_linear, "linear loop", QUIET, DASHED),
    ):
        time, error = thinned(result.profile_time, np.degrees(values - result.profile_command))
        ax.plot(time, error, color=colour, linewidth=1.0, linestyle=style, label=text)
    ax.legend(loc="upper right")
    ax.set_xlabel("time [s]")
    ax.set_ylabel("stem less command [deg]")
    ax.set_title("Throttle profile")
