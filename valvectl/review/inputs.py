"""Every input of a design as a line of the review: value, unit, tolerance, where it comes from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from valvectl.design.design_file import DesignFile, Input, Value
from valvectl.design.keys import find, split

NOT_STATED = "not stated"
"""Origin of a value that the file gives without saying where it comes from."""
DEFAULT = "default"
"""Origin of a value that the file does not give."""


@dataclass(frozen=True)
class InputLine:
    """One input."""

    key: str
    """Dotted key."""
    value: Value | None
    """Value [SI], text, switch or list; None for a default that leaves the key out."""
    shown: str
    """Value with its unit as tables show it."""
    unit: str
    """Unit of ``shown``; empty for texts, counts and pure numbers."""
    tolerance: float | tuple[float, ...] | None
    """Half-width [SI]; of a list relative to each entry [-] when ``relative``. None without."""
    relative: bool
    """True when ``tolerance`` is relative."""
    tolerance_shown: str
    """Tolerance as the file has it; empty without."""
    origin: str
    """``datasheet``, ``measured``, ``assumed``, ``not stated`` or ``default``."""
    note: str
    """The file's note on it."""
    meaning: str
    """What the key is."""


def _given(item: Input) -> InputLine:
    path = split(item.key)
    spec = find(path) if path else None
    return InputLine(
        key=item.key,
        value=item.value,
        shown=spec.text(item.value) if spec is not None else item.text,
        unit=item.kind.shown if item.kind is not None else "",
        tolerance=item.tolerance,
        relative=item.relative,
        tolerance_shown=item.tolerance_text,
        origin=item.origin or NOT_STATED,
        note=item.note,
        meaning=spec.meaning if spec is not None else "",
    )


def input_lines(design: DesignFile) -> tuple[InputLine, ...]:
    """Inputs that the file gives, in its order, then the defaults that took effect, in the order of the schema."""
    lines = [_given(item) for item in design.inputs.values()]
    for default in design.defaults_used:
        path = split(default.key)
        spec = find(path) if path else None
        unit = spec.kind.shown if spec is not None and spec.kind is not None else ""
        lines.append(
            InputLine(default.key, default.value, default.shown, unit, None, False, "", DEFAULT, "", default.meaning)
        )
    return tuple(lines)


def counts(lines: Iterable[InputLine]) -> str:
    """How many inputs there are of each origin, and how many carry a tolerance, as a sentence for the cover."""
    lines = tuple(lines)
    by_origin = Counter(line.origin for line in lines)
    given = sum(n for origin, n in by_origin.items() if origin != DEFAULT)
    said = ", ".join(f"{by_origin[o]} {w}" for o, w in _WORDS if by_origin[o])
    toleranced = sum(line.tolerance is not None for line in lines)
    return (
        f"{given} inputs given ({said}), {toleranced} of them with a tolerance; {by_origin[DEFAULT]} defaults in force"
    )


_WORDS = (
    ("measured", "measured"),
    ("datasheet", "from datasheets"),
    ("assumed", "assumed"),
    (NOT_STATED, "of no stated origin"),
)
