"""Results of the study of single faults."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from valvectl.design.schema import LegName
from valvectl.parts.lookup import FloatArray
from valvectl.studies.result import Result

Verdict = Literal["within limits without action", "detected in time", "too late", "not detected", "not assessed"]
WORST: tuple[Verdict, ...] = (
    "within limits without action", "detected in time", "too late", "not detected", "not assessed"
)  # fmt: skip
"""From good to bad; what could not be assessed is never better than what failed."""


@dataclass(frozen=True)
class Threshold:
    """One reading that the watch holds against what it expects."""

    channel: str
    """What is read, and of which leg."""
    noise: float
    """Standard deviation of one reading [unit]."""
    fault_free: float
    """Largest departure that fault-free engines within tolerance hold over the looks that make an alarm [unit]."""
    proposed: float
    """Threshold proposed [unit]."""
    threshold: float
    """Threshold in force: the one stated in the design file, else the one proposed [unit]."""
    stated: bool
    """True when the design file states it."""
    false_alarms: float
    """Probability of an alarm by noise in one firing [-], the engine standing off by ``fault_free`` all the time."""
    mean_time: float
    """Mean time to such an alarm [s] if the firing went on for ever."""
    unit: str
    """deg, bar or %."""
    scale: float
    """Number in ``unit`` per SI number; the fields above are SI."""

    @property
    def trips(self) -> bool:
        """True when a fault-free engine within tolerance can trip it, noise apart."""
        return self.threshold < self.fault_free


@dataclass(frozen=True)
class OtherValve:
    """What the valve of the other leg would have to do to bring O/F back to the wanted one."""

    leg: LegName
    """The leg that has to act."""
    angle: float
    """Opening it would need [rad]; NaN where there is none within its travel."""
    change: float
    """From where it stands [rad]; NaN likewise."""
    thrust: float
    """Thrust then over full thrust [-]."""
    time: float
    """Shortest time of that move [s]."""
    allowed: float
    """Time from detection and reaction until the limit has been passed for too long [s]; infinite when it never is."""
    words: str
    """In words."""

    @property
    def helps(self) -> bool:
        """True when it can be done in the time there is."""
        return math.isfinite(self.angle) and self.time <= self.allowed


@dataclass(frozen=True)
class Abort:
    """The worst case with both throttle valves told to shut after the alarm that is sure, simulated. Times from the fault [s]."""

    told_after: float
    """When the valves are told."""
    highest_ratio: float
    """Largest O/F over the wanted one, less one, from then on while a flame is there [-]; infinite when fuel ends before oxidizer
    does; NaN when no flame is left by then."""
    beyond: float
    """Longest unbroken time above the O/F limit from then on, oxidizer without fuel included."""
    unburnt: float
    """Time for which oxidizer flows without fuel."""
    gone_after: float
    """When both flows have come to nothing; infinite: not within the time watched."""


@dataclass(frozen=True)
class FaultCase:
    """One fault at one time of the profile. Times count from the fault, in seconds."""

    fault: str
    leg: LegName | None
    """None: both."""
    time: float
    """When in the profile [s]."""
    throttle: float
    """Throttle commanded then [-]."""
    verdict: Verdict
    why: str
    """What decides, in words."""
    highest_ratio: float
    """Largest O/F over the wanted one, less one [-]; infinite when oxidizer flows without fuel."""
    lowest_ratio: float
    """The same of the smallest."""
    over_limit: float
    """Longest unbroken time beyond a limit, within the time watched."""
    peak_pressure: float
    """Highest chamber pressure [Pa]."""
    least_pressure: float
    """Lowest [Pa]."""
    coolant: float
    """Smallest fuel flow over that without the fault [-]."""
    boiling: float
    """Smallest pressure before the injector over the vapour pressure behind a heated jacket [-], quasi-steady; NaN without."""
    limit: str
    """Which limit is passed first for longer than the hardware stands; empty: none."""
    limit_after: float
    """When that time is over; infinite when it never is."""
    seen_by: str
    """The first reading to raise an alarm; empty: none."""
    seen_after: float
    """When; infinite: never. The engine is the design as stated."""
    alarms: dict[str, float]
    """Every reading that raises an alarm, and when, of that engine."""
    sure_by: str
    """The first reading to raise an alarm that is sure; empty: none."""
    sure_after: float
    """When, of an engine that stands off to the other side by as much as the fault-free engines run do, whatever the noise
    (``fault_watch.SURE``); infinite: never for sure."""
    shut_after: float
    """When both flows would be stopped after that sure alarm; infinite: never."""
    settled: float
    """O/F over the wanted one, less one, at the end of the time watched [-]."""
    near: bool = False
    """True when no limit is passed, but the O/F limit would be in an engine that stands off as far as fault-free ones do."""
    said: str = ""
    """What else happened."""
    after: FloatArray = field(default_factory=lambda: np.zeros(0), repr=False)
    """Time after the fault [s], shape (n,); kept for the worst case of a fault alone."""
    ratio: FloatArray = field(default_factory=lambda: np.zeros(0), repr=False)
    """O/F over the wanted one less one [-], shape (n,)."""
    pressure: FloatArray = field(default_factory=lambda: np.zeros(0), repr=False)
    """Chamber pressure [Pa], shape (n,)."""
    expected_pressure: FloatArray = field(default_factory=lambda: np.zeros(0), repr=False)
    """The same without the fault."""

    @property
    def rank(self) -> tuple[float, ...]:
        """Larger is worse."""
        spare = self.limit_after - self.shut_after if math.isfinite(self.limit_after) else math.inf
        spare = -math.inf if math.isnan(spare) else spare
        size = min(max(self.highest_ratio, -self.lowest_ratio), 1e6)
        return (float(WORST.index(self.verdict)), -min(max(spare, -1e6), 1e6), size)


@dataclass(frozen=True)
class FaultRow:
    """One fault over the times of the profile."""

    fault: str
    leg: LegName | None
    worst: FaultCase
    """The case that decides."""
    times: int
    """Times looked at."""
    passing: int
    """At how many of these a limit is passed."""
    near: int
    """At how many it would be in an engine that stands off as far as fault-free ones do, and is not in the design as stated."""
    highest_ratio: float
    """Largest over all times, as in ``FaultCase``."""
    lowest_ratio: float
    peak_pressure: float
    coolant: float
    other: OtherValve | None
    """None where no other valve could help: both legs, or O/F stays near the wanted one."""
    abort: Abort | None
    """None where no throttle valve shuts the engine: no sure alarm, a valve that can not, or shut-off valves of their own."""


@dataclass(frozen=True)
class FaultsResult(Result):
    """Single faults at many times of the throttle profile."""

    rows: tuple[FaultRow, ...]
    cases: tuple[FaultCase, ...]
    thresholds: tuple[Threshold, ...]
    times: tuple[float, ...]
    """Times of the profile looked at [s]."""
    wanted_ratio: float
    ratio_high: float
    """O/F above which the wall suffers [-]."""
    ratio_low: float
    """O/F below which it counts as harmful [-]; NaN: not judged."""
    pressure_limit: float
    """[Pa]"""
    wall_time: float
    """Time beyond a limit that the hardware stands [s]."""
    false_alarms: float
    """Of all readings together in one firing, bound [-]."""
    persistence: int
    """Looks in a row that make an alarm."""
    period: float
    """Time between two looks [s]."""
    engines: int
    """Fault-free engines within tolerance that the thresholds were held against."""
    assumptions: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    def columns(self) -> dict[str, Any]:
        cases = self.cases
        return {
            "fault": [c.fault for c in cases],
            "leg": [c.leg or "both" for c in cases],
            "time [s]": [c.time for c in cases],
            "throttle [%]": [100.0 * c.throttle for c in cases],
            "verdict": [c.verdict for c in cases],
            "highest O/F error [%]": [100.0 * c.highest_ratio for c in cases],
            "lowest O/F error [%]": [100.0 * c.lowest_ratio for c in cases],
            "O/F error at the end [%]": [100.0 * c.settled for c in cases],
            "longest beyond a limit [s]": [c.over_limit for c in cases],
            "highest chamber pressure [bar abs]": [c.peak_pressure / 1e5 for c in cases],
            "lowest chamber pressure [bar abs]": [c.least_pressure / 1e5 for c in cases],
            "least fuel flow [%]": [100.0 * c.coolant for c in cases],
            "boiling margin": [c.boiling for c in cases],
            "limit": [c.limit for c in cases],
            "limit after [s]": [c.limit_after for c in cases],
            "seen by": [c.seen_by for c in cases],
            "seen after [s]": [c.seen_after for c in cases],
            "sure by": [c.sure_by for c in cases],
            "sure after [s]": [c.sure_after for c in cases],
            "shut after [s]": [c.shut_after for c in cases],
            "why": [c.why for c in cases],
        }
