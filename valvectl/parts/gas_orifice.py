"""Gas through a sharp hole or a converging nozzle: isentropic flow of a perfect gas to the hole, Cd times its area.

Plain functions of floats; SI, pressures absolute. With r = p2/p1, g = gamma:

    flow = CdA sqrt(2 g/(g-1) p1 rho1 (r^(2/g) - r^((g+1)/g))),  r held at rc = (2/(g+1))^(g/(g-1)) below rc.

Source: Saint-Venant and Wantzel's nozzle flow, as in any textbook of gas dynamics (Shapiro; ISO 9300 has the critical
case). Validity: perfect gas (Z enters through rho1 alone), Cd the same at every pressure ratio. A sharp orifice does not
choke as sharply as that: its jet contracts less as the ratio falls, and its flow goes on rising a little below rc
(Perry 1949, from memory), so that the choked flow with a Cd measured in liquid is some 10 % low at a large ratio.
"""

from __future__ import annotations

import math

_ROUNDING = 1e-14
"""Share of the choked flow within which a flow counts as choked [-]: its last digits are rounding."""


def critical_ratio(gamma: float) -> float:
    """Outlet over inlet pressure [-] below which the flow is choked: (2/(gamma+1))^(gamma/(gamma-1))."""
    return math.pow(2.0 / (gamma + 1.0), gamma / (gamma - 1.0))


def orifice_gas_flow(cda: float, gamma: float, p1: float, p2: float, rho1: float) -> float:
    """Mass flow [kg/s], choking included; zero against the flow direction.

    cda : discharge coefficient times area [m^2]; p1, p2 : absolute pressure before and behind [Pa]; rho1 : density before
    [kg/m^3].
    """
    if p2 >= p1:
        return 0.0
    ratio = max(p2 / p1, critical_ratio(gamma))
    # r^(2/g) - r^((g+1)/g) = r^(2/g) (1 - r^((g-1)/g)); expm1 keeps the small difference exact.
    spread = -math.expm1((gamma - 1.0) / gamma * math.log(ratio))
    squared = 2.0 * gamma / (gamma - 1.0) * p1 * rho1 * math.pow(ratio, 2.0 / gamma) * spread
    return cda * math.sqrt(squared)


def orifice_cda(flow: float, gamma: float, p1: float, p2: float, rho1: float) -> float:
    """Discharge coefficient times area [m^2] that passes a mass flow [kg/s]; infinite when nothing can flow."""
    unit = orifice_gas_flow(1.0, gamma, p1, p2, rho1)
    return flow / unit if unit > 0.0 else math.inf


def orifice_ratio(flow: float, cda: float, gamma: float, p1: float, rho1: float) -> float:
    """Outlet over inlet pressure [-] of a flow [kg/s] that does not choke; NaN at or above the choked flow, where the flow
    does not tell it (undetermined). Bisection to the last digit: the free flow falls with the ratio."""
    low = critical_ratio(gamma)
    if flow >= (1.0 - _ROUNDING) * orifice_gas_flow(cda, gamma, p1, 0.0, rho1):
        return math.nan
    high = 1.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        if orifice_gas_flow(cda, gamma, p1, middle * p1, rho1) > flow:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def sound_speed(gamma: float, p: float, rho: float) -> float:
    """Speed of sound of a perfect gas [m/s] from pressure [Pa] and density [kg/m^3]."""
    return math.sqrt(gamma * p / rho)
