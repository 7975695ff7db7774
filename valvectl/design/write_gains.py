"""Put gains into a design file, which keeps its comments and layout."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from valvectl.design.schema import LegName
from valvectl.errors import DesignError, Fault
from valvectl.parts.controller import CascadeGains

DIGITS = 5
"""Significant digits written."""


def gains_text(gains: CascadeGains) -> dict[str, str]:
    """Gains as the design file writes them."""
    return {
        "position": f"{gains.position:.{DIGITS}g} 1/s",
        "speed": f"{gains.speed:.{DIGITS}g} A s/rad",
        "speed_integral": f"{gains.speed_integral:.{DIGITS}g} 1/s",
        "current": f"{gains.current:.{DIGITS}g} V/A",
        "current_integral": f"{gains.current_integral:.{DIGITS}g} 1/s",
    }


def write_gains(path: Path, gains: Mapping[LegName, CascadeGains], kept: Mapping[LegName, Any]) -> None:
    """Write gains of some legs into a design file.

    ``kept``: what the other legs' gains are now (``"tune"`` or gains), written out where a leg takes its controller over from
    one that is changed (same_as), so that it keeps its own. The file is written to a temporary name and moved; comments stay.
    Raises ``DesignError`` when a controller does not stand in this file.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    file = str(path)
    try:
        document = tomlkit.parse(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, TOMLKitError) as error:
        raise DesignError(Fault(f"can not be read for writing gains: {error}", file=file)) from None
    faults = []
    for name in gains:
        if _table(document, name) is None:
            faults.append(
                Fault(
                    "its controller does not stand in this file (same_as or part of the whole leg); write "
                    f"[legs.{name}.controller.gains] there by hand",
                    key=f"legs.{name}.controller",
                    file=file,
                )
            )
    if faults:
        raise DesignError(faults)
    for name in gains:
        _set(document, name, gains_text(gains[name]))
    for name, value in kept.items():
        controller = _table(document, name)
        if controller is None or "gains" in controller or "same_as" not in controller:
            continue
        _set(document, name, value if isinstance(value, str) else gains_text(value))
    replace_file(path, tomlkit.dumps(document))


def _table(document: Any, name: str) -> Any:
    found = document
    for key in ("legs", name, "controller"):
        if not hasattr(found, "get") or found.get(key) is None:
            return None
        found = found[key]
    return found if hasattr(found, "get") else None


def _set(document: Any, name: str, value: str | dict[str, str]) -> None:
    import tomlkit

    controller = _table(document, name)
    old = controller.get("gains")
    if isinstance(value, dict) and hasattr(old, "get"):  # keep the table and the comments beside its keys
        for key, text in value.items():
            old[key] = text
        return
    if isinstance(value, dict):
        inline = tomlkit.inline_table()
        inline.update(value)
        controller["gains"] = inline
    else:
        controller["gains"] = value


def replace_file(path: Path, text: str) -> None:
    """Write a text file to a temporary name and move it. Raises ``DesignError``."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as out:
            out.write(text)
        os.chmod(name, path.stat().st_mode & 0o777 if path.exists() else 0o644)
        os.replace(name, path)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise DesignError(Fault(f"can not be written: {error.strerror or error}", file=str(path))) from None
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
