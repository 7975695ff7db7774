"""Results of the study of the loss of power, of command and of one motor."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from valvectl.design.schema import LegName
from valvectl.parts.lookup import FloatArray
from valvectl.studies.result import Result

Behaviour = Literal["holds", "may drift", "shuts"]


@dataclass(frozen=True)
class AtRest:
    """A dead valve of one leg at the settings of the schedule; torques at the stem [N m], arrays of shape (n,)."""

    leg: LegName
    throttle: FloatArray
    """[-]"""
    angle: FloatArray
    """Opening [rad]."""
    shutting: FloatArray
    """Torque towards shut: stream and return spring."""
    held_low: FloatArray
    """Torque that friction holds at least; infinite where the train locks itself."""
    held_high: FloatArray
    """Torque that friction can hold at most."""
    behaviour: tuple[Behaviour, ...]
    """At each setting."""
    self_locking: bool
    """True when no torque at the stem turns the motor, low friction assumed."""
    backdrive_efficiency: float
    """Of the whole train, nominal [-]."""

    @property
    def overall(self) -> Behaviour:
        """One word for the range: what all settings share, else that it may drift."""
        return self.behaviour[0] if len(set(self.behaviour)) == 1 else "may drift"

    @property
    def margin(self) -> float:
        """Smallest torque that holds over the torque that shuts, less one [-]; of a valve that shuts, the other way round."""
        if self.overall == "shuts":
            return float(np.min(self.shutting / self.held_high)) - 1.0
        with np.errstate(divide="ignore"):
            return float(np.min(self.held_low / self.shutting)) - 1.0


@dataclass(frozen=True)
class LossCase:
    """Something lost in mid-change."""

    what: str
    """What is lost."""
    time: float
    """When, in the profile [s]."""
    throttle_from: float
    throttle_to: float
    """The change of throttle it happens in [-]."""
    peak_error: float
    """Largest relative error of O/F within ``WATCHED``, while both propellants flow [-], signed."""
    final_error: float
    """Error of O/F with the valves where they came to rest [-]; NaN when no flame can be held there."""
    final_throttle: float
    """Thrust over full thrust there [-]."""
    flame_until: float
    """From the loss until a flow has fallen so far that no flame is taken to hold [s]; infinite when it burns on."""
    time_to_limit: float
    """From the loss until the error of O/F passes the limit for throttling [s]; infinite when it does not."""
    coasted: dict[LegName, float]
    """How far each ball went on after the loss [rad]; positive opens."""


@dataclass(frozen=True)
class Closing:
    """Both valves shutting by themselves from full thrust, drives dead."""

    by: str
    """What shuts them."""
    shuts: str
    """What turns a dead valve towards shut, in a word or two."""
    time: dict[LegName, float]
    """Time to shut [s]; infinite for a valve that does not."""
    time_late: dict[LegName, float]
    """The same with all friction at its adverse bound."""
    stuck_at: dict[LegName, float]
    """Opening at which a valve comes to rest with adverse friction [rad]."""
    first: LegName | None
    """The valve that shuts first; None when neither shuts."""
    tail_mass: float
    """Mass of the other propellant that flows after the first is shut, into a dead chamber at ambient pressure [kg];
    infinite when the other does not shut."""


@dataclass(frozen=True)
class StoredEnergy:
    """What a leg's reserve store can do."""

    leg: LegName
    usable: float
    """Energy between its full and its lowest voltage [J]."""
    needed: float
    """Energy that a stroke from open to shut takes at the lowest voltage, electronics included [J]."""
    time: float
    """How long that stroke takes [s]; infinite when it does not arrive."""

    @property
    def margin(self) -> float:
        """Usable over needed less one [-]."""
        return self.usable / self.needed - 1.0 if self.needed > 0.0 and math.isfinite(self.time) else -1.0


@dataclass(frozen=True)
class PowerLossResult(Result):
    """Loss of power, of command and of one motor."""

    at_rest: dict[LegName, AtRest]
    cases: tuple[LossCase, ...]
    """In every change of the profile: drives and commands lost, both and one alone."""
    closing: Closing
    stored: tuple[StoredEnergy, ...]
    """Of the legs that have a reserve store."""
    limit: float
    """Limit of the O/F error while throttling [-], for comparison."""
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def worst(self) -> LossCase | None:
        """The case with the largest error of O/F, while it happens or after it."""

        def size(case: LossCase) -> float:
            last = abs(case.final_error) if math.isfinite(case.final_error) else math.inf
            return max(abs(case.peak_error), last)

        return max(self.cases, key=size, default=None)

    def columns(self) -> dict[str, Any]:
        return {
            "lost": [c.what for c in self.cases],
            "at [s]": [c.time for c in self.cases],
            "from [%]": [100.0 * c.throttle_from for c in self.cases],
            "to [%]": [100.0 * c.throttle_to for c in self.cases],
            "peak O/F error [%]": [100.0 * c.peak_error for c in self.cases],
            "O/F error after [%]": [100.0 * c.final_error for c in self.cases],
            "flame until [ms]": [1e3 * c.flame_until for c in self.cases],
            "time to the limit [ms]": [1e3 * c.time_to_limit for c in self.cases],
            "thrust after [%]": [100.0 * c.final_throttle for c in self.cases],
            "oxidizer ball went on [deg]": [math.degrees(c.coasted["oxidizer"]) for c in self.cases],
            "fuel ball went on [deg]": [math.degrees(c.coasted["fuel"]) for c in self.cases],
        }
