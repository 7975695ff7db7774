"""What a file gives, checked for shape: unknown and missing keys, wrong sorts of values, quantities with extras.

Ranges and units are the schema's business (``validate``); here each value is only put in its place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from pydantic_core import PydanticCustomError

from valvectl.design.compose import EXTRAS, Composed, Node, shown
from valvectl.design.keys import ROOT, Path, Spec, join, nearest, unknown_key_text
from valvectl.design.quantities import parse_width
from valvectl.design.scatter import Scatter, read_scatter
from valvectl.design.schema import SCHEMA
from valvectl.errors import Fault

ORIGINS = ("datasheet", "measured", "assumed")
"""Where an input may come from."""


@dataclass(frozen=True)
class Leaf:
    """One value that the file gives, as written."""

    path: Path
    spec: Spec
    node: Node
    """The value, without its extras."""
    origin: str | None = None
    note: str = ""
    width: tuple[float, bool] | tuple[tuple[float, bool], ...] | None = None
    """Tolerance: half-width [SI or, when the second is True, relative to the value]; or a pair an entry of a list."""
    width_text: str = ""
    """Tolerance as written."""
    scatter: Scatter | None = None
    """How it scatters; None when the file does not say."""


@dataclass
class Given:
    """Everything that a file gives."""

    tree: dict[str, Any] = field(default_factory=dict)
    """Plain values in the shape of the schema, for pydantic."""
    leaves: dict[Path, Leaf] = field(default_factory=dict)
    """Every value, in the order of the file."""
    faults: list[Fault] = field(default_factory=list)
    wrong: set[Path] = field(default_factory=set)
    """Paths about which a fault was said already."""
    places: dict[Path, Node] = field(default_factory=dict)
    """Node of every table and value, for lines."""

    def place(self, path: Path) -> tuple[str, int | None]:
        """File and line of a path, or of the nearest table around it."""
        for length in range(len(path), 0, -1):
            node = self.places.get(path[:length])
            if node is not None:
                return node.file, node.line
        return "", None

    def add(self, message: str, path: Path, node: Node | None, got: str | None = None) -> None:
        """Note a fault at a path."""
        file, line = (node.file, node.line) if node is not None else self.place(path)
        text = got if got is not None else (shown(node) if node is not None else "")
        self.wrong.add(path)
        self.faults.append(Fault(message, key=join(path), file=file, line=line, got=text))


def collect(composed: Composed) -> Given:
    """Walk the whole design along the schema."""
    given = Given()
    given.places[()] = composed.root
    _Walker(given, composed).table(composed.root, ROOT, (), given.tree)
    return given


class _Walker:
    def __init__(self, given: Given, composed: Composed) -> None:
        self.given = given
        self.broken = composed.broken | {
            at for at, target in composed.aliases.items() for b in composed.broken if target == b[: len(target)]
        }

    def _is_broken(self, path: Path) -> bool:
        return any(path[:i] in self.broken for i in range(len(path) + 1))

    def table(self, node: Node, spec: Spec, at: Path, out: dict[str, Any]) -> None:
        keys = spec.children
        missing = [] if self._is_broken(at) else [k for k in keys.values() if k.required and k.name not in node.value]
        for name, child in node.value.items():
            path = (*at, name)
            if name not in keys:
                meant = nearest(name, [key.name for key in missing])
                if meant:  # one slip of the pen is one fault
                    missing = [key for key in missing if key.name != meant]
                    self.given.wrong.add((*at, meant))
                    self.given.add(f"unknown key; did you mean '{meant}', which is missing?", path, child)
                    continue
                unused = [key for key in keys if key not in node.value]
                self.given.add(unknown_key_text(name, unused if nearest(name, unused) else keys), path, child)
                continue
            self.given.places[path] = child
            self.value(child, keys[name], path, out)
        for key in missing:
            self._missing(key, (*at, key.name), node)

    def _missing(self, key: Spec, path: Path, table: Node) -> None:
        if path == ("schema",):
            message = f'key is missing: the first line of a design file is schema = "{SCHEMA}"'
        elif key.form == "table" and not key.choices and not key.depth:
            message = f"table is missing: {key.meaning}"
        else:
            message = f"key is missing: {key.meaning}; for example {key.name} = {key.example()}"
        self.given.wrong.add(path)
        line = table.line if len(path) > 1 else None
        self.given.faults.append(Fault(message, key=join(path), file=table.file, line=line))

    def value(self, node: Node, spec: Spec, path: Path, out: dict[str, Any]) -> None:
        if spec.form == "table":
            self._tables(node, spec, path, out)
            return
        leaf = self._leaf(node, spec, path)
        if leaf is None or not self._shape(leaf.node, spec, path, spec.depth):
            return
        self.given.leaves[path] = leaf
        out[spec.name] = leaf.node.plain()

    def _tables(self, node: Node, spec: Spec, path: Path, out: dict[str, Any]) -> None:
        if spec.choices and isinstance(node.value, str):
            if node.value not in spec.choices:
                self.given.add(f"must be {spec.expected()}", path, node)
                return
            self.given.leaves[path] = Leaf(path, spec, node)
            out[spec.name] = node.value
        elif spec.depth:
            if not isinstance(node.value, list):
                self.given.add(f"must be {spec.expected()}", path, node)
                return
            items: list[Any] = []
            for i, item in enumerate(node.value):
                self.given.places[(*path, i)] = item
                items.append({})
                if isinstance(item.value, dict):
                    self.table(item, spec, (*path, i), items[-1])
                else:
                    names = ", ".join(spec.children)
                    self.given.add(f"must be a table with the keys {names}", (*path, i), item)
            out[spec.name] = items
        elif isinstance(node.value, dict):
            out[spec.name] = {}
            self.table(node, spec, path, out[spec.name])
        else:
            self.given.add(f"must be {spec.expected()}", path, node)

    def _leaf(self, node: Node, spec: Spec, path: Path) -> Leaf | None:
        """The value apart from its extras; None after a fault that leaves no value."""
        if not isinstance(node.value, dict):
            return Leaf(path, spec, node)
        extras: Mapping[str, Node] = node.value
        if "value" not in extras and not set(extras) & set(EXTRAS):
            self.given.add(f"must be {spec.expected()}, not a table", path, node)
            return None
        for name, child in extras.items():
            if name not in EXTRAS:
                self.given.add(unknown_key_text(name, EXTRAS), (*path, name), child)
        if "value" not in extras:
            self.given.add(f"value is missing: {spec.meaning}; for example value = {spec.example()}", path, node)
            return None
        origin, note = self._word(extras, "origin", path), self._word(extras, "note", path)
        width = None
        tolerance = extras.get("tolerance")
        if tolerance is not None:
            width = self._width(tolerance, spec, (*path, "tolerance"))
        text = "" if tolerance is None else shown(tolerance).strip('"')
        scatter = read_scatter(
            extras,
            spec.name,
            lambda message, key: self.given.add(message, (*path, key), extras[key]),
            lambda key: extras[key].plain(),
        )
        return Leaf(path, spec, extras["value"], origin or None, note, width, text, scatter)

    def _word(self, extras: Mapping[str, Node], name: str, path: Path) -> str:
        node = extras.get(name)
        if node is None:
            return ""
        if not isinstance(node.value, str) or len(node.value) > 4000:
            self.given.add("must be text of at most 4000 characters", (*path, name), node)
        elif name == "origin" and node.value not in ORIGINS:
            self.given.add('must be one of "datasheet", "measured", "assumed"', (*path, name), node)
        else:
            return node.value
        return ""

    def _width(self, node: Node, spec: Spec, path: Path) -> tuple[float, bool] | tuple[tuple[float, bool], ...] | None:
        if spec.kind is None:
            self.given.add("only a quantity has a tolerance", path, node)
            return None
        if isinstance(node.value, list):
            return self._widths(node, spec, path)
        try:
            width = parse_width(node.value, spec.kind)
        except PydanticCustomError as error:
            self.given.add(error.message(), path, node)
            return None
        if spec.depth and not width[1]:
            message = 'one tolerance for a whole list is relative, such as "2 %"; widths are written one for each entry'
            self.given.add(message, path, node)
            return None
        return width

    def _widths(self, node: Node, spec: Spec, path: Path) -> tuple[tuple[float, bool], ...] | None:
        """A tolerance for each entry of a list; entries without one are zero."""
        if spec.depth != 1:
            what = (
                "a table of rows and columns has one, relative tolerance"
                if spec.depth
                else "one value has one tolerance"
            )
            self.given.add(f"{what}, no list", path, node)
            return None
        assert spec.kind is not None
        widths = []
        for i, item in enumerate(node.value):
            try:
                widths.append(parse_width(item.value, spec.kind, zero=True))
            except PydanticCustomError as error:
                self.given.add(error.message(), (*path, i), item)
        if len(widths) < len(node.value):
            return None
        if not any(width for width, _ in widths):
            self.given.add("at least one entry must be above zero", path, node)
            return None
        return tuple(widths)

    def _shape(self, node: Node, spec: Spec, path: Path, depth: int) -> bool:
        value = node.value
        if depth and spec.single and not isinstance(value, list):
            depth = 0  # one value for the whole list
        if depth:
            if not isinstance(value, list):
                self.given.add(f"must be {spec.expected()}", path, node)
                return False
            good = True
            for i, item in enumerate(value):
                self.given.places[(*path, i)] = item
                good &= self._shape(item, spec, (*path, i), depth - 1)
            return good
        whole = isinstance(value, int) and not isinstance(value, bool)
        sort = {
            "count": whole,
            "switch": isinstance(value, bool),
            "text": isinstance(value, str),
            "choice": isinstance(value, str) and value in spec.choices,
            "quantity": isinstance(value, (str, float)) or whole,
        }[spec.form]
        if not sort and spec.name == "schema":
            self.given.add(f'is a layout that this version of valvectl does not know; it reads "{SCHEMA}"', path, node)
        elif not sort and isinstance(value, dict) and spec.depth:
            self.given.add("extras stand on the whole list: { value = [ ... ], tolerance = ... }", path, node)
        elif not sort:
            self.given.add(f"must be {spec.expected()}", path, node)
        elif spec.form == "count" and abs(value) >= 2**63:
            self.given.add("is too large a number", path, node)
            return False
        return sort
