"""Write a changed copy of a design file; comments and layout stay.

Each value is put where it stands, a list item too. Where a leg takes a table over from another (``same_as``) and would get a
value of its own, the key is put beside ``same_as``. At the end the copy is read again and must be the design that was meant,
value for value; else nothing is left behind.
"""

from __future__ import annotations

import copy
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from valvectl.design.design_file import DesignFile
from valvectl.design.keys import find, split
from valvectl.design.load import read_design
from valvectl.design.write_gains import replace_file
from valvectl.errors import DesignError, Fault

ROUNDS = 4
"""First what stands in the file, then what a leg does not take over, then what it took over and should not have."""


def write_values(design: DesignFile, changes: Mapping[str, Any], to: Path) -> None:
    """Write the file of ``design`` with ``changes`` to ``to``: dotted key to a text or number as in the file.

    Raises ``DesignError`` when the design was not read from a file, when ``to`` is that file, and when a value has no place in
    it (a part file, a list taken over): those are to be written by hand.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    if design.path is None:
        raise DesignError(Fault("the design was not read from a file; there is nothing to copy"))
    source = Path(design.path)
    if to.resolve() == source.resolve():
        raise DesignError(Fault("is the design file itself; name another one for the changed copy", file=str(to)))
    if to.exists():
        raise DesignError(Fault("is there already; name a new file for the changed copy", file=str(to)))
    if to.parent.resolve() != source.parent.resolve() and "part" in source.read_text(encoding="utf-8"):
        used = {i.file for i in design.inputs.values() if i.file and Path(i.file).resolve() != source.resolve()}
        if used:
            raise DesignError(
                Fault("part files are named relative to the design: write the copy beside it", file=str(to))
            )
    try:
        document = tomlkit.parse(source.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, TOMLKitError) as error:
        raise DesignError(Fault(f"can not be read for a changed copy: {error}", file=str(source))) from None
    wanted = design.with_values(dict(changes))
    todo = [key for key in changes if _stands(document, key)]
    for _ in range(ROUNDS):
        lost = [k for k in todo if not _put(document, k, changes[k] if k in changes else _as_written(wanted, k))]
        text = tomlkit.dumps(document)
        todo = lost or _differences(text, to, wanted, changes)
        if not todo:
            replace_file(to, text)
            return
        if lost:
            break
    raise DesignError(
        [Fault("has no place in this file (part file, or taken over by same_as); write it by hand", key=k, file=str(source))
         for k in todo]
    )  # fmt: skip


def _differences(text: str, to: Path, wanted: DesignFile, changes: Mapping[str, Any]) -> list[str]:
    """Keys in which the text, read as a design beside ``to``, is not the design wanted."""
    try:
        handle, name = tempfile.mkstemp(dir=to.parent, prefix=".valvectl-", suffix=".toml")
    except OSError as error:
        raise DesignError(Fault(f"can not be written: {error.strerror or error}", file=str(to))) from None
    place = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as out:
            out.write(text)
        found = read_design(place)
    except DesignError:
        return list(changes)  # not whole yet: some values go together
    finally:
        place.unlink(missing_ok=True)
    if found.input_hash == wanted.input_hash:
        return []
    keys = [*changes, *(k for k in wanted.inputs if k not in changes)]
    return [k for k in keys if _value(found, k) != _value(wanted, k)] or list(changes)


def _as_written(design: DesignFile, key: str) -> Any:
    """A value as the file would have it."""
    value = design.get(key)
    spec = find(split(key) or ())
    return spec.text(value) if spec is not None and spec.kind is not None and not spec.kind.plain else value


def _value(design: DesignFile, key: str) -> Any:
    try:
        return design.get(key)
    except DesignError:
        return None


def _stands(document: Any, key: str) -> bool:
    """Whether a key stands in the file, or would be new in a table that takes nothing over."""
    at, borrows = document, False
    for part in split(key) or ():
        if hasattr(at, "get"):
            borrows = borrows or "same_as" in at
            at = at.get(part)
        elif isinstance(at, list) and isinstance(part, int):
            at = at[part] if part < len(at) else None
        else:
            return True  # a word where a table will stand
        if at is None:
            return not borrows
    return True


def _put(document: Any, key: str, value: Any) -> bool:
    """Put one value in its place; False when there is none."""
    import tomlkit

    path = split(key)
    assert path is not None
    at = document
    for depth, part in enumerate(path[:-1]):
        if isinstance(part, int):
            if part >= len(at):
                return False
            at = at[part]
            continue
        found = at.get(part) if hasattr(at, "get") else None
        if found is None and isinstance(path[depth + 1], int):
            found = _borrowed(document, path[:depth], str(part))
            if found is None:
                return False
            at[part] = found
            found = at[part]
        if found is None or not (hasattr(found, "get") or isinstance(found, list)):
            # a word stands there (gains = "tune"), or nothing: an inline table of its own
            if not _may_grow(document, path[:depth]):
                return False
            at[part] = tomlkit.inline_table()
            found = at[part]
        at = found
    last = path[-1]
    old = at[last] if isinstance(last, int) else at.get(last)
    if hasattr(old, "get"):  # { value = ..., tolerance = ..., origin = ... }: the rest stays
        old["value"] = value
    else:
        at[last] = value
    return True


def _may_grow(document: Any, path: tuple[str | int, ...]) -> bool:
    """Whether the table at a path stands in this file, so that a key put into it counts."""
    at = document
    for part in path:
        if hasattr(at, "get"):
            at = at.get(part)
        elif isinstance(at, list) and isinstance(part, int) and part < len(at):
            at = at[part]
        else:
            return False
        if at is None:
            return False
    return True


def _borrowed(document: Any, path: tuple[str | int, ...], name: str) -> Any:
    """A copy of a list that the table at ``path`` takes over by ``same_as``; None where it does not."""
    at = document
    for _ in range(8):
        for part in path:
            at = at.get(part) if hasattr(at, "get") else None
        if at is None:
            return None
        if at.get(name) is not None:
            return copy.deepcopy(at[name])
        other = at.get("same_as")
        path = split(str(other)) or () if other is not None else ()
        if not path:
            return None
        at = document
    return None
