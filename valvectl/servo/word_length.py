"""Coefficients of the difference equations rounded to a word: how far poles and margins move."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from valvectl.parts.controller import CascadeGains, filter_share
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.sampled import closed_loop
from valvectl.servo.tune import loop_margins

Scaling = Literal["own", "common"]
"""own: each coefficient has its own power of two (a float's mantissa); common: one power of two for all of a controller."""

SHORTEST, LONGEST = 4, 32
"""Word lengths looked at [bit], sign included."""
WITHIN = 0.01
"""Change of gain margin (as a factor) and phase margin, relative, that is allowed [-]."""
LIVE = 0.05
"""Poles of smaller magnitude are delays and take no part in how far poles move."""


def round_to_word(value: float, bits: int, largest: float) -> float:
    """``value`` rounded to the nearest number of a word of ``bits`` (sign included) scaled to hold ``largest``.

    The step is the power of two with which the largest fits: 2^(ceil(log2 largest) - bits + 1).
    """
    if value == 0.0 or largest <= 0.0:
        return 0.0
    _, exponent = math.frexp(largest)
    step = math.ldexp(1.0, exponent - bits + 1)
    return round(value / step) * step


def rounded_gains(servo: Servo, gains: CascadeGains, bits: int, scaling: Scaling) -> tuple[Servo, CascadeGains]:
    """Servo and gains as they are with the stored coefficients rounded.

    Stored are Kp; Kv, Kv Kiv Ts and the filter's share; Kc and Kc Kic Tc.
    """
    share = filter_share(servo.speed_period, servo.speed_filter)
    groups = (
        (gains.position,),
        (gains.speed, gains.speed * gains.speed_integral * servo.speed_period),
        (share,),
        (gains.current, gains.current * gains.current_integral * servo.current_period),
    )
    new = [
        tuple(round_to_word(c, bits, abs(c) if scaling == "own" else max(abs(x) for x in group)) for c in group)
        for group in groups
    ]
    (kp,), (kv, kv_step), (filtered,), (kc, kc_step) = new
    speed = replace(
        gains,
        position=kp,
        speed=kv,
        speed_integral=kv_step / (kv * servo.speed_period) if kv else 0.0,
        current=kc,
        current_integral=kc_step / (kc * servo.current_period) if kc else 0.0,
    )
    lag = servo.speed_filter
    if lag > 0.0 and 0.0 < filtered < 1.0:
        lag = -servo.speed_period / math.log(1.0 - filtered)
    return replace(servo, speed_filter=lag), speed


@dataclass(frozen=True)
class Rounded:
    """What rounding to one word length does."""

    bits: int
    poles: float
    """Largest way of a closed-loop pole in the z plane [-]."""
    gain_margin: float
    """Relative change of the position loop's gain margin as a factor [-]."""
    phase_margin: float
    """Relative change of its phase margin [-]."""
    stable: bool


def moved(poles: Any, others: Any) -> float:
    """Largest way from a pole to the nearest of the others [-], those near zero left out; complex arrays of shape (n,)."""
    live = poles[np.abs(poles) > LIVE]
    return float(max((np.min(np.abs(others - p)) for p in live), default=0.0))


def rounding(servo: Servo, gains: CascadeGains, scaling: Scaling) -> tuple[tuple[Rounded, ...], int]:
    """Rounding at every word length, and the shortest from which on both margins keep within ``WITHIN``.

    Zero for the length when even the longest does not.
    """
    exact = loop_margins(servo, gains, "position").margins
    poles = np.linalg.eigvals(closed_loop(servo, gains).a)
    out: list[Rounded] = []
    for bits in range(SHORTEST, LONGEST + 1):
        other, changed = rounded_gains(servo, gains, bits, scaling)
        if min(changed.position, changed.speed, changed.current) <= 0.0:
            out.append(Rounded(bits, math.inf, -1.0, -1.0, False))
            continue
        found = loop_margins(other, changed, "position")
        m = found.margins
        out.append(
            Rounded(
                bits=bits,
                poles=moved(poles, np.linalg.eigvals(closed_loop(other, changed).a)),
                gain_margin=_relative(10.0 ** (m.gain_margin_db / 20.0), 10.0 ** (exact.gain_margin_db / 20.0)),
                phase_margin=_relative(m.phase_margin, exact.phase_margin),
                stable=found.stable,
            )
        )
    good = [r.stable and max(abs(r.gain_margin), abs(r.phase_margin)) <= WITHIN for r in out]
    bad = [r.bits for r, g in zip(out, good, strict=True) if not g]
    return tuple(out), SHORTEST if not bad else bad[-1] + 1 if bad[-1] < LONGEST else 0


def _relative(value: float, exact: float) -> float:
    if math.isinf(value) and math.isinf(exact):
        return 0.0
    return value / exact - 1.0
