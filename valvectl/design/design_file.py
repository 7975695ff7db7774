"""A design as the rest of the program sees it: frozen values in SI, each input with its origin and tolerance."""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import json
import types
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path as FilePath
from typing import Any, Self

from pydantic import BaseModel

from valvectl.design.compose import shown
from valvectl.design.given import Given
from valvectl.design.keys import ROOT, Path, Spec, describe, find, join, no_such_key, split
from valvectl.design.quantities import Kind, visible
from valvectl.design.scatter import Scatter
from valvectl.design.schema import (
    Battery,
    DesignData,
    Engine,
    Faults,
    Leg,
    LegName,
    Legs,
    OuterLoops,
    Requirements,
    Simulation,
    Start,
    Throttle,
)
from valvectl.design.tolerances import misfit, tolerance_of
from valvectl.design.tree import fields_of, replaced
from valvectl.design.validate import lookup, rules_about, rules_read, validate
from valvectl.errors import DesignError, Fault

__all__ = ["DefaultUsed", "DesignFile", "Input", "Value", "describe", "inputs_of"]

Value = float | int | str | bool | tuple[Any, ...]
"""A value of a design: SI number, count, text, switch, or a list of them."""


@dataclass(frozen=True)
class Input:
    """One value that a design was given."""

    key: str
    """Dotted key."""
    value: Value
    """Value [SI], text, or tuple for a list."""
    text: str
    """As written in the file, or as a table would show it when a program set it."""
    kind: Kind | None
    """What sort of quantity; None for texts, counts and switches."""
    origin: str | None = None
    """datasheet, measured or assumed; None when the file does not say."""
    tolerance: float | tuple[float, ...] | None = None
    """Half-width of a bound [SI]; for a list one, relative to each entry [-], or one for each entry. None when not given."""
    relative: bool = False
    """True when ``tolerance`` is relative (lists)."""
    tolerance_text: str = ""
    """Tolerance as written."""
    note: str = ""
    """Note of the file on it."""
    scatter: Scatter | None = None
    """How it scatters; None when the file does not say."""
    file: str = ""
    """File that holds it; empty when a program set it."""
    line: int | None = None
    """Line in that file."""

    def half_widths(self) -> tuple[float, ...]:
        """Half-widths of a list's entries [SI], or the one of a value; empty without a tolerance."""
        if self.tolerance is None:
            return ()
        values = self.value if isinstance(self.value, tuple) else (self.value,)
        given = self.tolerance if isinstance(self.tolerance, tuple) else (self.tolerance,) * len(values)
        return tuple(w * abs(float(v)) if self.relative else w for w, v in zip(given, values, strict=True))


@dataclass(frozen=True)
class DefaultUsed:
    """A default that took effect because the file does not give the key."""

    key: str
    """Dotted key."""
    value: Value | None
    """Value [SI]; None when the default is to leave it out or to work it out elsewhere (``meaning`` says which)."""
    shown: str
    """Value as a table shows it."""
    meaning: str
    """What the key is."""


def inputs_of(given: Given, data: DesignData) -> tuple[dict[str, Input], list[Fault]]:
    """Inputs of a file that was found valid, and faults in tolerances that only show beside the value."""
    inputs: dict[str, Input] = {}
    faults: list[Fault] = []
    for path, leaf in given.leaves.items():
        key = join(path)
        value = lookup(data, path)
        tolerance, relative, message = tolerance_of(leaf, value)
        if not message and isinstance(tolerance, tuple):
            message = misfit(data, path, value, tolerance, relative)
        if message:
            file, line = leaf.node.file, leaf.node.line
            faults.append(Fault(message, key=f"{key}.tolerance", file=file, line=line, got=leaf.width_text))
        raw = leaf.node.value
        inputs[key] = Input(
            key=key,
            value=value,
            text=_written(raw),
            kind=leaf.spec.kind,
            origin=leaf.origin,
            tolerance=tolerance,
            relative=relative,
            tolerance_text=leaf.width_text,
            note=leaf.note,
            scatter=leaf.scatter,
            file=leaf.node.file,
            line=leaf.node.line,
        )
    return inputs, faults


def _written(raw: Any) -> str:
    if isinstance(raw, list):
        return "[" + ", ".join(_written(node.value) for node in raw) + "]"
    return raw if isinstance(raw, str) else shown(raw)


@dataclass(frozen=True, eq=False, repr=False)
class DesignFile:
    """A valid design. Frozen; ``with_values`` makes a changed one."""

    data: DesignData
    """All values, SI, defaults filled in."""
    path: FilePath | None = None
    """File it was read from; None when there was none."""
    _inputs: dict[str, Input] = field(default_factory=dict)

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.name!r}, {len(self._inputs)} inputs)"

    @property
    def inputs(self) -> Mapping[str, Input]:
        """Every value that the file gave, by dotted key, in the order of the file. A table that takes over another one
        (same_as) has inputs of its own: two valves of one type are two valves."""
        return types.MappingProxyType(self._inputs)

    @property
    def name(self) -> str:
        """Name of the design."""
        return self.data.name

    @property
    def engine(self) -> Engine:
        """Chamber and nozzle."""
        return self.data.engine

    @property
    def legs(self) -> Legs:
        """Both legs."""
        return self.data.legs

    @property
    def battery(self) -> Battery:
        """The battery."""
        return self.data.battery

    @property
    def throttle(self) -> Throttle:
        """Throttle range and profile."""
        return self.data.throttle

    @property
    def outer_loops(self) -> OuterLoops | None:
        """Outer loops; None: the schedule runs open loop."""
        return self.data.outer_loops

    @property
    def start(self) -> Start:
        """How the engine starts."""
        return self.data.start

    @property
    def faults(self) -> Faults:
        """Single faults, the watch for them, and their limits."""
        return self.data.faults

    @property
    def requirements(self) -> Requirements:
        """Limits of the review."""
        return self.data.requirements

    @property
    def simulation(self) -> Simulation:
        """Numerics of the time simulation."""
        return self.data.simulation

    def leg(self, name: LegName) -> Leg:
        """One leg by name. Raises ``DesignError`` for any name but oxidizer and fuel."""
        if name == "oxidizer":
            return self.data.legs.oxidizer
        if name == "fuel":
            return self.data.legs.fuel
        raise DesignError(Fault('a leg is "oxidizer" or "fuel"', got=shown(str(name))))

    def get(self, key: str) -> Any:
        """Value at a dotted key [SI], such as ``legs.fuel.tank.pressure`` or ``legs.fuel.actuator.gears[0].ratio``.

        A table gives its schema object, a key left out without a value gives None. Raises ``DesignError`` for a key
        that does not exist, with the nearest spelling.
        """
        path = split(key)
        if path is None or find(path) is None:
            raise no_such_key(key)
        value = lookup(self.data, path)
        if value is None and any(isinstance(part, int) for part in path):
            last = max(i for i, part in enumerate(path) if isinstance(part, int))
            if lookup(self.data, path[: last + 1]) is None:
                raise DesignError(Fault("the list has no such item", key=join(path[: last + 1])))
        return value

    @functools.cached_property
    def defaults_used(self) -> tuple[DefaultUsed, ...]:
        """Every default that took effect, in the order of the schema."""
        return tuple(_defaults(self.data, ROOT, ()))

    @functools.cached_property
    def input_hash(self) -> str:
        """SHA-256 over all resolved values and tolerances; notes, origins, comments and spelling do not count."""
        values = self.data.model_dump(mode="json", by_alias=True, exclude={"note"})
        widths = {k: i.tolerance for k, i in sorted(self._inputs.items()) if i.tolerance is not None}
        scatters = {k: dataclasses.astuple(i.scatter) for k, i in sorted(self._inputs.items()) if i.scatter is not None}
        content = {"values": values, "tolerances": widths} | ({"scatter": scatters} if scatters else {})
        text = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
        return hashlib.sha256(text.encode("utf-8")).hexdigest()

    def toleranced(self) -> tuple[Input, ...]:
        """Inputs that carry a tolerance, in the order of the file."""
        return tuple(i for i in self._inputs.values() if i.tolerance is not None)

    def with_values(self, changes: Mapping[str, Any], *, inputs: bool = True) -> Self:
        """The same design with other values.

        Parameters
        ----------
        changes : dotted key to new value: an SI number, a text with a unit, a word or count as the schema has it, or a
            whole list. Keys that had a default may be given, and list items such as ``gears[0].ratio`` or ``kv[3]``.
        inputs : false leaves ``inputs`` as they are, for a design that only a machine is built from

        The whole design is checked again. Inputs keep their origin, note and tolerance; a tolerance written as a share
        follows the new value. Pressures count as absolute numbers by now: changing ``engine.ambient_pressure`` does not
        move those that the file gave as gauge. Raises ``DesignError`` with every fault.
        """
        faults: list[Fault] = []
        wanted: dict[Path, Any] = {}
        for key, value in changes.items():
            path = split(key)
            spec = find(path) if path else None
            if path is None or spec is None:
                error = no_such_key(key)
                assert isinstance(error, DesignError)
                faults.extend(error.faults)
                continue
            value = value.item() if hasattr(value, "item") else value  # numbers of numpy
            if _misfit(spec, value):
                faults.append(Fault(f"must be {spec.expected()}", key=key, got=shown(value)))
                continue
            wanted[path] = value
        tree, lost = replaced(self.data, wanted)
        faults.extend(Fault("the list has no such item", key=join(path)) for path in lost)
        paths = {join(path): path for path in wanted} if inputs else {}
        if faults:
            raise DesignError(faults)
        data, findings = validate(
            fields_of(tree) if tree is self.data else tree,
            si=True,
            ambient=self.data.engine.ambient_pressure,
            rules=self._rules_about(tuple(wanted)),
        )
        if data is None:
            file = str(self.path) if self.path is not None else ""
            raise DesignError([Fault(m, key=join(p), file=file, got=self._said(tree, p, changes)) for m, p in findings])
        return dataclasses.replace(
            self, data=data, _inputs=_changed(self._inputs, paths, data) if inputs else self._inputs
        )

    @functools.cached_property
    def _rules(self) -> tuple[tuple[frozenset[Path], ...], dict[tuple[Path, ...], tuple[int, ...]]]:
        """What each rule between keys reads, and which of them were about changes that were asked for."""
        return rules_read(self.data), {}

    def _rules_about(self, paths: tuple[Path, ...]) -> tuple[int, ...]:
        read, known = self._rules
        if paths not in known:
            known[paths] = rules_about(read, paths)
        return known[paths]

    def _said(self, tree: Any, path: Path, changes: Mapping[str, Any]) -> str:
        """What stands at a path, for a message: as the file wrote it where it is unchanged, else with its unit."""
        key = join(path)
        written = self._inputs.get(key)
        if written is not None and not any(key.startswith(changed) or changed.startswith(key) for changed in changes):
            return f'"{written.text}"' if isinstance(written.value, float) and " " in written.text else written.text
        return _got(tree, path)


def _misfit(spec: Spec, value: Any) -> bool:
    if spec.form == "count":
        return isinstance(value, bool) or not isinstance(value, (int, float)) or value != value // 1
    if spec.form == "switch":
        return not isinstance(value, bool)
    if spec.form == "table":
        return not (isinstance(value, str) and value in spec.choices)
    return spec.form in ("text", "choice") and not isinstance(value, str)


def _got(tree: Any, path: Path) -> str:
    for part in path:
        if isinstance(part, int):
            tree = tree[part] if isinstance(tree, (tuple, list)) and part < len(tree) else None
        elif isinstance(tree, BaseModel):
            tree = getattr(tree, part, None)
        else:
            tree = tree.get(part) if isinstance(tree, dict) else None
    spec = find(path)
    numbers = tree if isinstance(tree, (tuple, list)) else (tree,)
    if spec is not None and spec.kind is not None and all(type(n) in (int, float) for n in numbers):
        return visible(spec.text(tree))
    return "" if tree is None else "a table" if isinstance(tree, BaseModel) else shown(tree)


def _changed(inputs: dict[str, Input], paths: Mapping[str, Path], data: DesignData) -> dict[str, Input]:
    """Inputs after a change."""
    out = dict(inputs)
    for key, path in paths.items():
        spec = find(path)
        assert spec is not None
        if spec.choices and spec.table is not None:  # a word where a table stood
            for old in [k for k in out if k.startswith(key + ".")]:
                del out[old]
        if spec.form != "table":
            while isinstance(path[-1], int):  # entry of a list of numbers: the list is the input
                path = path[:-1]
            key = join(path)
            for i in range(1, len(path)):
                out.pop(join(path[:i]), None)  # a table where a word stood
        value = lookup(data, path)
        old_input = out.get(key)
        text = spec.text(value)
        if old_input is None:
            out[key] = Input(key=key, value=value, text=text, kind=spec.kind)
            continue
        tolerance = old_input.tolerance
        if isinstance(tolerance, tuple) and (not isinstance(value, tuple) or len(value) != len(tolerance)):
            now = len(value) if isinstance(value, tuple) else 1
            message = f"its tolerance has one entry for each of {len(tolerance)} values (now {now}); give both anew in the file"
            raise DesignError(Fault(message, key=key))
        if isinstance(tolerance, float) and not old_input.relative and old_input.tolerance_text.endswith("%"):
            assert isinstance(old_input.value, (int, float))
            tolerance = tolerance * abs(value / old_input.value)
        out[key] = dataclasses.replace(old_input, value=value, text=text, tolerance=tolerance, file="", line=None)
    return out


def _defaults(model: BaseModel, spec: Spec, at: Path) -> Iterator[DefaultUsed]:
    for name, child in spec.children.items():
        value = getattr(model, child.field)
        path = (*at, name)
        if isinstance(value, BaseModel):
            yield from _defaults(value, child, path)
        elif isinstance(value, tuple) and child.form == "table" and child.field in model.model_fields_set:
            for i, item in enumerate(value):
                yield from _defaults(item, child, (*path, i))
        elif child.field not in model.model_fields_set:
            # A key without a value is a default only where leaving it out means something of its own; kv beside cv or
            # a c* table beside equilibrium are choices, not defaults.
            if value is None and "default" not in child.meaning:
                continue
            if child.name == "note":
                continue
            shown_text = "left out" if value is None or value == () else child.text(value)
            yield DefaultUsed(join(path), value, shown_text, child.meaning)
