"""``check``: every study, every requirement, and what would mend what is missed."""

from __future__ import annotations

import contextlib
import dataclasses
import datetime
import math
import platform
from collections.abc import Callable, Mapping
from importlib import metadata
from typing import Any

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS
from valvectl.design.starter import STARTERS_NOTE
from valvectl.errors import RangeError, SimulationError, ValvectlError
from valvectl.parts.nozzle import SUMMERFIELD_RATIO
from valvectl.review.beside import Beside
from valvectl.review.by_hand import lines
from valvectl.review.engine_warnings import engine_warnings
from valvectl.review.find_tank import NOT_DECLARED
from valvectl.review.hold_points import hold_points
from valvectl.review.inputs import input_lines
from valvectl.review.mend import remedies
from valvectl.review.ready import ready_to_draw
from valvectl.review.requirements import REQUIREMENTS
from valvectl.review.sources import sources
from valvectl.review.verdict import Review, Row
from valvectl.studies.analysis import Analysis
from valvectl.studies.left_out_reducers import left_out_reducers
from valvectl.studies.overshoot import main_contributor
from valvectl.studies.port_facts import port_notes
from valvectl.studies.spread import SpreadResult
from valvectl.studies.turbulence import sentence
from valvectl.studies.valve_cautions import cold_torque

Progress = Callable[[str, int, int], None]
"""Called with (stage in words, stages done, stages in all)."""

_LIBRARIES = ("numpy", "scipy", "numba", "control", "pydantic", "pint", "CoolProp", "cantera", "matplotlib")
_STAGES: tuple[tuple[str, str], ...] = (
    ("liquid properties and c*", "machine"),
    ("gains", "gains"),
    ("steady points over the throttle range", "schedule"),
    ("pressure ladder", "ladder"),
    ("feed-system stability", "stability"),
    ("flow resolution", "resolution"),
    ("torque", "torque"),
    ("gear ratio sweep", "ratio"),
    ("position loops", "loop"),
    ("throttle profile", "throttle"),
    ("full strokes", "stroke"),
    ("motor heating", "heat"),
    ("heat over the mission", "mission_heat"),
    ("both drives on one battery", "power"),
    ("loss of power or command", "power_loss"),
    ("tolerances", "spread"),
    ("tank disturbances", "disturbance"),
    ("plant by symbols", "model"),
)


def versions() -> dict[str, str]:
    """Versions of program, Python and libraries."""
    out = {"python": platform.python_version()}
    for name in ("valvectl", *_LIBRARIES):
        try:
            out[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            out[name] = "not installed"
    return out


def warnings_of(analysis: Analysis, spread: SpreadResult | None) -> tuple[str, ...]:
    """Limits of validity that this design touches, one sentence each."""
    out: list[str] = []
    machine, ladder = analysis.machine, analysis.ladder
    if analysis.design.data.note.startswith(STARTERS_NOTE):
        out.append(
            "the note of this design is still the starter's: numbers that nobody has replaced are invented. Write your own."
        )
    for name in LEGS:
        leg, data = machine.legs[name], analysis.design.leg(name)
        angles = ladder.legs[name].angle
        if float(angles.min()) < leg.characteristic.first:
            out.append(
                f"{name}: the valve is used down to {math.degrees(float(angles.min())):.1f} deg, below the first stated "
                f"Kv at {math.degrees(leg.characteristic.first):.1f} deg; Kv there is an extrapolation."
            )
        if float(angles.max()) > leg.characteristic.last + 1e-12:
            out.append(f"{name}: the valve is used beyond the last stated Kv; Kv there is held.")
        out.extend(f"{name}: {text}" for text in port_notes(data.valve))
        cautions = (
            cold_torque(analysis.design, name),
            left_out_reducers(analysis.design, machine, analysis.schedule.points[-1], name),
        )
        out.extend(text for text in cautions if text)
        choking = ladder.legs[name].choking
        if float(choking.max()) >= 1.0 > float(choking.min()):
            out.append(
                f"{name}: the valve chokes over part of the throttle range; flow and O/F then answer to tank pressure and "
                "temperature differently on the two sides of the choke line."
            )
        regime = ladder.legs[name].turbulence
        said = sentence(ladder.throttle, regime.reynolds, regime.factor)
        if said and not said.endswith(": turbulent"):
            out.append(f"{name}: {said}.")
        longest = max(data.line.length, 0.0 if data.downstream is None else data.downstream.length)
        out.append(
            f"{name}: lines are rigid columns in one lump, good well below {leg.liquid.sound_speed / (4 * longest):.0f} Hz; "
            "no pressure waves are modelled in any row; the surge study models them, by itself."
        )
        if data.manifold.gas_volume > 0.0:
            out.append(
                f"{name}: the time simulation keeps the manifold as soft as the trapped gas makes it at full chamber "
                "pressure; at low throttle the gas swells and the real manifold is softer. The stability study follows it."
            )
    exponent = analysis.design.engine.combustion.delay_exponent
    if exponent != 0.0:
        out.append(
            f"combustion delays follow throttle to the power -{exponent:g} in the stability study alone; the time "
            "simulation keeps the delays stated at every setting."
        )
    j = int(ladder.exit_pressure_ratio.argmin())
    if float(ladder.exit_pressure_ratio[j]) < SUMMERFIELD_RATIO:
        out.append(
            f"nozzle: exit pressure is {float(ladder.exit_pressure_ratio[j]):.2f} of ambient at "
            f"{100 * float(ladder.throttle[j]):.0f} % throttle, below {SUMMERFIELD_RATIO}; "
            "the flow may separate, thrust is unsure."
        )
    out.extend(engine_warnings(ladder))
    if not analysis.tank_work.declared:
        out.append(NOT_DECLARED)
    for text in spread.left_out if spread is not None else ():
        out.append(f"tolerance left out: {text}")
    if spread is not None and not spread.contributions:
        out.append("no input carries a tolerance; the steady O/F error shown is that of a perfect engine.")
    out.append(
        "the throttle run is one nominal engine with valves warm or cold as stated; dispersions are not in the transient rows."
    )
    return tuple(out)


_FAR = ("loop", "throttle", "stroke", "heat", "mission_heat", "power", "power_loss", "outer")
"""Studies that fly the compiled simulator: half of the time, and where they are worked out beside the others only one process
has to load it."""


def _with_cause(row: Row, analysis: Analysis) -> Row:
    """A missed overshoot with what makes it, where that can be told."""
    if row.id != "step_overshoot" or row.verdict != "missed" or row.leg is None:
        return row
    with contextlib.suppress(ValvectlError):
        if cause := main_contributor(analysis, row.leg):
            return dataclasses.replace(row, case=f"{row.case}; {cause}")
    return row


def _far_studies(analysis: Analysis) -> dict[str, Any]:
    """Those of them that the design asks for. One that fails is left out; it says why at its own stage."""
    found: dict[str, Any] = {}
    for name in _FAR if analysis.design.outer_loops is not None else _FAR[:-1]:
        with contextlib.suppress(ValvectlError):
            study = getattr(analysis, name)
            found[name] = dict(study) if isinstance(study, Mapping) else study
    return found


def check(design: DesignFile, progress: Progress | None = None, two_cores: bool = False) -> Review:
    """Run every study of a design and hold it against its requirements.

    ``two_cores`` works on a second core too where there is one (``beside.py``); the review is the same.

    Raises ``DesignError`` when the design can not be built, ``NoBalanceError`` when its throttle range has no steady
    points.
    """
    analysis = Analysis(design)
    of = len(_STAGES) + 2

    def tell(stage: str, done: int) -> None:
        if progress is not None:
            progress(stage, done, of)

    tell(_STAGES[0][0], 0)
    with contextlib.suppress(SimulationError, RangeError):  # said where the stage is run
        _ = analysis.gains, analysis.schedule, analysis.spread  # what both cores need
    with Beside(lambda: _far_studies(analysis), two_cores) as beside:
        return _checked(analysis, tell, of, beside)


def _checked(analysis: Analysis, tell: Callable[[str, int], None], of: int, beside: Beside[dict[str, Any]]) -> Review:
    design = analysis.design
    studies: dict[str, Any] = {}
    failed: dict[str, str] = {}
    own = [leg for leg in LEGS if design.leg(leg).actuator.own_stage is not None]
    order = sorted(_STAGES, key=lambda it: it[1] in _FAR)  # stable: those of the other core last
    for done, (stage, attribute) in enumerate(order):
        if attribute == _FAR[0]:
            for leg in own:
                _ = analysis.gear[leg]
            # A cached property is a name in the object's own dictionary once it is known.
            analysis.__dict__.update(beside.result(meanwhile=ready_to_draw))
        tell(stage, done)
        try:
            found = getattr(analysis, attribute)
            studies[attribute] = dict(found) if isinstance(found, Mapping) else found
        except (SimulationError, RangeError) as error:
            failed[attribute] = f"{stage}: {error}"
    studies = {name: studies[name] for _, name in _STAGES if name in studies}
    rows = tuple(row for requirement in REQUIREMENTS for row in requirement.rows(analysis))
    rows = tuple(_with_cause(row, analysis) for row in rows)
    missed = [r for r in rows if r.verdict == "missed"]
    tell("what would mend the missed requirements" if missed else "report", len(_STAGES))
    mended = remedies(analysis, rows, lambda text: tell(text, len(_STAGES)))
    coarse = [r.leg for r in missed if r.id == "flow_resolution" and r.leg is not None]
    if coarse:
        studies["resolution_fix"] = {leg: analysis.resolution_fix[leg] for leg in coarse}
    if design.outer_loops is not None:
        try:
            studies["outer"] = analysis.outer
        except ValvectlError as error:
            failed["outer"] = f"outer loops: {error}"
    if own:
        studies["gear"] = {leg: analysis.gear[leg] for leg in own}
    said = [failed[name] for name in (*(it[1] for it in _STAGES), "outer") if name in failed]
    tell("done", of)
    if not analysis.tank_work.declared:
        studies.pop("disturbance", None)
    for internal in ("machine", "schedule"):
        studies.pop(internal, None)
    return Review(
        design=design.name,
        note=design.data.note,
        file=str(design.path) if design.path is not None else "",
        rows=rows,
        remedies=mended,
        studies=studies,
        defaults_used=design.defaults_used,
        assumed=tuple(key for key, item in design.inputs.items() if item.origin == "assumed"),
        warnings=(*said, *warnings_of(analysis, studies.get("spread"))),
        input_hash=design.input_hash,
        versions=versions(),
        by_hand=lines(analysis),
        hold_points=hold_points(analysis),
        sources=sources(analysis),
        inputs=input_lines(design),
        date=datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
    )
