"""A verdict is a row: requirement, value found, operator, limit, unit, margin, verdict, governing case, method."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from valvectl.design.design_file import DefaultUsed
from valvectl.design.schema import LegName
from valvectl.review.by_hand import HandLine
from valvectl.review.hold_points import HoldPoint
from valvectl.review.inputs import InputLine
from valvectl.review.sources import Source
from valvectl.studies.result import Result

REVIEW_SCHEMA = "valvectl-review-1"
EXCLUSIONS = (
    "The chug row is nominal and takes the manifolds as the design states them: gas or vapour that it does not state makes "
    "chug far more likely (the soft limit beside the row). Tolerances of the delays, waves in the lines and every acoustic "
    "combustion instability are left out.",
    "No row holds the design to water hammer, filling, start-up, shut-down or a hard start: in every row lines are rigid "
    "columns. valvectl surge studies surge and start, and no verdict here rests on it.",
    "The simulated rows (transient, settling, steps, strokes, hunting, bus, heating) are of one nominal engine; declared "
    "tolerances enter the steady O/F, torque, choking and injector rows alone.",
    "The torque margin is static unless a dynamic one is stated; no wear, no ice, no galling. Rules are from memory where it "
    "says so: read the clause before a margin is claimed against it.",
    "Strength, pressure containment, oxygen compatibility, cleanliness, leakage and fire are outside this program.",
)
"""What no review of this program covers; printed in every report."""
Verdict = Literal["met", "missed", "not assessed"]
Operator = Literal["<=", ">="]


@dataclass(frozen=True)
class Row:
    """One requirement held against one finding."""

    id: str
    """Requirement, e.g. ``torque_margin``."""
    leg: LegName | None
    """Leg it is about; None for the whole engine."""
    title: str
    """The requirement in words."""
    value: float | None
    """Value found, in ``unit``; None when it could not be assessed."""
    operator: Operator
    """How value and limit compare when the requirement is met."""
    limit: float
    """Limit, in ``unit``."""
    unit: str
    """Unit of value and limit, as shown; empty for pure numbers."""
    margin: float | None
    """Distance to the limit over the limit [-], positive when met; None when not assessed."""
    verdict: Verdict
    case: str
    """Governing case: where the value was found; or why it could not be assessed."""
    method: str
    """How it was found, in a few words."""
    limit_is_default: bool
    """True when the limit is the program's default and not the design's."""


def row(
    id_: str,
    leg: LegName | None,
    title: str,
    value: float | None,
    operator: Operator,
    limit: float,
    unit: str,
    case: str,
    method: str,
    limit_is_default: bool,
) -> Row:
    """Row with its margin and verdict worked out. A value that is None or NaN is never a pass."""
    if value is None or math.isnan(value):
        reason = case or "no value could be found"
        return Row(id_, leg, title, None, operator, limit, unit, None, "not assessed", reason, method, limit_is_default)
    met = value <= limit if operator == "<=" else value >= limit
    distance = limit - value if operator == "<=" else value - limit
    margin = distance / abs(limit) if limit != 0.0 else math.copysign(math.inf, distance) if distance else 0.0
    return Row(
        id_,
        leg,
        title,
        value,
        operator,
        limit,
        unit,
        margin,
        "met" if met else "missed",
        case,
        method,
        limit_is_default,
    )


@dataclass(frozen=True)
class Remedy:
    """What would mend a missed row: the smallest change of one input that meets the limit, or that none alone does."""

    row_id: str
    leg: LegName | None
    key: str
    """Dotted key of the input; empty when no single input was found."""
    before: str
    """Value now, with unit."""
    after: str
    """Smallest changed value that meets the limit, with unit."""
    relative_change: float | None
    """Size of the change [-]; None when there is none."""
    text: str
    """The sentence for the reader."""
    tried: tuple[str, ...]
    """Keys that were tried, with how far each goes when it does not suffice."""
    together: tuple[tuple[str, str, str], ...] = ()
    """Key, value now and changed value of inputs that meet the limit only together, where no single input was found."""


@dataclass(frozen=True)
class Review(Result):
    """Everything that ``check`` found out."""

    design: str
    """Name of the design."""
    note: str
    """Its note."""
    file: str
    """File it came from."""
    rows: tuple[Row, ...]
    remedies: tuple[Remedy, ...]
    studies: Mapping[str, Any]
    """Study name -> result, or leg name -> result where there is one a leg: ratio, loop, resolution, throttle, torque,
    spread, ladder, stability."""
    defaults_used: tuple[DefaultUsed, ...]
    assumed: tuple[str, ...]
    """Keys whose origin the file states as assumed."""
    warnings: tuple[str, ...]
    """Limits of validity that this design touches."""
    input_hash: str
    """SHA-256 of all resolved values."""
    versions: Mapping[str, str]
    """Program, Python and library versions."""
    date: str
    """UTC, ISO 8601."""
    by_hand: tuple[HandLine, ...] = ()
    """Intermediate numbers with their formulas."""
    hold_points: tuple[HoldPoint, ...] = ()
    """Commissioning, with limits from this design."""
    sources: tuple[Source, ...] = ()
    """Where the models of this run come from."""
    exclusions: tuple[str, ...] = EXCLUSIONS
    """What this analysis does not cover, whatever the design."""
    inputs: tuple[InputLine, ...] = ()
    """Every input with origin and tolerance, then the defaults in force."""

    @property
    def missed(self) -> tuple[Row, ...]:
        """Rows that miss their limit."""
        return tuple(r for r in self.rows if r.verdict == "missed")

    @property
    def not_assessed(self) -> tuple[Row, ...]:
        """Rows that could not be assessed."""
        return tuple(r for r in self.rows if r.verdict == "not assessed")

    @property
    def all_met(self) -> bool:
        """True when every row is met; a row not assessed counts as not met."""
        return all(r.verdict == "met" for r in self.rows)

    def columns(self) -> dict[str, Any]:
        return {
            "requirement": [r.id for r in self.rows],
            "leg": [r.leg or "" for r in self.rows],
            "found": [r.value for r in self.rows],
            "operator": [r.operator for r in self.rows],
            "limit": [r.limit for r in self.rows],
            "unit": [r.unit for r in self.rows],
            "margin [%]": [None if r.margin is None else 100.0 * r.margin for r in self.rows],
            "verdict": [r.verdict for r in self.rows],
            "case": [r.case for r in self.rows],
        }
