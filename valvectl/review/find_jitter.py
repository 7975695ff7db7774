"""Margins that the rows of the position loop are held against: nominal, over the declared jitter, and of the stem's trim."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from valvectl.design.schema import LegName
from valvectl.servo.jitter import PlaceMargins
from valvectl.servo.margins import Margins

if TYPE_CHECKING:
    from valvectl.studies.analysis import Analysis


@dataclass(frozen=True)
class LoopCases:
    """Margins by case; a case's name says the loop and, over jitter, the delays."""

    margins: Mapping[str, Margins]
    stable: Mapping[str, bool]


def loop_cases(analysis: Analysis, leg: LegName) -> LoopCases:
    """Every case of a leg. Without jitter and without a trim these are the three loops at their nominal delays."""
    found, servo = analysis.loop[leg], analysis.machine.legs[leg].servo
    margins: dict[str, Margins] = {str(at): m for at, m in found.margins.items()}
    stable: dict[str, bool] = {str(at): good for at, good in found.stable.items()}
    if max(servo.position_jitter, servo.speed_jitter, servo.current_jitter) > 0.0 or servo.trim_gain > 0.0:
        timing = analysis.timing[leg]
        more: list[PlaceMargins] = [p for t in timing.loops.values() for p in t.margins.corners]
        more += () if timing.outer is None else timing.outer.all
        for place in more:
            delays = ", ".join(f"{loop} delay {1e3 * by:+.3g} ms" for loop, by in place.shifts.items())
            name = f"{delays}: {place.at}" if delays else place.at
            margins[name], stable[name] = place.margins, place.stable
    return LoopCases(margins, stable)
