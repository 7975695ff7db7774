"""Tables of the studies of the actuator: loss of power, of command, of one motor."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import said, table
from valvectl.design.schema import LEGS
from valvectl.review.wording import number, signed

if TYPE_CHECKING:
    from valvectl.studies.power_loss_result import PowerLossResult
    from valvectl.studies.torque_demand import TorqueDemand


def _or(value: float, text: str, none: str) -> str:
    return text if math.isfinite(value) else none


def torque(result: TorqueDemand, out: Console) -> None:
    """Print a result of ``torque``."""
    first = next(iter(result.corners)).at_ends(result.angle)
    rows = [[c.name, *(number(v, 3) for v in c.at_ends(result.angle).values())] for c in result.corners]
    heads = ("corner", *(name.replace(" to ", " to\n") for name in first))
    out.print(table(heads, rows, title=f"Stem torque, {result.leg} leg [N m]: at shut, between, at open; both ways"))
    out.print()
    shares = result.rules[result.chosen or "AIAA S-114"]
    for place, at in (("at the stem, after the gears", shares.stem), ("at the motor shaft, before them", shares.shaft)):
        rows = [
            [s.name, "yes" if s.measured else "no", number(s.bare, 3), number(s.divided_by, 3), number(s.factor, 3),
             number(s.required, 3)]
            for s in at.shares
        ]  # fmt: skip
        rows.append(["required", "", "", "", "", number(at.required, 3)])
        rows.append(["available", "", "", "", "", number(at.available, 3)])
        heads = ("contribution", "measured", "bare\n[N m]", "held\nfactor", "rule's\nfactor", "required\n[N m]")
        out.print(table(heads, rows, left=2, title=f"{at.rule.name}, {place}"))
        out.print()
    rows = []
    for name, by in result.rules.items():
        wanted = by.stem.rule.dynamic_margin
        rows.append(
            [
                f"{name} (named)" if name == result.chosen else name,
                number(by.stem.required, 3),
                f"{100.0 * by.stem.margin:+.0f}",
                f"{100.0 * by.shaft.margin:+.0f}",
                "-" if wanted is None else f"{100.0 * by.stem.dynamic_margin:+.0f} of {100.0 * wanted:.0f}",
                "met" if by.smaller >= 0.0 and by.stem.dynamic_met is not False else "missed",
            ]
        )
    heads = ("rule", "required\n[N m]", "after\ngears [%]", "before\ngears [%]", "dynamic\n[%]", "verdict")
    title = f"Margins by every rule; {result.stem_available:.3g} N m available at the stem"
    out.print(table(heads, rows, title=title, words=("verdict",)))
    out.print(
        Text(
            f"{result.current:.3g} A at {result.bus_voltage:.3g} V: end of discharge, both drives pulling, hot, cold grease, "
            f"breakaway efficiency; {len(result.moved)} toleranced inputs at their adverse bound. Friction counts as "
            f"{'measured' if result.measured else 'NOT measured'}: {result.measured_why}."
        )
    )
    rule = shares.stem.rule
    out.print(Text(f"{rule.name}: {rule.title}. {rule.clause}; {rule.certainty}. {rule.note}"))
    if not result.chosen:
        out.print(
            Text('No rule is named: check holds the plain margin alone. Name one: requirements.torque_rule = "..."')
        )
    out.print(
        Text("caution: a valve that does not break loose leaves one propellant without the other", style="yellow")
    )
    out.print()


def power_loss(result: PowerLossResult, out: Console) -> None:
    """Print a result of ``power-loss``."""
    rows = []
    for name, rest in result.at_rest.items():
        least, most = float(rest.held_low.min()), float(rest.held_high.max())
        rows.append(
            [
                name,
                rest.overall,
                number(float(rest.shutting.max())),
                _or(least, number(least), "locked"),
                _or(most, number(most), "locked"),
                f"{100.0 * rest.backdrive_efficiency:.0f}",
            ]
        )
    head = ("leg", "dead valve", "shuts [N m]", "held at least", "held at most", "back-drive [%]")
    out.print(table(head, rows, left=2, title="Dead valve at rest, over the throttle range; torques at the stem [N m]"))
    out.print()
    rows = []
    for kind in dict.fromkeys(c.what for c in result.cases):
        c = max((c for c in result.cases if c.what == kind), key=lambda c: abs(c.peak_error))
        rows.append(
            [
                c.what,
                f"{100.0 * c.throttle_from:.0f} to {100.0 * c.throttle_to:.0f}",
                signed(100.0 * c.peak_error) if math.isinf(c.flame_until) else "flame out",
                _or(c.final_error, signed(100.0 * c.final_error), "no flame"),
                _or(c.time_to_limit, f"{1e3 * c.time_to_limit:.0f}", "never"),
                f"{100.0 * c.final_throttle:.0f}",
            ]
        )
    head = ("lost in mid-change", "throttle [%]", "peak O/F [%]", "after [%]", "to limit [ms]", "thrust [%]")
    title = f"Worst change of the profile a loss; error of O/F, limit {100.0 * result.limit:.3g} %"
    out.print(table(head, rows, left=1, title=title))
    out.print()
    closing = result.closing
    if closing.first is None:
        out.print("Neither valve shuts by itself from full thrust.")
    else:
        rows = [
            [
                name,
                _or(closing.time[name], f"{1e3 * closing.time[name]:.0f}", "does not"),
                _or(closing.time_late[name], f"{1e3 * closing.time_late[name]:.0f}", "does not"),
            ]
            for name in LEGS
        ]
        out.print(table(("leg", "shuts in [ms]", "adverse friction [ms]"), rows, title=f"Shutting by {closing.by}"))
    for store in result.stored:
        enough = "enough" if store.margin >= 0.0 else "NOT enough"
        out.print(
            Text(
                f"{store.leg} reserve: {store.usable:.3g} J usable, {store.needed:.3g} J needed to shut in "
                f"{1e3 * store.time:.0f} ms: {enough}"
            )
        )
    out.print()
    said(result, out)
