"""Tables of the robust choice."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import said, table

if TYPE_CHECKING:
    from valvectl.studies.robust_result import Choice, FreeQuantity, RobustResult


def _percent(share: float, digits: int = 1) -> str:
    return f"{100.0 * share:.{digits}f}"


def _margin(share: float) -> str:
    return "no limit" if share > 900.0 else "none" if share < -900.0 else f"{100.0 * share:+.1f}"


def _short(name: str) -> str:
    for long, brief in (("legs.both.", ""), ("legs.oxidizer.", "ox. "), ("legs.fuel.", "fuel "), ("oxidizer.", "ox. "),
                        ("fuel.", "fuel "), ("controller.", ""), ("actuator.", "")):  # fmt: skip
        name = name.replace(long, brief)
    return name


def _kept(c: Choice) -> str:
    if c.lacking:
        return f"no, {len(c.lacking)} missed"
    return f"no worse, {len(c.missed)} missed" if c.missed else "yes"


def robust(result: RobustResult, out: Console) -> None:
    """Print a result of ``robust``."""
    rows = [_free(f) for f in result.free]
    head = ("free quantity", "unit", "bounds", "present", "nominal\noptimum", "robust\noptimum")
    out.print(table(head, rows, left=2, title="What was chosen; * at its bound, - without effect"))
    out.print()
    rows = [
        ["engines that meet all [%]", *(_percent(c.probability) for c in result.choices)],
        ["  at least, 95 %", *(_percent(c.at_least) for c in result.choices)],
        ["  at most, 95 %", *(_percent(c.at_most) for c in result.choices)],
        ["worst margin of rows that move [%]", *(_margin(c.quantile) for c in result.choices)],
        ["nearest or missed most", *(_row(c.limits) for c in result.choices)],
        ["worst margin, nominal engine [%]", *(_margin(c.nominal_margin) for c in result.choices)],
        ["  which is", *(_row(c.nominal_limits) for c in result.choices)],
        ["constraints kept", *(_kept(c) for c in result.choices)],
    ]
    heads = ("", "present", "nominal optimum", "robust optimum")
    out.print(table(heads, rows, words=heads[1:], title=f"{result.runs} fresh engines, the same for all three"))
    out.print()
    names = [h.name for h in result.present.requirements]
    by_name = [{h.name: h for h in c.requirements} for c in result.choices]
    rows = [
        [n + ("" if by_name[0][n].moved else " ^"), *(_percent(c[n].probability) for c in by_name),
         *(_margin(c[n].quantile) for c in by_name)]
        for n in names
    ]  # fmt: skip
    each = ("requirement", "holds:\npresent", "nominal", "robust", "5 %:\npresent", "nominal", "robust")
    title = "Each requirement: holds in [%], 5 % quantile of its margin [% of the limit]"
    if result.unmoved:
        title += "; ^ what is free moves it by less than 1 %"
    out.print(table(each, rows, title=title))
    out.print()
    rows = [
        [f"robust less {c.first}", f"{100 * c.difference:+.1f}", f"{100 * c.at_least:+.1f}", f"{100 * c.at_most:+.1f}",
         str(c.only_second), str(c.only_first), f"{c.chance:.2g}"]
        for c in result.compared
    ]  # fmt: skip
    pairs = ("engine by engine", "differ\n[%]", "at least\n[%]", "at most\n[%]", "won", "lost", "chance")
    out.print(table(pairs, rows, title="Paired comparison, 95 %; chance: of such luck if they were alike (McNemar)"))
    out.print()
    out.print(Text(result.verdict))
    out.print(
        Text(
            f"Tried {result.tried} choices, {result.dropped} dropped early, {result.engines} engines in the search; the last "
            f"ones on {result.search_runs} draws, none of them shown here."
        )
    )
    for c in result.choices:
        _lacking(c, out)
    said(result, out)


def _row(name: str) -> str:
    return name.removeprefix("nominal ").replace(" oxidizer", " ox.").replace("_", " ")


def _free(f: FreeQuantity) -> list[str]:
    mark = {v: "*" if f.at_bound(v) else "" for v in (f.nominal, f.robust)}
    bounds = "|".join(w[:4] for w in f.words) if f.words else f"{f.low:.4g}..{f.high:.4g}"
    return [
        _short(f.name), f.unit, bounds, " / ".join(f.text(v) for v in f.present), f.text(f.nominal) + mark[f.nominal],
        "-" if f.idle else f.text(f.robust) + mark[f.robust],
    ]  # fmt: skip


def _lacking(choice: Choice, out: Console) -> None:
    if choice.lacking:
        words = ", ".join(f"{name} by {100.0 * short:.1f} %" for name, short in choice.lacking[:4])
        more = f" and {len(choice.lacking) - 4} more" if len(choice.lacking) > 4 else ""
        out.print(Text(f"{choice.label}: constraints missed: {words}{more}", style="yellow"))
