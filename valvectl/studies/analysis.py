"""All studies of one design, each worked out once, when it is first asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import cached_property
from typing import TypeVar

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, LegName
from valvectl.parts.controller import CascadeGains
from valvectl.plant.machine import Machine, build
from valvectl.plant.schedule import Schedule, build_schedule
from valvectl.servo.tune import gains_of
from valvectl.studies.adverse import FLOW, STIFFNESS, TORQUE, adverse, corner_schedule
from valvectl.studies.fill import FillResult, fill
from valvectl.studies.heat import HeatResult, heat
from valvectl.studies.ladder import LadderResult, ladder
from valvectl.studies.loop import LoopResult, loop
from valvectl.studies.port_result import PortsResult
from valvectl.studies.ports import ports
from valvectl.studies.power_loss import PowerLossResult, power_loss
from valvectl.studies.ratio import RatioResult, ratio
from valvectl.studies.resolution import ResolutionResult, resolution
from valvectl.studies.resolution_fix import StepFixes, resolution_fix
from valvectl.studies.spread import SpreadResult, spread
from valvectl.studies.stability import StabilityResult, stability
from valvectl.studies.stroke import StrokeResult, stroke
from valvectl.studies.surge import SurgeResult, surge
from valvectl.studies.throttle import ThrottleResult, stretches, throttle
from valvectl.studies.torque import by_rule, torque
from valvectl.studies.torque_moves import commanded
from valvectl.studies.torque_result import TorqueResult

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
        return build(self.design)

    @cached_property
    def schedule(self) -> Schedule:
        """Throttle to angles."""
        return build_schedule(self.machine, self.design.throttle.schedule_points)

    @cached_property
    def gains(self) -> dict[LegName, CascadeGains]:
        """Gains in use."""
        return {name: gains_of(self.machine.legs[name].servo) for name in LEGS}

    @property
    def profile(self) -> tuple[tuple[float, float], ...]:
        """Corners of the throttle profile: (time [s], throttle [-])."""
        return tuple((p.time, p.throttle) for p in self.design.throttle.profile)

    @cached_property
    def ladder(self) -> LadderResult:
        """Pressure ladder over the throttle range."""
        return ladder(self.machine, self.schedule)

    @cached_property
    def torque_corner(self) -> tuple[Machine, tuple[str, ...]]:
        """The machine with its tolerances at their adverse bounds for torque, and the keys that moved."""
        return adverse(self.design, TORQUE)

    @cached_property
    def flow_corner(self) -> tuple[LadderResult, tuple[str, ...]]:
        """Pressure ladder with the tolerances at their adverse bounds for choking."""
        machine, schedule, moved = corner_schedule(self.design, FLOW)
        return ladder(machine, schedule), moved

    @cached_property
    def stiffness_corner(self) -> tuple[LadderResult, tuple[str, ...]]:
        """Pressure ladder with the tolerances at their adverse bounds for injector stiffness."""
        machine, schedule, moved = corner_schedule(self.design, STIFFNESS)
        return ladder(machine, schedule), moved

    @cached_property
    def resolution(self) -> ResolutionResult:
        """Flow and mixture ratio per smallest reliable step."""
        return resolution(self.machine, self.schedule, self.design.requirements.flow_resolution)

    @cached_property
    def torque_static(self) -> dict[LegName, TorqueResult]:
        """Static torque margins, no rule asked."""
        corner, moved = self.torque_corner
        unknown = {name: self.design.leg(name).valve.torque.includes_unknown_factor for name in LEGS}
        return {name: torque(corner, name, self.machine, moved, unknown[name]) for name in LEGS}

    @cached_property
    def torque(self) -> Mapping[LegName, TorqueResult]:
        """Torque envelope, margins by every rule, dynamic margin."""
        return _EachLeg(self._torque)

    def _torque(self, name: LegName) -> TorqueResult:
        static, stroke_time = self.torque_static[name], self.design.requirements.stroke_time
        gain = gains_of(self.machine.legs[name].servo).position
        orders = commanded(self.machine, self.schedule, self.profile, gain, stroke_time, name)
        return by_rule(static, self.design, self.torque_corner[0], self.machine, orders)

    @cached_property
    def ratio(self) -> dict[LegName, RatioResult]:
        """Sweeps of the gear ratio."""
        corner, design = self.torque_corner[0], self.design
        named = design.requirements.torque_rule is not None
        asked = {name: self.torque[name].stem if named else None for name in LEGS}
        limit = {name: None if at is None else at.asked for name, at in asked.items()}
        return {name: ratio(design, self.machine, self.schedule, name, corner, limit[name]) for name in LEGS}

    @cached_property
    def loop(self) -> Mapping[LegName, LoopResult]:
        """Frequency and step analysis."""
        return _EachLeg(lambda name: loop(self.machine, name, self.schedule.points))

    @cached_property
    def throttle(self) -> ThrottleResult:
        """The throttle profile, simulated."""
        return throttle(self.machine, self.gains, self.schedule, self.profile, self.band)

    @cached_property
    def stroke(self) -> StrokeResult:
        """Full strokes, simulated."""
        return stroke(self.machine, self.gains, self.schedule.points[0])

    @cached_property
    def heat(self) -> dict[LegName, HeatResult]:
        """Motor heating over the profile."""
        return {name: heat(self.design, name, self.throttle.rms_current[name]) for name in LEGS}

    @cached_property
    def power_loss(self) -> PowerLossResult:
        """Loss of power, of command, of one motor."""
        return power_loss(self.design, self.machine, self.gains, self.schedule, self.profile)

    @cached_property
    def ports(self) -> Mapping[LegName, PortsResult]:
        """Ports compared."""
        return _EachLeg(lambda name: ports(self.design, self.machine, self.schedule, name))

    @cached_property
    def resolution_fix(self) -> Mapping[LegName, StepFixes]:
        """What alone would bring the worst flow step to its limit."""
        return _EachLeg(lambda name: resolution_fix(self.design, self.machine, self.schedule, self.resolution, name))

    @cached_property
    def stability(self) -> StabilityResult:
        """Feed-system stability (chug) over the throttle range."""
        manifolds = {name: self.design.leg(name).manifold for name in LEGS}
        exponent = self.design.engine.combustion.delay_exponent
        return stability(self.machine, self.schedule, manifolds, delay_exponent=exponent)

    @cached_property
    def surge(self) -> Mapping[LegName, SurgeResult]:
        """Pressure surge in the lines and the closing law of least surge."""
        return _EachLeg(lambda name: surge(self.machine, self.design, self.schedule, name))

    @cached_property
    def fill(self) -> FillResult:
        """Start transient, as the design file's table start has it."""
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
        return spread(self.design, self.machine, self.schedule, self.settings)
