"""Close calls of a catalogue search: what one percent on any one input does to the combinations in front.

The same inputs as those of the ratio's close calls (``ratio_choice.nudged``), one after the other up and down. Two things can
flip: a combination in front no longer holds every check, or another one comes first. The order keeps the best and the worst of
the front as its scale.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from valvectl.studies.actuator_checks import ActuatorCheck, Numbers
from valvectl.studies.ratio_choice import NUDGE, Case, nudged, settled

LEADERS = 5
"""Combinations in front that are looked at."""

Judge = Callable[[Case, int], tuple[ActuatorCheck, ...]]
"""Checks of one combination, by its index, with changed numbers."""


def picked(numbers: Numbers, index: int) -> Numbers:
    """One combination out of arrays, as floats."""

    def of(value: Any) -> Any:
        if isinstance(value, tuple):
            return tuple(of(v) for v in value)
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            return dataclasses.replace(value, **{f.name: of(getattr(value, f.name)) for f in dataclasses.fields(value)})
        array = np.asarray(value, dtype=float)
        return float(array if array.ndim == 0 else array[index])

    return dataclasses.replace(numbers, **{f.name: of(getattr(numbers, f.name)) for f in dataclasses.fields(numbers)})


def _failing(checks: Sequence[ActuatorCheck]) -> list[str]:
    return [c.name for c in checks if not bool(np.all(c.ok)) and not bool(np.all(np.isnan(c.values)))]


def _places(checks: Sequence[ActuatorCheck]) -> tuple[float, float]:
    """Margin [-] and stroke [s], the two of the five that an input can change."""
    by_name = {c.name: float(np.ravel(c.values)[0]) for c in checks}
    return 0.01 * by_name["static torque margin"], by_name["stroke time"]


def close_calls(
    cases: Sequence[tuple[int, str, Case]],
    judge: Judge,
    score: Callable[[int, float, float], float],
) -> tuple[str, ...]:
    """What one percent flips, in words. ``cases``: index, name and case of the leaders, best first; ``score``: mean place of a
    combination for a margin and a stroke time, lower is better."""
    if not cases:
        return ()
    found: list[str] = []
    own = [_places(judge(case, index)) for index, _, case in cases]
    for sign in (+1.0, -1.0):
        changed: list[dict[str, Case]] = [dict(nudged(case, 1.0 + sign * NUDGE)) for _, _, case in cases]
        for key in dict.fromkeys(key for each in changed for key in each):
            marks = []
            word = f"with {key} {100.0 * sign * NUDGE:+.0f} %"
            for (index, name, _), each, before in zip(cases, changed, own, strict=True):
                if key not in each:
                    marks.append(score(index, *before))
                    continue
                checks = judge(settled(each[key]), index)
                failing = _failing(checks)
                if failing:
                    found.append(f"{word} {name} fails {', '.join(failing)}")
                marks.append(math.inf if failing else score(index, *_places(checks)))
            first = int(np.argmin(marks))
            if first != 0 and math.isfinite(marks[0]):
                found.append(f"{word} {cases[first][1]} comes first")
    return tuple(found)
