"""The command line: one verb a study, ``check`` for all of them. Thin; heavy imports stay inside the commands.

Exit codes: 0 all requirements met (a study: it ran), 1 some missed or not assessed, 2 wrong input, 3 a fault of the
program itself, 130 stopped with Ctrl-C. With ``VALVECTL_DEBUG`` set a fault of the program shows its traceback.
"""

from __future__ import annotations

import functools
import gc
import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from valvectl import (
    cli_actuator,
    cli_compare,
    cli_dispersion,
    cli_explain,
    cli_faults,
    cli_guide,
    cli_outer,
    cli_power,
    cli_robust,
    cli_servo,
    cli_timing,
    cli_valves,
)
from valvectl.cli_common import (
    EXIT_MET,
    EXIT_MISSED,
    EXIT_STOPPED,
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
    last_words,
    legs_of,
    load_design,
    output_failed,
    print_text,
    progress_bar,
    status,
    whole_streams,
)

app = typer.Typer(
    name="valvectl",
    rich_markup_mode=None,  # help without loading rich: it has to come at once
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)


class SurgePlot(StrEnum):
    """Which figure of a leg's surge."""

    surge = "surge"
    closing = "closing"


def main() -> None:
    """Entry point of the ``valvectl`` command."""
    # A run of seconds leaves few cycles behind; looking for them at the usual pace took a tenth of a check's time.
    gc.set_threshold(200_000, 20, 20)
    whole_streams()
    code: int | str | None = EXIT_MET
    try:
        app(prog_name="valvectl")
    except SystemExit as stop:
        code = stop.code
    except KeyboardInterrupt:
        code = EXIT_STOPPED
    except OSError as error:  # help or version on a full disk; the verbs have their own words for it
        code = output_failed(error)
    sys.exit(last_words(code))


def _version(wanted: bool) -> None:
    if wanted:
        from importlib import metadata

        def version(package: str) -> str:
            try:
                return metadata.version(package)
            except metadata.PackageNotFoundError:
                return "not installed" if package != "valvectl" else "(run from its source folder)"

        import platform
        import shutil
        import textwrap

        packages = ("numpy", "scipy", "numba", "control", "CoolProp", "cantera", "matplotlib", "pandas")
        columns = min(max(shutil.get_terminal_size((80, 24)).columns, 40), 100)
        libraries = textwrap.fill(", ".join(f"{package} {version(package)}" for package in packages), columns)
        print_text(
            f"valvectl {version('valvectl')}\n"
            f"Python {platform.python_version()}, {platform.system()} {platform.machine()}\n{libraries}\n"
        )
        raise typer.Exit


@app.callback()
def top(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_version, is_eager=True, help="Print the version and its environment, and stop."
        ),
    ] = False,
) -> None:
    """Throttle valves, actuators and servo loops of a small two-valve liquid engine.

    One design file in, a verdict on the mixture ratio out.

    \b
    Begin with:
      valvectl guide
      valvectl new my-engine.toml
      valvectl check my-engine.toml

    Design files and tables carry their units; --json output is SI. An analysis that passes is not permission to
    operate.
    """


@app.command(short_help="Write a commented design file to start from.")
@guarded
def new(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Name of the new design file.", parser=a_path)],
) -> None:
    """Write a commented design file to start from.

    It is complete and runs; its numbers are invented. An existing file is never overwritten.

    \b
    Example:
      valvectl new my-engine.toml
    """
    from valvectl.design.starter import write_starter
    from valvectl.errors import plain_lines

    path = write_starter(file)
    typer.echo(
        plain_lines(
            f"Wrote {path}: a complete design with invented numbers; its name and note say so until you change them.\n"
            f"Put in your own numbers, then: valvectl check {path}"
        )
    )


@app.command(short_help="Hold a design against its requirements; report.")
@guarded
def check(
    design: DesignPath,
    sets: SetOption = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="DIR",
            help="Folder for the report; by default NAME-review here.",
            show_default=False,
            parser=a_path,
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
    loaded = load_design(design, sets, simulates=True)
    target = None
    if not no_report:
        from valvectl.review.folder import refuse, write_review

        target = out if out is not None else Path(f"{design.stem}-review")
        refuse(target)  # before the work, not after it
    with progress_bar() as progress:
        review = loaded.check(progress, two_cores=True)
        written = None
        if target is not None:
            progress("writing the report", 1, 1)
            written = write_review(review, target, two_cores=True)
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
    sets: SetOption = None,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Which gear ratio: sweep it by the last stage, see what each check allows, which one closes the window on each side.

    Torque margins [%], stroke time [s], speeds, gear torque, flow step [%], bus, heating over the total ratio [-]; what
    one percent on any input flips; the probability that all hold over the declared tolerances; the split in two stages.

    \b
    Example:
      valvectl ratio hover-rig.toml --leg oxidizer --figure ratio.svg
    """
    figure_name(figure)
    loaded = load_design(design, sets)
    with status():
        results = {name: loaded.ratio_in_full(name) for name in legs_of(leg)}
    from valvectl.review.figures import ratio_window_chart

    deliver("ratio", results, leg, as_json, csv, figure, ratio_window_chart)


@app.command(short_help="How finely flow can be set.")
@guarded
def resolution(
    design: DesignPath,
    sets: SetOption = None,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """How finely flow can be set over the throttle range, what stands in the way, and what would mend it.

    Smallest reliable step of the ball [deg], its cause, the change of flow and O/F of it [%]; the step that moves the ball
    for certain after a reversal; the angle measured against that of the ball; both legs' O/F together; what each input
    alone would have to be for the step to meet its limit.

    \b
    Example:
      valvectl resolution hover-rig.toml --csv resolution.csv
    """
    import dataclasses

    figure_name(figure)
    loaded = load_design(design, sets)
    with status():
        result = loaded.resolution()
        fixes = {name: loaded.resolution_fix(name) for name in legs_of(leg)}
    result = dataclasses.replace(result, legs={name: result.legs[name] for name in legs_of(leg)})
    from valvectl.review.figures import resolution_chart
    from valvectl.studies.resolution_fix import ResolutionAnswer

    def drawing(answer: ResolutionAnswer) -> Any:
        return resolution_chart(answer.found)

    deliver("resolution", {"": ResolutionAnswer(result, fixes)}, None, as_json, csv, figure, drawing)


@app.command(short_help="Simulate the throttle profile.")
@guarded
def throttle(
    design: DesignPath,
    sets: SetOption = None,
    run: cli_dispersion.RunOption = None,
    source: cli_dispersion.FromOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Simulate the throttle profile: mixture ratio, thrust, valves, currents over time.

    Error of O/F [%] at each held throttle and in each change, lags [ms], hunting [deg], bus voltage [V].

    \b
    Example:
      valvectl throttle hover-rig.toml --csv throttle.csv --figure throttle.png
    """
    figure_name(figure)
    loaded = load_design(design, sets, simulates=True)
    if (run is None) != (source is None):
        raise typer.BadParameter("--run and --from go together: a run's number and the folder of the dispersion")
    with status():
        result = (
            loaded.throttle_run() if source is None or run is None else cli_dispersion.replayed(loaded, source, run)
        )
    if run is not None and not as_json:
        from valvectl.errors import plain_lines

        said = f"Engine of run {run} in {source}, drawn from the tolerances; O/F off the wanted one is its own."
        typer.echo(plain_lines(said))
    from valvectl.review.figures import throttle_chart

    drawing = functools.partial(throttle_chart, transient=loaded.requirements.mixture_ratio_transient)
    deliver("throttle", {"": result}, None, as_json, csv, figure, drawing)


cli_compare.register(app)
cli_valves.register(app)
cli_actuator.register(app)
cli_power.register(app)
cli_outer.register(app)
cli_timing.register(app)
cli_servo.register(app)
cli_explain.register(app)
cli_guide.register(app)
cli_dispersion.register(app)
cli_robust.register(app)
cli_faults.register(app)


@app.command(short_help="Does the feed system chug.")
@guarded
def stability(
    design: DesignPath,
    sets: SetOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Does the feed system chug: the loop of chamber pressure, feed legs and combustion delays over the throttle range.

    Gain margin [dB], extra delay to the border [ms] and frequency [Hz] with stiff manifolds, as the design states them,
    and soft as if filled with vapour; the share of gas [%] in the manifolds at which it becomes unstable.

    \b
    Example:
      valvectl stability hover-rig.toml --figure stability.svg
    """
    figure_name(figure)
    loaded = load_design(design, sets)
    with status():
        result = loaded.stability()
    from valvectl.review.figures import stability_chart

    drawing = functools.partial(stability_chart, margin=loaded.requirements.chug_margin)
    deliver("stability", {"": result}, None, as_json, csv, figure, drawing)


@app.command(short_help="What the tanks do to the mixture ratio.")
@guarded
def disturbance(
    design: DesignPath,
    sets: SetOption = None,
    burn: Annotated[
        float | None,
        typer.Option("--burn", metavar="S", help="A burn this long [s] in place of the profile.", show_default=False),
    ] = None,
    at: Annotated[float, typer.Option("--at", metavar="PERCENT", help="Throttle of that burn [%].")] = 100.0,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """What the tanks do to the mixture ratio while the valves keep their schedule.

    Error of O/F [%] from each disturbance that the design declares (regulator, lock-up, blow-down, ullage, pressure trace,
    load factor, level, warming) and from all together; tank pressures [bar abs], pressurant [g], liquid left [kg], and
    the trim of both valves [deg] that would hold O/F and thrust at the worst moment.

    \b
    Example:
      valvectl disturbance hover-rig.toml --burn 20 --at 60 --figure tanks.svg
    """
    figure_name(figure)
    loaded = load_design(design, sets)
    with status():
        result = loaded.disturbance(None if burn is None else (at / 100.0, burn))
    from valvectl.review.figures import disturbance_chart

    drawing = functools.partial(disturbance_chart, limit=loaded.requirements.mixture_ratio_disturbed)
    deliver("disturbance", {"": result}, None, as_json, csv, figure, drawing)


@app.command(short_help="Pressure surge, closing law, start.")
@guarded
def surge(
    design: DesignPath,
    sets: SetOption = None,
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
    loaded = load_design(design, sets)
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
    design: DesignPath,
    sets: SetOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """What the valves do when power, a command or one motor is lost: hold, drift or shut; and the mixture ratio then.

    Torques on a dead valve [N m] against the friction that holds it, least and most; error of O/F [%] for each loss in
    mid-change and the time until it passes the limit [ms]; time to shut by a spring or a reserve store [ms].

    \b
    Example:
      valvectl power-loss hover-rig.toml --figure loss.svg
    """
    figure_name(figure)
    loaded = load_design(design, sets, simulates=True)
    with status():
        result = loaded.power_loss()
    from valvectl.review.figures import power_loss_chart

    deliver("power-loss", {"": result}, None, as_json, csv, figure, power_loss_chart)
