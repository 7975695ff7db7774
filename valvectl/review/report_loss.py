"""The report's groups on loss of power, of command or of one motor, and on a gear stage of the team's own."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from valvectl.review.report_groups import Group, Table, _plot
from valvectl.review.verdict import Review
from valvectl.review.wording import number, signed

if TYPE_CHECKING:
    from valvectl.studies.gear_result import GearStageResult
    from valvectl.studies.power_loss_result import PowerLossResult

PAIRS_SHOWN = 5
"""Pairs of teeth in the report's table."""


def _or(value: float, text: str, none: str) -> str:
    return text if math.isfinite(value) else none


def loss_group(review: Review, result: PowerLossResult) -> Group:
    """What dead valves do, and a loss in mid-change."""
    from valvectl.review.figures import power_loss_chart

    group = Group(
        "power-loss", "Loss of power, of command, of one motor", "Where does each valve go when its drive dies?"
    )
    worst = result.worst
    named = "" if worst is None else f" Worst: {worst.what}, {100.0 * worst.throttle_from:.0f} to "
    if worst is not None:
        named += f"{100.0 * worst.throttle_to:.0f} % throttle."
    group.plots.append(
        _plot(
            power_loss_chart(result),
            "power-loss",
            "Torques on a dead valve over the throttle range, and the mixture ratio when a drive or a command is lost",
            "A dead valve stays where friction holds more than stream and spring push. Compare the bars below with the limit for "
            f"throttling: they show what one lost drive or command makes of O/F before anything acts.{named}",
        )
    )
    rows: tuple[tuple[str, ...], ...] = tuple(
        (
            str(leg),
            str(rest.overall),
            number(float(rest.shutting.max()), 3),
            _or(float(rest.held_low.min()), number(float(rest.held_low.min()), 3), "locked"),
            _or(float(rest.held_high.max()), number(float(rest.held_high.max()), 3), "locked"),
        )
        for leg, rest in result.at_rest.items()
    )
    head = ("leg", "dead valve", "pushes to shut [N m]", "held at least [N m]", "held at most [N m]")
    group.tables.append(Table("Dead valve at rest, over the throttle range", head, rows))
    rows = tuple(
        (
            case.what,
            f"{100.0 * case.throttle_from:.0f} to {100.0 * case.throttle_to:.0f}",
            signed(100.0 * case.peak_error) if math.isinf(case.flame_until) else "flame out",
            _or(case.final_error, signed(100.0 * case.final_error), "no flame"),
            _or(case.time_to_limit, f"{1e3 * case.time_to_limit:.0f}", "never"),
        )
        for kind in dict.fromkeys(c.what for c in result.cases)
        for case in [max((c for c in result.cases if c.what == kind), key=lambda c: abs(c.peak_error))]
    )
    head = ("lost in mid-change", "throttle [%]", "peak O/F error [%]", "after [%]", "to the limit [ms]")
    group.tables.append(Table("Worst change of the profile for each loss", head, rows))
    group.notes.extend((*(f"Caution: {text}." for text in result.cautions), *result.assumptions))
    return group


def gear_group(review: Review, results: Mapping[str, GearStageResult]) -> Group:
    """Teeth of the stages that the design calls its own."""
    from valvectl.review.figures import gear_stage_chart

    group = Group("gear", "Gear stage of your own", "Which teeth carry the torque, and how much do they rattle?")
    for leg, result in results.items():
        group.plots.append(
            _plot(
                gear_stage_chart(result),
                f"gear-{leg}",
                f"Teeth of the recommended pair and its safeties, {leg} leg",
                f"{leg} leg: the pair as it meshes, drawn to scale; each bar must reach beyond its mark. Hand methods: see "
                "the notes.",
            )
        )
        rows = tuple(
            (
                f"{1e3 * pair.module:.3g} mm",
                f"{pair.pinion.teeth} / {pair.wheel.teeth}",
                number(pair.ratio, 4),
                number(1e3 * pair.centre, 4),
                number(pair.strength, 3),
                number(math.degrees(pair.lost_motion_most), 3),
                "; ".join(pair.reasons) or "meets all",
            )
            for pair in result.pairs[:PAIRS_SHOWN]
        )
        head = ("module", "teeth", "ratio", "centre [mm]", "safety over wanted", "lost motion [deg]", "verdict")
        group.tables.append(Table(f"Best pairs, {leg} leg", head, rows))
        group.notes.append(f"{leg} leg: {result.reason}")
        group.notes.append(result.method)
        group.notes.append("Caution: a broken tooth leaves the valve where it is, with propellant flowing.")
    group.notes[:] = dict.fromkeys(group.notes)  # what holds for both legs is said once
    return group
