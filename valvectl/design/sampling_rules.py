"""Rules between the keys of a controller's timing: offsets, parts of a delay, jitter, observer, trim from the stem."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from valvectl.design.quantities import RATE, TIME, show

Get = Callable[[str], Any]
"""Value [SI] at a dotted key; None when it is not there or wrong."""

OFFSET_PARTS = 20
"""Offsets are whole multiples of this part of the current loop's period, so that samples fall on steps of a simulation."""
JITTER_SHARE = 0.25
"""Largest jitter over the sample period; outputs then keep their order."""
OBSERVER_SHARE = 1.0
"""Largest observer bandwidth times the speed loop's period [rad]; above it the observer is a difference with extra noise
(common practice, no source)."""


def sampling_checks(get: Get, leg: str) -> Iterator[tuple[str, str]]:
    """All rules of one leg; yields a sentence and the dotted key to look at first."""
    at = f"{leg}.controller"
    base = get(f"{at}.current_period")
    for loop in ("speed", "current"):
        period, offset = get(f"{at}.{loop}_period"), get(f"{at}.{loop}_offset")
        if offset and period and offset >= period * (1.0 - 1e-9):
            yield f"must be below {loop}_period ({show(period, TIME)})", f"{at}.{loop}_offset"
        elif offset and base and base > 0.0 and not _whole(OFFSET_PARTS * offset / base):
            part = show(base / OFFSET_PARTS, TIME)
            text = f"must be a whole multiple of a {OFFSET_PARTS}th of current_period ({part})"
            yield text, f"{at}.{loop}_offset"
    for loop in ("position", "speed", "current"):
        yield from _delay(get, at, loop)
    if get(f"{at}.structure") in ("pid", "state_feedback"):
        yield from _of_the_cascade(get, at)
    yield from _observer(get, at)
    yield from _trim(get, leg)


def _whole(value: float) -> bool:
    return abs(value - round(value)) <= 1e-6 * max(1.0, abs(value))


def _delay(get: Get, at: str, loop: str) -> Iterator[tuple[str, str]]:
    delay, period = get(f"{at}.{loop}_delay"), get(f"{at}.{loop}_period")
    sense, bus = get(f"{at}.{loop}_sense_delay") or 0.0, get(f"{at}.{loop}_bus_delay") or 0.0
    jitter = get(f"{at}.{loop}_jitter")
    if delay is None or delay < 0.0:
        return
    if sense > 0.0 or bus > 0.0:
        first = "sense" if sense > 0.0 else "bus"
        if sense + bus > delay * (1.0 + 1e-9):
            text = f"with the other part makes {show(sense + bus, TIME)}, more than {loop}_delay ({show(delay, TIME)})"
            yield text, f"{at}.{loop}_{first}_delay"
    if jitter and jitter > 0.0:
        if jitter > delay * (1.0 + 1e-9):
            yield f"must not be above {loop}_delay ({show(delay, TIME)})", f"{at}.{loop}_jitter"
        elif period and jitter > JITTER_SHARE * period * (1.0 + 1e-9):
            largest = show(JITTER_SHARE * period, TIME)
            yield f"must be at most a quarter of {loop}_period ({largest})", f"{at}.{loop}_jitter"


def _of_the_cascade(get: Get, at: str) -> Iterator[tuple[str, str]]:
    """Keys of the speed loop where there is none."""
    keys = ("speed_offset", "speed_sense_delay", "speed_bus_delay", "speed_jitter")
    given = [key for key in keys if get(f"{at}.{key}")]
    if get(f"{at}.speed_from") == "observer":
        given.append("speed_from")
    for key in given:
        yield "goes with structure cascade only", f"{at}.{key}"


def _observer(get: Get, at: str) -> Iterator[tuple[str, str]]:
    source, bandwidth, period = get(f"{at}.speed_from"), get(f"{at}.observer_bandwidth"), get(f"{at}.speed_period")
    if source == "observer" and bandwidth is None:
        yield 'is needed with speed_from = "observer"', f"{at}.observer_bandwidth"
    if source == "difference" and bandwidth is not None:
        yield 'has no use with speed_from = "difference"; say "observer"', f"{at}.observer_bandwidth"
    if source == "observer" and bandwidth and period and bandwidth * period > OBSERVER_SHARE * (1.0 + 1e-9):
        largest = show(OBSERVER_SHARE / period, RATE)
        yield f"must be at most {OBSERVER_SHARE:g}/speed_period ({largest})", f"{at}.observer_bandwidth"


def _trim(get: Get, leg: str) -> Iterator[tuple[str, str]]:
    trim, where = get(f"{leg}.controller.stem_trim"), get(f"{leg}.actuator.position_encoder.location")
    place = get(f"{leg}.actuator.stem_encoder.location")
    if place == "motor":
        yield 'must be "stem"', f"{leg}.actuator.stem_encoder.location"
    if not trim or where is None:
        return
    if where != "motor":
        yield "has no use with the position encoder on the stem", f"{leg}.controller.stem_trim"
    elif place is None:
        yield "needs actuator.stem_encoder", f"{leg}.controller.stem_trim"
