"""The last gear stage, which a team makes itself: tooth numbers, module and shifts for a ratio, and what to draw.

Every module and pair of tooth numbers within the ratio's tolerance is looked at. Where the unshifted centre distance lies
between the limits it is taken, pinion and wheel shifted against each other; else the nearer limit is reached by the sum of
the shifts, if that is not too much. What can be built is worked out in full and ruled out with reasons; the others are
ranked by a score, the sum of four logarithms with the weights of the wishes:

    + strength, smallest safety over what is wanted, counted up to 2
    - worst-case lost motion, over the least among the pairs that meet everything
    - size, likewise
    - inertia at the pinion's shaft, likewise

so that a weight of 1 makes a halving of one worth as much as a halving of another. Nothing here is drawn from a standard.
"""

from __future__ import annotations

import math
from collections import Counter

import numpy as np

from valvectl.parts import gear_backlash, gear_outline
from valvectl.parts import gear_teeth as teeth
from valvectl.parts import gear_workshop as workshop
from valvectl.parts.lookup import FloatArray
from valvectl.studies.gear_pair import ALPHA, STRAIGHT, Gear, GearPair, evaluate
from valvectl.studies.gear_result import DrawingRow, GearStageResult, Mesh, kind_of_reason
from valvectl.studies.gear_wishes import GearWishes, check

SHIFT_SUMS = (-0.4, 1.0)
"""Sum of shifts allowed for reaching a centre distance, external pairs [-]; of internal ones the same with the signs swapped."""
MOST_COUNTED_STRENGTH = 2.0
"""Smallest safety over wanted, beyond which more is not worth anything [-]."""
PIN_STEP = 0.1e-3
"""Steps of pin gauge diameters [m]."""


def _shift_sum(wishes: GearWishes, module: float, total: int) -> float | str:
    """Sum of shifts [-] that puts a pair between the limits of the centre distance; in words why not."""
    standard = teeth.standard_centre_distance(module, total)
    slack = 1e-9 * standard
    if wishes.centre_least - slack <= standard <= wishes.centre_most + slack:
        return 0.0
    target = wishes.centre_least if standard < wishes.centre_least else wishes.centre_most
    alpha_w = teeth.angle_at_centre_distance(module, total, ALPHA, target)
    if math.isfinite(alpha_w):
        found = teeth.shift_sum(ALPHA, total, alpha_w)
        low, high = SHIFT_SUMS if total > 0 else (-SHIFT_SUMS[1], -SHIFT_SUMS[0])
        if low <= found <= high:
            return found
    return "centre distance too small" if standard < wishes.centre_least else "centre distance too large"


def _combinations(wishes: GearWishes) -> tuple[list[tuple[float, int, int, float]], Counter[str], int]:
    """Module, teeth and sum of shifts of what can be built; counts of what can not; how many were looked at."""
    out: list[tuple[float, int, int, float]] = []
    dropped: Counter[str] = Counter()
    tried = 0
    low, high = wishes.ratio * (1.0 - wishes.ratio_tolerance), wishes.ratio * (1.0 + wishes.ratio_tolerance)
    for pinion in range(wishes.pinion_teeth[0], wishes.pinion_teeth[1] + 1):
        wheels = range(math.ceil(low * pinion - 1e-9), math.floor(high * pinion + 1e-9) + 1)
        if not wheels:
            dropped["no whole number of wheel teeth within the ratio's tolerance"] += 1
        for wheel in wheels:
            for module in sorted(set(wishes.modules)):
                tried += 1
                if wheel > wishes.wheel_teeth_most:
                    dropped["more wheel teeth than allowed"] += 1
                    continue
                total = pinion + wheel * wishes.sense
                if wishes.internal and -total < 4:
                    dropped["too little difference between the tooth numbers for an internal pair"] += 1
                    continue
                found = _shift_sum(wishes, module, total)
                if isinstance(found, str):
                    dropped[found] += 1
                else:
                    out.append((module, pinion, wheel, found))
    return out, dropped, tried


def _score(wishes: GearWishes, pair: GearPair, best: tuple[float, float, float]) -> float:
    strength, lost, size, inertia = wishes.weights
    return (
        strength * math.log(min(pair.strength, MOST_COUNTED_STRENGTH))
        - lost * math.log(pair.lost_motion_most / best[0])
        - size * math.log(pair.size / best[1])
        - inertia * math.log(pair.inertia / best[2])
    )


def _ranked(wishes: GearWishes, pairs: list[GearPair]) -> tuple[list[GearPair], list[float], list[GearPair]]:
    """Pairs that meet everything, best first, their scores, and the others: fewest reasons, then strongest first."""
    good = [p for p in pairs if not p.reasons]
    others = sorted((p for p in pairs if p.reasons), key=lambda p: (len(p.reasons), -p.strength, p.size))
    if not good:
        return [], [], others
    best = (min(p.lost_motion_most for p in good), min(p.size for p in good), min(p.inertia for p in good))
    scored = sorted(((_score(wishes, p, best), p) for p in good), key=lambda row: (-row[0], row[1].size, row[1].module))
    return [p for _, p in scored], [s for s, _ in scored], others


# ------------------------------------------------------------------------------------------------- for the workshop


def _span_rows(pair: GearPair, gear: Gear, thickness: tuple[float, float]) -> tuple[float, float, float]:
    """Teeth spanned and the span's limits [m]; NaN when the jaws would not touch on the involute."""
    first = workshop.teeth_spanned(gear.teeth, gear.shift, ALPHA)
    for count in (first, first - 1, first + 1):
        low, high = (workshop.span(pair.module, gear.teeth, count, ALPHA, s) for s in thickness)
        touch = workshop.span_contact_diameter(gear.base, high)
        if count >= 2 and gear.form < touch < gear.tip:
            return float(count), low, high
    return math.nan, math.nan, math.nan


def _pin_rows(pair: GearPair, gear: Gear, z: int, thickness: tuple[float, float]) -> tuple[float, float, float]:
    """Pin diameter and the limits of the size over (between) pins [m]; NaN when no pin touches on the involute."""
    ideal = workshop.ideal_pin(pair.module, z, gear.shift, ALPHA, 0.5 * sum(thickness))
    inner, outer = (gear.form, gear.tip) if z > 0 else (gear.tip, gear.root)
    for more in range(8):  # a pin that sinks below the tips can not be measured over: take a thicker one
        pin = PIN_STEP * (round(ideal / PIN_STEP) + more)
        sizes = sorted(workshop.over_pins(pair.module, z, ALPHA, s, pin) for s in thickness)
        touch = workshop.pin_contact_diameter(pair.module, z, ALPHA, 0.5 * sum(thickness), pin)
        clear = sizes[0] > gear.tip if z > 0 else sizes[1] < gear.tip
        if inner < touch < outer and clear:
            return pin, sizes[0], sizes[1]
    return math.nan, math.nan, math.nan


def drawing_rows(wishes: GearWishes, pair: GearPair) -> tuple[DrawingRow, ...]:
    """What the workshop needs of a pair."""
    one, two = pair.pinion, pair.wheel
    none = math.nan
    tolerance = wishes.thickness_tolerance
    limits = [(g.thickness - pair.thinning - tolerance, g.thickness - pair.thinning + tolerance) for g in (one, two)]
    z = (one.teeth, wishes.sense * two.teeth)
    spans = (
        _span_rows(pair, one, limits[0]),
        (none, none, none) if wishes.internal else _span_rows(pair, two, limits[1]),
    )
    pins = (_pin_rows(pair, one, z[0], limits[0]), _pin_rows(pair, two, z[1], limits[1]))
    mean = [0.5 * sum(pair_of) for pair_of in limits]
    heights = (
        workshop.chordal_height(one.pitch, one.tip, mean[0]),
        none if wishes.internal else workshop.chordal_height(two.pitch, two.tip, mean[1]),
    )
    rows = [
        DrawingRow("number of teeth", one.teeth, two.teeth, ""),
        DrawingRow("module", pair.module, pair.module, "m"),
        DrawingRow("pressure angle of the rack (ISO 53 A)", ALPHA, ALPHA, "rad"),
        DrawingRow("profile shift x, above zero thickens the tooth", one.shift, two.shift, ""),
        DrawingRow("reference diameter", one.pitch, two.pitch, "m"),
        DrawingRow("base diameter", one.base, two.base, "m"),
        DrawingRow("tip diameter (of a ring its bore)", one.tip, two.tip, "m"),
        DrawingRow("root diameter", one.root, two.root, "m"),
        DrawingRow("operating pitch diameter", one.operating, two.operating, "m"),
        DrawingRow("involute must reach to diameter", one.active, two.active, "m"),
        DrawingRow(
            "face width, the pinion half a module wider", wishes.face_width + 0.5 * pair.module, wishes.face_width, "m"
        ),
        DrawingRow("tooth thickness on the reference circle, most", limits[0][1], limits[1][1], "m"),
        DrawingRow("tooth thickness on the reference circle, least", limits[0][0], limits[1][0], "m"),
        DrawingRow("teeth in the span", spans[0][0], spans[1][0], ""),
        DrawingRow("span, most", spans[0][2], spans[1][2], "m"),
        DrawingRow("span, least", spans[0][1], spans[1][1], "m"),
        DrawingRow("pin diameter", pins[0][0], pins[1][0], "m"),
        DrawingRow("over pins (of a ring between), most", pins[0][2], pins[1][2], "m"),
        DrawingRow("over pins (of a ring between), least", pins[0][1], pins[1][1], "m"),
        DrawingRow("tooth caliper, height", heights[0], heights[1], "m"),
        DrawingRow(
            "tooth caliper, mean thickness",
            workshop.chordal_thickness(one.pitch, mean[0]),
            none if wishes.internal else workshop.chordal_thickness(two.pitch, mean[1]),
            "m",
        ),
        DrawingRow("run-out as mounted, at most", wishes.runout_pinion, wishes.runout_wheel, "m"),
        DrawingRow("centre distance", pair.centre, pair.centre, "m"),
        DrawingRow(
            "tolerance of the centre distance, plus or minus", wishes.centre_tolerance, wishes.centre_tolerance, "m"
        ),
        DrawingRow("operating pressure angle", pair.alpha_w, pair.alpha_w, "rad"),
        DrawingRow("bottom clearance", pair.clearance, pair.clearance, "m"),
        DrawingRow(
            "teeth that the travel uses, spares counted",
            none,
            teeth.teeth_in_use(two.teeth, wishes.output_travel, pair.contact_ratio),
            "",
        ),
        DrawingRow(
            "pinion turns until the same teeth meet",
            teeth.turns_to_repeat(one.teeth, two.teeth),
            none,
            "",
        ),
    ]
    return tuple(rows)


def _shape(pair: GearPair, gear: Gear, z: int, turned: float, points: int) -> FloatArray:
    half = gear_outline.flank(
        pair.module,
        z,
        gear.shift,
        ALPHA,
        teeth.DEDENDUM,
        teeth.FILLET,
        STRAIGHT,
        gear.tip,
        gear.root,
        pair.thinning,
        points,
    )
    return gear_outline.outline(half[0], half[1], z, turned)


def mesh_of(wishes: GearWishes, pair: GearPair, points: int = 16, turn: float = 0.0) -> Mesh:
    """Outlines of a pair in mesh, one side's flanks touching; the pinion turned by ``turn`` [rad] against the clock.

    A pinion tooth points at the pitch point at no turn. External: the pinion stands at +x of the wheel, internal: likewise,
    inside the ring. Nominal thinning; the wheel is turned by half its backlash so that flanks touch.
    """
    z2 = wishes.sense * pair.wheel.teeth
    one, two = pair.pinion, pair.wheel
    half_gap = 0.5 * gear_backlash.lost_motion(pair.backlash.nominal, two.operating)
    start = 0.0 if wishes.internal else math.pi
    # The wheel turns with the pinion, against it when external; a space of the wheel faces the pinion's tooth.
    wheel_turn = turn * one.teeth / z2 * -1.0
    pinion = _shape(pair, one, one.teeth, start + turn, points)
    wheel = _shape(pair, two, z2, math.pi / two.teeth + wheel_turn + half_gap, points)
    pinion = pinion + np.array([pair.centre, 0.0])
    return Mesh(pinion, wheel, pair.centre, _contact_path(wishes, pair), _rim(wishes, pair))


def _rim(wishes: GearWishes, pair: GearPair) -> float:
    return 0.5 * pair.wheel.root + wishes.ring_rim * pair.module if wishes.internal else math.nan


def _contact_path(wishes: GearWishes, pair: GearPair) -> FloatArray:
    """Ends of the path of contact of the flanks that touch in ``mesh_of``, shape (2, 2) [m]."""
    pitch_point = 0.5 * pair.wheel.operating
    base_pitch = math.pi * pair.module * math.cos(ALPHA)
    # Along the line of contact, whose normal from the wheel's centre is turned by alpha_w from the line of centres.
    direction = np.array([math.sin(pair.alpha_w), math.cos(pair.alpha_w)])
    # The pinion's tip touches on the wheel's side of the pitch point, in a ring on the far side.
    ends = wishes.sense * np.array([-pair.shares[0], pair.shares[1]]) * base_pitch
    return np.asarray(np.array([pitch_point, 0.0]) + ends[:, None] * direction[None, :])


# --------------------------------------------------------------------------------------------------------- the study


def _reason(recommended: GearPair | None, nearest: GearPair | None, met: int, count: int, dropped: Counter[str]) -> str:
    if nearest is None:
        most = dropped.most_common(1)
        return "No pair fits" + (f": {most[0][0]} for {most[0][1]} combinations." if most else ".")
    p = nearest
    head = (
        f"module {1e3 * p.module:g} mm, {p.pinion.teeth} and {p.wheel.teeth} teeth, ratio {p.ratio:.4g}, centre distance "
        f"{1e3 * p.centre:.3f} mm"
    )
    if recommended is None:
        return f"None of {count} pairs meets everything. Nearest: {head}; it misses: {'; '.join(p.reasons)}."
    return (
        f"Best of {met} pairs that meet everything, of {count} worked out: {head}. Weakest in {p.weakest}, "
        f"{p.strength:.2f} times the safety wanted; worst-case lost motion {math.degrees(p.lost_motion_most):.3f} deg at the "
        f"output, never less than {math.degrees(p.lost_motion(p.backlash.least)):.3f} deg."
    )


def gear_stage(wishes: GearWishes) -> GearStageResult:
    """Find the pair for a gear stage.

    Raises ``DesignError`` with every fault of the wishes. When nothing meets everything, ``recommended`` is None and
    ``nearest`` is the pair that misses least.
    """
    check(wishes)
    found, dropped, tried = _combinations(wishes)
    pairs = [evaluate(wishes, module, pinion, wheel, total) for module, pinion, wheel, total in found]
    good, scores, others = _ranked(wishes, pairs)
    kinds = Counter(kind for p in others for kind in {kind_of_reason(r) for r in p.reasons})
    recommended = good[0] if good else None
    nearest = recommended or (others[0] if others else None)
    drawable = nearest is not None and not any(
        r.startswith(("pinion undercut", "wheel undercut", "the ring's tips lie")) for r in nearest.reasons
    )
    return GearStageResult(
        wishes=wishes,
        pairs=(*good, *others),
        scores=tuple(scores),
        met=len(good),
        tried=tried,
        out_of_reach=tuple(dropped.most_common()),
        rejected=tuple(sorted(kinds.items(), key=lambda kind: (-kind[1], kind[0]))),  # the same order in every run
        recommended=recommended,
        nearest=nearest,
        drawing=drawing_rows(wishes, nearest) if nearest is not None else (),
        mesh=mesh_of(wishes, nearest) if nearest is not None and drawable else None,
        reason=_reason(recommended, nearest, len(good), len(pairs), dropped),
    )
