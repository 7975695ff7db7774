"""Every requirement as one small function: what was found, where, against which limit. One line in ``REQUIREMENTS`` each."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.errors import SimulationError
from valvectl.review.verdict import Operator, Row, row
from valvectl.studies.analysis import Analysis
from valvectl.studies.spread import COVERAGE

Found = tuple[float | None, str]
"""Value in the row's unit, and the governing case (or the reason why there is no value)."""


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

    def limit(self, analysis: Analysis) -> float:
        """The limit in the row's unit."""
        return float(getattr(analysis.design.requirements, self.id)) * self.scale

    def rows(self, analysis: Analysis, only: LegName | None = None) -> list[Row]:
        """The requirement's rows: one, or one a leg, or that of one leg alone."""
        given = f"requirements.{self.id}" in analysis.design.inputs
        legs: tuple[LegName | None, ...] = ((only,) if only is not None else LEGS) if self.per_leg else (None,)
        out = []
        for leg in legs:
            try:
                value, case = self.find(analysis, leg)
            except SimulationError as error:
                value, case = None, str(error)
            out.append(
                row(
                    self.id,
                    leg,
                    self.title,
                    value,
                    self.operator,
                    self.limit(analysis),
                    self.unit,
                    case,
                    self.method,
                    not given,
                )
            )
        return out


def _at(throttle: float) -> str:
    return f"at {100.0 * throttle:.0f} % throttle"


def _ratio_steady(analysis: Analysis, leg: LegName | None) -> Found:
    run, spread = analysis.throttle, analysis.spread
    if not run.holds:
        return None, "the profile has no stretch of constant throttle of 0.3 s or more"
    worst, case = -1.0, ""
    for hold in run.holds:
        j = int(np.argmin(np.abs(spread.throttle - hold.throttle)))
        total = abs(hold.ratio_error) + float(spread.spread[j])
        if total > worst:
            first = max(spread.contributions, key=lambda c: float(c.ratio_change[j]), default=None)
            named = f", most from {first.key}" if first is not None else ""
            worst = total
            case = (
                f"hold {_at(hold.throttle)} from {hold.start:.2f} s: nominal {100 * hold.ratio_error:+.2f} %, "
                f"tolerances +-{100 * float(spread.spread[j]):.2f} %{named}"
            )
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
    worst = max(after, key=lambda h: h.settling)
    if not math.isfinite(worst.settling):
        return (
            math.inf,
            f"hold {_at(worst.throttle)} from {worst.start:.2f} s: does not come back inside the steady band",
        )
    return worst.settling, f"hold {_at(worst.throttle)} from {worst.start:.2f} s"


def _resolution(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    found = analysis.resolution
    value, j = found.worst(leg)
    at = found.legs[leg]
    return (
        100.0 * value,
        f"{_at(float(found.throttle[j]))}, {math.degrees(float(at.angle[j])):.1f} deg open: {at.cause[j]} of "
        f"{math.degrees(float(at.smallest_step[j])):.3f} deg",
    )


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


def _cavitation(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    found = analysis.ladder
    share = found.legs[leg].choking
    j = int(np.argmax(share))
    straddles = bool(np.any(share >= 1.0)) and bool(np.any(share < 1.0))
    return (
        float(share[j]),
        _at(float(found.throttle[j])) + ("; the leg crosses the choke line within the range" if straddles else ""),
    )


def _stiffness(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    found = analysis.ladder
    share = found.legs[leg].stiffness
    j = int(np.argmin(share))
    return 100.0 * float(share[j]), _at(float(found.throttle[j]))


def _torque(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    found = analysis.torque[leg]
    return (
        100.0 * found.margin,
        f"{math.degrees(found.worst_angle):.0f} deg open, {found.pressure_drop / 1e5:.1f} bar, cold, after a rest; "
        f"{found.current:.1f} A at {found.bus_voltage:.1f} V gives {found.available:.2f} N m",
    )


def _stroke(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    value, way = analysis.stroke.longest(leg)
    if not math.isfinite(value):
        return math.inf, f"{way}, both valves at once, end of discharge: does not arrive"
    return value, f"{way}, both valves at once, end of discharge"


def _gain_margin(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    found = analysis.loop[leg]
    unstable = [at for at, good in found.stable.items() if not good]
    if unstable:
        return min(0.0, -found.margins[unstable[0]].gain_reduction_db), f"{unstable[0]} loop is unstable"
    at = min(found.margins, key=lambda a: found.margins[a].gain_margin_db)
    m = found.margins[at]
    where = f"{at} loop" + (f" at {m.phase_crossover / 6.283185:.1f} Hz" if math.isfinite(m.phase_crossover) else "")
    return m.gain_margin_db, where


def _phase_margin(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    found = analysis.loop[leg]
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
    found = analysis.loop[leg]
    unstable = [at for at, good in found.stable.items() if not good]
    if unstable:
        return math.inf, f"{unstable[0]} loop is unstable"
    at = max(found.margins, key=lambda a: found.margins[a].peak_sensitivity)
    m = found.margins[at]
    return m.peak_sensitivity, f"{at} loop at {m.peak_sensitivity_at / 6.283185:.1f} Hz"


def _overshoot(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
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
        f"change at {worst.start:.2f} s: lags {1e3 * worst.lag['oxidizer']:.2f} and {1e3 * worst.lag['fuel']:.2f} ms, "
        f"{later} later",
    )


def _limit_cycle(analysis: Analysis, leg: LegName | None) -> Found:
    assert leg is not None
    holds = analysis.throttle.holds
    if not holds:
        return None, "the profile has no stretch of constant throttle of 0.3 s or more"
    worst = max(holds, key=lambda h: h.hunting_flow[leg])
    return (
        100.0 * worst.hunting_flow[leg],
        f"hold {_at(worst.throttle)} from {worst.start:.2f} s: {math.degrees(worst.hunting[leg]):.4f} deg peak to peak",
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
        f"mean error of the simulated hold plus {COVERAGE:g} standard uncertainties of the declared tolerances",
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
        "flow_resolution",
        "flow change of the smallest reliable step",
        "<=",
        "%",
        100.0,
        True,
        _resolution,
        "largest of count, hold band, jump after sticking and unseen lost motion, times the installed gain",
    ),
    Requirement(
        "valve_travel", "travel left to the nearer end", ">=", "deg", 180.0 / math.pi, True, _travel, "steady balance"
    ),
    Requirement(
        "cavitation", "valve drop over choking drop", "<=", "", 1.0, True, _cavitation, "steady balance, IEC 60534-2-1"
    ),
    Requirement(
        "injector_stiffness",
        "injector drop over chamber pressure",
        ">=",
        "%",
        100.0,
        True,
        _stiffness,
        "steady balance",
    ),
    Requirement(
        "torque_margin",
        "static torque margin",
        ">=",
        "%",
        100.0,
        True,
        _torque,
        "available over needed less one, worst corner (100 % rule, MIL-A-83577B / AIAA S-114, from memory)",
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
)
"""All requirements, in the order of the table."""
BY_ID = {requirement.id: requirement for requirement in REQUIREMENTS}
