"""Tables of the studies of valves: ports side by side, purge gas, a gas valve or orifice."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from rich.console import Console
from rich.text import Text

from valvectl.cli_print import SETTINGS_SHOWN, indented, said, table
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.studies.gas_service import GasService
    from valvectl.studies.port_facts import StatedCharacteristic
    from valvectl.studies.port_result import PortsResult
    from valvectl.studies.purge import PurgeResult

PORTS_SHOWN = 8
"""Ports shown of those compared; --json and --csv have them all."""


def ports(result: PortsResult, out: Console) -> None:
    """Print a result of ``ports``: the candidates, why the one recommended, the design's own port over the range."""
    _candidates(result, out)
    for sentence in result.reasons:
        out.print(Text(f"- {sentence}"))
    for flag in result.leg_flags:
        out.print(Text(f"note: {flag}"))
    for text in result.own.missed:
        out.print(Text(f"the design's own port misses: {text}", style="bold red"))
    for text in result.own.flags:
        out.print(Text(f"the design's own port: {text}", style="yellow"))
    out.print()
    _own(result, out)
    if result.stated is not None:
        _deviation(result.stated, out)


def _candidates(result: PortsResult, out: Console) -> None:
    roles = {
        result.next_best: "next" if result.recommended is not None else "near",
        0: "now",
        result.recommended: "take",
    }
    if result.recommended == 0:
        roles[0] = "keep"
    rows = []
    for j in result.shortlist()[:PORTS_SHOWN]:
        c = result.candidates[j]
        rows.append(
            [
                roles.get(j, ""),
                c.label,
                f"{number(math.degrees(float(c.angle[0])), 3)} to {number(math.degrees(float(c.angle[-1])), 3)}",
                number(c.worst_choking, 3),
                number(c.gain_variation, 3),
                number(100.0 * c.worst_step, 3),
                str(len(c.missed)),
                str(len(c.flags)),
            ]
        )
    head = ("", "port", "angles [deg]", "choking", "gain", "step %", "miss", "flag")
    shown, of = len(rows), len(result.candidates)
    out.print(
        table(head, rows, left=2, title=f"Ports, {result.leg} leg: the best of each shape, {shown} of {of} compared")
    )
    out.print(
        "angles: lowest to full throttle; choking: largest drop over choking drop, tolerances at their adverse bounds, limit "
        f"{number(result.cavitation_limit, 3)}; gain: largest over smallest installed gain; step: flow of the smallest reliable "
        f"step, limit {number(100.0 * result.flow_limit, 3)} %; miss: requirements missed; flag: rules of common practice broken."
    )
    out.print()


def _own(result: PortsResult, out: Console) -> None:
    need, own = result.need, result.own
    n = need.throttle.size
    shown = np.unique(np.linspace(0, n - 1, min(n, SETTINGS_SHOWN)).round().astype(int))
    known = bool(np.any(result.bounds.flow > 0.0))
    rows = [
        [
            number(100.0 * float(need.throttle[j]), 3),
            number(math.degrees(float(own.angle[j])), 3),
            number(float(own.kv[j]), 3),
            number(float((need.inlet[j] - need.outlet[j]) / 1e5), 3),
            number(float(need.authority[j]), 2),
            number(float(own.choking[j]), 3),
            number(100.0 * math.radians(float(own.gain[j])), 3),
            number(100.0 * float(own.flow_step[j]), 2),
            *([number(100.0 * float(result.bounds.flow[j]), 2)] if known else []),
        ]
        for j in shown[::-1]
    ]
    head = ("at [%]", "open [deg]", "Kv", "drop [bar]", "auth.", "choking", "%/deg", "step [%]")
    out.print(
        table(
            (*head, "+- [%]") if known else head,
            rows,
            left=0,
            title=f"The design's own port over the throttle range: {own.label}",
        )
    )
    last = "; +-: flow at a held drop, from the tolerances of Kv and FL at that opening" if known else ""
    out.print(
        f"at: throttle; Kv [m3/h at 1 bar]; auth.: valve drop over the drop from tank to chamber; choking: valve drop over "
        f"choking drop, nominal; %/deg: installed gain, flow per degree of the ball; step: the flow of the smallest reliable "
        f"step{last}."
    )
    out.print(Text(f"Kv: {own.method}. Valid: {own.validity}. FL: {own.fl_origin}."))
    regime = result.regime(0)
    if regime:
        out.print(Text(f"Flow: {regime}.", style="yellow" if "NOT" in regime else ""))
    out.print()


def _deviation(stated: StatedCharacteristic, out: Console) -> None:
    low, high = stated.travel
    rows: list[list[str | Text]] = [
        [
            number(100.0 * (row.angle - low) / (high - low), 3),
            number(math.degrees(row.angle), 3),
            number(row.stated, 3),
            number(row.measured, 3),
            f"{100.0 * row.deviation:+.1f}",
            number(100.0 * row.limit, 3),
            "-" if row.slope_ratio is None else number(row.slope_ratio, 3),
            Text("within" if row.within else "BEYOND", style="" if row.within else "bold red"),
        ]
        for row in stated.rows
    ]
    head = ("travel [%]", "open [deg]", "stated", "table", "off [%]", "limit [%]", "slope", "verdict")
    title = "The flow table against the characteristic it is stated to have (Kv over rated Kv)"
    out.print(table(head, rows, left=0, title=title, words=("verdict",)))
    out.print(
        "slope: the table's over the stated one since the row before, 0.5 to 2 allowed (IEC 60534-2-4, from memory)."
    )
    out.print(Text(f"{stated.verdict}.", style="" if stated.within else "yellow"))
    out.print()


def purge(result: PurgeResult, out: Console) -> None:
    """Print a result of ``purge``."""
    gas = result.gas
    how = "stated" if result.stated_back_pressure else "worked out"
    rows = [
        ["gas flow", f"{number(1e3 * gas.mass_flow, 4)} g/s, {_volumes(gas)}"],
        ["in the manifold", f"{number(result.manifold / 1e5, 4)} bar abs ({how})"],
        [
            "liquid pushed out",
            f"in {number(1e3 * result.push_time, 3)} ms, at {number(result.pushing / 1e5, 4)} bar abs",
        ],
        ["gas changed once", f"in {number(1e3 * result.change_time, 3)} ms"],
        ["1 % left", f"in {number(1e3 * result.mixed_time, 3)} ms more, where the volume mixes well"],
        ["swept", f"{number(1e6 * result.volume, 4)} mL behind the throttle valve"],
    ]
    title = f"Purge of the {result.leg} leg, engine not lit: {gas.gas} from {_state(gas)}"
    _facts(title, rows, out)
    out.print(Text(f"{gas.device}: {gas.statement}."))
    out.print(f"The injector is {'choked too' if result.injector_choked else 'not choked'}.")
    said(result, out)


def gas(result: GasService, out: Console) -> None:
    """Print a gas valve or orifice."""
    size = (
        (
            "Kv",
            f"{number(result.kv, 4)} m3/h at 1 bar (xT {number(result.xt, 3)}; CdA {number(1e6 * result.cda, 4)} mm2)",
        )
        if result.device == "valve"
        else (
            "hole",
            f"{number(1e3 * result.diameter, 4)} mm (CdA {number(1e6 * result.cda, 4)} mm2, as a Kv of {number(result.kv, 4)})",
        )
    )
    flow = ("flow", f"{number(1e3 * result.mass_flow, 4)} g/s, {_volumes(result)}")
    rows = [[f"{size[0]} needed", size[1]], flow] if result.sized else [[f"{flow[0]} passed", flow[1]], size]
    if math.isfinite(result.mach):
        rows.append(["pipe behind", f"{number(1e3 * result.pipe, 4)} mm, Mach {number(result.mach, 2)}"])
    title = f"Gas {result.device}: {result.gas}, {_state(result)} to {number(result.outlet / 1e5, 5)} bar abs"
    _facts(title, [list(row) for row in rows], out)
    out.print(indented(f"{result.statement}."))
    said(result, out)


def _facts(title: str, rows: list[list[str]], out: Console) -> None:
    """Names and what is found, side by side."""
    from rich.table import Table

    out.print(Text(title, style="bold"))
    grid = Table.grid(padding=(0, 2))
    grid.add_column(no_wrap=True)
    grid.add_column()
    for name, text in rows:
        grid.add_row(Text(f"  {name}"), Text(text))
    out.print(grid)


def _state(gas: GasService) -> str:
    return f"{number(gas.inlet / 1e5, 5)} bar abs, {number(gas.temperature, 5)} K"


def _volumes(gas: GasService) -> str:
    normal, standard = (number(3600.0 * flow, 4) for flow in (gas.normal_flow, gas.standard_flow))
    return f"{normal} m3/h at 0 degC or {standard} at 15 degC, 1.01325 bar"
