"""How an input scatters about its value: shape of the distribution, what it shares with others, and from where to where.

Four optional extras beside ``tolerance``: ``distribution``, ``group``, ``correlation``, ``effect``. Without them an input is
drawn evenly between its bounds, independently of all others, once for each engine.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

DISTRIBUTIONS = ("even", "triangular", "normal")
"""Shapes: even and triangular end at the bounds; of a normal one the tolerance is twice the standard deviation."""
EFFECTS = ("systematic", "random")
"""systematic: the same in every run of an engine. random: anew in every run."""
SCATTER = ("distribution", "group", "correlation", "effect")
"""The extras that say how an input scatters."""
PLACED = ("accuracy", "counts", "hold_band", "command_step", "slot_clearance", "lost_motion")
"""Keys that are bounds themselves and scatter without a tolerance: where a ball rests about its command."""


@dataclass(frozen=True)
class Scatter:
    """How one input scatters."""

    distribution: str = "even"
    group: str = ""
    """Inputs of one group move together; empty: on its own."""
    correlation: float = 1.0
    """Correlation with the group's common part, -1 to 1 [-]; two members correlate by the product of theirs."""
    effect: str = "systematic"


def read_scatter(
    extras: Mapping[str, Any], name: str, add: Callable[[str, str], None], values: Callable[[str], Any]
) -> Scatter | None:
    """Scatter of a value from its extras; None when they say nothing. ``add(message, extra)`` notes a fault; ``values`` gives
    the plain value of an extra."""
    given = [key for key in SCATTER if key in extras]
    if not given:
        return None
    if "tolerance" not in extras and name not in PLACED:
        add("without a tolerance there is nothing to scatter; give one beside it", given[0])
        return None
    found: dict[str, Any] = {}
    for key, allowed in (("distribution", DISTRIBUTIONS), ("effect", EFFECTS)):
        if key in extras:
            if values(key) in allowed:
                found[key] = values(key)
            else:
                add("must be one of " + ", ".join(f'"{word}"' for word in allowed), key)
    if "group" in extras:
        group = values("group")
        if isinstance(group, str) and 0 < len(group.strip()) <= 100 and group.isprintable():
            found["group"] = group.strip()
        else:
            add("must be a name of 1 to 100 characters", "group")
    if "correlation" in extras:
        share = values("correlation")
        number = isinstance(share, (int, float)) and not isinstance(share, bool)
        if not number or not math.isfinite(share) or not -1.0 <= share <= 1.0:
            add("must be a number from -1 to 1", "correlation")
        elif "group" not in extras:
            add("says how far an input moves with its group; give the group too", "correlation")
        else:
            found["correlation"] = float(share)
    return Scatter(**found)
