"""Tank pressure traces from CSV files: the columns that a design's ``trace.file`` names, put into the design's tree.

The file lies in the folder of the design file or below it, like a part file. Its first row names the columns with their
units, ``time [s], pressure [bar abs]``; other columns are passed over, and so are lines that begin with ``#``. Columns
are parted by commas (or by semicolons when the header has one), numbers have decimal points.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path as FilePath
from pathlib import PurePosixPath, PureWindowsPath

from pydantic_core import PydanticCustomError

from valvectl.design.given import Given
from valvectl.design.keys import Path
from valvectl.design.quantities import ABSOLUTE_PRESSURE, TIME, Kind, parse, visible
from valvectl.design.schema_supply import LONGEST_TRACE
from valvectl.errors import Fault

LARGEST_TRACE_FILE = 4_000_000
"""Largest CSV file [bytes]."""
MOST_FAULTS = 8
"""Faulty rows named one by one."""
HEADER = "time [s], pressure [bar abs]"
_HEADING = re.compile(r"^\s*(?P<name>[^\[\]]*?)\s*\[(?P<unit>[^\[\]]*)\]\s*$")
_NUMBER = re.compile(r"^[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?$")


@dataclass(frozen=True)
class ReadTrace:
    """A trace as read, or what is wrong with it."""

    time: tuple[float, ...] = ()
    """[s]"""
    pressure: tuple[float, ...] = ()
    """[Pa]"""
    faults: tuple[Fault, ...] = ()
    """Each names the CSV file and its row, counted from 1 with the header."""


def attach_traces(given: Given, folder: FilePath, folder_name: str, ambient: float) -> None:
    """Read the file of every trace in the tree and put its times and pressures beside it.

    Parameters
    ----------
    given : what the design gives; faults are added to it
    folder : folder of the design file
    folder_name : the same as messages name it; empty for the working folder
    ambient : pressure that gauge pressures are counted from [Pa]
    """
    for leg in ("oxidizer", "fuel"):
        at: Path = ("legs", leg, "tank", "trace")
        table = given.tree
        for part in at:
            inner = table.get(part) if isinstance(part, str) else None
            table = inner if isinstance(inner, dict) else {}
        if not isinstance(table.get("file"), str) or any(wrong[: len(at)] == at for wrong in given.wrong):
            continue
        where = (*at, "file")
        node = given.places.get(where)
        beside = [key for key in ("time", "pressure") if key in table]
        if beside:
            given.add(f"give file or time and pressure, not both; {' and '.join(beside)} stands beside it", where, node)
            continue
        problem = _outside(table["file"], folder)
        if problem:
            given.add(problem, where, node)
            continue
        named = os.path.join(folder_name, table["file"]) if folder_name else table["file"]
        found = read_trace(folder / table["file"], visible(named, 200), ".".join(str(p) for p in where), ambient)
        if found.faults:
            given.wrong.add(at)
            given.faults.extend(found.faults)
            continue
        table["time"] = [f"{t!r} s" for t in found.time]
        table["pressure"] = [f"{p!r} Pa abs" for p in found.pressure]


def _outside(text: str, folder: FilePath) -> str:
    """Why a file name is refused; empty when it lies in the folder or below."""
    rule = "trace file must lie in the folder of the design file or below it"
    pure, windows = PurePosixPath(text), PureWindowsPath(text)
    if not text.strip():
        return 'must be the name of a CSV file, such as "tank.csv"'
    if pure.is_absolute() or windows.is_absolute() or windows.drive or windows.root:
        return f"{rule}: absolute paths are refused"
    if ".." in pure.parts or ".." in windows.parts:
        return f"{rule}: '..' is refused"
    try:
        inside = (folder / text).resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError, ValueError):
        return "can not be the name of a file"
    return "" if inside else f"{rule}: this one is a link out of it"


def read_trace(path: FilePath, name: str, key: str, ambient: float) -> ReadTrace:
    """Times and pressures of a CSV file.

    Parameters
    ----------
    path : file to read
    name : the file as messages name it
    key : dotted key of the design file that names it
    ambient : pressure that gauge pressures are counted from [Pa]
    """
    text, problem = _text(path)
    if problem:
        return ReadTrace(faults=(Fault(problem, key=key, file=name),))
    rows = list(_rows(text))
    if not rows:
        return ReadTrace(faults=(Fault(f"is empty; the first row must be {HEADER}", key=key, file=name),))
    line, head = rows[0]
    units, faults = _columns(head, line, key, name)
    if faults:
        return ReadTrace(faults=tuple(faults))
    if len(rows) - 1 > LONGEST_TRACE:
        message = f"has {len(rows) - 1} rows; at most {LONGEST_TRACE}"
        return ReadTrace(faults=(Fault(message, key=key, file=name),))
    values: dict[str, list[float]] = {"time": [], "pressure": []}
    for line, cells in rows[1:]:
        before = len(faults)
        found: dict[str, float] = {}
        for column, (place, unit, kind) in units.items():
            cell = cells[place].strip() if place < len(cells) else ""
            problem, number = _number(cell, unit, kind, ambient)
            if problem:
                faults.append(Fault(f"{column} {problem}", key=key, file=name, line=line, got=visible(cell, 40)))
            found[column] = number
        if len(faults) > before:
            continue
        if values["time"] and found["time"] <= values["time"][-1]:
            message = f"time must rise from row to row (the row before has {values['time'][-1]:g} s)"
            faults.append(Fault(message, key=key, file=name, line=line, got=f"{found['time']:g} s"))
            continue
        for column, column_values in values.items():
            column_values.append(found[column])
    if len(faults) > MOST_FAULTS:
        more = Fault(f"{len(faults) - MOST_FAULTS} more rows have faults", key=key, file=name)
        faults = [*faults[:MOST_FAULTS], more]
    if not faults and len(values["time"]) < 2:
        faults = [Fault("needs at least 2 rows of numbers under the header", key=key, file=name)]
    return ReadTrace(tuple(values["time"]), tuple(values["pressure"]), tuple(faults))


def _text(path: FilePath) -> tuple[str, str]:
    """The file's text, and why there is none."""
    try:
        if not path.is_file():
            return "", "no such file" if not path.exists() else "is not a file"
        with open(path, "rb") as stream:
            raw = stream.read(LARGEST_TRACE_FILE + 1)
    except (OSError, ValueError) as error:
        return "", f"can not be read: {getattr(error, 'strerror', None) or 'the name can not be that of a file'}"
    if len(raw) > LARGEST_TRACE_FILE:
        return "", f"is too large for a trace; at most {LARGEST_TRACE_FILE // 1_000_000} MB"
    if b"\0" in raw:
        return "", "is not a text file (holds NUL bytes)"
    try:
        return raw.decode("utf-8-sig"), ""
    except UnicodeDecodeError:
        return "", "is not UTF-8 text; save it as UTF-8"


def _rows(text: str) -> Iterator[tuple[int, list[str]]]:
    """Line number and cells of each row; empty rows and comments are passed over."""
    first = next((x for x in text.splitlines() if x.strip() and not x.lstrip().startswith("#")), "")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=";" if ";" in first else ",")
    try:
        for cells in reader:
            if any(c.strip() for c in cells) and not cells[0].lstrip().startswith("#"):
                yield reader.line_num, cells
    except csv.Error:  # a cell of more than 128 kB: no number; the row before it shows where
        yield reader.line_num, [""]


def _columns(head: list[str], line: int, key: str, name: str) -> tuple[dict[str, tuple[int, str, Kind]], list[Fault]]:
    """Place, unit and kind of both columns, and what is wrong with the header."""
    out: dict[str, tuple[int, str, Kind]] = {}
    faults: list[Fault] = []
    shown = visible(",".join(head))
    for column, kind in (("time", TIME), ("pressure", ABSOLUTE_PRESSURE)):
        matches = [(j, m) for j, m in enumerate(map(_HEADING.match, head)) if m and m["name"].casefold() == column]
        if len(matches) != 1:
            bare = any(cell.strip().casefold() == column for cell in head)
            what = (
                f"column {column} has no unit" if bare else f"has {len(matches) or 'no'} columns {column} with a unit"
            )
            faults.append(Fault(f"{what}; write the first row as {HEADER}", key=key, file=name, line=line, got=shown))
            continue
        place, match = matches[0]
        try:
            parse(f"1 {match['unit']}", kind, 0.0)
        except PydanticCustomError as error:
            message = f"column {column}: {error.message()}"
            faults.append(Fault(message, key=key, file=name, line=line, got=visible(match.group().strip())))
            continue
        out[column] = (place, match["unit"], kind)
    return out, faults


def _number(cell: str, unit: str, kind: Kind, ambient: float) -> tuple[str, float]:
    """What is wrong with a cell (empty when nothing is) and its value [SI]."""
    if _NUMBER.match(cell) is None:
        return ("must be a number with a decimal point" if cell else "is missing"), 0.0
    try:
        value = parse(f"{cell} {unit}", kind, ambient)
    except PydanticCustomError as error:
        return error.message(), 0.0
    if kind.absolute and value <= 0.0:
        return "must be above zero", value
    return "", value
