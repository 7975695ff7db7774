"""Torque-margin rules: what a demand made of several contributions requires of an actuator, by a named rule.

Every contribution is a worst-case torque against the motion at the stem [N m], of one kind, bare or with a factor already
in it. A rule gives each kind a factor, lower when the value was measured, one factor on the sum, and the limits of the static
and dynamic margin. No factor is taken twice: one that a maker has already put in is divided out first, and a number said to
hold a factor of unknown size is refused.

    required = overall * sum(factor_i T_i)  +  sum(factor_j T_j of the kinds outside the sum)
    static margin  = available / required - 1                 must not be below zero
    plain margin   = available / sum of bare resisting torques - 1
    dynamic margin = (available at speed - resisting torques) / torque of acceleration - 1

Rules and their texts are in ``torque_rule_table``; a team's own is ``team_rule``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from valvectl.errors import DesignError, Fault

Kind = Literal[
    "inertia",
    "spring",
    "motor magnetic",
    "friction",
    "hysteresis",
    "adhesion",
    "other",
    "dead weight",
    "stream",
    "specified load",
    "specified inertia",
]
KINDS: tuple[Kind, ...] = (
    "inertia",
    "spring",
    "motor magnetic",
    "friction",
    "hysteresis",
    "adhesion",
    "other",
    "dead weight",
    "stream",
    "specified load",
    "specified inertia",
)
"""What a torque comes from: acceleration of the mechanism; springs; detent and magnetic loss of the motor; dry friction of
seats, packing and bearings; hysteresis of seats and cables; adhesion (ice, cold welding); harness and others; weight; the
stream's torque; output torque that a specification asks for; inertia torque that a specification asks for."""
ACCELERATING: tuple[Kind, ...] = ("inertia", "specified inertia")
"""Kinds that count as torque of acceleration, not of resistance."""


@dataclass(frozen=True)
class Factors:
    """Factor on one kind of torque."""

    estimated: float
    """By analysis or from a catalogue [-]."""
    measured: float
    """When the worst case was measured on this hardware [-]; not above ``estimated``."""


@dataclass(frozen=True)
class MarginRule:
    """A named margin rule."""

    name: str
    """Short name, as it is chosen in a design."""
    title: str
    """What it is, for the report."""
    clause: str
    """Document, revision and clause as far as known."""
    certainty: str
    """How sure text and factors are, shown to the user."""
    note: str
    """What is our own reading, and where the rule does not apply."""
    factors: Mapping[Kind, Factors]
    """For every kind of ``KINDS``."""
    overall: float
    """Factor on the sum [-]."""
    outside: tuple[Kind, ...] = ()
    """Kinds added after ``overall``, with their own factor."""
    counts_inertia: bool = False
    """True when torque of acceleration is part of the static sum."""
    dynamic_margin: float | None = None
    """Least dynamic margin [-]; None when the rule states none."""
    both_places: bool = False
    """True when the rule wants the margin kept before the gears, at the motor's shaft, too."""


@dataclass(frozen=True)
class Contribution:
    """One part of the torque demand."""

    name: str
    """Where it comes from, for the table."""
    kind: Kind
    """See ``KINDS``."""
    torque: float
    """Worst-case torque against the motion at the stem [N m], not negative."""
    measured: bool = False
    """True: worst case measured on this hardware by a procedure that the review accepted."""
    includes_factor: float | None = 1.0
    """Factor already in ``torque`` [-]; 1: bare; None: said to hold one, size not known."""


@dataclass(frozen=True)
class Share:
    """What a rule makes of one contribution."""

    name: str
    kind: Kind
    measured: bool
    bare: float
    """Torque without any factor [N m]."""
    divided_by: float
    """Factor that was already in the number and was taken out [-]."""
    factor: float
    """All factors of the rule on it, the overall one included [-]; zero when it is no part of the static sum."""
    required: float
    """``factor`` times ``bare`` [N m]."""


@dataclass(frozen=True)
class MarginResult:
    """Demand, requirement and margins by one rule."""

    rule: MarginRule
    shares: tuple[Share, ...]
    resisting: float
    """Sum of the bare resisting torques [N m]."""
    accelerating: float
    """Sum of the bare torques of acceleration [N m]."""
    required: float
    """Torque that the rule requires at rest or low speed [N m]."""
    required_moving: float
    """Torque that the rule requires at the move's speed [N m]; NaN when the rule states no dynamic margin."""
    available: float
    """Torque available at rest, worst case [N m]."""
    available_moving: float
    """Torque available at the move's speed [N m]; NaN when not given."""
    margin: float
    """Available over required, less one [-]; infinite when nothing is required."""
    plain_margin: float
    """Available over the bare resisting torques, less one [-]."""
    dynamic_margin: float
    """Torque left for acceleration over that needed, less one [-]; NaN when no available torque at speed was given."""

    @property
    def static_met(self) -> bool:
        """True when the available torque is not below the required one."""
        return self.margin >= 0.0

    @property
    def dynamic_met(self) -> bool | None:
        """True or False by the rule's dynamic margin; None when the rule states none or nothing was given to assess it."""
        if self.rule.dynamic_margin is None or math.isnan(self.dynamic_margin):
            return None
        return self.dynamic_margin >= self.rule.dynamic_margin


def checked_contributions(contributions: Sequence[Contribution], key: str = "") -> None:
    """Refuse contributions that can not be used: DesignError with one fault each, ``key`` the table they come from."""
    faults = []
    for j, part in enumerate(contributions):
        place = f"{key}[{j}]" if key else part.name
        if part.kind not in KINDS:
            faults.append(Fault(f"kind must be one of {', '.join(KINDS)}", key=place, got=str(part.kind)))
        if not (math.isfinite(part.torque) and part.torque >= 0.0):
            faults.append(
                Fault(
                    "a contribution is the torque against the motion, not below zero; leave out what helps",
                    key=place,
                    got=f"{part.torque:g} N m",
                )
            )
        if part.includes_factor is None:
            faults.append(
                Fault(
                    "this torque is said to hold a safety factor of unknown size; ask its maker and give the factor, so that "
                    "none is taken twice",
                    key=place,
                )
            )
        elif not (math.isfinite(part.includes_factor) and part.includes_factor >= 1.0):
            faults.append(
                Fault("a factor already included must be 1 or more", key=place, got=f"{part.includes_factor:g}")
            )
    if faults:
        raise DesignError(faults)


def assess(
    rule: MarginRule, contributions: Sequence[Contribution], available: float, available_moving: float = math.nan
) -> MarginResult:
    """Margins of a demand by a rule.

    ``available``: torque at rest at the worst corner [N m]; ``available_moving``: torque at the speed of the fastest move
    [N m], for the dynamic margin. DesignError as in ``checked_contributions``.
    """
    checked_contributions(contributions)
    shares = []
    resisting = accelerating = required = 0.0
    for part in contributions:
        divided = 1.0 if part.includes_factor is None else part.includes_factor
        bare = part.torque / divided
        pair = rule.factors[part.kind]
        factor = pair.measured if part.measured else pair.estimated
        if part.kind not in rule.outside:
            factor *= rule.overall
        if part.kind in ACCELERATING:
            accelerating += bare
            if not rule.counts_inertia:
                factor = 0.0
        else:
            resisting += bare
        required += factor * bare
        shares.append(Share(part.name, part.kind, part.measured, bare, divided, factor, factor * bare))
    moving = math.nan
    if rule.dynamic_margin is not None:
        moving = resisting + (1.0 + rule.dynamic_margin) * accelerating
    return MarginResult(
        rule=rule,
        shares=tuple(shares),
        resisting=resisting,
        accelerating=accelerating,
        required=required,
        required_moving=moving,
        available=available,
        available_moving=available_moving,
        margin=_margin(available, required),
        plain_margin=_margin(available, resisting),
        dynamic_margin=_dynamic(available_moving, resisting, accelerating),
    )


def _margin(available: float, required: float) -> float:
    return available / required - 1.0 if required > 0.0 else math.inf


def _dynamic(available: float, resisting: float, accelerating: float) -> float:
    if math.isnan(available):
        return math.nan
    left = available - resisting
    if accelerating > 0.0:
        return left / accelerating - 1.0
    return math.inf if left >= 0.0 else -math.inf


def at_motor_shaft(torque: float, ratio: float, efficiency: float) -> float:
    """A torque required at the stem [N m] seen at the motor's shaft [N m]: T/(N eta), the motor driving.

    Some rules want the margin shown before and after the gears. Friction inside the gears is in ``efficiency``, and so
    must not be a contribution as well.
    """
    return torque / (ratio * efficiency)


def required_for(rule: MarginRule, contributions: Sequence[Contribution]) -> float:
    """Torque [N m] that a rule requires of an actuator at rest."""
    return assess(rule, contributions, 0.0).required
