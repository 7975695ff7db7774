"""Tables of the torque study: the demand by kind, the corners, the moves, every rule side by side."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import said, table
from valvectl.review.wording import number
from valvectl.studies.torque_demand import DIRECTIONS

if TYPE_CHECKING:
    from valvectl.studies.torque_result import Judged, TorqueResult


def percent(margin: float) -> str:
    """A margin in per cent; words where it is no number."""
    if math.isnan(margin):
        return "none"
    return f"{100.0 * margin:.0f}" if math.isfinite(margin) else "no limit"


def _demand(judged: Judged, out: Console) -> None:
    scale, unit = (1.0, "N m") if judged.place == "stem" else (1e3, "mN m")
    found = judged.result
    rows = [
        [
            share.name,
            share.kind,
            "measured" if share.measured else "estimated",
            number(scale * share.bare, 4),
            number(share.factor, 3),
            number(scale * share.required, 4),
        ]
        for share in found.shares
    ]
    where = f"{judged.direction}, {math.degrees(judged.angle):.0f} deg"
    rows.append([where, "", "", number(scale * found.resisting, 4), "", number(scale * found.required, 4)])
    rows.append(["available", "", "", "", "", number(scale * found.available, 4)])
    head = ("torque", "kind", "by", f"bare [{unit}]", "factor", f"asked [{unit}]")
    place = "At the stem, after the gears" if judged.place == "stem" else "At the motor shaft, before the gears"
    out.print(table(head, rows, left=3, title=f"{place}: margin {percent(found.margin)} % over what the rule asks"))
    out.print()


def torque(result: TorqueResult, out: Console) -> None:
    """Print a result of ``torque``."""
    rule = "no rule can be applied" if result.rule is None or result.refused else result.rule.name
    out.print(Text(f"Torque, {result.leg} leg, rule: {rule}", style="bold"))
    rows = [
        [
            corner.name,
            number(corner.pressure_drop / 1e5, 3),
            *(
                number(float(column[way].max()), 3)
                for way in DIRECTIONS
                for column in (corner.breakaway, corner.running)
            ),
            number(corner.available, 3),
            percent(corner.margin),
            percent(corner.rule_margin),
        ]
        for corner in result.corners
    ]
    head = ("corner", "dp [bar]", "break", "run", "break", "run", "have", "static [%]", "rule [%]")
    title = "Largest torques [N m]: opening, then closing; margin over need and over rule"
    out.print(table(head, rows, title=title))
    if result.corners:
        heads = ("corner", *(name.replace(" to ", " to\n") for name in result.corners[0].at_ends))
        rows = [[corner.name, *(number(v, 3) for v in corner.at_ends.values())] for corner in result.corners]
        out.print(table(heads, rows, title="Torque [N m] at the stops and between them"))
    out.print(
        Text(
            f"Actuator on its worst day: {number(result.current, 3)} A at {number(result.bus_voltage, 3)} V, hot winding, "
            f"static gear efficiency: {number(result.available, 4)} N m at the stem."
        )
    )
    out.print()
    for judged in (result.stem, result.shaft):
        if judged is not None:
            _demand(judged, out)
    if result.moves:
        rows = [
            [
                move.what,
                f"{math.degrees(move.speed):.0f}",
                number(move.accelerating, 3),
                number(move.resisting, 3),
                number(move.available, 3),
                percent(move.margin),
            ]
            for move in result.moves[:4]
        ]
        columns = ("commanded move [N m]", "deg/s", "inertia", "resists", "have", "dynamic [%]")
        wanted = "none asked" if result.dynamic_wanted is None else f"{percent(result.dynamic_wanted)} % asked"
        out.print(table(columns, rows, title=f"Moves of least dynamic margin; {wanted}"))
        out.print()
    if result.rules:
        rows = [
            [
                ("> " if r.in_force else "  ") + r.name,
                number(r.required, 3),
                percent(r.stem_margin),
                percent(r.shaft_margin),
                "none" if r.dynamic_wanted is None else percent(r.dynamic_wanted),
                "met" if r.met else "MISSED",
            ]
            for r in result.rules
        ]
        columns = ("rule (> in force)", "asks [N m]", "stem [%]", "shaft [%]", "dyn. [%]", "verdict")
        out.print(
            table(columns, rows, title="The same valve by every rule: margin over what it asks; dynamic margin it asks")
        )
        out.print()
    said(result, out)
