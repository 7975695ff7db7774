"""The sampled cascade, loop by loop, as its difference equations. Stem units throughout (angle and speed of the stem).

Position (every Tp):  w_set = clip(Kp e + kff (cmd - cmd_before)/Tp, +-w_max)
Speed (every Ts):     w_raw = (angle - angle_before)/Ts;  w += a (w_raw - w);  u = Kv (w_set - w) + x
                      i_set = clip(u, +-i_max);  x += Kv Kiv Ts (w_set - w) unless that drives u further into its limit
Current (every Tc):   u = Kc (i_set - i) + y;  v = clip(u, +-v_max);  y += Kc Kic Tc (i_set - i) likewise
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from valvectl.parts.controller_pid import PidGains
    from valvectl.parts.controller_state import StateGains


@dataclass(frozen=True)
class CascadeGains:
    """Gains of the cascade, SI, stem units."""

    position: float
    """Kp: stem speed per position error [1/s]."""
    speed: float
    """Kv: motor current per stem speed error [A s/rad]."""
    speed_integral: float
    """Kiv: integral rate of the speed loop [1/s]."""
    current: float
    """Kc: motor voltage per current error [V/A]."""
    current_integral: float
    """Kic: integral rate of the current loop [1/s]."""
    outer: PidGains | StateGains | None = None
    """Of the other structures, in place of position and speed loop; None: the cascade."""


def clip(value: float, limit: float) -> float:
    """Value held within plus or minus ``limit``."""
    return min(max(value, -limit), limit)


def rate_limited(target: float, before: float, largest_step: float) -> float:
    """Command one sample on: moves to ``target`` by at most ``largest_step``."""
    return before + clip(target - before, largest_step)


def position_law(
    command: float, command_before: float, angle: float, kp: float, feedforward: float, period: float, band: float
) -> float:
    """Speed set-point [rad/s] before its limit. Inside ``band`` [rad] and with the command at rest the error counts as zero."""
    error = command - angle
    if command == command_before and abs(error) <= band:
        error = 0.0
    return kp * error + feedforward * (command - command_before) / period


def filter_share(period: float, time_constant: float) -> float:
    """Share ``a`` of the new value in the first-order filter, exact for a held input: 1 - exp(-T/tau)."""
    if time_constant <= 0.0:
        return 1.0
    return 1.0 - math.exp(-period / time_constant)


def pi_output(error: float, integral: float, kp: float) -> float:
    """Output of a PI controller before its limit."""
    return kp * error + integral


def pi_integral(error: float, integral: float, kp: float, ki_period: float, output: float, limit: float) -> float:
    """Integral one sample on: stands still while the output is limited and the error would drive it further.

    ``ki_period`` is integral rate [1/s] times period [s].
    """
    if (output > limit and error > 0.0) or (output < -limit and error < 0.0):
        return integral
    return integral + kp * ki_period * error
