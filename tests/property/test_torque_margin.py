"""What must hold of the torque study whatever the numbers: margins fall with every input that hurts."""

from __future__ import annotations

import itertools
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from torque_rig import design, judged, table

from valvectl.parts import stem_torque
from valvectl.parts.torque_rule_table import RULES
from valvectl.studies.torque_moves import Command

AT = "legs.oxidizer"
HURTS: tuple[tuple[str, int], ...] = (
    (f"{AT}.valve.torque.breakaway", +1),
    (f"{AT}.valve.torque.pressure_slope", +1),
    (f"{AT}.valve.torque.cold_factor", +1),
    (f"{AT}.valve.torque.dwell_factor", +1),
    (f"{AT}.valve.torque.hydrodynamic_coefficient", +1),
    (f"{AT}.valve.inertia", +1),
    (f"{AT}.tank.pressure", +1),
    (f"{AT}.actuator.return_spring.preload", +1),
    (f"{AT}.actuator.return_spring.rate", +1),
    (f"{AT}.actuator.motor.resistance", +1),
    (f"{AT}.actuator.motor.rotor_inertia", +1),
    (f"{AT}.actuator.motor.friction_torque", +1),
    (f"{AT}.actuator.motor.viscous_friction", +1),
    (f"{AT}.actuator.motor.cold_friction_factor", +1),
    (f"{AT}.actuator.gears[0].static_efficiency", -1),
    (f"{AT}.actuator.current_limit", -1),
    (f"{AT}.actuator.duty_limit", -1),
    (f"{AT}.actuator.harness_resistance", +1),
    (f"{AT}.actuator.idle_power", +1),
    ("battery.resistance", +1),
    ("battery.other_loads", +1),
)
RULE_NAMES = ("AIAA S-114", "ECSS-E-ST-33-01C", "NASA-STD-5017", "industrial 1.25", "team")
SPRING = (
    "[legs.oxidizer.actuator]\n",
    '[legs.oxidizer.actuator]\nreturn_spring = { preload = "0.3 N m", rate = "0.2 N m/rad" }\n',
)
ORDERS = (Command("fast", 4.5, 60.0),)
SLACK = 1e-9


@cache
def made(rule: str) -> Any:
    return design("", f'torque_rule = "{rule}"', SPRING)


def margins(found: Any) -> list[float]:
    return [found.stem.result.margin, found.shaft.result.margin, found.dynamic_margin]


@cache
def base(rule: str) -> Any:
    return judged(made(rule), ORDERS)


@settings(max_examples=120, deadline=None)
@given(st.sampled_from(HURTS), st.floats(1.0, 2.0), st.sampled_from(RULE_NAMES))
def test_margins_fall_with_every_input_that_hurts(input_, factor, rule):
    key, sign = input_
    value = made(rule).get(key)
    scale = min(factor, 1.6) if key == f"{AT}.tank.pressure" else factor
    scale = scale if sign > 0 else 1.0 / scale
    changes: dict[str, Any] = {key: [v * scale for v in value] if isinstance(value, tuple) else value * scale}
    if key.endswith("breakaway"):  # together, since running rises with pressure in proportion to the breakaway peak
        running = key.replace("breakaway", "running")
        changes[running] = [v * scale for v in made(rule).get(running)]
    after = judged(made(rule).with_values(changes), ORDERS)
    for before, now in zip(margins(base(rule)), margins(after), strict=True):
        assert now <= before + SLACK
    assert after.stem.result.required >= base(rule).stem.result.required - SLACK


@settings(max_examples=40, deadline=None)
@given(st.floats(0.0, 0.35), st.sampled_from(RULE_NAMES))
def test_a_weaker_magnet_or_lower_battery_never_helps_at_rest(loss, rule):
    for key in (f"{AT}.actuator.motor.torque_constant", "battery.minimum_voltage"):
        value = made(rule).get(key) * (1.0 - (0.6 * loss if key.startswith("battery") else loss))
        after = judged(made(rule).with_values({key: value}), ORDERS)
        assert after.stem.result.margin <= base(rule).stem.result.margin + SLACK
        assert after.shaft.result.margin <= base(rule).shaft.result.margin + SLACK


@settings(max_examples=40, deadline=None)
@given(st.floats(0.4, 1.0), st.floats(1.0, 6.0))
def test_the_shaft_is_never_the_milder_place_of_a_rule_with_one_factor(static, cold):
    """Motor and gear friction carry the rule's factor there, while at the stem they lower what is available."""
    changed = made("AIAA S-114").with_values(
        {f"{AT}.actuator.gears[0].static_efficiency": 0.85 * static, f"{AT}.actuator.motor.cold_friction_factor": cold}
    )
    found = judged(changed, ORDERS)
    if found.shaft.result.static_met:
        assert found.stem.result.static_met
    bare = judged(changed.with_values({f"{AT}.actuator.motor.friction_torque": 0.0}), ORDERS)
    assert bare.shaft.result.margin == pytest.approx(bare.stem.result.margin, rel=1e-9, abs=1e-12)


@settings(max_examples=30, deadline=None)
@given(st.floats(1.0, 4.0))
def test_a_factor_stated_as_included_changes_nothing(factor):
    """Torques and slope times a factor, with that factor stated: the same study."""
    text = made("NASA-STD-5017")
    at = f"{AT}.valve.torque"
    changes: dict[str, Any] = {f"{at}.includes_factor": factor}
    for key in ("running", "breakaway"):
        changes[f"{at}.{key}"] = [v * factor for v in text.get(f"{at}.{key}")]
    changes[f"{at}.pressure_slope"] = text.get(f"{at}.pressure_slope") * factor
    after = judged(text.with_values(changes), ORDERS)
    assert margins(after) == pytest.approx(margins(base("NASA-STD-5017")), rel=1e-9)
    assert after.stem.result.shares[0].divided_by == factor


@settings(max_examples=200, deadline=None)
@given(
    st.floats(0.1, 50.0), st.floats(0.1, 2.0), st.floats(0.1, 2.0), st.floats(0.1, 2.0), st.floats(0.1, 2.0),
    st.floats(0.1, 2.0), st.floats(1.0, 3.0), st.floats(0.01, 0.6),
)  # fmt: skip
def test_a_makers_numbers_never_break_away_below_running(bto, run, end, close, back, reseat, rest, zone):
    at, *found = stem_torque.columns(bto, run, end, close, back, reseat, rest, 0.0, 1.5, zone)
    assert all(b > a for a, b in itertools.pairwise(at))
    for running, breakaway in ((found[0], found[1]), (found[2], found[3])):
        assert np.all(np.array(breakaway) >= np.array(running) * (1.0 - 1e-12))
        assert np.all(np.array(running) > 0.0)


def test_every_rule_orders_by_its_factor():
    """Of one friction alone, nothing measured and nothing accelerated, a rule with more factor asks for more."""
    found = judged(design(table(5.0, False)))
    for rule in found.rules:
        if rule.in_force:
            continue
        factor = RULES[rule.name].overall * RULES[rule.name].factors["friction"].estimated
        assert rule.required == pytest.approx(7.5 * factor)
