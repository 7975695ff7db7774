"""Further figures of one leg's position loop: Nichols, sensitivities, poles and zeros, stiffness, word lengths.

They draw a result of ``loop_in_full`` and compute no physics.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from valvectl.errors import RangeError
from valvectl.review.figure_style import (
    BACKING,
    INK,
    LEG_COLOUR,
    LIMIT,
    QUIET,
    limit_line,
    one_axes,
    plain_numbers,
    styled,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from valvectl.studies.loop import LoopResult
    from valvectl.studies.loop_detail import LoopDetail

LABELLED_POLES = 3
"""Pole pairs with their frequency written beside them."""


def _detail(result: LoopResult) -> LoopDetail:
    if result.detail is None:
        raise RangeError("this figure needs a result of loop_in_full, of a controller with structure cascade")
    return result.detail


def _note(
    ax: Axes, text: str, at: tuple[float, float], shift: tuple[float, float], colour: str, side: str = "left"
) -> None:
    ax.annotate(
        text, at, xytext=shift, textcoords="offset points", ha=side, color=colour, fontsize=8.0, bbox=BACKING, zorder=5
    )


@styled
def nichols(result: LoopResult, ax: Axes | None = None) -> Axes:
    """Position loop gain [dB] over its phase [deg], both margins marked, with the curve of the largest |T|."""
    ax = one_axes(ax, 5.4, 4.6)
    with np.errstate(divide="ignore"):
        magnitude = 20.0 * np.log10(np.abs(result.loop_gain))
    phase = np.degrees(np.unwrap(np.angle(result.loop_gain)))
    phase -= 360.0 * round((phase[0] + 90.0) / 360.0)
    colour = LEG_COLOUR[result.leg]
    shown = magnitude > -32.0
    ax.plot(phase[shown], magnitude[shown], color=colour)
    ax.axhline(0.0, color=INK, linewidth=0.7)
    ax.axvline(-180.0, color=INK, linewidth=0.7)
    m = result.margins["position"]
    if m.peak_sensitivity > 1.0:
        turn = np.linspace(0.0, 2.0 * math.pi, 361)
        border = -1.0 + np.exp(1j * turn) / m.peak_sensitivity
        angle = np.degrees(np.unwrap(np.angle(border)))
        angle = angle - 360.0 * np.round((angle + 180.0) / 360.0)
        order = np.argsort(turn)
        ax.plot(
            angle[order], 20.0 * np.log10(np.abs(border[order])), color=QUIET, linewidth=0.9, linestyle=(0, (4, 1.5))
        )
        _note(
            ax,
            f"|S| = {m.peak_sensitivity:.3g}",
            (-180.0, 20.0 * math.log10(1.0 + 1.0 / m.peak_sensitivity)),
            (4, 3),
            QUIET,
        )
    ax.plot([-180.0], [0.0], "+", color=LIMIT, markersize=9, markeredgewidth=1.4)
    if math.isfinite(m.gain_margin_db):
        ax.plot([-180.0, -180.0], [-m.gain_margin_db, 0.0], color=LIMIT, linewidth=1.4)
        _note(ax, f"gain margin {m.gain_margin_db:.3g} dB", (-180.0, -0.5 * m.gain_margin_db), (-5, 0), LIMIT, "right")
    if math.isfinite(m.phase_margin):
        margin = math.degrees(m.phase_margin)
        ax.plot([-180.0, -180.0 + margin], [0.0, 0.0], color=LIMIT, linewidth=1.4)
        _note(ax, f"phase margin {margin:.3g}°", (-180.0 + margin, 0.0), (4, -11), LIMIT)
    ax.set_ylim(-32.0, 32.0)
    ax.set_xlim(-300.0, -60.0)
    ax.set_xticks(np.arange(-300.0, -59.0, 30.0))
    ax.set_xlabel("phase [deg]")
    ax.set_ylabel("loop gain [dB]")
    ax.set_title(f"Nichols plane, {result.leg} leg")
    return ax


@styled
def sensitivity(result: LoopResult, ax: Axes | None = None, *, peak_limit: float | None = None) -> Axes:
    """|S| and |T| of the position loop [dB] over frequency [Hz]. ``peak_limit``: largest |S| wanted [-]."""
    ax = one_axes(ax, 7.0, 3.6)
    detail = _detail(result)
    hertz = detail.frequency / (2.0 * math.pi)
    with np.errstate(divide="ignore"):
        s, t = 20.0 * np.log10(detail.sensitivity), 20.0 * np.log10(detail.complementary)
    ax.plot(hertz, s, color=LEG_COLOUR[result.leg])
    ax.plot(hertz, t, color=QUIET, linestyle=(0, (4, 1.5)))
    m = result.margins["position"]
    at, peak = m.peak_sensitivity_at / (2.0 * math.pi), 20.0 * math.log10(m.peak_sensitivity)
    ax.plot([at], [peak], "o", color=LIMIT, markersize=4)
    _note(
        ax, f"largest |S| {m.peak_sensitivity:.3g} ({peak:.2g} dB) at {at:.3g} Hz", (at, peak), (-6, 6), LIMIT, "right"
    )
    low = int(np.argmin(np.abs(hertz - 0.01 * hertz[-1])))
    _note(ax, "|S|: error per command", (float(hertz[low]), float(s[low])), (8, -8), LEG_COLOUR[result.leg])
    _note(ax, "|T|: angle per command, no feed-forward", (float(hertz[0]), float(t[0])), (4, -12), QUIET)
    if peak_limit is not None:
        limit_line(ax, 20.0 * math.log10(peak_limit), f"limit {peak_limit:.3g}", at=0.01)
    ax.axhline(0.0, color=INK, linewidth=0.7)
    ax.set_xscale("log")
    plain_numbers(ax.xaxis)
    ax.set_xlim(float(hertz[0]), float(hertz[-1]))
    ax.set_ylim(-40.0, max(peak, 0.0) + 7.0)
    ax.set_xlabel("frequency [Hz], up to half the sample rate")
    ax.set_ylabel("[dB]")
    ax.set_title(f"Sensitivities of the position loop, {result.leg} leg")
    return ax


@styled
def pole_zero(result: LoopResult, ax: Axes | None = None) -> Axes:
    """Closed-loop poles and the zeros from command to stem in the z plane of the position loop's samples."""
    ax = one_axes(ax, 5.4, 4.8)
    detail = _detail(result)
    turn = np.linspace(0.0, 2.0 * math.pi, 361)
    ax.plot(np.cos(turn), np.sin(turn), color=INK, linewidth=0.9)
    period = result.loops["position"].period
    for damping in (0.2, 0.5, 0.8):
        along = np.linspace(0.0, math.pi / math.sqrt(1.0 - damping**2), 200)
        line = np.exp(along * (-damping + 1j * math.sqrt(1.0 - damping**2)))
        ax.plot(line.real, line.imag, color=QUIET, linewidth=0.5, linestyle=":")
        ax.plot(line.real, -line.imag, color=QUIET, linewidth=0.5, linestyle=":")
        j = int(np.argmin(np.abs(np.angle(line) - 0.85 * math.pi)))
        _note(ax, f"{damping:g}", (float(line[j].real), float(line[j].imag)), (0, 0), QUIET, "center")
    colour = LEG_COLOUR[result.leg]
    poles = np.array([p.z for p in detail.poles])
    ax.plot(poles.real, poles.imag, "x", color=colour, markersize=7, markeredgewidth=1.6, label="pole")
    ax.plot(poles.real, -poles.imag, "x", color=colour, markersize=7, markeredgewidth=1.6)
    near = np.array([z for z in detail.zeros if abs(z) <= 1.5])
    if near.size:
        ax.plot(
            near.real, near.imag, "o", color=INK, markersize=6, markerfacecolor="none", label="zero, command to stem"
        )
    for pole in [p for p in detail.poles if p.z.imag > 1e-9][:LABELLED_POLES]:
        text = f"{pole.frequency / (2.0 * math.pi):.3g} Hz, damping {pole.damping:.2g}"
        left = pole.z.real > 0.0
        _note(ax, text, (pole.z.real, pole.z.imag), (-8 if left else 8, 6), colour, "right" if left else "left")
    far = [z for z in detail.zeros if abs(z) > 1.5]
    if far:
        listed = ", ".join(f"{z.real:.3g}" for z in far if abs(z.imag) < 1e-9)
        ax.set_xlabel(
            f"real part of z [-]; a zero outside of the picture: {listed}" if listed else "real part of z [-]"
        )
    else:
        ax.set_xlabel("real part of z [-]")
    ax.set_xlim(-1.15, 1.15)
    ax.set_ylim(-1.15, 1.15)
    ax.set_aspect("equal")
    ax.legend(loc="lower left")
    ax.set_ylabel("imaginary part of z [-]")
    ax.set_title(f"Poles and zeros, {result.leg} leg, sampled every {1e3 * period:.3g} ms")
    return ax


@styled
def stiffness(result: LoopResult, ax: Axes | None = None) -> Axes:
    """Load torque that turns the stem by a degree [N m/deg] over frequency [Hz]: linear, and with dry friction."""
    ax = one_axes(ax, 7.0, 3.8)
    detail = _detail(result)
    hertz = detail.frequency / (2.0 * math.pi)
    degree = math.pi / 180.0
    linear = degree * detail.stiffness
    ax.plot(hertz, linear, color=LEG_COLOUR[result.leg])
    held = degree * detail.stiffness_held
    ax.plot(hertz, held, color=INK, linewidth=1.2, linestyle=(0, (4, 1.5)))
    at, least = detail.softest_at / (2.0 * math.pi), degree * detail.softest
    ax.plot([at], [least], "o", color=LIMIT, markersize=4)
    _note(ax, f"softest {least:.3g} N m/deg at {at:.3g} Hz", (at, least), (0, -13), LIMIT, "center")
    j = int(np.argmin(np.abs(hertz - 0.02 * hertz[-1])))
    _note(ax, "no friction", (float(hertz[j]), float(linear[j])), (6, 4), LEG_COLOUR[result.leg])
    if np.isfinite(held[-1]):
        k = int(0.93 * hertz.size)
        text = f"with dry friction, load {detail.load:.3g} N m"
        _note(ax, text, (float(hertz[k]), float(held[k])), (0, 8), INK, "right")
    ax.annotate(
        f"below {detail.holds:.3g} N m dry friction holds the stem by itself",
        (0.01, 0.03),
        xycoords="axes fraction",
        fontsize=8.0,
        bbox=BACKING,
    )
    ax.set_xscale("log")
    ax.set_yscale("log")
    plain_numbers(ax.xaxis)
    plain_numbers(ax.yaxis)
    both = np.concatenate([linear, held[np.isfinite(held)]])
    ax.set_ylim(0.3 * float(both.min()), 2.0 * float(both.max()))
    ax.set_xlim(float(hertz[0]), float(hertz[-1]))
    ax.set_xlabel("frequency of the load [Hz], up to half the sample rate")
    ax.set_ylabel("stiffness [N m/deg]")
    ax.set_title(f"Stiffness of the closed loop against load on the stem, {result.leg} leg")
    return ax


@styled
def word_lengths(result: LoopResult, ax: Axes | None = None) -> Axes:
    """Change of the position loop's margins [%] over the word length [bit] of the rounded coefficients."""
    ax = one_axes(ax, 7.0, 3.6)
    detail = _detail(result)
    for rounded, style, text, shortest in (
        (detail.rounded_own, "-", "a power of two for each coefficient", detail.word_own),
        (detail.rounded_common, (0, (4, 1.5)), "one for all of a controller", detail.word_common),
    ):
        bits = [r.bits for r in rounded if r.stable]
        change = [max(100.0 * max(abs(r.gain_margin), abs(r.phase_margin)), 1e-7) for r in rounded if r.stable]
        label = f"{text}: {shortest} bit" if shortest else f"{text}: no length does"
        ax.plot(bits, change, color=LEG_COLOUR[result.leg], linestyle=style, marker="o", markersize=3, label=label)
    limit_line(ax, 1.0, "1 %", at=0.99)
    ax.axvline(25, color=QUIET, linewidth=0.8)
    _note(ax, "32-bit float", (25.0, 0.03), (4, 0), QUIET)
    ax.set_yscale("log")
    ax.legend(loc="upper right")
    ax.set_xlabel("word length, sign included [bit]")
    ax.set_ylabel("larger change of both margins [%]")
    ax.set_title(f"Rounded coefficients, {result.leg} leg")
    return ax
