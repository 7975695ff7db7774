"""Gear materials: a small table of typical values, from memory, for a first choice. Use your certificate's values instead.

The limits are nominal stresses as ``gear_strength`` computes them. Bending endurance: pulsating, at the root. Contact endurance:
largest Hertzian pressure at which pitting does not begin. Room temperature; cold stiffens and embrittles, heat softens.
"""

from __future__ import annotations

from dataclasses import dataclass

STATIC_CONTACT = 1.6
"""Contact pressure borne a few times over the endurance pressure [-]: life factor Z_NT of ISO 6336-2 for steels at few cycles
(from memory); taken for the others too."""


@dataclass(frozen=True)
class GearMaterial:
    """What the strength and backlash laws need to know of a material."""

    name: str
    elasticity: float
    """Modulus of elasticity [Pa]."""
    poisson: float
    """Poisson's ratio [-]."""
    density: float
    """[kg/m^3]"""
    expansion: float
    """Coefficient of linear expansion near room temperature [1/K]."""
    yield_stress: float
    """0.2 % proof stress, of case-hardened steel that of the core [Pa]."""
    bending_endurance: float
    """Nominal root stress borne for ever, pulsating [Pa]."""
    contact_endurance: float
    """Hertzian pressure borne for ever [Pa]."""
    origin: str = "typical, from memory"
    """Where the values come from."""

    @property
    def static_contact(self) -> float:
        """Hertzian pressure borne a few times [Pa]."""
        return STATIC_CONTACT * self.contact_endurance


def _row(
    name: str, e: float, nu: float, density: float, expansion: float, proof: float, root: float, flank: float
) -> tuple[str, GearMaterial]:
    return name, GearMaterial(name, 1e9 * e, nu, density, 1e-6 * expansion, 1e6 * proof, 1e6 * root, 1e6 * flank)


MATERIALS: dict[str, GearMaterial] = dict(
    (
        _row("carbon steel, normalised", 206.0, 0.30, 7850.0, 11.5, 320.0, 150.0, 370.0),
        _row("alloy steel, quenched and tempered", 206.0, 0.30, 7850.0, 11.5, 700.0, 250.0, 650.0),
        _row("case-hardening steel, carburised", 206.0, 0.30, 7850.0, 11.5, 650.0, 400.0, 1300.0),
        _row("stainless steel, austenitic", 193.0, 0.30, 7950.0, 16.5, 210.0, 110.0, 280.0),
        _row("stainless steel, precipitation hardened", 196.0, 0.28, 7800.0, 11.0, 1000.0, 280.0, 750.0),
        _row("aluminium alloy, 6000 series, aged", 69.0, 0.33, 2700.0, 23.5, 260.0, 60.0, 150.0),
        _row("aluminium alloy, 7000 series, aged", 71.0, 0.33, 2800.0, 23.5, 480.0, 95.0, 220.0),
        _row("tin bronze, cast", 95.0, 0.34, 8800.0, 18.0, 150.0, 60.0, 270.0),
        _row("aluminium bronze, wrought", 120.0, 0.33, 7600.0, 16.5, 300.0, 110.0, 400.0),
    )
)
"""By name. Aluminium and austenitic steel gall and wear as gears: short lives only, anodised or with a dry film."""
