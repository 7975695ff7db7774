"""What a notebook or a script uses: ``load`` a design, ask it questions."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from valvectl.api_leg import ServoLeg
from valvectl.design.design_file import DesignFile
from valvectl.design.load import read_design
from valvectl.design.schema import LegName

if TYPE_CHECKING:
    from valvectl.errors import Fault
    from valvectl.plant.machine import Machine
    from valvectl.review.check import Progress
    from valvectl.review.compare import Comparison
    from valvectl.review.saved import Side
    from valvectl.review.verdict import Review
    from valvectl.servo.sampled import Discrete
    from valvectl.studies.analysis import Analysis
    from valvectl.studies.budget import BudgetResult
    from valvectl.studies.catalogue import CatalogueResult, Filters
    from valvectl.studies.disperse import DisperseResult
    from valvectl.studies.disturbance_result import DisturbanceResult
    from valvectl.studies.drivers import DriversResult
    from valvectl.studies.equations import ControllerEquations
    from valvectl.studies.fault_result import FaultsResult
    from valvectl.studies.fill import FillResult
    from valvectl.studies.gear_result import GearStageResult
    from valvectl.studies.ladder import LadderResult
    from valvectl.studies.limit_cycles import LimitCycles
    from valvectl.studies.loop import LoopResult
    from valvectl.studies.mission_heat_result import MissionHeat
    from valvectl.studies.model import ModelResult
    from valvectl.studies.outer_result import OuterResult
    from valvectl.studies.port_result import PortsResult
    from valvectl.studies.power_loss_result import PowerLossResult
    from valvectl.studies.power_result import PowerResult
    from valvectl.studies.purge import PurgeResult
    from valvectl.studies.ratio import RatioResult
    from valvectl.studies.resolution import ResolutionResult
    from valvectl.studies.resolution_fix import StepFixes
    from valvectl.studies.responses import Responses
    from valvectl.studies.robust_result import RobustResult
    from valvectl.studies.spread import SpreadResult
    from valvectl.studies.stability import StabilityResult
    from valvectl.studies.stroke import StrokeResult
    from valvectl.studies.surge import SurgeResult
    from valvectl.studies.throttle import ThrottleResult
    from valvectl.studies.timing import TimingResult
    from valvectl.studies.torque_result import TorqueResult
    from valvectl.studies.tuning import TuningResult
    from valvectl.studies.worst import WorstResult


class Design(DesignFile):
    """A design with the studies as methods. Each study is worked out once and kept."""

    @functools.cached_property
    def analysis(self) -> Analysis:
        """The studies of this design."""
        from valvectl.studies.analysis import Analysis

        return Analysis(self)

    @property
    def machine(self) -> Machine:
        """The design as numbers, SI."""
        return self.analysis.machine

    def leg(self, name: LegName) -> ServoLeg:
        """One leg: what the file says of it, and its servo as python-control objects (``leg("fuel").loop()`` and others).

        Raises ``DesignError`` for any name but oxidizer and fuel.
        """
        return ServoLeg.of(super().leg(name), name, self)

    def check(self, progress: Progress | None = None, two_cores: bool = False) -> Review:
        """Every study held against every requirement. ``progress(stage, done, of)`` is called as it goes.

        ``two_cores`` forks this process (Linux only) to be done sooner; the review is the same. Leave it off in a process
        with threads of its own, such as a server.
        """
        from valvectl.review.check import check

        return check(self, progress, two_cores)

    def ratio(self, leg: LegName) -> RatioResult:
        """Sweep of a leg's gear ratio."""
        return self.analysis.ratio[leg]

    def ratio_in_full(self, leg: LegName) -> RatioResult:
        """The same with the probability over the declared tolerances and simulated strokes (some seconds)."""
        return self.analysis.ratio_in_full[leg]

    def catalogue(
        self, leg: LegName, motors: Path | None = None, gears: Path | None = None, filters: Filters | None = None
    ) -> CatalogueResult:
        """Every motor with every gearbox of two catalogue files on a leg; without files the invented ones."""
        return self.analysis.catalogue(leg, motors, gears, filters)

    def loop(self, leg: LegName) -> LoopResult:
        """Frequency and step analysis of a leg's position loop."""
        return self.analysis.loop[leg]

    def equations(self, leg: LegName) -> ControllerEquations:
        """The difference equations of a leg's controller with its numbers."""
        from valvectl.studies.equations import controller_equations

        return controller_equations(leg, self.machine.legs[leg].servo, self.analysis.gains[leg])

    def timing(self, leg: LegName) -> TimingResult:
        """What samples, delays, offsets, sensors and filters cost each loop in phase; margins over the jitter."""
        return self.analysis.timing[leg]

    def loop_in_full(self, leg: LegName) -> LoopResult:
        """The same with every crossing, stiffness against load, noise, poles and zeros, and word lengths."""
        return self.analysis.loop_in_full[leg]

    def tuning(self, leg: LegName) -> TuningResult:
        """Gains of a leg's cascade that hold at every corner of the design, and rules beside them (some seconds)."""
        return self.analysis.tuning(leg)

    def hunting(self, leg: LegName) -> LimitCycles:
        """Limit cycles and hunting of a leg: foreseen by harmonic balance, and simulated (some seconds)."""
        return self.analysis.hunting[leg]

    def responses(self, leg: LegName) -> Responses:
        """Steps, ramp, sine and throttle profile of a leg's servo: the real one beside its linear loop."""
        return self.analysis.responses[leg]

    def resolution(self) -> ResolutionResult:
        """Flow and mixture ratio per smallest reliable step and after a reversal, ball offset, both legs together."""
        return self.analysis.resolution

    def throttle_run(self) -> ThrottleResult:
        """The throttle profile, simulated."""
        return self.analysis.throttle

    def ports(self, leg: LegName) -> PortsResult:
        """Ports compared for a leg: shapes and bores over the throttle range, and which to take."""
        return self.analysis.ports[leg]

    def purge(self, leg: LegName) -> PurgeResult:
        """Purge gas of a leg: flow, choking, time to sweep. Raises ``RangeError`` when the design has no purge there."""
        return self.analysis.purge[leg]

    def resolution_fix(self, leg: LegName) -> StepFixes:
        """What change of one input alone would bring a leg's worst flow step to its limit."""
        return self.analysis.resolution_fix[leg]

    def ladder(self) -> LadderResult:
        """Pressure ladder over the throttle range."""
        return self.analysis.ladder

    def torque(self, leg: LegName) -> TorqueResult:
        """Stem torque of a leg: envelope by corner, margins by the rule in force and by every other, dynamic margin."""
        return self.analysis.torque[leg]

    def stroke(self) -> StrokeResult:
        """Full strokes of both valves, simulated."""
        return self.analysis.stroke

    def gear(self, leg: LegName) -> GearStageResult:
        """Teeth of a leg's last gear stage as the team's own; needs the table ``actuator.own_stage``."""
        return self.analysis.gear[leg]

    def power_loss(self) -> PowerLossResult:
        """What the valves do when power, a command or one motor is lost, and what that does to the mixture ratio."""
        return self.analysis.power_loss

    def heat(self, leg: LegName) -> MissionHeat:
        """Winding and case of a leg's motor over the mission, times to the limit, duty type, torque lost when hot."""
        return self.analysis.mission_heat[leg]

    def power(self) -> PowerResult:
        """Both drives and the other loads on one battery: sag, lock-out, braking energy, fuse, energy book."""
        return self.analysis.power

    def trim(self, kv_error: float | None = None, tank_error: float | None = None) -> OuterResult:
        """Outer loops over the throttle range and in runs; ``kv_error`` of the oxidizer valve [-], ``tank_error`` of the fuel
        tank [Pa]. Raises ``RangeError`` when the design has no outer loops."""
        if kv_error is None and tank_error is None:
            return self.analysis.outer
        from valvectl.studies.outer_loops import KV_ERROR, TANK_ERROR, outer_loops

        a = self.analysis
        errors = (KV_ERROR if kv_error is None else kv_error, TANK_ERROR if tank_error is None else tank_error)
        return outer_loops(a.machine, a.gains, a.schedule, self.outer_loops, a.profile, a.spread, *errors)

    def model(self, throttle: float = 1.0) -> ModelResult:
        """Transfer functions and sensitivities by symbols at a throttle setting [-], held against the program's own."""
        from valvectl.studies.model import model

        return self.analysis.model if throttle == 1.0 else model(self.machine, throttle)

    def spread(self) -> SpreadResult:
        """Spread of the mixture ratio from the declared tolerances."""
        return self.analysis.spread

    def budget(self, runs: int = 400, progress: Progress | None = None) -> BudgetResult:
        """Error budget of O/F and thrust, held against ``runs`` drawn engines."""
        from valvectl.studies.budget import budget

        return budget(self, runs, progress=progress)

    def worst(self, progress: Progress | None = None) -> WorstResult:
        """The worst engine within tolerance, found by corners and search."""
        from valvectl.studies.worst import worst

        return worst(self, progress)

    def drivers(self, base: int = 64, **options: Any) -> DriversResult:
        """Which inputs the scatter comes from; options as ``studies.drivers.drivers`` has them."""
        from valvectl.studies.drivers import drivers

        return drivers(self, base, **options)

    def disperse(self, runs: int = 100, **options: Any) -> DisperseResult:
        """Engines drawn from the tolerances; options as ``studies.disperse.disperse`` has them."""
        from valvectl.studies.disperse import disperse

        return disperse(self, runs, **options)

    def robust(self, free: Sequence[str] = (), **options: Any) -> RobustResult:
        """Ratio, gains, shape and limits that meet all requirements most often (minutes).

        ``free`` as ``valvectl robust --free``, options as ``studies.robust.robust`` has them.
        """
        from valvectl.review.robust_rows import ordinary_rows
        from valvectl.studies.robust import robust

        return robust(self, ordinary_rows, free=free, **options)

    def single_faults(
        self,
        *,
        legs: Sequence[LegName] = ("oxidizer", "fuel"),
        kinds: Sequence[str] | None = None,
        at_time: float | None = None,
        progress: Progress | None = None,
    ) -> FaultsResult:
        """Single faults over the throttle profile, or some of them at one time [s]; names as in ``plant.fault_run.KINDS``."""
        from valvectl.studies.faults import faults

        a = self.analysis
        return faults(
            self, a.machine, a.gains, a.schedule, a.profile, legs=legs, kinds=kinds, at_time=at_time, progress=progress
        )

    def stability(self) -> StabilityResult:
        """Feed-system stability (chug) over the throttle range, manifolds from stiff to soft."""
        return self.analysis.stability

    def surge(self, leg: LegName) -> SurgeResult:
        """Pressure surge in a leg's line when its valve moves, and the closing law of least surge."""
        return self.analysis.surge[leg]

    def disturbance(self, burn: tuple[float, float] | None = None) -> DisturbanceResult:
        """What the tanks do to O/F while the valves keep their schedule.

        Over the throttle profile, or with ``burn`` = (throttle setting [-], time [s]) over a burn at one setting. Raises
        ``RangeError`` for a burn that makes no sense, and as ``studies.disturbance.disturbance`` does.
        """
        if burn is None:
            return self.analysis.disturbance
        from valvectl.studies.disturbance import TankWork, burn_profile, disturbance

        profile = burn_profile(burn[0], burn[1], self.throttle.minimum)
        return disturbance(TankWork(self, self.machine, self.analysis.schedule, profile))

    def fill(self) -> FillResult:
        """Start transient: filling, arrivals, and what has gathered in the chamber by ignition."""
        return self.analysis.fill

    def loop_gain(self, leg: LegName) -> Any:
        """The position loop's gain L(z) of a leg as a ``control.StateSpace``."""
        return self._discrete(leg).to_control()

    def actuator(self, leg: LegName) -> Any:
        """A leg's actuator as a continuous ``control.StateSpace``: voltage and load to its states."""
        from valvectl.plant.linear import actuator

        return actuator(self.machine, leg)

    def engine_model(self, throttle: float) -> Any:
        """The linear engine at a throttle setting [-]; see ``plant.linear.EngineModel``."""
        from valvectl.plant.balance import solve
        from valvectl.plant.linear import engine_model

        return engine_model(self.machine, solve(self.machine, throttle))

    def _discrete(self, leg: LegName) -> Discrete:
        from valvectl.servo.sampled import open_loop

        return open_loop(self.machine.legs[leg].servo, self.analysis.gains[leg], "position")


def load(path: str | Path, changes: Sequence[str] = ()) -> Design:
    """Read a design file and make sure that it can be built and that its throttle range has steady points.

    ``changes``: texts ``key=value`` that are put in place of what the file says, values written as in the file.
    Raises ``DesignError`` with every fault found, each with file, key, line and what is allowed.
    """
    from valvectl.errors import DesignError

    design = read_design(path, cls=Design)
    try:
        return _checked(design, path, changes)
    except DesignError as error:
        moved = {key.strip(): value.strip() for key, _, value in (text.partition("=") for text in changes)}
        raise DesignError([_as_asked(f, moved) or _placed(f, design) for f in error.faults]) from None


def _as_asked(fault: Fault, moved: Mapping[str, str]) -> Fault | None:
    """A fault in what was changed for this run (key to value, as written): no place in the file, the value as it was
    written. None for any other."""
    from valvectl.design.quantities import visible

    if fault.key in moved:
        return dataclasses.replace(fault, file="", line=None, got=visible(moved[fault.key]))
    inside = [f"{key} = {value}" for key, value in moved.items() if key.startswith((f"{fault.key}.", f"{fault.key}["))]
    return dataclasses.replace(fault, file="", line=None, got=visible(", ".join(inside), 200)) if inside else None


def _placed(fault: Fault, design: Design) -> Fault:
    """A fault found after reading, with file, line and text of the input it names where the file gives that input."""
    given = design.inputs.get(fault.key)
    if given is None:  # a table: the line of the first thing it says
        inside = next((i for key, i in design.inputs.items() if key.startswith(f"{fault.key}.") and i.line), None)
        if inside is None or not fault.key or "." not in fault.key:
            return fault
        return dataclasses.replace(fault, file=inside.file, line=fault.line or inside.line)
    return dataclasses.replace(
        fault, file=fault.file or given.file, line=fault.line or given.line, got=fault.got or f'"{given.text}"'
    )


def _checked(design: Design, path: str | Path, changes: Sequence[str]) -> Design:
    """The design with its changes, built, with steady points at both ends of the throttle range."""
    from valvectl.errors import DesignError, Fault, NoBalanceError

    if changes:
        from valvectl.design.changes import read_changes

        design = design.with_values(read_changes(changes, design.engine.ambient_pressure))
    analysis = design.analysis
    machine = analysis.machine
    from valvectl.plant.balance import solve
    from valvectl.plant.time_grid import too_long

    faults = [
        dataclasses.replace(fault, file=str(path)) if fault.key not in design.inputs else fault
        for fault in too_long(machine, design.throttle.profile[-1].time)
    ]
    for setting in (1.0, design.throttle.minimum):
        try:
            solve(machine, setting)
        except NoBalanceError as error:
            key = "throttle.minimum" if setting < 1.0 else "engine.thrust"
            faults.append(Fault(f"no steady point: {error}", key=key, file=str(path)))
    if faults:
        raise DesignError(faults)
    return design


def compare(a: Design | Review | str | Path, b: Design | Review | str | Path, share: float = 0.01) -> Comparison:
    """What changed from ``a`` to ``b`` in inputs and verdicts.

    Each is a design (checked first), a review, or a path: a design file, a review folder or its ``review.json``.
    ``share``: change of a value over its limit from which a row of the same verdict counts as moved [-]. Raises
    ``DesignError`` for a file that is neither.
    """
    from valvectl.review.compare import compare as compared

    return compared(_side(a), _side(b), share)


def _side(what: Design | Review | str | Path) -> Side:
    from valvectl.review.saved import is_saved, read_saved, side_of

    if isinstance(what, (str, Path)):
        if is_saved(what):
            return read_saved(what)
        return side_of(load(what).check(), str(what))
    review = what.check() if isinstance(what, Design) else what
    return side_of(review, review.file or review.design)
