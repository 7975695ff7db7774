"""Pressure waves in a liquid line: wave speed, sudden and slow stops, unsteady friction, the two ends of a line.

Sources: N. Joukowsky (1898) for the sudden stop; D. J. Korteweg (1878) for the elastic wall; E. B. Wylie and
V. L. Streeter, Fluid Transients in Systems (1993), for the restraint of the pipe, thin and thick wall; J. Michaud (1878)
for the slow closure; B. Brunone et al. (1991), A. E. Vardy and J. M. B. Brown (1995) and A. Bergant, A. R. Simpson and
J. Vitkovsky, J. Hydraulic Research 39 (2001), for unsteady friction. The coefficients were typed from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Anchoring = Literal["upstream", "throughout", "none"]
"""How the pipe is held: at its upstream end only, against all axial movement, or by expansion joints throughout."""
ANCHORINGS: tuple[Anchoring, Anchoring, Anchoring] = ("upstream", "throughout", "none")
LAMINAR_DECAY = 0.00476
"""Shear decay coefficient of laminar flow [-]."""
LAMINAR_LIMIT = 2320.0
"""Reynolds number up to which a flow counts as laminar [-] (common practice)."""


@dataclass(frozen=True)
class PipeWall:
    """Wall of a line. The defaults are assumptions: stainless steel tube, 1 mm, held at its upstream end."""

    thickness: float = 1.0e-3
    """[m]"""
    elasticity: float = 200.0e9
    """Modulus of elasticity [Pa]; stainless steel about 200 GPa, some 210 GPa at 90 K (common practice, no source)."""
    poisson: float = 0.3
    """Poisson's ratio [-]."""
    anchoring: Anchoring = "upstream"


def restraint_upstream(poisson: float) -> float:
    """Thin-wall restraint factor c1 [-] of a pipe anchored at its upstream end only: 1 - nu/2."""
    return 1.0 - 0.5 * poisson


def restraint_throughout(poisson: float) -> float:
    """Thin-wall restraint factor c1 [-] of a pipe anchored against axial movement throughout: 1 - nu^2."""
    return 1.0 - poisson * poisson


def restraint_none() -> float:
    """Thin-wall restraint factor c1 [-] of a pipe with expansion joints throughout: 1."""
    return 1.0


def thick_wall_restraint(restraint: float, poisson: float, wall_over_diameter: float) -> float:
    """Restraint factor c1 [-] for a wall of any thickness from the thin-wall one: 2 (e/D) (1 + nu) + c1 / (1 + e/D).

    Wylie and Streeter ask for it at D/e below about 25, where small tubes lie; it goes over into the thin-wall factor.
    """
    return 2.0 * wall_over_diameter * (1.0 + poisson) + restraint / (1.0 + wall_over_diameter)


def wave_speed(
    sound_speed: float, rho: float, diameter: float, wall: float, elasticity: float, restraint: float
) -> float:
    """Speed of pressure waves [m/s] in a liquid-filled elastic pipe: a0 / sqrt(1 + c1 K D / (E e)), K = rho a0^2.

    Parameters
    ----------
    sound_speed : of the unbounded liquid, a0 [m/s]
    rho : density [kg/m^3]
    diameter, wall : inner diameter D and wall thickness e [m]
    elasticity : modulus E of the wall [Pa]
    restraint : factor c1 [-]

    Valid for long waves in a liquid free of gas. Gas of a volume share x at a pressure p adds x / p to 1 / K (isothermal):
    at 1 bar one hundredth of a percent lowers the speed of water in a rigid pipe by 44 %, at 20 bar by 5 %.
    """
    stretch = restraint * rho * sound_speed * sound_speed * diameter / (elasticity * wall)
    return sound_speed / math.sqrt(1.0 + stretch)


def pipe_wave_speed(sound_speed: float, rho: float, diameter: float, wall: PipeWall) -> float:
    """``wave_speed`` [m/s] of a line with a described wall, thick-wall restraint. Diameter [m], density [kg/m^3]."""
    thin = {
        "upstream": restraint_upstream(wall.poisson),
        "throughout": restraint_throughout(wall.poisson),
        "none": restraint_none(),
    }[wall.anchoring]
    restraint = thick_wall_restraint(thin, wall.poisson, wall.thickness / diameter)
    return wave_speed(sound_speed, rho, diameter, wall.thickness, wall.elasticity, restraint)


def joukowsky(rho: float, speed: float, velocity_change: float) -> float:
    """Pressure rise [Pa] when the flow loses ``velocity_change`` [m/s] faster than a wave returns: rho a dv.

    ``speed`` is the wave speed [m/s]. A bound for any stop from one steady flow in which the outlet's flow only falls, in
    a frictionless line whose liquid stays liquid; line packing and the collapse of vapour cavities can go beyond it.
    """
    return rho * speed * velocity_change


def reflection_time(length: float, speed: float) -> float:
    """Time [s] for a wave to run up a line of a length [m] and back: 2 L / a. The line rings at twice this period."""
    return 2.0 * length / speed


def slow_closure(rho: float, length: float, velocity: float, closing_time: float) -> float:
    """Pressure rise [Pa] of a closure slower than 2 L / a: 2 rho L v / tc (Michaud).

    Exact for a frictionless line whose outlet velocity falls linearly to zero in ``closing_time`` [s]; a valve that does
    its closing at the end of its stroke goes above it.
    """
    return 2.0 * rho * length * velocity / closing_time


def closure_estimate(rho: float, speed: float, length: float, velocity: float, closing_time: float) -> float:
    """The lesser of the sudden and the slow estimate [Pa]; they meet at tc = 2 L / a."""
    sudden = joukowsky(rho, speed, velocity)
    slow = slow_closure(rho, length, velocity, max(closing_time, 1e-12))
    return slow if slow < sudden else sudden


def column_pressure(rho: float, length: float, velocity: float, time: float) -> float:
    """Pressure [Pa] that stops a rigid column of a velocity [m/s] evenly in a time [s]: rho L v / t.

    No closure that brings a frictionless line to rest in that time goes below it.
    """
    return rho * length * velocity / time


def shear_decay(reynolds: float) -> float:
    """Shear decay coefficient C* [-] of Vardy and Brown (1995) for a smooth pipe.

    Turbulent: 7.41 / Re^log10(14.3 / Re^0.05); laminar (Re below 2320): 0.00476. ``reynolds`` of the flow before the
    event [-]; good to about Re 1e8.
    """
    if reynolds < LAMINAR_LIMIT:
        return LAMINAR_DECAY
    return 7.41 / math.pow(reynolds, math.log10(14.3 / math.pow(reynolds, 0.05)))


def brunone_coefficient(decay: float) -> float:
    """Coefficient k [-] of the acceleration-based unsteady friction from the shear decay coefficient: sqrt(C*) / 2."""
    return 0.5 * math.sqrt(decay)


def unsteady_drop(coefficient: float, impedance: float, flow: float, since: float, along: float) -> float:
    """Unsteady part of the friction [Pa] over one reach, after Brunone in Vitkovsky's form.

    (k/2) (a/A) (dm_t + sign(m) |dm_x|): ``since`` is the change of flow over the last time step, ``along`` that over one
    reach [kg/s]; ``impedance`` a/A [Pa s/kg]; ``coefficient`` k [-]. One reach a time step.
    """
    slope = abs(along)
    if flow < 0.0:
        slope = -slope
    elif flow == 0.0:
        slope = 0.0
    return 0.5 * coefficient * impedance * (since + slope)


def node_flow(drop: float, impedance: float, loss: float) -> float:
    """Mass flow [kg/s] through a linear and a square-law resistance in series; odd in the drop.

    Solves loss m |m| + impedance m = drop: a characteristic of slope ``impedance`` [Pa s/kg] that meets a ``loss``
    [Pa s^2/kg^2]. Written without cancellation, so that a shut valve (huge loss) and none (zero) are both exact.
    """
    if drop == 0.0:
        return 0.0  # without impedance the formula is 0/0 here: a cavity at a pressure equal to that behind the valve
    return 2.0 * drop / (impedance + math.sqrt(impedance * impedance + 4.0 * loss * abs(drop)))


def valve_end_flow(
    arriving: float,
    impedance: float,
    friction: float,
    valve: float,
    behind: float,
    fl: float,
    back_pressure: float,
    choke_pressure: float,
) -> float:
    """Mass flow [kg/s] at the valve end of a line: the lesser of the free and the choked branch.

    Parameters
    ----------
    arriving : p + (a/A) m that the wave brings to the valve [Pa]
    impedance : a/A [Pa s/kg]
    friction : share of the line's loss that counts to this end [Pa s^2/kg^2]
    valve : loss of the valve, 1 / (rho c^2) [Pa s^2/kg^2]
    behind : loss of everything behind the valve, on flow squared [Pa s^2/kg^2]
    fl : recovery factor [-]
    back_pressure : pressure behind all that [Pa]
    choke_pressure : FF pv [Pa]

    The free branch may run backwards, from a filled manifold; the choked one limits forward flow only.
    """
    free = node_flow(arriving - back_pressure, impedance, friction + valve + behind)
    if free <= 0.0:
        return free
    over = arriving - choke_pressure
    if over <= 0.0:
        return 0.0
    choked = node_flow(over, impedance, friction + valve / (fl * fl))
    return choked if choked < free else free
