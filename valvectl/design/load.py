"""Reading a design file: everything that is wrong with it at once, or a ``DesignFile``."""

from __future__ import annotations

import os
from pathlib import Path as FilePath
from typing import TypeVar, overload

from pydantic_core import PydanticCustomError

from valvectl.design.compose import Composed, compose
from valvectl.design.design_file import DesignFile, inputs_of
from valvectl.design.given import Given, collect
from valvectl.design.keys import Path, find, join
from valvectl.design.quantities import ABSOLUTE_PRESSURE, STANDARD_ATMOSPHERE, parse, visible
from valvectl.design.trace_file import attach_traces
from valvectl.design.validate import validate
from valvectl.errors import DesignError, Fault

AnyDesign = TypeVar("AnyDesign", bound=DesignFile)
_AMBIENT: Path = ("engine", "ambient_pressure")


@overload
def read_design(path: str | os.PathLike[str]) -> DesignFile: ...
@overload
def read_design(path: str | os.PathLike[str], *, cls: type[AnyDesign]) -> AnyDesign: ...
def read_design(path: str | os.PathLike[str], *, cls: type[DesignFile] = DesignFile) -> DesignFile:
    """Read and check a design file.

    Parameters
    ----------
    path : TOML file; parts that it names must lie in its folder or below
    cls : class to return, ``DesignFile`` or one derived from it

    Raises ``DesignError`` with every fault of the file, each with file, dotted key (list items as ``gears[0]``), line
    where known, the value got and what is allowed. A file that can not be read as TOML has that one fault.
    """
    place = FilePath(path)
    name = visible(os.fspath(path), 200)
    composed = compose(place, name)
    if not composed.root.value:
        raise DesignError(
            Fault("is empty; a design needs at least the tables engine, legs, battery, throttle", file=name)
        )
    given = collect(composed)
    layout = [f for f in given.faults if f.key == "schema" and f.got]
    if layout:  # a file of another layout would be wrong in every line
        raise DesignError(layout)
    ambient = _ambient(given)
    attach_traces(given, place.parent, os.path.dirname(name), ambient)
    data, findings = validate(given.tree, si=False, ambient=ambient, wrong=given.wrong, missing=False)
    for message, where in findings:
        node = given.places.get(where)
        spec = find(where)
        default = spec.text(spec.default) if node is None and spec is not None and spec.default is not None else ""
        given.add(message, where, node, got=f"{default}, the default" if default else None)
    inputs, more = inputs_of(given, data) if data is not None else ({}, [])
    faults = _distinct([*composed.faults, *given.faults, *more], composed)
    if faults or data is None:
        raise DesignError(faults)
    return cls(data=data, path=place, _inputs=inputs)


def _ambient(given: Given) -> float:
    """Pressure that gauge pressures are counted from [Pa]; the standard atmosphere while it is not given or wrong."""
    leaf = given.leaves.get(_AMBIENT)
    if leaf is None:
        return STANDARD_ATMOSPHERE
    try:
        value = parse(leaf.node.value, ABSOLUTE_PRESSURE, 0.0)
        if parse(leaf.node.value, ABSOLUTE_PRESSURE, 1.0) != value:
            given.add("must be absolute: gauge pressures are counted from it", _AMBIENT, leaf.node)
            return STANDARD_ATMOSPHERE
    except PydanticCustomError:
        return STANDARD_ATMOSPHERE  # the schema says what is wrong with it
    return value


def _distinct(faults: list[Fault], composed: Composed) -> list[Fault]:
    """Faults in the order of the file; one that a table only took over from another table or file is said once."""
    aliases = {join(at): join(target) for at, target in composed.aliases.items()}

    def origin(key: str) -> str:
        for _ in range(len(aliases) + 1):
            at = next((a for a in aliases if key.startswith((a + ".", a + "["))), None)
            if at is None:
                break
            key = aliases[at] + key[len(at) :]
        return key

    keys = {(f.key, f.message) for f in faults}
    kept: list[Fault] = []
    seen: set[tuple[str, int | None, str, str]] = set()
    for fault in faults:
        source = origin(fault.key)
        if source != fault.key and (source, fault.message) in keys:
            continue
        tail = fault.key.rsplit(".", 1)[-1]
        mark = (fault.file, fault.line, tail if fault.file != composed.root.file else fault.key, fault.message)
        if mark not in seen:
            seen.add(mark)
            kept.append(fault)
    return sorted(kept, key=lambda f: (f.file != composed.root.file, f.line or 0))
