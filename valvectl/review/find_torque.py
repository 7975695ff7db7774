"""What the requirements on torque find: the static margin by the rule in force, the dynamic margin of commanded moves.

The row of the static margin is always the plain margin, available over bare needed torque less one, at the rule's governing
point; a named rule sets the limit: what it requires there over the same bare torque, less one. So rows of different rules
compare, and no factor stands in both value and limit.
"""

from __future__ import annotations

import math

from valvectl.design.schema import LegName
from valvectl.review.find_feed import Found, bounds
from valvectl.studies.analysis import Analysis
from valvectl.studies.torque import rule_in_force
from valvectl.studies.torque_result import Judged


def _governing(analysis: Analysis, leg: LegName | None) -> Judged | None:
    """The governing point of the rule that the design names; None without a name or when it can not be applied."""
    assert leg is not None
    named = analysis.design.requirements.torque_rule is not None
    return analysis.torque[leg].governing if named else None


def static(analysis: Analysis, leg: LegName | None) -> Found:
    """Plain static margin [%] at the governing point."""
    assert leg is not None
    found = analysis.torque_static[leg]
    if analysis.design.leg(leg).valve.torque.includes_unknown_factor:
        return None, analysis.torque[leg].refused
    judged = _governing(analysis, leg)
    corner = (
        f"{found.pressure_drop / 1e5:.1f} bar, cold, after a rest; "
        f"{found.current:.1f} A at {found.bus_voltage:.1f} V gives"
    )
    tail = bounds(leg, found.moved, f"{100 * found.nominal_margin:.0f} %")
    way = ", closing" if (judged.direction if judged else found.worst_direction) == "closing" else ""
    if judged is None:
        at = f"{math.degrees(found.worst_angle):.0f} deg open{way}"
        return 100.0 * found.margin, f"{at}, {corner} {found.available:.2f} N m; {tail}"
    rule = judged.result.rule
    scale, unit = (1.0, "N m") if judged.place == "stem" else (1e3, "mN m")
    return (
        100.0 * judged.result.plain_margin,
        f"{rule.name} at the {judged.place}, {math.degrees(judged.angle):.0f} deg open{way}, {corner} "
        f"{scale * judged.result.available:.4g} {unit}, the rule requires {scale * judged.result.required:.4g} {unit}; {tail}",
    )


def static_limit(analysis: Analysis, leg: LegName | None) -> float | None:
    """What a named rule asks for as a plain margin [-] at its governing point."""
    if analysis.design.requirements.torque_rule is None:
        return None
    judged = _governing(analysis, leg)
    return max(rule_in_force(analysis.design.requirements).overall - 1.0, 0.0) if judged is None else judged.asked


def static_method(analysis: Analysis) -> str:
    """The named rule with its clause and how sure it is; empty without a name."""
    if analysis.design.requirements.torque_rule is None:
        return ""
    rule = rule_in_force(analysis.design.requirements)
    return (
        f"available over needed less one, worst corner; limit by rule: {rule.title} ({rule.clause}; {rule.certainty})"
    )


def dynamic_wanted(analysis: Analysis, leg: LegName | None) -> bool:
    """True when the design, or the rule that it names, states a dynamic margin."""
    return dynamic_limit(analysis, leg) is not None


def dynamic_limit(analysis: Analysis, leg: LegName | None) -> float | None:
    """Least dynamic margin [-] that the design, or the rule that it names, states; None: not declared."""
    limits = analysis.design.requirements
    if limits.dynamic_torque_margin is not None:
        return float(limits.dynamic_torque_margin)
    return rule_in_force(limits).dynamic_margin if limits.torque_rule is not None else None


def dynamic(analysis: Analysis, leg: LegName | None) -> Found:
    """Least dynamic margin [%] of the commanded moves."""
    assert leg is not None
    found = analysis.torque[leg]
    if found.refused:
        return None, found.refused
    if not found.moves:
        return None, "the throttle does not move in the profile and no full stroke fits into stroke_time"
    move = found.moves[0]
    return (
        100.0 * move.margin,
        f"{move.what}: {math.degrees(move.speed):.0f} deg/s, {math.degrees(move.acceleration):.0f} deg/s2; "
        f"{move.current:.1f} A at {move.bus_voltage:.1f} V gives {move.available:.2f} N m there, {move.resisting:.2f} N m "
        f"resist, {move.accelerating:.2f} N m accelerate",
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
