"""One candidate pair of the study of gear stages: its geometry, strength, backlash, loss and inertia, and what rules it out.

Laws are those of ``parts/gear_*``; here they are joined. z of an internal ring is negative where they are called.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from valvectl.parts import gear_backlash, gear_internal, gear_mesh_loss, gear_strength
from valvectl.parts import gear_teeth as teeth
from valvectl.parts.gearing import backdrive_default
from valvectl.studies.gear_wishes import VELOCITY, GearWishes

ALPHA = teeth.PRESSURE_ANGLE
STRAIGHT = teeth.straight_depth(ALPHA, teeth.DEDENDUM, teeth.FILLET)
SHIFT_STEP = 0.05
"""Steps in which the pinion's shift is tried [-]."""
MOST_SHIFT = 0.8
"""Largest shift of a gear tried [-]; the rack's corner then still lies below the pitch line."""
MOST_TRIED_SHIFT = 0.5
"""Shift of the pinion up to which more strength is looked for [-]; beyond it contact ratio and tips suffer."""
FORM_ALLOWANCE = 1e-9
"""Rounding left to comparisons of tangents [-]."""


@dataclass(frozen=True)
class Gear:
    """One gear of a pair, SI. Diameters of a ring: tip is its bore, root the larger circle."""

    teeth: int
    """Number of teeth, positive."""
    shift: float
    """Profile shift x [-]; above zero: thicker teeth, of a ring too."""
    pitch: float
    """Reference diameter [m]."""
    base: float
    """Base circle [m]."""
    tip: float
    """Tip circle [m]."""
    root: float
    """Root circle [m]."""
    operating: float
    """Operating pitch circle [m]."""
    form: float
    """Diameter where the rack-cut involute begins [m]; of a ring where the mate's contact ends."""
    active: float
    """Diameter where contact with the mate ends towards the root [m]."""
    thickness: float
    """Arc of a tooth on the reference circle, nothing taken off for backlash [m]."""
    tip_thickness: float
    """Arc of a tooth at its tip [m]."""
    form_factor: float
    """Lewis form factor Y, load at the tip [-]; of a ring that of the rack, which is on the safe side."""
    mass: float
    """Of the blank as a plain disc or ring [kg]."""
    inertia: float
    """About its own axis [kg m^2]."""


@dataclass(frozen=True)
class GearPair:
    """A candidate with all that was worked out for it, SI."""

    internal: bool
    module: float
    """[m]"""
    pinion: Gear
    wheel: Gear
    ratio: float
    """Exact ratio [-]."""
    centre: float
    """Centre distance [m]."""
    alpha_w: float
    """Operating pressure angle [rad]."""
    shares: tuple[float, float]
    """Contact ratio between pitch point and tip of pinion and of wheel [-]; their sum is the contact ratio."""
    clearance: float
    """Bottom clearance, the smaller of the two [m]."""
    pitch_speed: float
    """Speed of the pitch circles in running [m/s]."""
    bending: tuple[float, float]
    """Root stress of pinion and wheel in running [Pa]."""
    bending_peak: tuple[float, float]
    """Root stress of pinion and wheel at the peak torque [Pa]."""
    pressure: float
    """Contact pressure in running, at the pitch point or where one pair begins to carry, whichever is larger [Pa]."""
    pressure_peak: float
    """The same at the peak torque [Pa]."""
    pitch_pressure: float
    """Contact pressure in running at the pitch point [Pa]."""
    safeties: tuple[tuple[str, float, float], ...]
    """What, safety reached [-], safety wanted [-]."""
    thinning: float
    """Mean amount taken off the teeth of each gear on the reference circle [m]."""
    backlash: gear_backlash.Backlash
    """On the operating pitch circle [m]."""
    efficiency: float
    """Of the mesh alone, pinion drives, running [-]."""
    static_efficiency: float
    """Of the mesh alone at breakaway [-]."""
    backdrive_efficiency: float
    """Of the mesh alone when the wheel drives [-]."""
    inertia: float
    """Of both gears at the pinion's shaft [kg m^2]."""
    stiffness: float
    """Of the mesh alone, at the wheel [N m/rad]."""
    torque_limit: float
    """Largest output torque with the peak safeties wanted [N m]."""
    size: float
    """Overall length across both gears, or outer diameter of the ring [m]."""
    reasons: tuple[str, ...]
    """Why it is ruled out, in words; empty: it is not."""
    notes: tuple[str, ...]
    """What to know of it, in words."""

    @property
    def contact_ratio(self) -> float:
        """Contact ratio [-]."""
        return sum(self.shares)

    @property
    def strength(self) -> float:
        """Smallest safety over what is wanted [-]; from 1 up all are met."""
        return min(got / wanted for _, got, wanted in self.safeties)

    @property
    def weakest(self) -> str:
        """Which safety that is."""
        return min(self.safeties, key=lambda row: row[1] / row[2])[0]

    @property
    def mass(self) -> float:
        """Of both blanks [kg]."""
        return self.pinion.mass + self.wheel.mass

    def lost_motion(self, backlash: float) -> float:
        """Angle at the output [rad] for a backlash [m]."""
        return gear_backlash.lost_motion(backlash, self.wheel.operating)

    @property
    def lost_motion_most(self) -> float:
        """Lost motion at the output in the worst case [rad]."""
        return self.lost_motion(self.backlash.most)


@lru_cache(maxsize=8192)
def form_factor(count: int, shift: float, truncation: float) -> float:
    """Lewis form factor Y [-] of an external tooth loaded at its tip."""
    tip = count + 2.0 * (shift + teeth.ADDENDUM - truncation)
    angle = teeth.angle_at(tip, count * math.cos(ALPHA))
    if not math.isfinite(angle):
        return math.nan
    return gear_strength.lewis_factor(count, shift, ALPHA, teeth.DEDENDUM, teeth.FILLET, angle)


@lru_cache(maxsize=1)
def rack_factor() -> float:
    """Lewis form factor Y [-] of the rack; stands for an internal ring, whose teeth are thicker at the root."""
    z = gear_strength.RACK_TEETH
    angle = teeth.angle_at(z + 2.0 * teeth.ADDENDUM, z * math.cos(ALPHA))
    return gear_strength.lewis_factor(z, 0.0, ALPHA, teeth.DEDENDUM, teeth.FILLET, angle)


def tip_share(count: int, shift: float, truncation: float) -> float:
    """Thickness of the tip [modules] of a gear, z of a ring negative; NaN where the flanks do not exist."""
    tip = teeth.tip_diameter(1.0, count, shift, teeth.ADDENDUM, truncation)
    return teeth.thickness_at(tip, 1.0, count, ALPHA, teeth.thickness_at_pitch(1.0, shift, ALPHA))


def pinion_shift(wishes: GearWishes, pinion: int, wheel: int, shift_sum: float, alpha_w: float) -> float:
    """The pinion's shift [-] of the strongest weaker gear, among those without undercut or pointed tips.

    Grid of ``SHIFT_STEP`` from the least shift without undercut. When none will do, the least one; the caller then says why.
    """
    z2 = wheel * wishes.sense
    k = teeth.tip_truncation(pinion + z2, shift_sum, ALPHA, alpha_w)
    first = math.ceil((teeth.least_shift(pinion, ALPHA, STRAIGHT) - 1e-9) / SHIFT_STEP)
    start = max(first, math.floor(min(0.0, shift_sum) / SHIFT_STEP))
    best, strongest = SHIFT_STEP * start, -math.inf
    for step in range(start, max(start, round(MOST_TRIED_SHIFT / SHIFT_STEP)) + 1):
        x1 = round(SHIFT_STEP * step, 9)
        x2 = shift_sum - x1
        if abs(x2) > MOST_SHIFT or not tip_share(pinion, x1, k) >= wishes.tip_thickness_least:
            continue
        if z2 > 0 and x2 < teeth.least_shift(z2, ALPHA, STRAIGHT) - FORM_ALLOWANCE:
            continue
        if not tip_share(z2, x2, k) >= wishes.tip_thickness_least:
            continue
        other = form_factor(wheel, x2, k) if z2 > 0 else rack_factor()
        weaker = min(
            form_factor(pinion, x1, k) * wishes.pinion_material.bending_endurance,
            other * wishes.wheel_material.bending_endurance,
        )
        # A gain below one part in a thousand is not worth more shift: it costs contact ratio.
        if weaker > strongest * 1.001 or strongest == -math.inf:
            best, strongest = x1, weaker
    return round(best, 9)


def tip_diameters(z1: int, z2: int, x1: float, x2: float, k: float, alpha_w: float) -> tuple[float, float]:
    """Tip diameters of both gears [modules]; z2 of a ring negative.

    A ring of full height would reach below the pinion's involute: its bore is opened until the contact begins on it.
    """
    one = teeth.tip_diameter(1.0, z1, x1, teeth.ADDENDUM, k)
    two = teeth.tip_diameter(1.0, z2, x2, teeth.ADDENDUM, k)
    if z2 < 0:
        limit = teeth.mate_tip_limit(z1, z2, alpha_w, max(0.0, teeth.form_tangent(z1, x1, ALPHA, STRAIGHT)))
        if math.isfinite(limit):
            two = max(two, abs(z2) * math.cos(ALPHA) / math.cos(limit))
    return one, two


def _gear(
    wishes: GearWishes,
    is_wheel: bool,
    z: int,
    mate: int,
    shift: float,
    k: float,
    module: float,
    centre: float,
    alpha_w: float,
    tips: tuple[float, float],
) -> Gear:
    """One gear; z and the mate's are signed, ``tips`` are its own tip diameter [modules] and the mate's tip angle [rad]."""
    base = teeth.base_diameter(module, z, ALPHA)
    tip = module * tips[0]
    root = teeth.root_diameter(module, z, shift, teeth.DEDENDUM)
    thickness = teeth.thickness_at_pitch(module, shift, ALPHA)
    active = base * math.hypot(1.0, max(0.0, teeth.active_tangent(z, mate, alpha_w, tips[1])))
    pitch = teeth.pitch_diameter(module, z)
    material = wishes.wheel_material if is_wheel else wishes.pinion_material
    if z < 0:
        outer, inner, form = root + 2.0 * wishes.ring_rim * module, pitch, active
    else:
        outer, inner = pitch, wishes.wheel_bore if is_wheel else wishes.pinion_bore
        form = base * math.hypot(1.0, max(0.0, teeth.form_tangent(z, shift, ALPHA, STRAIGHT)))
    return Gear(
        teeth=abs(z),
        shift=shift,
        pitch=pitch,
        base=base,
        tip=tip,
        root=root,
        operating=teeth.operating_diameter(centre, z, z + mate),
        form=form,
        active=active,
        thickness=thickness,
        tip_thickness=teeth.thickness_at(tip, module, z, ALPHA, thickness),
        form_factor=form_factor(z, shift, k) if z > 0 else rack_factor(),
        mass=gear_strength.disc_mass(material.density, wishes.face_width, outer, inner),
        inertia=gear_strength.disc_inertia(material.density, wishes.face_width, outer, inner),
    )


def _needed_thinning(wishes: GearWishes, pair: tuple[float, int, int, float, float, float]) -> float:
    """Thinning of each gear [m], up to whole micrometres, with which the worst case leaves the backlash wanted."""
    module, z1, z2, first, second, centre = pair
    if wishes.thinning is not None:
        return wishes.thinning
    thinning = 0.0
    for _ in range(50):
        found = gear_backlash.backlash(module, z1, z2, ALPHA, first, second, centre, wishes.tolerances(thinning))
        more = gear_backlash.thinning_for(found.least, z1 + z2, module, centre, wishes.backlash_least)
        if not more > 0.0:
            break
        thinning = 1e-6 * math.ceil(1e6 * (thinning + more) - 1e-6)
    return thinning


def _shape_faults(
    wishes: GearWishes, module: float, pinion: Gear, wheel: Gear, contact_ratio: float, alpha_w: float, centre: float
) -> list[str]:
    """What is wrong with the geometry, in words."""
    out = []
    pairs = [("pinion", pinion, wishes.pinion_bore)]
    if not wishes.internal:
        pairs.append(("wheel", wheel, wishes.wheel_bore))
    for name, gear, bore in pairs:
        least = teeth.least_shift(gear.teeth, ALPHA, STRAIGHT)
        if gear.shift < least - FORM_ALLOWANCE:
            out.append(f"{name} undercut: shift {gear.shift:.3f}, needs {least:.3f}")
        elif gear.active < gear.form * (1.0 - FORM_ALLOWANCE):
            out.append(f"the mate's tip reaches into the root fillet of the {name}")
        rim = (0.5 * (gear.root - bore)) / (0.5 * (gear.tip - gear.root))
        if bore > 0.0 and rim < wishes.rim_heights:
            out.append(f"rim of the {name} {rim:.2f} tooth heights over its bore, wanted {wishes.rim_heights:g}")
    for name, gear in (("pinion", pinion), ("wheel", wheel)):
        if not gear.tip_thickness >= wishes.tip_thickness_least * module * (1.0 - FORM_ALLOWANCE):
            out.append(
                f"tips of the {name} {gear.tip_thickness / module:.2f} modules thick, wanted {wishes.tip_thickness_least:g}"
            )
        if abs(gear.shift) > MOST_SHIFT + FORM_ALLOWANCE:
            out.append(f"shift of the {name} {gear.shift:.2f}, beyond {MOST_SHIFT:g}")
    if not contact_ratio >= wishes.contact_ratio_least:
        out.append(f"contact ratio {contact_ratio:.2f}, wanted {wishes.contact_ratio_least:g}")
    if wishes.internal:
        if wheel.tip < wheel.base:
            out.append("the ring's tips lie inside its base circle, where there is no involute")
            return out
        one, two = teeth.angle_at(pinion.tip, pinion.base), teeth.angle_at(wheel.tip, wheel.base)
        if gear_internal.involute_margin(pinion.teeth, wheel.teeth, two, alpha_w) < 0.0:
            out.append("involute interference: the ring's tips reach below the pinion's base circle")
        margin = gear_internal.trochoid_margin(
            pinion.teeth, wheel.teeth, 0.5 * pinion.tip, 0.5 * wheel.tip, one, two, alpha_w, centre
        )
        if margin < 0.0:
            out.append("trochoidal interference: tips collide beside the line of contact; tooth numbers too close")
    return out


def _safeties(
    wishes: GearWishes,
    bending: tuple[float, float],
    bending_peak: tuple[float, float],
    pressure: float,
    pressure_peak: float,
) -> tuple[tuple[str, float, float], ...]:
    one, two = wishes.pinion_material, wishes.wheel_material
    return (
        ("bending in running, pinion", one.bending_endurance / bending[0], wishes.bending_safety),
        ("bending in running, wheel", two.bending_endurance / bending[1], wishes.bending_safety),
        ("yield at the peak, pinion", one.yield_stress / bending_peak[0], wishes.yield_safety),
        ("yield at the peak, wheel", two.yield_stress / bending_peak[1], wishes.yield_safety),
        ("contact in running", min(one.contact_endurance, two.contact_endurance) / pressure, wishes.contact_safety),
        (
            "contact at the peak",
            min(one.static_contact, two.static_contact) / pressure_peak,
            wishes.static_contact_safety,
        ),
    )


def _notes(
    wishes: GearWishes, module: float, pinion: Gear, wheel: Gear, alpha_w: float, contact_ratio: float
) -> list[str]:
    out = []
    common = teeth.common_factor(pinion.teeth, wheel.teeth)
    needed = teeth.teeth_in_use(wheel.teeth, wishes.output_travel, contact_ratio)
    if needed < wheel.teeth:
        out.append(
            f"the travel uses {needed} of {wheel.teeth} teeth, the same ones at every stroke: a sector will do, and a hunting "
            f"tooth does not spread wear (common factor {common})"
        )
    elif common > 1:
        out.append(f"tooth numbers share the factor {common}: no hunting tooth")
    if wishes.internal and wheel.tip > wheel.base:
        one, two = teeth.angle_at(pinion.tip, pinion.base), teeth.angle_at(wheel.tip, wheel.base)
        if gear_internal.trimming_margin(pinion.teeth, wheel.teeth, one, two, alpha_w) < 0.0:
            out.append("put together along the axis only: along the radius the tips collide")
    return out


def evaluate(wishes: GearWishes, module: float, z1: int, count: int, shift_sum: float) -> GearPair:
    """Work out one pair: module [m], teeth of pinion and wheel (both positive), sum of shifts [-] (``gear_teeth`` sign)."""
    z2 = count * wishes.sense
    alpha_w = teeth.operating_angle(ALPHA, z1 + z2, shift_sum)
    centre = teeth.centre_distance(module, z1 + z2, ALPHA, alpha_w)
    x1 = pinion_shift(wishes, z1, count, shift_sum, alpha_w)
    x2 = shift_sum - x1
    k = teeth.tip_truncation(z1 + z2, shift_sum, ALPHA, alpha_w)
    tips = tip_diameters(z1, z2, x1, x2, k, alpha_w)
    tip_angles = (teeth.angle_at(tips[0], z1 * math.cos(ALPHA)), teeth.angle_at(tips[1], count * math.cos(ALPHA)))
    pinion = _gear(wishes, False, z1, z2, x1, k, module, centre, alpha_w, (tips[0], tip_angles[1]))
    wheel = _gear(wishes, True, z2, z1, x2, k, module, centre, alpha_w, (tips[1], tip_angles[0]))
    shares = (
        teeth.addendum_contact_ratio(z1, tip_angles[0], alpha_w),
        teeth.addendum_contact_ratio(z2, tip_angles[1], alpha_w),
    )
    # Along the line of centres, where the mesh is: an external wheel lies beyond the pinion, a ring around it.
    facing = ((pinion.root, wheel.tip), (pinion.tip, wheel.root))
    clearance = min(0.5 * w - centre - 0.5 * p if wishes.internal else centre - 0.5 * w - 0.5 * p for p, w in facing)
    speed = 0.5 * wishes.speed * wheel.operating
    factor = VELOCITY[wishes.finish](speed)
    width = wishes.face_width
    force = gear_strength.tangential_force(wishes.torque, wheel.operating)
    blow = gear_strength.tangential_force(wishes.blow, wheel.operating)
    gears = (pinion, wheel)
    bending = tuple(gear_strength.bending_stress(force, width, module, g.form_factor, factor) for g in gears)
    peak = tuple(gear_strength.bending_stress(blow, width, module, g.form_factor, 1.0) for g in gears)
    one, two = wishes.pinion_material, wishes.wheel_material
    elastic = gear_strength.elastic_coefficient(one.elasticity, one.poisson, two.elasticity, two.poisson)
    at_pitch = gear_strength.pitch_point_curvature(module, z1, z2, ALPHA, alpha_w)
    inner = gear_strength.inner_single_curvature(module, z1, z2, ALPHA, alpha_w, tip_angles[0])
    load = gear_strength.tangential_force(wishes.torque, wheel.base) / width
    load_peak = gear_strength.tangential_force(wishes.blow, wheel.base) / width
    pitch_pressure = gear_strength.line_contact_pressure(factor * load, at_pitch, elastic)
    pressure = gear_strength.line_contact_pressure(factor * load, max(at_pitch, inner), elastic)
    pressure_peak = gear_strength.line_contact_pressure(load_peak, max(at_pitch, inner), elastic)
    safeties = _safeties(wishes, (bending[0], bending[1]), (peak[0], peak[1]), pressure, pressure_peak)
    thinning = _needed_thinning(wishes, (module, z1, z2, pinion.thickness, wheel.thickness, centre))
    gap = gear_backlash.backlash(
        module, z1, z2, ALPHA, pinion.thickness, wheel.thickness, centre, wishes.tolerances(thinning)
    )
    loss = gear_mesh_loss.loss_factor(z1, z2, shares[0], shares[1])
    efficiency = gear_mesh_loss.mesh_efficiency(wishes.friction, loss)
    limits = [wishes.blow * got / wanted for what, got, wanted in safeties if what.startswith("yield")]
    limits += [wishes.blow * (got / wanted) ** 2 for what, got, wanted in safeties if what == "contact at the peak"]
    size = wheel.root + 2.0 * wishes.ring_rim * module if wishes.internal else centre + 0.5 * (pinion.tip + wheel.tip)
    lost = gear_backlash.lost_motion(gap.most, wheel.operating)
    reasons = _shape_faults(wishes, module, pinion, wheel, sum(shares), alpha_w, centre)
    reasons += [f"{what}: safety {got:.2f}, wanted {wanted:g}" for what, got, wanted in safeties if not got >= wanted]
    if gap.binds:
        reasons.append(f"binds in the worst case: {1e6 * gap.least:.0f} um of backlash")
    if not lost <= wishes.lost_motion_most:
        reasons.append(f"lost motion {math.degrees(lost):.3f} deg, wanted {math.degrees(wishes.lost_motion_most):.3f}")
    slim = width / module
    if not wishes.face_modules[0] <= slim <= wishes.face_modules[1]:
        low, high = wishes.face_modules
        reasons.append(f"face width {slim:.1f} modules, wanted {low:g} to {high:g}")
    if not size <= wishes.largest_size:
        reasons.append(f"size {1e3 * size:.1f} mm, at most {1e3 * wishes.largest_size:.1f} mm")
    return GearPair(
        internal=wishes.internal,
        module=module,
        pinion=pinion,
        wheel=wheel,
        ratio=count / z1,
        centre=centre,
        alpha_w=alpha_w,
        shares=shares,
        clearance=clearance,
        pitch_speed=speed,
        bending=(bending[0], bending[1]),
        bending_peak=(peak[0], peak[1]),
        pressure=pressure,
        pressure_peak=pressure_peak,
        pitch_pressure=pitch_pressure,
        safeties=safeties,
        thinning=thinning,
        backlash=gap,
        efficiency=efficiency,
        static_efficiency=gear_mesh_loss.mesh_efficiency(wishes.static_friction, loss),
        backdrive_efficiency=backdrive_default(efficiency) if efficiency > 0.0 else 0.0,
        inertia=pinion.inertia + wheel.inertia * (z1 / count) ** 2,
        stiffness=gear_strength.mesh_stiffness(width, wheel.base, one.elasticity, two.elasticity),
        torque_limit=min(limits),
        size=size,
        reasons=tuple(reasons),
        notes=tuple(_notes(wishes, module, pinion, wheel, alpha_w, sum(shares))),
    )
