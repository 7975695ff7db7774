"""The report's groups on the heat of the motors over the mission and on both drives on one battery."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from valvectl.design.schema import LEGS
from valvectl.review.report_groups import Group, Table, _plot
from valvectl.review.verdict import Review
from valvectl.review.wording import number, signed

if TYPE_CHECKING:
    from valvectl.studies.mission_heat_result import MissionHeat
    from valvectl.studies.power_result import PowerResult


def _celsius(value: float) -> str:
    return f"{value - 273.15:.1f}" if math.isfinite(value) else "runs away"


def heat_group(review: Review, results: Mapping[str, MissionHeat]) -> Group:
    """Winding and case over the mission."""
    from valvectl.review.figures import heat_chart

    group = Group("heat", "Heat of the motors", "How warm do the windings get in the mission, and how soon in a stall?")
    for leg, result in results.items():
        group.plots.append(
            _plot(
                heat_chart(result),
                f"heat-{leg}",
                f"Winding and case over the mission, and times to the limit, {leg} motor",
                f"{leg} leg: temperatures from the simulated currents, on a hot day. Below: how long the winding bears a "
                "stall at the current limit, and lesser loads; never means that the lasting temperature stays below the "
                "limit.",
            )
        )
    rows = tuple(
        (
            leg,
            _celsius(h.peak),
            _celsius(h.case_peak),
            _celsius(h.lasting),
            _celsius(h.limit),
            number(h.endurance[0].from_cold, 3, "never"),
            f"{100.0 * h.torque_kept:.1f}",
            signed(100.0 * h.margin_hot),
        )
        for leg, h in results.items()
    )
    head = (
        "leg", "winding, peak [°C]", "case, peak [°C]", "repeated for ever [°C]", "allowed [°C]", "stalled to limit [s]",
        "torque constant kept [%]", "torque margin then [%]",
    )  # fmt: skip
    group.tables.append(Table("Motors over the mission", head, rows))
    for leg, h in results.items():
        if h.duty is not None:
            verdict = "kept" if h.duty.met else "not kept"
            group.notes.append(
                f"{leg} leg, {h.duty.type} ({h.duty.words}): {_celsius(h.duty.crest)} °C at {number(h.duty.load, 3)} A, limit "
                f"{verdict}; up to {number(h.duty.allowed, 3)} A allowed."
            )
        group.notes.extend(f"{leg} leg: {text}." for text in (*h.assumptions, *h.cautions))
    return group


def power_group(review: Review, result: PowerResult) -> Group:
    """Both drives on one battery."""
    from valvectl.review.figures import power_chart

    group = Group(
        "power", "Battery and harness", "Does one battery carry both motors and the rest, and where do the joules go?"
    )
    group.plots.append(
        _plot(
            power_chart(result),
            "power",
            "Voltage at the drives over both strokes, and where the drives' energy goes",
            "Both valves from stop to stop at once at the end of discharge. Look at the lowest point against the lock-out; "
            "short rises above the open-circuit voltage are braking. Bars: every loss is worked out by itself, and what is "
            "not accounted for is the error of the time step.",
        )
    )
    rows = tuple(
        (
            c.what,
            *(f"{c.lowest[n]:.2f}" for n in LEGS),
            f"{c.sag_battery:.2f}",
            f"{c.sag_harness:.2f}",
            number(c.peak_current, 3),
            number(c.rms_current, 3),
            number(c.charge / 3.6, 3),
            number(c.drawn, 3),
            f"{100.0 * c.imbalance:+.4f}",
        )
        for c in result.cases
    )
    head = (
        "run", *(f"least at {n} drive [V]" for n in LEGS), "sag in battery [V]", "sag in harness [V]", "peak [A]",
        "RMS [A]", "charge [mA h]", "energy [J]", "not accounted for [%]",
    )  # fmt: skip
    group.tables.append(Table("Both drives and other loads at the end of discharge", head, rows))
    group.notes.append(f"Margin to the lock-out of {number(result.lockout, 3)} V: {signed(result.margin)} V.")
    back = result.regenerated
    held = {True: "limit kept", False: "limit NOT kept", None: "not assessed"}[back.holds]
    group.notes.append(
        f"Braking gives back at most {number(back.energy, 2)} J at a time, {number(back.power, 3)} W; {back.way}; {held}."
    )
    if result.fuse is not None:
        words = "holds" if result.fuse.holds else "may open"
        group.notes.append(f"Fuse of {number(result.fuse.rating, 3)} A: {words}.")
    group.notes.extend(f"{text[0].upper()}{text[1:]}." for text in (*result.assumptions, *result.cautions))
    return group
