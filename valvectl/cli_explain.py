"""The verb that explains a key of the design file."""

from __future__ import annotations

from typing import Annotated

import typer

from valvectl.cli_common import JsonOption, guarded, print_text

NAMES = 24
"""Width of the column of names [characters]; a third of a narrow terminal."""


def register(app: typer.Typer) -> None:
    """Give the verb to the command line."""
    app.command(short_help="What a key of the design file means.")(explain)


def keys_from(incomplete: str) -> list[str]:
    """Keys one level below what was typed, for completion in the shell."""
    from valvectl.design.keys import ROOT, find, split

    table, dot, begun = incomplete.rpartition(".")
    path = split(table) if table else ()
    spec = ROOT if path == () else find(path) if path else None
    if spec is None:
        return []
    return [f"{table}{dot}{name}" for name in spec.children if name.startswith(begun)]


@guarded
def explain(
    key: Annotated[
        str,
        typer.Argument(metavar="KEY", help="Dotted key; list positions may be left out.", autocompletion=keys_from),
    ] = "",
    as_json: JsonOption = False,
) -> None:
    """What a key of the design file means: what may stand there, unit, range, default, and where it acts.

    Without a key: the tables of a design file.

    \b
    Example:
      valvectl explain legs.fuel.controller.hold_band
    """
    import dataclasses
    import json

    from valvectl.design.keys import ROOT, describe
    from valvectl.design.where import acts_in

    if not key:
        names = [(name, spec.meaning) for name, spec in ROOT.children.items()]
        if as_json:
            print_text(json.dumps(dict(names), indent=2, ensure_ascii=False) + "\n")
            return
        typer.echo("A design file has these tables and keys; valvectl explain NAME tells more.")
        for name, meaning in names:
            typer.echo(_line(name, meaning))
        return
    if "." not in key and key not in ROOT.children and key in ROOT.children["requirements"].children:
        key = f"requirements.{key}"  # a row of the table of verdicts is named as its limit
    info = describe(key)
    acts = acts_in(key)
    if as_json:
        print_text(json.dumps({**dataclasses.asdict(info), "acts_in": acts}, indent=2, ensure_ascii=False) + "\n")
        return
    typer.echo(info.key)
    for name, text in (
        ("meaning", info.meaning),
        ("write", info.expected),
        ("example", info.example),
        ("shown in", info.unit),
        ("range", info.range),
        ("default", info.default),
        ("acts in", acts),
    ):
        if text:
            typer.echo(_line(name, text))
    if info.keys:
        from valvectl.design.keys import find, split

        path = split(key)
        spec = find(path) if path else None
        assert spec is not None
        typer.echo("its keys")
        for name, child in spec.children.items():
            typer.echo(_line(name, child.meaning + (" (required)" if child.required else "")))


def _line(name: str, text: str) -> str:
    """One line of every layout: a name, then what is said of it in a column of its own; a long name has a line to itself."""
    import shutil
    import textwrap

    columns = min(shutil.get_terminal_size((80, 24)).columns, 100)
    width = min(NAMES, columns // 3)
    indent = " " * (width + 2)
    told = textwrap.fill(text, columns, initial_indent=indent, subsequent_indent=indent)
    head = f"  {name}"
    return f"{head:{width + 1}} {told.lstrip()}" if len(head) <= width + 1 else f"{head}\n{told}"
