"""Verbs of the command line about the servo: its responses, hunting and limit cycles."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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
    print_text,
    status,
)

if TYPE_CHECKING:
    from valvectl.api import Design
    from valvectl.design.schema import LegName
    from valvectl.studies.tuning import TuningResult


def register(app: typer.Typer) -> None:
    """Give the verbs to the command line."""
    app.command(short_help="The position loop: gains, margins, steps.")(loop)
    app.command(short_help="Does a valve hunt or swing by itself.")(hunting)
    app.command(short_help="Steps, ramp, sine: the real servo and its loop.")(response)


class LoopPlot(StrEnum):
    """Which figure of the position loop."""

    bode = "bode"
    nyquist = "nyquist"
    step = "step"
    nichols = "nichols"
    sensitivity = "sensitivity"
    poles = "poles"
    stiffness = "stiffness"
    words = "words"


@guarded
def loop(
    design: DesignPath,
    sets: SetOption = None,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
    plot: Annotated[LoopPlot, typer.Option("--plot", help="What --figure draws.")] = LoopPlot.bode,
    equations: Annotated[
        bool, typer.Option("--equations", help="The controller's difference equations with their numbers instead.")
    ] = False,
    tune: Annotated[
        bool, typer.Option("--tune", help="Find gains that hold at every corner of the design instead.")
    ] = False,
    write: Annotated[
        bool, typer.Option("--write", help="With --tune: put them into the design file; its comments stay.")
    ] = False,
) -> None:
    """The position loop: gains, stability margins, step response.

    Gain margin [dB], phase margin [deg], delay margin [ms] and crossover [Hz] of each loop, from the exact sampled
    model; dead time, settling [ms] and overshoot [%] of a simulated step with friction and lost motion; stiffness
    [N m/deg], encoder noise [A], poles [Hz], word lengths [bit].

    \b
    Example:
      valvectl loop hover-rig.toml --leg fuel --figure step.pdf --plot step
    """
    figure_name(figure)
    if write and not tune:
        raise typer.BadParameter("goes with --tune only", param_hint="--write")
    if write and sets:
        raise typer.BadParameter("gains found with --set would not be those of the file", param_hint="--write")
    loaded = load_design(design, sets, simulates=not (equations or tune))
    if tune:
        with status():
            found = {name: loaded.tuning(name) for name in legs_of(leg)}
        deliver("tune", found, leg, as_json, csv, None)
        if write:
            put_gains(design, loaded, found)
        return
    if equations:
        deliver("equations", {name: loaded.equations(name) for name in legs_of(leg)}, leg, as_json, csv, None)
        return
    with status():
        results = {name: loaded.loop_in_full(name) for name in legs_of(leg)}
    from valvectl.review import figures

    drawing: dict[LoopPlot, Callable[[Any], Any]] = {
        LoopPlot.bode: figures.bode,
        LoopPlot.nyquist: figures.nyquist,
        LoopPlot.step: figures.step,
        LoopPlot.nichols: figures.nichols,
        LoopPlot.sensitivity: figures.sensitivity,
        LoopPlot.poles: figures.pole_zero,
        LoopPlot.stiffness: figures.stiffness,
        LoopPlot.words: figures.word_lengths,
    }
    deliver("loop", results, leg, as_json, csv, figure, drawing[plot])


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


def put_gains(path: Path, design: Design, found: Mapping[LegName, TuningResult]) -> None:
    """Write the gains that hold at every corner into the design file; the other leg keeps its own."""
    from valvectl.design.schema import LEGS
    from valvectl.design.write_gains import write_gains
    from valvectl.errors import ValvectlError

    short = [name for name, result in found.items() if not result.feasible]
    if short:
        raise ValvectlError(
            f"nothing written: no gains of the {' and '.join(short)} leg keep everything at every corner"
        )
    kept: dict[LegName, Any] = {}
    for name in LEGS:
        if name not in found:
            given = design.leg(name).controller.gains
            kept[name] = given if isinstance(given, str) else design.analysis.gains[name]
    write_gains(path, {name: result.gains for name, result in found.items()}, kept)
    print_text(f"Gains of the {' and '.join(found)} leg written to {path}; comments stay. Check it again.\n")
