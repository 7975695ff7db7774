"""Verbs of the command line about the actuator: torque demand and margins, the gear stage of the team's own making."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from valvectl.cli_common import (
    CsvOption,
    DesignPath,
    FigureOption,
    JsonOption,
    LegOption,
    SetOption,
    a_path,
    deliver,
    figure_name,
    guarded,
    legs_of,
    load_design,
    status,
)


def register(app: typer.Typer) -> None:
    """Give the verbs to the command line."""
    app.command(short_help="Stem torque and margin by a named rule.")(torque)
    app.command(short_help="Teeth of a gear stage of your own.")(gear)
    app.command(short_help="Motors and gearboxes out of a catalogue.")(motors)


class MotorChoice(StrEnum):
    """Kind of motor."""

    brushed = "brushed"
    brushless = "brushless"
    stepper = "stepper"


@guarded
def motors(
    design: DesignPath,
    sets: SetOption = None,
    leg: LegOption = None,
    motor_file: Annotated[
        Path | None,
        typer.Option(
            "--motors",
            metavar="FILE",
            help="Motors (CSV or TOML, units in the head); without it invented ones.",
            show_default=False,
            parser=a_path,
        ),
    ] = None,
    gear_file: Annotated[
        Path | None,
        typer.Option(
            "--gears",
            metavar="FILE",
            help="Gearboxes (CSV or TOML); without it invented ones.",
            show_default=False,
            parser=a_path,
        ),
    ] = None,
    kind: Annotated[
        MotorChoice | None, typer.Option("--kind", help="Only this kind of motor.", show_default=False)
    ] = None,
    max_mass: Annotated[
        float | None, typer.Option("--max-mass", metavar="KG", min=0.0, help="Motor and gearbox.", show_default=False)
    ] = None,
    max_current: Annotated[
        float | None, typer.Option("--max-current", metavar="A", min=0.0, help="Motor's limit.", show_default=False)
    ] = None,
    max_cost: Annotated[
        float | None, typer.Option("--max-cost", metavar="MONEY", min=0.0, help="Of both.", show_default=False)
    ] = None,
    own_stage: Annotated[
        bool, typer.Option("--own-stage/--no-own-stage", help="Keep the design's last stage behind the gearbox.")
    ] = True,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Every motor with every gearbox of a catalogue on a leg: which hold every check, the Pareto front, why others fall.

    Front in margin [%], stroke [ms], mass [kg], current [A] and cost. The catalogue that ships is invented.

    \b
    Example:
      valvectl motors hover-rig.toml --leg oxidizer --kind brushless \\
        --max-mass 1.2 --figure motors.svg
    """
    import math

    from valvectl.studies.catalogue import Filters

    figure_name(figure)
    loaded = load_design(design, sets)
    filters = Filters(
        kind="" if kind is None else kind.value,
        max_mass=math.inf if max_mass is None else max_mass,
        max_current=math.inf if max_current is None else max_current,
        max_cost=math.inf if max_cost is None else max_cost,
        own_stage=own_stage,
    )
    with status():
        results = {name: loaded.catalogue(name, motor_file, gear_file, filters) for name in legs_of(leg)}
    from valvectl.review.figures import catalogue_chart

    deliver("motors", results, leg, as_json, csv, figure, catalogue_chart)


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
    """Can the actuator turn the valve on its worst day: torque needed at named corners, and the margin by a named rule.

    Breakaway and running torque [N m] both ways, warm to cold, rested and under pressure; demand by kind with the rule's
    factors; margin [%] before and after the gears, at rest and in the fastest move; the same valve by every rule. A rule
    named in the design (requirements.torque_rule) sets the limit of check's row.

    \b
    Example:
      valvectl torque hover-rig.toml --leg oxidizer \\
        --set "requirements.torque_rule=AIAA S-114"
    """
    figure_name(figure)
    loaded = load_design(design, sets)
    with status():
        results = {name: loaded.torque(name) for name in legs_of(leg)}
    from valvectl.review.figures import torque_envelope_chart

    deliver("torque", results, leg, as_json, csv, figure, torque_envelope_chart)
