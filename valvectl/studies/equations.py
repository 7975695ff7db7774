"""The difference equations of a leg's controller, with its numbers, as a result."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from valvectl.design.schema import LegName
from valvectl.parts.controller import CascadeGains
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.equations import LoopEquations, equations, structure_name
from valvectl.studies.result import Result

EXACT = 17
"""Significant digits with which a number is written so that reading it gives the same number back."""


@dataclass(frozen=True)
class ControllerEquations(Result):
    """What a leg's controller works out at each sample."""

    leg: LegName
    structure: str
    """cascade, pid or state_feedback."""
    loops: tuple[LoopEquations, ...]
    """Outermost first; numbers exact."""
    shown: tuple[LoopEquations, ...] = field(repr=False)
    """The same with six digits, to read."""

    def columns(self) -> dict[str, Any]:
        rows = [(loop, line) for loop in self.loops for line in loop.lines]
        return {
            "loop": [loop.loop for loop, _ in rows],
            "period [ms]": [1e3 * loop.period for loop, _ in rows],
            "delay [ms]": [1e3 * loop.delay for loop, _ in rows],
            "equation": [line for _, line in rows],
        }


def controller_equations(leg: LegName, servo: Servo, gains: CascadeGains) -> ControllerEquations:
    """Difference equations of a servo with its gains."""
    return ControllerEquations(leg, structure_name(servo), equations(servo, gains, EXACT), equations(servo, gains))
