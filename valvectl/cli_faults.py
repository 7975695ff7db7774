"""Verb of the command line about single faults."""

from __future__ import annotations

from typing import Annotated

import typer

from valvectl.cli_common import (
    CsvOption,
    DesignPath,
    FigureOption,
    JsonOption,
    LegOption,
    SetOption,
    deliver,
    figure_name,
    guarded,
    legs_of,
    load_design,
    progress_bar,
)


def register(app: typer.Typer) -> None:
    """Give the verb to the command line."""
    app.command(short_help="Single faults: O/F, alarm, shut in time?")(faults)


@guarded
def faults(
    design: DesignPath,
    sets: SetOption = None,
    leg: LegOption = None,
    fault: Annotated[
        list[str] | None,
        typer.Option(
            "--fault", metavar="NAME", help="Only this fault; may be given several times.", show_default=False
        ),
    ] = None,
    at_time: Annotated[
        float | None,
        typer.Option("--at-time", metavar="SECONDS", help="Only at this time of the profile [s].", show_default=False),
    ] = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Single faults at any time of the throttle profile: O/F and pressure, time to an alarm, whether there is time to shut.

    Stuck, slow or slipped valve, bad encoder, lost or late command, reset, brown-out, regulator, dead motor; each at the
    middle of every hold and at start and middle of every change. Thresholds [deg, bar, %] with their false alarms, what
    the other valve would have to do, and a verdict each. Sizes, limits and watch are the table [faults].

    \b
    Example:
      valvectl faults hover-rig.toml --fault stuck-valve --at-time 1.2
    """
    figure_name(figure)
    loaded = load_design(design, sets, simulates=True)
    with progress_bar() as progress:
        result = loaded.single_faults(
            legs=legs_of(leg), kinds=tuple(fault) if fault else None, at_time=at_time, progress=progress
        )
    from valvectl.review.figures import faults_chart

    deliver("faults", {"": result}, None, as_json, csv, figure, faults_chart)
