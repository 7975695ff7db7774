"""Backlash of a spur gear pair and the lost motion at its output, with tolerances, run-out and temperature.

Backlash is worked out exactly from tooth thickness and centre distance; everything else comes in as a change of one of the two:
thinning of the teeth, tolerances, run-out (half of the indicator reading moves the centre), bearing play, and the difference
between what the housing and what the gears expand. An aluminium housing opens an external pair of steel gears when hot and
closes it when cold, and does the reverse to an internal pair.

Worst case: all at their adverse bounds together, in use and on the bench at assembly temperature: a pair that has its backlash
only in the cold can not be put together warm. Root-sum-square: tolerances and run-out added in squares about their middle,
temperature at its adverse bound (it acts on all parts at once). Wind-up under load is not in it (stiffness of the stage).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from valvectl.parts.gear_teeth import angle_at_centre_distance, involute, operating_diameter, pitch_diameter, side


def tooth_on_operating_circle(
    teeth: float, module: float, alpha: float, alpha_w: float, thickness: float, operating: float
) -> float:
    """Arc of a tooth [m] on its operating pitch circle [m], from that on the reference circle [m]."""
    share = thickness / pitch_diameter(module, teeth)
    return operating * (share + side(teeth) * (involute(alpha) - involute(alpha_w)))


def circumferential_backlash(
    module: float, teeth_1: float, teeth_2: float, alpha: float, thickness_1: float, thickness_2: float, distance: float
) -> float:
    """Backlash on the operating pitch circle [m] at a centre distance [m]; below zero the teeth bind.

    Pitch less both tooth thicknesses, exact. Thicknesses are arcs on the reference circles [m]; z2 of a ring is negative.
    NaN where the base circles would overlap.
    """
    total = teeth_1 + teeth_2
    alpha_w = angle_at_centre_distance(module, total, alpha, distance)
    own = operating_diameter(distance, teeth_1, total)
    mate = operating_diameter(distance, teeth_2, total)
    first = tooth_on_operating_circle(teeth_1, module, alpha, alpha_w, thickness_1, own)
    second = tooth_on_operating_circle(teeth_2, module, alpha, alpha_w, thickness_2, mate)
    return math.pi * own / abs(teeth_1) - first - second


def backlash_per_distance(teeth_sum: float, alpha_w: float) -> float:
    """Slope of the backlash with centre distance [-]: 2 tan(alpha_w), of internal pairs with a minus."""
    return side(teeth_sum) * 2.0 * math.tan(alpha_w)


def lost_motion(backlash: float, operating: float) -> float:
    """Angle [rad] at a gear with that operating pitch circle [m] for a circumferential backlash [m]."""
    return 2.0 * backlash / operating


def expansion_of_centre(
    distance: float, teeth_1: float, teeth_2: float, housing: float, gear_1: float, gear_2: float
) -> float:
    """Change of centre distance [m] that the mesh sees when housing and gears expand by those strains [-].

    The housing carries the shafts apart; the gears' own radii grow or shrink and take their share back. First order.
    """
    total = teeth_1 + teeth_2
    return distance * (housing - (teeth_1 * gear_1 + teeth_2 * gear_2) / total)


@dataclass(frozen=True)
class MeshTolerances:
    """What moves the backlash, SI. Tolerances are plus or minus about the middle."""

    thinning_1: float
    """Mean amount taken off the arc of the pinion's teeth on the reference circle [m]."""
    thinning_2: float
    """The same of the wheel or ring [m]."""
    thickness: float
    """Tolerance of the thickness of each gear, plus or minus [m]."""
    centre: float
    """Tolerance of the centre distance, plus or minus [m]."""
    runout_1: float
    """Run-out of the pinion as mounted, indicator reading [m]."""
    runout_2: float
    """Run-out of the wheel as mounted, indicator reading [m]."""
    bearing_play: float
    """Radial play of both shafts' bearings together [m]; half of it moves the centres either way."""
    housing_expansion: float
    """Coefficient of expansion of the housing [1/K]."""
    expansion_1: float
    """Of the pinion [1/K]."""
    expansion_2: float
    """Of the wheel [1/K]."""
    assembly: float
    """Temperature at which the sizes hold [K]."""
    low: float
    """Lowest temperature of the housing in use [K]."""
    high: float
    """Highest temperature of the housing in use [K]."""
    wheel_colder: float
    """How much colder than the housing the wheel gets [K]: the side of a cold valve."""
    wheel_warmer: float
    """How much warmer than the housing the wheel gets [K]."""


@dataclass(frozen=True)
class Backlash:
    """Backlash on the operating pitch circle [m] and what it is made of; below zero means that the teeth bind."""

    nominal: float
    """As drawn, at assembly temperature."""
    least: float
    """Worst case."""
    most: float
    """Worst case."""
    least_rss: float
    """Tolerances in squares, temperature adverse; never below the worst case."""
    most_rss: float
    """Tolerances in squares, temperature adverse."""
    shares: tuple[tuple[str, float, float], ...]
    """What moves it: name, lower and upper change of backlash [m]."""

    @property
    def binds(self) -> bool:
        """True when the worst case leaves no backlash; not finite counts as binding."""
        return not self.least > 0.0


def temperature_change(
    distance: float, teeth_1: float, teeth_2: float, tolerances: MeshTolerances
) -> tuple[float, float]:
    """Least and greatest change of the centre distance that the mesh sees [m]: corners of temperature in use, and assembly.

    Assembly is zero change, so that the first is never above zero and the second never below.
    """
    t = tolerances
    changes = [0.0]
    for housing in (t.low - t.assembly, t.high - t.assembly):
        for wheel in (housing - t.wheel_colder, housing + t.wheel_warmer):
            changes.append(
                expansion_of_centre(
                    distance,
                    teeth_1,
                    teeth_2,
                    t.housing_expansion * housing,
                    t.expansion_1 * housing,
                    t.expansion_2 * wheel,
                )
            )
    return min(changes), max(changes)


def backlash(
    module: float,
    teeth_1: float,
    teeth_2: float,
    alpha: float,
    thickness_1: float,
    thickness_2: float,
    distance: float,
    tolerances: MeshTolerances,
) -> Backlash:
    """Nominal, worst-case and root-sum-square backlash of a pair. Thicknesses [m] without thinning, distance as drawn [m]."""
    t = tolerances

    def at(change: float, thinner: float) -> float:
        first = thickness_1 - t.thinning_1 - thinner
        second = thickness_2 - t.thinning_2 - thinner
        return circumferential_backlash(module, teeth_1, teeth_2, alpha, first, second, distance + change)

    nominal = at(0.0, 0.0)
    colder, hotter = temperature_change(distance, teeth_1, teeth_2, t)
    parts = (t.centre, 0.5 * t.runout_1, 0.5 * t.runout_2, 0.5 * t.bearing_play)
    reach = sum(parts)
    ends = (at(colder - reach, -t.thickness), at(hotter + reach, -t.thickness))
    far = (at(colder - reach, t.thickness), at(hotter + reach, t.thickness))
    warm = (at(colder, 0.0), at(hotter, 0.0))
    shares = [("temperature", min(warm) - nominal, max(warm) - nominal)]
    squares = 0.0
    names = ("centre distance", "run-out of pinion", "run-out of wheel", "bearing play")
    for name, part in zip(names, parts, strict=True):
        two = (at(-part, 0.0) - nominal, at(part, 0.0) - nominal)
        shares.append((name, min(two), max(two)))
        squares += max(abs(two[0]), abs(two[1])) ** 2
    # Both gears' thickness: the same change each, independent of one another.
    both = 0.5 * (at(0.0, t.thickness) - at(0.0, -t.thickness))
    for name in ("thickness of pinion", "thickness of wheel"):
        shares.append((name, -0.5 * both, 0.5 * both))
        squares += (0.5 * both) ** 2
    spread = math.sqrt(squares)
    return Backlash(
        nominal,
        min(ends),
        max(far),
        max(min(ends), min(warm) - spread),
        min(max(far), max(warm) + spread),
        tuple(shares),
    )


def thinning_for(least: float, teeth_sum: float, module: float, distance: float, wanted: float) -> float:
    """How much more each gear must be thinned [m] for a worst-case backlash to rise from ``least`` to ``wanted`` [m].

    Thinning both alike by A raises the backlash by 2 A d_w/d, which is exact at a given centre distance; not below zero.
    """
    return max(0.0, 0.5 * (wanted - least) * 0.5 * module * abs(teeth_sum) / distance)
