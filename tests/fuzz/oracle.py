"""What may come of a design, whatever it says: a clear error, or results without nonsense."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from valvectl.api import Design, load
from valvectl.errors import DesignError, NoBalanceError, RangeError, SimulationError, ValvectlError

JARGON = (
    "pydantic",
    "Traceback",
    "NoneType",
    "numpy",
    "ctx",
    "Input should",
    "object at 0x",
    "float division",
    "math domain",
)
UNBOUNDED = ("gain_margin", "chug_margin", "phase_margin", "bus_voltage")
"""Rows whose value may be without bound: a loop that never comes to the border has an infinite margin."""
CHEAP = ("schedule", "ladder", "resolution", "torque")
"""Stages of every example: properties of an Analysis."""
DEARER = ("ratio", "loop", "timing", "stability", "torque_static", "gains")
"""Stages of which every eighth example gets one."""


def read(path: Path) -> Design | None:
    """The design, or None after an error that tells the reader what to mend."""
    try:
        return load(path)
    except DesignError as error:
        faults = error.faults
    except ValvectlError as error:
        raise AssertionError(f"load raised {type(error).__name__} without file and key: {error}") from error
    assert faults
    for fault in faults:
        assert fault.message, fault
        assert fault.file.startswith(str(path.parent)), fault
        assert len(fault.got) <= 80, fault
        clear(str(fault).replace(str(path.parent), ""))  # its name is random, and may spell anything
    return None


def dearer(seed: int) -> tuple[str, ...]:
    """The dearer stages of an example with this seed."""
    return (DEARER[seed // 8 % len(DEARER)],) if seed % 8 == 0 else ()


def clear(text: str) -> None:
    """One printable line without a programmer's words or NaN; what runs from right to left stands alone (Unicode's isolates)."""
    plain = re.sub("\u2068([^\u2068\u2069]*)\u2069", r"\1", text)
    assert plain.isprintable(), repr(text)
    assert len(text) < 2500, len(text)
    for word in JARGON:
        assert word not in text, f"{word}: {text}"


def told(error: ValvectlError) -> None:
    """A study's error: a design that can not be used names the key; the rest says what went out of range."""
    if isinstance(error, DesignError):
        assert all(fault.key for fault in error.faults), error
    else:
        assert isinstance(error, (SimulationError, RangeError, NoBalanceError)), f"bare {type(error).__name__}: {error}"
    clear(str(error).replace("\n", " "))


def stages(design: Design, names: tuple[str, ...] = CHEAP) -> None:
    """The studies named, each ending in results that can be written as strict JSON, or in an error of the family."""
    from valvectl.review.folder import json_text

    for name in names:
        try:
            found = getattr(design.analysis, name)
            parts = dict(found) if isinstance(found, Mapping) else {"": found}
        except ValvectlError as error:
            told(error)
            continue
        for result in parts.values():
            if hasattr(result, "to_dict"):
                strict(json_text(result.to_dict()))


def whole(design: Design) -> Any:
    """The whole review; no row met by NaN or nonsense, strict JSON. None after a clear error."""
    from valvectl.review.folder import csv_text, json_of, json_text

    try:
        review = design.check()
    except ValvectlError as error:
        told(error)
        return None
    for row in review.rows:
        if row.verdict == "met":
            assert row.value is not None, row
            assert not math.isnan(row.value), row
            assert not math.isnan(row.limit), row
            assert math.isfinite(row.value) or row.id in UNBOUNDED, row
        elif row.verdict == "not assessed":
            assert row.case, row
    for text in review.warnings:
        clear(text)
    strict(json_text(json_of(review)))
    csv_text(review.columns())
    return review


def strict(text: str) -> Any:
    """Strict JSON as objects."""

    def refuse(name: str) -> None:
        raise AssertionError(f"{name} is not JSON")

    return json.loads(text, parse_constant=refuse)
