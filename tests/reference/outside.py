"""Checks against numbers that others published, and the list of what was checked.

A test keeps its rows as ``OutsideCheck`` data and hands what the program computed to ``verify``::

    from outside import OutsideCheck, verify

    ROWS = [OutsideCheck("R14", "residence time, L* 1 m", 1.3986e-3, "s", 1e-4, "Sutton & Biblarz", "recomputed")]

    @pytest.mark.parametrize("check", ROWS, ids=lambda check: check.id)
    def test_residence_time(check):
        verify(check, residence_time(1.0, 1700.0, 1.2))

``RECORD`` then holds one ``Outcome`` a check, in the order in which they ran, for the validation page.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from typing import Literal

Certainty = Literal["published", "library", "recomputed", "from memory", "common practice, no source"]
"""How the expected number came to be here.

published: read in the source named. library: read in the tests or documentation of the open library named.
recomputed: worked out apart from this program, from the source's stated formula and inputs or with the library named.
from memory: the source is believed to say so, but was not at hand. common practice, no source: a fact of the trade.
"""


@dataclass(frozen=True)
class OutsideCheck:
    """One number from outside and how close the program must come to it."""

    id: str
    """Short, unique name of the row, such as ``R14``."""
    what: str
    """What is computed, with the inputs that matter."""
    expected: float
    """The outside number [unit]."""
    unit: str
    """Unit of ``expected``; empty for a pure number."""
    tolerance: float
    """Largest allowed difference: relative to ``expected``, or in ``unit`` when ``absolute``."""
    source: str
    """Where the number is published, so that a reader can look it up."""
    certainty: Certainty
    """How the number came to be here."""
    absolute: bool = False
    """True when ``tolerance`` is in ``unit``."""

    def __post_init__(self) -> None:
        if not self.id or not self.what or not self.source:
            raise ValueError(f"check {self.id!r}: id, what and source must be said")
        if not (math.isfinite(self.expected) and math.isfinite(self.tolerance) and self.tolerance > 0.0):
            raise ValueError(f"check {self.id!r}: expected must be finite and tolerance above zero")
        if self.expected == 0.0 and not self.absolute:
            raise ValueError(f"check {self.id!r}: a zero needs an absolute tolerance")


@dataclass(frozen=True)
class Outcome:
    """A check with what the program gave."""

    check: OutsideCheck
    """The row."""
    got: float
    """The program's number [unit of the row]."""
    error: float
    """Difference in the terms of the tolerance: (got - expected)/|expected|, or got - expected when absolute."""
    passed: bool
    """True when the error is within the tolerance; a number that is not finite never passes."""
    file: str = ""
    """Test file that asked, by pytest's own account."""


RECORD: list[Outcome] = []
"""Every outcome of this test run, failed ones too."""


def verify(check: OutsideCheck, got: float) -> None:
    """Record what the program gave for ``check`` and raise AssertionError unless it is within the tolerance."""
    got = float(got)
    error = got - check.expected if check.absolute else (got - check.expected) / abs(check.expected)
    passed = math.isfinite(got) and abs(error) <= check.tolerance
    test = os.environ.get("PYTEST_CURRENT_TEST", "")
    RECORD.append(Outcome(check, got, error, passed, test.split("::", 1)[0].rsplit("/", 1)[-1]))
    assert passed, (
        f"{check.id}: {check.what}: got {got:.8g} {check.unit}, expected {check.expected:.8g} {check.unit}, "
        f"off by {error:.3g}, allowed {check.tolerance:.3g} {'(absolute)' if check.absolute else '(relative)'}; "
        f"source: {check.source} ({check.certainty})"
    )
