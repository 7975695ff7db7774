"""All studies of one design, each worked out once, when it is first asked for."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterator, Mapping
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, LegName
from valvectl.errors import DesignError, Fault, RangeError, ValvectlError
from valvectl.parts.controller import CascadeGains
from valvectl.parts.controller_more import CASCADE
from valvectl.plant.command import stretches
from valvectl.plant.machine import Machine, build
from valvectl.plant.schedule import Schedule, build_schedule
from valvectl.plant.trace import Trace
from valvectl.studies.adverse import BOILING, FLOW, STIFFNESS, TORQUE, adverse, adverse_design, corner_schedule

if TYPE_CHECKING:
    from valvectl.servo.optimise import Progress as TuneProgress
    from valvectl.studies.catalogue import CatalogueResult, Filters
    from valvectl.studies.disturbance import TankWork
    from valvectl.studies.disturbance_result import DisturbanceResult
    from valvectl.studies.fill import FillResult
    from valvectl.studies.gear_result import GearStageResult
    from valvectl.studies.heat import HeatResult
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
    from valvectl.studies.spread import SpreadResult
    from valvectl.studies.stability import StabilityResult
    from valvectl.studies.stroke import StrokeResult
    from valvectl.studies.surge import SurgeResult
    from valvectl.studies.throttle import ThrottleResult
    from valvectl.studies.timing import TimingResult
    from valvectl.studies.torque_result import TorqueResult
    from valvectl.studies.tuning import TuningResult

T = TypeVar("T")


class _EachLeg(Mapping[LegName, T]):
    """Results by leg, each worked out when first asked for."""

    def __init__(self, work: Callable[[LegName], T]) -> None:
        self._work = work
        self._done: dict[LegName, T] = {}

    def __getitem__(self, name: LegName) -> T:
        if name not in LEGS:
            raise KeyError(name)
        if name not in self._done:
            self._done[name] = self._work(name)
        return self._done[name]

    def __iter__(self) -> Iterator[LegName]:
        return iter(LEGS)

    def __len__(self) -> int:
        return len(LEGS)


class Analysis:
    """The studies of a design as attributes; those of a leg as dictionaries by leg."""

    def __init__(self, design: DesignFile) -> None:
        self.design = design

    @cached_property
    def machine(self) -> Machine:
        """The design as numbers."""
        try:
            return build(self.design)
        except DesignError as error:
            from valvectl.plant.build_words import explained

            raise DesignError(explained(error.faults, self.design)) from error

    @cached_property
    def schedule(self) -> Schedule:
        """Throttle to angles."""
        return build_schedule(self.machine, self.design.throttle.schedule_points)

    @cached_property
    def gains(self) -> dict[LegName, CascadeGains]:
        """Gains in use."""
        return {name: self._gains(name) for name in LEGS}

    def _gains(self, name: LegName) -> CascadeGains:
        from valvectl.servo.tune import gains_of

        try:
            return gains_of(self.machine.legs[name].servo)
        except DesignError:
            raise
        except ValvectlError as error:  # no gains keep their margins: the leg is told here
            file = "" if self.design.path is None else str(self.design.path)
            raise DesignError(Fault(str(error), key=f"legs.{name}.controller", file=file)) from None

    @property
    def profile(self) -> tuple[tuple[float, float], ...]:
        """Corners of the throttle profile: (time [s], throttle [-])."""
        return tuple((p.time, p.throttle) for p in self.design.throttle.profile)

    @cached_property
    def ladder(self) -> LadderResult:
        """Pressure ladder over the throttle range."""
        from valvectl.studies.ladder import ladder

        return ladder(self.machine, self.schedule)

    @cached_property
    def torque_corner(self) -> tuple[Machine, tuple[str, ...]]:
        """The machine with its tolerances at their adverse bounds for torque, and the keys that moved."""
        return adverse(self.design, TORQUE)

    @cached_property
    def flow_corner(self) -> tuple[LadderResult, tuple[str, ...]]:
        """Pressure ladder with the tolerances at their adverse bounds for choking."""
        from valvectl.studies.ladder import ladder

        machine, schedule, moved = corner_schedule(self.design, FLOW)
        return ladder(machine, schedule), moved

    @cached_property
    def stiffness_corner(self) -> tuple[LadderResult, tuple[str, ...]]:
        """Pressure ladder with the tolerances at their adverse bounds for injector stiffness."""
        from valvectl.studies.ladder import ladder

        machine, schedule, moved = corner_schedule(self.design, STIFFNESS)
        return ladder(machine, schedule), moved

    @cached_property
    def boiling_corner(self) -> tuple[LadderResult, tuple[str, ...]]:
        """Pressure ladder with the tolerances at their adverse bounds for boiling behind a heated jacket."""
        from valvectl.studies.ladder import ladder

        machine, schedule, moved = corner_schedule(self.design, BOILING)
        return ladder(machine, schedule), moved

    @cached_property
    def resolution(self) -> ResolutionResult:
        """Flow and mixture ratio per smallest reliable step."""
        from valvectl.studies.resolution import resolution

        limits = self.design.requirements
        return resolution(self.machine, self.schedule, limits.flow_resolution, limits.flow_dead_band)

    @cached_property
    def torque_static(self) -> dict[LegName, TorqueResult]:
        """Static torque margins, no rule asked."""
        from valvectl.studies.torque import torque

        corner, moved = self.torque_corner
        unknown = {name: self.design.leg(name).valve.torque.includes_unknown_factor for name in LEGS}
        return {name: torque(corner, name, self.machine, moved, unknown[name]) for name in LEGS}

    @cached_property
    def torque(self) -> Mapping[LegName, TorqueResult]:
        """Torque envelope, margins by every rule, dynamic margin."""
        return _EachLeg(self._torque)

    def _torque(self, name: LegName) -> TorqueResult:
        from valvectl.servo.outer_gains import position_rate
        from valvectl.studies.torque import by_rule
        from valvectl.studies.torque_moves import commanded

        static, stroke_time = self.torque_static[name], self.design.requirements.stroke_time
        gain = position_rate(self.gains[name])
        orders = commanded(self.machine, self.schedule, self.profile, gain, stroke_time, name)
        return by_rule(static, self.design, self.torque_corner[0], self.machine, orders)

    @cached_property
    def ratio(self) -> dict[LegName, RatioResult]:
        """Sweeps of the gear ratio."""
        from valvectl.studies.ratio import ratio

        return {
            name: ratio(self.design, self.machine, self.schedule, name, self._torque_design, self._static_wanted(name))
            for name in LEGS
        }

    def _static_wanted(self, name: LegName) -> float | None:
        """Plain static margin that the named torque rule asks for; NaN where none can be judged; None: no rule named."""
        if self.design.leg(name).valve.torque.includes_unknown_factor:
            return math.nan
        if self.design.requirements.torque_rule is None:
            return None
        judged = self.torque[name].stem
        return math.nan if judged is None else judged.asked

    @cached_property
    def _torque_design(self) -> tuple[Machine, DesignFile]:
        return self.torque_corner[0], adverse_design(self.design, TORQUE)[0]

    def catalogue(
        self, name: LegName, motors: Path | None, gears: Path | None, filters: Filters | None = None
    ) -> CatalogueResult:
        """Search of a catalogue; files of None are the invented ones. DesignError with the faults of both files."""
        from valvectl.design.catalogue_file import read_gears, read_motors
        from valvectl.studies.catalogue import catalogue

        faults: list[Fault] = []

        def read(reader: Callable[[Path | None], tuple[T, ...]], path: Path | None) -> tuple[T, ...]:
            try:
                return reader(path)
            except DesignError as error:
                faults.extend(error.faults)
                return ()

        found, boxes = read(read_motors, motors), read(read_gears, gears)
        if faults:
            raise DesignError(faults)
        invented = motors is None or gears is None
        return catalogue(
            self.design, self.machine, self.schedule, name, self._torque_design, found, boxes, filters, invented,
            static_wanted=self._static_wanted(name),
        )  # fmt: skip

    @cached_property
    def ratio_in_full(self) -> Mapping[LegName, RatioResult]:
        """The same with its probabilities over the declared tolerances and simulated strokes."""
        return _EachLeg(self._ratio_in_full)

    def _ratio_in_full(self, name: LegName) -> RatioResult:
        from valvectl.studies.ratio_odds import ratio_odds

        found = self.ratio[name]
        odds = ratio_odds(
            self.design, self.machine, self.schedule, name, found.ratio / found.current,
            static_wanted=self._static_wanted(name),
        )  # fmt: skip
        strokes = {found.current: self.stroke.longest(name)[0]}
        if found.recommended is not None and found.recommended != found.current:
            last = len(self.design.leg(name).actuator.gears) - 1
            stage = self.design.leg(name).actuator.gears[last].ratio * found.recommended / found.current
            changed = Analysis(self.design.with_values({f"legs.{name}.actuator.gears[{last}].ratio": stage}))
            strokes[found.recommended] = changed.stroke.longest(name)[0]
        return dataclasses.replace(found, odds=odds, simulated=strokes)

    @cached_property
    def loop(self) -> Mapping[LegName, LoopResult]:
        """Frequency and step analysis."""
        return _EachLeg(self._loop)

    def _loop(self, name: LegName) -> LoopResult:
        from valvectl.studies.loop import loop

        self._gains(name)  # where there are none, it says of which leg
        return loop(self.machine, name, self.schedule.points)

    @cached_property
    def timing(self) -> Mapping[LegName, TimingResult]:
        """What sampling costs each loop."""
        from valvectl.studies.timing import timing

        legs = self.machine.legs
        return _EachLeg(lambda name: timing(legs[name].servo, self.design.leg(name).controller, self.gains[name], name))

    @cached_property
    def loop_in_full(self) -> Mapping[LegName, LoopResult]:
        """The same with every crossing, stiffness, noise, poles and word lengths."""
        return _EachLeg(self._loop_in_full)

    def _loop_in_full(self, name: LegName) -> LoopResult:
        from valvectl.studies.loop import middle_point
        from valvectl.studies.loop_detail import loop_detail

        if self.machine.legs[name].servo.more.structure != CASCADE:  # its detail rests on the cascade's loops and gains
            return self.loop[name]
        point = middle_point(self.schedule.points, name)
        detail = loop_detail(self.machine, self.gains[name], name, point)
        return dataclasses.replace(self.loop[name], detail=detail)

    def tuning(self, name: LegName, progress: TuneProgress | None = None) -> TuningResult:
        """Gains of a leg over the corners of the design. ``ValvectlError`` for a controller that is no cascade."""
        from valvectl.plant.linear import engine_model
        from valvectl.servo.tune import tune
        from valvectl.studies.torque_moves import commanded
        from valvectl.studies.tuning import tuning

        if self.design.leg(name).controller.structure != "cascade":
            raise ValvectlError(
                f"{name}: only the gains of a cascade are tuned over corners; this controller is another"
            )
        servo, limits = self.machine.legs[name].servo, self.design.requirements
        gain = self.gains[name].position
        orders = commanded(self.machine, self.schedule, self.profile, gain, limits.stroke_time, name)
        moves = [order.speed for order in orders if order.what.startswith("throttle")]
        speed = max(moves, default=0.2 * servo.speed_limit)
        steepest = max(engine_model(self.machine, p).slopes[name].angle_gain for p in self.schedule.points)
        return tuning(self.design, self.machine, name, self.gains[name], tune(servo), speed, steepest, progress)

    @cached_property
    def hunting(self) -> Mapping[LegName, LimitCycles]:
        """Limit cycles and hunting, foreseen and simulated."""
        return _EachLeg(self._hunting)

    def _hunting(self, name: LegName) -> LimitCycles:
        from valvectl.studies.limit_cycles import limit_cycles
        from valvectl.studies.loop import middle_point

        found = self.loop[name]
        point = middle_point(self.schedule.points, name)
        margin = found.margins["position"].gain_margin_db
        return limit_cycles(self.machine, self.gains, name, point, margin, found.frequency, found.loop_gain)

    @cached_property
    def responses(self) -> Mapping[LegName, Responses]:
        """Steps, ramp, sine and throttle profile, real and linear."""
        return _EachLeg(self._responses)

    def _responses(self, name: LegName) -> Responses:
        from valvectl.studies.loop import middle_point
        from valvectl.studies.responses import responses

        point = middle_point(self.schedule.points, name)
        return responses(self.machine, self.gains, name, point, self.loop[name].bandwidth, self.throttle)

    @cached_property
    def profile_run(self) -> Trace:
        """The throttle profile as the simulator ran it, with its energy books."""
        from valvectl.studies.mission_heat import profile_run

        return profile_run(self.machine, self.gains, self.schedule, self.profile)

    @cached_property
    def throttle(self) -> ThrottleResult:
        """The throttle profile, simulated."""
        from valvectl.studies.throttle import throttle

        books = self.profile_run
        legs = {name: dataclasses.replace(leg, energy=None) for name, leg in books.legs.items()}
        trace = dataclasses.replace(books, legs=legs)
        return throttle(self.machine, self.gains, self.schedule, self.profile, self.band, trace=trace)

    @cached_property
    def stroke(self) -> StrokeResult:
        """Full strokes, simulated."""
        from valvectl.studies.stroke import stroke

        return stroke(self.machine, self.gains, self.schedule.points[0])

    @cached_property
    def heat(self) -> dict[LegName, HeatResult]:
        """Motor heating over the profile."""
        from valvectl.studies.heat import heat

        return {name: heat(self.design, name, self.throttle.rms_current[name]) for name in LEGS}

    @cached_property
    def mission_heat(self) -> Mapping[LegName, MissionHeat]:
        """Winding and case of the motors over the mission."""
        from valvectl.studies.mission_heat import mission_heat

        trace = self.profile_run
        corner = self.torque_corner[0]
        return _EachLeg(lambda name: mission_heat(self.design, self.machine, corner, trace, name))

    @cached_property
    def gear(self) -> Mapping[LegName, GearStageResult]:
        """Teeth of the gear stage of the team's own making."""
        from valvectl.studies.own_stage import own_stage

        return _EachLeg(lambda name: own_stage(self.design, self.machine, name))

    @cached_property
    def power_loss(self) -> PowerLossResult:
        """Loss of power, of command, of one motor."""
        from valvectl.studies.power_loss import power_loss

        return power_loss(self.design, self.machine, self.gains, self.schedule, self.profile)

    @cached_property
    def power(self) -> PowerResult:
        """Both drives and the other loads on one battery."""
        from valvectl.studies.power import power

        return power(self.design, self.machine, self.gains, self.schedule, self.profile)

    @cached_property
    def ports(self) -> Mapping[LegName, PortsResult]:
        """Ports compared."""
        from valvectl.studies.ports import ports

        return _EachLeg(lambda name: ports(self.design, self.machine, self.schedule, name))

    @cached_property
    def purge(self) -> Mapping[LegName, PurgeResult]:
        """Purge gas of the legs that have any."""
        from valvectl.studies.purge import purge

        return _EachLeg(lambda name: purge(self.design, self.machine, self.schedule, name))

    @cached_property
    def resolution_fix(self) -> Mapping[LegName, StepFixes]:
        """What alone would bring the worst flow step to its limit."""
        from valvectl.studies.resolution_fix import resolution_fix

        return _EachLeg(lambda name: resolution_fix(self.design, self.machine, self.schedule, self.resolution, name))

    @cached_property
    def stability(self) -> StabilityResult:
        """Feed-system stability (chug) over the throttle range."""
        from valvectl.studies.line_waves import wave_transit
        from valvectl.studies.stability import stability

        manifolds = {name: self.design.leg(name).manifold for name in LEGS}
        exponent = self.design.engine.combustion.delay_exponent
        transits = {name: wave_transit(self.design.leg(name).line, self.machine.legs[name].liquid) for name in LEGS}
        return stability(self.machine, self.schedule, manifolds, delay_exponent=exponent, transits=transits)

    @cached_property
    def surge(self) -> Mapping[LegName, SurgeResult]:
        """Pressure surge in the lines and the closing law of least surge."""
        from valvectl.studies.surge import surge

        return _EachLeg(lambda name: surge(self.machine, self.design, self.schedule, name))

    @cached_property
    def tank_work(self) -> TankWork:
        """Runs of both tanks over the throttle profile."""
        from valvectl.studies.disturbance import TankWork

        return TankWork(self.design, self.machine, self.schedule, self.profile)

    @cached_property
    def disturbance(self) -> DisturbanceResult:
        """What the tanks do to O/F over the throttle profile."""
        from valvectl.studies.disturbance import disturbance

        return disturbance(self.tank_work)

    @cached_property
    def fill(self) -> FillResult:
        """Start transient, as the design file's table start has it."""
        from valvectl.studies.fill import fill

        given, start = self.design.inputs, self.design.start
        return fill(
            self.machine,
            self.design,
            self.schedule,
            fuel_lead=start.fuel_lead,
            ignition_delay=start.ignition_delay if "start.ignition_delay" in given else None,
            scatter=start.timing_scatter if "start.timing_scatter" in given else None,
            burst_limit=start.burst_limit,
        )

    @cached_property
    def model(self) -> ModelResult:
        """Transfer functions and sensitivities by symbols, at full thrust."""
        from valvectl.studies.model_kept import kept_model

        return kept_model(self.machine, 1.0, self.design.input_hash)

    @cached_property
    def outer(self) -> OuterResult:
        """Outer loops: thrust and mixture-ratio trim. Raises ``RangeError`` when the design has none."""
        from valvectl.studies.outer_loops import NO_LOOPS, outer_loops

        settings = self.design.outer_loops
        if settings is None:
            raise RangeError(NO_LOOPS)
        return outer_loops(self.machine, self.gains, self.schedule, settings, self.profile, self.spread)

    @property
    def band(self) -> float:
        """What the tolerances leave of the steady O/F limit, for settling [-]; zero when they take all of it."""
        left = float(self.design.requirements.mixture_ratio_steady) - float(self.spread.spread.max())
        return max(left, 0.0)

    @property
    def settings(self) -> tuple[float, ...]:
        """Throttle settings at which the spread is worked out: both ends and every stretch of constant throttle."""
        held = {x0 for _, _, x0, x1 in stretches(self.profile) if x0 == x1}
        return tuple(sorted({self.design.throttle.minimum, 1.0, *held}))

    @cached_property
    def spread(self) -> SpreadResult:
        """Spread of the mixture ratio from the declared tolerances."""
        from valvectl.studies.spread import spread

        return spread(self.design, self.machine, self.schedule, self.settings)
