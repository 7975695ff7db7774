"""Tables of parts with a unit in each column's head: comma-separated, or TOML with the units in a table of their own.

Comma-separated: a head ``name [unit], ...``, then one line a part; lines that begin with # are remarks.
TOML: ``[units]`` with ``column = "unit"``, then one ``[[part]]`` a part with bare numbers and texts. Both are read into the same
cells and judged by the same rules; every fault of a file is reported at once, with line and column.
"""

from __future__ import annotations

import csv
import itertools
import math
import re
import stat
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from valvectl.design.toml_words import toml_fault
from valvectl.errors import DesignError, Fault

LARGEST_FILE, MOST_ROWS = 4_000_000, 2000
"""Bytes and rows that are read at most."""
MOST_POINTS = 100
"""Points of a curve at most."""


@dataclass(frozen=True)
class Column:
    """A column of numbers."""

    units: Mapping[str, float]
    """Unit in the head -> factor to SI."""
    low: float
    high: float
    """Range allowed, SI, ends included."""
    needed: bool = True
    """Whether every row must have it; a cell that is not needed may be empty."""


Curve = tuple[tuple[float, float], ...]
Row = dict[str, float | str | Curve | None]
Curves = Mapping[str, Mapping[str, tuple[float, float]]]
"""Column of curves -> unit in the head -> factors to SI of both numbers of a point."""


@dataclass(frozen=True)
class _Cells:
    """A table as texts: the head as (column, unit), and rows with their line."""

    head_line: int
    head: list[tuple[str, str]]
    rows: list[tuple[int, list[str]]]


def read_table(
    path: Path, columns: Mapping[str, Column], words: Mapping[str, tuple[str, ...]], curves: Curves | None = None
) -> tuple[list[tuple[int, Row]], list[Fault]]:
    """Rows with their line as far as they can be read, and all faults.

    ``words`` are columns of texts with what is allowed in them (empty: anything). DesignError when it is no table at all.
    """
    file = str(path)
    try:
        about = path.stat()
        if not stat.S_ISREG(about.st_mode):
            what = "a folder" if stat.S_ISDIR(about.st_mode) else "a device or pipe"
            raise DesignError(Fault(f"is {what}, not a file", file=file))
        if about.st_size > LARGEST_FILE:
            raise DesignError(Fault(f"file is larger than {LARGEST_FILE // 1_000_000} MB", file=file))
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise DesignError(Fault(f"can not be read: {error.strerror or error}", file=file)) from None
    except UnicodeDecodeError:
        raise DesignError(Fault("is not UTF-8 text", file=file)) from None
    cells = _from_toml(text, file) if path.suffix.lower() == ".toml" else _from_commas(text, file)
    if len(cells.rows) > MOST_ROWS:
        raise DesignError(Fault(f"holds more than {MOST_ROWS} rows", file=file))
    return _judged(cells, file, columns, {"name": (), **words}, curves or {})


def _from_commas(text: str, file: str) -> _Cells:
    lines = [(j, t) for j, t in enumerate(text.splitlines(), 1) if t.strip() and not t.lstrip().startswith("#")]
    try:
        cells = [[c.strip() for c in row] for row in csv.reader((t for _, t in lines), strict=True)]
    except csv.Error as error:
        raise DesignError(Fault(f"is no comma-separated table: {error}", file=file)) from None
    if len(cells) != len(lines):
        raise DesignError(Fault("a cell may not hold a line break", file=file))
    if len(cells) < 2:
        raise DesignError(Fault("holds no rows: a head with names and units, then one line a part", file=file))
    head = []
    for cell in cells[0]:
        parts = re.fullmatch(r"([a-z_]+)\s*(?:\[([^\]]*)\])?", cell)
        head.append((parts[1], (parts[2] or "-").strip()) if parts else (cell, ""))
    return _Cells(lines[0][0], head, [(line, row) for (line, _), row in zip(lines[1:], cells[1:], strict=True)])


def _from_toml(text: str, file: str) -> _Cells:
    try:
        read = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DesignError(toml_fault(str(error), text, file)) from None
    except (ValueError, RecursionError):  # a number of thousands of digits; tables inside each other without end
        raise DesignError(
            Fault("is no TOML that can be read: numbers too long or nested too deeply", file=file)
        ) from None
    units, parts = read.get("units", {}), read.get("part", [])
    faults = [
        Fault("is no table of a catalogue; it has [units] and [[part]]", key=key, file=file)
        for key in read
        if key not in ("units", "part")
    ]
    if not isinstance(units, dict) or not all(isinstance(u, str) for u in units.values()):
        faults.append(Fault('holds a unit a column, such as mass = "kg"', key="units", file=file))
        units = {}
    if not isinstance(parts, list) or not all(isinstance(p, dict) for p in parts) or not parts:
        faults.append(Fault("holds no rows: one [[part]] a part", key="part", file=file))
        parts = []
    if faults:
        raise DesignError(faults)
    lines = [j for j, line in enumerate(text.splitlines(), 1) if re.match(r"\s*\[\[\s*part\s*\]\]", line)]
    names = list(dict.fromkeys([*(key for part in parts for key in part), *units]))
    rows = []
    for j, part in enumerate(parts):
        # parts written in line have no line of their own
        line = lines[j] if len(lines) == len(parts) else 1
        row = []
        for name in names:
            value = part.get(name, "")
            if isinstance(value, bool) or not isinstance(value, (str, int, float)):
                faults.append(
                    Fault("must be a number or a text", key=name, file=file, line=line, got=type(value).__name__)
                )
                value = ""
            elif isinstance(value, int) and value.bit_length() > 400:  # Python refuses to write out very long numbers
                faults.append(Fault("is far too large a number", key=name, file=file, line=line))
                value = 0
            row.append(str(value).strip())
        rows.append((line, row))
    if faults:
        raise DesignError(faults)
    at = next((j for j, line in enumerate(text.splitlines(), 1) if re.match(r"\s*\[\s*units\s*\]", line)), 1)
    return _Cells(at, [(name, str(units.get(name, "-")).strip()) for name in names], rows)


def _judged(
    cells: _Cells,
    file: str,
    columns: Mapping[str, Column],
    words: Mapping[str, tuple[str, ...]],
    curves: Curves,
) -> tuple[list[tuple[int, Row]], list[Fault]]:
    faults: list[Fault] = []
    found: list[tuple[str, tuple[float, float], str]] = []
    for name, unit in cells.head:
        factors = (1.0, 1.0)
        allowed: Sequence[str] = ()
        if name in columns:
            allowed = list(columns[name].units)
            factors = (columns[name].units.get(unit, 1.0), 1.0)
        elif name in curves:
            allowed = list(curves[name])
            factors = curves[name].get(unit, factors)
        elif name not in words:
            known = ", ".join([*words, *columns, *curves])
            faults.append(Fault(f"is no column; columns are {known}", key=name, file=file, line=cells.head_line))
        if allowed and unit not in allowed:
            message = f"unit must be one of {', '.join(allowed)}"
            faults.append(Fault(message, key=name, file=file, line=cells.head_line, got=unit))
        found.append((name, factors, unit))
    names = [f[0] for f in found]
    for name in sorted({n for n in names if names.count(n) > 1}):
        faults.append(Fault("stands twice in the head", key=name, file=file, line=cells.head_line))
    for name in ("name", "kind", *(n for n, c in columns.items() if c.needed)):
        if name not in names:
            faults.append(Fault("column is missing", key=name, file=file, line=cells.head_line))
    if faults:
        return [], faults
    rows: list[tuple[int, Row]] = []
    seen: dict[str, int] = {}
    for line, row in cells.rows:
        if len(row) != len(found):
            faults.append(Fault(f"needs {len(found)} cells as the head has", file=file, line=line, got=str(len(row))))
            continue
        read: Row = dict.fromkeys([*words, *columns, *curves])
        for (name, factors, unit), cell in zip(found, row, strict=True):
            if name in curves:
                read[name], wrong = _points(cell, factors, unit)
            else:
                read[name], wrong = _cell(name, cell, factors[0], unit, columns, words)
            if wrong:
                faults.append(Fault(wrong, key=name, file=file, line=line, got=cell[:40]))
        label = str(read["name"])
        if label in seen:
            faults.append(Fault(f"the same name as in line {seen[label]}", key="name", file=file, line=line, got=label))
        seen[label] = line
        rows.append((line, read))
    return rows, faults


def _cell(
    name: str, cell: str, factor: float, unit: str, columns: Mapping[str, Column], words: Mapping[str, tuple[str, ...]]
) -> tuple[float | str | Curve | None, str]:
    """A cell's value and what is wrong with it."""
    if name not in columns:
        if name == "name" and not (0 < len(cell) <= 60 and cell.isprintable()):
            return cell, "a name of 1 to 60 printable characters is needed"
        if words.get(name) and cell and cell not in words[name]:
            return None, f"must be one of {', '.join(words[name])}"
        if name == "kind" and not cell:
            return None, "must not be empty"
        return cell or None, ""
    column = columns[name]
    if not cell:
        return None, "must not be empty" if column.needed else ""
    try:
        value = float(cell) * factor + (273.15 if unit == "degC" else 0.0)
    except ValueError:
        return None, "must be a number"
    if not column.low <= value <= column.high:
        shift = 273.15 if unit == "degC" else 0.0
        return None, f"must be {(column.low - shift) / factor:.4g} to {(column.high - shift) / factor:.4g} {unit}"
    return value, ""


def _points(cell: str, factors: tuple[float, float], unit: str) -> tuple[Curve | None, str]:
    """A curve out of one cell, ``0: 1.9; 300: 1.7``, and what is wrong with it."""
    if not cell:
        return None, ""
    shape = f"must be points as 0: 1.9; 300: 1.7 in {unit}"
    try:
        pairs = [[float(v) for v in point.split(":")] for point in cell.split(";") if point.strip()]
    except ValueError:
        return None, shape
    if any(len(pair) != 2 for pair in pairs) or not 2 <= len(pairs) <= MOST_POINTS:
        return None, f"{shape}, 2 to {MOST_POINTS} of them"
    curve = tuple((x * factors[0], y * factors[1]) for x, y in pairs)
    if not all(math.isfinite(v) and v >= 0.0 for point in curve for v in point):
        return None, "speeds and torques must be finite and not negative"
    if any(b[0] <= a[0] for a, b in itertools.pairwise(curve)):
        return None, "speeds must rise from point to point"
    return curve, ""
