"""What a notebook or a script uses: ``load`` a design, ask it questions."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import TYPE_CHECKING, Any

from valvectl.design.design_file import DesignFile
from valvectl.design.load import read_design
from valvectl.design.schema import LegName

if TYPE_CHECKING:
    from valvectl.plant.machine import Machine
    from valvectl.review.check import Progress
    from valvectl.review.verdict import Review
    from valvectl.servo.sampled import Discrete
    from valvectl.studies.analysis import Analysis
    from valvectl.studies.fill import FillResult
    from valvectl.studies.ladder import LadderResult
    from valvectl.studies.loop import LoopResult
    from valvectl.studies.port_result import PortsResult
    from valvectl.studies.power_loss import PowerLossResult
    from valvectl.studies.ratio import RatioResult
    from valvectl.studies.resolution import ResolutionResult
    from valvectl.studies.resolution_fix import StepFixes
    from valvectl.studies.spread import SpreadResult
    from valvectl.studies.stability import StabilityResult
    from valvectl.studies.stroke import StrokeResult
    from valvectl.studies.surge import SurgeResult
    from valvectl.studies.throttle import ThrottleResult
    from valvectl.studies.torque_result import TorqueResult


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

    def check(self, progress: Progress | None = None) -> Review:
        """Every study held against every requirement. ``progress(stage, done, of)`` is called as it goes."""
        from valvectl.review.check import check

        return check(self, progress)

    def ratio(self, leg: LegName) -> RatioResult:
        """Sweep of a leg's gear ratio."""
        return self.analysis.ratio[leg]

    def loop(self, leg: LegName) -> LoopResult:
        """Frequency and step analysis of a leg's position loop."""
        return self.analysis.loop[leg]

    def resolution(self) -> ResolutionResult:
        """Flow and mixture ratio per smallest reliable step, both legs."""
        return self.analysis.resolution

    def throttle_run(self) -> ThrottleResult:
        """The throttle profile, simulated."""
        return self.analysis.throttle

    def ports(self, leg: LegName) -> PortsResult:
        """Ports compared for a leg: shapes and bores over the throttle range, and which to take."""
        return self.analysis.ports[leg]

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

    def power_loss(self) -> PowerLossResult:
        """What the valves do when power, a command or one motor is lost, and what that does to the mixture ratio."""
        return self.analysis.power_loss

    def spread(self) -> SpreadResult:
        """Spread of the mixture ratio from the declared tolerances."""
        return self.analysis.spread

    def stability(self) -> StabilityResult:
        """Feed-system stability (chug) over the throttle range, manifolds from stiff to soft."""
        return self.analysis.stability

    def surge(self, leg: LegName) -> SurgeResult:
        """Pressure surge in a leg's line when its valve moves, and the closing law of least surge."""
        return self.analysis.surge[leg]

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


def load(path: str | Path) -> Design:
    """Read a design file and make sure that it can be built and that its throttle range has steady points.

    Raises ``DesignError`` with every fault found, each with file, key, line and what is allowed.
    """
    from valvectl.errors import DesignError, Fault, NoBalanceError

    design = read_design(path, cls=Design)
    analysis = design.analysis
    machine = analysis.machine
    from valvectl.plant.balance import solve

    faults = []
    for setting in (1.0, design.throttle.minimum):
        try:
            solve(machine, setting)
        except NoBalanceError as error:
            key = "throttle.minimum" if setting < 1.0 else "engine.thrust"
            faults.append(Fault(f"no steady point: {error}", key=key, file=str(path)))
    if faults:
        raise DesignError(faults)
    return design
