"""The verb that holds two designs, or two saved reviews, against each other."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from valvectl.cli_common import (
    EXIT_MET,
    EXIT_MISSED,
    JsonOption,
    a_path,
    guarded,
    load_design,
    print_text,
    progress_bar,
)

if TYPE_CHECKING:
    from valvectl.review.saved import Side

SidePath = Annotated[
    Path, typer.Argument(help="Design file, review folder, or its review.json.", show_default=False, parser=a_path)
]


def register(app: typer.Typer) -> None:
    """Give the verb to the command line."""
    app.command(short_help="What changed between two designs or reviews.")(compare)


@guarded
def compare(
    a: SidePath,
    b: SidePath,
    share: Annotated[
        float,
        typer.Option(
            "--over", metavar="PERCENT", min=0.0, help="List values that moved by more than this of their limit."
        ),
    ] = 1.0,
    as_json: JsonOption = False,
) -> None:
    """What changed between two designs, or two saved reviews, in inputs and in verdicts.

    A design file is checked first, as check does; a folder that check wrote is read. Verdicts that turned come first,
    then values that moved [% of the limit], then the inputs that differ. Exit code 0: B meets all that A meets; 1: it
    does not; 2: wrong input.

    \b
    Example:
      valvectl compare before.toml after.toml
      valvectl compare hover-rig-review hover-rig.toml
    """
    one, other = _side(a), _side(b)
    from valvectl.review.compare import compare as compared

    found = compared(one, other, share=share / 100.0)
    if as_json:
        from valvectl.review.folder import json_text

        print_text(json_text(found.to_dict() | {"worse": found.worse, "identical": found.identical}))
    else:
        from valvectl.cli_tables_compare import comparison

        comparison(found)
    raise typer.Exit(EXIT_MISSED if found.worse else EXIT_MET)


def _side(path: Path) -> Side:
    from valvectl.review.saved import is_saved, read_saved, side_of

    if is_saved(path):
        return read_saved(path)
    loaded = load_design(path, simulates=True)
    with progress_bar() as progress:
        return side_of(loaded.check(progress, two_cores=True), str(path))
