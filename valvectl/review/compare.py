"""Two reviews side by side: what changed in the inputs and what that did to the verdicts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from valvectl.design.keys import find, split
from valvectl.design.quantities import visible
from valvectl.design.schema import LegName
from valvectl.errors import DesignError, Fault
from valvectl.review.inputs import InputLine
from valvectl.review.saved import Side
from valvectl.review.verdict import Row, Verdict
from valvectl.studies.result import Result

Kind = Literal["worse", "better", "verdict", "only A", "only B", "moved", "limit", "same"]
"""What became of a row. worse: met in A and not in B; better: the reverse; verdict: missed in one, not assessed in the
other; moved: the same verdict and a value that moved by more than the share asked for; limit: a limit that moved; same:
none of these."""

SHARE = 0.01
"""Change of a value over its limit from which it is listed [-], by default."""
ENTRIES_SHOWN = 4
"""Changed entries of a list that are shown one by one."""


@dataclass(frozen=True)
class RowChange:
    """One requirement in both reviews."""

    id: str
    leg: LegName | None
    title: str
    unit: str
    kind: Kind
    a: Row | None
    """Row of A; None when A has none."""
    b: Row | None
    """Row of B; None when B has none."""
    change: float | None
    """Change of the value over A's limit [-], positive towards the limit and past it (worse); None when there is none."""
    limit_changed: bool
    """True when both have the row and their limits differ."""


@dataclass(frozen=True)
class InputChange:
    """One input that differs."""

    key: str
    what: Literal["value", "added", "removed", "tolerance", "origin"]
    """value: another value; added, removed: in one design only; tolerance, origin: the same value with another one."""
    a: str
    """As shown, with unit; empty where A has none."""
    b: str
    """As shown, with unit; empty where B has none."""
    unit: str
    relative: float | None
    """Change of a number over A's value [-]; None for anything else, and for a value of zero in A."""
    a_origin: str
    b_origin: str
    """Origins; ``default`` for a value that the file does not give."""
    a_tolerance: str
    b_tolerance: str
    """Tolerances as written; empty without."""


@dataclass(frozen=True)
class Comparison(Result):
    """What differs between review A and review B."""

    a: Side
    b: Side
    share: float
    """Change of a value over its limit from which a row counts as moved [-]."""
    rows: tuple[RowChange, ...]
    """Every row of both, most important first: worse, verdict, better, in one only, moved (worst first), the same."""
    inputs: tuple[InputChange, ...] | None
    """Inputs that differ; None when one of the reviews was saved without its inputs."""
    notes: tuple[str, ...]
    """What a reader should know about the two before comparing them."""

    @property
    def worse(self) -> bool:
        """True when B fails to meet a requirement that A meets, or one that A does not have."""
        return any(r.kind == "worse" or (r.kind == "only B" and _verdict(r.b) != "met") for r in self.rows)

    @property
    def identical(self) -> bool:
        """True when neither an input nor a verdict nor a number differs."""
        same = all(
            r.a is not None
            and r.b is not None
            and (r.a.value, r.a.limit, r.a.verdict) == (r.b.value, r.b.limit, r.b.verdict)
            for r in self.rows
        )
        return same and self.inputs == ()

    def of(self, *kinds: Kind) -> tuple[RowChange, ...]:
        """Rows of some kinds."""
        return tuple(r for r in self.rows if r.kind in kinds)

    def columns(self) -> dict[str, Any]:
        return {
            "requirement": [r.id for r in self.rows],
            "leg": [r.leg or "" for r in self.rows],
            "unit": [r.unit for r in self.rows],
            "change": [r.kind for r in self.rows],
            "found in A": [None if r.a is None else r.a.value for r in self.rows],
            "found in B": [None if r.b is None else r.b.value for r in self.rows],
            "limit in A": [None if r.a is None else r.a.limit for r in self.rows],
            "limit in B": [None if r.b is None else r.b.limit for r in self.rows],
            "margin in A [%]": [_percent(r.a) for r in self.rows],
            "margin in B [%]": [_percent(r.b) for r in self.rows],
            "verdict in A": [_verdict(r.a) or "" for r in self.rows],
            "verdict in B": [_verdict(r.b) or "" for r in self.rows],
        }


def _percent(row: Row | None) -> float | None:
    return None if row is None or row.margin is None else 100.0 * row.margin


def _verdict(row: Row | None) -> Verdict | None:
    return None if row is None else row.verdict


def compare(a: Side, b: Side, share: float = SHARE) -> Comparison:
    """What differs between two reviews.

    Parameters
    ----------
    share : change of a value over its limit from which a row of the same verdict is listed as moved [-], 0 or more

    Raises ``DesignError`` when one of them holds a row twice, so that it can not be said which is meant.
    """
    if not 0.0 <= share < math.inf:
        raise DesignError(Fault("must be zero or above", key="share", got=f"{share:g}"))
    before, after = _by_key(a), _by_key(b)
    keys = list(dict.fromkeys([*before, *after]))
    rows = sorted((_row_change(before.get(key), after.get(key), share) for key in keys), key=_importance)
    return Comparison(a, b, share, tuple(rows), input_changes(a.inputs, b.inputs), _notes(a, b))


def _by_key(side: Side) -> dict[tuple[str, str | None], Row]:
    out: dict[tuple[str, str | None], Row] = {}
    for row in side.rows:
        if (row.id, row.leg) in out:
            leg = f", {row.leg} leg" if row.leg else ""
            raise DesignError(Fault("stands there twice", key=f"{row.id}{leg}", file=side.source))
        out[row.id, row.leg] = row
    return out


_ORDER: tuple[Kind, ...] = ("worse", "verdict", "better", "only B", "only A", "limit", "moved", "same")


def _importance(change: RowChange) -> tuple[int, float]:
    return _ORDER.index(change.kind), -(change.change or 0.0)


def _row_change(a: Row | None, b: Row | None, share: float) -> RowChange:
    shown = b if b is not None else a
    assert shown is not None
    limit_changed, change = False, None
    if a is None or b is None:
        kind: Kind = "only B" if a is None else "only A"
    else:
        change, same_unit = _towards_limit(a, b), a.unit == b.unit
        limit_changed = a.limit != b.limit or not same_unit or a.operator != b.operator
        if a.verdict != b.verdict:
            kind = "worse" if a.verdict == "met" else "better" if b.verdict == "met" else "verdict"
        elif limit_changed:
            kind = "limit"
        else:
            kind = "moved" if change is not None and abs(change) > share else "same"
    return RowChange(shown.id, shown.leg, shown.title, shown.unit, kind, a, b, change, limit_changed)


def _towards_limit(a: Row, b: Row) -> float | None:
    """Change of the value over A's limit [-], positive for the worse."""
    if a.value is None or b.value is None or a.unit != b.unit:
        return None
    if a.value == b.value:
        return 0.0
    sign = 1.0 if a.operator == "<=" else -1.0
    scale = abs(a.limit) or abs(a.value) or abs(b.value)
    return sign * (b.value - a.value) / scale  # an infinite change stays one: it was reached, or no longer is


# ---------------------------------------------------------------------------------------------------------- inputs


def input_changes(a: Iterable[InputLine] | None, b: Iterable[InputLine] | None) -> tuple[InputChange, ...] | None:
    """Inputs that differ: values first, largest relative change first, then what is in one only, then tolerances and
    origins. None when either side was saved without its inputs."""
    if a is None or b is None:
        return None
    before, after = {line.key: line for line in a}, {line.key: line for line in b}
    out = [c for key in dict.fromkeys([*before, *after]) if (c := _change(before.get(key), after.get(key))) is not None]
    order = ("value", "added", "removed", "tolerance", "origin")
    return tuple(sorted(out, key=lambda c: (order.index(c.what), -_size(c))))


def _size(change: InputChange) -> float:
    return math.inf if change.relative is None else abs(change.relative)


def _change(a: InputLine | None, b: InputLine | None) -> InputChange | None:
    some = b if b is not None else a
    assert some is not None
    what: Literal["value", "added", "removed", "tolerance", "origin"]
    if a is None or b is None:
        what = "added" if a is None else "removed"
    elif not _equal(a.value, b.value):
        what = "value"
    elif (a.tolerance, a.relative) != (b.tolerance, b.relative):
        what = "tolerance"
    elif a.origin != b.origin:
        what = "origin"
    else:
        return None
    shown_a, shown_b = _both_shown(a, b) if what == "value" else (_shown(a), _shown(b))
    return InputChange(
        key=visible(some.key, 200),
        what=what,
        a=shown_a,
        b=shown_b,
        unit=some.unit,
        relative=_relative(a, b) if what == "value" else None,
        a_origin="" if a is None else a.origin,
        b_origin="" if b is None else b.origin,
        a_tolerance="" if a is None else a.tolerance_shown,
        b_tolerance="" if b is None else b.tolerance_shown,
    )


def _equal(a: Any, b: Any) -> bool:
    if isinstance(a, bool) or isinstance(b, bool):
        return a is b
    return bool(a == b)


def _shown(line: InputLine | None) -> str:
    return "" if line is None else visible(line.shown, 200)


def _both_shown(a: InputLine | None, b: InputLine | None) -> tuple[str, str]:
    """Both values, of two lists of one length only the entries that differ, with digits enough to differ."""
    assert a is not None
    assert b is not None
    path = split(a.key)
    spec = find(path) if path else None
    one, other = a.value, b.value
    if spec is not None and isinstance(one, tuple) and isinstance(other, tuple) and len(one) == len(other):
        places = [j for j, (x, y) in enumerate(zip(one, other, strict=True)) if x != y]
        more = f" and {len(places) - ENTRIES_SHOWN} more" if len(places) > ENTRIES_SHOWN else ""

        def entries(values: tuple[Any, ...]) -> str:
            return ", ".join(f"[{j}] {spec.text(values[j])}" for j in places[:ENTRIES_SHOWN]) + more  # type: ignore[union-attr]

        return visible(entries(one), 200), visible(entries(other), 200)
    if a.shown == b.shown and isinstance(one, (int, float)) and isinstance(other, (int, float)):
        return f"{a.shown} ({one:.12g} in SI)", f"{b.shown} ({other:.12g} in SI)"
    return _shown(a), _shown(b)


def _relative(a: InputLine | None, b: InputLine | None) -> float | None:
    one, other = (a.value if a is not None else None), (b.value if b is not None else None)
    numbers = all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in (one, other))
    if not numbers or one == 0:
        return None
    assert isinstance(one, (int, float))
    assert isinstance(other, (int, float))
    return (other - one) / abs(one)


# ----------------------------------------------------------------------------------------------------------- notes


def _notes(a: Side, b: Side) -> tuple[str, ...]:
    out = []
    for letter, side in (("A", a), ("B", b)):
        if side.inputs is None:
            out.append(f"{letter} was saved without a list of its inputs; only the verdicts are compared")
    if None in (a.inputs, b.inputs):
        same = a.input_hash == b.input_hash
        out.append(f"by their checksums the inputs of A and B are {'the same' if same else 'not the same'}")
    if a.version != b.version:
        out.append(
            f"made by different versions of valvectl ({_version(a)} and {_version(b)}): a number may differ for that alone"
        )
    libraries = _differing(a.versions, b.versions)
    if libraries:
        out.append(f"other versions of {', '.join(libraries)}")
    return tuple(out)


def _version(side: Side) -> str:
    return side.version or "unknown"


def _differing(a: Mapping[str, str], b: Mapping[str, str]) -> list[str]:
    names = [n for n in a if n in b and n != "valvectl" and a[n] != b[n]]
    return [f"{visible(n)} ({visible(a[n])} and {visible(b[n])})" for n in names]
