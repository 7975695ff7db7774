"""The outer loops as their difference equations: thrust by chamber pressure, mixture ratio by both flows.

Every T:  e = 1 - measured/wanted;  u = clip(Kp e + x, +-authority);  x += Kp Ki T e unless that drives u further into its limit
          (``controller.pi_output``, ``pi_integral``);  trim of a valve = d_p u_p + d_r u_r [rad]

u_p is a relative trim of the chamber pressure, u_r one of the mixture ratio; d is the decoupler, radians of a valve per unit of
either.
"""

from __future__ import annotations


def lag_step(state: float, value: float, share: float) -> float:
    """First-order sensor one step on; ``share`` = 1 - exp(-step/lag), exact for a value that holds over the step."""
    return state + share * (value - state)


def relative_error(wanted: float, measured: float) -> float:
    """1 - measured/wanted [-]; ``wanted`` above zero."""
    return 1.0 - measured / wanted


def flow_ratio(oxidizer: float, fuel: float) -> float:
    """Measured mixture ratio [-] from two measured flows [kg/s]; a flow that reads zero or less counts as next to nothing."""
    return max(oxidizer, 0.0) / max(fuel, 1e-9)


def valve_trim(pressure_trim: float, ratio_trim: float, per_pressure: float, per_ratio: float) -> float:
    """Trim of a valve [rad] from both loops' outputs [-] and its row of the decoupler [rad]."""
    return per_pressure * pressure_trim + per_ratio * ratio_trim


def sent_trim(wanted: float, sent: float, lowest: float, highest: float, least_change: float) -> float:
    """Trim [rad] that is sent: held between the stops' room, and the one sent before while it differs by less than
    ``least_change``."""
    held = min(max(wanted, lowest), highest)
    return sent if abs(held - sent) < least_change else held
