"""The report's group on tank disturbances, and its rows (the command line prints the same ones)."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from valvectl.review.report_groups import Group, Table, _plot, limit_of
from valvectl.review.verdict import Review
from valvectl.review.wording import number, signed

if TYPE_CHECKING:
    from valvectl.studies.disturbance_result import Disturbance, DisturbanceResult

CASE_HEAD = ("disturbance", "O/F [%]", "at [s]", "throttle [%]", "oxidizer", "fuel", "common", "unlike", "thrust [%]")
"""Columns of ``case_rows``; oxidizer to unlike are parts of the O/F error [%]."""
TANK_HEAD = (
    "tank", "lowest [bar abs]", "highest [bar abs]", "choking", "stiffness [%]", "used [kg]", "left [kg]", "level [mm]",
)  # fmt: skip
GAS_HEAD = (
    "tank", "gas", "drawn [g]", "collapse", "ullage [K]", "bottle [bar abs]", "at end [bar abs]", "Kv needed [m3/h]",
    "Kv given [m3/h]",
)  # fmt: skip
TRIM_HEAD = ("valve", "scheduled [deg]", "needed [deg]", "trim [deg]", "to open", "to shut [deg]")


def error(value: float) -> str:
    """An error [-] in % with its sign."""
    return signed(100.0 * value) if math.isfinite(value) else "none"


def case_rows(result: DisturbanceResult) -> list[tuple[str, ...]]:
    """One row a disturbance, all together after those that count."""
    counted = [c for c in result.cases if not c.in_schedule]
    rest = [c for c in result.cases if c.in_schedule]
    whole = [result.together] if result.declared else []
    return [_case_row(c) for c in (*counted, *whole, *rest)]


def _case_row(case: Disturbance) -> tuple[str, ...]:
    return (
        case.name,
        error(case.worst),
        number(case.time, 3),
        number(100.0 * case.throttle, 3),
        error(case.from_leg["oxidizer"]),
        error(case.from_leg["fuel"]),
        error(case.common),
        error(case.difference),
        error(case.thrust),
    )


def tank_rows(result: DisturbanceResult) -> list[tuple[str, ...]]:
    """One row a tank, all disturbances together; used and left in kg."""
    return [
        (
            f"{name}, {t.supply}",
            number(t.lowest / 1e5),
            number(t.highest / 1e5),
            number(t.choking, 3),
            number(100.0 * t.stiffness, 3),
            number(t.used, 3),
            number(t.left, 3, "not stated"),
            f"-{number(1e3 * t.fall, 3)}" if math.isfinite(t.fall) else "stays",
        )
        for name, t in result.tanks.items()
    ]


def gas_rows(result: DisturbanceResult) -> list[tuple[str, ...]]:
    """One row a tank with an ullage model; bottle pressures in bar abs."""
    return [
        (
            name,
            g.gas,
            number(1e3 * g.drawn, 3),
            number(g.collapse_factor, 3, "no inflow"),
            number(g.gas_temperature, 3),
            number(g.bottle_start / 1e5, 3, "not stated"),
            number(g.bottle_end / 1e5, 3, "not stated"),
            number(g.kv_needed, 3, "not assessed"),
            number(g.kv_given, 3, "not stated"),
        )
        for name, g in result.gas.items()
    ]


def trim_rows(result: DisturbanceResult) -> list[tuple[str, ...]]:
    """One row a valve: what it would have to do at the worst moment."""
    return [
        (
            name,
            number(math.degrees(t.scheduled), 3),
            number(math.degrees(t.needed), 3),
            signed(math.degrees(t.change)) if math.isfinite(t.change) else "none",
            number(math.degrees(t.to_open), 3),
            number(math.degrees(t.to_shut), 3),
        )
        for name, t in result.trims.items()
    ]


def disturbance_group(review: Review, result: DisturbanceResult) -> Group:
    """Figure, tables and notes."""
    from valvectl.review.figures_disturbance import disturbance_chart

    group = Group(
        "disturbance", "Tank disturbances", "What do the tanks do to O/F while the valves keep their schedule?"
    )
    group.plots.append(
        _plot(
            disturbance_chart(result, limit=limit_of(review, "mixture_ratio_disturbed")),
            "disturbance",
            "Error of the mixture ratio over time for each disturbance of the tanks, and tank pressures",
            "Each line is one disturbance by itself; the heavy line is all of them together and should stay inside the band. "
            "The error counts from the steady engine at the same angles, so that what the schedule knows is no error.",
        )
    )
    group.tables.append(
        Table(
            "Each disturbance by itself at its worst moment; parts of the O/F error [%] from each tank, from both tanks' mean "
            "pressure change (common) and from the rest (unlike)",
            CASE_HEAD,
            tuple(case_rows(result)),
        )
    )
    group.tables.append(
        Table(
            "Tanks, all together; choking: largest valve drop over choking drop; stiffness: least injector drop over "
            "chamber pressure; used and left: liquid [kg]",
            TANK_HEAD,
            tuple(tank_rows(result)),
        )
    )
    if result.gas:
        caption = "Pressurant; collapse: gas used over what the displaced volume takes; bottle [bar abs]; Kv [m³/h]"
        group.tables.append(Table(caption, GAS_HEAD, tuple(gas_rows(result))))
    group.tables.append(
        Table("Trim that would hold thrust and O/F at the worst moment", TRIM_HEAD, tuple(trim_rows(result)))
    )
    group.notes.append(f"{result.trim_note[0].upper()}{result.trim_note[1:]}.")
    group.notes.extend(f"Caution: {text}." for text in result.cautions)
    group.notes.extend(f"{text[0].upper()}{text[1:]}." for text in result.assumptions)
    return group
