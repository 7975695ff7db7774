"""Winding temperature if the throttle profile went on without end: steady state at its RMS current."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.parts.motor import winding_temperature
from valvectl.studies.result import Result


@dataclass(frozen=True)
class HeatResult(Result):
    """Heating of one motor."""

    leg: LegName
    rms_current: float
    """[A]"""
    surroundings: float
    """[K]"""
    temperature: float
    """Steady winding temperature [K]; infinite when the resistance's rise makes it run away."""
    limit: float
    """[K]"""

    @property
    def share(self) -> float:
        """Rise over the rise allowed [-]."""
        allowed = self.limit - self.surroundings
        return (self.temperature - self.surroundings) / allowed if allowed > 0.0 else math.inf

    def columns(self) -> dict[str, Any]:
        return {
            "leg": [self.leg],
            "RMS current [A]": [self.rms_current],
            "winding [degC]": [self.temperature - 273.15],
            "limit [degC]": [self.limit - 273.15],
        }


def heat(design: DesignFile, name: LegName, rms_current: float) -> HeatResult:
    """Steady winding temperature of one leg's motor at an RMS current [A]."""
    actuator = design.leg(name).actuator
    motor = actuator.motor
    return HeatResult(
        leg=name,
        rms_current=rms_current,
        surroundings=actuator.hot_surroundings,
        temperature=winding_temperature(
            actuator.hot_surroundings,
            rms_current,
            motor.resistance,
            motor.resistance_coefficient,
            motor.thermal_resistance,
        ),
        limit=motor.temperature_limit,
    )
