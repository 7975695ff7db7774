"""The verb that opens the guide, which ships with the program and needs no network."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from valvectl.cli_common import a_path, guarded, print_text, status


def register(app: typer.Typer) -> None:
    """Give the verb to the command line."""
    app.command(short_help="The user guide; needs no network.")(guide)


@guarded
def guide(
    topic: Annotated[str, typer.Argument(metavar="TOPIC", help="Page to open; without it the contents.")] = "",
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="DIR", help="Write the guide into this folder instead.", show_default=False, parser=a_path
        ),
    ] = None,
    topics: Annotated[bool, typer.Option("--topics", help="List the pages and open nothing.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="List the pages as JSON and open nothing.")] = False,
) -> None:
    """Open the user guide: first steps, every study with its theory and limits, design-file reference, validation.

    Prints where the page is; opens it in the browser where there is a screen and the output goes to a terminal. Nothing
    is fetched: the pages are made from what is installed, once, in the cache folder.

    \b
    Example:
      valvectl guide torque
      valvectl guide --out guide
    """
    import json

    from valvectl.guide.build import kept_guide, write_guide
    from valvectl.guide.pages import VERBS, all_pages

    pages = all_pages()
    asked = topic.strip().lower()
    name = VERBS.get(asked, asked) or "index"
    if name not in pages and f"requirements.{asked}" in _rows():
        name = "check"  # a row of the table of verdicts
    if name not in pages:
        raise _unknown(topic, [*(n for n in pages if n != "index"), *VERBS])
    if topics:
        for page in pages.values():
            if page.group:
                typer.echo(f"{page.name:18} {page.title}")
        return
    with status():
        first = kept_guide() if out is None else write_guide(out)
    if as_json:
        rows = [
            {"name": p.name, "title": p.title, "group": p.group, "file": str(first.with_name(f"{p.name}.html"))}
            for p in pages.values()
        ]
        print_text(json.dumps({"schema": "valvectl-guide-1", "pages": rows}, indent=1, ensure_ascii=False) + "\n")
        return
    place = first.with_name(f"{name}.html").absolute()
    typer.echo(str(place))
    if out is None and _has_screen():
        import webbrowser

        webbrowser.open(place.as_uri())


def _rows() -> set[str]:
    """Keys of the limits, named as the rows of ``check`` are."""
    from valvectl.design.keys import ROOT

    return {f"requirements.{name}" for name in ROOT.children["requirements"].children}


def _unknown(topic: str, names: list[str]) -> Exception:
    import difflib

    from valvectl.design.quantities import visible
    from valvectl.errors import ValvectlError

    near = difflib.get_close_matches(topic[:60].lower(), names, n=1, cutoff=0.6)
    hint = f"did you mean '{near[0]}'?" if near else f"there are: {', '.join(names)}"
    return ValvectlError(f"the guide has no page '{visible(topic)}'; {hint}")


def _has_screen() -> bool:
    """True where a browser can be shown to somebody: the output is a terminal, and on Linux there is a display."""
    import os
    import sys

    if not sys.stdout.isatty():
        return False
    return not sys.platform.startswith("linux") or bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def command_fault(app: typer.Typer, line: str) -> str | None:
    """What is wrong with an example command, by the command line's own parser; None when it takes it. Nothing is run."""
    import shlex

    try:
        words = shlex.split(line, comments=True)[1:]
    except ValueError as error:
        return str(error)
    if not words or words[0].startswith("-"):
        return None
    command = getattr(typer.main.get_command(app), "commands", {}).get(words[0])
    if command is None:
        return f"there is no verb {words[0]}"
    if len(words) == 1:  # the verb's name alone, in a sentence
        return None
    try:
        command.make_context(words[0], words[1:])
    except typer.Exit:  # --help
        return None
    except Exception as error:
        # The library carries a copy of its parser, whose errors have this method whatever their class is called.
        if hasattr(error, "format_message"):
            return str(error.format_message())
        raise
    return None
