"""The commented design that a new project starts from."""

from __future__ import annotations

import os
import secrets
from importlib import resources
from pathlib import Path as FilePath

from valvectl.design.quantities import visible
from valvectl.errors import DesignError, Fault


def starter_text() -> str:
    """Text of the starter design (TOML, invented demonstration data)."""
    return resources.files("valvectl.design").joinpath("starter.toml").read_text(encoding="utf-8")


STARTERS_NOTE = "Numbers of the starter, invented, until we have put in our own."
"""Beginning of the note that a new design file carries."""
_ASKS = "Say here whose engine this is and where its numbers come from."
_LONGEST_STEM = 60


def project_text(stem: str) -> str:
    """The starter as a new file of somebody's own: called after the file, with a note that asks for the team's words."""
    called = visible(stem, _LONGEST_STEM).replace("\\", "/").replace('"', "'") or "my engine"
    lines = starter_text().splitlines()
    name, note = (next(i for i, line in enumerate(lines) if line.startswith(f"{key} = ")) for key in ("name", "note"))
    lines[name] = f'name = "{called} (numbers of the starter)"   # on every report'
    lines[note] = f'# What a reader should know, on every report too.\nnote = "{STARTERS_NOTE} {_ASKS}"'
    lines[1:3] = [
        "# Change the numbers to yours, and name and note with them. Until then all of it is INVENTED demonstration data: no",
        "# such engine exists, and no number comes from a real part, maker or team.",
    ]
    return "\n".join(lines) + "\n"


def write_starter(path: str | os.PathLike[str]) -> FilePath:
    """Write the starter design to a new file.

    The text goes to a temporary name in the same folder and is then put in place, so that no half file is ever seen.
    Raises ``DesignError`` when the file exists (it is never overwritten), when its folder does not exist, or when it
    can not be written. Returns the path.
    """
    target = FilePath(path)
    name = visible(os.fspath(path), 200)
    exists = Fault("exists already and is not overwritten; choose another name", file=name)
    try:
        if target.is_symlink() or target.exists():
            raise DesignError(exists)
        if not target.parent.is_dir():
            raise DesignError(
                Fault(f"the folder '{visible(str(target.parent), 200)}' does not exist; make it first", file=name)
            )
        temporary = target.with_name(f".starter-{secrets.token_hex(8)}.tmp")
        try:
            with open(temporary, "x", encoding="utf-8", newline="\n") as stream:
                stream.write(project_text(target.stem))
            _put_in_place(temporary, target)
        finally:
            temporary.unlink(missing_ok=True)
    except FileExistsError:
        raise DesignError(exists) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "the name can not be that of a file"
        raise DesignError(Fault(f"can not be written: {reason}", file=name)) from None
    return target


def _put_in_place(temporary: FilePath, target: FilePath) -> None:
    """Move, refusing to replace: a link fails when the target has appeared meanwhile, a rename would not."""
    try:
        os.link(temporary, target)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if target.exists():
            raise FileExistsError(target) from None
        os.rename(temporary, target)
