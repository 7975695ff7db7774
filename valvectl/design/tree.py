"""A design's tables as a tree: copies with other values at some paths, all the rest shared."""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from valvectl.design.keys import Path, table_keys


def fields_of(model: BaseModel) -> dict[str, Any]:
    """Values that a table was given, by the key of the file; tables inside stay schema objects."""
    values, given = model.__dict__, model.__pydantic_fields_set__
    return {key: values[spec.field] for key, spec in table_keys(type(model)).items() if spec.field in given}


def replaced(node: Any, wanted: Mapping[Path, Any]) -> tuple[Any, list[Path]]:
    """A copy of ``node`` with the values ``wanted`` at their paths, the rest shared; and the paths whose list item is not there.

    A path may lie below another one: the shorter one's value then comes first.
    """
    return _with(node, _grouped(tuple(wanted)), tuple(wanted.values()))


@dataclass(frozen=True)
class _Below:
    """Paths below one place by their first part."""

    value: int | None
    """Which of the values stands at the place itself."""
    parts: Mapping[Any, _Below]
    lists: bool
    """Whether a list is among what stands there: some parts are numbers."""


@functools.lru_cache(maxsize=256)
def _grouped(paths: tuple[Path, ...]) -> _Below:
    """Paths as a tree, with the number of each at its end: a study that draws thousands of designs changes the same keys."""
    return _below(dict(enumerate(paths)))


def _below(paths: Mapping[int, Path]) -> _Below:
    here = {path[0]: None for path in paths.values() if path}
    parts = {part: _below({i: path[1:] for i, path in paths.items() if path and path[0] == part}) for part in here}
    return _Below(
        next((i for i, path in paths.items() if not path), None), parts, any(isinstance(part, int) for part in here)
    )


def _ends(below: _Below, at: Path) -> list[Path]:
    """The paths that a tree was made of."""
    own = [at] if below.value is not None else []
    return own + [path for part, further in below.parts.items() for path in _ends(further, (*at, part))]


def _with(node: Any, below: _Below, values: Sequence[Any], at: Path = ()) -> tuple[Any, list[Path]]:
    """``replaced`` for the paths of a tree."""
    if below.value is not None:
        node = values[below.value]
        node = list(node) if isinstance(node, tuple) else node
    if not below.parts:
        return node, []
    lost: list[Path] = []
    if below.lists:
        if not isinstance(node, (tuple, list)):
            return node, [path for part, further in below.parts.items() for path in _ends(further, (*at, part))]
        items = list(node)
        for part, further in below.parts.items():
            if not isinstance(part, int) or part >= len(items):
                lost += _ends(further, (*at, part))
                continue
            items[part], gone = _with(items[part], further, values, (*at, part))
            lost += gone
        return items, lost
    fields = fields_of(node) if isinstance(node, BaseModel) else dict(node) if isinstance(node, dict) else {}
    for part, further in below.parts.items():
        if not further.parts:
            fields[part], _ = _with(None, further, values)
            continue
        there = fields.get(part)
        if there is None and isinstance(node, BaseModel):
            there = getattr(node, part, None)  # a list or table that stands at its default
        fields[part], gone = _with(there, further, values, (*at, part))
        lost += gone
    return fields, lost
