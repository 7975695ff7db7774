"""What every verb of the command line shares: options, messages and exit codes, delivery of results, signs of life."""

from __future__ import annotations

import contextlib
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


class LegChoice(StrEnum):
    """Which valve."""

    oxidizer = "oxidizer"
    fuel = "fuel"


def a_path(text: str) -> Path:
    """A file or folder by its name; an empty one would quietly mean the working folder."""
    if not str(text).strip():
        raise typer.BadParameter("the name is empty; write '.' where the working folder is meant")
    return Path(text)


DesignPath = Annotated[
    Path, typer.Argument(metavar="DESIGN", help="Design file (TOML).", show_default=False, parser=a_path)
]
LegOption = Annotated[
    LegChoice | None, typer.Option("--leg", help="Only this leg; without it both.", show_default=False)
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the result as JSON (SI units) and nothing else.")]


def a_file(path: Path | None) -> Path | None:
    """Refuse the name of a folder, or one in a folder that is not there, before any work."""
    if path is None:
        return None
    try:
        wrong = "" if path.name else "can not be written: no name of a file"
        wrong = wrong or ("can not be written: is a folder" if path.is_dir() else "")
        wrong = wrong or (
            "" if path.parent.is_dir() else "can not be written: its folder does not exist; make it first"
        )
    except OSError as error:
        wrong = f"can not be written: {error.strerror}"
    if wrong:
        from valvectl.design.quantities import visible

        raise typer.BadParameter(f"{visible(str(path), 200)}: {wrong}")
    return path


CsvOption = Annotated[
    Path | None,
    typer.Option(
        "--csv",
        metavar="FILE",
        help="Write the table, one file a leg where there are two.",
        show_default=False,
        callback=a_file,
        parser=a_path,
    ),
]
SetOption = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="KEY=VALUE",
        help="Try a change without editing the file; may be given several times.",
        show_default=False,
    ),
]
FigureOption = Annotated[
    Path | None,
    typer.Option(
        "--figure",
        metavar="FILE",
        help="Draw it: a name ending in .svg, .png or .pdf.",
        show_default=False,
        callback=a_file,
        parser=a_path,
    ),
]


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
                say(str(fault))
            if len(error.faults) > 1:
                say(f"{len(error.faults)} faults in the input; nothing was written")
            raise typer.Exit(EXIT_INPUT) from None
        except ValvectlError as error:
            say(str(error))
            raise typer.Exit(EXIT_INPUT) from None
        except KeyboardInterrupt:
            say("stopped")
            raise typer.Exit(EXIT_STOPPED) from None
        except typer.Exit:
            raise
        except OSError as error:
            if os.environ.get("VALVECTL_DEBUG") or _is_usage_error(error):
                raise
            raise typer.Exit(output_failed(error)) from None
        except MemoryError:
            say("not enough memory for this design; nothing was written")
            raise typer.Exit(EXIT_INPUT) from None
        except Exception as error:
            if os.environ.get("VALVECTL_DEBUG") or _is_usage_error(error):
                raise
            text = " ".join(str(error).split()) or "no message"
            say(
                f"internal error: {type(error).__name__}: {text}\nThis is a fault of valvectl, not of the design; "
                "please report it with the design file. VALVECTL_DEBUG=1 shows where it happened."
            )
            raise typer.Exit(EXIT_FAULT) from None

    return run


def say(text: str) -> None:
    """A message on stderr; control characters of names and paths as escapes, so that none reaches the terminal."""
    from valvectl.errors import plain_lines

    typer.echo(plain_lines(text), err=True)


def whole_streams() -> None:
    """Make sure that there is somewhere to print to, and that no sign of a name stops the program."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # started with the stream closed
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115 - open to the end
        stream = getattr(sys, name)
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal without the sign shows "?" in its place


def output_failed(error: OSError) -> int:
    """Say what the system refused; the exit code. A reader of the pipe that has seen enough is no failure."""
    if isinstance(error, BrokenPipeError):
        _to_nowhere(sys.stdout)
        return EXIT_MET
    from valvectl.design.quantities import visible

    what = f"{visible(os.fsdecode(error.filename), 200)}: " if isinstance(error.filename, (str, bytes)) else ""
    text = f"{what}can not be read or written: {error.strerror or 'no reason given'}"
    with contextlib.suppress(OSError):
        say(text if what else f"the output or the working folder {text}")
    return EXIT_INPUT


def last_words(code: int | str | None) -> int | str | None:
    """Send out what is still held back, and the exit code; without this a full disk would show at the very end only."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError as error:
            failed = output_failed(error)
            code = failed if code in (None, EXIT_MET, EXIT_MISSED) and failed else code
            _to_nowhere(stream)
        except ValueError:  # closed already
            pass
    return code


def _to_nowhere(stream: Any) -> None:
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _is_usage_error(error: Exception) -> bool:
    # The command-line library has its own errors, with a message and an exit code of their own.
    return isinstance(error, typer.BadParameter) or hasattr(error, "exit_code")


def _plain_warnings() -> None:
    import warnings

    def show(message: Warning | str, *rest: Any, **more: Any) -> None:
        say(f"note: {message}")

    warnings.showwarning = show


def legs_of(leg: LegChoice | None) -> tuple[Any, ...]:
    """The legs asked for."""
    from valvectl.design.schema import LEGS

    return LEGS if leg is None else (leg.value,)


def load_design(path: Path, sets: list[str] | None = None, simulates: bool = False) -> Design:
    """A design from its file; a word of patience before the first compilation."""
    from valvectl.api import load

    if simulates:
        from valvectl.plant.simulate import kernel_is_cached

        if path.is_file() and not kernel_is_cached():
            say(
                "first run on this machine: compiles the simulator and works out liquid properties, once; later runs "
                "start at once"
            )
    with status():  # liquid properties and combustion, where they are not known yet
        loaded = load(path, sets) if sets else load(path)
    for text in sets or ():
        say(f"changed for this run: {text}")
    return loaded


def figure_name(figure: Path | None) -> None:
    """Refuse a figure whose name has another ending than those that can be written."""
    if figure is not None and figure.suffix.lower() not in FIGURE_ENDINGS:
        from valvectl.errors import ValvectlError

        raise ValvectlError(f"{figure}: a figure's name must end in {', '.join(FIGURE_ENDINGS)}")


def deliver(
    study: str,
    results: dict[str, Any],
    leg: LegChoice | None,
    as_json: bool,
    csv: Path | None,
    figure: Path | None,
    drawing: Callable[[Any], Any] | None = None,
) -> None:
    """Print results, write tables and figures. ``results``: leg -> result, or one under an empty name; ``drawing`` makes the
    figure of one, none for verbs without ``--figure``."""
    from valvectl import cli_print, cli_tables
    from valvectl.review.folder import csv_text, json_text, write_bytes

    several = len(results) > 1
    files: list[tuple[Path, bytes]] = []
    for name, result in results.items():
        if csv is not None:
            files.append((_named(csv, name, several), csv_text(result.columns()).encode("utf-8")))
        if figure is not None and drawing is not None:
            place = _named(figure, name, several)
            with status():
                files.append((place, cli_print.figure_bytes(drawing(result), place.suffix.lower())))
    for place, data in files:
        write_bytes(place, data)
        say(f"wrote {place}")
    if as_json:
        only = next(iter(results.values()))
        content = {name: r.to_dict() for name, r in results.items()} if leg is None and several else only.to_dict()
        print_text(json_text(content))
    else:
        for result in results.values():
            cli_tables.show(study, result)


def print_text(text: str) -> None:
    """Text to standard output; a reader of the pipe that has seen enough does not change the exit code."""
    try:
        typer.echo(text, nl=False)
    except BrokenPipeError:
        _to_nowhere(sys.stdout)


def _named(path: Path, leg: str, several: bool) -> Path:
    return path.with_name(f"{path.stem}-{leg}{path.suffix}") if several else path


@contextmanager
def status() -> Iterator[None]:
    """A sign of life on a terminal's stderr."""
    if not sys.stderr.isatty():
        yield
        return
    from rich.console import Console

    with Console(stderr=True).status("working"):
        yield


@contextmanager
def progress_bar() -> Iterator[Callable[[str, int, int], None]]:
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
