"""Verb of the command line about the timing of the loops."""

from __future__ import annotations

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
    status,
)


def register(app: typer.Typer) -> None:
    """Give the verb to the command line."""
    app.command(short_help="Samples, delays, filters: phase they cost.")(timing)


@guarded
def timing(
    design: DesignPath,
    sets: SetOption = None,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """What samples, delays, offsets, sensors and filters cost each loop: phase lag at its crossover [deg] by parts.

    Exact phase and gain margins [deg, dB] over the declared jitter of the delays; phase margin of the position loop over
    the offset of the speed loop's samples [ms].

    \b
    Example:
      valvectl timing hover-rig.toml --leg fuel --figure timing.svg \\
        --set "legs.fuel.controller.position_jitter=0.4 ms"
    """
    figure_name(figure)
    loaded = load_design(design, sets)
    with status():
        results = {name: loaded.timing(name) for name in legs_of(leg)}
    from valvectl.review.figures import timing_chart

    deliver("timing", results, leg, as_json, csv, figure, timing_chart)
