"""Dry friction with bristles: presliding, a breakaway that depends on how fast force rises, hysteresis (LuGre).

dz/dt = v - sigma0 |v| z / g(v); friction = sigma0 z + sigma1 dz/dt. Canudas de Wit, Olsson, Astrom and Lischinsky, IEEE
Trans. Automatic Control 40 (1995) 419-425 (from memory). g(v) is the level of ``friction.stribeck``; the paper's viscous
part sigma2 v is not in it. Unlike ``friction.stick_or_slip`` a body that is held gives way like a spring, sigma0.
"""

from __future__ import annotations


def bristle_rate(speed: float, bristle: float, level: float, sigma0: float) -> float:
    """Rate of the bristles' bend [rad/s] at a speed [rad/s]; ``bristle`` [rad], ``level`` g(v) [N m], sigma0 [N m/rad]."""
    return speed - sigma0 * abs(speed) / level * bristle


def lugre_torque(speed: float, bristle: float, level: float, sigma0: float, sigma1: float) -> float:
    """Friction torque [N m]; ``sigma1`` [N m s/rad] damps the bristles."""
    return sigma0 * bristle + sigma1 * bristle_rate(speed, bristle, level, sigma0)


def lugre_step(
    free_speed: float,
    speed: float,
    bristle: float,
    level: float,
    sigma0: float,
    sigma1: float,
    step: float,
    step_over_inertia: float,
) -> tuple[float, float]:
    """Speed [rad/s] and bend of the bristles [rad] one step on.

    ``free_speed`` [rad/s] speed after the step without friction, ``speed`` before it; ``step`` h [s], ``step_over_inertia``
    h/J. Bend and speed are taken at the end of the step (implicit Euler, with |v| and g(v) from its start), so that it is
    stable at any step: bristles are stiffer than gears. First order in the step.
    """
    if level <= 0.0:
        return free_speed, 0.0
    decay = 1.0 + step * sigma0 * abs(speed) / level
    end = sigma0 + sigma1 / step
    after = (free_speed - step_over_inertia * (end * bristle / decay - sigma1 / step * bristle)) / (
        1.0 + step_over_inertia * end * step / decay
    )
    return after, (bristle + step * after) / decay


def default_stiffness(breakaway: float, presliding: float) -> float:
    """sigma0 [N m/rad] that holds ``breakaway`` [N m] at a bend of ``presliding`` [rad]."""
    return breakaway / presliding


def default_damping(stiffness: float, inertia: float) -> float:
    """sigma1 [N m s/rad] = sqrt(sigma0 J), half of critical, as in the paper's table (1e5 N/m, 1 kg, sqrt(1e5) N s/m)."""
    return float((stiffness * inertia) ** 0.5)
