"""Shape of a tooth as the basic rack generates it: involute, root fillet, and outlines for drawing.

A point of the flank is (radius [m], half angle [rad]): the half angle is measured at the gear's centre from the middle of the
tooth. The root fillet is the envelope of the rack's rounded corner (a trochoid and its parallel curve): at every instant the
normal of the corner passes through the pitch point. Checked against the 30 deg tangent of ISO 6336-3 in tests/reference.
"""

from __future__ import annotations

import math

import numpy as np

from valvectl.parts.gear_teeth import angle_at, base_diameter, form_tangent, half_angle, side
from valvectl.parts.lookup import FloatArray


def fillet_point(
    theta: float, module: float, teeth: float, shift: float, alpha: float, dedendum: float, fillet: float
) -> tuple[float, float]:
    """Point of the root fillet of an external tooth: radius [m] and half angle [rad].

    ``theta`` [rad] is the angle of the rack corner's normal to the pitch line, from ``alpha`` (where the fillet leaves the
    involute) to pi/2 (on the root circle). ``dedendum`` and ``fillet`` radius of the rack in modules.
    """
    radius = 0.5 * teeth
    depth = dedendum - fillet - shift
    # Centre of the corner, sideways from the middle of the rack's tooth.
    offset = 0.25 * math.pi - (dedendum - fillet) * math.tan(alpha) - fillet / math.cos(alpha)
    travel = depth / math.tan(theta) - offset
    reach = depth / math.sin(theta) + fillet
    across, up = reach * math.cos(theta), radius - reach * math.sin(theta)
    clockwise = math.atan2(across, up) - travel / radius
    return module * math.hypot(across, up), math.pi / teeth - clockwise


def rack_corner_offset(alpha: float, dedendum: float, fillet: float) -> float:
    """Half the flat at the tip of the rack's tooth [modules]; below zero the rack can not be made."""
    return 0.25 * math.pi - (dedendum - fillet) * math.tan(alpha) - fillet / math.cos(alpha)


def flank(
    module: float,
    teeth: float,
    shift: float,
    alpha: float,
    dedendum: float,
    fillet: float,
    straight: float,
    tip: float,
    root: float,
    thinning: float,
    points: int = 24,
) -> tuple[FloatArray, FloatArray]:
    """Half a tooth from root to tip: radii [m] and half angles [rad], each of shape (n,). ``tip`` and ``root`` diameters [m].

    ``thinning`` [m] is taken off the arc on the reference circle, half at each flank. External teeth must not be undercut.
    A ring's tooth is the involute down to its root circle, without the fillet that its tool leaves.
    """
    base = base_diameter(module, teeth, alpha)
    full = module * (0.5 * math.pi + 2.0 * shift * math.tan(alpha))
    less = thinning / (module * abs(teeth))
    radii: list[float] = []
    angles: list[float] = []
    start = angle_at(max(root, base), base)
    if side(teeth) > 0.0:
        for theta in np.linspace(0.5 * math.pi, alpha, points, endpoint=False):
            r, half = fillet_point(float(theta), module, teeth, shift, alpha, dedendum, fillet)
            radii.append(r)
            angles.append(half)
        start = math.atan(max(0.0, form_tangent(teeth, shift, alpha, straight)))
    for tangent in np.linspace(math.tan(start), math.tan(angle_at(tip, base)), points):
        angle = math.atan(float(tangent))
        radii.append(0.5 * base / math.cos(angle))
        angles.append(half_angle(module, teeth, alpha, full, angle))
    return np.array(radii), np.array(angles) - less


def outline(radii: FloatArray, half_angles: FloatArray, teeth: int, turned: float) -> FloatArray:
    """Closed outline of a whole gear about the origin, shape (m, 2) [m], from half a tooth (``flank``).

    The middle of the first tooth points at ``turned`` [rad] from the x axis; teeth follow against the clock. Tip and root
    arcs are drawn as chords of a few points.
    """
    count = abs(teeth)
    pitch = 2.0 * math.pi / count
    tip_arc = np.linspace(-half_angles[-1], half_angles[-1], 5)[1:-1]
    root_arc = np.linspace(half_angles[0], pitch - half_angles[0], 5)[1:-1]
    radius = np.concatenate([radii, np.full(tip_arc.size, radii[-1]), radii[::-1], np.full(root_arc.size, radii[0])])
    angle = np.concatenate([-half_angles, tip_arc, half_angles[::-1], root_arc])
    everything = turned + (np.arange(count)[:, None] * pitch + angle[None, :]).ravel()
    r = np.tile(radius, count)
    points = np.column_stack([r * np.cos(everything), r * np.sin(everything)])
    return np.asarray(np.vstack([points, points[:1]]))
