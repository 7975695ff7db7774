"""Flow that leaves the wall of an overexpanded nozzle: where, and the thrust that is left.

Criteria give the wall pressure at which the flow separates over ambient pressure; one-dimensional expansion tells the area
where the wall has that pressure. Beyond, the wall is taken to be at ambient pressure, so that thrust is that of a nozzle
cut off there. Real flow recovers a little below ambient and its side loads are not in here. Criteria from memory.
"""

from __future__ import annotations

import math

from valvectl.parts.nozzle import SUMMERFIELD_RATIO, area_ratio_to_mach, mach_area_ratio, thrust_coefficient

NONE, SUMMERFIELD, SCHMUCKER = 0, 1, 2
"""Criteria by number, for plain functions of numbers."""
CRITERIA = {"none": NONE, "summerfield": SUMMERFIELD, "schmucker": SCHMUCKER}
"""Words of the design file."""


def pressure_ratio(mach: float, gamma: float) -> float:
    """Static over chamber pressure [-] at a Mach number [-]; isentropic, gamma [-]."""
    return math.pow(1.0 + 0.5 * (gamma - 1.0) * mach * mach, -gamma / (gamma - 1.0))


def schmucker_ratio(mach: float) -> float:
    """Wall pressure at separation over ambient pressure [-]: (1.88 M - 1)^-0.64, at most 1.

    mach : before separation, 1 or more [-]. Schmucker (1973, NASA TM-77396 in translation), from memory.
    """
    return min(1.0, math.pow(1.88 * mach - 1.0, -0.64))


def kalt_badal_ratio(chamber_over_ambient: float) -> float:
    """Wall pressure at separation over ambient pressure [-]: 2/3 (pc/pa)^-0.2. Kalt and Badal, J. Spacecraft and Rockets 2
    (1965), from memory."""
    return 2.0 / 3.0 * math.pow(chamber_over_ambient, -0.2)


def criterion(which: int, mach: float) -> float:
    """Wall pressure at separation over ambient pressure [-] by ``SUMMERFIELD`` (0.4) or ``SCHMUCKER``."""
    return SUMMERFIELD_RATIO if which == SUMMERFIELD else schmucker_ratio(mach)


def separation_mach(which: int, gamma: float, exit_mach: float, chamber_over_ambient: float) -> float:
    """Mach number where the flow separates [-]: ``exit_mach`` when it fills the nozzle, 1 when nothing supersonic is left.

    which : ``SUMMERFIELD`` or ``SCHMUCKER``; gamma [-]; chamber_over_ambient : pc/pa [-], infinite in vacuum.
    """
    if which == NONE or not chamber_over_ambient < math.inf:
        return exit_mach
    if pressure_ratio(exit_mach, gamma) * chamber_over_ambient >= criterion(which, exit_mach):
        return exit_mach
    if pressure_ratio(1.0, gamma) * chamber_over_ambient <= criterion(which, 1.0):
        return 1.0
    low, high = 1.0, exit_mach  # wall pressure falls faster with Mach than either criterion: one crossing
    for _ in range(60):
        mid = 0.5 * (low + high)
        if pressure_ratio(mid, gamma) * chamber_over_ambient > criterion(which, mid):
            low = mid
        else:
            high = mid
    return 0.5 * (low + high)


def separation_area_ratio(which: int, gamma: float, expansion_ratio: float, chamber_over_ambient: float) -> float:
    """Area over throat area where the flow separates [-]; ``expansion_ratio`` when it fills the nozzle."""
    exit_mach = area_ratio_to_mach(expansion_ratio, gamma)
    mach = separation_mach(which, gamma, exit_mach, chamber_over_ambient)
    return expansion_ratio if mach == exit_mach else mach_area_ratio(mach, gamma)


def separated_thrust_coefficient(
    which: int,
    gamma: float,
    expansion_ratio: float,
    exit_ratio: float,
    chamber_pressure: float,
    ambient_pressure: float,
) -> float:
    """Ideal thrust coefficient [-] with the flow off the wall where the criterion says so.

    Arguments as ``nozzle.thrust_coefficient``, which it equals while the flow fills the nozzle; continuous at the onset.
    """
    full = thrust_coefficient(gamma, expansion_ratio, exit_ratio, chamber_pressure, ambient_pressure)
    if which == NONE or ambient_pressure <= 0.0:
        return full
    chamber_over_ambient = chamber_pressure / ambient_pressure
    exit_mach = mach_of(exit_ratio, gamma)
    mach = separation_mach(which, gamma, exit_mach, chamber_over_ambient)
    if mach == exit_mach:
        return full
    return thrust_coefficient(
        gamma, mach_area_ratio(mach, gamma), pressure_ratio(mach, gamma), chamber_pressure, ambient_pressure
    )


def mach_of(ratio: float, gamma: float) -> float:
    """Mach number [-] at a static over chamber pressure [-]; inverse of ``pressure_ratio``."""
    return math.sqrt(2.0 / (gamma - 1.0) * (math.pow(ratio, -(gamma - 1.0) / gamma) - 1.0))
