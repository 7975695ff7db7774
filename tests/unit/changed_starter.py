"""The starter design with some of its text changed, for tests of what is said about it."""

from __future__ import annotations

from pathlib import Path

from valvectl.design.starter import starter_text


def changed_starter(folder: Path, *changes: tuple[str, str]) -> Path:
    """``design.toml`` in a folder: the starter with each text replaced once by another; each must be there."""
    text = starter_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = folder / "design.toml"
    path.write_text(text, encoding="utf-8")
    return path
