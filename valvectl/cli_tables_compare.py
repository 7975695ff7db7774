"""What the command line prints of two reviews side by side."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import console, table
from valvectl.design.quantities import visible
from valvectl.review import wording
from valvectl.review.compare import Comparison, InputChange, Kind, RowChange
from valvectl.review.saved import Side
from valvectl.review.wording import number

_PARTS: tuple[tuple[tuple[Kind, ...], str, str], ...] = (
    (("worse",), "Met in A, not in B", "bold red"),
    (("verdict",), "Missed in one, not assessed in the other", "yellow"),
    (("better",), "Met in B, not in A", "green"),
    (("only B",), "In B only", "yellow"),
    (("only A",), "In A only", "yellow"),
    (("limit",), "Same verdict, another limit", "bold"),
    (("moved",), "Same verdict, value moved", "bold"),
)


def comparison(found: Comparison) -> None:
    """Verdicts that turned, values that moved, inputs that differ, notes."""
    out = console()
    for letter, side in (("A", found.a), ("B", found.b)):
        out.print(Text(f"{letter}: {_named(side)}", style="bold"))
    for note in found.notes:
        out.print(Text(f"note: {note}"))
    out.print()
    if found.identical:
        out.print("Nothing differs: the same inputs, the same numbers, the same verdicts.")
        return
    for kinds, title, look in _PARTS:
        rows = found.of(*kinds)
        if rows:
            if kinds == ("moved",):
                title += f" by more than {number(100.0 * found.share)} % of its limit"
            out.print(Text(f"{title}: {len(rows)}", style=look))
            _rows(rows, out)
            out.print()
    same = len(found.of("same"))
    if same:
        out.print(
            f"{same} requirements have the same verdict and moved by no more than {number(100 * found.share)} % of the limit."
        )
        out.print()
    _inputs(found.inputs, out)
    worse = sum(r.kind == "worse" for r in found.rows)
    better = sum(r.kind == "better" for r in found.rows)
    out.print(Text(f"{worse} verdicts turned for the worse, {better} for the better.", style="bold"))
    out.print("A comparison of two analyses is no permission to operate either.")


def _named(side: Side) -> str:
    made = side.date.replace("T", " ").replace("+00:00", " UTC")
    version = f", valvectl {visible(side.version, 20)}" if side.version else ""
    return f"{visible(side.name, 60)} ({visible(side.source, 60)}; {made}{version})"


def _rows(rows: tuple[RowChange, ...], out: Console) -> None:
    head = ("requirement", "leg", "A", "B", "limit", "margin A", "B")
    lines = []
    for r in rows:
        some = r.b if r.b is not None else r.a
        assert some is not None
        lines.append(
            (
                r.id,
                r.leg or "engine",
                *("-" if row is None else wording.found(row, short=True) for row in (r.a, r.b)),
                f"{number(some.limit)} {some.unit}".rstrip(),
                *("-" if row is None else wording.margin(row) for row in (r.a, r.b)),
            )
        )
    out.print(table(head, lines, left=2))
    for r in rows:
        leg = f", {r.leg} leg" if r.leg else ""
        if r.a is not None and r.b is not None and r.limit_changed:
            units = (f" {r.a.unit}".rstrip(), f" {r.b.unit}".rstrip())
            text = f"{r.id}{leg}: limit {r.a.operator} {number(r.a.limit)}{units[0]} in A, "
            out.print(Text(text + f"{r.b.operator} {number(r.b.limit)}{units[1]} in B"))
        if r.kind in ("worse", "verdict") and r.b is not None and r.b.case:
            out.print(Text(f"{r.id}{leg}, {r.b.verdict} in B: {visible(r.b.case, 300)}"))
        if r.kind in ("only A", "only B"):
            some = r.b if r.b is not None else r.a
            assert some is not None
            out.print(Text(f"{r.id}{leg}: {some.verdict}"))


def _inputs(changes: tuple[InputChange, ...] | None, out: Console) -> None:
    if changes is None:
        return
    if not changes:
        out.print("The inputs are the same.")
        out.print()
        return
    out.print(Text(f"Inputs that differ: {len(changes)}", style="bold"))
    for c in changes:
        out.print(Text(f"  {c.key}"))
        out.print(Text("    " + _words(c)), soft_wrap=False)
    out.print()


def _words(c: InputChange) -> str:
    if c.what == "tolerance":
        return f"{c.b}; tolerance {c.a_tolerance or 'none'} in A, {c.b_tolerance or 'none'} in B"
    if c.what == "origin":
        return f"{c.b}; {c.a_origin} in A, {c.b_origin} in B"
    if c.what in ("added", "removed"):
        side, shown, origin = ("B", c.b, c.b_origin) if c.what == "added" else ("A", c.a, c.a_origin)
        return f"{shown}, {origin}; in {side} only"
    grown = "" if c.relative is None else f" ({100.0 * c.relative:+.3g} %)"
    origins = "" if c.a_origin == c.b_origin else f"; {c.a_origin} in A, {c.b_origin} in B"
    return f"{c.a} -> {c.b}{grown}{origins}"
