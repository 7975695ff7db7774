"""A motor's heat as the design states it: two nodes, or one; steps, times to a limit, and cycles that repeat.

At a constant current a step is linear in the temperatures, so that a whole run of steps is one too: x -> M x + b, found from
three runs. A cycle's lasting state is then (1 - M)^-1 b, and n cycles are a matrix power.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from valvectl.design.schema_actuator import TWO_NODES, Actuator
from valvectl.parts import motor, motor_heat, motor_one_node
from valvectl.parts.lookup import FloatArray


@dataclass(frozen=True)
class Stretch:
    """Time at one current."""

    current: float
    """RMS [A]."""
    time: float
    """[s]"""
    case_loss: float = 0.0
    """Heat born in the case, with two nodes [W]."""


@dataclass(frozen=True)
class HeatNetwork:
    """Two nodes, or one when ``winding_case`` is zero: ``winding_capacity`` is then that of the whole motor."""

    surroundings: float
    """[K]"""
    limit: float
    """Of the winding [K]."""
    r25: float
    """[ohm]"""
    coefficient: float
    """[1/K]"""
    winding_case: float
    """[K/W]"""
    case_air: float
    """[K/W]"""
    winding_capacity: float
    """[J/K]"""
    case_capacity: float
    """[J/K]; zero with one node."""

    @property
    def nodes(self) -> int:
        """1 or 2."""
        return 1 if self.winding_case == 0.0 else 2

    @property
    def total(self) -> float:
        """Thermal resistance winding to surroundings [K/W]."""
        return self.winding_case + self.case_air

    def step(self, winding: float, case: float, part: Stretch) -> tuple[float, float]:
        """Both temperatures [K] at the end of a stretch; alike with one node."""
        if self.nodes == 1:
            after = motor_one_node.node_step(
                winding, self.surroundings, part.current, self.r25, self.coefficient, self.case_air,
                self.winding_capacity, part.time,
            )  # fmt: skip
            return after, after
        return motor_heat.heat_step(
            winding, case, self.surroundings, part.current, self.r25, self.coefficient, self.winding_case, self.case_air,
            self.winding_capacity, self.case_capacity, part.case_loss, part.time,
        )  # fmt: skip

    def time_to_limit(self, current: float, winding: float, case: float) -> float:
        """Time [s] at a constant current [A] from given temperatures [K] to the limit; infinite if never."""
        if self.nodes == 1:
            return motor_one_node.node_time(
                self.limit, winding, self.surroundings, current, self.r25, self.coefficient, self.case_air,
                self.winding_capacity,
            )  # fmt: skip
        return motor_heat.time_to_limit(
            self.limit, winding, case, self.surroundings, current, self.r25, self.coefficient, self.winding_case,
            self.case_air, self.winding_capacity, self.case_capacity, 0.0,
        )  # fmt: skip

    def steady(self, current: float) -> float:
        """Lasting winding temperature [K] at an RMS current [A], nothing born in the case; infinite when it runs away."""
        return motor.winding_temperature(self.surroundings, current, self.r25, self.coefficient, self.total)


def network(actuator: Actuator) -> HeatNetwork:
    """The motor of a design, on the hot day of its heating check."""
    m = actuator.motor
    if m.winding_case_resistance is not None:
        winding_case, case_air, winding_capacity, case_capacity = (float(getattr(m, key)) for key in TWO_NODES)
        parts = (winding_case, case_air, winding_capacity, case_capacity)
    else:
        parts = (0.0, m.thermal_resistance, m.thermal_time_constant / m.thermal_resistance, 0.0)
    return HeatNetwork(
        actuator.hot_surroundings, m.temperature_limit, m.resistance, m.resistance_coefficient, *parts
    )  # fmt: skip


class Course:
    """Temperatures through a row of stretches, as a linear function of those at its start."""

    def __init__(self, net: HeatNetwork, parts: Sequence[Stretch]) -> None:
        self.time = np.concatenate(([0.0], np.cumsum([p.time for p in parts])))
        """Ends of the stretches [s], shape (n + 1,)."""
        runs = [self._run(net, parts, start) for start in ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0))]
        self.offset = runs[0]
        """[K], shape (n + 1, 2)."""
        self.matrix = np.stack([runs[1] - runs[0], runs[2] - runs[0]], axis=2)
        """[-], shape (n + 1, 2, 2)."""
        if net.nodes == 1:  # the case is the winding: only the winding's start counts
            self.matrix[0] = [[1.0, 0.0], [1.0, 0.0]]
            self.matrix[:, :, 1] = 0.0

    @staticmethod
    def _run(net: HeatNetwork, parts: Sequence[Stretch], start: tuple[float, float]) -> FloatArray:
        out = [start]
        for part in parts:
            out.append(net.step(*out[-1], part))
        return np.array(out)

    def through(self, start: FloatArray) -> FloatArray:
        """Winding and case [K] at the ends of the stretches, shape (n + 1, 2), from a start of shape (2,)."""
        return np.asarray(self.offset + self.matrix @ start)

    def lasting(self) -> FloatArray:
        """Start [K], shape (2,), that comes back after the row has run; infinite when repeating it runs away."""
        m, b = self.matrix[-1], self.offset[-1]
        if not (np.isfinite(m).all() and np.isfinite(b).all()) or max(abs(np.linalg.eigvals(m))) >= 1.0:
            return np.array([math.inf, math.inf])
        return np.asarray(np.linalg.solve(np.eye(2) - m, b))

    def after(self, start: FloatArray, times: int) -> FloatArray:
        """State [K] after the row has run some times."""
        whole = np.zeros((3, 3))
        whole[:2, :2], whole[:2, 2], whole[2, 2] = self.matrix[-1], self.offset[-1], 1.0
        with np.errstate(over="ignore", invalid="ignore"):
            return np.asarray((np.linalg.matrix_power(whole, times) @ np.append(start, 1.0))[:2])


def repeated_time(net: HeatNetwork, course: Course, start: FloatArray) -> float:
    """Time [s] until the winding reaches its limit when a row repeats without end; infinite if never.

    From a start no hotter than any later one the crest of a run rises from run to run: the first run that reaches the limit
    is found by halving, the time inside it straight between the ends of its stretches.
    """
    lasting = course.lasting()
    if np.isfinite(lasting).all() and float(course.through(lasting)[:, 0].max()) <= net.limit:
        return math.inf

    def crest(n: int) -> float:
        state = course.after(start, n)
        return float(course.through(state)[:, 0].max()) if np.isfinite(state).all() else math.inf

    low, high = -1, 1
    while not crest(high) >= net.limit:
        low, high = high, 2 * high
        if high > 2**40:
            return math.inf
    if crest(0) >= net.limit:
        low, high = -1, 0
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if crest(middle) >= net.limit else (middle, high)
    winding = course.through(course.after(start, high))[:, 0]
    j = int(np.argmax(winding >= net.limit))
    inside = float(course.time[j])
    if j > 0:
        share = (net.limit - winding[j - 1]) / (winding[j] - winding[j - 1])
        inside = float(course.time[j - 1] + share * (course.time[j] - course.time[j - 1]))
    return high * float(course.time[-1]) + inside
