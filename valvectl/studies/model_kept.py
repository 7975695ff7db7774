"""The plant by symbols from the cache: computer algebra takes seconds, and a design's formulas and numbers do not change.

Kept under the design's inputs, the versions of SymPy and this program, and a digest of every source that takes part.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from valvectl.parts.cache import cached
from valvectl.plant.machine import Machine
from valvectl.studies.model import Compared, ModelResult, model

_SOURCES = ("parts/*.py", "plant/*.py", "studies/model.py")


def _digest() -> str:
    package = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256()
    for pattern in _SOURCES:
        for path in sorted(package.glob(pattern)):
            digest.update(path.name.encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()[:24]


def kept_model(machine: Machine, throttle: float, inputs: str) -> ModelResult:
    """The result of ``model``, without its SymPy objects. ``inputs``: digest of all values of the design."""
    key = {"inputs": inputs, "throttle": throttle, "source": _digest()}
    return _read(cached("model", key, lambda: _plain(model(machine, throttle)), libraries=("sympy",)))


def _plain(result: ModelResult) -> dict[str, Any]:
    return {
        "throttle": result.throttle,
        "rows": [[r.what, r.leg, r.symbolic, r.program, r.unit, r.difference] for r in result.rows],
        "choked": dict(result.choked),
        "equations": [list(pair) for pair in result.equations],
        "values": result.values,
        "off": dict(result.linear_model_off),
        "mathml": [list(pair) for pair in result.mathml],
    }


def _read(kept: dict[str, Any]) -> ModelResult:
    return ModelResult(
        throttle=kept["throttle"],
        rows=tuple(Compared(*row) for row in kept["rows"]),
        choked=kept["choked"],
        equations=tuple((name, text) for name, text in kept["equations"]),
        values=kept["values"],
        linear_model_off=kept["off"],
        formulas=(),
        mathml=tuple((name, text) for name, text in kept["mathml"]),
    )
