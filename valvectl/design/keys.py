"""Dotted keys of a design file, and what the schema says about each: meaning, kind, limits, default.

A key is written with dots between tables and ``[i]`` for the item of a list, counted from 0:
``legs.fuel.actuator.gears[0].ratio``. Parts that are no bare TOML key are quoted, with control characters escaped.
"""

from __future__ import annotations

import functools
import re
import types
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from valvectl.design.quantities import NUMBER, Kind, show, visible
from valvectl.design.schema import DesignData
from valvectl.design.schema_base import SINGLE

Path = tuple[str | int, ...]
"""A key taken apart: names of tables and keys, positions in lists."""

_BARE = re.compile(r"^[A-Za-z0-9_-]{1,60}$")
_STEP = re.compile(r"([A-Za-z0-9_-]+)((?:\[[0-9]{1,6}\])*)(?:\.|$)")


def join(path: Iterable[str | int]) -> str:
    """Dotted text of a path."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
            continue
        name = part if _BARE.match(part) else '"' + visible(part).replace('"', '\\"') + '"'
        text += f".{name}" if text else name
    return text


@functools.lru_cache(maxsize=8192)
def split(key: str) -> Path | None:
    """Path of a dotted text; None when it is not one."""
    path: list[str | int] = []
    at = 0
    while at < len(key):
        step = _STEP.match(key, at)
        if step is None:
            return None
        path.append(step.group(1))
        path.extend(int(i) for i in re.findall(r"[0-9]+", step.group(2)))
        at = step.end()
    return tuple(path) if path and not key.endswith(".") else None


@dataclass(frozen=True)
class Spec:
    """What the schema says about one key."""

    name: str
    """Name of the key in the file."""
    meaning: str
    """One line for the reader."""
    form: Literal["table", "quantity", "count", "text", "switch", "choice"]
    """What stands there, or, with ``depth``, what the list holds."""
    depth: int = 0
    """Lists around it: 0 none, 1 a list, 2 a list of lists."""
    kind: Kind | None = None
    """Kind of a quantity."""
    choices: tuple[str, ...] = ()
    """Words allowed; beside a table for the key that takes either."""
    table: type[BaseModel] | None = None
    """Model of a table."""
    required: bool = True
    default: Any = None
    """Default in SI; None also when there is none."""
    single: bool = False
    """True for a list that may be written as one value."""
    limits: tuple[tuple[str, float], ...] = ()
    """Pairs of gt, ge, lt, le and the limit [SI]; min_length and max_length of texts and lists."""
    field: str = ""
    """Name of the field in the model (differs from the key for ``schema``)."""

    @property
    def children(self) -> Mapping[str, Spec]:
        """Keys of the table; empty for anything else."""
        return table_keys(self.table) if self.table is not None else {}

    def text(self, value: Any) -> str:
        """A value [SI] as the tables show it."""
        if value is None:
            return "none"
        if isinstance(value, (tuple, list)):
            return "[" + ", ".join(self.text(v) for v in value) + "]"
        if isinstance(value, bool):
            return "true" if value else "false"
        if self.kind is not None and isinstance(value, (int, float)):
            return show(float(value), self.kind, 6)
        return str(value)

    def example(self) -> str:
        """A value as a user would write it."""
        if self.form == "table" and not self.choices:
            return "[{ ... }, ...]" if self.depth else "{ ... }"
        if self.choices:
            one = f'"{self.choices[0]}"'
        elif self.kind is not None:
            one = self.kind.example
        else:
            one = {"count": "4096", "switch": "true", "text": '"text"'}.get(self.form, "")
        for _ in range(self.depth):
            one = f"[{one.split(' or ')[0]}, ...]"
        return one

    def expected(self) -> str:
        """What may stand there, in words."""
        words = " or ".join(f'"{word}"' for word in self.choices)
        if self.form == "table":
            names = ", ".join(self.children)
            one = f"{words} or a table with the keys {names}" if words else f"a table with the keys {names}"
            return f"a list of tables with the keys {names}" if self.depth else one
        one = {
            "choice": f"one of {words}" if len(self.choices) > 1 else words,
            "count": "a whole number",
            "switch": "true or false",
            "text": "text in quotes",
            "quantity": f"{_article(self.kind.name) if self.kind else ''} such as {self.example()}",
        }[self.form]
        if self.depth:
            return f"a list: {one}" if self.form == "quantity" else f"a list of {one}"
        return one

    def range_text(self) -> str:
        """Limits in words, in the unit in which the key is shown; empty without limits."""
        words = {"gt": "above", "ge": "at least", "lt": "below", "le": "at most"}
        return ", ".join(f"{words[n]} {self.limit_text(v)}" for n, v in self.limits if n in words)

    def limit_text(self, value: float) -> str:
        """One limit [SI] in the unit in which the key is shown."""
        if self.kind is None or self.kind == NUMBER:
            return f"{value:.10g}"
        shown = show(value, self.kind)
        return f"{shown} (as a number {value:.10g})" if self.kind.shown == "%" else shown


def _article(name: str) -> str:
    return f"{'an' if name[0] in 'aeiou' else 'a'} {name}"


def _spec(name: str, info: FieldInfo) -> Spec:
    kind = next((m for m in info.metadata if isinstance(m, Kind)), None)
    limits = [(n, getattr(m, n)) for m in info.metadata for n in ("gt", "ge", "lt", "le") if hasattr(m, n)]
    limits += [(n, getattr(m, n)) for m in info.metadata for n in ("min_length", "max_length") if hasattr(m, n)]
    found: dict[str, Any] = {"form": "quantity" if kind else "text", "kind": kind, "depth": 0, "choices": ()}

    def look(hint: Any, depth: int) -> None:
        origin, args = get_origin(hint), get_args(hint)
        if origin is Annotated:
            found.update(kind=next((a for a in args[1:] if isinstance(a, Kind)), None), form="quantity", depth=depth)
        elif origin in (Union, types.UnionType):
            for arg in args:
                if arg is not type(None):
                    look(arg, depth)
        elif origin is tuple:
            look(args[0], depth + 1)
        elif origin is Literal:
            found["choices"] = args
            if "table" not in found:
                found["form"] = "choice"
        elif isinstance(hint, type) and issubclass(hint, BaseModel):
            found.update(table=hint, form="table", depth=depth)
        elif kind is None:
            found.update(form={int: "count", bool: "switch"}.get(hint, "text"), depth=depth)

    look(info.annotation, 0)
    table = found.get("table")
    meaning = info.description or ((table.__doc__ or "").strip().splitlines() or [""])[0].rstrip(".")
    return Spec(
        name=info.alias or name,
        meaning=meaning,
        required=info.is_required(),
        default=None if info.is_required() else info.default,
        single=SINGLE in info.metadata,
        limits=tuple(limits),
        field=name,
        **found,
    )


@functools.cache
def table_keys(table: type[BaseModel]) -> Mapping[str, Spec]:
    """Keys of a table as the file names them, in the schema's order."""
    specs = [_spec(name, info) for name, info in table.model_fields.items()]
    return types.MappingProxyType({spec.name: spec for spec in specs})


ROOT = Spec(name="", meaning="a whole design file", form="table", table=DesignData)


@functools.lru_cache(maxsize=4096)
def find(path: Path) -> Spec | None:
    """What the schema says about a path; list positions may be left out. None for a key that does not exist."""
    spec = ROOT
    for part in path:
        if isinstance(part, int):
            if not spec.depth:
                return None
            continue
        child = spec.children.get(part)
        if child is None:
            return None
        spec = child
    return spec


@dataclass(frozen=True)
class KeyInfo:
    """What ``describe`` tells about a key; every field is text for the reader."""

    key: str
    """Dotted key as it was asked for."""
    meaning: str
    """What it is."""
    expected: str
    """What may stand there."""
    unit: str
    """Unit in which tables show it; empty for keys without one."""
    range: str
    """Limits; empty without."""
    default: str
    """Default as shown; "required" when there is none."""
    example: str
    """A value as a user would write it."""
    keys: tuple[str, ...] = ()
    """Keys of a table."""


def describe(key: str) -> KeyInfo:
    """Meaning, unit, range, default and example of any key, such as ``legs.fuel.tank.pressure``.

    List positions (``gears[0].ratio``) may be left out. Raises ``DesignError`` for a key that does not exist, with the
    nearest spelling.
    """
    path = split(key)
    spec = find(path) if path else None
    if spec is None:
        raise no_such_key(key)
    default = "required" if spec.required else spec.text(spec.default)
    if not spec.required and (spec.default is None or isinstance(spec.default, BaseModel) or spec.default == ()):
        default = "may be left out"
    return KeyInfo(
        key=key,
        meaning=spec.meaning,
        expected=spec.expected(),
        unit=spec.kind.shown if spec.kind else "",
        range=spec.range_text(),
        default=default,
        example=spec.example(),
        keys=tuple(spec.children),
    )


def unknown_key_text(name: str, allowed: Iterable[str]) -> str:
    """Sentence about an unknown key: the nearest spelling, or all keys allowed."""
    names = list(allowed)
    near = nearest(name, names)
    if near:
        return f"unknown key; did you mean '{near}'?"
    return f"unknown key; allowed here: {', '.join(names)}"


def nearest(name: str, allowed: Iterable[str]) -> str:
    """The key that a misspelt one was likely meant to be; empty when none is near."""
    import difflib

    return next(iter(difflib.get_close_matches(name[:60], list(allowed), n=1, cutoff=0.6)), "")


def no_such_key(key: str) -> Exception:
    """``DesignError`` about a dotted key that the schema does not know."""
    from valvectl.errors import DesignError, Fault

    path = split(key)
    if path is None:
        return DesignError(Fault('is not a dotted key such as "legs.fuel.tank.pressure"', key=visible(key)))
    spec = ROOT
    for i, part in enumerate(path):
        if isinstance(part, int):
            if not spec.depth:
                return DesignError(Fault("is no list, so that it has no item", key=join(path[: i + 1])))
        elif part not in spec.children:
            if not spec.children:
                return DesignError(Fault("is no table, so that it has no keys", key=join(path[:i])))
            return DesignError(Fault(unknown_key_text(part, spec.children), key=join(path[: i + 1])))
        else:
            spec = spec.children[part]
    return DesignError(Fault("is not given in this design", key=join(path)))
