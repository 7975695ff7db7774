"""What the workshop measures on a spur gear: span over teeth, size over pins, tooth caliper; and back to the thickness.

``thickness`` is the arc of a tooth on the reference circle [m], whatever was taken off it for backlash already off; that one
number stands for shift and allowance together. z of an internal ring is negative, as in ``gear_teeth``.

Source: DIN 3960 and ISO 21771, formulas from memory; worked examples in tests/reference.
"""

from __future__ import annotations

import math

from valvectl.parts.gear_teeth import angle_at, base_diameter, half_angle, inverse_involute, involute, side


def teeth_spanned(teeth: float, shift: float, alpha: float) -> int:
    """Teeth to measure over so that the jaws touch near the circle of diameter m (z + 2x); at least 2, halves up."""
    outer = teeth + 2.0 * shift
    cosine = teeth * math.cos(alpha) / outer
    if cosine > 1.0:
        return 2
    angle = math.acos(cosine)
    count = teeth / math.pi * (math.tan(angle) - 2.0 * shift * math.tan(alpha) / teeth - involute(alpha)) + 0.5
    return max(2, math.floor(count + 0.5 + 1e-9))  # 20 deg is a ninth of pi: halves are met, and go up


def span(module: float, teeth: float, count: float, alpha: float, thickness: float) -> float:
    """Base tangent length over ``count`` teeth [m], external only: (k - 1) base pitches and one tooth on the base circle."""
    return math.cos(alpha) * ((count - 1.0) * math.pi * module + thickness + module * teeth * involute(alpha))


def span_thickness(module: float, teeth: float, count: float, alpha: float, measured: float) -> float:
    """Tooth thickness on the reference circle [m] from a span [m]; the inverse of ``span``."""
    return measured / math.cos(alpha) - (count - 1.0) * math.pi * module - module * teeth * involute(alpha)


def span_contact_diameter(base: float, measured: float) -> float:
    """Diameter [m] at which the jaws touch when they stand evenly; it must lie on the involute. ``base`` circle [m]."""
    return math.hypot(base, measured)


def ideal_pin(module: float, teeth: float, shift: float, alpha: float, thickness: float) -> float:
    """Pin diameter [m] that touches the flanks on the circle of diameter m |z + 2x|. External and internal."""
    base = base_diameter(module, teeth, alpha)
    touch = angle_at(max(base, module * abs(teeth + 2.0 * shift)), base)
    gap = math.pi / abs(teeth) - half_angle(module, teeth, alpha, thickness, touch)
    sign = side(teeth)
    return sign * base * (math.tan(touch + sign * gap) - math.tan(touch))


def pin_centre_angle(module: float, teeth: float, alpha: float, thickness: float, pin: float) -> float:
    """Pressure angle [rad] of the involute through the centre of a pin [m] in a tooth space; NaN when it does not sit."""
    base = base_diameter(module, teeth, alpha)
    half_gap = (math.pi * module - thickness) / (module * abs(teeth))
    value = involute(alpha) + side(teeth) * (pin / base - half_gap)
    return inverse_involute(value) if value >= 0.0 else math.nan


def over_pins(module: float, teeth: float, alpha: float, thickness: float, pin: float) -> float:
    """Size over two pins [m] in opposite spaces, of a ring between them; NaN when the pin [m] does not sit.

    With an odd number of teeth the two spaces are half a pitch off the diameter.
    """
    centre = base_diameter(module, teeth, alpha) / math.cos(pin_centre_angle(module, teeth, alpha, thickness, pin))
    if abs(teeth) % 2.0 > 0.5:
        centre *= math.cos(0.5 * math.pi / abs(teeth))
    return centre + side(teeth) * pin


def pin_thickness(module: float, teeth: float, alpha: float, measured: float, pin: float) -> float:
    """Tooth thickness on the reference circle [m] from a size over pins [m]; the inverse of ``over_pins``."""
    centre = measured - side(teeth) * pin
    if abs(teeth) % 2.0 > 0.5:
        centre /= math.cos(0.5 * math.pi / abs(teeth))
    base = base_diameter(module, teeth, alpha)
    half_gap = pin / base - side(teeth) * (involute(angle_at(centre, base)) - involute(alpha))
    return math.pi * module - half_gap * module * abs(teeth)


def pin_contact_diameter(module: float, teeth: float, alpha: float, thickness: float, pin: float) -> float:
    """Diameter [m] at which the pin touches the flanks; it must lie on the involute."""
    base = base_diameter(module, teeth, alpha)
    tangent = math.tan(pin_centre_angle(module, teeth, alpha, thickness, pin)) - side(teeth) * pin / base
    return base * math.hypot(1.0, tangent)


def chordal_thickness(pitch: float, thickness: float) -> float:
    """Straight thickness on the reference circle [m], for the tooth caliper; ``pitch`` is its diameter [m]."""
    return pitch * math.sin(thickness / pitch)


def chordal_height(pitch: float, tip: float, thickness: float) -> float:
    """Height from the tip [m] at which ``chordal_thickness`` is measured, external teeth; reference and tip circle [m]."""
    return 0.5 * (tip - pitch) + 0.5 * pitch * (1.0 - math.cos(thickness / pitch))
