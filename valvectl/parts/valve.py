"""Quarter-turn valve: liquid flow to IEC 60534-2-1, with choking; flow coefficient and FL against angle.

The laws are plain functions of floats. ``c`` is the flow coefficient in SI form [m^2], mass flow = c sqrt(rho dp);
Kv and Cv are turned into it by the constants below.

Sources: IEC 60534-2-1:2011 (equal to ANSI/ISA-75.01.01-2012), clauses on incompressible fluids and piping geometry;
the constants were re-derived here from the definitions of Kv and Cv.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from valvectl.errors import RangeError
from valvectl.parts.lookup import FloatArray
from valvectl.parts.monotone import monotone_cubic

WATER_15C = 999.1
"""Density of water at 15 degC [kg/m^3], the reference density of IEC 60534."""
KV_TO_C = math.sqrt(WATER_15C / 1.0e5) / 3600.0
"""SI coefficient [m^2] of Kv = 1: 1 m^3/h of water at 1 bar; c = Kv sqrt(rho0 / 1e5 Pa) / 3600 s."""
CV_TO_KV = 3.785411784e-3 * 60.0 * math.sqrt(1.0e5 / 6894.757293168)
"""Kv of Cv = 1: one US gallon a minute at one psi, in m^3/h at one bar (0.86498)."""
LEAST_FP_TERM = 0.5
"""Least value of 1 + sum K / N2 (Kv / d^2)^2 that is still used; below it FP rests on a small difference."""
C_FLOOR = 1.0e-14
"""Coefficient below which a valve counts as shut [m^2]; keeps divisions finite."""

# Weisbach's loss coefficient of a cock in a round pipe against opening (90 deg less the angle turned from open).
# Published in his Lehrbuch der Ingenieur- und Maschinen-Mechanik and repeated in many handbooks; typed from memory.
WEISBACH_OPENING_DEG = (25.0, 30.0, 35.0, 40.0, 45.0, 50.0, 55.0, 60.0, 65.0, 70.0, 75.0, 80.0, 85.0)
WEISBACH_K = (486.0, 206.0, 106.0, 52.6, 31.2, 17.3, 9.68, 5.47, 3.1, 1.56, 0.75, 0.29, 0.05)
WEISBACH_SHUT_DEG = 8.0
"""Opening at which the round cock shuts (82 deg of closing)."""


def critical_pressure_ratio_factor(vapour_pressure: float, critical_pressure: float) -> float:
    """FF, the liquid critical pressure ratio factor [-], from vapour and critical pressure [Pa] (IEC 60534-2-1)."""
    return 0.96 - 0.28 * math.sqrt(vapour_pressure / critical_pressure)


def choked_pressure_drop(fl: float, p1: float, ff: float, vapour_pressure: float) -> float:
    """Pressure drop [Pa] at which the flow chokes: FL^2 (p1 - FF pv). With fittings pass FLP/FP for ``fl``."""
    return fl * fl * (p1 - ff * vapour_pressure)


def valve_flow(c: float, fl: float, rho: float, p1: float, p2: float, ff: float, vapour_pressure: float) -> float:
    """Mass flow [kg/s] through the valve, turbulent, choking included; zero against the flow direction.

    Parameters
    ----------
    c : flow coefficient [m^2]; with fittings FP times it
    fl : recovery factor FL [-]; with fittings FLP/FP
    rho : liquid density [kg/m^3]
    p1, p2 : absolute pressure before and behind [Pa]
    ff : critical pressure ratio factor [-]
    vapour_pressure : at the inlet temperature [Pa]
    """
    drop = min(p1 - p2, fl * fl * (p1 - ff * vapour_pressure))
    if drop <= 0.0:
        return 0.0
    return c * math.sqrt(rho * drop)


def valve_loss(c: float, rho: float) -> float:
    """Pressure drop per mass flow squared [Pa s^2/kg^2] of the valve when it does not choke: 1 / (rho c^2)."""
    return 1.0 / (rho * c * c)


def inlet_pressure(c: float, fl: float, rho: float, flow: float, p2: float, ff: float, vapour_pressure: float) -> float:
    """Inlet pressure [Pa] that a mass flow [kg/s] needs: exact inverse of ``valve_flow`` in p1, choking included.

    Since the flow is the lesser of the free and the choked branch and both rise with p1, the pressure is the larger of
    the two. The inverse in p2 does not exist on the choked plateau; see ``outlet_pressure``.
    """
    loss = flow * flow / (rho * c * c)
    free, choked = p2 + loss, ff * vapour_pressure + loss / (fl * fl)
    return free if free > choked else choked


def outlet_pressure(
    c: float, fl: float, rho: float, flow: float, p1: float, ff: float, vapour_pressure: float
) -> float:
    """Outlet pressure [Pa] at a mass flow [kg/s]; NaN when the flow is at or above the choked flow (undetermined)."""
    loss = flow * flow / (rho * c * c)
    if loss >= fl * fl * (p1 - ff * vapour_pressure):
        return math.nan
    return p1 - loss


def reducer_losses(d: float, d1: float, d2: float) -> tuple[float, float]:
    """Sum of velocity-head losses of short concentric reducers at inlet and outlet.

    ``d`` valve size, ``d1`` and ``d2`` pipe before and behind (same unit). Returns (sum K, K1 + KB1) [-] of
    IEC 60534-2-1, where sum K = K1 + K2 + KB1 - KB2.
    """
    inlet = (d / d1) ** 2
    outlet = (d / d2) ** 2
    k1 = 0.5 * (1.0 - inlet) ** 2
    k2 = (1.0 - outlet) ** 2
    kb1 = 1.0 - inlet * inlet
    kb2 = 1.0 - outlet * outlet
    return k1 + k2 + kb1 - kb2, k1 + kb1


def piping_factor(kv: float, d: float, sum_k: float) -> float:
    """FP [-] from Kv [m^3/h], valve size [m] and the sum of loss coefficients (N2 = 1.60e-3, mm)."""
    ratio = kv / (d * 1.0e3) ** 2
    return 1.0 / math.sqrt(1.0 + sum_k / 1.60e-3 * ratio * ratio)


def combined_recovery_factor(kv: float, fl: float, d: float, inlet_k: float) -> float:
    """FLP [-]: recovery factor of valve with inlet fittings, from Kv [m^3/h], FL, valve size [m] and K1 + KB1."""
    ratio = kv / (d * 1.0e3) ** 2
    return fl / math.sqrt(1.0 + fl * fl / 1.60e-3 * inlet_k * ratio * ratio)


def valve_reynolds(q: float, nu: float, kv: float, fl: float, fd: float, d: float) -> float:
    """Valve Reynolds number [-] of IEC 60534-2-1 (N4 = 7.07e-2); turbulent above 10 000.

    ``q`` volume flow [m^3/h], ``nu`` kinematic viscosity [m^2/s], ``d`` pipe size [m].
    """
    n2, n4 = 1.60e-3, 7.07e-2
    root = math.sqrt(math.sqrt(fl * fl * kv * kv / (n2 * (d * 1.0e3) ** 4) + 1.0))
    return n4 * fd * q / (nu * math.sqrt(kv * fl)) * root


@dataclass(frozen=True)
class FlowCharacteristic:
    """Flow coefficient and recovery factor on a fine uniform grid of opening, as every part of the program sees them."""

    start: float
    """First angle of the grid [rad]."""
    per_step: float
    """Grid points per radian [1/rad]."""
    c: FloatArray
    """Flow coefficient [m^2] with reducers where asked for, shape (n,), at least ``C_FLOOR``."""
    fl: FloatArray
    """FL, or FLP/FP with reducers [-], shape (n,)."""
    shut: float
    """Angle up to which the valve passes nothing [rad]; the closed stop for a valve that never shuts."""
    first: float
    """Lowest angle with a stated coefficient [rad]; below it the curve is an extrapolation."""
    last: float
    """Highest angle with a stated coefficient [rad]."""

    @property
    def angles(self) -> FloatArray:
        """The grid [rad], shape (n,)."""
        return np.asarray(self.start + np.arange(self.c.size) / self.per_step)


def weisbach_kv(bore: float) -> tuple[list[float], list[float]]:
    """Angles [rad] and Kv [m^3/h] of a plain round port from Weisbach's table.

    K is on the velocity in the bore, so c = A sqrt(2 / K) and Kv = c / KV_TO_C. ``bore`` in [m]. The first entry is the
    shut angle with Kv = 0.
    """
    area = math.pi / 4.0 * bore * bore
    angles = [math.radians(WEISBACH_SHUT_DEG)] + [math.radians(a) for a in WEISBACH_OPENING_DEG]
    kv = [0.0] + [area * math.sqrt(2.0 / k) / KV_TO_C for k in WEISBACH_K]
    return angles, kv


def log_table(angle: FloatArray, kv: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Angles [rad] at which a table of Kv [m^3/h] is above zero, and ln Kv there."""
    positive = kv > 0.0
    return angle[positive], np.log(kv[positive])


@functools.lru_cache(maxsize=32)
def _even(start: float, end: float, points: int) -> FloatArray:
    """``points`` even steps, not to be written to: engines drawn by the thousand have the same."""
    grid = np.linspace(start, end, points)
    grid.flags.writeable = False
    return grid


def flow_characteristic(
    angle: FloatArray,
    kv: FloatArray,
    fl_angle: FloatArray,
    fl: FloatArray,
    closed: float,
    opened: float,
    bore: float = 0.0,
    pipe_before: float = 0.0,
    pipe_behind: float = 0.0,
    reducers: bool = False,
    points: int = 1801,
) -> FlowCharacteristic:
    """Fine grid of c and FL from a coarse table of Kv.

    Between stated points ln Kv is a monotone cubic (PCHIP) in the angle, since ball valves are nearly equal-percentage;
    below the first positive entry Kv goes to zero at the shut angle as a power of the angle from there: with the curve's
    own slope at that entry, or linearly where the curve is flatter than that. Above the last entry Kv is held. FL is a
    monotone cubic, held outside its table.

    Parameters
    ----------
    angle, kv : table [rad], [m^3/h], shape (n,); kv may start with zeros
    fl_angle, fl : table [rad], [-], shape (m,)
    closed, opened : range of the grid, the hard stops [rad]
    bore, pipe_before, pipe_behind : diameters [m], used when ``reducers``

    Raises ``RangeError`` when the reducers are outside what FP is good for (a pipe narrower than the bore, or a widening
    behind a valve of so little loss that FP has no value).
    """
    first_index = int(np.argmax(kv > 0.0))
    angles, logs = log_table(angle, kv)
    log_curve = monotone_cubic(angles, logs)
    grid = _even(closed, opened, points)
    first, last = float(angles[0]), float(angles[-1])
    if first_index > 0:
        shut = float(angle[first_index - 1])
    elif first > closed:
        shut = closed  # nothing was said about the shut end: let the curve reach zero at the stop
    else:
        shut = -math.inf
    curve = np.exp(log_curve(np.clip(grid, first, last)))
    below = grid < first
    if math.isfinite(shut):
        slope = max(float(log_curve.c[-2, 0]), 1.0 / (first - shut))  # the curve's own at its first point
        power = slope * (first - shut)
        share = np.clip((grid[below] - shut) / (first - shut), 0.0, 1.0)
        curve[below] = kv[first_index] * share**power
    fl_curve = np.asarray(monotone_cubic(fl_angle, fl)(np.clip(grid, fl_angle[0], fl_angle[-1])))
    if reducers:
        sum_k, inlet_k = reducer_losses(bore, pipe_before, pipe_behind)
        fullest = (float(curve.max()) / (bore * 1.0e3) ** 2) ** 2
        if bore > min(pipe_before, pipe_behind) * (1.0 + 1e-9) or 1.0 + sum_k / 1.60e-3 * fullest < LEAST_FP_TERM:
            raise RangeError(
                f"reducers: the piping factor FP has no sound value for a bore of {1e3 * bore:.3g} mm between pipes of "
                f"{1e3 * pipe_before:.3g} and {1e3 * pipe_behind:.3g} mm; give Kv as measured in the line and "
                "reducers = false"
            )
        fp = np.array([piping_factor(float(k), bore, sum_k) for k in curve])
        flp = np.array(
            [combined_recovery_factor(float(k), float(f), bore, inlet_k) for k, f in zip(curve, fl_curve, strict=True)]
        )
        curve, fl_curve = curve * fp, flp / fp
    return FlowCharacteristic(
        start=closed,
        per_step=(points - 1) / (opened - closed),
        c=np.ascontiguousarray(np.maximum(curve * KV_TO_C, C_FLOOR)),
        fl=np.ascontiguousarray(fl_curve),
        shut=max(shut, closed),
        first=first,
        last=last,
    )
