"""Verbs of the command line about the servo: its responses, hunting and limit cycles."""

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
    app.command(short_help="Does a valve hunt or swing by itself.")(hunting)
    app.command(short_help="Steps, ramp, sine: the real servo and its loop.")(response)


@guarded
def hunting(
    design: DesignPath,
    sets: SetOption = None,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Does a valve hunt or swing by itself: limit cycles foreseen by harmonic balance and simulated, side by side.

    Amplitude [deg] and frequency [Hz] with friction, lost motion, rounding and limits; a map over lost motion and gain;
    the smallest step [deg] that the stem follows; what the hold band does. Some seconds a leg.

    \b
    Example:
      valvectl hunting hover-rig.toml --leg oxidizer --figure hunting.svg
    """
    figure_name(figure)
    loaded = load_design(design, sets, simulates=True)
    with status():
        results = {name: loaded.hunting(name) for name in legs_of(leg)}
    from valvectl.review.figures import hunting_chart

    deliver("hunting", results, leg, as_json, csv, figure, hunting_chart)


@guarded
def response(
    design: DesignPath,
    sets: SetOption = None,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """How a valve's servo answers steps, a ramp, a sine and the throttle profile: the real one beside its linear loop.

    Dead time, T63, T86, settling [ms], overshoot [%] and error integrals of steps of 0.5 to 45 deg both ways; lag of a ramp
    [ms]; gain and phase [deg] of a sine; error over the profile [deg]; resolution and dead band [deg].

    \b
    Example:
      valvectl response hover-rig.toml --leg fuel --figure response.svg
    """
    figure_name(figure)
    loaded = load_design(design, sets, simulates=True)
    with status():
        results = {name: loaded.responses(name) for name in legs_of(leg)}
    from valvectl.review.figures import response_chart

    deliver("response", results, leg, as_json, csv, figure, response_chart)
