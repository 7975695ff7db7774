"""What the command line prints: the review's verdicts and the tables of every study; verdicts are words."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text

from valvectl import (
    cli_tables_actuator,
    cli_tables_control,
    cli_tables_dispersion,
    cli_tables_faults,
    cli_tables_feed,
    cli_tables_gear,
    cli_tables_hunting,
    cli_tables_outer,
    cli_tables_ports,
    cli_tables_power,
    cli_tables_ratio,
    cli_tables_response,
    cli_tables_robust,
    cli_tables_servo,
    cli_tables_tank,
    cli_tables_timing,
    cli_tables_torque,
    cli_tables_tuning,
)
from valvectl.cli_print import console, indented, table
from valvectl.design.quantities import visible
from valvectl.review import wording
from valvectl.review.verdict import Review
from valvectl.review.wording import number
from valvectl.studies.valve_cautions import matters

_LOOK = {"met": "green", "missed": "bold red", "not assessed": "yellow"}
FULL_WIDTH = 74
"""Width from which the verdict table shows all its columns [characters]."""


def show_review(review: Review, report: Path | None) -> None:
    """The verdict table, the missed rows with their remedies, where the report is, and the caution."""
    out = console()
    out.print(Text(visible(review.design, 120), style="bold"))
    rows = [
        (
            r.id,
            r.leg or "engine",
            Text(wording.found(r, short=True), justify="right"),
            r.operator,
            Text(number(r.limit) + ("*" if r.limit_is_default else ""), justify="right"),
            r.unit,
            Text(wording.margin(r), justify="right"),
            Text(r.verdict, style=_LOOK[r.verdict]),
        )
        for r in review.rows
    ]
    head = ("requirement", "leg", "found", "", "limit", "unit", "margin", "verdict")
    keep = range(len(head)) if out.width >= FULL_WIDTH else (0, 1, 2, 3, 4, 7)  # narrow: without unit and margin
    out.print(table([head[j] for j in keep], [[row[j] for j in keep] for row in rows], left=8))
    if any(r.limit_is_default for r in review.rows):
        out.print("* the program's default; the design states no limit")
    for row in review.rows:
        if row.verdict == "met":
            continue
        out.print()
        leg = f", {row.leg} leg" if row.leg else ""
        out.print(Text.assemble((f"{row.verdict}: {row.title}{leg}", _LOOK[row.verdict])))
        out.print(indented(f"case: {row.case}"))
        for remedy in review.remedies:
            if (remedy.row_id, remedy.leg) == (row.id, row.leg):
                out.print(indented(f"to mend it: {remedy.text}"))
    cautions = [text for text in review.warnings if matters(text)]
    if cautions:
        out.print()
    for text in cautions:
        out.print(Text(f"caution: {text}", style="yellow"))
    out.print()
    met = sum(r.verdict == "met" for r in review.rows)
    counts = wording.count_line(met, len(review.missed), len(review.not_assessed))
    out.print(Text(f"{wording.outcome(review.all_met)} {counts}.", style="bold"))
    if report is not None:
        out.print(Text(f"Report: {report}"), soft_wrap=True)  # one line, so that it can be copied
    out.print("Passing is no permission to operate: test in stages, with people clear.")


def show(study: str, result: Any) -> None:
    """One study's result as text."""
    shows: dict[str, Callable[[Any, Console], None]] = {
        "ratio": cli_tables_ratio.ratio,
        "motors": cli_tables_ratio.motors,
        "loop": cli_tables_servo.loop,
        "equations": cli_tables_control.equations,
        "resolution": cli_tables_servo.resolution,
        "throttle": cli_tables_servo.throttle,
        "timing": cli_tables_timing.timing,
        "ports": cli_tables_ports.ports,
        "purge": cli_tables_ports.purge,
        "gas": cli_tables_ports.gas,
        "stability": cli_tables_feed.stability,
        "gear": cli_tables_gear.gear,
        "torque": cli_tables_torque.torque,
        "tune": cli_tables_tuning.tuning,
        "power-loss": cli_tables_actuator.power_loss,
        "hunting": cli_tables_hunting.hunting,
        "response": cli_tables_response.response,
        "heat": cli_tables_power.heat,
        "power": cli_tables_power.power,
        "model": cli_tables_outer.model,
        "trim": cli_tables_outer.trim,
        "surge": cli_tables_feed.surge_or_start,
        "disturbance": cli_tables_tank.disturbance,
        "budget": cli_tables_dispersion.budget,
        "worst": cli_tables_dispersion.worst,
        "disperse": cli_tables_dispersion.disperse,
        "drivers": cli_tables_dispersion.drivers,
        "robust": cli_tables_robust.robust,
        "faults": cli_tables_faults.faults,
    }
    shows[study](result, console())
