"""One family of errors. Each tells the reader which file, which key, what was given and what is allowed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

# Letters that are written from right to left: Hebrew, Arabic and their neighbours, presentation forms, the far planes.
_RIGHT_TO_LEFT = "\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefe\U00010800-\U00010fff\U0001e800-\U0001efff"
_ISOLATE, _POP = "\u2068", "\u2069"
_ISOLATED = re.compile(f"({_ISOLATE}[^\u2066-\u2069\\n]*{_POP})")
_RUN = re.compile(rf"[{_RIGHT_TO_LEFT}]+(?:(?:[ ._'’-]|[ ._-]?\d+[ ._-]?)[{_RIGHT_TO_LEFT}]+)*")
_HAS_RUN = re.compile(f"[{_RIGHT_TO_LEFT}]")


def escaped(text: str) -> str:
    """Text with control characters and those that turn the direction of writing as escapes; line ends stay."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c == "\n" else repr(c)[1:-1] for c in text)


def plain_lines(text: str) -> str:
    """Text as it may go to a terminal: ``escaped``, and words of letters from right to left isolated.

    What a file calls itself must not move the cursor, change colours or swap the order of a line. Words from right to left
    stand between the signs of an isolate (Unicode, UAX 9: FSI and PDI), so that the numbers and marks beside them keep
    their places. What was isolated once is not isolated again.
    """
    if not _HAS_RUN.search(text) and _ISOLATE not in text:
        return escaped(text)
    parts = _ISOLATED.split(text)
    return "".join(
        _ISOLATE + escaped(part[1:-1]) + _POP if i % 2 else _RUN.sub(rf"{_ISOLATE}\g<0>{_POP}", escaped(part))
        for i, part in enumerate(parts)
    )


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with an input."""

    message: str
    """What is wrong and what is allowed, one sentence."""
    key: str = ""
    """Dotted path of the key in the design file; empty when the whole file is meant."""
    file: str = ""
    """File as the user named it."""
    line: int | None = None
    """Line in the file, counted from 1; None where it is not known."""
    got: str = ""
    """The value that was given, as text; empty when there was none."""

    def __str__(self) -> str:
        place = self.file
        if self.line is not None:
            place += f":{self.line}"
        parts = [p for p in (place, self.key) if p]
        head = ": ".join(parts)
        got = f" (got {self.got})" if self.got else ""
        return plain_lines(f"{head}: {self.message}{got}" if head else f"{self.message}{got}").replace("\n", "\\n")


class ValvectlError(Exception):
    """Base of every error that valvectl raises on purpose. Exit code 2 on the command line."""


class DesignError(ValvectlError):
    """A design file that can not be used. Carries all its faults at once."""

    def __init__(self, faults: Sequence[Fault] | Fault) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("\n".join(str(f) for f in self.faults))


class NoBalanceError(ValvectlError):
    """No steady operating point exists for what was asked; the message names the station where it fails."""


class RangeError(ValvectlError):
    """A value lies outside the range in which a law or a table is valid."""


class SimulationError(ValvectlError):
    """A simulated run stopped being finite; the message says when and in which leg."""
