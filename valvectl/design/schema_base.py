"""What every table of a design file has in common."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict
from pydantic_core import PydanticCustomError


class Part(BaseModel):
    """Base of every table: frozen, no unknown keys, finite numbers."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


SINGLE = "one value stands for a list of one"
"""Mark on a list of quantities that may be written as a single value."""


def refuse(key: str, message: str) -> PydanticCustomError:
    """Error of a table whose keys do not fit together; ``key`` (relative to the table) is the one to look at first."""
    return PydanticCustomError("design", "{text}", {"text": message, "key": key})
