"""Fastest move of a valve in closed form: full current, then full voltage, a speed limit, and braking.

One inertia, constant load torque, current set at once. Source: elementary mechanics of a direct-current motor; the
voltage-limited phase is its first-order run-up to the speed at which torque and load meet.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.optimize import brentq


@dataclass(frozen=True)
class Mover:
    """What a move needs to know, at the stem, SI."""

    torque_per_ampere: float
    """Stem torque per motor current, efficiency included [N m/A]."""
    back_emf: float
    """Voltage per stem speed [V s/rad]."""
    resistance: float
    """[ohm]"""
    current_limit: float
    """[A]"""
    voltage: float
    """Largest motor voltage [V]."""
    load: float
    """Torque against the move, friction of motor included [N m]."""
    inertia: float
    """All inertia at the stem [kg m^2]."""
    speed_limit: float
    """Largest stem speed allowed [rad/s]."""

    @property
    def final_speed(self) -> float:
        """Speed at which the voltage just carries the load [rad/s]; not above ``speed_limit``."""
        current = self.load / self.torque_per_ampere
        return min((self.voltage - self.resistance * current) / self.back_emf, self.speed_limit)

    @property
    def can_move(self) -> bool:
        """True when the current limit and the voltage can overcome the load."""
        limit = min(self.current_limit, self.voltage / self.resistance)
        return self.torque_per_ampere * limit > self.load and self.final_speed > 0.0

    def run_up(self, speed: float) -> tuple[float, float]:
        """Time [s] and angle [rad] from rest to a speed below the final one [rad/s]."""
        strongest = min(self.current_limit, self.voltage / self.resistance)
        rate = (self.torque_per_ampere * strongest - self.load) / self.inertia
        corner = max((self.voltage - self.resistance * self.current_limit) / self.back_emf, 0.0)
        first = min(speed, corner)
        time, angle = first / rate, 0.5 * first * first / rate
        if speed > corner:
            tau = self.inertia * self.resistance / (self.torque_per_ampere * self.back_emf)
            end = (self.voltage - self.resistance * self.load / self.torque_per_ampere) / self.back_emf
            later = tau * math.log((end - corner) / (end - speed))
            time += later
            angle += end * later - tau * (speed - corner)
        return time, angle

    def move_time(self, angle: float) -> float:
        """Shortest time [s] from rest to rest over an angle [rad]; infinite when the load can not be moved."""
        if not self.can_move:
            return math.inf
        brake = (self.torque_per_ampere * self.current_limit + self.load) / self.inertia
        top = self.final_speed * (1.0 - 1e-9)

        def covered(speed: float) -> float:
            return self.run_up(speed)[1] + 0.5 * speed * speed / brake

        if covered(top) <= angle:
            return self.run_up(top)[0] + top / brake + (angle - covered(top)) / top
        peak = float(brentq(lambda w: covered(w) - angle, 0.0, top, xtol=1e-12))
        return self.run_up(peak)[0] + peak / brake
