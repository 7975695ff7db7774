"""The report's middle part: for each question its figures with captions, tables and sentences."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from valvectl.design.schema import LEGS
from valvectl.review.verdict import Review
from valvectl.review.wording import number, signed
from valvectl.studies.turbulence import sentence

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from valvectl.studies.disturbance_result import DisturbanceResult
    from valvectl.studies.gear_result import GearStageResult
    from valvectl.studies.ladder import LadderResult
    from valvectl.studies.loop import LoopResult
    from valvectl.studies.mission_heat_result import MissionHeat
    from valvectl.studies.model import ModelResult
    from valvectl.studies.outer_result import OuterResult
    from valvectl.studies.power_loss_result import PowerLossResult
    from valvectl.studies.power_result import PowerResult
    from valvectl.studies.ratio import RatioResult
    from valvectl.studies.resolution import ResolutionResult
    from valvectl.studies.spread import SpreadResult
    from valvectl.studies.stability import StabilityResult
    from valvectl.studies.throttle import ThrottleResult
    from valvectl.studies.torque import TorqueResult


LONGEST_NUMBER = 22
"""Longest text of a table's cell that is set like a number [characters]."""


@dataclass(frozen=True)
class Plot:
    """A figure set into the page."""

    svg: Any
    """``markupsafe.Markup`` of the ``<svg>`` element."""
    caption: str
    """What to look at."""
    half: bool = False
    """Two of these stand side by side where the page is wide enough."""
    label: str = ""
    """What it shows, for readers who do not see it."""


@dataclass(frozen=True)
class Table:
    """A small table, texts only; the first column is the row's name."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def wordy(self, column: int) -> bool:
        """True for a column of sentences, which may be broken over lines; numbers may not."""
        return any(len(row[column]) > LONGEST_NUMBER for row in self.rows)


@dataclass(frozen=True)
class Group:
    """Everything about one question."""

    id: str
    title: str
    lead: str
    answers: list[str] = field(default_factory=list)
    """What the figures show, said before them."""
    plots: list[Plot] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    formulas: list[tuple[str, Any]] = field(default_factory=list)
    """Name and ``markupsafe.Markup`` of MathML."""


def limit_of(review: Review, row_id: str) -> float | None:
    """A requirement's limit in SI, from its row; None when the review does not hold it."""
    scale = {"%": 0.01, "ms": 1e-3, "deg": math.pi / 180.0}
    return next((r.limit * scale.get(r.unit, 1.0) for r in review.rows if r.id == row_id), None)


# --------------------------------------------------------------------------------------------------------- figures


def _plot(figure: Figure, name: str, label: str, caption: str, half: bool = False) -> Plot:
    from markupsafe import Markup

    from valvectl.review.figure_style import svg_text

    return Plot(Markup(svg_text(figure, name, label)), caption, half, label)


def _whole(axes: Any) -> Any:
    return axes.get_figure()


def groups(review: Review, part: slice = slice(None)) -> list[Group]:
    """The questions that the review answers, in the order of the report; ``part`` of them where drawing is shared out."""
    made: dict[str, Callable[[Review, Any], Group]] = {
        "throttle": _throttle_group,
        "loop": _loop_group,
        "ratio": _ratio_group,
        "resolution": _resolution_group,
        "ladder": _ladder_group,
        "disturbance": _disturbance_group,
        "stability": _stability_group,
        "torque": _torque_group,
        "mission_heat": _heat_group,
        "power": _power_group,
        "power_loss": _loss_group,
        "gear": _gear_group,
        "spread": _spread_group,
        "outer": _outer_group,
        "model": _model_group,
    }
    wanted = list(made.items())[part]
    return [make(review, review.studies[name]) for name, make in wanted if review.studies.get(name)]


def _throttle_group(review: Review, result: ThrottleResult) -> Group:
    from valvectl.review.figures import throttle_chart

    group = Group(
        "throttle", "Mixture ratio in the throttle", "Does O/F stay where it should while the engine throttles?"
    )
    transient = limit_of(review, "mixture_ratio_transient")
    group.plots.append(
        _plot(
            throttle_chart(result, transient=transient),
            "throttle",
            "Throttle profile, error of the mixture ratio, ball angles, motor currents over time",
            f"{review.design}: the profile of the design file, simulated with both servos, lines, combustion delay "
            "and battery. Look at the second panel: the error should stay inside the band while a throttle is held and "
            "inside the limits while it moves. The band is what the declared tolerances leave of the steady limit. A saw-tooth "
            "at a held throttle is a valve that hunts.",
        )
    )
    hold_rows = tuple(
        (
            f"{number(h.start)} to {number(h.end)}",
            number(100.0 * h.throttle),
            signed(100.0 * h.ratio_error),
            number(h.settling, 3, "does not settle"),
            *(number(math.degrees(h.hunting[leg]), 3) for leg in LEGS),
            *(number(100.0 * h.hunting_flow[leg], 3) for leg in LEGS),
        )
        for h in result.holds
    )
    hunting = tuple(f"hunting, {leg} [deg]" for leg in LEGS) + tuple(f"hunting, {leg} [% flow]" for leg in LEGS)
    if hold_rows:
        head = ("held [s]", "throttle [%]", "mean O/F error [%]", "settling [s]", *hunting)
        group.tables.append(Table("Stretches of constant throttle (hunting from peak to peak)", head, hold_rows))
    change_rows = tuple(
        (
            f"{number(c.start)} to {number(c.end)}",
            f"{100.0 * c.before:.0f} to {100.0 * c.after:.0f}",
            signed(100.0 * c.peak_error),
            _fixed(c.peak_time, 3),
            *(_fixed(1e3 * c.lag[leg], 2, "does not follow") for leg in LEGS),
        )
        for c in result.changes
    )
    if change_rows:
        lags = tuple(f"lag, {leg} [ms]" for leg in LEGS)
        head = ("moving [s]", "throttle [%]", "peak O/F error [%]", "at [s]", *lags)
        group.tables.append(Table("Changes of throttle", head, change_rows))
    return group


def _fixed(value: float, places: int, none: str = "none") -> str:
    return f"{value:.{places}f}" if math.isfinite(value) else none


def _loop_group(review: Review, results: Mapping[str, LoopResult]) -> Group:
    from valvectl.review.figures import bode, nyquist, step

    group = Group(
        "loop", "Position loop", "Is each valve's servo stable with room to spare, quick and without hunting?"
    )
    overshoot, settling = limit_of(review, "step_overshoot"), limit_of(review, "step_settling")
    peak = limit_of(review, "peak_sensitivity")
    for leg, result in results.items():
        group.plots.append(
            _plot(
                bode(result),
                f"bode-{leg}",
                f"Bode diagram of the position loop, {leg} leg",
                f"{leg} leg: exact sampled loop with every delay and hold in it. Look at the arrows: the gain may rise "
                "by the upper one, the phase may fall by the lower one, before the loop swings by itself.",
            )
        )
    for leg, result in results.items():
        group.plots.append(
            _plot(
                _whole(nyquist(result, peak_limit=peak)),
                f"nyquist-{leg}",
                f"Nyquist curve of the position loop, {leg} leg",
                f"{leg} leg: the curve must stay outside the dashed circle round -1; the full circle shows how near "
                "it comes.",
                half=True,
            )
        )
    for leg, result in results.items():
        group.plots.append(
            _plot(
                step(result, overshoot=overshoot, settling=settling),
                f"step-{leg}",
                f"Step responses of the position loop, {leg} leg",
                f"{leg} leg: simulated with friction, lost motion, counts and limits. Look at the middle panel: after "
                "the upright line the error should lie inside the band and stay there. Steps that come and go are "
                "stick-slip: the integral part pushes against static friction until the ball jumps.",
            )
        )
    return group


def _ratio_group(review: Review, results: Mapping[str, RatioResult]) -> Group:
    from valvectl.review.figures import ratio_window_chart

    group = Group("ratio", "Gear ratio", "Which total ratio meets torque, speed and resolution together?")
    for leg, result in results.items():
        group.plots.append(
            _plot(
                ratio_window_chart(result),
                f"ratio-{leg}",
                f"Reserve of each check over the gear ratio, {leg} leg",
                f"{leg} leg: each curve is one check; it holds above 1. Look for the range where all are above 1 "
                "(shaded when there is one); the bars say which ratios each check allows and which one closes a side. The "
                "sweep changes the last stage only.",
            )
        )
        group.answers.append(f"{leg} leg: {result.reason}")
        group.notes.append(
            f"{leg} leg, for comparison: an unloaded move accelerates hardest at a ratio of "
            f"{number(result.inertia_optimum, 3)} (square root of load over motor inertia)."
        )
    return group


def _loss_group(review: Review, result: PowerLossResult) -> Group:
    from valvectl.review.report_loss import loss_group

    return loss_group(review, result)


def _gear_group(review: Review, results: Mapping[str, GearStageResult]) -> Group:
    from valvectl.review.report_loss import gear_group

    return gear_group(review, results)


def _resolution_group(review: Review, result: ResolutionResult) -> Group:
    from valvectl.review.report_resolution import resolution_group

    return resolution_group(review, result)


def _ladder_group(review: Review, result: LadderResult) -> Group:
    from valvectl.review.figures import ladder_chart

    group = Group("ladder", "Pressure ladder", "Where does the pressure go, and how near does a valve choke?")
    cavitation, stiffness = limit_of(review, "cavitation"), limit_of(review, "injector_stiffness")
    group.plots.append(
        _plot(
            ladder_chart(result, cavitation=cavitation, stiffness=stiffness),
            "ladder",
            "Pressures from tank to chamber over the throttle range",
            "Tinted: the drop that the valve takes; grey: the injector's. Below: valve drop over the drop at which it "
            "chokes, and injector drop over chamber pressure, which keeps the chamber from driving the feed lines.",
        )
    )
    for name, leg in result.legs.items():
        said = sentence(result.throttle, leg.turbulence.reynolds, leg.turbulence.factor)
        if said:
            group.notes.append(f"{name} leg: {said}.")
    return group


def _disturbance_group(review: Review, result: DisturbanceResult) -> Group:
    from valvectl.review.report_disturbance import disturbance_group

    return disturbance_group(review, result)


def _stability_group(review: Review, result: StabilityResult) -> Group:
    from valvectl.review.figures import stability_chart

    group = Group(
        "stability",
        "Feed-system stability",
        "Do chamber pressure, feed lines and combustion delays swing together (chug)?",
    )
    margin = next((r.limit for r in review.rows if r.id == "chug_margin"), 6.0)
    group.plots.append(
        _plot(
            stability_chart(result, margin=margin),
            "stability",
            "Gain margin of the feed-coupled loop over throttle, and stability maps over throttle and combustion delay",
            "Top: the full line is the manifolds as stated and should lie in the shaded range; below zero it chugs. Stiff: "
            "every drop from tank to chamber counts; soft: manifolds full of vapour, only the injector's drop counts. "
            "Maps: delays over those stated; look how far the operating points stay from the border.",
        )
    )
    rows = []
    for name, case in (("stiff", result.stiff), ("as stated", result.as_stated), ("soft", result.soft)):
        j = int(case.gain_margin.argmin())
        rows.append(
            (
                name if case.label.startswith(name) else f"{name} ({case.label})",
                number(float(case.gain_margin[j]), 3, "above 80"),
                number(100.0 * float(result.throttle[j]), 3),
                number(float(case.frequency[j]), 3),
                number(1e3 * float(case.delay_margin.min()), 3, "no limit"),
            )
        )
    head = (
        "manifolds",
        "least gain margin [dB]",
        "at throttle [%]",
        "frequency [Hz]",
        "least delay margin [ms]",
    )
    group.tables.append(Table("Feed-coupled loop by state of the manifolds", head, tuple(rows)))
    for case in (result.stiff, result.as_stated, result.soft):
        group.notes.append(f"Manifolds, {case.label}: {result.verdict(case)}.")
    border = float(result.gas_share_border.min())
    if border == 0.0:
        group.notes.append("Border: unstable without any gas in the manifolds.")
    elif math.isfinite(border):
        j = int(result.gas_share_border.argmin())
        group.notes.append(
            f"Border: {number(100.0 * border, 2)} % of both manifolds filled with gas makes the loop unstable at "
            f"{number(100.0 * float(result.throttle[j]), 3)} % throttle."
        )
    else:
        group.notes.append("Border: no share of gas in the manifolds makes the loop unstable.")
    group.notes.extend(f"{note[0].upper()}{note[1:]}." for note in result.notes)
    return group


def _torque_group(review: Review, results: Mapping[str, TorqueResult]) -> Group:
    from valvectl.review.figures import torque_chart, torque_envelope_chart
    from valvectl.review.report_torque import notes, tables

    group = Group("torque", "Torque, stroke and heat", "Can the actuator break the ball loose on its worst day?")
    wanted = limit_of(review, "torque_margin")
    for leg, result in results.items():
        group.plots.append(
            _plot(
                torque_envelope_chart(result) if result.corners else _whole(torque_chart(result, margin=wanted)),
                f"torque-{leg}",
                f"Stem torque needed and available, {leg} leg",
                f"{leg} leg: worst corner is cold, after a long rest, against the full tank, at the end of discharge "
                "with a hot winding and both drives pulling. The black line should lie above the dash-dotted one.",
            )
        )
        group.tables.extend(Table(*made) for made in tables(result))
        group.notes.extend(notes(result))
    stroke, heat = review.studies.get("stroke"), review.studies.get("heat")
    if stroke is not None:
        rows = tuple(
            (
                leg,
                number(stroke.opening[leg], 3, "does not arrive"),
                number(stroke.closing[leg], 3, "does not arrive"),
                number(stroke.peak_current[leg], 3),
            )
            for leg in stroke.opening
        )
        head = ("leg", "opening [s]", "closing [s]", "peak current [A]")
        title = f"Full strokes, both valves at once; lowest bus voltage {number(stroke.lowest_bus, 3)} V"
        group.tables.append(Table(title, head, rows))
    if heat:
        heat_rows = tuple(
            (
                leg,
                number(h.rms_current, 3),
                number(h.surroundings - 273.15, 3),
                number(h.temperature - 273.15, 3, "no steady temperature"),
                number(h.limit - 273.15, 3),
            )
            for leg, h in heat.items()
        )
        heat_head = ("leg", "RMS current [A]", "surroundings [°C]", "winding [°C]", "allowed [°C]")
        group.tables.append(Table("Winding with the profile repeated without end", heat_head, heat_rows))
    return group


def _heat_group(review: Review, results: Mapping[str, MissionHeat]) -> Group:
    from valvectl.review.report_power import heat_group

    return heat_group(review, results)


def _power_group(review: Review, result: PowerResult) -> Group:
    from valvectl.review.report_power import power_group

    return power_group(review, result)


def _outer_group(review: Review, result: OuterResult) -> Group:
    from valvectl.review.report_outer import outer_group

    return outer_group(review, result)


def _model_group(review: Review, result: ModelResult) -> Group:
    from valvectl.review.report_outer import model_group

    return model_group(review, result)


def _spread_group(review: Review, result: SpreadResult) -> Group:
    from valvectl.review.figures import spread_chart

    group = Group(
        "spread", "Spread of tolerances", "What do the declared tolerances do to O/F when the valves stand still?"
    )
    if not result.contributions:
        group.notes.append("No input of the design carries a tolerance, so there is no spread to show.")
        return group
    group.plots.append(
        _plot(
            _whole(spread_chart(result)),
            "spread",
            "Change of the mixture ratio by each toleranced input",
            "Each line is one input moved to its bound with the valves held. The longest lines are what a better "
            "measurement or a tighter part would buy. Keys are those of the design file (legs. left out).",
        )
    )
    return group
