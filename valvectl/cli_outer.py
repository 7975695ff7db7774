"""Verbs of the command line about the plant by symbols and the outer loops round it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from valvectl.cli_common import (
    CsvOption,
    DesignPath,
    FigureOption,
    JsonOption,
    SetOption,
    a_file,
    a_path,
    deliver,
    figure_name,
    guarded,
    load_design,
    say,
    status,
)


def register(app: typer.Typer) -> None:
    """Give the verbs to the command line."""
    app.command(short_help="Plant by symbols: transfer functions, O/F.")(model)
    app.command(short_help="Outer loops: thrust and mixture-ratio trim.")(trim)


@guarded
def model(
    design: DesignPath,
    sets: SetOption = None,
    throttle: Annotated[
        float, typer.Option("--at", "--throttle", metavar="PERCENT", help="Throttle of the numbers [%].")
    ] = 100.0,
    latex: Annotated[
        Path | None,
        typer.Option(
            "--latex",
            metavar="FILE",
            help="Write the equations as LaTeX.",
            show_default=False,
            callback=a_file,
            parser=a_path,
        ),
    ] = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
) -> None:
    """Transfer functions of actuator, feed legs and chamber, gains at rest, O/F per input: by symbols and by the program.

    Derived by computer algebra, apart from the program's own linear models and balance; the table holds the two against each
    other. The report shows the equations typeset.

    \b
    Example:
      valvectl model hover-rig.toml --at 40 --latex equations.tex
    """
    from valvectl.errors import ValvectlError

    loaded = load_design(design, sets)
    low = 100.0 * loaded.throttle.minimum
    if not low - 1e-9 <= throttle <= 100.0:
        raise ValvectlError(f"--at: {throttle:g} lies outside the design's range, {low:g} to 100 %")
    with status():
        result = loaded.model(throttle / 100.0)
    if latex is not None:
        from valvectl.review.folder import write_bytes

        write_bytes(latex, result.latex_text().encode("utf-8"))
        say(f"wrote {latex}")
    deliver("model", {"": result}, None, as_json, csv, None)


@guarded
def trim(
    design: DesignPath,
    sets: SetOption = None,
    kv_error: Annotated[
        float, typer.Option("--kv-error", metavar="PERCENT", help="Error of the oxidizer valve's Kv in the runs [%].")
    ] = 3.0,
    tank_error: Annotated[
        float, typer.Option("--tank-error", metavar="BAR", help="Error of the fuel tank's pressure in the runs [bar].")
    ] = -1.0,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Outer loops: thrust by chamber pressure, O/F by flow meters or injector drops; schedule alone against closed loops.

    Needs the table [outer_loops]. Margins of each loop with the other closed over the throttle range, noise brought into O/F,
    the sensors' standing error against what the tolerances do to the schedule alone, and simulated runs with errors.

    \b
    Example:
      valvectl trim hover-rig.toml --kv-error 5 --figure trim.svg
    """
    import math

    from valvectl.errors import ValvectlError

    figure_name(figure)
    if not (math.isfinite(kv_error) and abs(kv_error) <= 30.0):
        raise ValvectlError(f"--kv-error: must lie between -30 and 30 %, got {kv_error:g}")
    if not (math.isfinite(tank_error) and abs(tank_error) <= 100.0):
        raise ValvectlError(f"--tank-error: must lie between -100 and 100 bar, got {tank_error:g}")
    loaded = load_design(design, sets, simulates=True)
    with status():
        result = loaded.trim(kv_error / 100.0, tank_error * 1e5)
    from valvectl.review.figures import outer_chart

    limit = float(loaded.requirements.mixture_ratio_steady)
    deliver("trim", {"": result}, None, as_json, csv, figure, lambda r: outer_chart(r, steady=limit))
