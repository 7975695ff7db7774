"""Spring that turns a valve shut when its motor lets go."""

from __future__ import annotations


def return_torque(opening: float, preload: float, rate: float) -> float:
    """Torque [N m] towards shut at an opening [rad] from the closed stop; ``preload`` [N m] there, ``rate`` [N m/rad].

    A linear torsion spring (elementary mechanics).
    """
    return preload + rate * opening


def return_energy(opening: float, preload: float, rate: float) -> float:
    """Energy stored [J] at an opening [rad] over that at the closed stop."""
    return (preload + 0.5 * rate * opening) * opening
