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


def _or(value: float, text: str, none: str) -> str:
    return text if math.isfinite(value) else none


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
