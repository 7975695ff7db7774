"""Verbs of the command line about the plant by symbols and the outer loops round it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from valvectl.cli_common import (
    CsvOption,
    DesignPath,
    JsonOption,
    SetOption,
    deliver,
    guarded,
    load_design,
    status,
)


def register(app: typer.Typer) -> None:
    """Give the verbs to the command line."""
    app.command(short_help="Plant by symbols: transfer functions, O/F.")(model)


@guarded
def model(
    design: DesignPath,
    sets: SetOption = None,
    throttle: Annotated[
        float, typer.Option("--throttle", metavar="PERCENT", help="Throttle setting of the numbers [%].")
    ] = 100.0,
    latex: Annotated[
        Path | None,
        typer.Option("--latex", metavar="FILE", help="Write the equations as LaTeX.", show_default=False),
    ] = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
) -> None:
    """Transfer functions of actuator, feed legs and chamber, gains at rest, O/F per input: by symbols and by the program.

    Derived by computer algebra, apart from the program's own linear models and balance; the table holds the two against each
    other. The report shows the equations typeset.

    \b
    Example:
      valvectl model hover-rig.toml --throttle 40 --latex equations.tex
    """
    from valvectl.errors import ValvectlError

    loaded = load_design(design, sets)
    low = 100.0 * loaded.throttle.minimum
    if not low - 1e-9 <= throttle <= 100.0:
        raise ValvectlError(f"--throttle: {throttle:g} lies outside the design's range, {low:g} to 100 %")
    with status():
        result = loaded.model(throttle / 100.0)
    if latex is not None:
        from valvectl.review.folder import write_bytes

        write_bytes(latex, result.latex_text().encode("utf-8"))
        typer.echo(f"wrote {latex}", err=True)
    deliver("model", {"": result}, None, as_json, csv, None)
