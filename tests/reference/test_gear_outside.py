"""Gear geometry and workshop sizes against texts, standards and hand calculations."""

from __future__ import annotations

import math
from functools import cache

from gear_rows import SHIGLEY, TEXT, A, row, run, tip_angle
from outside import verify
from scipy.optimize import brentq

from valvectl.parts import gear_internal, gear_outline, gear_teeth, gear_workshop

HANDBOOK = "Elements of Metric Gear Technology (technical handbook)"
SHIFTED = "worked example, module 3, 12 and 24 teeth, shifted (bolsover.com, profile-shifted external spur gears)"
SHEET = "ISO 21771 calculation sheet, 31 and 30 teeth (scribd.com 376176518)"
SPAN = "worked example of a span measurement (machinecalcs.com, span measurement over teeth)"
SPAN_TABLE = "span tables for module 1, 20 deg, in gear handbooks"


def contact_ratio(z1: float, z2: float, alpha: float = A) -> float:
    """Of unshifted gears; z2 of a ring negative."""
    return sum(gear_teeth.addendum_contact_ratio(z, tip_angle(z, alpha=alpha), alpha) for z in (z1, z2))


def triangles(z1: float, z2: float, alpha: float) -> float:
    """Path of contact over base pitch from right-angled triangles, module 1, as texts write it; ring: z2 below zero."""
    r1, r2, ring = 0.5 * z1, 0.5 * abs(z2), z2 < 0.0
    one = math.sqrt((r1 + 1.0) ** 2 - (r1 * math.cos(alpha)) ** 2)
    two = math.sqrt((r2 - 1.0 if ring else r2 + 1.0) ** 2 - (r2 * math.cos(alpha)) ** 2)
    path = one - two + (r2 - r1) * math.sin(alpha) if ring else one + two - (r1 + r2) * math.sin(alpha)
    return path / (math.pi * math.cos(alpha))


# ----------------------------------------------------------------------------------------------------------- geometry


@cache
def shifted() -> dict[str, float]:
    """The worked pair: 12 and 24 teeth, module 3, shifts 0.6 and 0.36; in mm and degrees."""
    alpha_w = gear_teeth.operating_angle(A, 36.0, 0.96)
    centre = gear_teeth.centre_distance(3.0, 36.0, A, alpha_w)
    k = gear_teeth.tip_truncation(36.0, 0.96, A, alpha_w)
    tips = [gear_teeth.tip_diameter(3.0, z, x, 1.0, k) for z, x in ((12.0, 0.6), (24.0, 0.36))]
    bases = [gear_teeth.base_diameter(3.0, z, A) for z in (12.0, 24.0)]
    shares = [
        gear_teeth.addendum_contact_ratio(z, gear_teeth.angle_at(t, b), alpha_w)
        for z, t, b in zip((12.0, 24.0), tips, bases, strict=True)
    ]
    return {
        "angle": math.degrees(alpha_w),
        "centre": centre,
        "base": bases[0],
        "tip of 12": tips[0],
        "tip of 24": tips[1],
        "root of 12": gear_teeth.root_diameter(3.0, 12.0, 0.6, 1.25),
        "root of 24": gear_teeth.root_diameter(3.0, 24.0, 0.36, 1.25),
        "operating circle of 12": gear_teeth.operating_diameter(centre, 12.0, 36.0),
        "contact ratio": sum(shares),
    }


SHIFTED_ROWS = [
    ("base", 33.8289, "mm", 6e-5),
    ("tip of 12", 44.840, "mm", 6e-4),
    ("tip of 24", 79.400, "mm", 6e-4),
    ("root of 12", 32.100, "mm", 1e-6),
    ("root of 24", 66.660, "mm", 1e-6),
    ("operating circle of 12", 37.667, "mm", 6e-4),
    ("contact ratio", 1.202, "", 5e-4),
]
RING = gear_teeth.operating_angle(A, -8.0, -0.5)
GEOMETRY = [
    *(row(f"gear-shifted-{k}", k, v, u, tol, SHIFTED, "published", shifted()[k], True) for k, v, u, tol in SHIFTED_ROWS),
    row("gear-shifted-angle", "operating angle", 26.0886, "deg", 5e-5, HANDBOOK, "from memory", shifted()["angle"], True),
    row("gear-shifted-centre", "centre distance", 56.4999, "mm", 5e-5, HANDBOOK, "from memory", shifted()["centre"], True),
    row(
        "gear-shift-for-centre", "sum of shifts for 56.5 mm", 0.960, "", 5e-4, SHIFTED, "published",
        gear_teeth.shift_sum(A, 36.0, gear_teeth.angle_at_centre_distance(3.0, 36.0, A, 56.5)), True,
    ),
    # The handbook counts the shift of a ring the other way: +0.5 there; its involute has six digits, which is 1e-4 deg.
    row("gear-ring-angle", "16 teeth in a ring of 24", 31.0937, "deg", 1e-4, HANDBOOK, "from memory", math.degrees(RING), True),
    row(
        "gear-ring-centre", "16 teeth in a ring of 24, module 3", 13.1683, "mm", 5e-5, HANDBOOK, "from memory",
        gear_teeth.centre_distance(3.0, -8.0, A, RING), True,
    ),
    row("gear-inv-20", "involute function of 20 deg", 0.014904, "", 5e-7, SHIFTED, "published", gear_teeth.involute(A), True),
    row(
        "gear-inv-21", "involute function of 21.2990642859 deg", 0.0181260949, "", 1e-8, SHEET, "published",
        gear_teeth.involute(math.radians(21.2990642859)),
    ),
    row(
        "gear-inv-inverse", "angle whose involute function is 0.0259052382", 23.8707609654, "deg", 1e-8, SHEET, "published",
        math.degrees(gear_teeth.inverse_involute(0.0259052382)),
    ),
    row("gear-undercut-20", "2/sin^2 20 deg", 17.097, "", 5e-4, TEXT, "recomputed", gear_teeth.least_teeth(A, 1.0, 0.0), True),
    row(
        "gear-undercut-14.5", "undercut limit at 14.5 deg: 32 teeth", 32.0, "", 0.12, SHIGLEY, "from memory",
        gear_teeth.least_teeth(math.radians(14.5), 1.0, 0.0), True,
    ),
    row(
        "gear-undercut-25", "undercut limit at 25 deg: 12 teeth, 11.2", 11.2, "", 0.05, SHIGLEY, "from memory",
        gear_teeth.least_teeth(math.radians(25.0), 1.0, 0.0), True,
    ),
    row(
        "gear-shift-12", "shift against undercut, 12 teeth: (17 - z)/17", 5.0 / 17.0, "", 0.02, "DIN 3960", "from memory",
        gear_teeth.least_shift(12.0, A, 1.0),
    ),
    row(
        "gear-rack-straight", "straight flank below the reference line", 1.0, "", 1e-4, "ISO 53 A", "from memory",
        gear_teeth.straight_depth(A, gear_teeth.DEDENDUM, gear_teeth.FILLET),
    ),
    row(
        "gear-rack-full-round", "flat left at the rack's tip with a fillet of 0.472", 0.0, "", 2e-4,
        "ISO 53: largest fillet of a dedendum of 1.25", "from memory", gear_outline.rack_corner_offset(A, 1.25, 0.472), True,
    ),
    row("gear-contact-19-42", "19 with 42 teeth", triangles(19, 42, A), "", 1e-12, TEXT, "recomputed", contact_ratio(19, 42)),
    row(
        "gear-contact-14.5", "30 with 60 teeth, 14.5 deg", triangles(30, 60, math.radians(14.5)), "", 1e-12, TEXT, "recomputed",
        contact_ratio(30, 60, math.radians(14.5)),
    ),
    row(
        "gear-contact-ring", "20 teeth in a ring of 60", triangles(20, -60, A), "", 1e-12, TEXT, "recomputed",
        contact_ratio(20, -60),
    ),
    row(
        "gear-contact-racks", "limit of many teeth: 4/(pi sin 40 deg), 1.98", 1.981, "", 5e-4, TEXT, "recomputed",
        contact_ratio(1e6, 1e6), True,
    ),
]  # fmt: skip


@run(GEOMETRY)
def test_geometry(check, got):
    verify(check, got)


def test_modules_are_those_of_the_standard():
    """ISO 54, from memory: 18 preferred and 18 second-choice modules, no value in both, each second one between two first."""
    first, second = gear_teeth.SERIES_I, gear_teeth.SERIES_II
    assert (len(first), len(second)) == (18, 18)
    assert not set(first) & set(second)
    assert [round(1e3 * m, 6) for m in first[:8]] == [1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0]
    assert [round(1e3 * m, 6) for m in second[:6]] == [1.125, 1.375, 1.75, 2.25, 2.75, 3.5]
    assert all(first[0] < m < first[-1] for m in second)


# ------------------------------------------------------------------------------------------------------------ internal


def least_ring(margin: str, pinion: int, addendum: float) -> int:
    """Fewest ring teeth above the pinion's with a margin that is not below zero; unshifted."""
    for ring in range(pinion + 3, pinion + 60):
        one, two = tip_angle(pinion, addendum=addendum), tip_angle(-ring)
        if not math.isfinite(two):
            continue
        if margin == "trimming":
            got = gear_internal.trimming_margin(pinion, ring, one, two, A)
        else:
            got = gear_internal.trochoid_margin(
                pinion, ring, 0.5 * pinion + 1.0, 0.5 * ring - 1.0, one, two, A, 0.5 * (ring - pinion)
            )
        if got >= 0.0:
            return ring
    return 0


CUTTERS = [
    (15, 34),
    (17, 35),
    (20, 38),
    (25, 43),
    (28, 46),
    (30, 48),
    (34, 52),
    (38, 56),
    (44, 62),
    (60, 78),
    (100, 118),
]
INTERNAL = [
    *(
        row(
            f"gear-trimming-{cutter}", f"ring cut by a pinion cutter of {cutter}, addendum 1.25", ring, "teeth", 1.01,
            f"{HANDBOOK}, table 5-3a", "published", least_ring("trimming", cutter, 1.25), True,
        )
        for cutter, ring in CUTTERS
    ),
    row(
        "gear-trochoid", "least difference of tooth numbers without trochoidal interference", 9.0, "teeth", 1.01,
        f"{HANDBOOK}, section 5: safe above 9", "published", least_ring("trochoid", 60, 1.0) - 60, True,
    ),
]  # fmt: skip


@run(INTERNAL)
def test_internal_interference(check, got):
    verify(check, got)


# ------------------------------------------------------------------------------------------------------------ workshop


def plain_span(teeth: float, count: float, module: float = 1.0) -> float:
    return gear_workshop.span(module, teeth, count, A, gear_teeth.thickness_at_pitch(module, 0.0, A))


def spanned(teeth: float) -> int:
    return gear_workshop.teeth_spanned(teeth, 0.0, A)


CALIPER = gear_teeth.thickness_at_pitch(10.0, 0.3, A)
SPANS = [(17, 2, 4.6663), (18, 3, 7.6324), (25, 3, 7.7305), (30, 4, 10.7526), (40, 5, 13.8448), (50, 6, 16.9370)]
# Pins of 1.728 m touch near the pitch circle; involute of the pin centre by hand: inv 20 + 1.728/(20 cos 20) - pi/40.
PIN_INVOLUTE = 0.0149043838 + 1.728 / (20.0 * math.cos(A)) - math.pi / 40.0
WORKSHOP = [
    *(
        row(f"gear-span-{z}", f"span over {k} of {z} teeth", w, "mm", 6e-5, SPAN_TABLE, "from memory", plain_span(z, k), True)
        for z, k, w in SPANS
    ),
    *(
        row(f"gear-span-count-{z}", "teeth to span", k, "", 1e-9, SPAN_TABLE, "from memory", spanned(z))
        for z, k, _ in SPANS
    ),
    row("gear-span-page-3", "20 teeth, module 2, over 3", 15.321, "mm", 5e-4, SPAN, "published", plain_span(20, 3, 2.0), True),
    row("gear-span-page-4", "the same over 4", 21.225, "mm", 5e-4, SPAN, "published", plain_span(20, 4, 2.0), True),
    row(
        "gear-span-page-contact", "where the jaws touch", 40.59, "mm", 5e-3, SPAN, "published",
        gear_workshop.span_contact_diameter(40.0 * math.cos(A), plain_span(20, 3, 2.0)), True,
    ),
    row("gear-caliper-arc", "m 10, z 12, x 0.3: arc", 17.8918, "mm", 6e-5, f"{HANDBOOK}, table 10-1", "published", CALIPER, True),
    row(
        "gear-caliper-chord", "chord of that", 17.8256, "mm", 6e-5, f"{HANDBOOK}, table 10-1", "published",
        gear_workshop.chordal_thickness(120.0, CALIPER), True,
    ),
    row(
        "gear-caliper-height", "height of that, tip 146 mm", 13.6657, "mm", 6e-5, f"{HANDBOOK}, table 10-1", "published",
        gear_workshop.chordal_height(120.0, 146.0, CALIPER), True,
    ),
    row(
        "gear-pins", "over pins of 1.728, module 1, 20 teeth: even", 20.0 * math.cos(A) / math.cos(
            brentq(lambda t: math.tan(t) - t - PIN_INVOLUTE, 0.1, 1.0, xtol=1e-14)) + 1.728, "mm", 1e-9,
        "DIN 3960, size over pins; involute solved apart by bracketing", "recomputed",
        gear_workshop.over_pins(1.0, 20.0, A, 0.5 * math.pi, 1.728),
    ),
    row(
        "gear-pin-rule", "ideal pin of an unshifted gear: about 1.68 m, towards pi/2 cos 20 deg of a rack over cos 20",
        0.5 * math.pi / math.cos(A), "mm", 2e-3, "pin in a rack's space touching at the pitch line; by hand", "recomputed",
        gear_workshop.ideal_pin(1.0, 2000.0, 0.0, A, 0.5 * math.pi),
    ),
]  # fmt: skip


@run(WORKSHOP)
def test_workshop(check, got):
    verify(check, got)
