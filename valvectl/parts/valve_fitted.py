"""Laws of a valve between reducers in liquid that need not be turbulent: FP, FLP and FR acting together.

Plain functions of floats, on top of the turbulent laws of ``valve.py``. Kv is in [m^3/h at 1 bar], all else SI.

The valve alone passes Kv FR. A reducer is a loss in series, so that FP and FLP are taken at Kv FR; in turbulent flow
FR = 1 and both are the standard's. The flow is the lesser of

    free    (Kv FR) FP  sqrt(rho (p1 - p2))
    choked  (Kv FR) FLP sqrt(rho (p1 - FF pv))

which is the standard's rule of the lesser drop with the limit (FLP/FP)^2 (p1 - FF pv), written so that it is continuous
and monotone in every pressure. In turbulent flow both branches invert in closed form, so nothing is left to iterate.

Where this goes beyond the standard: non-turbulent flow there is for a valve without fittings that does not choke. Here
fittings lose their weight as FR falls, and choking stays in force.

Source: IEC 60534-2-1:2011, equal to ANSI/ISA-75.01.01-2012. Equations and constants from memory and from the open
library fluids 1.3.1, checked by the standard's worked examples; the standard's text was not at hand.
"""

from __future__ import annotations

import math

from valvectl.parts.valve import KV_TO_C, combined_recovery_factor, piping_factor, valve_reynolds

N2 = 1.60e-3
"""Constant of the fitting terms for Kv and mm (IEC 60534-2-1, table of numerical constants; exact 1.6003e-3)."""
N18, N32 = 0.865, 140.0
"""Constants of the trim border and of the reduced-trim term for Kv and mm."""
FULL_TRIM_BORDER = 0.016 * N18
"""Rated Kv over d^2 [m^3/h/mm^2] from which a trim counts as full size."""
LARGEST_KV_OVER_D2 = 0.04
"""Kv over d^2 [m^3/h/mm^2] at which the full-trim term is held; the standard claims accuracy up to 0.047 N18."""
TURBULENT_REYNOLDS = 1.0e4
"""Valve Reynolds number from which FR is 1 for every trim the standard covers."""


def trim_constant(kv: float, d: float, full_trim: bool) -> float:
    """n1 (full-size trim) or n2 (reduced trim) [-] of the Reynolds number factor, from Kv and valve size [m].

    n1 = N2 / (Kv/d^2)^2 is the loss coefficient of the valve on its own bore. The two differ by 8 % at the border
    between them; a valve is one or the other by its rated Kv, so that no step is met over its travel.
    """
    ratio = kv / (d * 1.0e3) ** 2
    if full_trim:
        return N2 / min(ratio, LARGEST_KV_OVER_D2) ** 2
    return 1.0 + N32 * math.pow(ratio, 2.0 / 3.0)


def reynolds_factor(reynolds: float, fl: float, n: float) -> float:
    """FR [-]: flow of the valve over its turbulent flow at the same drop, at most 1.

    Laminar 0.026/FL sqrt(n Rev); transitional 1 + 0.33 FL^(1/2) n^(-1/4) log10(Rev/10000); the standard takes the
    lesser from Rev = 10 up and the laminar one below. ``n`` from ``trim_constant``.

    With s = sqrt(n)/FL these are 0.026 s sqrt(Rev) and 1 + 0.33/sqrt(s) log10(Rev/10000): they always cross twice.
    Between the crossings the laminar one is less, above the upper one the transitional. Below the lower crossing the
    transitional line falls to zero and beyond; the standard's border of Rev = 10 is meant to keep it out and does so
    for s between 1.22 and 7.8. For a wide-open valve with a high FL (s from 1 to 1.22) the lower crossing lies above
    10, at most at 25, and the standard's rule has a step at Rev = 10 and more than one flow for one drop. Here the
    laminar line holds up to the upper crossing; that equals the standard wherever the standard is continuous.
    """
    if reynolds <= 0.0:
        return 0.0
    s = math.sqrt(n) / fl
    laminar = 0.026 * s * math.sqrt(reynolds)
    # Where both rise equally per decade: between the crossings for every s.
    even = 1.0e4 * (0.33 * 2.0 / (math.log(10.0) * 2.6 * s * math.sqrt(s))) ** 2
    if reynolds > even:
        laminar = min(laminar, 1.0 + 0.33 / math.sqrt(s) * math.log10(reynolds / 1.0e4))
    return min(laminar, 1.0)


def passing_kv(kv: float, fr: float, fl: float, d: float, sum_k: float, inlet_k: float, choking: bool) -> float:
    """Kv of valve, viscosity and reducers together: (Kv FR) FP, or (Kv FR) FLP on the choked branch."""
    effective = kv * fr
    if choking:
        return effective * combined_recovery_factor(effective, fl, d, inlet_k)
    return effective * piping_factor(effective, d, sum_k)


def bare_kv(passing: float, fl: float, d: float, sum_k: float, inlet_k: float, choking: bool) -> float:
    """Kv FR that a valve needs so that it passes ``passing`` between its reducers: inverse of ``passing_kv``.

    Infinite when the reducers alone take more than there is. Closed form, since 1/passing^2 = 1/Kv^2 + sum K/(N2 d^4).
    """
    ratio = passing / (d * 1.0e3) ** 2
    if choking:
        rest = fl * fl - fl * fl * inlet_k / N2 * ratio * ratio
        return passing / math.sqrt(rest) if rest > 0.0 else math.inf
    rest = 1.0 - sum_k / N2 * ratio * ratio
    return passing / math.sqrt(rest) if rest > 0.0 else math.inf


def factor_at_flow(
    flow: float, kv: float, fl: float, fd: float, d: float, pipe: float, rho: float, mu: float, full_trim: bool
) -> float:
    """FR [-] of a valve at a known mass flow [kg/s]; ``mu`` dynamic viscosity [Pa s], zero: turbulent."""
    if mu <= 0.0 or kv <= 0.0:
        return 1.0
    reynolds = valve_reynolds(3600.0 * flow / rho, mu / rho, kv, fl, fd, pipe)
    return reynolds_factor(reynolds, fl, trim_constant(kv, d, full_trim))


def branch_flow(
    head: float,
    kv: float,
    fl: float,
    fd: float,
    d: float,
    pipe: float,
    sum_k: float,
    inlet_k: float,
    rho: float,
    mu: float,
    full_trim: bool,
    choking: bool,
) -> float:
    """Mass flow [kg/s] of one branch at its driving pressure ``head`` [Pa]: p1 - p2 free, p1 - FF pv choked.

    FR depends on the flow it gives; along the laminar and the transitional line FR grows at most with the root of the
    flow, so that the flow is unique. It is found by bisection in ln FR, to the last digit.
    """
    if head <= 0.0 or kv <= 0.0:
        return 0.0
    root = KV_TO_C * math.sqrt(rho * head)
    turbulent = root * passing_kv(kv, 1.0, fl, d, sum_k, inlet_k, choking)
    fr = factor_at_flow(turbulent, kv, fl, fd, d, pipe, rho, mu, full_trim)
    if fr >= 1.0 or fr <= 0.0:
        return turbulent * fr
    low, high = 2.0 * math.log(fr) - 2.0, 0.0
    for _ in range(64):
        middle = 0.5 * (low + high)
        flow = root * passing_kv(kv, math.exp(middle), fl, d, sum_k, inlet_k, choking)
        if factor_at_flow(flow, kv, fl, fd, d, pipe, rho, mu, full_trim) > math.exp(middle):
            low = middle
        else:
            high = middle
    return root * passing_kv(kv, math.exp(0.5 * (low + high)), fl, d, sum_k, inlet_k, choking)


def relative_flow_uncertainty(
    kv_uncertainty: float, fl_uncertainty: float, choked: bool, fp: float = 1.0, flp_over_fl: float = 1.0
) -> float:
    """Relative uncertainty of the turbulent flow [-] from those of Kv and FL, independent of each other [-].

    Free: FP^2 u(Kv). Choked: (FLP/FL)^2 sqrt(u(Kv)^2 + u(FL)^2). The powers of FP and FLP are the exact sensitivities:
    a valve between reducers matters less, since the reducers take part of the drop. Same coverage in as out.
    """
    if choked:
        return flp_over_fl**2 * math.hypot(kv_uncertainty, fl_uncertainty)
    return fp**2 * kv_uncertainty
