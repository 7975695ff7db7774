"""Results of the study of gear stages: the pairs worked out, their order, and what the workshop needs of the one chosen."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from valvectl.parts.lookup import FloatArray
from valvectl.studies.gear_pair import GearPair
from valvectl.studies.gear_wishes import GearWishes
from valvectl.studies.result import Result


@dataclass(frozen=True)
class DrawingRow:
    """One line of the workshop's table; NaN where it does not apply."""

    what: str
    pinion: float
    wheel: float
    unit: str
    """SI unit of the numbers: "m", "rad", or empty."""

    def shown(self, value: float) -> str:
        """The number with its workshop unit, a dash where there is none."""
        if not math.isfinite(value):
            return "-"
        if self.unit == "m":
            return f"{1e3 * value:.3f} mm"
        if self.unit == "rad":
            return f"{math.degrees(value):.4f} deg"
        return f"{value:.0f}" if float(value).is_integer() else f"{value:.4f}"


@dataclass(frozen=True)
class Mesh:
    """Outlines of the pair in mesh for drawing, true to size [m]; the gears' centres lie on the x axis."""

    pinion: FloatArray
    """Closed outline, shape (n, 2)."""
    wheel: FloatArray
    """Closed outline, shape (m, 2); of a ring its inner outline."""
    pinion_centre: float
    """x of the pinion's centre [m]; the wheel's is at zero."""
    contact: FloatArray
    """Path of contact, start and end, shape (2, 2)."""
    rim: float
    """Outer radius of a ring [m]; NaN for an external wheel."""


@dataclass(frozen=True)
class GearStageResult(Result):
    """Pairs for a gear stage: those that meet everything in order of preference, then those ruled out by their numbers."""

    wishes: GearWishes = field(repr=False)
    """What was asked."""
    pairs: tuple[GearPair, ...] = field(repr=False)
    """Pairs worked out in full: first the ``met`` ones that meet everything, best first, then the others, nearest first."""
    scores: tuple[float, ...] = field(repr=False)
    """Score of each of the first ``met`` pairs [-], higher is better."""
    met: int
    """How many meet everything."""
    tried: int
    """Combinations of module and tooth numbers looked at."""
    out_of_reach: tuple[tuple[str, int], ...]
    """Why combinations were dropped before they were worked out, and how many."""
    rejected: tuple[tuple[str, int], ...]
    """Why pairs worked out were ruled out: kind of reason and how many pairs have it."""
    recommended: GearPair | None
    """The best pair; None when none meets everything."""
    nearest: GearPair | None
    """The pair recommended, or the one that misses least; None when nothing fits between the centre distances."""
    drawing: tuple[DrawingRow, ...]
    """What the workshop needs of ``nearest``."""
    mesh: Mesh | None = field(repr=False)
    """``nearest`` for drawing."""
    reason: str
    """Why this pair, or why none, in a few sentences."""
    method: str = (
        "bending after Lewis and contact after Hertz by hand methods; ISO 6336 or AGMA 2001 is the next step and not claimed; "
        "material limits are typical values from memory unless you gave your own; bores, keys and shafts are not checked"
    )

    def stage(self) -> dict[str, float]:
        """The pair as a gear stage of a design file, SI: the keys of ``actuator.gears``.

        Efficiencies and stiffness are those of the mesh alone; bearings, seals and shafts come on top. Lost motion is
        the worst case.
        """
        pair = self.nearest
        if pair is None:
            return {}
        return {
            "ratio": pair.ratio,
            "efficiency": pair.efficiency,
            "static_efficiency": pair.static_efficiency,
            "backdrive_efficiency": pair.backdrive_efficiency,
            "inertia": pair.inertia,
            "stiffness": pair.stiffness,
            "lost_motion": pair.lost_motion_most,
            "torque_limit": pair.torque_limit,
        }

    def columns(self) -> dict[str, Any]:
        ps = self.pairs
        return {
            "module [mm]": [1e3 * p.module for p in ps],
            "pinion teeth": [p.pinion.teeth for p in ps],
            "wheel teeth": [p.wheel.teeth for p in ps],
            "ratio": [p.ratio for p in ps],
            "centre distance [mm]": [1e3 * p.centre for p in ps],
            "shift pinion": [p.pinion.shift for p in ps],
            "shift wheel": [p.wheel.shift for p in ps],
            "operating angle [deg]": [math.degrees(p.alpha_w) for p in ps],
            "contact ratio": [p.contact_ratio for p in ps],
            "smallest safety over wanted": [p.strength for p in ps],
            "weakest": [p.weakest for p in ps],
            "lost motion least [deg]": [math.degrees(p.lost_motion(p.backlash.least)) for p in ps],
            "lost motion nominal [deg]": [math.degrees(p.lost_motion(p.backlash.nominal)) for p in ps],
            "lost motion most, root-sum-square [deg]": [math.degrees(p.lost_motion(p.backlash.most_rss)) for p in ps],
            "lost motion most [deg]": [math.degrees(p.lost_motion_most) for p in ps],
            "mesh efficiency [%]": [100.0 * p.efficiency for p in ps],
            "size [mm]": [1e3 * p.size for p in ps],
            "mass [kg]": [p.mass for p in ps],
            "inertia at pinion [kg mm2]": [1e6 * p.inertia for p in ps],
            "score": [*self.scores, *([math.nan] * (len(ps) - self.met))],
            "ruled out": ["; ".join(p.reasons) for p in ps],
            "notes": ["; ".join(p.notes) for p in ps],
        }

    def drawing_columns(self) -> dict[str, Any]:
        """The workshop's table: column name -> texts with units, for ``nearest``."""
        return {
            "dimension": [row.what for row in self.drawing],
            "pinion": [row.shown(row.pinion) for row in self.drawing],
            "ring" if self.wishes.internal else "wheel": [row.shown(row.wheel) for row in self.drawing],
        }

    def lost_motion_columns(self) -> dict[str, Any]:
        """What the lost motion of ``nearest`` is made of: name, lower and upper change at the output [deg]."""
        pair = self.nearest
        shares = pair.backlash.shares if pair is not None else ()
        turn = pair.lost_motion(1.0) if pair is not None else math.nan
        return {
            "cause": [name for name, _, _ in shares],
            "lower [deg]": [math.degrees(turn * low) for _, low, _ in shares],
            "upper [deg]": [math.degrees(turn * high) for _, _, high in shares],
        }


def kind_of_reason(reason: str) -> str:
    """A reason without its numbers, for counting."""
    words = []
    for word in reason.split(":")[0].split():
        if any(c.isdigit() for c in word):
            break
        words.append(word)
    return " ".join(words)
