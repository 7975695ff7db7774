"""Discharge coefficient of a plain orifice of an injector, and when it cavitates or flips."""

from __future__ import annotations

import math

CONTRACTION = 0.62
"""Jet over hole area behind a sharp inlet [-] (pi / (pi + 2) = 0.611 for a slot; 0.61 to 0.62 measured for round holes)."""
SHORTEST, LONGEST = 2.0, 10.0
"""Length over diameter [-] that the correlation for sharp inlets holds for."""
LEAST_REYNOLDS = 1e2
SHORT_HOLE = 0.62
"""Cd of a hole so short that the jet does not touch the wall again (common practice)."""
SEPARATED_LENGTH = 0.5
"""Length over diameter [-] below which it does not (common practice; between this and ``SHORTEST`` Cd is blended)."""
ROUND_ENOUGH = 0.14
"""Inlet radius over diameter [-] above which the jet does not contract (Nurick 1976, from memory)."""


def sharp_coefficient(slenderness: float, reynolds: float) -> float:
    """Discharge coefficient [-] of a long orifice with a sharp inlet that runs full and does not cavitate.

    slenderness : length over diameter, 2 to 10 [-]; reynolds : of the hole, mean speed, 10 to 2e4 and above [-].
    Lichtarowicz, Duggins and Markland, J. Mech. Eng. Sci. 7 (1965), from memory: 0.827 - 0.0085 L/D at high Reynolds
    numbers, 1/Cd = 1/Cd_u + 20/Re (1 + 2.25 L/D) - 0.005 L/D / (1 + 7.5 (log10(0.00015 Re))^2) below; within 2 %.
    """
    ultimate = 0.827 - 0.0085 * slenderness
    log = math.log10(0.00015 * reynolds)
    inverse = 1.0 / ultimate + 20.0 / reynolds * (1.0 + 2.25 * slenderness)
    return 1.0 / (inverse - 0.005 * slenderness / (1.0 + 7.5 * log * log))


def contraction(radius_over_diameter: float) -> float:
    """Jet over hole area just behind the inlet [-]; Nurick, J. Fluids Eng. 98 (1976), from memory: 1/sqrt(1/Cc0^2 - 11.4 r/d),
    one from ``ROUND_ENOUGH`` on."""
    if radius_over_diameter >= ROUND_ENOUGH:
        return 1.0
    return min(1.0, 1.0 / math.sqrt(1.0 / (CONTRACTION * CONTRACTION) - 11.4 * radius_over_diameter))


def discharge_coefficient(slenderness: float, reynolds: float, radius_over_diameter: float) -> float:
    """Predicted discharge coefficient [-] of a full, not cavitating orifice.

    slenderness : length over diameter [-]; reynolds : of the hole [-]; radius_over_diameter : of the inlet, zero when
    sharp [-]. Sharp: ``sharp_coefficient``, blended to ``SHORT_HOLE`` for holes shorter than two diameters; the value at
    ten for longer ones. Round: losses of the sharp inlet fall with (1/Cc - 1)^2 (Borda and Carnot). A prediction is good to
    some 5 %; only a water flow of the made part tells Cd.
    """
    length = min(max(slenderness, SHORTEST), LONGEST)
    sharp = sharp_coefficient(length, max(reynolds, LEAST_REYNOLDS))
    if radius_over_diameter <= 0.0:
        share = min(max((slenderness - SEPARATED_LENGTH) / (SHORTEST - SEPARATED_LENGTH), 0.0), 1.0)
        return SHORT_HOLE + share * (sharp - SHORT_HOLE)
    ratio = 1.0 / contraction(radius_over_diameter) - 1.0
    full = 1.0 / CONTRACTION - 1.0
    # 1/Cd^2 = 1 + inlet loss + friction; the sharp correlation holds both
    loss = 1.0 / (sharp * sharp) - (full * full - ratio * ratio)
    return 1.0 / math.sqrt(max(loss, 1.0))


def cavitation_number(upstream: float, downstream: float, vapour_pressure: float) -> float:
    """K = (p1 - pv) / (p1 - p2) [-], absolute pressures [Pa]: large is far from cavitation, 1 is boiling downstream; infinite
    without a drop. Nurick 1976, from memory."""
    if upstream == downstream:
        return math.inf
    return (upstream - vapour_pressure) / (upstream - downstream)


def critical_cavitation_number(coefficient: float, radius_over_diameter: float) -> float:
    """K below which the orifice cavitates [-]: (Cd/Cc)^2, where the full and the cavitating flow Cd = Cc sqrt(K) meet
    (Nurick 1976, from memory). There a hole with a sharp inlet may flip: the jet leaves the wall and Cd falls to Cc."""
    ratio = coefficient / contraction(radius_over_diameter)
    return ratio * ratio


def flow_number(cda: float) -> float:
    """Liquid flow number [m^2]: mass flow over sqrt(density times drop); sqrt(2) Cd A."""
    return math.sqrt(2.0) * cda
