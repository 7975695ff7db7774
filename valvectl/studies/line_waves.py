"""Waves in the lines before the valves: what they change in the chug margin, which otherwise has rigid columns."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from valvectl.design.schema import LegName, Line
from valvectl.parts import wave
from valvectl.parts.liquid import LiquidState
from valvectl.parts.lookup import FloatArray
from valvectl.plant.chug import ChugLoop
from valvectl.plant.chug_margins import chug_margins


def wall_of(pipe: Line) -> wave.PipeWall:
    """Wall of a line as the design file has it."""
    return wave.PipeWall(pipe.wall_thickness, pipe.wall_elasticity, pipe.poisson_ratio, pipe.anchoring)


def wave_transit(pipe: Line, liquid: LiquidState) -> float:
    """Time of a pressure wave through a line [s]."""
    speed = wave.pipe_wave_speed(liquid.sound_speed, liquid.density, pipe.inner_diameter, wall_of(pipe))
    return float(pipe.length) / speed


def wave_margins(loops: Sequence[ChugLoop], transits: Mapping[LegName, float] | None) -> FloatArray:
    """Gain margins [dB] of loops with waves in their lines, shape (n,); NaN without ``transits`` [s]."""
    if not transits:
        return np.full(len(loops), math.nan)
    return np.array([chug_margins(loop.with_waves(transits)).gain_margin_db for loop in loops])


def waves_note(
    throttle: FloatArray, rigid: FloatArray, waves: FloatArray, transits: Mapping[LegName, float] | None
) -> str:
    """What waves in the lines change, in words. Margins [dB] of rigid columns and with waves, shape (n,)."""
    if not transits:
        return (
            "lines and chamber are lumps: waves in the lines (from about a quarter of a / 4L) and screech are not in it"
        )
    first = min(1.0 / (4.0 * time) for time in transits.values())

    def least(margins: FloatArray) -> str:
        j = int(np.argmin(margins))
        size = f"{margins[j]:.1f} dB" if math.isfinite(margins[j]) else "above 80 dB"
        return f"{size} at {100.0 * throttle[j]:.0f} % throttle"

    return (
        f"lines and chamber are lumps; a line's first wave mode, a / 4L, is at {first:.0f} Hz. With waves in the lines before "
        f"the valves the least gain margin, manifolds as stated, is {least(waves)} in place of {least(rigid)}; screech is not "
        "in it"
    )
