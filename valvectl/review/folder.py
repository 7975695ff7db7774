"""The review folder: ``review.html`` for people, ``review.json`` for programs, one CSV a study for spreadsheets.

Layout of ``review.json``, schema ``valvectl-review-1`` (SI units, angles in radians, absolute pressures; ``null`` for a
number that does not exist, such as the settling time of a step that does not settle):

    schema          "valvectl-review-1"
    design, note, file, date, input_hash, versions      texts; ``versions`` is name -> version
    all_met         true when every row is met
    rows            [{id, leg, title, value, operator, limit, unit, margin, verdict, case, method, limit_is_default}]
                    value and limit in ``unit``; margin as a fraction of the limit; leg null for the whole engine
    remedies        [{row_id, leg, key, before, after, relative_change, text, tried, together}]
                    together [key, before, after] of inputs that mend it only together; key is empty then
    studies         study name -> result, or -> leg -> result; fields as in the result's Python class
    inputs          [{key, value, shown, unit, tolerance, relative, tolerance_shown, origin, note, meaning}]
                    every input given, in the order of the file, then the defaults in force; value in SI, ``shown`` in
                    ``unit``; origin datasheet, measured, assumed, not stated or default
    defaults_used   [{key, value, shown, meaning}]
    assumed         keys that the design file marks as assumed
    warnings        texts
    tables          names of the CSV files beside it
    exclusions      texts: what the analysis does not cover, whatever the design

Long traces are thinned in the JSON: a result that holds lists of one length above ``LONGEST_LIST`` keeps every k-th
entry of them and says so in ``thinned`` (``{"every": k, "of": n}``). The CSV files hold all points.
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
import re
import secrets
import shutil
import signal
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from valvectl.design.quantities import visible
from valvectl.errors import ValvectlError
from valvectl.review.report import groups_drawn, render
from valvectl.review.verdict import REVIEW_SCHEMA, Review
from valvectl.studies.result import Result, plain

LONGEST_LIST = 1200
"""Entries of a list in the JSON, at most."""
DIGITS = 9
"""Significant digits of the numbers in lists; single numbers are kept whole."""


_UNSEEN = re.compile("[\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff]")


def json_of(review: Review) -> dict[str, Any]:
    """The content of ``review.json`` as plain objects; the layout is in this module's docstring."""
    return {
        "schema": REVIEW_SCHEMA,
        "design": review.design,
        "note": review.note,
        "file": review.file,
        "date": review.date,
        "all_met": review.all_met,
        "rows": plain(review.rows),
        "remedies": plain(review.remedies),
        "studies": _compact(plain(review.studies)),
        "inputs": plain(review.inputs),
        "defaults_used": plain(review.defaults_used),
        "assumed": plain(review.assumed),
        "warnings": plain(review.warnings),
        "by_hand": plain(review.by_hand),
        "hold_points": plain(review.hold_points),
        "sources": plain(review.sources),
        "tables": sorted(f"{name}.csv" for name, _ in _tables(review)),
        "exclusions": plain(review.exclusions),
        "versions": plain(review.versions),
        "input_hash": review.input_hash,
    }


def json_text(content: Any) -> str:
    """Strict JSON (no NaN, no Infinity), keys sorted, so that equal content gives equal text."""
    text = json.dumps(content, sort_keys=True, indent=1, ensure_ascii=False, allow_nan=False)
    # Signs that a terminal would obey stay out of the text; a reader of JSON gets them back from their escapes.
    return _UNSEEN.sub(lambda found: f"\\u{ord(found.group()):04x}", text) + "\n"


def _compact(value: Any) -> Any:
    if isinstance(value, dict):
        lengths = [len(v) for v in value.values() if isinstance(v, list)]
        longest = max(lengths, default=0)
        if longest <= LONGEST_LIST:
            return {k: _compact(v) for k, v in value.items()}
        every = math.ceil(longest / LONGEST_LIST)
        out = {k: _compact(v[::every] if isinstance(v, list) and len(v) == longest else v) for k, v in value.items()}
        out["thinned"] = {"every": every, "of": longest}
        return out
    if isinstance(value, list):
        return [float(f"{v:.{DIGITS}g}") if isinstance(v, float) else _compact(v) for v in value]
    return value


# ------------------------------------------------------------------------------------------------------------- CSV


def csv_text(columns: Mapping[str, Any]) -> str:
    """A table as CSV: names with units in the first line, decimal points, an empty cell where there is no number."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(list(columns))
    writer.writerows(zip(*(_cells(c) for c in columns.values()), strict=True))
    return buffer.getvalue()


def _cells(column: Any) -> list[str]:
    entries = column.tolist() if hasattr(column, "tolist") else [plain(v) for v in column]
    finite = math.isfinite
    if entries and all(type(v) is float for v in entries) and all(map(finite, entries)):
        return list(map("%.10g".__mod__, entries))  # most of all cells; the same as below, with fewer words
    return [(f"{v:.10g}" if finite(v) else "") if type(v) is float else _cell(v) for v in entries]


def _cell(value: Any) -> str:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.10g}"
    text = str(value)
    # A spreadsheet would take a text that starts so for a formula.
    return "'" + text if isinstance(value, str) and text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def _tables(review: Review) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Name of each CSV file, without its ending, and its columns."""
    yield "requirements", review.columns()
    for study, found in review.studies.items():
        parts = found if isinstance(found, Mapping) else {"": found}
        for leg, result in parts.items():
            name = _safe(f"{study}-{leg}" if leg else study)
            yield from _study_tables(name, result)


def _study_tables(name: str, result: Any) -> Iterator[tuple[str, Mapping[str, Any]]]:
    if not isinstance(result, Result):
        return
    try:
        yield name, result.columns()
    except TypeError:  # a result without a table of its own
        return
    from valvectl.studies.loop import LoopResult

    if isinstance(result, LoopResult):
        yield f"{name}-frequency", _frequency(result)
        for way, response in result.steps.items():
            yield (
                f"{name}-step-{_safe(way)}",
                {
                    "time [s]": response.time,
                    "command [deg]": [math.degrees(a) for a in response.command],
                    "stem [deg]": [math.degrees(a) for a in response.stem],
                    "ball [deg]": [math.degrees(a) for a in response.ball],
                    "current [A]": response.current,
                },
            )


def _frequency(result: Any) -> Mapping[str, Any]:
    import numpy as np

    with np.errstate(divide="ignore"):
        return {
            "frequency [Hz]": result.frequency / (2.0 * math.pi),
            "loop gain [dB]": 20.0 * np.log10(np.abs(result.loop_gain)),
            "loop phase [deg]": np.degrees(np.unwrap(np.angle(result.loop_gain))),
            "closed loop [dB]": 20.0 * np.log10(np.abs(result.complementary)),
            "closed loop phase [deg]": np.degrees(np.unwrap(np.angle(result.complementary))),
        }


def _safe(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9_-]+", "-", name)


# ---------------------------------------------------------------------------------------------------------- folder


def write_review(review: Review, folder: str | os.PathLike[str], two_cores: bool = False) -> dict[str, Path]:
    """Write the review into a folder and return file name -> path. ``two_cores``: draw on a second core too.

    Everything is written to a temporary folder beside it first and then moved file by file, so that a run that fails
    leaves what was there as it was. A folder of an earlier run is brought up to date, tables of it that this review does not
    have are removed; files of others in it are left alone. Raises ``ValvectlError`` when the name is that of a file or the
    folder can not be written.
    """
    target = Path(folder)
    files: dict[str, str] = {}

    def tables() -> None:
        files.update((f"{name}.csv", csv_text(columns)) for name, columns in _tables(review))
        files["review.json"] = json_text(json_of(review))

    files["review.html"] = render(review, groups_drawn(review, two_cores, tables))
    try:
        refuse(target)
        target.parent.mkdir(parents=True, exist_ok=True)
        temporary = target.parent / f".valvectl-{secrets.token_hex(8)}.tmp"
        temporary.mkdir()
        try:
            for name, text in files.items():
                _write(temporary / name, text)
            with _uninterrupted():
                target.mkdir(exist_ok=True)
                for name in _tables_there(target) - set(files):
                    (target / name).unlink(missing_ok=True)
                for name in files:
                    os.replace(temporary / name, target / name)
        finally:
            shutil.rmtree(temporary, ignore_errors=True)
    except OSError as error:
        raise ValvectlError(f"{_named(target)}: the review can not be written: {error.strerror or error}") from None
    return {name: target / name for name in files}


def _tables_there(folder: Path) -> set[str]:
    """Names of the tables that the review in a folder says it wrote; empty when there is none that says so."""
    try:
        content = json.loads((folder / "review.json").read_text(encoding="utf-8"))
        names = content["tables"] if content["schema"] == REVIEW_SCHEMA else []
        return {n for n in names if isinstance(n, str) and re.fullmatch(r"[A-Za-z0-9_-]+\.csv", n)}
    except (OSError, ValueError, KeyError, TypeError):
        return set()


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Ctrl-C waits until the files have been moved, a matter of milliseconds, so that no mixture of two runs stays."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def refuse(target: Path) -> None:
    """Raise ``ValvectlError`` when a review can not go there: the name of a file, or a folder closed to us."""
    name = _named(target)
    try:
        if target.exists() and not target.is_dir():
            raise ValvectlError(f"{name}: is a file; give the review a folder of its own with --out")
        if target.is_dir() and not os.access(target, os.W_OK | os.X_OK):
            raise ValvectlError(f"{name}: this folder can not be written to; choose another with --out")
        above = next((p for p in target.absolute().parents if p.exists()), None)
    except OSError as error:  # too long a name, or a working folder that is gone
        raise ValvectlError(f"{name}: can not be written: {error.strerror}; choose another with --out") from None
    if above is not None and not (above.is_dir() and os.access(above, os.W_OK | os.X_OK)):
        raise ValvectlError(
            f"{name}: can not be written: {_named(above)} is no folder open to us; choose another with --out"
        )


def _write(path: Path, text: str) -> None:
    # A file name that is not UTF-8 reaches the text as lone surrogates; written as escapes they stay valid JSON.
    with open(path, "x", encoding="utf-8", errors="backslashreplace", newline="\n") as stream:
        stream.write(text)


def write_bytes(path: Path, content: bytes) -> None:
    """One file, under a temporary name first, then moved. Raises ``ValvectlError`` when that can not be done.

    A link stays one: the file that it names is replaced. What is no file (``/dev/stdout``, a pipe) is written into.
    """
    try:
        target = Path(os.path.realpath(path)) if path.is_symlink() else path
        if target.exists() and not target.is_file() and not target.is_dir():
            with open(path, "wb") as stream:
                stream.write(content)
            return
        temporary = target.with_name(f".valvectl-{secrets.token_hex(8)}.tmp")
        try:
            with open(temporary, "xb") as stream:
                stream.write(content)
            os.replace(temporary, target)
        finally:
            temporary.unlink(missing_ok=True)
    except OSError as error:
        raise ValvectlError(f"{_named(path)}: can not be written: {error.strerror or error}") from None


def _named(path: Path) -> str:
    return visible(os.fspath(path), 200)
