"""What is asked of a run in lanes, and what comes back: numbers a lane, so that memory does not grow with duration."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from valvectl.design.schema import LegName
from valvectl.parts.lookup import FloatArray
from valvectl.plant import lane_layout as lx
from valvectl.plant import layout as ix


@dataclass(frozen=True)
class Reductions:
    """What to keep of each lane. The O/F error is that of the injected flows over the wanted ratio, less one."""

    windows: Sequence[tuple[float, float]] = ()
    """Stretches of the run (from, to [s], both ends included) over which error and pressure are reduced; may overlap.
    Empty: the whole run."""
    band: float = 0.01
    """Band of the O/F error for time out of band and settling [-]."""
    wanted_ratio: float | FloatArray | None = None
    """Mixture ratio wanted [-]: one number or one a row (``rows``); by default the machine's."""
    frequencies: Sequence[float] = ()
    """Frequencies [Hz] at which the amplitudes of error and pressure in each window are wanted: above zero, at most half the rate
    of the looks."""
    record: float | None = None
    """Time between looks at the engines [s]; by default the design's record interval."""
    shown: Sequence[int] = ()
    """Lanes of which the history is kept."""
    brief: bool = False
    """Of histories keep O/F error and ball angles only; chamber pressure and stem angles are empty."""


@dataclass(frozen=True)
class Window:
    """One window; arrays of shape (n,) over lanes. NaN in lanes that stopped being finite before its end."""

    start: float
    """[s]"""
    end: float
    """[s]"""
    highest: FloatArray
    """Highest relative O/F error [-]."""
    lowest: FloatArray
    """Lowest [-]."""
    mean: FloatArray
    """[-]"""
    rms: FloatArray
    """Root of the mean square [-]."""
    time_out: FloatArray
    """Time outside the band [s]."""
    settling: FloatArray
    """From the window's start until the error stays inside the band [s]; infinite if it is outside at the last look."""
    pressure_highest: FloatArray
    """Chamber pressure [Pa]."""
    pressure_lowest: FloatArray
    """[Pa]"""
    pressure_mean: FloatArray
    """[Pa]"""
    spectrum: FloatArray
    """Amplitude of the O/F error at each of ``Reductions.frequencies`` [-], shape (n, f): that of a sine whose like is in the
    window all the time, its mean left out, under Hann's taper. A frequency with less than two periods in the window can not be
    told from its mean and drift."""
    pressure_spectrum: FloatArray
    """The same of the chamber pressure [Pa]."""

    @property
    def peak(self) -> FloatArray:
        """Largest magnitude of the O/F error [-]."""
        return np.asarray(np.maximum(np.abs(self.highest), np.abs(self.lowest)))


@dataclass(frozen=True)
class LegLanes:
    """One leg over the whole run; arrays of shape (n,) over lanes, NaN where a lane stopped being finite."""

    peak_tracking: FloatArray
    """Largest distance of stem and command at a look [rad]."""
    rms_current: FloatArray
    """[A]"""
    peak_current: FloatArray
    """[A]"""
    peak_motor_speed: FloatArray
    """[rad/s]"""
    lowest_voltage: FloatArray
    """At the drive [V]."""
    peak_spring: FloatArray
    """Largest torque through the gears at the stem [N m]."""
    choked: FloatArray
    """Share of the time in which the valve chokes [-]."""
    stem: FloatArray
    """Angle of the stem at the end [rad]."""
    ball: FloatArray
    """[rad]"""
    flow: FloatArray
    """Flow of the line at the end [kg/s]."""
    manifold: FloatArray
    """Pressure at the end [Pa]."""


@dataclass(frozen=True)
class History:
    """One lane's course, each array of shape (rows,)."""

    ratio_error: FloatArray
    """[-]"""
    chamber_pressure: FloatArray
    """[Pa]"""
    stem: dict[LegName, FloatArray]
    """Stem angles [rad]."""
    ball: dict[LegName, FloatArray]
    """Ball angles [rad]."""


@dataclass(frozen=True)
class LaneResult:
    """Many engines run side by side."""

    step: float
    """Step of the integration [s]."""
    steps: int
    """Steps of a whole run."""
    time: FloatArray
    """Instants of the looks [s], shape (rows,)."""
    done: NDArray[np.int64]
    """Steps done while finite, shape (n,)."""
    windows: tuple[Window, ...]
    legs: dict[LegName, LegLanes]
    chamber_pressure: FloatArray
    """At the end [Pa], shape (n,)."""
    shown: tuple[int, ...]
    """Lanes of which the history was kept, in order."""
    kept: FloatArray
    """Their histories, shape (shown, columns, rows); columns as ``HIST_...`` of ``lane_layout`` number them."""

    @property
    def histories(self) -> dict[int, History]:
        """By lane."""
        return {lane: history_of(kept) for lane, kept in zip(self.shown, self.kept, strict=True)}

    @property
    def finite(self) -> NDArray[np.bool_]:
        """Which lanes stayed finite to the end, shape (n,)."""
        return np.asarray(self.done >= self.steps)


def history_of(kept: FloatArray) -> History:
    """One lane's course from what was kept of it, shape (columns, rows)."""
    whole = len(kept) == lx.HIST_SIZE

    def column(which: int) -> FloatArray:
        return kept[which] if whole else np.empty(0)

    return History(
        ratio_error=kept[lx.HIST_ERROR],
        chamber_pressure=column(lx.HIST_PRESSURE),
        stem={"oxidizer": column(lx.HIST_OXIDIZER), "fuel": column(lx.HIST_FUEL)},
        ball={"oxidizer": kept[lx.HIST_OXIDIZER_BALL], "fuel": kept[lx.HIST_FUEL_BALL]},
    )


def tapered_waves(time: FloatArray, frequencies: Sequence[float]) -> FloatArray:
    """Cosine and sine of each frequency [Hz] at the looks of a window, ``time`` [s], under Hann's taper: what begins and ends in
    the window then does not smear over all frequencies. Shape (looks, f, 2)."""
    share = 0.5 - 0.5 * np.cos(2.0 * math.pi * np.arange(time.size) / time.size)
    phase = 2.0 * math.pi * np.multiply.outer(time, np.array(frequencies, dtype=float))
    return np.asarray(share[:, None, None] * np.stack([np.cos(phase), np.sin(phase)], axis=2))


def window_of(
    time: FloatArray,
    rows: tuple[int, int],
    red: FloatArray,
    waves: FloatArray,
    tones: FloatArray,
    failed: NDArray[np.bool_],
) -> Window:
    """A window from the sums of all lanes, red (RED_SIZE, n) and tones (f, TONE_SIZE, n) over its ``tapered_waves``; ``rows``
    first and one past the last."""
    first, last = rows
    looks = last - first
    red = np.where(failed, np.nan, red)
    start, end = float(time[first]), float(time[last - 1])
    between = (end - start) / max(looks - 1, 1)
    late = red[lx.LAST_OUT]
    flat = waves.sum(axis=0)

    def amplitude(cosine: int, sine: int, mean: FloatArray) -> FloatArray:
        """Half of the looks is the taper's sum, and a sine of amplitude one sums up to half of that."""
        parts = (
            tones[:, cosine] - np.multiply.outer(flat[:, 0], mean),
            tones[:, sine] - np.multiply.outer(flat[:, 1], mean),
        )
        return np.asarray(np.where(failed, np.nan, 4.0 / looks * np.hypot(*parts)).T)

    error_mean, pressure_mean = red[lx.ERROR_SUM] / looks, red[lx.PRESSURE_SUM] / looks
    settling = np.where(late < start, 0.0, np.where(late >= end - 1e-12, np.inf, late + between - start))
    return Window(
        start=start,
        end=end,
        highest=red[lx.ERROR_HIGHEST],
        lowest=red[lx.ERROR_LOWEST],
        mean=error_mean,
        rms=np.sqrt(red[lx.ERROR_SQUARES] / looks),
        time_out=red[lx.ROWS_OUT] * between,
        settling=np.where(failed, np.nan, settling),
        pressure_highest=red[lx.PRESSURE_HIGHEST],
        pressure_lowest=red[lx.PRESSURE_LOWEST],
        pressure_mean=pressure_mean,
        spectrum=amplitude(lx.ERROR_COSINE, lx.ERROR_SINE, error_mean),
        pressure_spectrum=amplitude(lx.PRESSURE_COSINE, lx.PRESSURE_SINE, pressure_mean),
    )


def leg_of(work: FloatArray, k: int, steps: int, parts: int, feed_every: int, failed: NDArray[np.bool_]) -> LegLanes:
    """A leg from the rows of all lanes, work (ROWS, n); ``parts`` steps of the mechanics to one of ``steps``, and ``feed_every``
    of these to one of feed legs and chamber."""

    def row(index: int) -> FloatArray:
        return np.asarray(np.where(failed, np.nan, work[lx.leg_row(k, index)]))

    return LegLanes(
        peak_tracking=row(lx.PEAK_TRACKING),
        rms_current=np.sqrt(row(lx.SUM_CURRENT_SQUARED) / (steps * parts)),
        peak_current=row(lx.PEAK_CURRENT),
        peak_motor_speed=row(lx.PEAK_MOTOR_SPEED),
        lowest_voltage=row(lx.LOWEST_BUS),
        peak_spring=row(lx.PEAK_SPRING),
        choked=row(lx.SUM_CHOKED) / (steps // feed_every),
        stem=row(lx.STATE + ix.STEM_ANGLE),
        ball=row(lx.STATE + ix.BALL_ANGLE),
        flow=row(lx.STATE + ix.FLOW),
        manifold=row(lx.STATE + ix.MANIFOLD),
    )


_OF_A_LEG = (
    lx.PEAK_TRACKING,
    lx.SUM_CURRENT_SQUARED,
    lx.PEAK_CURRENT,
    lx.PEAK_MOTOR_SPEED,
    lx.LOWEST_BUS,
    lx.PEAK_SPRING,
    lx.SUM_CHOKED,
    *(lx.STATE + i for i in (ix.STEM_ANGLE, ix.BALL_ANGLE, ix.FLOW, ix.MANIFOLD)),
)
RESULT_ROWS = (
    *(lx.leg_row(k, index) for k in range(2) for index in _OF_A_LEG),
    lx.ENGINE + lx.PRESSURE,
    lx.ENGINE + lx.DONE,
)
"""Rows of a block that outlive it."""
