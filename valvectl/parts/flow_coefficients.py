"""Flow coefficients in one another's terms: Kv, Cv, Av, CdA and K, with the derivation of each factor.

Kv in [m^3/h at 1 bar], Cv in [US gal/min at 1 psi], Av and CdA in [m^2], K [-] on the velocity in a stated bore. All
factors follow from the definitions of the units; the one measured number is the density of water at 15 degC.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from valvectl.parts.valve import CV_TO_KV, KV_TO_C


@dataclass(frozen=True)
class Conversion:
    """One factor between flow coefficients and where it comes from."""

    name: str
    """What is multiplied by ``factor`` to give what."""
    factor: float
    """The factor [unit as named]."""
    derivation: str
    """From definitions to the factor."""


CONVERSIONS = (
    Conversion(
        "Cv to Kv",
        CV_TO_KV,
        "Cv: US gal/min at 1 psi. 1 gal = 231 in^3 = 3.785411784e-3 m^3, 1 psi = 0.45359237 kg x 9.80665 m/s^2 / "
        "(0.0254 m)^2 = 6894.757293 Pa; Kv = 3.785411784e-3 x 60 m^3/h x sqrt(1e5 / 6894.757293). Same water in both.",
    ),
    Conversion("Kv to Cv", 1.0 / CV_TO_KV, "the reciprocal"),
    Conversion(
        "Kv to Av [m^2]",
        KV_TO_C,
        "Av: Q = Av sqrt(dp/rho). Kv: 1 m^3/h of water of 999.1 kg/m^3 (15 degC) at 1e5 Pa; "
        "Av = sqrt(999.1 / 1e5) / 3600. The flow coefficient c of this program is Av.",
    ),
    Conversion("Av to CdA [m^2]", math.sqrt(0.5), "Q = CdA sqrt(2 dp/rho), so CdA = Av / sqrt(2)"),
    Conversion("Kv to CdA [m^2]", KV_TO_C * math.sqrt(0.5), "Kv to Av, then Av to CdA"),
    Conversion(
        "K (Kv/d[mm]^2)^2",
        1.0e-12 * math.pi**2 / 8.0 / KV_TO_C**2,
        "dp = K rho v^2/2 with v = Q / (pi d^2/4), so Av = (pi d^2/4) sqrt(2/K) and K = (pi^2/8) d^4 / Av^2. The standard "
        "rounds this constant, its N2, to 1.60e-3.",
    ),
)
"""The conversion table of flow coefficients."""


def kv_to_k(kv: float, bore: float) -> float:
    """Loss coefficient K [-] on the velocity in a bore [m]."""
    return math.pi**2 / 8.0 * bore**4 / (kv * KV_TO_C) ** 2


def k_to_kv(k: float, bore: float) -> float:
    """Kv [m^3/h] of a loss coefficient K [-] on the velocity in a bore [m]."""
    return math.pi * math.sqrt(0.125 / k) * bore**2 / KV_TO_C


def kv_to_cda(kv: float) -> float:
    """Discharge coefficient times area [m^2]."""
    return kv * KV_TO_C * math.sqrt(0.5)


def cda_to_kv(cda: float) -> float:
    """Kv [m^3/h] of a discharge coefficient times area [m^2]."""
    return cda * math.sqrt(2.0) / KV_TO_C
