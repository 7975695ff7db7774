"""Tables of the study of hunting and limit cycles."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import table
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.servo.limit_cycle import Cycle
    from valvectl.studies.limit_cycles import Case, LimitCycles

SIGNS = {"rests": ".", "hunts": "h", "swings": "S", "at the stops": "#"}
"""One sign an outcome in the map."""


def hunting(result: LimitCycles, out: Console) -> None:
    """Print a result of ``hunting``."""
    title = f"Limit cycles of the rotor (over the ratio), {result.leg} leg at {math.degrees(result.angle):.1f} deg"
    rows = [
        [
            case.what,
            *_cycle(None if case.steady is None else case.foreseen[case.steady]),
            *_cycle(case.best),
            case.seen.outcome,
            number(math.degrees(case.seen.amplitude), 3),
            number(case.seen.frequency / (2.0 * math.pi), 3),
            number(100.0 * case.seen.third, 2),
        ]
        for case in result.cases
    ]
    head = (
        "case", "sine\n[deg]", "\n[Hz]", "with 3rd\n[deg]", "\n[Hz]", "simulated", "\n[deg]", "\n[Hz]", "3rd\n[%]",
    )  # fmt: skip
    out.print(table(head, rows, title=title, words=("simulated",)))
    for case in result.cases:
        out.print(Text(f"{case.what}: {case.verdict}."))
        for at, cycle in enumerate(case.foreseen):
            if not cycle.stable:
                better = case.corrected[at] or cycle
                out.print(
                    Text(
                        f"  unstable cycle of {number(math.degrees(better.amplitude), 3)} deg at "
                        f"{number(better.frequency / (2.0 * math.pi), 3)} Hz: a smaller swing dies, a larger one grows."
                    )
                )
    out.print()
    _hold(result, out)
    _map(result, out)
    s = result.smallest
    out.print(
        f"Smallest step that the stem follows, simulated: {number(math.degrees(s.onward), 3)} deg onward, "
        f"{number(math.degrees(s.reversal), 3)} deg after a reversal; hold band "
        f"{number(math.degrees(result.hold_band), 3)} deg, lost motion {number(math.degrees(result.lost_motion), 3)} deg."
    )
    if result.curve is not None:
        c = result.curve
        touch = (
            "they touch at no factor up to a hundred on the gain"
            if math.isinf(c.factor)
            else f"they touch from {number(c.factor, 3)} times the gain on"
        )
        out.print(
            f"Lost motion alone, without friction's drag, closed form against the exact loop gain: "
            f"{'the curves cross' if c.meets else 'no limit cycle'}; {touch}."
        )
    out.print()


def _cycle(cycle: Cycle | None) -> tuple[str, str]:
    if cycle is None:
        return "none", ""
    return number(math.degrees(cycle.amplitude), 3), number(cycle.frequency / (2.0 * math.pi), 3)


def _hold(result: LimitCycles, out: Console) -> None:
    """What the hold band does, in words."""
    held = result.cases[0].seen
    if result.hold_band <= 0.0:
        out.print(f"No hold band; after a step the leg {_does(result.cases[0])}.")
        return
    creeping = result.cases[1]
    ended = (
        f"the stem comes to rest {number(1e3 * held.ended, 3)} ms after a step, "
        f"{number(math.degrees(abs(held.error)), 3)} deg off"
        if math.isfinite(held.ended)
        else "the stem does not come to rest"
    )
    out.print(f"With its hold band {ended}. Without it the leg {_does(creeping)}.")


def _does(case: Case) -> str:
    seen = case.seen
    if seen.outcome == "rests":
        return f"rests too, {number(math.degrees(abs(seen.error)), 3)} deg off"
    way = (
        f"{number(math.degrees(seen.stem), 3)} deg of the stem and {number(math.degrees(2.0 * seen.amplitude), 3)} deg"
    )
    return f"{seen.outcome}: {way} of the rotor from peak to peak"


def _map(result: LimitCycles, out: Console) -> None:
    rows = []
    for i, gap in enumerate(result.gap_factors):
        row = [number(math.degrees(gap * result.lost_motion), 3)]
        for j in range(len(result.gain_factors)):
            seen = SIGNS[result.map_seen[i][j]]
            size = math.degrees(float(result.map_stem[i, j]))
            expected = math.degrees(float(result.map_foreseen[i, j]))
            row.append(f"{seen} {number(size, 2)}" + (f" ({number(expected, 2)})" if expected > 0.0 else ""))
        rows.append(row)
    head = ("lost motion\n[deg]", *(f"gain\nx {g:g}" for g in result.gain_factors))
    out.print()
    out.print(table(head, rows, title="Simulated over lost motion and position gain, without hold band"))
    out.print(
        ". rests, h hunts (the stem stands most of the time), S swings, # at the stops; stem from peak to peak [deg]; in "
        "brackets the rotor's amplitude foreseen [deg]."
    )
