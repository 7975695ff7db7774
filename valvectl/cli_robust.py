"""The verb of the robust choice."""

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
    a_path,
    deliver,
    figure_name,
    guarded,
    load_design,
    progress_bar,
)


def register(app: typer.Typer) -> None:
    """Give the verb to the command line."""
    app.command(short_help="Ratio, gains, limits for the best odds.")(robust)


@guarded
def robust(
    design: DesignPath,
    sets: SetOption = None,
    free: Annotated[
        list[str] | None,
        typer.Option(
            "--free",
            metavar="NAME=LOW..HIGH",
            help="Quantity that may move, bounds optional for short names; may be given several times.",
            show_default=False,
        ),
    ] = None,
    runs: Annotated[int, typer.Option("--runs", metavar="N", help="Fresh engines for the comparison.")] = 1000,
    trials: Annotated[int, typer.Option("--trials", metavar="N", help="Choices tried in each search, at most.")] = 80,
    draws: Annotated[
        int, typer.Option("--draws", metavar="N", help="Engines of each choice in the search; the best get more.")
    ] = 64,
    seed: Annotated[int, typer.Option("--seed", metavar="N", help="Seed of draws and search.")] = 1,
    jobs: Annotated[int, typer.Option("--jobs", metavar="N", min=1, max=256, help="Processes on this machine.")] = 1,
    write: Annotated[
        Path | None,
        typer.Option(
            "--write",
            metavar="FILE",
            help="Write a changed copy of the design; its comments stay.",
            show_default=False,
            parser=a_path,
        ),
    ] = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Ratio, gains, shape and limits of the command that meet all requirements most often over the declared tolerances.

    Beside them the nominal optimum; both and the design as it is on the same fresh engines [%], with bounds. Short names: ratio,
    position_bandwidth and speed_bandwidth [Hz], speed_limit [deg/s], current_limit [A], shape, acceleration_limit [deg/s^2],
    jerk_limit [deg/s^3]; with "fuel." or "oxidizer." before for one leg. Or any number of the design by its dotted key. Margins,
    torque and the other rows of check are constraints.

    \b
    Example:
      valvectl robust hover-rig.toml --free ratio=40..90 --trials 40
    """
    from valvectl.errors import ValvectlError
    from valvectl.studies.robust_search import Effort

    figure_name(figure)
    if write is not None and sets:
        raise typer.BadParameter("a choice found with --set would not be that of the file", param_hint="--write")
    if not 8 <= draws <= 10_000:
        raise ValvectlError(f"draws must be from 8 to 10000 (got {draws})")
    effort = Effort(trials, max(8, draws // 2), draws, 4 * draws, 8 * draws)
    loaded = load_design(design, sets, simulates=True)
    with progress_bar() as progress:
        result = loaded.robust(
            free or (), runs=runs, seed=seed, effort=effort, jobs=jobs, slices=figure is not None, progress=progress
        )
    from valvectl.review.figures import robust_chart

    deliver("robust", {"": result}, None, as_json, csv, figure, robust_chart)
    if write is not None:
        from valvectl.design.write_values import write_values

        write_values(loaded, result.robust.changes, write)
        shown = "" if result.compared[1].better else "; it is not shown to be better than the design as it is"
        typer.echo(f"wrote {write}: a changed copy with the robust choice{shown}; check it first", err=True)
