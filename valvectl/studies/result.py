"""What every study's result can do: become a table, a dictionary, a display in a notebook."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pandas


def plain(value: Any) -> Any:
    """The same as numbers, texts, lists and dictionaries only; not-finite numbers become None, complex ones pairs."""
    if type(value) is float:  # by far the most common
        return value if math.isfinite(value) else None
    if isinstance(value, Result):
        return value.to_dict()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value) if f.repr}
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        if value.dtype.kind == "f" and bool(np.isfinite(value).all()):
            return value.tolist()
        return plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, complex):
        return [plain(value.real), plain(value.imag)]
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    if value is None or isinstance(value, str):
        return value
    return str(value)


class Result:
    """Base of the frozen results. Fields marked ``repr=False`` are working data and stay out of ``to_dict``."""

    def columns(self) -> dict[str, Any]:
        """The result's table: column name with unit -> values, all of one length."""
        raise TypeError(f"{type(self).__name__} has no table")

    def to_frame(self) -> pandas.DataFrame:
        """The result's table; column names carry the unit in brackets."""
        import pandas

        return pandas.DataFrame(self.columns())

    def to_dict(self) -> dict[str, Any]:
        """All fields as plain numbers, texts, lists and dictionaries, SI units."""
        assert dataclasses.is_dataclass(self)
        return {f.name: plain(getattr(self, f.name)) for f in dataclasses.fields(self) if f.repr}

    def _repr_html_(self) -> str:
        html = self.to_frame()._repr_html_()  # type: ignore[operator]
        return str(html)
