"""Tolerances beside their values: one of a value, one relative for a whole list, or one for each entry of a list."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import ValidationError

from valvectl.design.given import Leaf
from valvectl.design.keys import Path
from valvectl.design.schema import DesignData
from valvectl.design.validate import lookup

Tolerance = float | tuple[float, ...]
"""Half-width [SI or relative]: one, or one for each entry of a list."""


def tolerance_of(leaf: Leaf, value: float | tuple[float, ...]) -> tuple[Tolerance | None, bool, str]:
    """Tolerance of a leaf beside its value [SI]: half-width or one an entry, whether relative, and what is wrong with it.

    A share of a single value becomes a width. A list keeps shares; where shares and widths are mixed, all become widths.
    """
    width = leaf.width
    if width is None:
        return None, False, ""
    if isinstance(width[0], tuple):
        pairs: tuple[tuple[float, bool], ...] = width  # type: ignore[assignment]
        values = value if isinstance(value, tuple) else (value,)
        if len(pairs) != len(values):
            return None, False, f"needs one entry for each of the {len(values)} values (now {len(pairs)})"
        if all(share for w, share in pairs if w > 0.0):
            return tuple(w for w, _ in pairs), True, ""
        return tuple(w * abs(v) if share else w for (w, share), v in zip(pairs, values, strict=True)), False, ""
    single, relative = float(width[0]), bool(width[1])
    if relative and not leaf.spec.depth:
        assert isinstance(value, (int, float))
        message = "a share of zero is no tolerance; write a width in the unit of the key" if value == 0.0 else ""
        return single * abs(value), False, message or _beyond(leaf, value, single * abs(value))
    return single, relative, "" if relative or isinstance(value, tuple) else _beyond(leaf, float(value), single)


def _beyond(leaf: Leaf, value: float, width: float) -> str:
    """What is wrong with a tolerance that takes its value to or below what the key has to be above; empty when nothing is."""
    floor = max((limit for name, limit in leaf.spec.limits if name == "gt"), default=None)
    if floor is None or value - width > floor:
        return ""
    return f"is too wide: the value less its tolerance is not above {leaf.spec.limit_text(floor)}"


def bounds_of(
    name: str, values: Sequence[float], tolerance: Tolerance, relative: bool, sign: float
) -> tuple[float, ...]:
    """Entries of a list at their upper (+1) or lower (-1) bounds [SI], or a share of the way there, all on the same side.

    FL is held at one, and a flow coefficient at zero. ``name`` is the last part of the key.
    """
    each = tolerance if isinstance(tolerance, tuple) else (tolerance,) * len(values)
    moved = [
        float(v) * (1.0 + sign * w) if relative else float(v) + sign * w for v, w in zip(values, each, strict=True)
    ]
    if name == "fl":
        return tuple(min(v, 1.0) for v in moved)
    return tuple(max(v, 0.0) for v in moved) if name in ("kv", "cv") else tuple(moved)


def misfit(data: DesignData, path: Path, values: Sequence[float], tolerance: Tolerance, relative: bool) -> str:
    """Why a list with all entries at their lower, or all at their upper bounds, would be no valid list; empty when valid."""
    table = lookup(data, path[:-1])
    name = str(path[-1])
    fields = {key: getattr(table, key) for key in table.model_fields_set}
    for sign, side in ((-1, "lower"), (1, "upper")):
        fields[name] = bounds_of(name, values, tolerance, relative, sign)
        try:
            type(table).model_validate(fields, context={"si": True})
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            said = first.get("ctx", {}).get("text", first["msg"])
            return f"with every entry at its {side} bound the list would not do: {said}"
    return ""
