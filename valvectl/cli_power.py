"""Verbs of the command line about heat and electric power."""

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
    """Give the verbs to the command line."""
    app.command(short_help="Winding and case over the mission.")(heat)
    app.command(short_help="Both motors on one battery; fuse.")(power)


@guarded
def heat(
    design: DesignPath,
    sets: SetOption = None,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Winding and case [degC] over the mission, time to the limit [s] stalled or holding, duty type, torque lost when hot.

    The mission is the table [duty]: runs of the throttle profile, the pause between them; or a duty type by IEC 60034-1.
    Two nodes where the motor states them, else one.

    \b
    Example:
      valvectl heat hover-rig.toml --leg fuel --set "duty.runs=20" \\
        --figure heat.svg
    """
    figure_name(figure)
    loaded = load_design(design, sets, simulates=True)
    with status():
        results = {name: loaded.heat(name) for name in legs_of(leg)}
    from valvectl.review.figures import heat_chart

    deliver("heat", results, leg, as_json, csv, figure, heat_chart)


@guarded
def power(
    design: DesignPath,
    sets: SetOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Both motors and other loads on one battery: sag [V], lock-out, braking energy [J], fuse, where every joule goes.

    Both valves from stop to stop at once, both ways, and the throttle profile, simulated at the end of discharge. Fuse,
    capacity and the way of braking energy are keys of [battery].

    \b
    Example:
      valvectl power hover-rig.toml --set "battery.other_loads=3 A" \\
        --figure power.svg
    """
    figure_name(figure)
    loaded = load_design(design, sets, simulates=True)
    with status():
        result = loaded.power()
    from valvectl.review.figures import power_chart

    deliver("power", {"": result}, None, as_json, csv, figure, power_chart)
