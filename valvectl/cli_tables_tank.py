"""Tables of the study of tank disturbances."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table
from rich.text import Text

from valvectl.cli_print import said, table
from valvectl.review import report_disturbance as rows

if TYPE_CHECKING:
    from valvectl.studies.disturbance_result import DisturbanceResult


def _across(head: Sequence[str], by_tank: Sequence[Sequence[str]], title: str) -> Table:
    """A row a quantity, a column a tank: quantities are many and their names long, tanks are two."""
    flipped = [[name, *(row[j] for row in by_tank)] for j, name in enumerate(head) if j]
    return table((head[0], *(row[0] for row in by_tank)), flipped, title=title)


def disturbance(result: DisturbanceResult, out: Console) -> None:
    """Print a result of ``disturbance``."""
    head = ("disturbance", "O/F [%]", "at [s]", "at [%]", "oxidizer", "fuel", "common", "unlike")
    if result.cases or result.declared:
        out.print(
            table(head, [row[:8] for row in rows.case_rows(result)], title="What each costs in O/F at its worst moment")
        )
        out.print(
            "at [%]: throttle. Parts of the O/F error [%]: from each tank; common: from the mean change of both tanks' "
            "pressure; unlike: the rest. Error against the undisturbed steady value at the same angles."
        )
    if not result.declared:
        out.print(
            Text("The design declares no disturbance of its tanks: nothing is held against the limit.", style="bold")
        )
    else:
        whole = result.together
        out.print(
            f"All together: thrust {rows.error(whole.thrust)} %, chamber pressure {rows.error(whole.chamber_pressure)} % at "
            f"most; O/F at the end {rows.error(whole.final)} %."
        )
        out.print()
        out.print(_across(rows.TANK_HEAD, rows.tank_rows(result), "Tanks, all together"))
        out.print(
            "Choking: largest valve drop over choking drop; stiffness: least injector drop over chamber pressure."
        )
        if result.gas:
            out.print()
            out.print(_across(rows.GAS_HEAD, rows.gas_rows(result), "Pressurant"))
            out.print(
                "Collapse: gas used over what the displaced volume takes; Kv needed: to hold the pressure at worst."
            )
        out.print()
        out.print(table(rows.TRIM_HEAD, rows.trim_rows(result), title="Trim at the worst moment"))
        out.print(Text(f"{result.trim_note[0].upper()}{result.trim_note[1:]}."))
    out.print()
    said(result, out)
