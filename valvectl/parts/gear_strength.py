"""Strength of spur gear teeth by hand methods: bending after Lewis, contact after Hertz, blow at a stop.

These are the methods of a machine-elements text, good for a first choice: one load, at the tip of one tooth, without stress
concentration, load distribution along the face, quality or life factors. ISO 6336 or AGMA 2001 is the next step before metal
is cut for flight; nothing here claims to be either. A valve's gear makes few turns, so endurance limits are on the safe side.

Not covered here, to be done by the designer: bores, keys, set screws and shrink fits (a keyway cuts into a small pinion's rim:
keep 1.2 tooth heights between root and keyway, common practice), sector gears' ends and hubs, bearings and shafts.

Plain functions of floats, SI.
"""

from __future__ import annotations

import math

from valvectl.parts.gear_outline import fillet_point
from valvectl.parts.gear_teeth import involute

LEWIS_TABLE = (
    (12, 0.245), (13, 0.261), (14, 0.277), (15, 0.290), (16, 0.296), (17, 0.303), (18, 0.309), (19, 0.314), (20, 0.322),
    (21, 0.328), (22, 0.331), (24, 0.337), (26, 0.346), (28, 0.353), (30, 0.359), (34, 0.371), (38, 0.384), (43, 0.397),
    (50, 0.409), (60, 0.422), (75, 0.435), (100, 0.447), (150, 0.460), (300, 0.472), (400, 0.480),
)  # fmt: skip
"""Lewis form factor Y [-] by number of teeth: 20 deg, full depth, no shift, load at the tip, as printed in texts on machine
elements (Shigley & Mischke, Mechanical Engineering Design; from memory, same in several public listings)."""
LEWIS_RACK = 0.485
"""The table's value for a rack."""
RACK_TEETH = 20000.0
"""Number of teeth that stands for a rack."""

# --------------------------------------------------------------------------------------------------------- form factor


def lewis_table(teeth: float) -> float:
    """Lewis form factor Y [-] of unshifted 20 deg full-depth teeth from the printed table, linear in 1/z between rows.

    Towards the rack beyond the last row, NaN below 12 teeth. The rows were read from drawings and are not smooth: the
    computed ``lewis_factor`` of the ISO rack lies between 0.5 % above and 5.6 % below them.
    """
    if teeth < LEWIS_TABLE[0][0]:
        return math.nan
    below, y_below = LEWIS_TABLE[0]
    for z, y in LEWIS_TABLE[1:]:
        if teeth <= z:
            share = (1.0 / below - 1.0 / teeth) / (1.0 / below - 1.0 / z)
            return y_below + share * (y - y_below)
        below, y_below = z, y
    return LEWIS_RACK + (y_below - LEWIS_RACK) * below / teeth


def load_height(teeth: float, shift: float, alpha: float, load_angle: float) -> float:
    """Height above the gear's centre [modules] at which the line of the load crosses the middle of an external tooth.

    ``load_angle`` [rad] is the pressure angle of the loaded point; at the tip for Lewis.
    """
    half = (0.5 * math.pi + 2.0 * shift * math.tan(alpha)) / teeth + involute(alpha)
    return 0.5 * teeth * math.cos(alpha) / math.cos(math.tan(load_angle) - half)


def _parabola(
    theta: float, teeth: float, shift: float, alpha: float, dedendum: float, fillet: float, top: float
) -> float:
    """Form factor [-] if the tooth broke at one point of its fillet: chord^2 / (6 height)."""
    radius, half = fillet_point(theta, 1.0, teeth, shift, alpha, dedendum, fillet)
    height = top - radius * math.cos(half)
    if height <= 0.0:
        return math.inf
    return (2.0 * radius * math.sin(half)) ** 2 / (6.0 * height)


def lewis_factor(teeth: float, shift: float, alpha: float, dedendum: float, fillet: float, load_angle: float) -> float:
    """Lewis form factor Y [-] of an external rack-cut tooth, from its shape.

    The weakest section is where a parabola from the load's crossing of the tooth's middle touches the fillet: the least
    t^2/(6 l) along it, in modules. The stress is then F_t / (b m Y). ``dedendum`` and ``fillet`` of the rack in modules.
    """
    top = load_height(teeth, shift, alpha, load_angle)
    low, high = alpha, 0.5 * math.pi
    best, count = 0, 16
    least = math.inf
    for k in range(count + 1):
        got = _parabola(low + (high - low) * k / count, teeth, shift, alpha, dedendum, fillet, top)
        if got < least:
            least, best = got, k
    width = (high - low) / count
    a = max(low, low + (best - 1) * width)
    b = min(high, low + (best + 1) * width)
    golden = 0.6180339887498949
    c, d = b - golden * (b - a), a + golden * (b - a)
    at_c = _parabola(c, teeth, shift, alpha, dedendum, fillet, top)
    at_d = _parabola(d, teeth, shift, alpha, dedendum, fillet, top)
    for _ in range(30):
        if at_c < at_d:
            b, d, at_d = d, c, at_c
            c = b - golden * (b - a)
            at_c = _parabola(c, teeth, shift, alpha, dedendum, fillet, top)
        else:
            a, c, at_c = c, d, at_d
            d = a + golden * (b - a)
            at_d = _parabola(d, teeth, shift, alpha, dedendum, fillet, top)
    return min(least, at_c, at_d)


# --------------------------------------------------------------------------------------------------------------- bending


def tangential_force(torque: float, diameter: float) -> float:
    """Force [N] at a circle [m] from a torque [N m]."""
    return 2.0 * torque / diameter


def velocity_factor_cut(speed: float) -> float:
    """Barth's factor on the load [-], cut or milled teeth: (6.1 + v)/6.1, pitch-line speed v [m/s] (Shigley, from memory)."""
    return (6.1 + speed) / 6.1


def velocity_factor_hobbed(speed: float) -> float:
    """The same for hobbed or shaped teeth: (3.56 + sqrt v)/3.56 (Shigley, from memory)."""
    return (3.56 + math.sqrt(speed)) / 3.56


def velocity_factor_ground(speed: float) -> float:
    """The same for shaved or ground teeth: sqrt((5.56 + sqrt v)/5.56) (Shigley, from memory)."""
    return math.sqrt((5.56 + math.sqrt(speed)) / 5.56)


def bending_stress(force: float, width: float, module: float, form_factor: float, velocity_factor: float) -> float:
    """Nominal bending stress at the root [Pa] after Lewis: K_v F_t / (b m Y). Face width b [m], module m [m]."""
    return velocity_factor * force / (width * module * form_factor)


# --------------------------------------------------------------------------------------------------------------- contact


def elastic_coefficient(elasticity_1: float, poisson_1: float, elasticity_2: float, poisson_2: float) -> float:
    """Z_E [sqrt(Pa)] of two materials: sqrt(1/(pi ((1 - nu1^2)/E1 + (1 - nu2^2)/E2))). Moduli of elasticity [Pa]."""
    flexibility = (1.0 - poisson_1**2) / elasticity_1 + (1.0 - poisson_2**2) / elasticity_2
    return math.sqrt(1.0 / (math.pi * flexibility))


def line_contact_pressure(load: float, curvature: float, coefficient: float) -> float:
    """Largest pressure [Pa] between two parallel cylinders after Hertz: Z_E sqrt(load curvature).

    ``load`` [N/m] is force over length, ``curvature`` [1/m] is 1/r1 + 1/r2, the radius of a hollow cylinder below zero.
    """
    return coefficient * math.sqrt(load * curvature)


def pitch_point_curvature(module: float, teeth_1: float, teeth_2: float, alpha: float, alpha_w: float) -> float:
    """1/r1 + 1/r2 [1/m] of the flanks at the pitch point; z2 of a ring is negative."""
    return 2.0 / (module * math.cos(alpha) * math.tan(alpha_w)) * (1.0 / teeth_1 + 1.0 / teeth_2)


def inner_single_curvature(
    module: float, teeth_1: float, teeth_2: float, alpha: float, alpha_w: float, tip_angle_1: float
) -> float:
    """1/r1 + 1/r2 [1/m] where, on the pinion's dedendum, one pair begins to carry alone.

    One base pitch from its tip contact (``tip_angle_1``, pressure angle there). Small pinions are pressed harder here than
    at the pitch point. Infinite when the pinion's flank has no length there.
    """
    base_radius = 0.5 * module * teeth_1 * math.cos(alpha)
    own = base_radius * math.tan(tip_angle_1) - math.pi * module * math.cos(alpha)
    if own <= 0.0:
        return math.inf
    mate = 0.5 * module * (teeth_1 + teeth_2) * math.cos(alpha) * math.tan(alpha_w) - own
    return 1.0 / own + 1.0 / mate


# -------------------------------------------------------------------------------------------- blow at a stop, stiffness


def stop_torque(drive: float, speed: float, inertia: float, stiffness: float) -> float:
    """Largest torque [N m] when a drive runs into a hard stop: T + sqrt(T^2 + k J w^2), the energy all in the spring.

    ``drive`` torque T that keeps pushing [N m], ``speed`` w [rad/s], ``inertia`` J behind the gears [kg m^2] and ``stiffness`` k
    between it and the stop [N m/rad], all at the stop's shaft. No damping, no yielding: an upper bound. At no speed it
    is 2 T, a torque applied at once; where the drive is let go slowly, take the drive torque itself.
    """
    return drive + math.hypot(drive, speed * math.sqrt(stiffness * inertia))


def mesh_stiffness(width: float, base_diameter: float, elasticity_1: float, elasticity_2: float) -> float:
    """Torsional stiffness of one mesh [N m/rad] at a gear with that base circle [m]; face width [m].

    14 N/(mm um) for a single pair of steel teeth, in proportion to the mean elasticity 2 E1 E2/(E1 + E2) (ISO 6336-1, simplified,
    from memory; plus or minus 30 %). Shafts, keys and housing are softer and come in series.
    """
    mean = 2.0 * elasticity_1 * elasticity_2 / (elasticity_1 + elasticity_2)
    return 14.0e9 * mean / 206.0e9 * width * (0.5 * base_diameter) ** 2


def disc_inertia(density: float, width: float, outer: float, bore: float) -> float:
    """Inertia [kg m^2] of a disc or ring of ``width`` between two diameters [m]; density [kg/m^3]."""
    return density * width * math.pi / 32.0 * (outer**4 - bore**4)


def disc_mass(density: float, width: float, outer: float, bore: float) -> float:
    """Mass [kg] of the same disc."""
    return density * width * math.pi / 4.0 * (outer**2 - bore**2)
