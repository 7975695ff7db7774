"""Where a pinion collides with the internal ring that it runs in, away from the line of contact.

Three ways, each as a margin [rad] or [-] that must not be below zero. ``pinion`` is the pinion's number of teeth, ``ring`` the
ring's, both positive here; angles are pressure angles [rad] at the tip circles and of the mesh; radii and distances [m].

Source: Elements of Metric Gear Technology (technical handbook), section 5, equations 5-5 to 5-10; the second and third were
read there, the first is from memory. Checked against polygons of the teeth in tests/crosscheck.
"""

from __future__ import annotations

import math

from valvectl.parts.gear_teeth import involute


def _limited(value: float) -> float:
    return max(-1.0, min(1.0, value))


def involute_margin(pinion: float, ring: float, ring_tip_angle: float, alpha_w: float) -> float:
    """Involute interference: the ring's tip must not reach below the pinion's base circle; margin [-].

    z1/z2 - (1 - tan(alpha_a2)/tan(alpha_w)). A pinion with a cut involute asks for more: see ``gear_teeth.form_tangent``.
    """
    return pinion / ring - (1.0 - math.tan(ring_tip_angle) / math.tan(alpha_w))


def trochoid_margin(
    pinion: float,
    ring: float,
    pinion_tip: float,
    ring_tip: float,
    pinion_tip_angle: float,
    ring_tip_angle: float,
    alpha_w: float,
    distance: float,
) -> float:
    """Trochoidal interference: tips collide as the pinion's tooth leaves the ring's space; margin [rad] at the ring.

    ``pinion_tip`` and ``ring_tip`` are tip radii [m]. Comes up when the tooth numbers are close; a difference above 9 is
    safe for unshifted 20 deg teeth of full height.
    """
    first = math.acos(_limited((ring_tip**2 - pinion_tip**2 - distance**2) / (2.0 * distance * pinion_tip)))
    second = math.acos(_limited((distance**2 + ring_tip**2 - pinion_tip**2) / (2.0 * distance * ring_tip)))
    turned = first + involute(pinion_tip_angle) - involute(alpha_w)
    return turned * pinion / ring + involute(alpha_w) - involute(ring_tip_angle) - second


def trimming_margin(
    pinion: float, ring: float, pinion_tip_angle: float, ring_tip_angle: float, alpha_w: float
) -> float:
    """Trimming interference: the pinion can not be set in along the radius; margin [rad] at the pinion.

    Below zero the pair still runs when it is put together along the axis; a pinion-type cutter of these numbers would
    cut the ring's tips away.
    """
    tips = math.cos(pinion_tip_angle) / math.cos(ring_tip_angle)
    count = pinion / ring
    first = math.asin(math.sqrt(max(0.0, min(1.0, (1.0 - tips**2) / (1.0 - count**2)))))
    second = math.asin(math.sqrt(max(0.0, min(1.0, (1.0 / tips**2 - 1.0) / (1.0 / count**2 - 1.0)))))
    own = first + involute(pinion_tip_angle) - involute(alpha_w)
    return own - (second + involute(ring_tip_angle) - involute(alpha_w)) / count
