"""The command line: one verb a study, ``check`` for all of them. Thin; heavy imports stay inside the commands.

Exit codes: 0 all requirements met (a study: it ran), 1 some missed or not assessed, 2 wrong input, 3 a fault of the
program itself, 130 stopped with Ctrl-C. With ``VALVECTL_DEBUG`` set a fault of the program shows its traceback.
"""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ParamSpec

import typer

if TYPE_CHECKING:
    from valvectl.api import Design

P = ParamSpec("P")

EXIT_MET, EXIT_MISSED, EXIT_INPUT, EXIT_FAULT, EXIT_STOPPED = 0, 1, 2, 3, 130
FIGURE_ENDINGS = (".svg", ".png", ".pdf")

app = typer.Typer(
    name="valvectl",
    rich_markup_mode=None,  # help without loading rich: it has to come at once
    add_completion=False,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)


class LegChoice(StrEnum):
    """Which valve."""

    oxidizer = "oxidizer"
    fuel = "fuel"


class LoopPlot(StrEnum):
    """Which figure of the position loop."""

    bode = "bode"
    nyquist = "nyquist"
    step = "step"


DesignPath = Annotated[Path, typer.Argument(metavar="DESIGN", help="Design file (TOML).", show_default=False)]
LegOption = Annotated[
    LegChoice | None, typer.Option("--leg", help="Only this leg; without it both.", show_default=False)
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the result as JSON (SI units) and nothing else.")]
CsvOption = Annotated[
    Path | None,
    typer.Option(
        "--csv", metavar="FILE", help="Write the table, one file a leg where there are two.", show_default=False
    ),
]
FigureOption = Annotated[
    Path | None,
    typer.Option("--figure", metavar="FILE", help="Draw it: a name ending in .svg, .png or .pdf.", show_default=False),
]


def main() -> None:
    """Entry point of the ``valvectl`` command."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal without the sign shows "?" in its place
    try:
        app(prog_name="valvectl")
    except KeyboardInterrupt:
        sys.exit(EXIT_STOPPED)


def guarded(command: Callable[P, None]) -> Callable[P, None]:
    """Turn every exception of a command into its message and exit code."""

    @functools.wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        from valvectl.errors import DesignError, ValvectlError

        _plain_warnings()
        try:
            command(*args, **kwargs)
        except DesignError as error:
            for fault in error.faults:
                typer.echo(str(fault), err=True)
            if len(error.faults) > 1:
                typer.echo(f"{len(error.faults)} faults in the input; nothing was written", err=True)
            raise typer.Exit(EXIT_INPUT) from None
        except ValvectlError as error:
            typer.echo(str(error), err=True)
            raise typer.Exit(EXIT_INPUT) from None
        except KeyboardInterrupt:
            typer.echo("stopped", err=True)
            raise typer.Exit(EXIT_STOPPED) from None
        except typer.Exit:
            raise
        except Exception as error:
            if os.environ.get("VALVECTL_DEBUG") or _is_usage_error(error):
                raise
            text = " ".join(str(error).split()) or "no message"
            typer.echo(
                f"internal error: {type(error).__name__}: {text}\nThis is a fault of valvectl, not of the design; "
                "please report it with the design file. VALVECTL_DEBUG=1 shows where it happened.",
                err=True,
            )
            raise typer.Exit(EXIT_FAULT) from None

    return run


def _is_usage_error(error: Exception) -> bool:
    # The command-line library has its own errors, with a message and an exit code of their own.
    return isinstance(error, typer.BadParameter) or hasattr(error, "exit_code")


def _plain_warnings() -> None:
    import warnings

    def show(message: Warning | str, *rest: Any, **more: Any) -> None:
        typer.echo(f"note: {message}", err=True)

    warnings.showwarning = show


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
    loaded = _load(design, simulates=True)
    target = None
    if not no_report:
        from valvectl.review.folder import refuse, write_review

        target = out if out is not None else Path(f"{design.stem}-review")
        refuse(target)  # before the work, not after it
    with _progress() as progress:
        review = loaded.check(progress)
        written = None
        if target is not None:
            progress("writing the report", 1, 1)
            written = write_review(review, target)
    if as_json:
        from valvectl.review.folder import json_of, json_text

        _print(json_text(json_of(review)))
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
    _figure_name(figure)
    loaded = _load(design)
    with _status():
        results = {name: loaded.ratio(name) for name in _legs(leg)}
    from valvectl.review.figures import ratio_chart

    _deliver("ratio", results, leg, as_json, csv, figure, ratio_chart)


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
    _figure_name(figure)
    loaded = _load(design, simulates=True)
    with _status():
        results = {name: loaded.loop(name) for name in _legs(leg)}
    from valvectl.review import figures

    drawing: dict[LoopPlot, Callable[[Any], Any]] = {
        LoopPlot.bode: figures.bode,
        LoopPlot.nyquist: figures.nyquist,
        LoopPlot.step: figures.step,
    }
    _deliver("loop", results, leg, as_json, csv, figure, drawing[plot])


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

    _figure_name(figure)
    loaded = _load(design)
    with _status():
        result = loaded.resolution()
    result = dataclasses.replace(result, legs={name: result.legs[name] for name in _legs(leg)})
    from valvectl.review.figures import resolution_chart

    _deliver("resolution", {"": result}, None, as_json, csv, figure, resolution_chart)


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
    _figure_name(figure)
    loaded = _load(design, simulates=True)
    with _status():
        result = loaded.throttle_run()
    from valvectl.review.figures import throttle_chart

    drawing = functools.partial(throttle_chart, transient=loaded.requirements.mixture_ratio_transient)
    _deliver("throttle", {"": result}, None, as_json, csv, figure, drawing)


# ---------------------------------------------------------------------------------------------------------- helpers


def _legs(leg: LegChoice | None) -> tuple[Any, ...]:
    from valvectl.design.schema import LEGS

    return LEGS if leg is None else (leg.value,)


def _load(path: Path, simulates: bool = False) -> Design:
    from valvectl.api import load

    if simulates:
        from valvectl.plant.simulate import kernel_is_cached

        if path.is_file() and not kernel_is_cached():
            typer.echo(
                "first run on this machine: compiles the simulator and works out liquid properties, once; later runs "
                "start at once",
                err=True,
            )
    return load(path)


def _figure_name(figure: Path | None) -> None:
    if figure is not None and figure.suffix.lower() not in FIGURE_ENDINGS:
        from valvectl.errors import ValvectlError

        raise ValvectlError(f"{figure}: a figure's name must end in {', '.join(FIGURE_ENDINGS)}")


def _deliver(
    study: str,
    results: dict[str, Any],
    leg: LegChoice | None,
    as_json: bool,
    csv: Path | None,
    figure: Path | None,
    drawing: Callable[[Any], Any],
) -> None:
    """Print results, write tables and figures. ``results``: leg -> result, or one under an empty name."""
    from valvectl import cli_tables
    from valvectl.review.folder import csv_text, json_text, write_bytes

    several = len(results) > 1
    files: list[tuple[Path, bytes]] = []
    for name, result in results.items():
        if csv is not None:
            files.append((_named(csv, name, several), csv_text(result.columns()).encode("utf-8")))
        if figure is not None:
            place = _named(figure, name, several)
            files.append((place, cli_tables.figure_bytes(drawing(result), place.suffix.lower())))
    for place, data in files:
        write_bytes(place, data)
        typer.echo(f"wrote {place}", err=True)
    if as_json:
        only = next(iter(results.values()))
        content = {name: r.to_dict() for name, r in results.items()} if leg is None and several else only.to_dict()
        _print(json_text(content))
    else:
        for result in results.values():
            cli_tables.show(study, result)


def _print(text: str) -> None:
    """Text to standard output; a reader of the pipe that has seen enough does not change the exit code."""
    try:
        typer.echo(text, nl=False)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _named(path: Path, leg: str, several: bool) -> Path:
    return path.with_name(f"{path.stem}-{leg}{path.suffix}") if several else path


@contextmanager
def _status() -> Iterator[None]:
    """A sign of life on a terminal's stderr."""
    if not sys.stderr.isatty():
        yield
        return
    from rich.console import Console

    with Console(stderr=True).status("working"):
        yield


@contextmanager
def _progress() -> Iterator[Callable[[str, int, int], None]]:
    """Stage and bar on a terminal's stderr, nothing elsewhere."""
    if not sys.stderr.isatty():
        yield lambda stage, done, of: None
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    bar = Progress(
        TimeElapsedColumn(),
        BarColumn(bar_width=24),
        TextColumn("{task.description}"),
        console=Console(stderr=True),
        transient=True,
    )
    with bar:
        task = bar.add_task("reading", total=1)
        yield lambda stage, done, of: bar.update(task, description=escape(stage), completed=done, total=of)
