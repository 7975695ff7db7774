"""Geometry of a pair of involute spur gears: pinion with wheel, or pinion in an internal ring or sector.

One set of formulas serves both, by the sign of the number of teeth: **z of an internal ring is negative**, and with it the
sum z1 + z2. Diameters and centre distances are returned positive. Profile shift x is positive when it thickens the tooth,
of a ring too (the convention of ISO 21771 and DIN 3960; some handbooks count x of a ring the other way). Lengths [m],
angles [rad]; ``module`` [m]; x, addendum and the like in modules [-].

Basic rack: ISO 53 type A, pressure angle 20 deg, addendum 1, bottom clearance 0.25, fillet radius 0.38 (from memory).
Sources: ISO 21771 and DIN 3960, formulas from memory; worked examples in tests/reference. Spur gears only, no helix.
Where a mesh is impossible (flanks would not reach each other) the angles come back as NaN; callers must look.
"""

from __future__ import annotations

import math

PRESSURE_ANGLE = math.radians(20.0)
"""Of the basic rack [rad], ISO 53."""
ADDENDUM = 1.0
"""Of the basic rack [modules], ISO 53."""
CLEARANCE = 0.25
"""Bottom clearance of the basic rack [modules], ISO 53 type A."""
DEDENDUM = ADDENDUM + CLEARANCE
FILLET = 0.38
"""Fillet radius of the basic rack [modules], ISO 53 type A; it leaves one module of straight flank below the reference line."""

SERIES_I = tuple(
    1e-3 * m
    for m in (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 16.0, 20.0, 25.0, 32.0, 40.0, 50.0)
)
"""Preferred modules [m], ISO 54 series I (from memory)."""
SERIES_II = tuple(
    1e-3 * m
    for m in (1.125, 1.375, 1.75, 2.25, 2.75, 3.5, 4.5, 5.5, 6.5, 7.0, 9.0, 11.0, 14.0, 18.0, 22.0, 28.0, 36.0, 45.0)
)
"""Second choice [m], ISO 54 series II (from memory; the standard asks to avoid 6.5)."""
FINE = tuple(1e-3 * m for m in (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9))
"""Below the range of ISO 54 [m]: DIN 780 series I (from memory)."""


def side(teeth: float) -> float:
    """+1 for external teeth, -1 for internal ones."""
    return 1.0 if teeth > 0.0 else -1.0


# ------------------------------------------------------------------------------------------------- involute function


def involute(angle: float) -> float:
    """Involute function tan(angle) - angle [rad] of an angle [rad] between -pi/2 and pi/2."""
    if abs(angle) > 0.02:
        return math.tan(angle) - angle
    # The difference would lose its digits; the next term of the series is below the last one.
    square = angle * angle
    return angle * square * (1.0 / 3.0 + square * (2.0 / 15.0 + square * (17.0 / 315.0 + square * 62.0 / 2835.0)))


def inverse_involute(value: float) -> float:
    """Angle [rad] whose involute function is ``value`` [rad]; odd in its argument.

    Newton's method from above: the function is convex there, so that it falls to the root without passing it. Both starts
    lie above: tan a - a >= a^3/3, and tan a = value + a < value + pi/2. Exact to 1e-12 rad for every value.
    """
    size = abs(value)
    if size == 0.0:
        return 0.0
    angle = min(math.pow(3.0 * size, 1.0 / 3.0), math.atan(size + 0.5 * math.pi))
    for _ in range(60):
        slope = math.tan(angle)
        step = (involute(angle) - size) / (slope * slope)
        angle -= step
        if abs(step) <= 2e-16 * angle:
            break
    return math.copysign(angle, value)


# ------------------------------------------------------------------------------------------------------------ a gear


def pitch_diameter(module: float, teeth: float) -> float:
    """Reference diameter [m]."""
    return module * abs(teeth)


def base_diameter(module: float, teeth: float, alpha: float) -> float:
    """Base circle [m]; ``alpha`` is the rack's pressure angle [rad]."""
    return module * abs(teeth) * math.cos(alpha)


def tip_diameter(module: float, teeth: float, shift: float, addendum: float, truncation: float) -> float:
    """Tip circle [m]; of a ring its bore. ``truncation`` [modules] is taken off the tip (``tip_truncation``)."""
    return side(teeth) * module * (teeth + 2.0 * (shift + addendum - truncation))


def root_diameter(module: float, teeth: float, shift: float, dedendum: float) -> float:
    """Root circle [m]; of a ring the larger circle."""
    return side(teeth) * module * (teeth + 2.0 * (shift - dedendum))


def angle_at(diameter: float, base: float) -> float:
    """Pressure angle [rad] of the involute at a diameter [m]; NaN inside the base circle [m], where there is none."""
    return math.acos(base / diameter) if diameter >= base else math.nan


def thickness_at_pitch(module: float, shift: float, alpha: float) -> float:
    """Arc of a tooth on the reference circle [m], no backlash taken off."""
    return module * (0.5 * math.pi + 2.0 * shift * math.tan(alpha))


def half_angle(module: float, teeth: float, alpha: float, thickness: float, angle: float) -> float:
    """Half the angle that a tooth takes up at the centre [rad], where its involute has the pressure angle ``angle``.

    ``thickness`` is the arc on the reference circle [m]. Towards the tip it falls, of a ring towards its bore.
    """
    return thickness / (module * abs(teeth)) + side(teeth) * (involute(alpha) - involute(angle))


def thickness_at(diameter: float, module: float, teeth: float, alpha: float, thickness: float) -> float:
    """Arc of a tooth [m] at a diameter [m], from that on the reference circle [m]; NaN inside the base circle."""
    angle = angle_at(diameter, base_diameter(module, teeth, alpha))
    return diameter * half_angle(module, teeth, alpha, thickness, angle)


def straight_depth(alpha: float, dedendum: float, fillet: float) -> float:
    """Depth of the rack's straight flank below its reference line [modules]; dedendum and fillet radius in modules."""
    return dedendum - fillet * (1.0 - math.sin(alpha))


def least_teeth(alpha: float, straight: float, shift: float) -> float:
    """Teeth below which the rack cuts into the involute [-]: 2 (straight - x) / sin^2(alpha).

    ``straight`` is the straight depth of the rack below its reference line [modules]. 17.1 for 20 deg, 1 and x = 0.
    """
    return 2.0 * (straight - shift) / math.sin(alpha) ** 2


def least_shift(teeth: float, alpha: float, straight: float) -> float:
    """Shift x [-] below which external teeth cut by the rack are undercut; the inverse of ``least_teeth``."""
    return straight - 0.5 * teeth * math.sin(alpha) ** 2


def form_tangent(teeth: float, shift: float, alpha: float, straight: float) -> float:
    """Tangent of the pressure angle at which the involute of external rack-cut teeth begins [-]; below zero: undercut."""
    return math.tan(alpha) - 2.0 * (straight - shift) / (teeth * math.sin(alpha) * math.cos(alpha))


# ----------------------------------------------------------------------------------------------------------- the pair


def operating_angle(alpha: float, teeth_sum: float, shift_sum: float) -> float:
    """Pressure angle [rad] of the backlash-free mesh of two shifted gears; NaN when there is no such mesh.

    inv alpha_w = inv alpha + 2 tan(alpha) (x1 + x2) / (z1 + z2).
    """
    value = involute(alpha) + 2.0 * math.tan(alpha) * shift_sum / teeth_sum
    return inverse_involute(value) if value >= 0.0 else math.nan


def shift_sum(alpha: float, teeth_sum: float, alpha_w: float) -> float:
    """x1 + x2 [-] that brings the backlash-free mesh to an operating angle [rad]; the inverse of ``operating_angle``."""
    return teeth_sum * (involute(alpha_w) - involute(alpha)) / (2.0 * math.tan(alpha))


def standard_centre_distance(module: float, teeth_sum: float) -> float:
    """Centre distance [m] of unshifted gears."""
    return 0.5 * module * abs(teeth_sum)


def centre_distance(module: float, teeth_sum: float, alpha: float, alpha_w: float) -> float:
    """Centre distance [m] at an operating angle [rad]."""
    return 0.5 * module * abs(teeth_sum) * math.cos(alpha) / math.cos(alpha_w)


def angle_at_centre_distance(module: float, teeth_sum: float, alpha: float, distance: float) -> float:
    """Operating angle [rad] at a centre distance [m]; NaN where the base circles would overlap."""
    cosine = 0.5 * module * abs(teeth_sum) * math.cos(alpha) / distance
    return math.acos(cosine) if cosine <= 1.0 else math.nan


def operating_diameter(distance: float, teeth: float, teeth_sum: float) -> float:
    """Operating pitch circle [m] of one gear of a pair at a centre distance [m]."""
    return 2.0 * distance * abs(teeth / teeth_sum)


def tip_truncation(teeth_sum: float, shift_sum: float, alpha: float, alpha_w: float) -> float:
    """What must come off both tips [modules] so that the rack's bottom clearance stays: x1 + x2 - y, not below zero.

    y is the change of centre distance in modules. Of internal pairs it is never needed.
    """
    y = 0.5 * teeth_sum * (math.cos(alpha) / math.cos(alpha_w) - 1.0)
    return max(0.0, shift_sum - y)


def addendum_contact_ratio(teeth: float, tip_angle: float, alpha_w: float) -> float:
    """Part of the contact ratio [-] between the pitch point and the tip of one gear; the two parts add up.

    z (tan alpha_a - tan alpha_w) / (2 pi), with the pressure angle at its tip circle [rad]; a ring's z is negative.
    """
    return teeth * (math.tan(tip_angle) - math.tan(alpha_w)) / (2.0 * math.pi)


def active_tangent(teeth: float, mate: float, alpha_w: float, mate_tip_angle: float) -> float:
    """Tangent of the pressure angle at the innermost point where the mate's tip touches this gear [-].

    On a ring it is the outermost point. Below zero on an external gear: the mate's tip reaches below the base circle.
    """
    ratio = mate / teeth
    return (1.0 + ratio) * math.tan(alpha_w) - ratio * math.tan(mate_tip_angle)


def mate_tip_limit(teeth: float, mate: float, alpha_w: float, tangent: float) -> float:
    """Pressure angle [rad] that the mate's tip may have so that ``active_tangent`` of this gear is ``tangent``; its inverse.

    Of a ring as the mate the least one: its bore must not be smaller. NaN when no tip would do.
    """
    ratio = mate / teeth
    found = ((1.0 + ratio) * math.tan(alpha_w) - tangent) / ratio
    return math.atan(found) if found >= 0.0 else math.nan


# ------------------------------------------------------------------------------------------------------ tooth numbers


def common_factor(pinion: int, wheel: int) -> int:
    """Greatest common divisor of the tooth numbers [-]; 1: a hunting tooth, each tooth meets every tooth of the mate.

    It only spreads wear where the wheel goes round. On a quarter turn the same teeth meet at each stroke.
    """
    return math.gcd(abs(pinion), abs(wheel))


def turns_to_repeat(pinion: int, wheel: int) -> int:
    """Turns of the pinion until the same two teeth meet again [-]."""
    return abs(wheel) // math.gcd(abs(pinion), abs(wheel))


def teeth_in_use(teeth: int, travel: float, contact_ratio: float) -> int:
    """Teeth that a sector needs for a travel [rad], those in contact at both ends and one spare at each counted [-]."""
    return min(abs(teeth), math.ceil(abs(teeth) * travel / (2.0 * math.pi) + contact_ratio) + 2)
