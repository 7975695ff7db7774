"""Duty types of motors: what S1, S2, S3 and S6 mean, overload in closed form, and the periodic state of two nodes.

Duty types after IEC 60034-1 (wording ours, from memory; S1, S2, S3 and S6 as public summaries of it say):

S1  constant load until temperatures are steady.
S2  constant load for a stated time, shorter than it takes to become steady, then rest until the motor is as cold as its
    surroundings again (within 2 K); preferred times 10, 30, 60 and 90 minutes.
S3  equal cycles of constant load and rest, starting without effect on the heat; a cycle of 10 minutes unless stated, cyclic
    duration factor 15, 25, 40 or 60 %.
S6  equal cycles of constant load and running without load, no rest; cycle and factors as in S3.
"""

from __future__ import annotations

import math

from valvectl.parts import motor_heat
from valvectl.parts.lookup import FloatArray

CYCLE = 600.0
"""Length of a cycle of S3 and S6 when none is stated [s] (IEC 60034-1, from memory)."""
SHORT_TIMES = (600.0, 1800.0, 3600.0, 5400.0)
"""Preferred times of S2 [s] (IEC 60034-1, from memory)."""
DURATION_FACTORS = (0.15, 0.25, 0.40, 0.60)
"""Preferred cyclic duration factors of S3 and S6 [-] (IEC 60034-1, from memory)."""


def duration_factor(loaded: float, other: float) -> float:
    """Cyclic duration factor [-]: loaded time [s] over the whole cycle's."""
    return loaded / (loaded + other)


def rms_current(currents: FloatArray, times: FloatArray) -> float:
    """Root mean square [A] of currents [A] that each last a time [s], shapes (n,); zero without any time."""
    heat = total = 0.0
    for j in range(currents.shape[0]):
        heat += currents[j] * currents[j] * times[j]
        total += times[j]
    return math.sqrt(heat / total) if total > 0.0 else 0.0


# ---------------------------------------------------------------------------- one time constant, in closed form


def one_node_temperature(start: float, final: float, time: float, time_constant: float) -> float:
    """Temperature [K] after a time [s] on the way from ``start`` to ``final`` [K], first order."""
    return final + (start - final) * math.exp(-time / time_constant)


def one_node_time(start: float, final: float, limit: float, time_constant: float) -> float:
    """Time [s] from ``start`` to ``limit`` [K] on the way to ``final`` [K]; zero if there, infinite if never."""
    if start >= limit:
        return 0.0
    if final <= limit:
        return math.inf
    return time_constant * math.log((final - start) / (final - limit))


def short_time_loss_factor(time: float, time_constant: float) -> float:
    """S2: total loss allowed for a time [s] from cold, over the loss allowed for ever: 1/(1 - exp(-t/tau)) [-]."""
    return -1.0 / math.expm1(-time / time_constant)


def intermittent_loss_factor(loaded: float, rest: float, heating: float, cooling: float) -> float:
    """S3: total loss allowed while loaded, over the loss allowed for ever [-]; times and time constants [s].

    (1 - exp(-t1/tau1 - t2/tau2))/(1 - exp(-t1/tau1)): the periodic crest then equals the lasting temperature.
    ``cooling`` is the time constant at rest, longer where a fan stands still.
    """
    return math.expm1(-loaded / heating - rest / cooling) / math.expm1(-loaded / heating)


def overload(loss_factor: float, constant_share: float) -> float:
    """Load (current) allowed over the rated [-], from the factor of the total loss.

    sqrt((1 + a) f - a), with ``constant_share`` a = constant loss over copper loss at rated load. Zero when the constant
    loss alone is too much.
    """
    square = (1.0 + constant_share) * loss_factor - constant_share
    return math.sqrt(square) if square > 0.0 else 0.0


# ------------------------------------------------------------------------------------------ two nodes, periodic


def periodic_crest(
    surroundings: float,
    loaded_current: float,
    other_current: float,
    loaded_time: float,
    other_time: float,
    r25: float,
    coefficient: float,
    winding_case: float,
    case_air: float,
    winding_capacity: float,
    case_capacity: float,
    case_loss: float,
) -> tuple[float, float]:
    """Winding and case [K] at the end of the loaded part once cycles repeat: S3 (``other_current`` 0) or S6.

    Currents [A], times [s], ``case_loss`` [W] acts in both parts; the rest as in ``motor_heat.heat_step``. The state
    after a cycle is linear in the state before, so that the periodic one solves two equations. Both infinite when a cycle
    gives more heat than it takes away, which the product of the cycle's gains tells.
    """
    offset_w, offset_c = cycle_step(
        0.0, 0.0, surroundings, loaded_current, other_current, loaded_time, other_time, r25, coefficient, winding_case,
        case_air, winding_capacity, case_capacity, case_loss,
    )  # fmt: skip
    w_w, w_c = cycle_step(
        1.0, 0.0, surroundings, loaded_current, other_current, loaded_time, other_time, r25, coefficient, winding_case,
        case_air, winding_capacity, case_capacity, case_loss,
    )  # fmt: skip
    c_w, c_c = cycle_step(
        0.0, 1.0, surroundings, loaded_current, other_current, loaded_time, other_time, r25, coefficient, winding_case,
        case_air, winding_capacity, case_capacity, case_loss,
    )  # fmt: skip
    if not (math.isfinite(offset_w) and math.isfinite(w_w) and math.isfinite(c_c)):
        return math.inf, math.inf
    a, b, c, d = w_w - offset_w, c_w - offset_w, w_c - offset_c, c_c - offset_c
    half = 0.5 * (a - d)
    greatest = 0.5 * (a + d) + math.sqrt(max(half * half + b * c, 0.0))
    if greatest >= 1.0:
        return math.inf, math.inf
    determinant = (1.0 - a) * (1.0 - d) - b * c
    return (
        ((1.0 - d) * offset_w + b * offset_c) / determinant,
        (c * offset_w + (1.0 - a) * offset_c) / determinant,
    )


def cycle_step(
    winding: float,
    case: float,
    surroundings: float,
    loaded_current: float,
    other_current: float,
    loaded_time: float,
    other_time: float,
    r25: float,
    coefficient: float,
    winding_case: float,
    case_air: float,
    winding_capacity: float,
    case_capacity: float,
    case_loss: float,
) -> tuple[float, float]:
    """Winding and case [K] at the end of a loaded part from those at the end of the one before; the other part first.

    Arguments as in ``periodic_crest``.
    """
    winding, case = motor_heat.heat_step(
        winding, case, surroundings, other_current, r25, coefficient, winding_case, case_air, winding_capacity,
        case_capacity, case_loss, other_time,
    )  # fmt: skip
    return motor_heat.heat_step(
        winding, case, surroundings, loaded_current, r25, coefficient, winding_case, case_air, winding_capacity,
        case_capacity, case_loss, loaded_time,
    )  # fmt: skip
