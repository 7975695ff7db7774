"""The report: one review as a single HTML page that needs no network, no scripts and no other file."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

from valvectl.parts.controller import filter_share
from valvectl.review import wording
from valvectl.review.beside import Beside
from valvectl.review.inputs import DEFAULT, InputLine, counts
from valvectl.review.ready import ready_to_draw
from valvectl.review.report_groups import Group, Table, groups
from valvectl.review.report_timing import timing_lines
from valvectl.review.verdict import Review, Row
from valvectl.review.wording import gains_words, number
from valvectl.servo.equations import equations

if TYPE_CHECKING:
    from valvectl.plant.servo_numbers import Servo
    from valvectl.studies.loop import LoopResult


_HALF = 4
"""Questions that this process draws when another draws the rest; the first four take nearly half of the time."""


def groups_drawn(review: Review, two_cores: bool, meanwhile: Callable[[], None]) -> list[Group]:
    """All of them; ``meanwhile`` is done while a second core draws its half."""
    if two_cores:
        ready_to_draw()  # both halves need it; loading it takes a while
    with Beside(lambda: groups(review, slice(_HALF, None)), two_cores) as rest:
        first = groups(review, slice(_HALF))
        meanwhile()
        return first + rest.result()


def render(review: Review, drawn: list[Group] | None = None) -> str:
    """The whole page as text. Texts of the design are escaped. ``drawn``: its questions where they were drawn before."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("valvectl.review", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_showable,
    )
    environment.filters["key"] = _breakable
    met = sum(r.verdict == "met" for r in review.rows)
    studies = review.studies
    return environment.get_template("review.html.j2").render(
        review=review,
        date=review.date.replace("T", " ").replace("+00:00", " UTC"),
        outcome=wording.outcome(review.all_met),
        counts=wording.count_line(met, len(review.missed), len(review.not_assessed)),
        rows=[_row(r) for r in review.rows],
        remedies=[(r, _title(review, r.row_id)) for r in review.remedies],
        methods=_methods(review.rows),
        groups=groups(review) if drawn is None else drawn,
        margins=_margins(studies.get("loop", {})),
        gains=_gains(studies.get("loop", {})),
        controllers=_controllers(studies.get("loop", {})),
        by_hand=_by_hand(review),
        sources=Table(
            "Sources of the models in this run",
            ("subject", "model", "source", "how sure", "where it holds"),
            tuple((s.subject, s.model, s.source or "none", s.sure, s.holds) for s in review.sources),
        ),
        inputs=_inputs(review.inputs),
        input_counts=counts(review.inputs),
        defaults_in_limits=any(r.limit_is_default for r in review.rows),
        versions=sorted(review.versions.items()),
    )


_NOT_SHOWN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]"
)
"""Control characters, marks that turn the direction of what follows them, and what is no character at all."""


def _showable(value: Any) -> Any:
    """A text of the page with such characters as escapes, ``\\u202e``: a name can not reorder or break the page."""
    if not isinstance(value, str) or _NOT_SHOWN.search(value) is None:
        return value
    return type(value)(_NOT_SHOWN.sub(lambda m: f"\\u{ord(m.group(0)):04x}", value))


def _breakable(key: str) -> Any:
    """A dotted key that may be broken over lines after its dots, nowhere else."""
    from markupsafe import Markup, escape

    return Markup("<wbr>").join(escape(part) for part in re.split(r"(?<=\.)", key))


def _inputs(lines: Iterable[InputLine]) -> list[tuple[str, list[InputLine]]]:
    """Inputs that the file gives, by the table that they stand in: engine, legs.oxidizer and so on."""
    tables: dict[str, list[InputLine]] = {}
    for line in lines:
        if line.origin != DEFAULT:
            parts = line.key.split(".")
            top = "general" if len(parts) == 1 else ".".join(parts[: 2 if parts[0] == "legs" else 1])
            tables.setdefault(top, []).append(line)
    return list(tables.items())


def _row(row: Row) -> dict[str, str | bool]:
    return {
        "id": row.id,
        "title": row.title,
        "leg": row.leg or "engine",
        "found": wording.found(row),
        "sign": wording.SIGN[row.operator],
        "limit": number(row.limit),
        "unit": row.unit,
        "margin": wording.margin(row).replace(" ", "\u00a0"),
        "verdict": row.verdict,
        "mark": wording.MARK[row.verdict],
        "case": row.case,
        "default": row.limit_is_default,
    }


def _by_hand(review: Review) -> Table:
    rows = tuple((h.place, h.what, h.formula, f"{number(h.value, 5)} {h.unit}".strip()) for h in review.by_hand)
    return Table("Numbers in between, as the program used them", ("where", "what", "by hand", "result"), rows)


def _title(review: Review, row_id: str) -> str:
    return next((r.title for r in review.rows if r.id == row_id), row_id)


def _methods(rows: Iterable[Row]) -> list[tuple[str, str, str]]:
    """(requirement, title, method), one line a requirement."""
    return list(dict.fromkeys((r.id, r.title, r.method) for r in rows))


def _margins(results: Mapping[str, LoopResult]) -> Table:
    rows = []
    turn = 2.0 * math.pi
    for leg, result in results.items():
        for at, m in result.margins.items():
            rows.append(
                (
                    f"{leg}, {at}",
                    "yes" if result.stable[at] else "NO",
                    number(m.gain_margin_db, 3, "no crossing"),
                    number(m.phase_crossover / turn, 3),
                    number(math.degrees(m.phase_margin), 3, "no crossing"),
                    number(m.gain_crossover / turn, 3),
                    number(1e3 * m.delay_margin, 3, "no crossing"),
                    number(m.peak_sensitivity, 3),
                )
            )
    head = (
        "leg, loop",
        "stable",
        "gain margin [dB]",
        "at [Hz]",
        "phase margin [deg]",
        "at [Hz]",
        "delay margin [ms]",
        "peak |S| [-]",
    )
    return Table("Margins of each loop, loops inside it closed, loops outside it open", head, tuple(rows))


def _timing(servo: Servo | None) -> dict[str, str]:
    """Delays, filter and limits of a leg's controller as text; nothing when the result does not carry the servo."""
    if servo is None:
        return {}
    return {
        "dp": number(1e3 * servo.position_delay),
        "ds": number(1e3 * servo.speed_delay),
        "dc": number(1e3 * servo.current_delay),
        "tau": number(1e3 * servo.speed_filter),
        "a": number(filter_share(servo.speed_period, servo.speed_filter)),
        "kff": number(servo.feedforward),
        "wmax": number(servo.speed_limit),
        "imax": number(servo.current_limit),
        "band": number(servo.hold_band),
    }


def _gains(results: Mapping[str, LoopResult]) -> Table:
    rows = tuple(
        (
            leg,
            "tuned here" if r.tuned else "design file",
            *(
                number(gain) if r.gains.outer is None else "-"
                for gain in (r.gains.position, r.gains.speed, r.gains.speed_integral)
            ),
            number(r.gains.current),
            number(r.gains.current_integral),
            number(r.bandwidth / (2.0 * math.pi), 3),
        )
        for leg, r in results.items()
    )
    head = (
        "leg",
        "source",
        "Kp position [1/s]",
        "Kv speed [A s/rad]",
        "Kiv its integral [1/s]",
        "Kc current [V/A]",
        "Kic its integral [1/s]",
        "bandwidth [Hz]",
    )
    return Table("Gains in use, stem units", head, rows)


def _equations(result: LoopResult) -> list[dict[str, Any]]:
    """The loops' difference equations with their numbers; nothing when the result does not carry the servo."""
    if result.servo is None:
        return []
    return [
        {
            "loop": loop.loop.capitalize(),
            "when": f"every {_period(loop.period)}"
            + ("" if loop.loop == "command" else f", output in force {number(1e3 * loop.delay)} ms after its sample"),
            "reads": loop.reads,
            "gives": loop.gives,
            "lines": loop.lines,
        }
        for loop in equations(result.servo, result.gains)
    ]


def _controllers(results: Mapping[str, LoopResult]) -> list[dict[str, Any]]:
    out = []
    for leg, r in results.items():
        periods = {at: model.period for at, model in r.loops.items()}
        out.append(
            {
                "leg": leg,
                "tp": _period(periods.get("position")),
                "ts": _period(periods.get("speed")),
                "tc": _period(periods.get("current")),
                "kp": number(r.gains.position),
                "kv": number(r.gains.speed),
                "kiv": number(r.gains.speed_integral),
                "kc": number(r.gains.current),
                "kic": number(r.gains.current_integral),
                **_timing(r.servo),
                "gains": gains_words(r.gains),
                "cascade": r.gains.outer is None,
                "equations": _equations(r),
                "timing": "\n".join([] if r.servo is None else timing_lines(r.servo)),
            }
        )
    return out


def _period(period: float | None) -> str:
    return "none" if period is None else f"{number(1e6 * period)} µs" if period < 1e-4 else f"{number(1e3 * period)} ms"
