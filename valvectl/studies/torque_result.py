"""Result of the torque study: envelope by corner, governing points of the rule in force, every rule side by side."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from valvectl.design.schema import LegName
from valvectl.parts.lookup import FloatArray
from valvectl.parts.torque_rules import MarginResult, MarginRule
from valvectl.studies.result import Result
from valvectl.studies.torque_demand import DIRECTIONS, Direction
from valvectl.studies.torque_moves import Move

Place = Literal["stem", "motor shaft"]


@dataclass(frozen=True)
class Corner:
    """The torques of a leg at one named corner over the travel, against the motion at the stem [N m], shape (n,)."""

    name: str
    pressure_drop: float
    """[Pa]"""
    cold_factor: float
    dwell_factor: float
    adverse: bool
    """True: tolerances at their adverse bounds."""
    breakaway: dict[Direction, FloatArray]
    """From rest, the factor of a long rest included where the corner has one."""
    running: dict[Direction, FloatArray]
    required: dict[Direction, FloatArray]
    """What the rule in force asks of the actuator at rest; NaN where no rule can be applied."""
    available: float
    """Of the actuator at rest on its worst day [N m]."""
    margin: float
    """Least available over breakaway, less one [-]."""
    rule_margin: float
    """Least available over required, less one [-]."""

    @property
    def at_ends(self) -> dict[str, float]:
        """The trade's six torques [N m]: from rest and at the end of either way at the stops, running as the largest in the
        middle three quarters of the travel."""
        opening, closing = self.running["opening"], self.running["closing"]
        inner = slice(opening.size // 8, -(opening.size // 8) or None)
        return {
            "break to open": float(self.breakaway["opening"][0]),
            "run to open": float(np.max(opening[inner])),
            "end to open": float(opening[-1]),
            "break to close": float(self.breakaway["closing"][-1]),
            "run to close": float(np.max(closing[inner])),
            "end to close": float(closing[0]),
        }


@dataclass(frozen=True)
class Judged:
    """The governing point of a margin rule at one place."""

    place: Place
    direction: Direction
    angle: float
    """Opening [rad]."""
    result: MarginResult
    """Contributions, required torque and margins there; torques at ``place`` [N m]."""

    @property
    def asked(self) -> float:
        """What the rule asks for here, as a plain margin: required over bare resisting torque, less one [-]."""
        found = self.result
        return found.required / found.resisting - 1.0 if found.resisting > 0.0 else 0.0


@dataclass(frozen=True)
class RuleMargin:
    """One rule of the comparison."""

    name: str
    title: str
    clause: str
    certainty: str
    required: float
    """At the stem, at rest [N m]."""
    stem_margin: float
    """Available over required at the stem, less one [-]."""
    shaft_margin: float
    """The same at the motor's shaft [-]."""
    both_places: bool
    """True when the rule asks for both."""
    dynamic_wanted: float | None
    """Least dynamic margin that it states [-]."""
    met: bool
    """True when its static margin, and its dynamic one where it could be assessed, are met."""
    in_force: bool


@dataclass(frozen=True)
class TorqueResult(Result):
    """Torque of one leg over its travel."""

    leg: LegName
    angle: FloatArray
    """Opening [rad], shape (n,)."""
    running: FloatArray
    """Running torque needed to open, cold, largest pressure difference [N m], shape (n,)."""
    needed: FloatArray
    """Breakaway torque needed to open at the worst corner [N m], shape (n,)."""
    available: float
    """Stem torque the actuator gives at rest at its worst corner [N m]."""
    current: float
    """Motor current behind that [A]."""
    bus_voltage: float
    """Bus voltage at the drive behind that [V]."""
    margin: float
    """Smallest available over needed, less one [-], either way; NaN when the design's torques hold an unknown factor."""
    worst_angle: float
    """Where that is [rad]."""
    pressure_drop: float
    """Pressure difference used [Pa]."""
    nominal_margin: float = math.nan
    """The same margin with every toleranced input at its nominal value [-]."""
    moved: tuple[str, ...] = ()
    """Toleranced inputs that stand at their adverse bound here."""
    worst_direction: Direction = "opening"
    """Way of the smallest margin."""
    corners: tuple[Corner, ...] = ()
    """From the mildest to the worst; empty when no rule was asked."""
    rule: MarginRule | None = None
    """The rule in force; None when none was asked."""
    named: bool = False
    """True when the design names the rule."""
    stem: Judged | None = None
    """Governing point at the stem by the rule in force; None when it can not be applied."""
    shaft: Judged | None = None
    """The same at the motor's shaft."""
    moves: tuple[Move, ...] = ()
    """Commanded moves, worst dynamic margin first."""
    dynamic_wanted: float | None = None
    """Dynamic margin that the design or the rule that it names asks for [-]; None: not assessed."""
    rules: tuple[RuleMargin, ...] = ()
    """The same demand by every rule."""
    refused: str = ""
    """Why no rule can be applied; empty when one was."""
    assumptions: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def dynamic_margin(self) -> float:
        """Least dynamic margin of the commanded moves [-]; NaN when there is none."""
        return self.moves[0].margin if self.moves else math.nan

    @property
    def governing(self) -> Judged | None:
        """The place that the rule in force judges by: the stem, or where the rule asks for both that of less margin."""
        if self.stem is None or self.shaft is None or self.rule is None or not self.rule.both_places:
            return self.stem
        return min(self.stem, self.shaft, key=lambda judged: judged.result.margin)

    def columns(self) -> dict[str, Any]:
        out = {
            "opening [deg]": np.degrees(self.angle),
            "running [N m]": self.running,
            "breakaway worst corner [N m]": self.needed,
            "available [N m]": np.full(self.angle.size, self.available),
            "margin [%]": 100.0 * (self.available / self.needed - 1.0),
        }
        if self.corners:
            worst = self.corners[-1]
            out["running closing [N m]"] = worst.running["closing"]
            out["breakaway closing worst corner [N m]"] = worst.breakaway["closing"]
            for way in DIRECTIONS:
                out[f"required by rule {way} [N m]"] = worst.required[way]
        return out
