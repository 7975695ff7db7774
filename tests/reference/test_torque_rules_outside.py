"""Margin rules against the factors that the standards are known for: one row a factor, with how sure it is."""

from __future__ import annotations

import pytest
from outside import OutsideCheck, verify

from valvectl.parts.torque_rule_table import RULES
from valvectl.parts.torque_rules import KINDS, Contribution, assess, required_for

ECSS = (
    "ECSS-E-ST-33-01C, functional dimensioning: 2 (1.1 I + 1.2 S + 1.5 HM + 3 FR + 3 HY + 3 HA + 3 HD) + 1.25 TD + TL"
)
GUIDE = "public mission-assurance guide citing AIAA S-114-2005: 100 % static, 25 % dynamic margin at any position"
GSFC = "GSFC-STD-7000 (GEVS), torque margin: FSk and FSv by phase"
NASA = "NASA-STD-5017B, operating margin of 100 %"
TRADE = "valve automation: 1.25 to 1.5 on the maker's torque"

ECSS_FACTORS = [
    ("inertia", False, 2.2),
    ("spring", False, 2.4),
    ("motor magnetic", False, 3.0),
    ("motor magnetic", True, 2.4),
    ("friction", False, 6.0),
    ("friction", True, 3.0),
    ("hysteresis", False, 6.0),
    ("hysteresis", True, 3.0),
    ("other", False, 6.0),
    ("other", True, 3.0),
    ("adhesion", False, 6.0),
    ("specified inertia", False, 1.25),
    ("specified load", False, 1.0),
]


@pytest.mark.parametrize(("kind", "measured", "factor"), ECSS_FACTORS)
def test_ecss_factors(kind, measured, factor):
    mark = "measured" if measured else "estimated"
    check = OutsideCheck(
        f"TM-ecss-{kind}-{mark}", f"1 N m of {kind}, {mark}", factor, "N m", 1e-12, ECSS, "from memory"
    )
    verify(check, required_for(RULES["ECSS-E-ST-33-01C"], [Contribution(kind, kind, 1.0, measured)]))


def test_ecss_sum():
    """1 N m of each kind in its list: 2 x 15.8 + 2.25."""
    listed = [kind for kind in KINDS if kind not in ("dead weight", "stream")]
    check = OutsideCheck("TM-ecss-sum", "1 N m of each", 33.85, "N m", 1e-12, ECSS, "from memory")
    verify(check, required_for(RULES["ECSS-E-ST-33-01C"], [Contribution(kind, kind, 1.0) for kind in listed]))


GSFC_FACTORS = [("PDR", 2.0, 4.0), ("CDR", 1.5, 3.0), ("tested", 1.25, 2.0)]


@pytest.mark.parametrize(("phase", "known", "variable"), GSFC_FACTORS)
def test_gsfc_factors(phase, known, variable):
    rule = RULES[f"GSFC-STD-7000, {phase}"]
    for kind, factor in (("spring", known), ("friction", variable)):
        check = OutsideCheck(f"TM-gsfc-{phase}-{kind}", f"1 N m of {kind}", factor, "N m", 1e-12, GSFC, "from memory")
        verify(check, required_for(rule, [Contribution(kind, kind, 1.0)]))


def test_s114():
    """7.5 N m of cold friction: 15 N m at rest; 0.8 N m to accelerate: a fourth more of that, above resistance."""
    parts = [Contribution("seat", "friction", 7.5), Contribution("ball", "inertia", 0.8)]
    result = assess(RULES["AIAA S-114"], parts, 15.0, 8.5)
    verify(OutsideCheck("TM-s114-static", "required at rest", 15.0, "N m", 1e-12, GUIDE, "recomputed"), result.required)
    verify(OutsideCheck("TM-s114-margin", "plain margin", 1.0, "", 1e-12, GUIDE, "published"), result.plain_margin)
    verify(
        OutsideCheck("TM-s114-moving", "required moving", 8.5, "N m", 1e-12, GUIDE, "from memory"),
        result.required_moving,
    )
    verify(
        OutsideCheck("TM-s114-dynamic", "dynamic margin", 0.25, "", 1e-12, GUIDE, "from memory"), result.dynamic_margin
    )
    assert result.static_met
    assert result.dynamic_met


@pytest.mark.parametrize(
    ("rule", "required", "source", "certainty"),
    [
        ("industrial 1.25", 9.375, TRADE, "common practice, no source"),
        ("industrial 1.5", 11.25, TRADE, "common practice, no source"),
        ("NASA-STD-5017", 15.0, NASA, "from memory"),
        ("AIAA S-114, concept", 20.625, "AIAA S-114-2005, 175 % in concept", "from memory"),
        ("AIAA S-114, preliminary design", 18.75, "AIAA S-114-2005, 150 % at PDR", "from memory"),
        ("AIAA S-114, critical design", 16.875, "AIAA S-114-2005, 125 % at CDR", "from memory"),
        ("GSFC-STD-7000, CDR", 22.5, GSFC, "from memory"),
        ("ECSS-E-ST-33-01C", 45.0, ECSS, "from memory"),
        ("team", 22.5, "the team's own rule: 3 on what is estimated", "common practice, no source"),
    ],
)
def test_one_valve_by_every_rule(rule, required, source, certainty):
    """7.5 N m of estimated cold friction."""
    check = OutsideCheck(f"TM-valve-{rule}", "7.5 N m of friction", required, "N m", 1e-12, source, certainty)
    verify(check, required_for(RULES[rule], [Contribution("seat", "friction", 7.5)]))
