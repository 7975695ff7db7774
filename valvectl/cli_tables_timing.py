"""Table of the timing of one servo's loops."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import table
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.servo.jitter import JitterMargins
    from valvectl.studies.timing import TimingResult


def timing(result: TimingResult, out: Console) -> None:
    """Print a result of ``timing``."""
    loops = result.loops
    rows = [
        [at, *(number(1e3 * v, 4) for v in (t.period, t.offset, t.delay, t.wait, t.jitter))] for at, t in loops.items()
    ]
    head = ("loop", "period [ms]", "offset [ms]", "delay [ms]", "wait [ms]", "jitter ± [ms]")
    out.print(table(head, rows, title=f"Timing, {result.leg} leg; wait: output in force to the next loop's sample"))
    out.print()
    words = {"speed": result.speed_from, "plant": "plant, loops inside"}
    first = next(iter(loops.values()))
    rows = [
        [words.get(name, name), *(number(math.degrees(t.lags[name]), 3) for t in loops.values())]
        for name in first.lags
        if any(t.lags[name] != 0.0 for t in loops.values())
    ]
    rows.append(["phase margin", *(_phase(t.margins, False) for t in loops.values())])
    if any(t.margins.corners for t in loops.values()):
        rows.append(["least over jitter", *(_phase(t.margins, True) for t in loops.values())])
    heads = ("phase lag [deg]", *(f"{at},\n{number(t.crossover / (2.0 * math.pi), 3)} Hz" for at, t in loops.items()))
    out.print(table(heads, rows, title="At each loop's crossover; together 180 deg"))
    out.print()
    for at, found in [*((at, t.margins) for at, t in loops.items()), ("outer (trim)", result.outer)]:
        if found is not None and (found.corners or at == "outer (trim)"):
            out.print(Text(f"{at}: {_sentence(found)}"))
    best = result.best_offset
    if best is not None:
        now = math.degrees(loops["position"].margins.nominal.margins.phase_margin)
        most = math.degrees(max(v for v in result.phase_at_offset if math.isfinite(v)))
        out.print(
            Text(
                f"Offset of the {result.swept} loop: {number(1e3 * loops[result.swept].offset, 3)} ms gives {now:.1f} deg "
                f"at the position loop; of the offsets looked at, {number(1e3 * best, 3)} ms gives the most, {most:.1f} deg."
            )
        )
    out.print()


def _phase(found: JitterMargins, least: bool) -> str:
    place = found.least_phase if least else found.nominal
    return number(math.degrees(place.margins.phase_margin), 3, "no crossing") if place.stable else "unstable"


def _sentence(found: JitterMargins) -> str:
    if not found.stable:
        bad = next(p for p in found.all if not p.stable)
        return "unstable with " + (_delays(bad.shifts) or "the nominal delays")
    gain, peak = found.least_gain, found.highest_peak
    where = _delays(found.least_phase.shifts) or "the nominal delays"
    return (
        f"least phase margin {number(math.degrees(found.least_phase.margins.phase_margin), 3, 'none')} deg with {where}; "
        f"least gain margin {number(gain.margins.gain_margin_db, 3, 'none')} dB, highest |S| "
        f"{number(peak.margins.peak_sensitivity, 3)} over the jitter"
    )


def _delays(shifts: object) -> str:
    assert isinstance(shifts, dict)
    return ", ".join(f"{loop} delay {1e3 * by:+.3g} ms" for loop, by in shifts.items())
