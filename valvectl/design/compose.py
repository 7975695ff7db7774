"""From files to one tree: reading TOML safely, part files, tables taken over with ``same_as``.

A design file may split itself up in two ways, in any table:

``part = "parts/valve-8mm.toml"``
    takes the keys of another file in the design file's folder or below; keys next to it override the part's.
``same_as = "legs.oxidizer.actuator"``
    takes over another table of the design; keys next to it override. Tables merge, lists are replaced.

Every value keeps the file and line where it was written.
"""

from __future__ import annotations

import os
import re
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path as FilePath
from pathlib import PurePosixPath, PureWindowsPath
from typing import Any

from valvectl.design.keys import Path, join, split
from valvectl.design.lines import key_lines
from valvectl.design.quantities import visible
from valvectl.design.scatter import SCATTER
from valvectl.design.toml_words import toml_fault
from valvectl.errors import DesignError, Fault

LARGEST_FILE = 1_000_000
"""Largest size of a design or part file [bytes]."""
DEEPEST = 24
"""Most tables and lists inside each other."""
MOST_VALUES = 100_000
"""Most values of a design once part and same_as are followed."""
LONGEST_CHAIN = 8
"""Most part files inside each other, and most same_as from one to the next."""
MOST_LINKS = 200
"""Most tables with same_as."""
PART, SAME_AS = "part", "same_as"
# tomllib takes time with the square of the parts of a dotted key: look for absurd ones before it does.
_DEEP_KEY = re.compile(
    r"""(?<![^\s.,=\[\]{}#])(?:(?:"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+'|[^\s.,="'\[\]{}#]++)[ \t]*+\.[ \t]*+){40}"""
)
EXTRAS = ("value", "tolerance", "origin", "note", *SCATTER)
"""Keys of a quantity with extras."""


@dataclass(frozen=True, eq=False)
class Node:
    """A value with the place where it was written."""

    value: Any
    """``dict[str, Node]`` for a table, ``list[Node]`` for a list, else the TOML value."""
    file: str
    """File as the user would name it."""
    line: int | None
    """Line, counted from 1."""

    def plain(self) -> Any:
        """The TOML value without places."""
        if isinstance(self.value, dict):
            return {k: n.plain() for k, n in self.value.items()}
        if isinstance(self.value, list):
            return [n.plain() for n in self.value]
        return self.value


@dataclass
class Composed:
    """A design's tree and what went wrong on the way to it."""

    root: Node
    """The whole design."""
    faults: list[Fault] = field(default_factory=list)
    """Faults so far."""
    broken: set[Path] = field(default_factory=set)
    """Tables that lack their part or same_as; what they miss is no further fault."""
    aliases: dict[Path, Path] = field(default_factory=dict)
    """Tables that took over another one."""


def shown(value: Any, longest: int = 60) -> str:
    """A TOML value as messages show it: short, on one line, control characters escaped."""
    if isinstance(value, Node):
        return shown(value.value, longest)
    if isinstance(value, Mapping) and "value" in value:  # a quantity with its tolerance and origin: the quantity
        return shown(value["value"], longest)
    if isinstance(value, Mapping):
        return "a table" if value else "an empty table"
    if isinstance(value, (list, tuple)):
        text = "[" + ", ".join(shown(v, 20) for v in value[:6]) + (", ..." if len(value) > 6 else "") + "]"
    elif isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, int) and value.bit_length() > 400:  # Python refuses to write out very long numbers
        text = f"a whole number of {value.bit_length()} bits"
    elif isinstance(value, str):
        text = '"' + visible(value, longest - 2) + '"'
    else:
        text = str(value) if isinstance(value, (int, float)) else f"a date or time, {value}"
    return text if len(text) <= longest else text[: longest - 3] + "..."


def read_toml(path: FilePath, name: str) -> Node:
    """One TOML file as a tree of nodes.

    Parameters
    ----------
    path : file to read
    name : the file as messages name it

    Raises ``DesignError`` when it is missing, no file, too large, not UTF-8 text or not TOML.
    """
    text = _read_text(path, name)
    if (deep := _DEEP_KEY.search(text)) is not None:
        line = text.count("\n", 0, deep.start()) + 1
        raise DesignError(Fault("a dotted key has too many parts", file=name, line=line))
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DesignError(toml_fault(str(error), text, name)) from None
    except RecursionError:
        raise DesignError(Fault("tables or lists are nested too deeply", file=name)) from None
    except ValueError as error:
        # Whole numbers of more than a few thousand digits; Python's text speaks of its own settings.
        raise DesignError(
            Fault(f"is not valid TOML: a number or date can not be read ({type(error).__name__})", file=name)
        ) from None
    _check_depth(data, name)
    lines = key_lines(text)

    def build(value: Any, at: Path) -> Node:
        if isinstance(value, dict):
            value = {k: build(v, (*at, k)) for k, v in value.items()}
        elif isinstance(value, list):
            value = [build(v, (*at, i)) for i, v in enumerate(value)]
        return Node(value, name, lines.get(at))

    return build(data, ())


def _read_text(path: FilePath, name: str) -> str:
    try:
        about = os.stat(path)
        if not stat.S_ISREG(about.st_mode):
            what = "a folder" if stat.S_ISDIR(about.st_mode) else "a device or pipe"
            raise DesignError(Fault(f"is {what}, not a file", file=name))
        if about.st_size > LARGEST_FILE:
            size = about.st_size / 1e6
            raise DesignError(Fault(f"is too large for a design ({size:.1f} MB); at most 1 MB", file=name))
        with open(path, "rb") as stream:
            raw = stream.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        raise DesignError(Fault("no such file", file=name)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "the name can not be that of a file"
        raise DesignError(Fault(f"can not be read: {reason}", file=name)) from None
    if len(raw) > LARGEST_FILE:
        raise DesignError(Fault("is too large for a design; at most 1 MB", file=name))
    if b"\0" in raw:
        line = raw.count(b"\n", 0, raw.index(b"\0")) + 1
        raise DesignError(Fault("is not a text file (holds NUL bytes)", file=name, line=line))
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise DesignError(Fault("is not UTF-8 text; save it as UTF-8", file=name, line=line)) from None


def _check_depth(data: dict[str, Any], name: str) -> None:
    pending: list[tuple[Any, int]] = [(data, 0)]
    while pending:
        value, depth = pending.pop()
        if depth > DEEPEST:
            raise DesignError(Fault(f"tables or lists are nested too deeply; at most {DEEPEST} levels", file=name))
        inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
        pending.extend((v, depth + 1) for v in inner)


def compose(path: FilePath, name: str) -> Composed:
    """The whole design: the file with its parts and same_as followed. Raises ``DesignError`` for an unreadable file."""
    root = read_toml(path, name)
    work = _Composer(root, path.parent, os.path.dirname(name))
    parted = work.parts(root, (), ())
    work.raw = parted
    work.done.root = work.expand(parted, ())
    return work.done


class _Composer:
    def __init__(self, root: Node, folder: FilePath, folder_name: str) -> None:
        self.folder, self.folder_name, self.main = folder, folder_name, root.file
        self.raw = root
        self.done = Composed(root)
        self.left = MOST_VALUES
        self.cache: dict[str, Node] = {}
        self.known: dict[Path, Node] = {}
        self.active: list[Path] = []

    def _fault(self, message: str, at: Path, node: Node, table: Path) -> None:
        self.done.broken.add(table)
        self.done.faults.append(Fault(message, key=join(at), file=node.file, line=node.line, got=shown(node)))

    def _count(self) -> None:
        self.left -= 1
        if self.left < 0:
            raise DesignError(
                Fault(f"holds more than {MOST_VALUES} values once part and same_as are followed", file=self.main)
            )

    # ------------------------------------------------------------------------------------------------ part files

    def parts(self, node: Node, at: Path, chain: tuple[str, ...]) -> Node:
        """The tree with every ``part`` replaced by what its file says; ``chain`` are the part files around."""
        self._count()
        if isinstance(node.value, list):
            return Node([self.parts(n, (*at, i), chain) for i, n in enumerate(node.value)], node.file, node.line)
        if not isinstance(node.value, dict):
            return node
        own = {k: self.parts(n, (*at, k), chain) for k, n in node.value.items() if k != PART}
        if chain and SAME_AS in own:
            self._fault(
                "same_as may stand in the design file only, not in a part file", (*at, SAME_AS), own[SAME_AS], at
            )
            del own[SAME_AS]
        table = Node(own, node.file, node.line)
        part = node.value.get(PART)
        if part is None:
            return table
        if SAME_AS in own:
            self._fault("give part or same_as, not both", (*at, SAME_AS), own.pop(SAME_AS), at)
        base = self._part(part, at, chain)
        return table if base is None else merge(base, table)

    def _part(self, part: Node, at: Path, chain: tuple[str, ...]) -> Node | None:
        where = (*at, PART)
        text = part.value
        if not isinstance(text, str) or not text.strip():
            self._fault('must be the name of a file, such as "parts/valve-8mm.toml"', where, part, at)
            return None
        rule = "must lie in the folder of the design file or below it"
        pure, windows = PurePosixPath(text), PureWindowsPath(text)
        if pure.is_absolute() or windows.is_absolute() or windows.drive or windows.root:
            self._fault(f"part file {rule}: absolute paths are refused", where, part, at)
            return None
        if ".." in pure.parts or ".." in windows.parts:
            self._fault(f"part file {rule}: '..' is refused", where, part, at)
            return None
        try:
            real = (self.folder / text).resolve()
            inside = real.is_relative_to(self.folder.resolve())
        except (OSError, RuntimeError, ValueError):
            self._fault("can not be the name of a file", where, part, at)
            return None
        if not inside:
            self._fault(f"part file {rule}: this one is a link out of it", where, part, at)
            return None
        key = str(real)
        if key in chain:
            self._fault("part files call each other in a circle", where, part, at)
            return None
        if len(chain) >= LONGEST_CHAIN:
            self._fault(f"part files call each other more than {LONGEST_CHAIN} deep", where, part, at)
            return None
        if key not in self.cache:
            named = os.path.join(self.folder_name, text) if self.folder_name else text
            try:
                self.cache[key] = read_toml(real, visible(named, 200))
            except DesignError as error:
                missing = error.faults[0].message == "no such file"
                if missing:
                    self._fault(f"part file '{visible(named, 200)}' is not there", where, part, at)
                else:
                    self.done.broken.add(at)
                    self.done.faults.extend(error.faults)
                return None
        return self.parts(self.cache[key], at, (*chain, key))

    # --------------------------------------------------------------------------------------------------- same_as

    def expand(self, node: Node, at: Path) -> Node:
        """The tree with every ``same_as`` followed."""
        self._count()
        if isinstance(node.value, list):
            return Node([self.expand(n, (*at, i)) for i, n in enumerate(node.value)], node.file, node.line)
        if not isinstance(node.value, dict):
            return node
        node = self._rewritten(node, at)
        return Node({k: self.expand(n, (*at, k)) for k, n in node.value.items()}, node.file, node.line)

    def _rewritten(self, node: Node, at: Path) -> Node:
        """The table with its own ``same_as`` followed; tables inside it may still hold theirs."""
        if SAME_AS not in node.value:
            return node
        if at in self.known:
            return self.known[at]
        link: Node = node.value[SAME_AS]
        where = (*at, SAME_AS)
        result = Node({k: n for k, n in node.value.items() if k != SAME_AS}, node.file, node.line)
        target = split(link.value) if isinstance(link.value, str) and len(link.value) <= 200 else None
        if target is None:
            self._fault('must name a table of this file, such as "legs.oxidizer.actuator"', where, link, at)
        elif target == at[: len(target)]:
            self._fault("a table can not take over itself or a table around it", where, link, at)
        elif len(self.known) >= MOST_LINKS or len(self.active) >= LONGEST_CHAIN:
            message = f"too many same_as; at most {MOST_LINKS} in all and {LONGEST_CHAIN} from one to the next"
            raise DesignError(Fault(message, key=join(where), file=link.file, line=link.line))
        else:
            self.active.append(at)
            base = self._look_up(target, where, link, at)
            self.active.pop()
            if base is not None:
                self.done.aliases[at] = target
                result = merge(self.expand_copy(base), result)
        self.known[at] = result
        return result

    def expand_copy(self, node: Node) -> Node:
        """Count a table that is taken over, so that tables which double each other end early."""
        self._count()
        inner = (
            node.value.values() if isinstance(node.value, dict) else node.value if isinstance(node.value, list) else ()
        )
        for child in inner:
            self.expand_copy(child)
        return node

    def _look_up(self, target: Path, where: Path, link: Node, table: Path) -> Node | None:
        node = self.raw
        for i in range(len(target) + 1):
            here = target[:i]
            if isinstance(node.value, dict) and SAME_AS in node.value:
                if here in self.active:
                    self._fault("tables take over each other in a circle", where, link, table)
                    return None
                node = self._rewritten(node, here)
            if i == len(target):
                break
            part = target[i]
            inner: Node | None = None
            if isinstance(part, int):
                if isinstance(node.value, list) and part < len(node.value):
                    inner = node.value[part]
            elif isinstance(node.value, dict):
                inner = node.value.get(part)
            if inner is None:
                self._fault(f"there is no table '{join(target[: i + 1])}' in this file", where, link, table)
                return None
            node = inner
        if not isinstance(node.value, dict):
            self._fault("what it names is not a table", where, link, table)
            return None
        # Keys inside the target may take over further tables; the check for circles is the list of active tables.
        if any(a[: len(target)] == target for a in self.active):
            self._fault("tables take over each other in a circle", where, link, table)
            return None
        return self.expand(node, target)


def merge(base: Node, own: Node) -> Node:
    """``own`` laid over ``base``: tables merge key by key, everything else is replaced.

    A quantity's extras follow the value: a new ``value`` drops the old tolerance and origin; extras alone keep it.
    A table that says same_as itself takes nothing from what the table around it took over.
    """
    if not isinstance(own.value, dict):
        return own
    if not isinstance(base.value, dict):
        if own.value and set(own.value) <= set(EXTRAS) - {"value"}:
            return Node({"value": base, **own.value}, own.file, own.line)
        return own
    if "value" in own.value or SAME_AS in own.value:
        return own
    joined = dict(base.value)
    for key, node in own.value.items():
        joined[key] = merge(joined[key], node) if key in joined else node
    return Node(joined, own.file, own.line)
