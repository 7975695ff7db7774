"""Table of the study of a gear stage of the team's own making."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import table
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.studies.gear_result import GearStageResult

PAIRS_SHOWN = 6
"""Pairs printed; --json and --csv have them all."""


def gear(result: GearStageResult, out: Console) -> None:
    """Print a result of ``gear``."""
    wishes = result.wishes
    out.print(
        Text(
            f"Asked: ratio {wishes.ratio:.4g}, centre {1e3 * wishes.centre_least:.4g} to {1e3 * wishes.centre_most:.4g} mm, "
            f"face {1e3 * wishes.face_width:.3g} mm; torque at the output {wishes.torque:.3g} N m running, {wishes.blow:.3g} N m "
            f"at most (stall {wishes.peak_torque:.3g}); {math.degrees(wishes.speed):.0f} deg/s"
        )
    )
    out.print(Text(result.reason))
    shown = result.pairs[:PAIRS_SHOWN]
    if shown:
        rows = [
            [
                f"{1e3 * p.module:.3g}",
                f"{p.pinion.teeth}/{p.wheel.teeth}",
                number(p.ratio, 4),
                number(1e3 * p.centre, 4),
                number(p.contact_ratio, 3),
                number(p.strength, 3),
                p.weakest,
                number(math.degrees(p.lost_motion_most), 3),
                "meets all" if not p.reasons else f"misses {len(p.reasons)}",
            ]
            for p in shown
        ]
        head = (
            "m\n[mm]",
            "teeth",
            "ratio",
            "centre\n[mm]",
            "contact\nratio",
            "safety",
            "weakest",
            "lost\n[deg]",
            "verdict",
        )
        out.print()
        out.print(table(head, rows, left=0, title=f"Pairs, {result.met} of {len(result.pairs)} meet everything",
                        words=("weakest", "verdict")))  # fmt: skip
        out.print(
            "safety: smallest over the one wanted, 1 or more meets it; lost: lost motion at the output, worst case."
        )
    if result.rejected or result.out_of_reach:
        out.print()
        rows = [[str(count), why] for why, count in (*result.rejected, *result.out_of_reach)]
        out.print(
            table(("pairs", "fall by"), rows, left=0, title=f"{result.tried} combinations tried", words=("fall by",))
        )
    if result.drawing:
        columns = result.drawing_columns()
        out.print()
        title = "For the workshop"
        if result.recommended is None:
            title += ", of the nearest, which does NOT meet everything"
        out.print(table(tuple(columns), list(zip(*columns.values(), strict=True)), title=title))
    stage = result.stage()
    if stage:
        out.print()
        out.print(
            Text(
                f"As a gear stage of the design file: ratio = {stage['ratio']:.5g}, efficiency = "
                f'"{100 * stage["efficiency"]:.3g} %", static_efficiency = "{100 * stage["static_efficiency"]:.3g} %", '
                f'inertia = "{stage["inertia"]:.3g} kg m^2", stiffness = "{stage["stiffness"]:.4g} N m/rad", lost_motion = '
                f'"{math.degrees(stage["lost_motion"]):.3g} deg", torque_limit = "{stage["torque_limit"]:.3g} N m". Mesh alone: '
                "bearings, seals and shafts come on top."
            )
        )
    out.print(Text(f"note: {result.method}"))
    out.print(Text("caution: a broken tooth leaves the valve where it is, with propellant flowing", style="yellow"))
    out.print()
