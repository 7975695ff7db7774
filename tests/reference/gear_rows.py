"""What the outside checks of gears share: short rows of data, and the tip of an unshifted gear."""

from __future__ import annotations

import pytest
from outside import Certainty, OutsideCheck

from valvectl.parts import gear_teeth

A = gear_teeth.PRESSURE_ANGLE
TEXT = "any text on gears; by hand"
SHIGLEY = "Shigley & Mischke, Mechanical Engineering Design, spur gears"


def row(
    name: str,
    what: str,
    expected: float,
    unit: str,
    tolerance: float,
    source: str,
    certainty: Certainty,
    got: float,
    absolute: bool = False,
) -> tuple[OutsideCheck, float]:
    return OutsideCheck(name, what, expected, unit, tolerance, source, certainty, absolute), got


def run(rows: list[tuple[OutsideCheck, float]]) -> pytest.MarkDecorator:
    return pytest.mark.parametrize(("check", "got"), rows, ids=[check.id for check, _ in rows])


def tip_angle(teeth: float, shift: float = 0.0, addendum: float = 1.0, alpha: float = A) -> float:
    tip = gear_teeth.tip_diameter(1.0, teeth, shift, addendum, 0.0)
    return gear_teeth.angle_at(tip, gear_teeth.base_diameter(1.0, teeth, alpha))
