"""Inherent characteristics: flow coefficient against opening, from a formula, from geometry, or as measured.

Laws are plain functions of floats. A builder makes an ``InherentCurve``, a table of Kv against angle that says where it
comes from and where it stops being true; ``valve.flow_characteristic`` turns that table into the grid that the program
runs on, monotone in ln Kv between the points.

Relative travel h and relative coefficient Phi = Kv/(rated Kv) as in IEC 60534-2-4.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from valvectl.errors import RangeError
from valvectl.parts.flow_coefficients import k_to_kv
from valvectl.parts.lookup import FloatArray

# ------------------------------------------------------------------------------------------ formulas over the travel


def equal_percentage(travel: float, rangeability: float) -> float:
    """Phi [-] = R^(h-1): each step of travel changes the coefficient by the same share (IEC 60534-2-4). 1/R at h = 0."""
    return math.exp((travel - 1.0) * math.log(rangeability))


def linear(travel: float, rangeability: float) -> float:
    """Phi [-] = Phi0 + (1 - Phi0) h with Phi0 = 1/R (IEC 60534-2-4)."""
    return 1.0 / rangeability + (1.0 - 1.0 / rangeability) * travel


def quick_opening(travel: float, rangeability: float) -> float:
    """Phi [-] = sqrt(Phi0^2 + (1 - Phi0^2) h), Phi0 = 1/R.

    For large R the textbooks' f = sqrt(h) (Seborg, Edgar, Mellichamp, Process Dynamics and Control, from memory). No
    standard fixes this shape: the handbook curve digitised in the open library fluids lies up to 1.6 times higher at a
    quarter of the travel.
    """
    start = 1.0 / (rangeability * rangeability)
    return math.sqrt(start + (1.0 - start) * travel)


# ------------------------------------------------------------------------------------------------ ports from geometry


def ball_shut_opening(bore: float, ball: float) -> float:
    """Opening [rad] up to which a round-bored ball is shut: pi/2 - 2 asin(bore/ball). Negative: it never shuts.

    The bore's mouth and the seat are equal circles of half-angle asin(bore/ball) on the ball; they part when their
    centres are twice that apart.
    """
    return 0.5 * math.pi - 2.0 * math.asin(bore / ball)


def ball_window(opening: float, bore: float, ball: float) -> float:
    """Share [-] of the bore's cross-section that one window of a round-bored ball leaves open, seen along the pipe.

    ``opening`` [rad], pi/2 fully open; ``bore`` and ``ball`` diameters, same unit. Seat: the circle of radius r = bore/2
    at the distance a = sqrt(R^2 - r^2) from the centre. Mouth of the bore: the same circle turned by alpha = pi/2 -
    opening, seen along the pipe an ellipse with semi-axes r cos(alpha) and r and its centre a sin(alpha) off the axis.
    The two curves cross where the bisecting plane cuts the seat, at a tan(alpha/2) off the axis, that is at the share
    k = tan(alpha/2) / tan(asin(bore/ball)) of the radius, and both cut off the same segment, the ellipse's shortened by
    cos(alpha). Hence exactly

        share = (1 + cos alpha) (acos k - k sqrt(1 - k^2)) / pi,  zero from k = 1.
    """
    alpha = abs(0.5 * math.pi - opening)
    half = math.asin(bore / ball)
    if alpha >= 2.0 * half:
        return 0.0
    k = math.tan(0.5 * alpha) / math.tan(half)
    return (1.0 + math.cos(alpha)) * (math.acos(k) - k * math.sqrt(1.0 - k * k)) / math.pi


def v_window(advance: float, included_angle: float, half_angle: float) -> float:
    """Share [-] of a round seat that a V-notch in a ball uncovers; area on the sphere.

    ``advance`` [rad] is the ball's turn since the notch's apex met the rim of the seat, ``included_angle`` [rad] the
    angle at the apex between the notch's edges (two great circles of the ball, symmetric about its line of travel, the
    apex leading), ``half_angle`` [rad] = asin(seat/ball). From ``advance`` = 2 half_angle on, with the apex at the far
    rim, the share is held. The area is the integral over the azimuth from the apex of 1 - cos(distance to the rim), by
    24-point Gauss rule; the share is over the seat's own cap, so that a notch of 2 pi would give 1 at mid-advance.
    """
    if advance <= 0.0:
        return 0.0
    # Apex on the line of travel, this far from the seat's centre towards the far rim.
    offset = min(advance, 2.0 * half_angle) - half_angle
    total = 0.0
    for node, weight in _GAUSS:
        azimuth = 0.25 * included_angle * (1.0 + node)
        # cos(half) = cos(offset) cos(rho) + sin(offset) sin(rho) cos(azimuth), solved for the farther rho.
        along, across = math.cos(offset), math.sin(offset) * math.cos(azimuth)
        size = math.sqrt(along * along + across * across)
        reach = math.atan2(across, along) + math.acos(min(math.cos(half_angle) / size, 1.0))
        total += weight * (1.0 - math.cos(max(reach, 0.0)))
    return 0.5 * included_angle * total / (2.0 * math.pi * (1.0 - math.cos(half_angle)))


_GAUSS: tuple[tuple[float, float], ...] = tuple(
    (float(x), float(w)) for x, w in zip(*np.polynomial.legendre.leggauss(24), strict=True)
)


def contraction(share: float) -> float:
    """Contraction coefficient [-] of the jet from an opening that is ``share`` of the pipe: 0.63 + 0.37 share^3.

    Weisbach's formula for a sharp-edged opening in a pipe (from memory).
    """
    return 0.63 + 0.37 * share * share * share


def window_loss(share: float, windows: int, open_loss: float) -> float:
    """Loss coefficient K [-] on the pipe velocity of ``windows`` equal openings in series; infinite when shut.

    Each opening contracts the flow and lets it expand again without recovery (Borda and Carnot):
    K = open_loss + windows (1/(Cc share) - 1)^2. ``open_loss`` is the loss of the fully open passage.
    """
    if share <= 0.0:
        return math.inf
    lost = 1.0 / (contraction(share) * share) - 1.0
    return open_loss + windows * lost * lost


# -------------------------------------------------------------------------------------------------------------- curve


@dataclass(frozen=True)
class InherentCurve:
    """Kv against opening, with its origin. Feed ``angle`` and ``kv`` to ``valve.flow_characteristic``."""

    name: str
    """Kind of curve, as printed."""
    angle: tuple[float, ...]
    """Opening from shut, rising [rad], shape (n,)."""
    kv: tuple[float, ...]
    """Kv without fittings [m^3/h at 1 bar], shape (n,); zero at the shut angle where the valve shuts."""
    method: str
    """Formula or geometry, and its source, in words."""
    validity: str
    """Where it stops being true, in words."""

    def __post_init__(self) -> None:
        angle, kv = self.angle, self.kv
        rising = all(b > a for a, b in pairwise(angle))
        if len(angle) != len(kv) or not rising or sum(k > 0.0 for k in kv) < 3:
            raise RangeError(
                f"{self.name}: needs as many Kv as angles, rising angles and at least three Kv above zero "
                f"(got {len(angle)} angles and {len(kv)} Kv)"
            )
        if not all(0.0 <= a <= b < math.inf for a, b in pairwise(kv)):
            raise RangeError(f"{self.name}: Kv must not be negative and must not fall with opening")

    @property
    def rated_kv(self) -> float:
        """Largest Kv [m^3/h at 1 bar]."""
        return self.kv[-1]

    def kv_array(self) -> FloatArray:
        """Kv as an array, shape (n,)."""
        return np.array(self.kv)

    def angle_array(self) -> FloatArray:
        """Angles as an array [rad], shape (n,)."""
        return np.array(self.angle)


def _check(condition: bool, message: str) -> None:
    if not condition:
        raise RangeError(message)


def measured_curve(angle: Sequence[float], kv: Sequence[float], origin: str) -> InherentCurve:
    """Curve from a table of opening [rad] and Kv [m^3/h]; ``origin`` says who measured it and how."""
    return InherentCurve(
        "measured table",
        tuple(float(a) for a in angle),
        tuple(float(k) for k in kv),
        f"table ({origin}); monotone cubic in ln Kv between its points",
        "between the first positive and the last entry; for the fittings and the liquid of the measurement",
    )


def _travel_curve(
    name: str,
    law: Callable[[float, float], float],
    rated_kv: float,
    rangeability: float,
    shut: float,
    opened: float,
    points: int,
    method: str,
) -> InherentCurve:
    _check(math.isfinite(rated_kv) and rated_kv > 0.0, f"{name}: rated Kv must be above zero (got {rated_kv:.6g})")
    _check(1.0 < rangeability < 1e4, f"{name}: rangeability must lie between 1 and 10000 (got {rangeability:.6g})")
    _check(
        opened > shut >= 0.0 and points >= 4, f"{name}: open must be above shut, shut not negative, points 4 or more"
    )
    travel = [i / (points - 1) for i in range(points)]
    return InherentCurve(
        name,
        tuple(shut + h * (opened - shut) for h in travel),
        tuple(rated_kv * law(h, rangeability) for h in travel),
        method,
        f"rated shape only: a real trim may lie off by 10 (1/Phi)^0.2 % and shuts below Phi = 1/{rangeability:g}",
    )


def equal_percentage_curve(
    rated_kv: float, rangeability: float, shut: float, opened: float, points: int = 31
) -> InherentCurve:
    """Equal percentage between two angles [rad]; Kv [m^3/h] at the open end."""
    method = "Phi = R^(h-1), IEC 60534-2-4"
    return _travel_curve("equal percentage", equal_percentage, rated_kv, rangeability, shut, opened, points, method)


def linear_curve(rated_kv: float, rangeability: float, shut: float, opened: float, points: int = 61) -> InherentCurve:
    """Linear between two angles [rad]; Kv [m^3/h] at the open end."""
    method = "Phi = 1/R + (1 - 1/R) h, IEC 60534-2-4"
    return _travel_curve("linear", linear, rated_kv, rangeability, shut, opened, points, method)


def quick_opening_curve(
    rated_kv: float, rangeability: float, shut: float, opened: float, points: int = 121
) -> InherentCurve:
    """Quick opening between two angles [rad]; Kv [m^3/h] at the open end."""
    method = "Phi = sqrt(1/R^2 + (1 - 1/R^2) h): the textbooks' square root, no standard fixes it"
    return _travel_curve("quick opening", quick_opening, rated_kv, rangeability, shut, opened, points, method)


def _port_curve(
    name: str,
    share: Callable[[float], float],
    shut: float,
    opened: float,
    bore: float,
    windows: int,
    open_loss: float,
    method: str,
    validity: str,
) -> InherentCurve:
    # Denser towards shut, where ln Kv bends most.
    steps = [(opened - shut) * (i / 120.0) ** 2 for i in range(121)]
    angles = tuple(shut + step for step in steps)
    kv = (0.0, *(k_to_kv(window_loss(share(a), windows, open_loss), bore) for a in angles[1:]))
    return InherentCurve(name, angles, kv, method, validity)


def ball_curve(
    bore: float, ball: float, open_loss: float, opened: float = 0.5 * math.pi, windows: int = 2
) -> InherentCurve:
    """Round-bored quarter-turn ball (or cock) from its geometry.

    Parameters
    ----------
    bore, ball : diameters of the bore (and of the seats and the pipe) and of the ball [m]
    open_loss : K [-] of the fully open passage; it alone limits Kv near full opening and is to be stated
    opened : opening at the open end [rad]
    windows : 2 for a through bore, which throttles at its inlet and at its outlet

    Against Weisbach's measured table (ball/bore 1.524, see the reference test) the loss law gives K 12 to 32 % low
    between 25 and 85 degrees open, that is Kv 6 to 21 % high: use a measured table where one is to be had.

    Raises ``RangeError`` when the ball is too small to shut or a size has no meaning.
    """
    _check(0.0 < bore < ball < math.inf, f"ball: its diameter must be above the bore (got {ball:.6g} and {bore:.6g} m)")
    _check(open_loss > 0.0, f"ball: the loss of the open passage must be above zero (got {open_loss:.6g})")
    _check(windows in (1, 2), f"ball: one or two windows (got {windows})")
    shut = ball_shut_opening(bore, ball)
    _check(
        shut >= 0.0,
        f"ball: a bore of {1e3 * bore:.4g} mm never shuts in a ball of {1e3 * ball:.4g} mm; allowed is a ball of at least "
        f"{1e3 * bore * math.sqrt(2.0):.4g} mm",
    )
    _check(
        shut < opened <= 0.5 * math.pi + 1e-12, "ball: the open end must lie above the shut angle, at most 90 degrees"
    )
    return _port_curve(
        "round ball from geometry",
        lambda opening: ball_window(opening, bore, ball),
        shut,
        opened,
        bore,
        windows,
        open_loss,
        f"overlap of bore and seat (circle and ellipse, exact); K = {open_loss:g} + {windows} (1/(Cc f) - 1)^2, "
        "Cc = 0.63 + 0.37 f^3 (Weisbach), losses of Borda and Carnot",
        "sharp seats of the bore's size and a sealed cavity; Kv 6 to 21 % high against Weisbach's cock from 25 to 85 degrees; "
        "not for the last degrees before shut (seat width, leakage past the ball) nor for low Reynolds numbers",
    )


def v_port_curve(
    seat: float, ball: float, included_angle: float, shut: float, opened: float, open_loss: float
) -> InherentCurve:
    """V-notched ball segment on a round seat, from its geometry.

    Parameters
    ----------
    seat, ball : diameters of the seat (and the pipe) and of the ball [m]
    included_angle : angle of the V at its apex [rad]
    shut : opening at which the apex meets the seat [rad]; below it the valve is shut
    opened : opening at the open end [rad]
    open_loss : K [-] of the passage behind the notch

    One window, since a segment has one seat. Raises ``RangeError`` on sizes without meaning.
    """
    _check(
        0.0 < seat < ball < math.inf, f"V-port: the ball must be larger than the seat (got {ball:.6g}, {seat:.6g} m)"
    )
    _check(
        math.radians(5.0) <= included_angle <= math.radians(150.0),
        f"V-port: the included angle must lie between 5 and 150 degrees (got {math.degrees(included_angle):.4g})",
    )
    _check(open_loss > 0.0, f"V-port: the loss of the open passage must be above zero (got {open_loss:.6g})")
    half = math.asin(seat / ball)
    _check(
        0.0 <= shut < opened <= shut + 2.0 * half + 1e-12,
        "V-port: the open end must lie above the shut angle by at most "
        f"{math.degrees(2.0 * half):.4g} degrees, where the apex reaches the far rim "
        f"(got {math.degrees(shut):.4g} and {math.degrees(opened):.4g})",
    )
    return _port_curve(
        "V-port from geometry",
        lambda opening: v_window(opening - shut, included_angle, half),
        shut,
        opened,
        seat,
        1,
        open_loss,
        f"notch of {math.degrees(included_angle):.4g} degrees between great circles of the ball on a round seat; "
        f"K = {open_loss:g} + (1/(Cc f) - 1)^2, Cc = 0.63 + 0.37 f^3 (Weisbach)",
        "sharp apex and edges and no leakage: the first 5 % of travel depend on the apex radius and the seat; no published "
        "table of a V-port was found to compare with",
    )


# ------------------------------------------------------------------------------------- deviation to IEC 60534-2-4


def deviation_limit(relative_coefficient: float) -> float:
    """Allowed deviation [-] of a coefficient from the stated one: 0.1 (1/Phi)^0.2 (IEC 60534-2-4, from memory)."""
    return 0.1 * math.pow(1.0 / relative_coefficient, 0.2)


SLOPE_LIMITS = (0.5, 2.0)
"""Allowed ratio of actual to stated slope between neighbouring points [-] (IEC 60534-2-4, from memory)."""


@dataclass(frozen=True)
class DeviationRow:
    """One opening of a measured characteristic against the stated one."""

    angle: float
    """Opening [rad]."""
    stated: float
    """Stated relative coefficient Phi [-]."""
    measured: float
    """Measured coefficient over the stated rated one [-]."""
    deviation: float
    """measured/stated - 1 [-]."""
    limit: float
    """Largest allowed size of ``deviation`` [-]."""
    slope_ratio: float | None
    """Measured over stated slope from the row before to this one [-]; None in the first row or where stated is flat."""
    within: bool
    """True when deviation and slope are within their limits."""


def deviation_rows(
    angle: Sequence[float], measured_kv: Sequence[float], stated_kv: Sequence[float]
) -> tuple[DeviationRow, ...]:
    """Measured against stated Kv at the same angles [rad], to the limits of IEC 60534-2-4.

    Rows where the stated Kv is zero are left out: the limit has no value there. Raises ``RangeError`` on unequal
    lengths, on angles that do not rise and when no stated Kv is above zero.
    """
    _check(len(angle) == len(measured_kv) == len(stated_kv), "deviation: the three columns need the same length")
    _check(all(b > a for a, b in pairwise(angle)), "deviation: angles must rise")
    rated = max(stated_kv, default=0.0)
    _check(0.0 < rated < math.inf, "deviation: the stated Kv must be finite and above zero somewhere")
    _check(all(0.0 <= k < math.inf for k in (*measured_kv, *stated_kv)), "deviation: Kv must be finite, not negative")
    rows: list[DeviationRow] = []
    for a, got, stated in zip(angle, measured_kv, stated_kv, strict=True):
        if stated <= 0.0:
            continue
        measured, phi = got / rated, stated / rated
        ratio = None
        if rows and phi != rows[-1].stated:
            ratio = (measured - rows[-1].measured) / (phi - rows[-1].stated)
        deviation, limit = measured / phi - 1.0, deviation_limit(phi)
        # A limit met to the last digit is met.
        within = abs(deviation) <= limit * (1.0 + 1e-12)
        within = within and (ratio is None or SLOPE_LIMITS[0] <= ratio <= SLOPE_LIMITS[1])
        rows.append(DeviationRow(a, phi, measured, deviation, limit, ratio, within))
    return tuple(rows)


def inherent_rangeability(rows: Sequence[DeviationRow]) -> float | None:
    """Largest over smallest stated coefficient down to which every row is within its limits [-].

    Counted from the open end; None when the open end itself is not within (IEC 60534-2-4, from memory: the ratio of the
    largest to the smallest coefficient within the stated deviations).
    """
    least = None
    for row in reversed(rows):
        if not row.within:
            break
        least = row
    return None if least is None else rows[-1].stated / least.stated
