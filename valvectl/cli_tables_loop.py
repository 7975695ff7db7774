"""Tables of what ``loop`` says beyond margins and steps: crossings, stiffness, noise, poles, word lengths."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import table
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.studies.loop_detail import LoopDetail

TURN = 2.0 * math.pi
POLES_SHOWN = 8
"""Closed-loop poles printed, slowest first."""


def detail(found: LoopDetail, leg: str, out: Console) -> None:
    """Print the detail of one leg's loop."""
    disagree = [at for at, count in found.counts.items() if not count.agree]
    out.print(
        "Nyquist's count of unstable poles agrees with the eigenvalues at every break point."
        if not disagree
        else f"Nyquist's count DISAGREES with the eigenvalues at: {', '.join(disagree)}."
    )
    rows = [
        [
            "gain",
            number(c.frequency / TURN, 3),
            number(math.degrees(c.phase_margin), 3),
            number(1e3 * c.delay_margin, 3),
            "",
        ]
        for c in found.gain_crossovers
    ]
    rows += [["phase", number(p.frequency / TURN, 3), "", "", number(p.factor, 3)] for p in found.phase_crossovers]
    head = ("crossover", "at [Hz]", "phase [deg]", "delay [ms]", "gain x")
    out.print()
    out.print(table(head, rows, title=f"Every crossover of the position loop, {leg} leg"))
    d = found.disk
    both = "any" if math.isinf(d.gain_up) else f"{number(1.0 / d.gain_up, 3)} to {number(d.gain_up, 3)}"
    out.print(
        f"Disk margin of the position loop {number(d.alpha, 3)} at {number(d.frequency / TURN, 3)} Hz: gain times {both}, or "
        f"{number(math.degrees(d.phase), 3)} deg of phase, and anything between that the disk holds."
    )
    degree = math.pi / 180.0
    at_ends = [number(degree * float(found.stiffness[j]), 3) for j in (0, -1)]
    out.print(
        f"Stiffness against load at the stem: softest {number(degree * found.softest, 3)} N m/deg at "
        f"{number(found.softest_at / TURN, 3)} Hz ({at_ends[0]} at {number(float(found.frequency[0]) / TURN, 2)} Hz); "
        f"dry friction alone holds {number(found.holds, 3)} N m."
    )
    for noise in found.noise:
        stem = "" if math.isnan(noise.stem) else f"stem {number(math.degrees(noise.stem), 2)} deg, "
        one = f"; one count asks for {number(noise.one_count, 3)} A at once" if noise.one_count > 0.0 else ""
        out.print(
            f"Rounding of the {noise.source} ({number(math.degrees(noise.count), 3)} deg a count): {stem}current "
            f"{number(noise.current, 2)} A, standard deviations{one}."
        )
    out.print()
    rows = [
        [
            f"{p.z.real:+.4f}" + (f" ± {p.z.imag:.4f}j" if p.z.imag > 1e-9 else ""),
            number(p.frequency / TURN, 3),
            number(p.damping, 3),
        ]
        for p in found.poles[:POLES_SHOWN]
    ]
    out.print(
        table(("pole z", "frequency [Hz]", "damping"), rows, title=f"Closed-loop poles, slowest first, {leg} leg")
    )
    rows = [
        [e.gain, f"{100.0 * e.frequency:+.3f}", f"{100.0 * e.damping:+.3f}", f"{1e3 * e.way:.3f}"]
        for e in found.effects
    ]
    effect_head = ("1 % more", "frequency [%]", "damping [0.01]", "way in z [1e-3]")
    out.print()
    out.print(table(effect_head, rows, title="What a gain does to the least damped of the slow poles"))
    words = [f"{bits} bit" if bits else "none up to 32 bit" for bits in (found.word_own, found.word_common)]
    out.print(
        Text(
            f"Rounded coefficients keep both margins within 1 % from {words[0]} on with a power of two for each, {words[1]} "
            f"with one a controller; a 32-bit float moves the poles by {number(found.single.poles, 2)} in z."
        )
    )
    out.print()
