"""Result of the study of the outer loops."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from valvectl.design.schema import LegName
from valvectl.parts.lookup import FloatArray
from valvectl.plant.outer import LOOPS, Loop, OuterGains
from valvectl.servo.margins import Margins
from valvectl.servo.outer import OuterModel
from valvectl.studies.result import Result


@dataclass(frozen=True)
class HoldErrors:
    """What a hold of the profile looks like, the schedule alone against the outer loops; means over its quiet part."""

    throttle: float
    """[-]"""
    open_ratio: float
    """Relative error of O/F with the schedule alone [-]."""
    closed_ratio: float
    """The same with the outer loops [-]."""
    open_thrust: float
    """Relative error of the thrust with the schedule alone [-]."""
    closed_thrust: float
    """The same with the outer loops [-]."""
    closed_scatter: float
    """Standard deviation of O/F with the outer loops [-]."""


@dataclass(frozen=True)
class TrimRun:
    """Both runs of one case."""

    what: str
    """What is wrong with engine or sensors."""
    time: FloatArray
    """[s], shape (n,)."""
    throttle: FloatArray
    """Setting [-], shape (n,)."""
    open_ratio: FloatArray
    """Relative error of O/F, schedule alone [-], shape (n,)."""
    closed_ratio: FloatArray
    """With the outer loops [-], shape (n,)."""
    open_thrust: FloatArray
    """Thrust over full thrust, schedule alone [-], shape (n,)."""
    closed_thrust: FloatArray
    """With the outer loops [-], shape (n,)."""
    holds: tuple[HoldErrors, ...]
    limited: float
    """Share of the samples at which a loop's output lay at its authority [-]."""
    motion: dict[LegName, float]
    """Change of each valve's trim from sample to sample in holds, root of the mean square [rad]: noise made motion."""
    stopped: bool = False
    """True when a flow came to nothing or turned back in one of the runs: there is no flame then, and no meaning in the run."""

    @property
    def worst(self) -> tuple[float, float]:
        """Largest magnitude of the steady O/F error over the holds: schedule alone, with the outer loops [-]."""
        return (
            max((abs(h.open_ratio) for h in self.holds), default=math.nan),
            max((abs(h.closed_ratio) for h in self.holds), default=math.nan),
        )


@dataclass(frozen=True)
class OuterResult(Result):
    """The outer loops over the throttle range, and in runs of the profile; m settings."""

    gains: OuterGains
    tuned: dict[Loop, bool]
    """True where the gains were worked out here."""
    period: float
    """[s]"""
    reference_delay: float
    """Age of the schedule's wish that the measured chamber pressure is held to [s]."""
    source: str
    """What the mixture loop measures."""
    throttle: FloatArray
    """[-], shape (m,), rising."""
    relative_gain: FloatArray
    """Relative gain of thrust on the oxidizer valve and O/F on the fuel valve [-], shape (m,)."""
    margins: dict[Loop, tuple[Margins, ...]]
    """Of each loop that is there, the other closed, at each setting."""
    stable: tuple[bool, ...]
    """Both loops closed, at each setting: all eigenvalues inside the unit circle."""
    radius: FloatArray
    """Largest magnitude of those eigenvalues [-], shape (m,)."""
    sensitivity: FloatArray
    """Largest singular value of the joint sensitivity over frequency [-], shape (m,)."""
    locus_distance: FloatArray
    """Least distance of the characteristic loci from -1 [-], shape (m,)."""
    chug: FloatArray
    """Frequency at which the engine would chug [Hz], shape (m,); NaN when there is none."""
    noise_ratio: FloatArray
    """Standard deviation that the sensors' noise adds to O/F [-], shape (m,)."""
    noise_pressure: FloatArray
    """The same of the chamber pressure [-], shape (m,)."""
    meter_error: FloatArray
    """Standing O/F error that the loops bring in, from the sensors' accuracy: twice the standard uncertainty [-], (m,)."""
    open_error: FloatArray
    """Spread of O/F with the schedule alone from the design's tolerances: twice the standard uncertainty [-], (m,)."""
    by_source: dict[str, FloatArray]
    """``meter_error`` with usual sensors of each kind [-], shape (m,); for comparison."""
    runs: tuple[TrimRun, ...]
    models: tuple[OuterModel, ...] = field(repr=False)
    """The linear model at each setting."""
    assumptions: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def closed_error(self) -> FloatArray:
        """What is left of O/F with the loops closed: meters' standing error and twice the noise, added [-], shape (m,)."""
        return self.meter_error + 2.0 * self.noise_ratio

    def crossover(self, loop: Loop) -> float:
        """Highest crossover of a loop over the settings [rad/s]; NaN when it has none."""
        found = [m.gain_crossover for m in self.margins.get(loop, ()) if math.isfinite(m.gain_crossover)]
        return max(found, default=math.nan)

    def columns(self) -> dict[str, Any]:
        out: dict[str, Any] = {"throttle [%]": 100.0 * self.throttle, "relative gain": self.relative_gain}
        for loop in LOOPS:
            if loop in self.margins:
                rows = self.margins[loop]
                out[f"{loop}: gain margin [dB]"] = [m.gain_margin_db for m in rows]
                out[f"{loop}: phase margin [deg]"] = [math.degrees(m.phase_margin) for m in rows]
                out[f"{loop}: crossover [Hz]"] = [m.gain_crossover / (2.0 * math.pi) for m in rows]
                out[f"{loop}: peak sensitivity"] = [m.peak_sensitivity for m in rows]
        return {
            **out,
            "stable": list(self.stable),
            "largest singular value of S": self.sensitivity,
            "chug [Hz]": self.chug,
            "O/F noise, 1 sigma [%]": 100.0 * self.noise_ratio,
            "O/F error by sensors [%]": 100.0 * self.meter_error,
            "O/F error, schedule alone [%]": 100.0 * self.open_error,
        }
