"""What a robust choice comes to: three choices side by side, judged on draws that none was found on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from valvectl.parts.lookup import FloatArray
from valvectl.studies.result import Result

UNLUCKY = 0.05
"""Chance of luck at which a difference counts as shown [-]."""


@dataclass(frozen=True)
class FreeQuantity:
    """One free quantity and where the three choices put it."""

    name: str
    unit: str
    words: tuple[str, ...]
    """Choices in place of numbers; values are then indices."""
    low: float
    """Bounds, in ``unit``."""
    high: float
    present: tuple[float, ...]
    """Value as designed, one a leg that it moves, in ``unit``; NaN: the design has none."""
    nominal: float
    robust: float
    idle: str
    """Why the robust choice's value has no effect; empty when it has."""

    def at_bound(self, value: float) -> bool:
        """True within 2 % of the range of a bound."""
        near = 0.02 * (self.high - self.low)
        return not self.words and (value - self.low < near or self.high - value < near)

    def text(self, value: float) -> str:
        """A value in words, without its unit."""
        if self.words:
            return self.words[int(value)]
        return "-" if value != value else f"{value:.4g}"


@dataclass(frozen=True)
class Held:
    """One requirement over the drawn engines of a choice."""

    name: str
    probability: float
    """Share of the engines that meet it [-]."""
    quantile: float
    """5 % quantile of its margin [-]."""
    nominal: float
    """Margin of the engine without dispersions [-]."""
    moved: bool
    """True when the free quantities move its margin by a percent of the limit or more, in the search or between the choices."""


@dataclass(frozen=True)
class Choice:
    """One choice, judged on fresh draws."""

    label: str
    """present, nominal optimum, robust optimum."""
    changes: Mapping[str, Any]
    """What it writes into the design: dotted key to text or number."""
    nominal_margin: float
    """Worst margin without dispersions of what the free quantities move [-]."""
    nominal_limits: str
    """What that is."""
    lacking: tuple[tuple[str, float], ...]
    """Constraints it does not keep and what they lack [-]."""
    missed: tuple[str, ...]
    """Constraints missed or not assessed, those that the present design misses too included."""
    runs: int
    held: int
    """Engines that meet every requirement judged."""
    probability: float
    at_least: float
    """Two-sided bounds of the probability at 95 % (Clopper and Pearson)."""
    at_most: float
    moved_probability: float
    """Share that meets the requirements which the free quantities move [-]."""
    quantile: float
    """5 % quantile of the worst margin of those [-]."""
    limits: str
    """Requirement among those that is missed most often, or nearest to its limit where none is missed."""
    requirements: tuple[Held, ...]


@dataclass(frozen=True)
class Compared:
    """Two choices on the same fresh draws."""

    first: str
    second: str
    only_first: int
    """Engines that the first alone brings through."""
    only_second: int
    difference: float
    """Probability of the second less that of the first [-]."""
    at_least: float
    """Bounds of the difference at 95 % (paired; Agresti and Min)."""
    at_most: float
    chance: float
    """Two-sided probability of pairs as uneven if neither were better (McNemar, exact) [-]."""

    @property
    def better(self) -> bool:
        """True when the second is better beyond what the draws leave open: by the bounds, which are rough with few unlike pairs,
        and by the exact test as well."""
        return self.at_least > 0.0 and self.chance <= UNLUCKY


@dataclass(frozen=True)
class Slice:
    """One free quantity moved by itself through the robust choice, the same fresh draws at every point."""

    name: str
    values: FloatArray
    """In the unit of the quantity, shape (n,)."""
    probability: FloatArray
    """Shape (n,)."""
    at_least: FloatArray
    at_most: FloatArray
    allowed: tuple[bool, ...]
    """Whether all constraints are kept."""
    missed: Mapping[str, FloatArray]
    """Share of engines that miss a requirement, by name."""
    quantile: FloatArray
    """5 % quantile of the worst margin moved [-], shape (n,)."""


@dataclass(frozen=True)
class RobustResult(Result):
    """Answer of ``robust``."""

    free: tuple[FreeQuantity, ...]
    present: Choice
    nominal: Choice
    robust: Choice
    compared: tuple[Compared, ...]
    """Nominal against robust, present against robust."""
    judged: tuple[str, ...]
    """Requirements that every drawn engine is judged by."""
    constraints: tuple[str, ...]
    """Rows that hold without dispersions at every choice, and the loops at their corners."""
    unmoved: tuple[str, ...]
    """Drawn requirements whose margin the free quantities move by less than a percent of the limit."""
    ceiling: float
    """Share of fresh draws in which those hold, which no choice can better [-]."""
    seed: int
    search_runs: int
    """Draws of the last stage of the search."""
    runs: int
    """Fresh draws."""
    tried: int
    """Choices tried."""
    dropped: int
    engines: int
    """Engines run in the search."""
    verdict: str
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]
    slices: tuple[Slice, ...] = field(default=(), repr=True)
    """For the figure; empty when not asked for."""

    @property
    def choices(self) -> tuple[Choice, Choice, Choice]:
        """All three."""
        return self.present, self.nominal, self.robust

    def columns(self) -> dict[str, Any]:
        return {
            "quantity": [f.name for f in self.free],
            "unit": [f.unit or "-" for f in self.free],
            "low": [f.low for f in self.free],
            "high": [f.high for f in self.free],
            "present": [" / ".join(f.text(v) for v in f.present) for f in self.free],
            "nominal optimum": [f.text(f.nominal) for f in self.free],
            "robust optimum": [f.text(f.robust) for f in self.free],
        }
