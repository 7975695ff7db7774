"""A move with the closed form of ``parts.bang_bang``, as the tests state one: its numbers in one place."""

from __future__ import annotations

import math
from dataclasses import dataclass

from valvectl.parts import bang_bang


@dataclass(frozen=True)
class Mover:
    """The numbers of a move, braking with the gain of driving."""

    torque_per_ampere: float
    back_emf: float
    resistance: float
    current_limit: float
    voltage: float
    load: float
    inertia: float
    speed_limit: float

    @property
    def final_speed(self) -> float:
        meeting = bang_bang.meeting_speed(
            self.torque_per_ampere, self.back_emf, self.resistance, self.voltage, self.load
        )
        return min(meeting, self.speed_limit)

    def run_up(self, speed: float) -> tuple[float, float]:
        return bang_bang.run_up(
            speed, self.torque_per_ampere, self.back_emf, self.resistance, self.current_limit, self.voltage, self.load,
            self.inertia,
        )  # fmt: skip

    def move_time(self, angle: float) -> float:
        return bang_bang.move(
            angle, self.speed_limit, self.torque_per_ampere, self.torque_per_ampere, self.back_emf, self.resistance,
            self.current_limit, self.voltage, self.load, self.inertia,
        )[0]  # fmt: skip

    @property
    def can_move(self) -> bool:
        return math.isfinite(self.move_time(0.1))
