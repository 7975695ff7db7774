"""Margins over the declared jitter of the delays: every loop's delay at both ends of its range, in all combinations.

A delay that stays anywhere in its range is covered as far as margins move one way with each delay, which they do near the
nominal ones; a delay that changes from sample to sample is not proved stable by this. The simulated runs draw one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from valvectl.parts.controller import CascadeGains
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.margins import Margins, margins
from valvectl.servo.sampled import BreakPoint, Place
from valvectl.servo.small import one_thread
from valvectl.servo.structures import loops_of
from valvectl.servo.transfers import loop_gain


@dataclass(frozen=True)
class PlaceMargins:
    """Margins at a place with the delays shifted by ``shifts``."""

    at: Place
    shifts: dict[BreakPoint, float]
    """Change of each jittering loop's delay [s]; empty: nominal."""
    margins: Margins
    stable: bool


@dataclass(frozen=True)
class JitterMargins:
    """Margins at a place over the range of the delays."""

    nominal: PlaceMargins
    corners: tuple[PlaceMargins, ...]
    """All combinations of the ends of the ranges; none where nothing inside this place jitters."""

    @property
    def all(self) -> tuple[PlaceMargins, ...]:
        """Nominal and corners."""
        return (self.nominal, *self.corners)

    @property
    def stable(self) -> bool:
        """Stable at the nominal delays and at every corner."""
        return all(p.stable for p in self.all)

    @property
    def least_phase(self) -> PlaceMargins:
        """Where the phase margin is least."""
        return min(self.all, key=lambda p: p.margins.phase_margin if p.stable else -math.inf)

    @property
    def least_gain(self) -> PlaceMargins:
        """Where the gain margin is least."""
        return min(self.all, key=lambda p: p.margins.gain_margin_db if p.stable else -math.inf)

    @property
    def highest_peak(self) -> PlaceMargins:
        """Where the peak sensitivity is highest."""
        return max(self.all, key=lambda p: p.margins.peak_sensitivity if p.stable else math.inf)


@one_thread
def place_margins(servo: Servo, gains: CascadeGains, at: Place) -> PlaceMargins:
    """Margins of the exact loop gain at a place. ``outer`` needs a trim (``ValueError`` without): no loop closes there."""
    if at == "outer" and servo.trim_gain <= 0.0:
        raise ValueError("without a trim from the stem no loop closes at the outer place")
    loop = loop_gain(servo, gains, at)
    highest = math.pi / loop.period
    radius = float(np.max(np.abs(np.linalg.eigvals(loop.a - loop.b @ loop.c))))
    # With the position loop open the angle itself drifts freely: one eigenvalue at one is then no instability.
    border = 1.0 if at in ("position", "outer") else 1.0 + 1e-7
    return PlaceMargins(at, {}, margins(lambda w: loop.response(w)[:, 0, 0], 1e-4 * highest, highest), radius < border)


def shifted(servo: Servo, at: Place) -> Iterator[tuple[dict[BreakPoint, float], Servo]]:
    """The servo with the delays of the loops that run at a place at both ends of their jitter, in all combinations."""
    order = loops_of(servo)
    running = order if at == "outer" else order[order.index(at) :]
    ranges: dict[BreakPoint, float] = {loop: float(getattr(servo, f"{loop}_jitter")) for loop in running}
    moving = [loop for loop in running if ranges[loop] > 0.0]
    for signs in itertools.product((-1.0, 1.0), repeat=len(moving)):
        if not signs:
            return
        shifts = {loop: sign * ranges[loop] for loop, sign in zip(moving, signs, strict=True)}
        # never below zero by a rounding error
        changes = {f"{loop}_delay": max(getattr(servo, f"{loop}_delay") + by, 0.0) for loop, by in shifts.items()}
        yield shifts, replace(servo, **changes)  # type: ignore[arg-type]


def jitter_margins(servo: Servo, gains: CascadeGains, at: Place) -> JitterMargins:
    """Margins at a place at the nominal delays and at every corner of the declared jitter of the loops that run there."""
    corners = tuple(replace(place_margins(other, gains, at), shifts=shifts) for shifts, other in shifted(servo, at))
    return JitterMargins(place_margins(servo, gains, at), corners)
