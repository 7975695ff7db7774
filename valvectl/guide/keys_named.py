"""Which key of the design file a piece of text names: in full, or from ``legs.X`` or ``legs.X.actuator`` on."""

from __future__ import annotations

import re

from valvectl.design.keys import ROOT, find, split

_DOTTED = re.compile(r"^[a-z_]+(?:\[[0-9]+\])?(?:\.[A-Za-z_]+(?:\[[0-9]+\])?)+$")
_FILE = re.compile(r"\.(toml|json|html|csv|svg|png|pdf|py|md|tex|txt)$")
_OTHERS = ("valvectl.", "design.", "studies.")
"""Beginnings of dotted names that are Python's or of ``review.json``."""
_STARTS = ("", "legs.X.", "legs.X.actuator.")


def looks_like_key(text: str) -> bool:
    """True for what can only be meant as a dotted key."""
    return bool(_DOTTED.match(text)) and not _FILE.search(text) and not text.startswith(_OTHERS)


def full_key(text: str) -> str | None:
    """The key in full, without list positions and with ``legs.X`` for either leg; None when the schema has no such key."""
    bare = re.sub(r"\[[0-9]+\]", "", text)
    bare = re.sub(r"^legs\.(oxidizer|fuel|X|LEG)\b", "legs.X", bare)
    for start in _STARTS:
        path = split((start + bare).replace("legs.X", "legs.fuel"))
        if path and find(path) is not None:
            return start + bare
    if "." not in text and "requirements" in ROOT.children and text in ROOT.children["requirements"].children:
        return f"requirements.{text}"
    return None
