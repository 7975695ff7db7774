"""The command line: one verb a study, ``check`` for all of them. Thin; heavy imports stay inside the commands.

Exit codes: 0 all requirements met (a study: it ran), 1 some missed or not assessed, 2 wrong input, 3 a fault of the
program itself, 130 stopped with Ctrl-C. With ``VALVECTL_DEBUG`` set a fault of the program shows its traceback.
"""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from valvectl.cli_common import (
    EXIT_MET,
    EXIT_MISSED,
    EXIT_STOPPED,
    CsvOption,
    DesignPath,
    FigureOption,
    JsonOption,
    LegOption,
    deliver,
    figure_name,
    guarded,
    legs_of,
    load_design,
    print_text,
    progress_bar,
    status,
)

app = typer.Typer(
    name="valvectl",
    rich_markup_mode=None,  # help without loading rich: it has to come at once
    add_completion=False,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)


class LoopPlot(StrEnum):
    """Which figure of the position loop."""

    bode = "bode"
    nyquist = "nyquist"
    step = "step"


class SurgePlot(StrEnum):
    """Which figure of a leg's surge."""

    surge = "surge"
    closing = "closing"


def main() -> None:
    """Entry point of the ``valvectl`` command."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal without the sign shows "?" in its place
    try:
        app(prog_name="valvectl")
    except KeyboardInterrupt:
        sys.exit(EXIT_STOPPED)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib import metadata

        try:
            typer.echo(f"valvectl {metadata.version('valvectl')}")
        except metadata.PackageNotFoundError:
            typer.echo("valvectl (run from its source folder)")
        raise typer.Exit


@app.callback()
def top(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Throttle valves, actuators and servo loops of a small two-valve liquid engine.

    One design file in, a verdict on the mixture ratio out.

    \b
    Begin with:
      valvectl new my-engine.toml
      valvectl check my-engine.toml

    Design files and tables carry their units; --json output is SI. An analysis that passes is not permission to
    operate.
    """


@app.command(short_help="Write a commented design file to start from.")
@guarded
def new(file: Annotated[Path, typer.Argument(metavar="FILE", help="Name of the new design file.")]) -> None:
    """Write a commented design file to start from.

    It is complete and runs; its numbers are invented. An existing file is never overwritten.

    \b
    Example:
      valvectl new my-engine.toml
    """
    from valvectl.design.starter import write_starter

    path = write_starter(file)
    typer.echo(f"Wrote {path}: a complete design with invented numbers. Put in your own, then: valvectl check {path}")


@app.command(short_help="Hold a design against its requirements; report.")
@guarded
def check(
    design: DesignPath,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="DIR", help="Folder for the report; by default NAME-review here.", show_default=False
        ),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the review as JSON (layout of review.json) and nothing else.")
    ] = False,
    no_report: Annotated[bool, typer.Option("--no-report", help="Write no folder, print only.")] = False,
) -> None:
    """Hold a design against all its requirements and write the report.

    Prints one line a requirement: what was found, the limit, its unit, the margin in % of the limit. For each miss it
    names the governing case and what would mend it. The folder gets review.html, review.json and a CSV file a study.
    Exit code 0: all met; 1: some missed or not assessed; 2: wrong input.

    \b
    Example:
      valvectl check hover-rig.toml --out hover-rig-review
    """
    from valvectl import cli_tables

    if out is not None and no_report:
        raise typer.BadParameter("--out and --no-report contradict each other")
    loaded = load_design(design, simulates=True)
    target = None
    if not no_report:
        from valvectl.review.folder import refuse, write_review

        target = out if out is not None else Path(f"{design.stem}-review")
        refuse(target)  # before the work, not after it
    with progress_bar() as progress:
        review = loaded.check(progress)
        written = None
        if target is not None:
            progress("writing the report", 1, 1)
            written = write_review(review, target)
    if as_json:
        from valvectl.review.folder import json_of, json_text

        print_text(json_text(json_of(review)))
    else:
        cli_tables.show_review(review, None if written is None else written["review.html"])
    raise typer.Exit(EXIT_MET if review.all_met else EXIT_MISSED)


@app.command(short_help="Which gear ratio: a sweep and its limits.")
@guarded
def ratio(
    design: DesignPath,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Which gear ratio: sweep it by the last stage and see what each check allows.

    Torque margin [%], stroke time [s], speed, flow step [%] and gear torque over the total ratio [-].

    \b
    Example:
      valvectl ratio hover-rig.toml --leg oxidizer --figure ratio.svg
    """
    figure_name(figure)
    loaded = load_design(design)
    with status():
        results = {name: loaded.ratio(name) for name in legs_of(leg)}
    from valvectl.review.figures import ratio_chart

    deliver("ratio", results, leg, as_json, csv, figure, ratio_chart)


@app.command(short_help="The position loop: gains, margins, steps.")
@guarded
def loop(
    design: DesignPath,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
    plot: Annotated[LoopPlot, typer.Option("--plot", help="What --figure draws.")] = LoopPlot.bode,
) -> None:
    """The position loop: gains, stability margins, step response.

    Gain margin [dB], phase margin [deg], delay margin [ms] and crossover [Hz] of each loop, from the exact sampled
    model; dead time, settling [ms] and overshoot [%] of a simulated step with friction and lost motion.

    \b
    Example:
      valvectl loop hover-rig.toml --leg fuel --figure step.pdf --plot step
    """
    figure_name(figure)
    loaded = load_design(design, simulates=True)
    with status():
        results = {name: loaded.loop(name) for name in legs_of(leg)}
    from valvectl.review import figures

    drawing: dict[LoopPlot, Callable[[Any], Any]] = {
        LoopPlot.bode: figures.bode,
        LoopPlot.nyquist: figures.nyquist,
        LoopPlot.step: figures.step,
    }
    deliver("loop", results, leg, as_json, csv, figure, drawing[plot])


@app.command(short_help="How finely flow can be set.")
@guarded
def resolution(
    design: DesignPath,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """How finely flow can be set over the throttle range, and what stands in the way.

    Smallest reliable step of the ball [deg], its cause, and the flow change of it [%].

    \b
    Example:
      valvectl resolution hover-rig.toml --csv resolution.csv
    """
    import dataclasses

    figure_name(figure)
    loaded = load_design(design)
    with status():
        result = loaded.resolution()
    result = dataclasses.replace(result, legs={name: result.legs[name] for name in legs_of(leg)})
    from valvectl.review.figures import resolution_chart

    deliver("resolution", {"": result}, None, as_json, csv, figure, resolution_chart)


@app.command(short_help="Simulate the throttle profile.")
@guarded
def throttle(
    design: DesignPath, as_json: JsonOption = False, csv: CsvOption = None, figure: FigureOption = None
) -> None:
    """Simulate the throttle profile: mixture ratio, thrust, valves, currents over time.

    Error of O/F [%] at each held throttle and in each change, lags [ms], hunting [deg], bus voltage [V].

    \b
    Example:
      valvectl throttle hover-rig.toml --csv throttle.csv --figure throttle.png
    """
    figure_name(figure)
    loaded = load_design(design, simulates=True)
    with status():
        result = loaded.throttle_run()
    from valvectl.review.figures import throttle_chart

    drawing = functools.partial(throttle_chart, transient=loaded.requirements.mixture_ratio_transient)
    deliver("throttle", {"": result}, None, as_json, csv, figure, drawing)


@app.command(short_help="Which port and bore.")
@guarded
def ports(
    design: DesignPath,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Which port: shapes and bores side by side over the throttle range, with this design's servo and tolerances.

    Angles used [deg], travel left [deg], drop over choking drop at the adverse bounds, installed gain [%/deg] and its
    variation, flow step [%]; the one to take and how close the next one is.

    \b
    Example:
      valvectl ports hover-rig.toml --leg fuel --figure ports.svg
    """
    figure_name(figure)
    loaded = load_design(design)
    with status():
        results = {name: loaded.ports(name) for name in legs_of(leg)}
    from valvectl.review.figures import ports_chart

    deliver("ports", results, leg, as_json, csv, figure, ports_chart)


@app.command(short_help="Does the feed system chug.")
@guarded
def stability(
    design: DesignPath, as_json: JsonOption = False, csv: CsvOption = None, figure: FigureOption = None
) -> None:
    """Does the feed system chug: the loop of chamber pressure, feed legs and combustion delays over the throttle range.

    Gain margin [dB], extra delay to the border [ms] and frequency [Hz] with stiff manifolds, as the design states them,
    and soft as if filled with vapour; the share of gas [%] in the manifolds at which it becomes unstable.

    \b
    Example:
      valvectl stability hover-rig.toml --figure stability.svg
    """
    figure_name(figure)
    loaded = load_design(design)
    with status():
        result = loaded.stability()
    from valvectl.review.figures import stability_chart

    drawing = functools.partial(stability_chart, margin=loaded.requirements.chug_margin)
    deliver("stability", {"": result}, None, as_json, csv, figure, drawing)


@app.command(short_help="Pressure surge, closing law, start.")
@guarded
def surge(
    design: DesignPath,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
    plot: Annotated[SurgePlot, typer.Option("--plot", help="What --figure draws of a leg.")] = SurgePlot.surge,
) -> None:
    """Pressure surge in the lines when a valve moves, how it best closes, and the start of the engine.

    Peak and lowest pressure [bar abs] of each movement at the command speed limit, the fastest safe speed [deg/s], the
    closing law of least surge (angles [deg] over time [ms]); then filling [ms] and what waits in the chamber at
    ignition [g], both legs. The start's table, figure and JSON are called start.

    \b
    Example:
      valvectl surge hover-rig.toml --leg oxidizer --figure surge.svg
    """
    figure_name(figure)
    loaded = load_design(design)
    with status():
        results: dict[str, Any] = {name: loaded.surge(name) for name in legs_of(leg)}
        results["start"] = loaded.fill()
    from valvectl.review import figures

    def drawing(result: Any) -> Any:
        if result is results["start"]:
            return figures.fill_chart(result)
        return figures.surge_chart(result) if plot == SurgePlot.surge else figures.closing_chart(result)

    deliver("surge", results, None, as_json, csv, figure, drawing)


@app.command(name="power-loss", short_help="Power, command or a motor lost.")
@guarded
def power_loss(
    design: DesignPath, as_json: JsonOption = False, csv: CsvOption = None, figure: FigureOption = None
) -> None:
    """What the valves do when power, a command or one motor is lost: hold, drift or shut; and the mixture ratio then.

    Torques on a dead valve [N m] against the friction that holds it, least and most; error of O/F [%] for each loss in
    mid-change and the time until it passes the limit [ms]; time to shut by a spring or a reserve store [ms].

    \b
    Example:
      valvectl power-loss hover-rig.toml --figure loss.svg
    """
    figure_name(figure)
    loaded = load_design(design, simulates=True)
    with status():
        result = loaded.power_loss()
    from valvectl.review.figures import power_loss_chart

    deliver("power-loss", {"": result}, None, as_json, csv, figure, power_loss_chart)


@app.command(short_help="Stem torque and margin by a named rule.")
@guarded
def torque(
    design: DesignPath,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Can the actuator turn the valve on its worst day: torque needed at named corners, and the margin by a named rule.

    Breakaway and running torque [N m] both ways, warm to cold, rested and under pressure; demand by kind with the rule's
    factors; margin [%] before and after the gears, at rest and in the fastest move; the same valve by every rule.

    \b
    Example:
      valvectl torque hover-rig.toml --leg oxidizer --figure torque.svg
    """
    figure_name(figure)
    loaded = load_design(design)
    with status():
        results = {name: loaded.torque(name) for name in legs_of(leg)}
    from valvectl.review.figures import torque_envelope_chart

    deliver("torque", results, leg, as_json, csv, figure, torque_envelope_chart)
