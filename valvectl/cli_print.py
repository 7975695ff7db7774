"""How the command line prints: a patient console, tables that fit 80 columns, figures as files."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterator, Sequence
from typing import Any

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.segment import Segment
from rich.table import Table
from rich.text import Text

from valvectl.errors import escaped, plain_lines

WIDEST = 100
"""Columns used at most; a pipe gets 80."""
SETTINGS_SHOWN = 7
"""Throttle settings in a table over the throttle range."""


class PatientConsole(Console):
    """Goes on in silence when the reader of a pipe, such as ``head``, has seen enough: the exit code is the verdict's."""

    def render(self, renderable: Any, options: Any = None) -> Iterator[Segment]:
        """Segments as they are printed; control characters of names, wherever they come from, as escapes."""
        for segment in super().render(renderable, options):
            plain = segment.text if segment.control or segment.text == "\n" else plain_lines(segment.text)
            yield segment if plain == segment.text else Segment(plain, segment.style)

    def on_broken_pipe(self) -> None:
        self.quiet = True
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def console() -> Console:
    """Standard output; texts are never read as markup, numbers are not coloured."""
    made = PatientConsole(markup=False, highlight=False, emoji=False, soft_wrap=False)
    made.width = min(made.width, WIDEST)
    return made


_WHOLE = ("requirement", "leg", "found", "", "limit", "margin", "verdict")
"""Columns that are not broken over lines."""


def table(
    head: Sequence[str], rows: Sequence[Sequence[str | Text]], left: int = 1, title: str = "", words: Sequence[str] = ()
) -> Table:
    """A table with its first ``left`` columns and those named in ``words`` flush left and numbers flush right."""
    made = Table(
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        padding=(0, 1, 0, 0),
        title=Text(title) if title else None,
        title_justify="left",
        title_style="bold",
        show_edge=False,
        header_style="",
    )
    for j, name in enumerate(head):
        flush: Any = "left" if j < left or name in words else "right"
        made.add_column(
            Text(name),
            justify=flush,
            overflow="fold",
            # a number broken over two lines reads as another number
            no_wrap=flush == "right" or name in _WHOLE or (j == 0 and name.endswith("[s]")),
        )
    for row in rows:
        made.add_row(*(c if isinstance(c, Text) else Text(escaped(c)) for c in row))
    return made


def indented(text: str) -> Padding:
    return Padding(Text(escaped(text)), (0, 0, 0, 2))


def said(result: Any, out: Console) -> None:
    for line in result.assumptions:
        out.print(Text(f"note: {line}"))
    for line in result.cautions:
        out.print(Text(f"caution: {line}", style="yellow"))
    out.print()


def figure_bytes(drawn: Any, ending: str) -> bytes:
    """A figure, or the figure of some axes, as a file's content; ``ending`` is .svg, .png or .pdf."""
    from valvectl.review.figure_style import style

    figure = drawn if hasattr(drawn, "savefig") else drawn.get_figure()
    metadata: dict[str, dict[str, None]] = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}, ".png": {}}
    buffer = io.BytesIO()
    with style():
        figure.savefig(buffer, format=ending[1:], metadata=metadata[ending])
    return buffer.getvalue()
