"""The list of outside checks that the guide's validation page shows: written from a test run, held against every later one.

``valvectl/guide/validation.json`` is committed, since tests do not ship. ``tests/conftest.py`` gathers what all worker
processes of a run recorded. A run of all of ``tests/reference`` has to give the same rows as the file; any run has to give
the file's numbers for the rows it worked out. ``VALVECTL_WRITE_VALIDATION=1 pytest tests/reference`` writes the file anew;
with the names of some test files instead, the rows of those.
"""

from __future__ import annotations

import ast
import json
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from outside import Outcome

FILE = Path(__file__).resolve().parents[2] / "valvectl" / "guide" / "validation.json"
SCHEMA = "valvectl-validation-1"
SHARE = 0.02
"""A number may differ from the one written by this share of its tolerance: another machine rounds otherwise."""
ROUNDING = 1e-6
"""Or by this much of itself."""

Row = dict[str, Any]


def row_of(outcome: Outcome) -> Row:
    """An outcome as a row of the file. The difference is in the terms of the tolerance."""
    check = outcome.check
    return {
        "file": outcome.file,
        "id": check.id,
        "what": check.what,
        "expected": float(check.expected),
        "got": float(f"{outcome.got:.9g}"),
        "unit": check.unit,
        "difference": float(f"{outcome.error:.3g}"),
        "tolerance": float(check.tolerance),
        "absolute": bool(check.absolute),
        "source": check.source,
        "certainty": check.certainty,
    }


def key(row: Mapping[str, Any]) -> tuple[str, str]:
    """What names a row."""
    return str(row["file"]), str(row["id"])


def unique(rows: Iterable[Row]) -> dict[tuple[str, str], Row]:
    """Rows by key, sorted; a check that ran twice counts once."""
    found: dict[tuple[str, str], Row] = {}
    for row in rows:
        before = found.setdefault(key(row), row)
        if (before["what"], before["expected"]) != (row["what"], row["expected"]):
            raise ValueError(f"two checks have the name {row['id']} in {row['file']}")
    return {name: found[name] for name in sorted(found)}


def subject(file: str) -> str:
    """What a test file is about: the first line of its docstring."""
    text = (Path(__file__).parent / file).read_text(encoding="utf-8")
    return (ast.get_docstring(ast.parse(text)) or "").split("\n", 1)[0]


def read() -> list[Row]:
    """Rows of the committed file."""
    content = json.loads(FILE.read_text(encoding="utf-8"))
    assert content["schema"] == SCHEMA
    return list(content["rows"])


def write(rows: Iterable[Row]) -> None:
    """Write the file, one row a line so that a change shows as a line."""
    kept = unique(rows)
    subjects = {file: subject(file) for file, _ in kept}
    lines = ",\n".join(json.dumps(row, ensure_ascii=False) for row in kept.values())
    head = json.dumps(subjects, ensure_ascii=False, indent=0)
    text = f'{{"schema": "{SCHEMA}", "subjects": {head}, "rows": [\n{lines}\n]}}\n'
    temporary = FILE.with_suffix(".tmp")
    temporary.write_text(text, encoding="utf-8")
    temporary.replace(FILE)


def differences(ran: Iterable[Row], written: Iterable[Row], whole: bool) -> list[str]:
    """What the file and a run do not agree on; ``whole``: the run was one of all reference tests."""
    now, then = unique(ran), unique(written)
    out = [f"not in the file: {name[0]} {name[1]}: {row['what']}" for name, row in now.items() if name not in then]
    if whole:
        out += [f"in the file, but no test asks it: {name[0]} {name[1]}" for name in then if name not in now]
    for name, row in now.items():
        if (old := then.get(name)) is None:
            continue
        out += [
            f"{field} is {row[field]!r}, in the file {old[field]!r}: {name[0]} {name[1]}"
            for field in ("what", "expected", "unit", "tolerance", "absolute", "source", "certainty")
            if row[field] != old[field]
        ]
        allowed = SHARE * row["tolerance"] * (1.0 if row["absolute"] else abs(row["expected"]))
        got, was = float(row["got"]), float(old["got"])
        if not math.isclose(got, was, rel_tol=ROUNDING, abs_tol=allowed):
            out.append(f"gives {got:.9g}, in the file {was:.9g}: {name[0]} {name[1]}")
    return out
