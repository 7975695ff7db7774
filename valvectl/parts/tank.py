"""Tank with a regulator: pressure above the liquid against flow, and the head of the column."""

from __future__ import annotations

STANDARD_GRAVITY = 9.80665
"""Standard gravity [m/s^2] (exact by definition, ISO 80000-3)."""


def tank_pressure(pressure: float, droop: float, reference_flow: float, flow: float) -> float:
    """Pressure [Pa] above the liquid at a mass flow [kg/s]: falls by ``droop`` [Pa] at ``reference_flow``, linear."""
    return pressure - droop * flow / reference_flow


def head(rho: float, height: float, load_factor: float) -> float:
    """Pressure [Pa] of a liquid column of a height [m] under a load factor [-] times standard gravity."""
    return rho * STANDARD_GRAVITY * load_factor * height
