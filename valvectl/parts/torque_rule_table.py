"""The torque-margin rules by name, each with its source and how sure it is.

None of the standards' bodies was at hand but for one public summary of AIAA S-114; factors are from memory where so said, and
the text shown to the user says it. Read the clause before a margin is claimed against it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from types import MappingProxyType

from valvectl.parts.torque_rules import KINDS, Factors, Kind, MarginRule

MEMORY = "from memory; read the clause before claiming it"


def _all(value: float, measured: float | None = None, **other: Factors) -> Mapping[Kind, Factors]:
    """One factor for every kind, with exceptions by keyword (blanks as underscores)."""
    pair = Factors(value, value if measured is None else measured)
    named = {key.replace("_", " "): factors for key, factors in other.items()}
    return MappingProxyType({kind: named.get(kind, pair) for kind in KINDS})


ECSS = MarginRule(
    name="ECSS-E-ST-33-01C",
    title="ECSS functional dimensioning: twice the sum of factored contributions",
    clause="ECSS-E-ST-33-01C Rev. 2 (1 March 2019), functional dimensioning (motorization)",
    certainty=MEMORY,
    note=(
        "T_min = 2 (1.1 I + 1.2 S + 1.5 H_M + 3 F_R + 3 H_Y + 3 H_A + 3 H_D) + 1.25 T_D + T_L. Measured: friction, hysteresis "
        "and others 1.5, motor magnetic 1.2; adhesion stays 3. Weight and the stream are not in its list: taken here with "
        "the spring's factor and as an other, which is our reading. The standard says it was not written for launchers."
    ),
    factors=_all(
        3.0,
        1.5,
        inertia=Factors(1.1, 1.1),
        spring=Factors(1.2, 1.2),
        motor_magnetic=Factors(1.5, 1.2),
        adhesion=Factors(3.0, 3.0),
        dead_weight=Factors(1.2, 1.2),
        specified_load=Factors(1.0, 1.0),
        specified_inertia=Factors(1.25, 1.25),
    ),
    overall=2.0,
    outside=("specified load", "specified inertia"),
    counts_inertia=True,
)


def _static_rule(name: str, title: str, clause: str, certainty: str, overall: float, note: str) -> MarginRule:
    return MarginRule(
        name=name,
        title=title,
        clause=clause,
        certainty=certainty,
        note=note,
        factors=_all(1.0),
        overall=overall,
        dynamic_margin=0.25,
        both_places=True,
    )


_S114_NOTE = (
    "At any position, worst case, before and after the gears. Static: available over resisting, less one. Dynamic: torque "
    "left over resistance against the torque of acceleration, less one (definition from memory)."
)
S114 = _static_rule(
    "AIAA S-114",
    "100 % static and 25 % dynamic margin at any position, worst case",
    "AIAA S-114-2005 (and MIL-A-83577B before it), torque margins",
    "percentages published in a public mission-assurance guide that cites AIAA S-114-2005; definitions from memory",
    2.0,
    _S114_NOTE,
)
S114_CONCEPT = _static_rule(
    "AIAA S-114, concept",
    "175 % static margin in the concept phase",
    "AIAA S-114-2005, margins by phase",
    MEMORY + " (less sure)",
    2.75,
    _S114_NOTE,
)
S114_PRELIMINARY = _static_rule(
    "AIAA S-114, preliminary design",
    "150 % static margin at the preliminary design review",
    "AIAA S-114-2005, margins by phase",
    MEMORY + " (less sure)",
    2.5,
    _S114_NOTE,
)
S114_CRITICAL = _static_rule(
    "AIAA S-114, critical design",
    "125 % static margin at the critical design review",
    "AIAA S-114-2005, margins by phase",
    MEMORY + " (less sure)",
    2.25,
    _S114_NOTE,
)
NASA_5017 = MarginRule(
    name="NASA-STD-5017",
    title="operating margin of 100 % in the worst case, shown by test",
    clause="NASA-STD-5017B (6 December 2022), torque and force margins",
    certainty=MEMORY + " (less sure); that valves are mechanisms in its sense was read in its public scope",
    note="Static only here; what it asks of moving parts was not at hand.",
    factors=_all(1.0),
    overall=2.0,
)


def _gsfc(name: str, title: str, known: float, variable: float) -> MarginRule:
    pair, soft = Factors(known, known), Factors(variable, variable)
    return MarginRule(
        name=name,
        title=title,
        clause="GSFC-STD-7000 (GEVS), torque margin table by phase",
        certainty=MEMORY,
        note=(
            f"T_available/({known:g} T_known + {variable:g} T_variable) - 1 above zero. Known: inertia, springs, weight, "
            "specified loads. Variable: friction, hysteresis, adhesion, harness, motor magnetic; the stream counts as "
            "variable, which is our reading. The phase, not a mark on each value, says what was measured."
        ),
        factors=_all(
            variable,
            inertia=pair,
            spring=pair,
            dead_weight=pair,
            specified_load=pair,
            specified_inertia=pair,
            motor_magnetic=soft,
        ),
        overall=1.0,
        counts_inertia=True,
    )


GSFC_PRELIMINARY = _gsfc("GSFC-STD-7000, PDR", "known 2.0, variable 4.0 at the preliminary design review", 2.0, 4.0)
GSFC_CRITICAL = _gsfc("GSFC-STD-7000, CDR", "known 1.5, variable 3.0 at the critical design review", 1.5, 3.0)
GSFC_TESTED = _gsfc("GSFC-STD-7000, tested", "known 1.25, variable 2.0 after test", 1.25, 2.0)


def _industrial(factor: float) -> MarginRule:
    return MarginRule(
        name=f"industrial {factor:g}",
        title=f"{factor:g} times the valve maker's greatest torque",
        clause="valve automation, no standard",
        certainty="common practice, no source",
        note="Ask whether the maker's torque holds a factor already; give it as included.",
        factors=_all(1.0),
        overall=factor,
    )


INDUSTRIAL_LOW, INDUSTRIAL_HIGH = _industrial(1.25), _industrial(1.5)


def team_rule(
    estimated: float = 3.0, measured: float = 2.0, dynamic_margin: float | None = 0.25, name: str = "team"
) -> MarginRule:
    """A team's own rule: one factor on estimated, a lower one on measured torques [-], and a dynamic margin [-]."""
    return MarginRule(
        name=name,
        title=f"{estimated:g} times estimated, {measured:g} times measured torque",
        clause="the team's own",
        certainty="common practice, no source",
        note="Worst corner: lowest bus, hot motor, breakaway efficiency, cold valve after a long rest.",
        factors=_all(estimated, measured),
        overall=1.0,
        dynamic_margin=dynamic_margin,
    )


RULES: Mapping[str, MarginRule] = MappingProxyType(
    {
        rule.name: rule
        for rule in (
            ECSS,
            S114,
            S114_CONCEPT,
            S114_PRELIMINARY,
            S114_CRITICAL,
            NASA_5017,
            GSFC_PRELIMINARY,
            GSFC_CRITICAL,
            GSFC_TESTED,
            INDUSTRIAL_LOW,
            INDUSTRIAL_HIGH,
            team_rule(),
        )
    }
)
"""Every rule by its name."""

PHASES: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "AIAA S-114": MappingProxyType(
            {
                "concept": S114_CONCEPT.name,
                "preliminary design": S114_PRELIMINARY.name,
                "critical design": S114_CRITICAL.name,
                "tested": S114.name,
            }
        ),
        "GSFC-STD-7000": MappingProxyType(
            {
                "preliminary design": GSFC_PRELIMINARY.name,
                "critical design": GSFC_CRITICAL.name,
                "tested": GSFC_TESTED.name,
            }
        ),
    }
)
"""Rules whose numbers fall from phase to phase of a project: phase -> name in ``RULES``."""


def chosen_rule(name: str, phase: str | None = None, estimated: float = 3.0, measured: float = 2.0) -> MarginRule:
    """The rule of a name, in a phase of the project where it has phases; of the team's own with its two factors [-].

    ``name`` one of ``RULES`` or of ``PHASES``; ``phase`` one of the rule's, without which AIAA S-114 stands at its final
    100 %. KeyError for anything else; a design file is checked before.
    """
    if name == "team":
        return team_rule(estimated, measured)
    if name in PHASES and (phase is not None or name not in RULES):
        return RULES[PHASES[name][phase or ""]]
    return RULES[name]


def stated_margin(margin: float) -> MarginRule:
    """The rule in force when a design names none: a static margin [-] at the stem alone; 100 % unless it states another."""
    if margin == 1.0:
        return dataclasses.replace(
            S114,
            name="static margin 100 %",
            title="100 % static margin at the stem, worst case",
            clause="after MIL-A-83577B and AIAA S-114-2005, torque margins",
            both_places=False,
            dynamic_margin=None,
            note="The program's default, at the stem alone. Name a rule to be held to all of it.",
        )
    return MarginRule(
        name=f"static margin {100.0 * margin:.4g} %",
        title=f"{100.0 * margin:.4g} % static margin at the stem",
        clause="requirements.torque_margin of the design",
        certainty="the design's own limit",
        note="One factor on the sum, whatever was measured.",
        factors=_all(1.0),
        overall=1.0 + margin,
    )
