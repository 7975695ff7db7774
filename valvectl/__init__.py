"""valvectl: throttle-valve actuators and servo loops of a small liquid engine.

``valvectl.load(path)`` reads a design file; the design it returns answers questions: ``check()``, ``ratio(leg)``,
``loop(leg)``, ``resolution()``, ``throttle_run()``. ``valvectl.compare(a, b)`` says what changed between
two. Importing this package is cheap; libraries are loaded when needed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from valvectl.api import Design, compare, load
    from valvectl.errors import DesignError, NoBalanceError, RangeError, SimulationError, ValvectlError

__all__ = [
    "Design",
    "DesignError",
    "NoBalanceError",
    "RangeError",
    "SimulationError",
    "ValvectlError",
    "compare",
    "load",
]
_HOMES = {"Design": "valvectl.api", "compare": "valvectl.api", "load": "valvectl.api"}


def __getattr__(name: str) -> Any:
    if name in __all__:
        from importlib import import_module

        return getattr(import_module(_HOMES.get(name, "valvectl.errors")), name)
    raise AttributeError(f"module 'valvectl' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
