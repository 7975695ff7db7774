"""Tables of the studies of the feed system: stability, surge and start."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.console import Console
from rich.text import Text

from valvectl.cli_print import SETTINGS_SHOWN, said, table
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.studies.fill import FillResult
    from valvectl.studies.stability import StabilityResult
    from valvectl.studies.surge import SurgeResult

LAW_SHOWN = 9
"""Points of the closing law printed; --json has them all."""


def stability(result: StabilityResult, out: Console) -> None:
    """Print a result of ``stability``."""
    n = result.throttle.size
    shown = np.unique(np.linspace(0, n - 1, min(n, SETTINGS_SHOWN)).round().astype(int))
    rows = [
        [
            number(100.0 * float(result.throttle[j]), 3),
            *(number(float(case.gain_margin[j]), 3, "> 80") for case in result.cases),
            number(float(result.as_stated.frequency[j]), 3),
            number(1e3 * float(result.as_stated.delay_margin[j]), 3, "any"),
            number(100.0 * float(result.gas_share_border[j]), 2),
        ]
        for j in shown[::-1]
    ]
    head = (
        "throttle [%]",
        *(case.label.removesuffix(" limit") for case in result.cases),
        "at [Hz]",
        "delay [ms]",
        "gas [%]",
    )
    out.print(table(head, rows, left=0, title="Feed-system stability: gain margin [dB] by state of the manifolds"))
    stated = result.as_stated.label
    out.print(
        f"at: frequency of the border, and delay: extra delay to it, both {stated}; gas: share of the manifolds at which "
        "it becomes unstable."
    )
    for case in result.cases:
        out.print(Text(f"{case.label}: {result.verdict(case)}", style="bold" if case is result.as_stated else ""))
    for note in result.notes:
        out.print(Text(f"note: {note}"))
    if result.separated.any():
        highest = float(result.throttle[result.separated].max())
        out.print(
            f"caution: at {number(100.0 * highest, 3)} % throttle and below the flow may leave the nozzle wall: exit pressure "
            f"down to {number(float(result.exit_pressure_ratio.min()), 2)} of ambient, rule of thumb 0.4 (Summerfield); side "
            "loads, thrust unsure"
        )
    if not result.throat_choked.all():
        out.print("caution: the throat may not be choked at the lowest settings; these numbers do not hold there")
    if not result.soft.stable.all():
        out.print(
            "caution: gas or warm liquid behind a valve makes this engine chug; bleed and chill before throttling down"
        )
    out.print()


def surge_or_start(result: Any, out: Console) -> None:
    """Print a result of ``surge_or_start``."""
    (_start if hasattr(result, "arrival_lead") else _surge)(result, out)


def _surge(result: SurgeResult, out: Console) -> None:
    rows = [
        [
            m.name,
            f"{math.degrees(m.start_angle):.0f} to {math.degrees(m.end_angle):.0f}",
            number(1e3 * m.duration, 3),
            number(m.peak / 1e5, 4),
            number(m.rise / 1e5, 3),
            number(m.trough / 1e5, 3),
            "whole" if m.cavity == 0.0 else "PARTS",
        ]
        for m in result.movements
    ]
    head = ("movement", "angle [deg]", "in [ms]", "peak", "rise", "lowest", "column")
    out.print(table(head, rows, title=f"Surge, {result.leg} leg: pressures [bar abs], rise [bar]", words=("column",)))
    out.print(
        "peak: before the valve; rise: peak over the higher of the steady pressures before and after; lowest: anywhere in the "
        "line."
    )
    safe = result.safe_speed
    fastest = (
        "none that shuts within 5 s"
        if safe == 0.0
        else "any"
        if math.isinf(safe)
        else f"{number(math.degrees(safe), 3)} deg/s"
    )
    out.print(
        f"Limit {number(result.pressure_limit / 1e5)} bar abs, at rest {number(result.static_pressure / 1e5)}. Wave speed "
        f"{number(result.wave_speed)} m/s, 2L/a {number(1e3 * result.reflection, 3)} ms. Sudden stop from full thrust "
        f"(Joukowsky): +{number(result.joukowsky / 1e5, 3)} bar; slow-closure estimate of the stroke (Michaud, as if the flow "
        f"fell evenly): +{number(result.slow_estimate / 1e5, 3)} bar. Vapour pressure "
        f"{number(result.vapour_pressure / 1e5, 3)} bar abs: the column parts where the lowest falls to it. Fastest "
        f"constant closing speed within the limit: {fastest} (command limit {number(math.degrees(result.speed_limit), 3)})."
    )
    law = result.law
    if law is not None:
        at = np.linspace(0, law.time.size - 1, LAW_SHOWN).round().astype(int)
        rows = [
            ["time [ms]", *(number(1e3 * float(law.time[j]), 3) for j in at)],
            ["angle [deg]", *(f"{math.degrees(float(law.angle[j])):.1f}" for j in at)],
        ]
        out.print()
        out.print(
            table(
                ("closing law", *("" for _ in at)),
                rows,
                title=f"Closing law of least surge in {1e3 * law.duration:.0f} ms, {result.leg} leg",
            )
        )
        out.print(
            f"Peak {number(law.peak / 1e5, 5)} bar abs; {number(law.constant_speed_peak / 1e5, 5)} at constant speed in the "
            "same time. Check it on the stand with water before it is trusted."
        )
    if result.law_note:
        out.print(Text(result.law_note))
    said(result, out)


def _start(result: FillResult, out: Console) -> None:
    rows = [
        [
            name,
            number(1e6 * leg.volume, 3),
            number(1e3 * leg.cracking, 3),
            number(1e3 * leg.full, 3),
            number(1e3 * leg.arrival, 3),
            number(1e3 * leg.mass, 3),
            f"{number(1e3 * leg.mass_low, 3)} to {number(1e3 * leg.mass_high, 3)}",
        ]
        for name, leg in result.legs.items()
    ]
    head = ("leg", "fills [mL]", "flow [ms]", "full [ms]", "clock [ms]", "waits [g]", "low, high [g]")
    out.print(table(head, rows, title=f"Start to {100.0 * result.throttle:.0f} % throttle"))
    first = "fuel" if result.arrival_lead > 0.0 else "oxidizer"
    lines = " and ".join(f"{number(1e3 * leg.line_fill_time, 3)} ms ({name})" for name, leg in result.legs.items())
    out.print(
        f"Before the valve the line is full at the command; to fill it empty takes {lines} at the flow of full thrust. Fills: "
        "volume behind the valve, its first flow and when it is full, from the leg's own command. "
        f"Clock: arrival on the engine's, oxidizer command at 0; {first} first by {number(1e3 * abs(result.arrival_lead), 3)} "
        f"ms; ignition at {number(1e3 * result.ignition, 3)} ms. Waits: in the unlit chamber at ignition; low, high: two "
        "standard deviations of timing."
    )
    limit = (
        "no burst_limit stated, not assessed"
        if result.burst_limit is None
        else f"{'within' if result.within_limit else 'ABOVE'} the limit of {number(result.burst_limit / 1e5, 3)} bar"
    )
    out.print(
        f"Burnt at once in the closed chamber, at the worst mixture ratio (O/F {number(result.burst_ratio, 3)}): "
        f"+{number(result.burst / 1e5, 3)} bar, +{number(result.burst_high / 1e5, 3)} with both high; {limit}."
    )
    said(result, out)
