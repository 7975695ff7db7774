"""Tables of the study of responses."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console

from valvectl.cli_print import table
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.studies.responses import Responses


def response(result: Responses, out: Console) -> None:
    """Print a result of ``response``."""
    rows = []
    for case in result.steps:
        for kind, curve in (("real", case.real), ("linear", case.linear)):
            m = curve.metrics
            rows.append(
                [
                    number(math.degrees(case.size), 3) if kind == "real" else "",
                    kind,
                    number(1e3 * m.dead_time, 3, "none"),
                    number(1e3 * m.t63, 3, "none"),
                    number(1e3 * m.t86, 3, "none"),
                    number(100.0 * m.overshoot, 3),
                    number(1e3 * m.settling, 3, "no"),
                    number(round(100.0 * m.residual, 4), 2),
                    number(1e3 * curve.iae, 3),
                    number(1e6 * curve.itae, 3),
                ]
            )
    head = (
        "step\n[deg]", "", "dead\n[ms]", "T63\n[ms]", "T86\n[ms]", "over\n[%]", "settled\n[ms]", "left\n[%]", "IAE\n[ms]",
        "ITAE\n[ms2]",
    )  # fmt: skip
    out.print(table(head, rows, left=0, words=("",), title=f"Steps, {result.leg} leg, from the step's own start"))
    lags = [number(round(1e3 * lag, 4), 3) for lag in (result.ramp_real, result.ramp_real_down, result.ramp_linear)]
    out.print(
        f"Ramp of {number(math.degrees(result.ramp_rate), 3)} deg/s: the stem lags {lags[0]} ms up and {lags[1]} ms down; "
        f"linear {lags[2]} ms."
    )
    out.print()
    rows = [
        [
            number(float(w) / (2.0 * math.pi), 3),
            number(math.degrees(float(a)), 3),
            *(number(float(x), 3) for x in (g, lg)),
            *(number(math.degrees(float(x)), 3) for x in (p, lp)),
        ]
        for w, a, g, lg, p, lp in zip(
            result.sine_frequency,
            result.sine_amplitude,
            result.sine_gain,
            result.linear_gain,
            result.sine_phase,
            result.linear_phase,
            strict=True,
        )
    ]
    sine_head = ("sine\n[Hz]", "amplitude\n[deg]", "gain\nreal", "\nlinear", "phase\nreal [deg]", "\nlinear [deg]")
    out.print(table(sine_head, rows, left=0, title="Sine command to stem, feed-forward of speed in it"))
    errors = [
        f"{kind} {number(math.degrees(most), 3)} deg (RMS {number(math.degrees(rms), 3)} deg)"
        for kind in ("real", "linear")
        for most, rms in (result.profile_error(kind),)
    ]
    out.print(f"Throttle profile, largest error of the stem behind its command: {', '.join(errors)}.")
    out.print(
        f"Resolution {number(math.degrees(result.small.onward), 3)} deg, dead band "
        f"{number(math.degrees(result.small.reversal), 3)} deg: smallest step that the stem follows onward and after a "
        "reversal, simulated."
    )
    out.print()
