"""What ``loop --equations`` prints: the controller's difference equations with their numbers; and its gains in a sentence."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import indented
from valvectl.review.wording import gains_words, number

if TYPE_CHECKING:
    from valvectl.parts.controller import CascadeGains
    from valvectl.studies.equations import ControllerEquations

LEGEND = (
    "Angles and speeds are those of the stem [rad, rad/s], currents [A], voltages [V]; stem and motor are the sensors' "
    "angles. clip(x, m) holds x within plus or minus m; floor rounds down. A name keeps its value until the next sample "
    "of its loop. Each block runs from top to bottom at each sample."
)


def equations(result: ControllerEquations, out: Console) -> None:
    """Print the difference equations of a leg."""
    out.print(Text(f"Difference equations, {result.leg} leg, structure {result.structure}", style="bold"))
    out.print(Text(LEGEND))
    for loop in result.shown:
        out.print()
        when = f"every {number(1e3 * loop.period)} ms"
        if loop.loop != "command":
            when += f", output in force {number(1e3 * loop.delay)} ms after its sample"
        out.print(Text(f"{loop.loop.capitalize()}: {when}; reads {loop.reads}, gives {loop.gives}"))
        for line in loop.lines:
            out.print(indented(line))
    out.print()


def gains(found: CascadeGains, tuned: bool, bandwidth: float, out: Console) -> None:
    """Print the gains in use and the closed loop's bandwidth [rad/s]."""
    source = "tuned here" if tuned else "from the design file"
    out.print(f"Gains, {source}: {gains_words(found)}. Bandwidth {number(bandwidth / (2.0 * math.pi), 3)} Hz.")
