"""A saved review read back: verdicts and inputs, nothing else, each value checked before it is used."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from valvectl.design.quantities import visible
from valvectl.errors import DesignError, Fault
from valvectl.review.inputs import InputLine
from valvectl.review.verdict import REVIEW_SCHEMA, Operator, Review, Row, Verdict

LARGEST_FILE = 100_000_000
"""Largest review that is read [bytes]; one of this program has some 2 million."""
LONGEST_TEXT = 300
"""Longest text taken over from a saved review [characters]."""


@dataclass(frozen=True)
class Side:
    """One of two reviews that are compared."""

    name: str
    """Name of the design."""
    source: str
    """Folder, file or design file that it comes from."""
    date: str
    """When it was made (UTC)."""
    version: str
    """Version of this program that made it; empty when the review does not say."""
    versions: Mapping[str, str]
    """Versions of program, Python and libraries."""
    input_hash: str
    """SHA-256 of all resolved values."""
    rows: tuple[Row, ...]
    """Verdicts."""
    inputs: tuple[InputLine, ...] | None
    """Inputs; None when the review was saved without them."""


def side_of(review: Review, source: str) -> Side:
    """A review just made as one side of a comparison."""
    return Side(
        name=review.design,
        source=source,
        date=review.date,
        version=review.versions.get("valvectl", ""),
        versions=dict(review.versions),
        input_hash=review.input_hash,
        rows=review.rows,
        inputs=review.inputs,
    )


def is_saved(path: str | os.PathLike[str]) -> bool:
    """True when a path names a saved review: a folder, or a file whose name ends in .json."""
    place = Path(path)
    return place.is_dir() or place.suffix.lower() == ".json"


def read_saved(path: str | os.PathLike[str]) -> Side:
    """One side from a review folder, or from its ``review.json``.

    Raises ``DesignError`` naming file and key when there is no review there or it is not of this program's layout.
    """
    place = Path(path)
    if place.is_dir():
        place = place / "review.json"
    name = visible(os.fspath(place), 200)
    content = _content(place, name)
    if content.get("schema") != REVIEW_SCHEMA:
        got = visible(str(content.get("schema", "nothing")))
        raise DesignError(Fault(f'must be "{REVIEW_SCHEMA}"', key="schema", file=name, got=got))
    read = _Reader(name)
    rows = read.items(content, "rows", _ROW)
    versions = content.get("versions")
    found = {str(k): str(v)[:60] for k, v in versions.items()} if isinstance(versions, dict) else {}
    return Side(
        name=read.text(content.get("design"), "design"),
        source=visible(os.fspath(path), 200),
        date=read.text(content.get("date"), "date"),
        version=found.get("valvectl", ""),
        versions=found,
        input_hash=read.text(content.get("input_hash"), "input_hash"),
        rows=tuple(read.row(item, f"rows[{j}]") for j, item in enumerate(rows)),
        inputs=read.inputs(content),
    )


def _content(place: Path, name: str) -> dict[str, Any]:
    try:
        if not place.is_file():
            wanted = "a design file (.toml), a folder that check wrote, or its review.json"
            raise DesignError(Fault(f"holds no review; give {wanted}", file=name))
        if place.stat().st_size > LARGEST_FILE:
            raise DesignError(
                Fault(f"is larger than {LARGEST_FILE // 1_000_000} MB, no review of this program is", file=name)
            )
        text = place.read_text(encoding="utf-8")
    except OSError as error:
        raise DesignError(Fault(f"can not be read: {error.strerror or error}", file=name)) from None
    except UnicodeDecodeError:
        raise DesignError(Fault("is not UTF-8 text", file=name)) from None
    try:
        content = json.loads(text, parse_constant=_refuse)
    except json.JSONDecodeError as error:
        raise DesignError(Fault(f"is not JSON: {error.msg}", file=name, line=error.lineno)) from None
    except (ValueError, RecursionError) as error:
        raise DesignError(Fault(f"is not JSON of this program: {visible(str(error), 80)}", file=name)) from None
    if not isinstance(content, dict):
        raise DesignError(Fault("is no review: a JSON object is wanted", file=name))
    return content


def _refuse(word: str) -> None:
    raise ValueError(f"{word} is no number")


_ROW = ("id", "title", "operator", "limit", "verdict")


class _Reader:
    """Takes values out of a review's JSON; raises with file and key where one is not what it should be."""

    def __init__(self, name: str) -> None:
        self.name = name

    def fail(self, message: str, key: str, got: object) -> DesignError:
        return DesignError(Fault(message, key=key, file=self.name, got=visible(json.dumps(got, default=str))))

    def items(self, content: Mapping[str, Any], key: str, needs: tuple[str, ...]) -> list[dict[str, Any]]:
        found = content.get(key)
        if not isinstance(found, list):
            raise self.fail("must be a list", key, found)
        for j, item in enumerate(found):
            if not isinstance(item, dict):
                raise self.fail("must be an object", f"{key}[{j}]", item)
            for need in needs:
                if need not in item:
                    raise self.fail("is missing", f"{key}[{j}].{need}", None)
        return found

    def text(self, value: object, key: str) -> str:
        if value is None:
            return ""
        if not isinstance(value, str):
            raise self.fail("must be a text", key, value)
        return visible(value, LONGEST_TEXT)

    def number(self, value: object, key: str) -> float | None:
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            raise self.fail("must be a number or null", key, value)
        return float(value)

    def word(self, value: object, allowed: tuple[str, ...], key: str) -> Any:
        if value not in allowed:
            raise self.fail("must be " + " or ".join(f'"{w}"' for w in allowed), key, value)
        return value

    def row(self, item: dict[str, Any], at: str) -> Row:
        limit = self.number(item["limit"], f"{at}.limit")
        if limit is None:
            raise self.fail("must be a number", f"{at}.limit", None)
        verdict = self.word(item["verdict"], get_args(Verdict), f"{at}.verdict")
        value = self.number(item.get("value"), f"{at}.value")
        operator = self.word(item["operator"], get_args(Operator), f"{at}.operator")
        margin = self.number(item.get("margin"), f"{at}.margin")
        if value is None and verdict != "not assessed":
            # JSON has no infinity: a number that does not exist, such as the settling time of a step that never settles.
            value = math.inf if (verdict == "met") == (operator == ">=") else -math.inf
            margin = math.copysign(math.inf, 1.0 if verdict == "met" else -1.0) if margin is None else margin
        leg = item.get("leg")
        return Row(
            id=self.text(item["id"], f"{at}.id"),
            leg=None if leg is None else self.word(leg, ("oxidizer", "fuel"), f"{at}.leg"),
            title=self.text(item["title"], f"{at}.title"),
            value=value,
            operator=operator,
            limit=limit,
            unit=self.text(item.get("unit"), f"{at}.unit"),
            margin=margin,
            verdict=verdict,
            case=self.text(item.get("case"), f"{at}.case"),
            method=self.text(item.get("method"), f"{at}.method"),
            limit_is_default=item.get("limit_is_default") is True,
        )

    def inputs(self, content: Mapping[str, Any]) -> tuple[InputLine, ...] | None:
        if "inputs" not in content:
            return None
        out = []
        for j, item in enumerate(self.items(content, "inputs", ("key", "value", "shown", "origin"))):
            at = f"inputs[{j}]"
            value = _frozen(item["value"])
            width = _frozen(item.get("tolerance"))
            for part in width if isinstance(width, tuple) else (width,):
                self.number(part, f"{at}.tolerance")
            out.append(
                InputLine(
                    key=self.text(item["key"], f"{at}.key"),
                    value=value,
                    shown=self.text(item["shown"], f"{at}.shown"),
                    unit=self.text(item.get("unit"), f"{at}.unit"),
                    tolerance=width,
                    relative=item.get("relative") is True,
                    tolerance_shown=self.text(item.get("tolerance_shown"), f"{at}.tolerance_shown"),
                    origin=self.text(item["origin"], f"{at}.origin"),
                    note=self.text(item.get("note"), f"{at}.note"),
                    meaning=self.text(item.get("meaning"), f"{at}.meaning"),
                )
            )
        return tuple(out)


def _frozen(value: Any) -> Any:
    """Lists as tuples, so that a value read back equals the one of a design."""
    return tuple(_frozen(v) for v in value) if isinstance(value, list) else value
