"""Numbers and verdicts as a reader sees them, on the terminal and in the report; never "nan" or "inf"."""

from __future__ import annotations

import math

from valvectl.parts.controller import CascadeGains
from valvectl.parts.controller_pid import PidGains
from valvectl.review.verdict import Row

SIGN = {"<=": "≤", ">=": "≥"}
MARK = {"met": "●", "missed": "▲", "not assessed": "◇"}
"""A shape beside the word, so that the verdict does not hang on colour."""

_NEVER = {
    "mixture_ratio_settling": ("does not settle", "never"),
    "step_settling": ("does not settle", "never"),
    "mixture_ratio_disturbed": ("run ends early", "ends"),
    "stroke_time": ("does not arrive", "never"),
    "tracking_mismatch": ("does not follow", "never"),
    "peak_sensitivity": ("unstable", "unstable"),
    "motor_heating": ("no steady temperature", "runaway"),
    "gain_margin": ("no crossing", "no limit"),
    "phase_margin": ("no crossing", "no limit"),
    "chug_margin": ("above 80 dB", "> 80"),
}


def number(value: float | None, digits: int = 4, none: str = "none") -> str:
    """Number with some significant digits; ``none`` for what is missing or not finite."""
    if value is None or not math.isfinite(value):
        return none
    text = f"{value:.{digits}g}"
    if "e" in text and 1e-5 <= abs(value) < 1e9:
        text = f"{value:.0f}" if abs(value) >= 1.0 else f"{value:.{digits + 5}f}".rstrip("0")
    return "0" if text == "-0" else text


def signed(percent: float | None) -> str:
    """An error in per cent with its sign and two decimals, without the number's unit."""
    if percent is None or not math.isfinite(percent):
        return "none"
    text = f"{percent:+.2f}"
    return "0.00" if text in ("+0.00", "-0.00") else text


def found(row: Row, short: bool = False) -> str:
    """What was found, without its unit. ``short`` fits a narrow column.

    A missed row never shows the limit itself as its value: digits are added until the two differ.
    """
    if row.value is None:
        return "none"
    if not math.isfinite(row.value):
        if row.verdict != "met" and "unstable" in row.case:
            return "unstable"
        return _NEVER.get(row.id, ("no limit", "no limit"))[1 if short else 0]
    text = number(row.value)
    if row.verdict == "missed" and text == number(row.limit):
        for digits in range(5, 13):
            text = number(row.value, digits)
            if text != number(row.limit, digits):
                break
    return text


def margin(row: Row) -> str:
    """Margin in per cent of the limit with its sign."""
    if row.margin is None:
        return "none"
    if not math.isfinite(row.margin):
        return "no limit" if row.margin > 0.0 else "none"
    percent = 100.0 * row.margin
    if abs(percent) >= 1000.0:
        return "> +999 %" if percent > 0.0 else "< -999 %"
    text = f"{percent:+.0f} %" if abs(percent) >= 10.0 else f"{percent:+.1f} %"
    if text in ("+0.0 %", "-0.0 %"):
        return "< 0 %" if row.verdict == "missed" else "0 %"
    return text


def count_line(met: int, missed: int, not_assessed: int) -> str:
    """How many rows fared how."""
    return f"{met} met, {missed} missed, {not_assessed} not assessed"


def outcome(all_met: bool) -> str:
    """The verdict as a sentence."""
    return "The analysis passes." if all_met else "The analysis does not pass."


CAUTION = (
    "An analysis that passes is not permission to operate. Oxygen, pressure, cryogens and fire injure and kill. "
    "Follow local codes and licensed practice, and test in stages with people clear."
)
"""The line that goes with every verdict."""


def gains_words(gains: CascadeGains) -> str:
    """The gains of a controller's structure as a list in words."""
    outer = gains.outer
    current = f"Kc {number(gains.current)} V/A, Kic {number(gains.current_integral)} 1/s"
    if outer is None:
        return (
            f"Kp {number(gains.position)} 1/s, Kv {number(gains.speed)} A s/rad, Kiv {number(gains.speed_integral)} 1/s, "
            f"{current}"
        )
    if isinstance(outer, PidGains):
        return (
            f"K {number(outer.gain)} A/rad, Ti {number(1e3 * outer.integral_time)} ms, Td "
            f"{number(1e3 * outer.derivative_time)} ms, N {number(outer.derivative_filter)}, b {number(outer.weight)}, {current}"
        )
    return (
        f"angle {number(outer.angle)} A/rad, speed {number(outer.speed)} A s/rad, integral {number(outer.integral)} "
        f"A/(rad s), past outputs {', '.join(number(x, 3) for x in outer.past)}, observer {number(outer.observer[0], 3)} and "
        f"{number(outer.observer[1], 3)} 1/s, poles at {number(outer.bandwidth, 3)} rad/s, b {number(outer.weight)}, {current}"
    )
