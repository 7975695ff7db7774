"""Results of the study of a motor's heat over its mission."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from valvectl.design.schema import LegName
from valvectl.parts.lookup import FloatArray
from valvectl.studies.result import Result


@dataclass(frozen=True)
class Endurance:
    """How long a winding bears something, from a cold start on a hot day and from the mission's peak."""

    what: str
    current: float
    """RMS current [A]."""
    from_cold: float
    """Time to the limit [s]; infinite when it is never reached."""
    from_peak: float
    """The same from the winding's peak in the mission [s]."""
    steady: float
    """Lasting winding temperature [K]; infinite when the heating runs away."""
    runaway: float
    """Loop gain of the heating [-]: from 1 upwards no lasting temperature exists."""


@dataclass(frozen=True)
class DutyVerdict:
    """A duty type by IEC 60034-1, loaded with the RMS current of the throttle profile."""

    type: str
    words: str
    """The duty in words."""
    crest: float
    """Hottest winding of it [K]; infinite when repeating it runs away."""
    load: float
    """RMS current taken as the load [A]."""
    allowed: float
    """Load current at which the crest comes to the limit [A]."""
    met: bool


@dataclass(frozen=True)
class MissionHeat(Result):
    """Winding and case of one motor over the mission."""

    leg: LegName
    nodes: int
    """1: winding and case together; 2: apart."""
    surroundings: float
    """[K]"""
    limit: float
    """Of the winding [K]."""
    runs: int
    pause: float
    """Between runs [s]."""
    rms_current: float
    """Over a run [A]."""
    hold_current: float
    """RMS in a pause [A]."""
    case_loss: float
    """Mean heat of the motor's friction in a run [W]; counted with two nodes only."""
    time: FloatArray
    """[s], shape (n,)."""
    winding: FloatArray
    """[K], shape (n,)."""
    case: FloatArray
    """[K], shape (n,); the winding's with one node."""
    lasting: float
    """Hottest winding once runs and pauses have repeated for ever [K]; infinite when that runs away."""
    steady: float
    """Lasting winding temperature at the RMS current of the profile, copper alone [K]: row motor_heating."""
    endurance: tuple[Endurance, ...]
    """Stalled, pushing, holding."""
    repeated: float
    """Time to the limit with runs without pause [s]; infinite when it is never reached."""
    holding_limit: float
    """Torque at the shaft that can be held for ever [N m]."""
    holding_torque: float
    """Torque at the shaft against the worst load [N m]."""
    torque_kept: float
    """Torque constant at the mission's hottest magnets over that at 25 degC [-]."""
    margin_stated: float
    """Torque margin with the winding temperature the design assumes [-]."""
    margin_hot: float
    """Torque margin with winding and magnets as at the mission's peak [-]."""
    assumed_winding: float
    """Winding temperature that the design assumes for the torque margin [K]."""
    duty: DutyVerdict | None
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def peak(self) -> float:
        """Hottest winding of the mission [K]."""
        return float(self.winding.max())

    @property
    def case_peak(self) -> float:
        """Hottest case of the mission [K]."""
        return float(self.case.max())

    @property
    def share(self) -> float:
        """Rise of the winding over the rise allowed [-]."""
        allowed = self.limit - self.surroundings
        return (self.peak - self.surroundings) / allowed if allowed > 0.0 else math.inf

    def columns(self) -> dict[str, Any]:
        return {
            "time [s]": self.time,
            "winding [degC]": self.winding - 273.15,
            "case [degC]": self.case - 273.15,
        }
