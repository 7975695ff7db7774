"""Verbs of the command line about the actuator: torque demand and margins, the gear stage of the team's own making."""

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
    app.command(short_help="Torque demand; margins by every rule.")(torque)
    app.command(short_help="Teeth of a gear stage of your own.")(gear)


@guarded
def gear(
    design: DesignPath,
    sets: SetOption = None,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Teeth of the last gear stage as your own: module, tooth counts, strength, lost motion, workshop dimensions.

    The table [legs.X.actuator.own_stage] says what it may be; torques [N m] and speed [rad/s] come from the actuator. Pairs
    that meet everything, best first; why the others fall; sizes [mm] and spans [mm] of the one recommended.

    \b
    Example:
      valvectl gear hover-rig.toml --leg oxidizer --figure gear.svg
    """
    figure_name(figure)
    loaded = load_design(design, sets)
    asked = [name for name in legs_of(leg) if leg is not None or loaded.leg(name).actuator.own_stage is not None]
    with status():
        results = {name: loaded.gear(name) for name in asked or legs_of(leg)}
    from valvectl.review.figures import gear_stage_chart

    deliver("gear", results, leg, as_json, csv, figure, gear_stage_chart)


@guarded
def torque(
    design: DesignPath,
    leg: LegOption = None,
    sets: SetOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Torque demand of a valve at named corners [N m], and its margins by every named rule [%], each with its clause.

    Before and after the gears; contributions with their factors; whether friction counts as measured. A rule named in the
    design (requirements.torque_rule) becomes a row of check.

    \b
    Example:
      valvectl torque hover-rig.toml --leg oxidizer --set "requirements.torque_rule=AIAA S-114"
    """
    figure_name(figure)
    loaded = load_design(design, sets)
    with status():
        results = {name: loaded.torque_demand(name) for name in legs_of(leg)}
    from valvectl.review.figures import torque_demand_chart

    deliver("torque", results, leg, as_json, csv, figure, torque_demand_chart)
