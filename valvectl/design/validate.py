"""From a tree of values to the frozen schema object, with pydantic's findings put into plain sentences."""

from __future__ import annotations

import functools
import operator
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from valvectl.design.crosscheck import RULES
from valvectl.design.keys import ROOT, Path, Spec, find, split
from valvectl.design.quantities import STANDARD_ATMOSPHERE, parse
from valvectl.design.schema import DesignData

Finding = tuple[str, Path]
"""A sentence about a path."""

_COMPARE = {
    "greater_than": ("gt", "above"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "below"),
    "less_than_equal": ("le", "at most"),
}


def validate(
    tree: Mapping[str, Any],
    *,
    si: bool,
    ambient: float = STANDARD_ATMOSPHERE,
    wrong: frozenset[Path] | set[Path] = frozenset(),
    missing: bool = True,
    rules: Sequence[int] | None = None,
) -> tuple[DesignData | None, list[Finding]]:
    """Check a tree against the schema and the rules between its keys.

    Parameters
    ----------
    tree : nested tables as in the file; tables that are schema objects already are taken as they are
    si : numbers are SI already; texts with a unit are read in either case
    ambient : pressure that gauge pressures are counted from [Pa]
    wrong : paths about which something was said already; they and what hangs on them are left alone
    missing : report missing keys; False when that was done already
    rules : which of the rules between keys are asked where each key is right by itself; by default all (``rules_about``)

    Returns the data (None when there are findings or ``wrong`` paths) and the findings.
    """
    data: DesignData | None = None
    findings: list[Finding] = []
    try:
        data = DesignData.model_validate(tree, context={"si": si, "ambient": ambient})
    except ValidationError as error:
        for detail in error.errors(include_url=False, include_context=True, include_input=True):
            if detail["type"] == "missing" and not missing:
                continue
            found = _finding(detail, wrong)
            if found is not None and not _covered(found[1], wrong):
                findings.append(found)
    bad = set(wrong) | {path for _, path in findings}
    get: Callable[[str], Any] = _from_data(data) if data is not None else _from_tree(tree, si, ambient, bad)
    for i in range(len(RULES)) if rules is None or data is None else rules:
        for message, key in RULES[i](get):
            path = split(key)
            assert path is not None
            if not _covered(path, bad):
                findings.append((message, path))
    return (None if findings or wrong else data), findings


def rules_read(data: DesignData) -> tuple[frozenset[Path], ...]:
    """What each rule between keys reads of a valid design."""
    straight = _from_data(data)
    out = []
    for rule in RULES:
        seen: set[Path] = set()

        def get(key: str, seen: set[Path] = seen) -> Any:
            seen.add(split(key) or ())
            return straight(key)

        for _ in rule(get):
            pass
        out.append(frozenset(seen))
    return tuple(out)


def rules_about(read: Sequence[frozenset[Path]], paths: Sequence[Path]) -> tuple[int, ...]:
    """The rules that read something at, above or below one of ``paths``. Each of the others finds in a design that differs there
    alone all that it found in the valid one that ``read`` is of, goes the same way, and has nothing to say again."""
    changed = set(paths)
    above = {path[:i] for path in paths for i in range(len(path))}
    return tuple(
        i
        for i, keys in enumerate(read)
        if any(key in above or any(key[:n] in changed for n in range(len(key) + 1)) for key in keys)
    )


def _covered(path: Path, wrong: set[Path] | frozenset[Path]) -> bool:
    return any(path[:i] in wrong for i in range(1, len(path) + 1))


def _finding(detail: ErrorDetails, wrong: set[Path] | frozenset[Path]) -> Finding | None:
    """One of pydantic's errors as a sentence; None for the branch of a union that was not meant."""
    sort, context = detail["type"], detail.get("ctx", {})
    path: Path = ()
    spec: Spec = ROOT
    for part in detail["loc"]:
        if isinstance(part, int):
            path = (*path, part)
        elif part in spec.children:
            spec = spec.children[part]
            path = (*path, part)
        elif part.startswith("literal["):
            return None
        elif part not in {"Gains"}:
            path = (*path, part)
    if sort == "literal_error" and spec.table is not None:
        return None
    if sort == "too_short" and len(detail["input"]) >= context["min_length"]:
        return None  # pydantic leaves out the entries that are wrong in themselves and counts the rest
    if sort == "design":
        if any(w[: len(path)] == path for w in wrong):  # a key that was misspelt may be the one that this rule misses
            return None
        key = split(context["key"]) if context["key"] else ()
        return str(context["text"]), (*path, *(key or ()))
    return _sentence(sort, context, spec, detail), path


def _sentence(sort: str, context: Mapping[str, Any], spec: Spec, detail: ErrorDetails) -> str:
    if sort == "quantity":
        return str(context["text"])
    if sort in _COMPARE:
        name, words = _COMPARE[sort]
        return f"must be {words} {spec.limit_text(float(context[name]))}"
    if sort == "finite_number":
        return f"must be a finite number; write {spec.kind.name if spec.kind else 'it'} as {spec.example()}"
    if sort in ("too_short", "too_long"):
        short = sort == "too_short"
        count = context["min_length" if short else "max_length"]
        return f"{'needs at least' if short else 'may have at most'} {count} {'entry' if count == 1 else 'entries'}"
    if sort == "string_too_short":
        return "must not be empty"
    if sort == "string_too_long":
        return f"may have at most {context['max_length']} characters"
    if sort == "missing":
        return f"key is missing: {spec.meaning}; for example {spec.name} = {spec.example()}"
    if sort == "extra_forbidden":
        return "unknown key"
    return f"must be {spec.expected()}"


def _from_data(data: DesignData) -> Callable[[str], Any]:
    def get(key: str) -> Any:
        straight = _straight(key)
        if straight is not None:
            try:
                return straight(data)
            except AttributeError:  # a table on the way is not there
                return None
        return lookup(data, split(key) or ())

    return get


@functools.lru_cache(maxsize=4096)
def _straight(key: str) -> Callable[[Any], Any] | None:
    """``lookup`` of a key without list items, worked out before: the rules ask for hundreds at each drawn engine."""
    path = split(key)
    if not path or any(isinstance(part, int) for part in path):
        return None
    return operator.attrgetter(".".join("schema_" if part == "schema" else str(part) for part in path))


def lookup(data: Any, path: Path) -> Any:
    """Value at a path of the schema object; None where a table, key or list item is not there."""
    for part in path:
        if isinstance(part, int):
            if not isinstance(data, tuple) or part >= len(data):
                return None
            data = data[part]
        else:
            data = getattr(data, "schema_" if part == "schema" else part, None)
        if data is None:
            return None
    return data


def _from_tree(tree: Mapping[str, Any], si: bool, ambient: float, wrong: set[Path]) -> Callable[[str], Any]:
    """Values of a design that is not valid as a whole: what can be read is read, the rest is None."""

    def get(key: str) -> Any:
        path = split(key) or ()
        spec = find(path)
        if spec is None or any(w[: len(path)] == path for w in wrong) or _covered(path, wrong):
            return None
        node: Any = tree
        for i, part in enumerate(path):
            there = part < len(node) if isinstance(part, int) and isinstance(node, (list, tuple)) else False
            if isinstance(node, BaseModel):
                return lookup(node, path[i:])
            if (isinstance(node, Mapping) and part in node) or there:
                node = node[part]
            elif i == len(path) - 1 and not spec.required and not any(w[:-1] == path[:-1] for w in wrong):
                return spec.default  # but not beside a key that was misspelt: it may be this one
            else:
                return None
        return _read(node, spec, si, ambient)

    return get


def _read(node: Any, spec: Spec, si: bool, ambient: float) -> Any:
    if isinstance(node, (list, tuple)):
        items = [_read(item, spec, si, ambient) for item in node]
        return None if any(item is None for item in items) else tuple(items)
    if spec.kind is None or isinstance(node, Mapping):
        return node
    if si and isinstance(node, (int, float)):
        return float(node)
    try:
        return parse(node, spec.kind, ambient)
    except PydanticCustomError:
        return None
