"""Every requirement as one small function: what was found, where, against which limit. One line in ``REQUIREMENTS`` each."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from valvectl.design.schema import LEGS, LegName
from valvectl.errors import RangeError, SimulationError
from valvectl.review import find_torque
from valvectl.review.find_feed import Found, at_throttle, cavitation, chug, stiffness
from valvectl.review.find_jacket import HOT_METHOD, boiling, is_heated
from valvectl.review.find_jitter import loop_cases
from valvectl.review.find_outer import OUTER_ROWS
from valvectl.review.find_resolution import dead_band, resolution
from valvectl.review.find_tank import disturbed, is_disturbed
from valvectl.review.verdict import Operator, Row, row
from valvectl.studies.analysis import Analysis
from valvectl.studies.spread import COVERAGE


@dataclass(frozen=True)
class Requirement:
    """How one requirement is held against a design."""

    id: str
    title: str
    operator: Operator
    unit: str
    scale: float
    """Number in the row's unit per SI number of the limit."""
    per_leg: bool
    find: Callable[[Analysis, LegName | None], Found]
    method: str
    applies: Callable[[Analysis, LegName | None], bool] = lambda analysis, leg: True
    """False where the design gives nothing to hold it against; there is no row then."""
    limit_by: Callable[[Analysis, LegName | None], float | None] | None = None
    """Limit [SI] that does not stand in the design as a number, such as a rule's; None: as it stands there."""
    keys: tuple[str, ...] = ()
    """Other keys of the table requirements that state the limit."""
    method_by: Callable[[Analysis], str] = lambda analysis: ""
    """Method where it depends on the design; empty: ``method``."""

    def limit(self, analysis: Analysis, leg: LegName | None = None) -> float:
        """The limit in the row's unit; NaN where the requirement does not apply because nothing states one."""
        value = self.limit_by(analysis, leg) if self.limit_by is not None else None
        return float(getattr(analysis.design.requirements, self.id, math.nan) if value is None else value) * self.scale

    def rows(self, analysis: Analysis, only: LegName | None = None) -> list[Row]:
        """The requirement's rows: one, or one a leg, or that of one leg alone."""
        given = any(f"requirements.{key}" in analysis.design.inputs for key in (self.id, *self.keys))
        legs: tuple[LegName | None, ...] = ((only,) if only is not None else LEGS) if self.per_leg else (None,)
        out = []
        for leg in legs:
            if not self.applies(analysis, leg):
                continue
            try:
                value, case = self.find(analysis, leg)
            except (SimulationError, RangeError) as error:
                value, case = None, str(error)
            out.append(
                row(
                    self.id,
                    leg,
                    self.title,
                    value,
                    self.operator,
                    self.limit(analysis, leg),
                    self.unit,
                    case,
                    self.method_by(analysis) or self.method,
                    not given,
                )
            )
        return out


def _ratio_steady(analysis: Analysis, leg: LegName | None) -> Found:
    run, spread = analysis.throttle, analysis.spread
    worst, case = -1.0, ""
    for j, setting in enumerate(spread.throttle):
        held = [h for h in run.holds if abs(h.throttle - setting) < 1e-9]
        error = max((h.ratio_error for h in held), key=abs, default=0.0)
        total = abs(error) + float(spread.spread[j])
        if total > worst:
            first = max(spread.contributions, key=lambda c: float(c.ratio_change[j]), default=None)
            named = f", most from {first.key}" if first is not None else ""
            rest = f"nominal run {100 * error:+.2f} %" if held else "not held in the profile"
            worst = total
            where, placed = at_throttle(float(setting)), f"+-{100 * float(spread.spread[j]):.2f} %"
            case = f"{where}: {rest}, tolerances and placement {placed}{named}"
    return 100.0 * worst, case


def _ratio_transient(analysis: Analysis, leg: LegName | None) -> Found:
    run = analysis.throttle
    change = run.worst_change
    if change is None:
        return None, "the throttle does not move in the profile"
    return (
        100.0 * run.peak_error,
        f"{100 * change.before:.0f} to {100 * change.after:.0f} % throttle in {change.end - change.start:.2f} s: "
        f"{100 * change.peak_error:+.2f} % at {change.peak_time:.3f} s",
    )


def _ratio_settling(analysis: Analysis, leg: LegName | None) -> Found:
    run = analysis.throttle
    after = [h for h in run.holds if h.start > 0.0]
    if not after:
        return None, "no throttle change is followed by a hold"
    band = f"within +-{100 * run.band:.2f} % (the steady limit less tolerances)"
    if run.band <= 0.0:
        return math.inf, "tolerances and placement alone fill the steady band; see mixture_ratio_steady"
    worst = max(after, key=lambda h: h.settling)
    if not math.isfinite(worst.settling):
        return (
            math.inf,
            f"hold {at_throttle(worst.throttle)} from {worst.start:.2f} s: does not stay {band}",
        )
    return worst.settling, f"hold {at_throttle(worst.throttle)} from {worst.start:.2f} s, {band}"


def _travel(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    machine = analysis.machine.legs[leg]
    angles = analysis.schedule.angle[leg]
    to_open = machine.open_stop - float(angles.max())
    to_shut = float(angles.min()) - max(machine.characteristic.shut, machine.closed_stop)
    end = "open stop" if to_open < to_shut else "shut end"
    return (
        math.degrees(min(to_open, to_shut)),
        f"uses {math.degrees(float(angles.min())):.1f} to {math.degrees(float(angles.max())):.1f} deg; nearest is the {end}",
    )


def _motor_speed(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    limit = analysis.design.leg(leg).actuator.motor.max_speed
    run = analysis.throttle.trace.legs[leg].peak_motor_speed
    strokes = {way: trace.legs[leg].peak_motor_speed for way, trace in analysis.stroke.traces.items()}
    case, value = max(
        {"throttle profile": run, **{f"{w} stroke": v for w, v in strokes.items()}}.items(), key=lambda p: p[1]
    )
    return 100.0 * value / limit, f"{case}: {value * 30.0 / math.pi:.0f} rpm"


def _stroke(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    value, way = analysis.stroke.longest(leg)
    if not math.isfinite(value):
        return math.inf, f"{way}, both valves at once, end of discharge: does not arrive"
    return value, f"{way}, both valves at once, end of discharge"


def _gain_margin(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    found = loop_cases(analysis, leg)
    unstable = [at for at, good in found.stable.items() if not good]
    if unstable:
        return min(0.0, -found.margins[unstable[0]].gain_reduction_db), f"{unstable[0]} loop is unstable"
    at = min(found.margins, key=lambda a: found.margins[a].gain_margin_db)
    m = found.margins[at]
    where = f"{at} loop" + (f" at {m.phase_crossover / 6.283185:.1f} Hz" if math.isfinite(m.phase_crossover) else "")
    return m.gain_margin_db, where


def _phase_margin(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    found = loop_cases(analysis, leg)
    unstable = [at for at, good in found.stable.items() if not good]
    if unstable:
        return min(0.0, math.degrees(found.margins[unstable[0]].phase_margin)), f"{unstable[0]} loop is unstable"
    at = min(found.margins, key=lambda a: found.margins[a].phase_margin)
    m = found.margins[at]
    return (
        math.degrees(m.phase_margin),
        f"{at} loop at {m.gain_crossover / 6.283185:.1f} Hz; delay margin {1e3 * m.delay_margin:.2f} ms",
    )


def _sensitivity(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    found = loop_cases(analysis, leg)
    unstable = [at for at, good in found.stable.items() if not good]
    if unstable:
        return math.inf, f"{unstable[0]} loop is unstable"
    at = max(found.margins, key=lambda a: found.margins[a].peak_sensitivity)
    m = found.margins[at]
    return m.peak_sensitivity, f"{at} loop at {m.peak_sensitivity_at / 6.283185:.1f} Hz"


def _overshoot(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    short = [(w, s) for w, s in analysis.loop[leg].steps.items() if not math.isfinite(s.metrics.t86)]
    if short:
        way, step = short[0]
        return None, _step_case(way, step.metrics.size, step.metrics.start) + ": the valve does not get there"
    way, step = max(analysis.loop[leg].steps.items(), key=lambda s: s[1].metrics.overshoot)
    return 100.0 * step.metrics.overshoot, _step_case(way, step.metrics.size, step.metrics.start)


def _settling(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    way, step = max(analysis.loop[leg].steps.items(), key=lambda s: s[1].metrics.settling)
    case = _step_case(way, step.metrics.size, step.metrics.start)
    if not math.isfinite(step.metrics.settling):
        return math.inf, case + ": does not settle"
    return step.metrics.settling, case


def _step_case(way: str, size: float, start: float) -> str:
    return f"{way} step of {abs(math.degrees(size)):.0f} deg from {math.degrees(start):.0f} deg, under pressure"


def _mismatch(analysis: Analysis, leg: LegName | None) -> Found:
    changes = analysis.throttle.changes
    if not changes:
        return None, "the throttle does not move in the profile"
    lost = [c for c in changes if math.isnan(c.mismatch)]
    if lost:
        return math.inf, f"change at {lost[0].start:.2f} s: a valve does not follow"
    worst = max(changes, key=lambda c: abs(c.mismatch))
    later = "oxidizer" if worst.mismatch > 0.0 else "fuel"
    return (
        1e3 * abs(worst.mismatch),
        f"change at {worst.start:.2f} s, {100 * worst.level:.0f} % of the way: lags {1e3 * worst.lag['oxidizer']:.2f} and "
        f"{1e3 * worst.lag['fuel']:.2f} ms, {later} later",
    )


def _limit_cycle(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    holds = analysis.throttle.holds
    if not holds:
        return None, "the profile has no stretch of constant throttle of 0.3 s or more"
    stuck = [c for c in analysis.throttle.changes if math.isnan(c.lag[leg])]
    if stuck:
        return None, f"the valve does not follow the change at {stuck[0].start:.2f} s, so a held command shows nothing"
    worst = max(holds, key=lambda h: h.hunting_flow[leg])
    return (
        100.0 * worst.hunting_flow[leg],
        f"hold {at_throttle(worst.throttle)} from {worst.start:.2f} s: {math.degrees(worst.hunting[leg]):.4f} deg peak to peak",
    )


def _bus(analysis: Analysis, leg: LegName | None) -> Found:
    run, strokes = analysis.throttle.lowest_bus, analysis.stroke.lowest_bus
    lockout = analysis.machine.undervoltage
    case = "both valves stroke at once, end of discharge" if strokes <= run else "throttle profile"
    return min(run, strokes) / lockout, f"{case}: {min(run, strokes):.2f} V at a drive"


def _heating(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    found = analysis.heat[leg]
    reached = f"{found.temperature - 273.15:.0f} degC" if math.isfinite(found.temperature) else "no steady temperature"
    return 100.0 * found.share, f"profile repeated without end, {found.rms_current:.2f} A RMS: {reached}"


_RUN = "time simulation of both servos and the engine, nominal"
_EXACT = "exact sampled loop, linear machine"
REQUIREMENTS: tuple[Requirement, ...] = (
    Requirement(
        "mixture_ratio_steady",
        "O/F error at a held throttle",
        "<=",
        "%",
        100.0,
        False,
        _ratio_steady,
        f"mean error of the simulated hold plus {COVERAGE:g} standard uncertainties of tolerances and placement",
    ),
    Requirement(
        "mixture_ratio_transient", "O/F error while throttling", "<=", "%", 100.0, False, _ratio_transient, _RUN
    ),
    Requirement(
        "mixture_ratio_settling",
        "time for O/F to come back after a change",
        "<=",
        "s",
        1.0,
        False,
        _ratio_settling,
        _RUN,
    ),
    Requirement(
        "mixture_ratio_disturbed",
        "O/F error from the tanks",
        "<=",
        "%",
        100.0,
        False,
        disturbed,
        "quasi-steady run of all declared tank disturbances together, nominal, valves on their schedule",
        is_disturbed,
    ),
    Requirement(
        "flow_resolution",
        "flow change of the smallest reliable step",
        "<=",
        "%",
        100.0,
        True,
        resolution,
        "largest of command step, count, hold band, jump after sticking and unseen lost motion, times the installed gain",
    ),
    Requirement(
        "flow_dead_band",
        "flow change of the smallest sure step after a reversal",
        "<=",
        "%",
        100.0,
        True,
        dead_band,
        "sum of command step, zone of rest and unseen lost motion, times the installed gain",
    ),
    Requirement(
        "valve_travel", "travel left to the nearer end", ">=", "deg", 180.0 / math.pi, True, _travel, "steady balance"
    ),
    Requirement(
        "cavitation",
        "valve drop over choking drop",
        "<=",
        "",
        1.0,
        True,
        cavitation,
        "steady balance at adverse bounds, IEC 60534-2-1",
    ),
    Requirement(
        "injector_stiffness",
        "injector drop over chamber pressure",
        ">=",
        "%",
        100.0,
        True,
        stiffness,
        "steady balance at adverse bounds",
    ),
    Requirement(
        "chug_margin",
        "gain margin of the feed-coupled combustion loop",
        ">=",
        "dB",
        1.0,
        False,
        chug,
        "linear loop of both feed legs, manifolds, combustion delays and chamber, nominal; manifolds as stated",
    ),
    Requirement(
        "boiling_margin", "pressure over vapour pressure, jacket", ">=", "", 1.0, True, boiling, HOT_METHOD, is_heated
    ),
    Requirement(
        "torque_margin",
        "static torque margin",
        ">=",
        "%",
        100.0,
        True,
        find_torque.static,
        "available over needed less one, worst corner (100 % rule, MIL-A-83577B / AIAA S-114, from memory)",
        limit_by=find_torque.static_limit,
        keys=("torque_rule",),
        method_by=find_torque.static_method,
    ),
    Requirement(
        "torque_dynamic",
        "dynamic torque margin",
        ">=",
        "%",
        100.0,
        True,
        find_torque.dynamic,
        "torque left at the move's speed over torque of acceleration less one, worst corner (definition from memory)",
        find_torque.dynamic_wanted,
        limit_by=find_torque.dynamic_limit,
        keys=("dynamic_torque_margin", "torque_rule"),
    ),
    Requirement("stroke_time", "full stroke", "<=", "s", 1.0, True, _stroke, "time simulation of both servos"),
    Requirement("gain_margin", "gain margin", ">=", "dB", 1.0, True, _gain_margin, _EXACT),
    Requirement("phase_margin", "phase margin", ">=", "deg", 180.0 / math.pi, True, _phase_margin, _EXACT),
    Requirement("peak_sensitivity", "peak sensitivity", "<=", "", 1.0, True, _sensitivity, _EXACT),
    Requirement(
        "step_overshoot",
        "overshoot of a step",
        "<=",
        "%",
        100.0,
        True,
        _overshoot,
        "time simulation, all nonlinearities, through the rate limit",
    ),
    Requirement(
        "step_settling",
        "settling of a step to 2 %",
        "<=",
        "s",
        1.0,
        True,
        _settling,
        "time simulation, all nonlinearities, through the rate limit",
    ),
    Requirement("tracking_mismatch", "difference of the valves' lags", "<=", "ms", 1e3, False, _mismatch, _RUN),
    Requirement("limit_cycle", "hunting at a held command, flow", "<=", "%", 100.0, True, _limit_cycle, _RUN),
    Requirement("bus_voltage", "lowest bus over undervoltage lockout", ">=", "", 1.0, False, _bus, "time simulation"),
    Requirement(
        "motor_heating",
        "winding rise over rise allowed",
        "<=",
        "%",
        100.0,
        True,
        _heating,
        "steady state at the simulated RMS current",
    ),
    Requirement(
        "motor_speed",
        "highest motor speed over its limit",
        "<=",
        "%",
        100.0,
        True,
        _motor_speed,
        "time simulation of profile and full strokes",
    ),
    Requirement(
        "gear_torque",
        "torque through a gear stage over its limit",
        "<=",
        "%",
        100.0,
        True,
        find_torque.gear_torque,
        "torque constant times current limit, running efficiency, each stage with a stated limit",
        find_torque.has_torque_limit,
    ),
    *(Requirement(*fields) for fields in OUTER_ROWS),  # type: ignore[arg-type]
)
"""All requirements, in the order of the table."""
BY_ID = {requirement.id: requirement for requirement in REQUIREMENTS}
