"""A gear pair worked out by hand from end to end: force, stress, pressure, size, lost motion; and the laws that it needs.

Expected numbers come from the forms that texts print (ISO 6336-2 zone factor, right-angled triangles, US units), not from
the way in which the program arranges them.
"""

from __future__ import annotations

import dataclasses
import math

from gear_rows import SHIGLEY, A, row, run
from outside import verify

from valvectl.parts import gear_backlash, gear_internal, gear_strength, gear_teeth
from valvectl.parts.gear_material import MATERIALS
from valvectl.studies.gear_pair import evaluate
from valvectl.studies.gear_wishes import GearWishes

HAND = "statics; by hand"
EXPANSION = "linear expansion; by hand"
TAN = math.tan(A)
FPM = 0.3048 / 60.0

# ----------------------------------------------------------------------------------------------------- the laws needed

# Shigley prints the factors for V in ft/min as well; 628 ft/min is that of the book's example 14-1.
V = 628.0
PULLED = "ISO 6336-1: c' of 14 N/(mm um) for steel, times 2 E1 E2/(E1 + E2) over that of steel"


def rack_form(z: float) -> tuple[float, float]:
    """Tip and base radius of an unshifted gear of module 1 mm [m]."""
    return 0.5e-3 * (z + 2.0), 0.5e-3 * z * math.cos(A)


def begins_alone(z1: float, z2: float) -> float:
    """1/r1 + 1/r2 [1/m] one base pitch inside the pinion's tip contact, from the triangles under the line of action."""
    tip, base = rack_form(z1)
    own = math.sqrt(tip**2 - base**2) - math.pi * 1e-3 * math.cos(A)
    mate = 0.5e-3 * (z1 + z2) * math.sin(A) - own
    return 1.0 / own + 1.0 / mate


def ours_alone(z1: float, z2: float) -> float:
    tip, base = rack_form(z1)
    return gear_strength.inner_single_curvature(1e-3, z1, z2, A, A, math.acos(base / tip))


def ring_tip_at_base(z1: float, z2: float) -> float:
    """Margin of a ring whose tip reaches just to the foot of the line of action, so that contact begins on the base circle."""
    centre = 0.5 * (z2 - z1)
    tip = math.hypot(0.5 * z2 * math.cos(A), centre * math.sin(A))
    return gear_internal.involute_margin(z1, z2, math.acos(0.5 * z2 * math.cos(A) / tip), A)


LAWS = [
    row(
        "gear-hand-hobbed", "velocity factor of hobbed teeth: (50 + sqrt V)/50 at 628 ft/min", (50.0 + math.sqrt(V)) / 50.0, "",
        1e-3, f"{SHIGLEY}, US units", "from memory", gear_strength.velocity_factor_hobbed(V * FPM),
    ),
    row(
        "gear-hand-ground", "of ground teeth: sqrt((78 + sqrt V)/78)", math.sqrt((78.0 + math.sqrt(V)) / 78.0), "", 1e-3,
        f"{SHIGLEY}, US units", "from memory", gear_strength.velocity_factor_ground(V * FPM),
    ),
    row(
        "gear-hand-cut", "of cut teeth: (1200 + V)/1200", (1200.0 + V) / 1200.0, "", 1e-3, f"{SHIGLEY}, US units", "from memory",
        gear_strength.velocity_factor_cut(V * FPM),
    ),
    row(
        "gear-hand-mesh-stiffness", "steel, 14 mm wide, base circle 60 mm: 14e9 x 0.014 x 0.03^2", 176400.0, "N m/rad", 1e-9,
        PULLED, "from memory", gear_strength.mesh_stiffness(0.014, 0.06, 206e9, 206e9),
    ),
    row(
        "gear-hand-mesh-stiffness-mixed", "the same with an aluminium wheel: E of 103.37 GPa",
        176400.0 * (2.0 * 206.0 * 69.0 / 275.0) / 206.0, "N m/rad", 1e-9, PULLED, "from memory",
        gear_strength.mesh_stiffness(0.014, 0.06, 206e9, 69e9),
    ),
    row(
        "gear-hand-alone-20-60", "curvature where one pair begins to carry, 20 and 60 teeth", begins_alone(20.0, 60.0), "1/m",
        1e-9, "triangles under the line of action, any text on gears; by hand", "recomputed", ours_alone(20.0, 60.0),
    ),
    row(
        "gear-hand-alone-ring", "the same, 20 teeth in a ring of 60",
        1.0 / (math.sqrt(rack_form(20.0)[0] ** 2 - rack_form(20.0)[1] ** 2) - math.pi * 1e-3 * math.cos(A))
        - 1.0 / (math.sqrt(rack_form(20.0)[0] ** 2 - rack_form(20.0)[1] ** 2) - math.pi * 1e-3 * math.cos(A)
                 + 20e-3 * math.sin(A)),
        "1/m", 1e-9, "triangles under the line of action of an internal pair; by hand", "recomputed", ours_alone(20.0, -60.0),
    ),
    row(
        "gear-hand-involute-limit", "margin of a ring of 80 whose contact begins on the base circle of 18 teeth", 0.0, "", 1e-12,
        "foot of the line of action; by hand", "recomputed", ring_tip_at_base(18.0, 80.0), True,
    ),
    row(
        "gear-hand-static-contact", "pressure borne a few times over endurance: Z_NT", 1.6, "", 1e-12,
        "ISO 6336-2, life factor of steels at few cycles", "from memory",
        MATERIALS["alloy steel, quenched and tempered"].static_contact
        / MATERIALS["alloy steel, quenched and tempered"].contact_endurance,
    ),
    row(
        "gear-hand-sector", "76 teeth, 90 deg, contact ratio 1.64: 19 + 1.64, up to 21, a spare each side", 23.0, "teeth", 1e-9,
        "by hand; spares: common practice, no source", "recomputed", gear_teeth.teeth_in_use(76, 0.5 * math.pi, 1.64), True,
    ),
    row(
        "gear-hand-full-turn", "never more teeth than there are", 76.0, "teeth", 1e-9, "by hand", "recomputed",
        gear_teeth.teeth_in_use(76, 2.0 * math.pi, 1.64), True,
    ),
]  # fmt: skip


@run(LAWS)
def test_laws(check, got):
    verify(check, got)


# -------------------------------------------------------------------------------------------------------- lost motion

PLAIN = gear_backlash.MeshTolerances(
    thinning_1=0.1e-3, thinning_2=0.1e-3, thickness=15e-6, centre=20e-6, runout_1=20e-6, runout_2=30e-6, bearing_play=10e-6,
    housing_expansion=23.5e-6, expansion_1=11.5e-6, expansion_2=18e-6, assembly=293.15, low=243.15, high=293.15,
    wheel_colder=0.0, wheel_warmer=0.0,
)  # fmt: skip
"""Aluminium housing, steel pinion, bronze wheel; 50 K colder."""


def found(z2: float, **changed: float) -> gear_backlash.Backlash:
    """Of 20 teeth with 40, or in a ring of 60, module 2 mm, unshifted."""
    half, centre = math.pi * 1e-3, 1e-3 * abs(20.0 + z2)
    return gear_backlash.backlash(2e-3, 20.0, z2, A, half, half, centre, dataclasses.replace(PLAIN, **changed))


def share(name: str, z2: float = 40.0, upper: bool = True, **changed: float) -> float:
    for what, low, high in found(z2, **changed).shares:
        if what == name:
            return high if upper else low
    return math.nan


# Centre distance 60 mm shrinks by 70.5 um, the radii of 20 and 40 mm by 11.5 and 36 um: 23 um too close.
CLOSER = 70.5e-6 - 11.5e-6 - 36e-6
# Ring: the pinion moves out of it by 47 um, the radii of 60 and 20 mm shrink by 54 and 11.5 um: 4.5 um of room are left.
RING_ROOM = 47e-6 - (54e-6 - 11.5e-6)
# The backlash that is there already, 0.2 mm, grows with the operating circle.
SLOPE, RING_SLOPE = 2.0 * TAN + 0.2 / 60.0, 2.0 * TAN - 0.2 / 40.0
SPREAD = math.sqrt(SLOPE**2 * (20.0**2 + 10.0**2 + 15.0**2 + 5.0**2) + 15.0**2 + 15.0**2) * 1e-6
REACH = (20.0 + 10.0 + 15.0 + 5.0) * 1e-6
# Second order in the centre distance: the operating angle changes by da/(a tan(alpha)), the slope by that over cos^2(alpha).
BEND = 1.0 / (60e-3 * math.sin(A) * math.cos(A))
LEAST = 0.2e-3 - SLOPE * (CLOSER + REACH) + BEND * (CLOSER + REACH) ** 2 - 30e-6
MOST = 0.2e-3 + SLOPE * REACH + BEND * REACH**2 + 30e-6
MOVED = "2 tan(alpha) + j/a times the change of the centre distance a, any text on gears; by hand"
SQUARES = "root-sum-square of independent tolerances; by hand"
# Curvature of the backlash over the centre distance: below two parts in a thousand at tens of micrometres.
LOST = [
    row("gear-hand-nominal", "0.1 mm off the teeth of each gear", 0.2e-3, "m", 1e-9, HAND, "recomputed", found(40.0).nominal),
    row("gear-hand-centre", "20 um of centre distance", SLOPE * 20e-6, "m", 2e-3, MOVED, "recomputed",
        share("centre distance")),
    row("gear-hand-runout-pinion", "indicator reading of 20 um: 10 um off centre", SLOPE * 10e-6, "m", 2e-3, MOVED,
        "recomputed", share("run-out of pinion")),
    row("gear-hand-runout-wheel", "indicator reading of 30 um: 15 um off centre", SLOPE * 15e-6, "m", 2e-3, MOVED,
        "recomputed", share("run-out of wheel")),
    row("gear-hand-play", "play of 10 um: 5 um either way", SLOPE * 5e-6, "m", 2e-3, MOVED, "recomputed",
        share("bearing play")),
    row("gear-hand-thickness", "15 um of the pinion's teeth", 15e-6, "m", 1e-9, HAND, "recomputed", share("thickness of pinion")),
    row("gear-hand-cold", "50 K colder: 23 um too close", -SLOPE * CLOSER, "m", 2e-3, EXPANSION, "recomputed",
        share("temperature", upper=False)),
    row("gear-hand-cold-ring", "the same of a bronze ring: 4.5 um of room", RING_SLOPE * RING_ROOM, "m", 2e-3, EXPANSION,
        "recomputed", share("temperature", -60.0)),
    row("gear-hand-cold-wheel", "bronze wheel 60 K colder still: 43.2 um of room, 20.2 um left", SLOPE * (43.2e-6 - CLOSER), "m",
        2e-3, EXPANSION, "recomputed", share("temperature", low=243.15, high=243.15, wheel_colder=60.0)),
    row("gear-hand-least", "worst case: all together", LEAST, "m", 1e-3, "sum of all; by hand",
        "recomputed", found(40.0).least),
    row("gear-hand-most", "worst case: all together, warm", MOST, "m", 1e-3, "sum of all; by hand", "recomputed",
        found(40.0).most),
    row("gear-hand-least-rss", "root-sum-square about the cold backlash", 0.2e-3 - SLOPE * CLOSER - SPREAD, "m", 1e-3,
        SQUARES, "recomputed", found(40.0).least_rss),
    row("gear-hand-most-rss", "root-sum-square about the warm backlash", 0.2e-3 + SPREAD, "m", 1e-3, SQUARES, "recomputed",
        found(40.0).most_rss),
]  # fmt: skip


@run(LOST)
def test_lost_motion(check, got):
    verify(check, got)


# ------------------------------------------------------------------------------------------------------ a whole pair

WISHES = GearWishes(
    ratio=3.0, centre_least=0.03, centre_most=0.05, face_width=0.012, torque=8.0, peak_torque=25.0, speed=6.0,
    wheel_material=MATERIALS["aluminium bronze, wrought"],
)  # fmt: skip
PAIR = evaluate(WISHES, 1e-3, 20, 60, 0.0)
RING = evaluate(dataclasses.replace(WISHES, internal=True), 1e-3, 20, 60, 0.0)
FORCE, PEAK, WIDTH = 8.0 / 0.03, 25.0 / 0.03, 0.012
KV = (6.1 + 6.0 * 0.03) / 6.1
ZH = math.sqrt(2.0 / (math.cos(A) ** 2 * math.tan(A)))
MIXED = math.sqrt(1.0 / (math.pi * ((1.0 - 0.3**2) / 206e9 + (1.0 - 0.33**2) / 120e9)))
ISO = "ISO 6336-2: Z_H Z_E sqrt(F_t/(b d1) (u + 1)/u), Z_H 2.495"
LEWIS = f"{SHIGLEY}: K_v F_t/(b m Y), Y of the gear's own shape"


def safety(what: str, pair: object = PAIR) -> float:
    return next(got for name, got, _ in pair.safeties if name == what)  # type: ignore[attr-defined]


WHOLE = [
    row("gear-hand-zh", "zone factor of 20 deg", 2.495, "", 5e-4, "ISO 6336-2", "from memory", ZH, True),
    row("gear-hand-speed", "6 rad/s at a radius of 30 mm", 0.18, "m/s", 1e-9, HAND, "recomputed", PAIR.pitch_speed),
    row("gear-hand-bending", "8 N m at the wheel: 266.7 N on the pinion's teeth",
        KV * FORCE / (WIDTH * 1e-3 * PAIR.pinion.form_factor), "Pa", 1e-9, LEWIS, "recomputed", PAIR.bending[0]),
    row("gear-hand-bending-wheel", "the same on the wheel's", KV * FORCE / (WIDTH * 1e-3 * PAIR.wheel.form_factor), "Pa", 1e-9,
        LEWIS, "recomputed", PAIR.bending[1]),
    row("gear-hand-bending-peak", "25 N m, standing: no velocity factor", PEAK / (WIDTH * 1e-3 * PAIR.pinion.form_factor), "Pa",
        1e-9, LEWIS, "recomputed", PAIR.bending_peak[0]),
    row("gear-hand-pressure", "at the pitch point, steel on bronze",
        ZH * MIXED * math.sqrt(KV * FORCE / (WIDTH * 0.02) * 4.0 / 3.0), "Pa", 1e-9, ISO, "recomputed", PAIR.pitch_pressure),
    row("gear-hand-pressure-ring", "in a ring: (u - 1)/u", ZH * MIXED * math.sqrt(KV * FORCE / (WIDTH * 0.02) * 2.0 / 3.0), "Pa",
        1e-9, ISO, "recomputed", RING.pitch_pressure),
    row("gear-hand-pressure-peak", "peak over running: root of 25/(8 K_v)", math.sqrt(25.0 / (8.0 * KV)), "", 1e-9, ISO,
        "recomputed", PAIR.pressure_peak / PAIR.pressure),
    row("gear-hand-softer", "the bronze decides over contact: 400 MPa", 400e6, "Pa", 1e-9, HAND, "recomputed",
        safety("contact in running") * PAIR.pressure),
    row("gear-hand-yield-wheel", "the wheel's own yield stress: 300 MPa", 300e6, "Pa", 1e-9, HAND, "recomputed",
        safety("yield at the peak, wheel") * PAIR.bending_peak[1]),
    row("gear-hand-endurance-pinion", "the pinion's own endurance: 250 MPa", 250e6, "Pa", 1e-9, HAND, "recomputed",
        safety("bending in running, pinion") * PAIR.bending[0]),
    row("gear-hand-size", "from end to end: 1 + 20 + 60 + 1 mm", 0.082, "m", 1e-9, "unshifted or shifted against each other: "
        "the tips move alike; by hand", "recomputed", PAIR.size),
    row("gear-hand-size-ring", "root circle of 62.5 mm less twice the shift, and a rim of 3 modules",
        62.5e-3 + 2.0 * RING.pinion.shift * 1e-3 + 6e-3, "m", 1e-9, "ring thinner by what the pinion gained; by hand",
        "recomputed", RING.size),
    row("gear-hand-lost-motion", "backlash on a radius of 30 mm", PAIR.backlash.most / 0.03, "rad", 1e-9, HAND, "recomputed",
        PAIR.lost_motion_most),
    row("gear-hand-stiffness", "14e9 times 2 E1 E2/(E1 + E2)/206 GPa, 12 mm, 28.19 mm",
        14e9 * (2.0 * 120.0 / 326.0) * 0.012 * (0.03 * math.cos(A)) ** 2, "N m/rad", 1e-9, PULLED, "from memory", PAIR.stiffness),
]  # fmt: skip


@run(WHOLE)
def test_whole_pair(check, got):
    verify(check, got)
