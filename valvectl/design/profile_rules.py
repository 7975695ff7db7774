"""Rules between the corners of the throttle profile, and between them and the throttle range: each corner is judged by itself."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from valvectl.design.quantities import FRACTION, show

Get = Callable[[str], Any]
"""Value [SI] at a dotted key; None when it is not there or wrong."""

LONGEST_PROFILE = 600.0
"""Latest time of a profile [s]."""
SLACK = 1e-9
"""Throttles closer than this count as equal [-]."""
_PROFILE = "throttle.profile"


def profile_checks(get: Get) -> Iterator[tuple[str, str]]:
    """All rules; yields a sentence and the dotted key to look at first."""
    corners = get(_PROFILE)
    if corners:
        read = [(c.time, c.throttle) if hasattr(c, "time") else _corner(get, i) for i, c in enumerate(corners)]
    else:  # a corner is wrong in itself: those before it can still be judged
        read = []
        while (corner := _corner(get, len(read))) != (None, None):
            read.append(corner)
    yield from _times([time for time, _ in read])
    yield from _range([throttle for _, throttle in read], get("throttle.minimum"))


def _corner(get: Get, i: int) -> tuple[float | None, float | None]:
    return get(f"{_PROFILE}[{i}].time"), get(f"{_PROFILE}[{i}].throttle")


def _times(times: list[float | None]) -> Iterator[tuple[str, str]]:
    latest: float | None = None
    for i, time in enumerate(times):
        if time is None:
            continue
        at = f"{_PROFILE}[{i}].time"
        if i == 0 and time != 0.0:
            yield "profile must start at time 0", at
        if latest is not None and time < latest:
            yield f"profile times must not fall: a corner before it is at {latest:g} s", at
        if time > LONGEST_PROFILE:
            yield f"profile must end within {LONGEST_PROFILE:g} s", at
        latest = time if latest is None else max(latest, time)
    if times and None not in times and latest == 0.0:
        yield "profile must last longer than zero", _PROFILE


def _range(throttles: list[float | None], minimum: float | None) -> Iterator[tuple[str, str]]:
    for i, throttle in enumerate(throttles):
        at = f"{_PROFILE}[{i}].throttle"
        if throttle is None:
            continue
        if throttle > 1.0 + SLACK:
            yield "profile must not go above 100 %", at
        elif minimum is not None and throttle < minimum - SLACK:
            yield f"profile must not go below throttle.minimum ({show(minimum, FRACTION)})", at
