"""Gear laws against the slow way: teeth cut by a rolling rack, outlines turned against each other, sliding added up.

No test here uses the formula that it checks: only points of the flanks, rotations and look-ups.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from valvectl.parts import gear_backlash, gear_internal, gear_mesh_loss, gear_outline, gear_strength, gear_teeth
from valvectl.studies import gear_stage as study
from valvectl.studies.gear_pair import GearPair, evaluate
from valvectl.studies.gear_wishes import GearWishes

A = gear_teeth.PRESSURE_ANGLE
WISHES = GearWishes(
    ratio=3.0, centre_least=0.03, centre_most=0.05, face_width=0.012, torque=8.0, peak_torque=25.0, speed=6.0
)
INSIDE = dataclasses.replace(WISHES, internal=True)


# ------------------------------------------------------------------------------------------- teeth cut by a rolling rack


def cut_tooth(teeth: int, shift: float, radii: np.ndarray, steps: int = 1601) -> np.ndarray:
    """Half angle of the tooth at radii [modules] left by a rack of module 1 that rolls past in small steps."""
    corner = np.linspace(A, 0.5 * math.pi, 200)
    deep = gear_teeth.DEDENDUM - gear_teeth.FILLET
    centre = np.array([0.25 * math.pi - deep * math.tan(A) - gear_teeth.FILLET / math.cos(A), -deep])
    arc = centre + gear_teeth.FILLET * np.column_stack([np.cos(corner), -np.sin(corner)])
    height = np.linspace(1.5 + abs(shift), arc[0, 1], 300)  # of the straight flank over the rack's reference line
    tool = np.vstack([np.column_stack([0.25 * math.pi + height * math.tan(A), height]), arc])
    tool[:, 1] += 0.5 * teeth + shift
    # A tool tooth in the middle cuts the space; its right side shapes the tooth that stands half a pitch to the right.
    least = np.full(radii.size, np.inf)
    for travel in np.linspace(-6.0, 6.0, steps):
        x, y = tool[:, 0] + travel, tool[:, 1]
        r = np.hypot(x, y)
        half = math.pi / teeth - (np.arctan2(x, y) - 2.0 * travel / teeth)
        over = r[None, :] - radii[:, None]
        crossing = over[:, :-1] * over[:, 1:] <= 0.0
        row, place = np.nonzero(crossing)
        share = over[row, place] / (over[row, place] - over[row, place + 1])
        np.minimum.at(least, row, half[place] + share * (half[place + 1] - half[place]))
    return least


@pytest.mark.parametrize(("teeth", "shift"), [(20, 0.0), (13, 0.4), (34, -0.2)])
def test_flank_and_fillet_are_what_a_rolling_rack_leaves(teeth, shift):
    tip = gear_teeth.tip_diameter(1.0, teeth, shift, 1.0, 0.0)
    root = gear_teeth.root_diameter(1.0, teeth, shift, gear_teeth.DEDENDUM)
    straight = gear_teeth.straight_depth(A, gear_teeth.DEDENDUM, gear_teeth.FILLET)
    shape = (1.0, teeth, shift, A, gear_teeth.DEDENDUM, gear_teeth.FILLET, straight, tip, root)
    r, half = gear_outline.flank(*shape, thinning=0.0, points=400)
    radii = np.linspace(0.5 * root + 0.02, 0.5 * tip - 0.02, 60)
    expected = np.interp(radii, r, half)
    found = cut_tooth(teeth, shift, radii)
    # The steps leave scallops of (step/2)^2/(2 r) or so, and chords sag between the tool's points.
    np.testing.assert_allclose(radii * found, radii * expected, atol=1e-4)


@pytest.mark.parametrize(("teeth", "shift"), [(17, 0.0), (25, 0.35), (60, -0.3)])
def test_form_factor_is_that_of_the_largest_parabola_inside_the_tooth(teeth, shift):
    """The parabola with its vertex at the load that just fits between the flanks, searched over all points of the flank."""
    tip = gear_teeth.tip_diameter(1.0, teeth, shift, 1.0, 0.0)
    root = gear_teeth.root_diameter(1.0, teeth, shift, gear_teeth.DEDENDUM)
    straight = gear_teeth.straight_depth(A, gear_teeth.DEDENDUM, gear_teeth.FILLET)
    r, half = gear_outline.flank(
        1.0, teeth, shift, A, gear_teeth.DEDENDUM, gear_teeth.FILLET, straight, tip, root, thinning=0.0, points=4000
    )
    x, y = r * np.sin(half), r * np.cos(half)
    # The load's line: normal to the flank at the tip corner, by differences, to the middle of the tooth.
    dx, dy = x[-1] - x[-2], y[-1] - y[-2]
    top = y[-1] + x[-1] * dx / dy
    below = y < top - 0.05
    expected = float(np.min((2.0 * x[below]) ** 2 / (6.0 * (top - y[below]))))
    angle = gear_teeth.angle_at(tip, gear_teeth.base_diameter(1.0, teeth, A))
    got = gear_strength.lewis_factor(teeth, shift, A, gear_teeth.DEDENDUM, gear_teeth.FILLET, angle)
    assert got == pytest.approx(expected, rel=1e-3)


# ------------------------------------------------------------------------------------- outlines turned against each other


class Outlines:
    """A pair's outlines, and how far one gear's points lie inside the other's teeth [m]."""

    def __init__(self, pair: GearPair, thinning: float, points: int = 220) -> None:
        self.pair = pair
        self.side = -1 if pair.internal else 1
        self.flanks = []
        for gear, z in ((pair.pinion, pair.pinion.teeth), (pair.wheel, self.side * pair.wheel.teeth)):
            straight = gear_teeth.straight_depth(A, gear_teeth.DEDENDUM, gear_teeth.FILLET)
            r, half = gear_outline.flank(
                pair.module, z, gear.shift, A, gear_teeth.DEDENDUM, gear_teeth.FILLET, straight, gear.tip, gear.root,
                thinning, points,
            )  # fmt: skip
            order = np.argsort(r)
            self.flanks.append((r[order], half[order]))

    def least_gap(self, pinion_turn: float, wheel_turn: float) -> float:
        """Least gap [m] between flanks; below zero: overlap.

        Turns [rad] from the place where a pinion tooth points straight into a wheel space.
        """
        least = math.inf
        pinion, wheel = self.pair.pinion, self.pair.wheel
        facing = 0.0 if self.pair.internal else math.pi
        pitch = (2.0 * math.pi / pinion.teeth, 2.0 * math.pi / wheel.teeth)
        poses = ((facing + pinion_turn, self.pair.centre, pitch[0]), (0.5 * pitch[1] + wheel_turn, 0.0, pitch[1]))
        for own, other in ((0, 1), (1, 0)):
            turned, at, step = poses[own]
            mate_turned, mate_at, mate_step = poses[other]
            r, half = self.flanks[own]
            mate_r, mate_half = self.flanks[other]
            for tooth in range((pinion, wheel)[own].teeth):
                middle = turned + tooth * step
                if abs(math.remainder(middle - (facing if own == 0 else 0.0), 2.0 * math.pi)) > 4.0 * step:
                    continue
                for sign in (1.0, -1.0):
                    x = at + r * np.cos(middle + sign * half) - mate_at
                    y = r * np.sin(middle + sign * half)
                    radius, angle = np.hypot(x, y), np.arctan2(y, x)
                    reach = (radius >= mate_r[0]) & (radius <= mate_r[-1])
                    if np.any(reach):
                        off = np.remainder(angle[reach] - mate_turned + 0.5 * mate_step, mate_step) - 0.5 * mate_step
                        gap = radius[reach] * (np.abs(off) - np.interp(radius[reach], mate_r, mate_half))
                        least = min(least, float(np.min(gap)))
        return least

    def wheel_follows(self, pinion_turn: float) -> float:
        return -self.side * pinion_turn * self.pair.pinion.teeth / self.pair.wheel.teeth


def _limits(outlines: Outlines, pinion_turn: float, guess: float) -> tuple[float, float]:
    """Wheel angles about the middle at which flanks just touch, either way [rad]."""
    middle = outlines.wheel_follows(pinion_turn)
    out = []
    for sign in (-1.0, 1.0):
        free, blocked = 0.0, sign * 3.0 * guess
        for _ in range(40):
            half = 0.5 * (free + blocked)
            if outlines.least_gap(pinion_turn, middle + half) > 0.0:
                free = half
            else:
                blocked = half
        out.append(free)
    return out[0], out[1]


PAIRS = {
    "external": evaluate(WISHES, 0.8e-3, 25, 76, 0.0),
    "external, few teeth": evaluate(WISHES, 1.25e-3, 14, 43, 0.4),
    "external, closer": evaluate(WISHES, 1e-3, 22, 67, -0.2),
    "ring": evaluate(INSIDE, 0.8e-3, 20, 60, 0.0),
    "ring, wider": evaluate(INSIDE, 1e-3, 18, 55, -0.4),
    "ring, closer": evaluate(INSIDE, 1e-3, 24, 71, 0.2),
}


@pytest.mark.parametrize("name", PAIRS)
def test_backlash_found_by_turning_the_wheel(name):
    """The angle between both contacts is the lost motion, at every place of the mesh, and the pair runs without collision."""
    pair = PAIRS[name]
    assert not [r for r in pair.reasons if "interference" in r or "undercut" in r or "fillet" in r]
    thinning = 0.04 * pair.module
    outlines = Outlines(pair, thinning)
    z2 = outlines.side * pair.wheel.teeth
    first, second = (g.thickness - thinning for g in (pair.pinion, pair.wheel))
    gap = gear_backlash.circumferential_backlash(pair.module, pair.pinion.teeth, z2, A, first, second, pair.centre)
    expected = gear_backlash.lost_motion(gap, pair.wheel.operating)
    for share in (0.0, 0.23, 0.5, 0.81):
        low, high = _limits(outlines, share * 2.0 * math.pi / pair.pinion.teeth, expected)
        # Points along the flanks are a few hundredths of a millimetre apart; what slips between them is under a micrometre.
        assert high - low == pytest.approx(expected, rel=0.02), share
        # Constant ratio: both contacts lie evenly about the middle wherever the mesh stands.
        assert high + low == pytest.approx(0.0, abs=0.02 * expected), share


@pytest.mark.parametrize("name", PAIRS)
def test_drawn_mesh_touches_and_does_not_overlap(name):
    pair = PAIRS[name]
    outlines = Outlines(pair, pair.thinning)
    half = 0.5 * gear_backlash.lost_motion(pair.backlash.nominal, pair.wheel.operating)
    for turn in np.linspace(0.0, 2.0 * math.pi / pair.pinion.teeth, 7):
        gap = outlines.least_gap(float(turn), outlines.wheel_follows(float(turn)) + half)
        assert abs(gap) < 0.4e-6


@pytest.mark.parametrize("name", PAIRS)
def test_path_of_contact_ends_on_the_tip_circles(name):
    pair = PAIRS[name]
    wishes = INSIDE if pair.internal else WISHES
    path = study.mesh_of(wishes, pair).contact
    from_wheel = np.hypot(path[:, 0], path[:, 1])
    from_pinion = np.hypot(path[:, 0] - pair.centre, path[:, 1])
    assert from_pinion[0] == pytest.approx(0.5 * pair.pinion.tip, rel=1e-9)
    assert from_wheel[1] == pytest.approx(0.5 * pair.wheel.tip, rel=1e-9)
    # The other gear is touched there where its active flank ends.
    assert from_wheel[0] == pytest.approx(0.5 * pair.wheel.active, rel=1e-9)
    assert from_pinion[1] == pytest.approx(0.5 * pair.pinion.active, rel=1e-9)
    length = float(np.hypot(*(path[1] - path[0])))
    assert length / (math.pi * pair.module * math.cos(A)) == pytest.approx(pair.contact_ratio, rel=1e-9)


@pytest.mark.parametrize("ring", range(26, 36))
def test_trochoidal_interference_is_where_the_tips_collide(ring):
    """A pinion of 22 in rings of 26 to 35, full height but for the ring's involute: margin and collision agree."""
    pinion = 22
    module = 1e-3
    pair = evaluate(INSIDE, module, pinion, ring, 0.0)
    one, two = (gear_teeth.angle_at(g.tip, g.base) for g in (pair.pinion, pair.wheel))
    margin = gear_internal.trochoid_margin(
        pinion, ring, 0.5 * pair.pinion.tip, 0.5 * pair.wheel.tip, one, two, pair.alpha_w, pair.centre
    )
    outlines = _Tips(pair)
    depth = outlines.collision()
    if abs(margin) > 2e-4:  # within it both are at the edge
        assert (margin < 0.0) == (depth > 1e-6), (margin, depth)


class _Tips:
    """Tip corners of a pinion going past tip corners of its ring, teeth without backlash."""

    def __init__(self, pair: GearPair) -> None:
        self.pair = pair
        self.half = []
        for gear, sign in ((pair.pinion, 1.0), (pair.wheel, -1.0)):
            angle = gear_teeth.angle_at(gear.tip, gear.base)
            self.half.append(gear_teeth.half_angle(pair.module, sign * gear.teeth, A, gear.thickness, angle))

    def collision(self) -> float:
        """How deep [m] the pinion's tip corners reach into the ring's teeth beside the mesh; zero when they pass."""
        pinion, ring, centre = self.pair.pinion, self.pair.wheel, self.pair.centre
        deepest = 0.0
        pitch = 2.0 * math.pi / ring.teeth
        for turn in np.linspace(0.0, math.pi, 20001):
            for sign in (1.0, -1.0):
                angle = turn + sign * self.half[0]
                x, y = centre + 0.5 * pinion.tip * math.cos(angle), 0.5 * pinion.tip * math.sin(angle)
                radius = math.hypot(x, y)
                if not 0.5 * ring.tip < radius < 0.5 * ring.root:
                    continue
                # The space's middle turns with the pinion's tooth.
                off = math.atan2(y, x) - turn * pinion.teeth / ring.teeth
                mate = math.acos(ring.base / (2.0 * radius))
                solid = gear_teeth.half_angle(self.pair.module, -ring.teeth, A, ring.thickness, mate)
                into = abs(off) - (0.5 * pitch - solid)
                deepest = max(deepest, into * radius if abs(off) < 0.5 * pitch + solid else 0.0)
        return deepest


# ------------------------------------------------------------------------------------------------ temperature and loss


@pytest.mark.parametrize("z2", [67, -67])
@pytest.mark.parametrize("warmer", [-60.0, 40.0])
def test_expansion_of_whole_gears_and_housing(z2, warmer):
    """Everything scaled by its own expansion, and the backlash worked out anew, against the change of centre distance."""
    module, z1, housing, gear = 1e-3, 22, 23.5e-6, 11.5e-6
    half = 0.5 * math.pi * module - 20e-6
    centre = 0.5 * module * abs(z1 + z2)
    grown = 1.0 + gear * warmer
    exact = gear_backlash.circumferential_backlash(
        module * grown, z1, z2, A, half * grown, half * grown, centre * (1.0 + housing * warmer)
    )
    change = gear_backlash.expansion_of_centre(centre, z1, z2, housing * warmer, gear * warmer, gear * warmer)
    got = gear_backlash.circumferential_backlash(module, z1, z2, A, half, half, centre + change)
    before = gear_backlash.circumferential_backlash(module, z1, z2, A, half, half, centre)
    assert abs(exact - before) > 5e-6
    assert got - before == pytest.approx(exact - before, rel=5e-3)


@pytest.mark.parametrize(("z1", "z2", "one", "two"), [(20, 60, 0.7, 0.9), (14, 43, 0.5, 0.8), (20, -60, 0.9, 0.85)])
def test_loss_added_up_along_the_path_of_contact(z1, z2, one, two):
    """Friction times sliding over force times speed, pairs sharing the load evenly, by summing over one base pitch."""
    positions = np.linspace(0.0, 1.0, 400001)[:-1]  # of one contact along the path [base pitches] from its start
    total, count = np.zeros(positions.size), np.zeros(positions.size)
    for pair in range(3):
        place = positions + pair
        touching = place < one + two
        # Sliding speed over pitch-line speed along the line of action: distance from the pitch point times 1/r1 + 1/r2.
        total += np.where(touching, np.abs(place - two), 0.0)
        count += touching
    mean = float(np.mean(total / count))
    per_pitch = 2.0 * math.pi * abs(1.0 / z1 + 1.0 / z2)  # base pitch times (1/rb1 + 1/rb2)
    assert gear_mesh_loss.loss_factor(z1, z2, one, two) == pytest.approx(per_pitch * mean, rel=1e-4)
