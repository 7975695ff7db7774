"""Tables and sentences of the report on torque: demand by kind, corners, moves, every rule side by side."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.studies.torque_result import TorqueResult

Made = tuple[str, tuple[str, ...], tuple[tuple[str, ...], ...]]
"""Caption, head and rows of a table."""


def _percent(margin: float) -> str:
    return number(100.0 * margin, 3, "none" if math.isnan(margin) else "no limit")


def tables(result: TorqueResult) -> Iterator[Made]:
    """Tables of one leg; none for a result without corners."""
    if not result.corners:
        return
    leg = result.leg
    yield (
        f"{leg} leg: largest torques at named corners [N m], each with all of those above it",
        (
            "corner", "pressure [bar]", "break to open", "run to open", "break to close", "run to close", "available",
            "static margin [%]", "over the rule [%]",
        ),
        tuple(
            (
                corner.name,
                number(corner.pressure_drop / 1e5, 3),
                *(
                    number(float(column[way].max()), 3)
                    for way in corner.breakaway
                    for column in (corner.breakaway, corner.running)
                ),
                number(corner.available, 3),
                _percent(corner.margin),
                _percent(corner.rule_margin),
            )
            for corner in result.corners
        ),
    )  # fmt: skip
    for judged in (result.stem, result.shaft):
        if judged is None:
            continue
        scale, unit = (1.0, "N m") if judged.place == "stem" else (1e3, "mN m")
        side = "after the gears" if judged.place == "stem" else "before the gears"
        found = judged.result
        yield (
            f"{leg} leg at the {judged.place}, {side}, {judged.direction} at {number(math.degrees(judged.angle), 3)}°: "
            f"{number(scale * found.available)} {unit} available, {number(scale * found.required)} {unit} asked by "
            f"{found.rule.name}, margin over that {_percent(found.margin)} %",
            ("torque", "kind", "by", f"bare [{unit}]", "factor [-]", f"asked [{unit}]"),
            tuple(
                (
                    share.name,
                    share.kind,
                    "measured" if share.measured else "estimated",
                    number(scale * share.bare),
                    number(share.factor, 3),
                    number(scale * share.required),
                )
                for share in found.shares
            ),
        )
    if result.moves:
        yield (
            f"{leg} leg: commanded moves, torques at the stem [N m]",
            ("move", "speed [deg/s]", "of acceleration", "resisting", "available", "dynamic margin [%]"),
            tuple(
                (
                    move.what,
                    number(math.degrees(move.speed), 3),
                    number(move.accelerating, 3),
                    number(move.resisting, 3),
                    number(move.available, 3),
                    _percent(move.margin),
                )
                for move in result.moves
            ),
        )
    if result.rules:
        yield (
            f"{leg} leg: the same valve by every rule",
            ("rule", "clause", "how sure", "asks at the stem [N m]", "stem [%]", "shaft [%]", "verdict"),
            tuple(
                (
                    rule.name + (" (in force)" if rule.in_force else ""),
                    rule.clause,
                    rule.certainty,
                    number(rule.required, 3),
                    _percent(rule.stem_margin),
                    _percent(rule.shaft_margin),
                    "met" if rule.met else "missed",
                )
                for rule in result.rules
            ),
        )


def notes(result: TorqueResult) -> Iterator[str]:
    """What was assumed for one leg, and what to beware of."""
    for text in (*result.assumptions, *result.cautions):
        yield f"{result.leg} leg: {text}."
