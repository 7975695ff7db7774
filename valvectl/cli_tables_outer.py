"""Tables of the plant by symbols and of the outer loops."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import said, table
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.studies.model import ModelResult


def model(result: ModelResult, out: Console) -> None:
    """Print a result of ``model``."""
    rows = [
        [r.what, r.leg or "both", number(r.symbolic), number(r.program), r.unit or "-", f"{r.difference:.0e}"]
        for r in result.rows
    ]
    head = ("quantity", "leg", "by\nsymbols", "by the\nprogram", "unit", "differ\nby")
    title = f"Plant at {100.0 * result.throttle:.3g} % throttle, two ways; transfer functions where they differ most"
    out.print(table(head, rows, left=2, title=title, words=("unit",)))
    out.print()
    what = "agree" if result.agrees else "do NOT agree"
    out.print(Text(f"The two ways {what}: the largest relative difference is {result.largest_difference:.1e}."))
    out.print(Text("The equations: --latex FILE, --json, or the report of valvectl check."))
    said(result, out)
