"""What the requirements on torque find: the plain static margin, the margin by a named rule, the dynamic margin."""

from __future__ import annotations

import math

from valvectl.design.schema import LegName
from valvectl.parts.torque_rule_table import RULES
from valvectl.review.find_feed import Found, bounds
from valvectl.studies.analysis import Analysis


def has_rule(analysis: Analysis, leg: LegName | None) -> bool:
    """True when the design names a torque rule."""
    return analysis.design.requirements.torque_rule is not None


def has_dynamic_rule(analysis: Analysis, leg: LegName | None) -> bool:
    """True when the rule that the design names asks for a dynamic margin."""
    name = analysis.design.requirements.torque_rule
    return name is not None and RULES[name].dynamic_margin is not None


def static_margin(analysis: Analysis, leg: LegName | None) -> Found:
    """Available over needed less one [%], plain."""
    assert leg is not None
    found = analysis.torque[leg]
    return (
        100.0 * found.margin,
        f"{math.degrees(found.worst_angle):.0f} deg open, {found.pressure_drop / 1e5:.1f} bar, cold, after a rest; "
        f"{found.current:.1f} A at {found.bus_voltage:.1f} V gives {found.available:.2f} N m; "
        f"{bounds(leg, found.moved, f'{100 * found.nominal_margin:.0f} %')}",
    )


def rule_margin(analysis: Analysis, leg: LegName | None) -> Found:
    """Available over required by the named rule less one [%], the smaller of before and after the gears."""
    assert leg is not None
    found = analysis.torque_demand[leg]
    by = found.rules[found.chosen]
    before = by.shaft.margin < by.stem.margin
    at = by.shaft if before else by.stem
    return (
        100.0 * by.smaller,
        f"{found.chosen}: {at.required:.3g} N m required {'at the motor shaft, before' if before else 'at the stem, after'} "
        f"the gears, {at.available:.3g} available; friction {'measured' if found.measured else 'not measured'} "
        f"({found.measured_why}); rule {at.rule.certainty}",
    )


def dynamic_margin(analysis: Analysis, leg: LegName | None) -> Found:
    """Torque left at speed over that of acceleration less one [%], the smaller of before and after the gears."""
    assert leg is not None
    found = analysis.torque_demand[leg]
    by = found.rules[found.chosen]
    value = min(by.stem.dynamic_margin, by.shaft.dynamic_margin)
    if math.isnan(value):
        return None, "the commanded speed limit is too low for the stroke time wanted, whatever the torque"
    at = by.stem
    return (
        100.0 * value,
        f"{at.available_moving:.3g} N m at the commanded speed, {at.resisting:.3g} N m of resistance, {at.accelerating:.3g} N m "
        f"to accelerate at {found.acceleration:.3g} rad/s2",
    )


def has_torque_limit(analysis: Analysis, leg: LegName | None) -> bool:
    """True when a gear stage of the leg states a torque limit."""
    return leg is None or any(stage.torque_limit is not None for stage in analysis.design.leg(leg).actuator.gears)


def gear_torque(analysis: Analysis, leg: LegName | None) -> Found:
    """Torque through the hardest pressed gear stage at the current limit over its limit [%]."""
    assert leg is not None
    actuator = analysis.design.leg(leg).actuator
    shaft = analysis.machine.legs[leg].servo.torque_constant * actuator.current_limit
    worst, case, through = -1.0, "", 1.0
    for stage in actuator.gears:
        through *= stage.ratio * stage.efficiency
        if stage.torque_limit is not None and shaft * through / stage.torque_limit > worst:
            worst = shaft * through / stage.torque_limit
            case = f"{stage.name}: {shaft * through:.2f} N m at the current limit if the valve jams or meets its stop"
    return 100.0 * worst, case
