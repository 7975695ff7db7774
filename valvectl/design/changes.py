"""Changes of a design written as text, ``key=value``, as the command line takes them: units as in the file."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from typing import Any

from pydantic_core import PydanticCustomError

from valvectl.design.keys import Spec, find, no_such_key, split
from valvectl.design.quantities import STANDARD_ATMOSPHERE, parse, visible
from valvectl.errors import DesignError, Fault


def read_changes(texts: Sequence[str], ambient: float = STANDARD_ATMOSPHERE) -> dict[str, Any]:
    """Dotted key to new value [SI], for ``DesignFile.with_values``.

    Each text is ``key=value``; the value is written as in a design file, the quotes of a text may be left out, and a list is
    a TOML list. ``ambient``: pressure from which gauge pressures count [Pa]. Raises ``DesignError`` with every fault.
    """
    changes: dict[str, Any] = {}
    faults: list[Fault] = []
    for text in texts:
        key, equals, raw = (part.strip() for part in text.partition("="))
        if not equals or not key or not raw:
            faults.append(Fault('must be written "key=value", such as "engine.thrust=2.2 kN"', key=visible(text)))
            continue
        path = split(key)
        spec = find(path) if path else None
        if spec is None:
            error = no_such_key(key)
            assert isinstance(error, DesignError)
            faults.extend(error.faults)
            continue
        try:
            changes[key] = _value(spec, raw, ambient, any(isinstance(p, int) for p in (path or ())[-1:]))
        except PydanticCustomError as error:
            faults.append(Fault(error.message(), key=key, got=visible(raw)))
        except ValueError:
            faults.append(Fault(f"must be {spec.expected()}", key=key, got=visible(raw)))
    if faults:
        raise DesignError(faults)
    return changes


def _value(spec: Spec, raw: str, ambient: float, item: bool) -> Any:
    """Value of one key from its text; ``item`` when the key names an item of a list."""
    if raw.startswith(("[", "{", '"', "'")):
        return _inside(spec, _toml(raw), ambient)
    if spec.depth and not item and not spec.single:
        raise ValueError(raw)
    return _inside(spec, raw, ambient)


def _inside(spec: Spec, raw: Any, ambient: float) -> Any:
    if isinstance(raw, list):
        return [_inside(spec, part, ambient) for part in raw]
    if spec.form == "quantity":
        assert spec.kind is not None
        if isinstance(raw, str) and spec.kind.plain:
            try:
                raw = float(raw)
            except ValueError:
                pass
        return parse(raw, spec.kind, ambient)
    if spec.form == "count":
        return int(raw)
    if spec.form == "switch":
        if str(raw).lower() not in ("true", "false"):
            raise ValueError(raw)
        return str(raw).lower() == "true"
    return raw


def _toml(raw: str) -> Any:
    try:
        return tomllib.loads(f"value = {raw}")["value"]
    except tomllib.TOMLDecodeError as error:
        raise ValueError(raw) from error
