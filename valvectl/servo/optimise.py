"""Gains of a cascade that keep every constraint at every corner of a declared set, and track best among those.

Current loop first: the largest gain that keeps its margins at all corners. Then speed gain, its integral rate and the
position gain together, by pattern search on their logarithms from the rule's gains (``servo.tune``), then along the constraints
by COBYLA; both are deterministic and need no derivatives. The search is local: a global one found up to 3 % less error. What is
made small is the mean error of the stem in the first part of the fastest change that the design commands, friction coming on
with it, at the worst corner. All corners are evaluated at once (``servo.batch``); at the end the exact margins
(``servo.tune.loop_margins``) are taken at every corner, and these are what is reported.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.batch import Batch
from valvectl.servo.disk import disk_margin
from valvectl.servo.sampled import LOOP_ORDER, BreakPoint
from valvectl.servo.small import one_thread
from valvectl.servo.tune import loop_margins

FIRST_STEP, LAST_STEP = 0.16, 0.03
"""Steps of the pattern search in the logarithm of a gain."""
MOST_TRIALS = 260
"""Gain sets that the search tries at most."""
RETREATS = 24
"""Steps back from the start until every constraint holds."""
CLOSE = 0.02
"""Reserve below which a constraint counts as binding [-]."""
MOST_REFINED = 110
"""Gain sets that the refinement tries at most."""
DISK_GRID = 1200
_WAYS = sorted(itertools.product((0.0, 1.0, -1.0), repeat=3), key=lambda way: sum(map(abs, way)))[1:]
"""Directions of the search, single gains first. Along a constraint one gain must give way while another grows: with single
gains alone the search stood still on it, up to 8 % short of what a global search found."""


@dataclass(frozen=True)
class Corner:
    """One combination of what may differ."""

    name: str
    servo: Servo
    friction: float
    """Torque that comes on when the stem starts to move [N m]."""
    bus: float
    """Voltage at the drive [V]."""


@dataclass(frozen=True)
class Limits:
    """What every loop, or the whole servo, must keep at every corner."""

    gain_margin_db: float
    phase_margin: float
    """[rad]"""
    peak_sensitivity: float
    disk: float
    """Disk margin of every loop [-]."""
    delay_margin: float
    """Of the position loop [s]."""
    noise: float
    """Current that one count of the speed encoder asks for over the current limit [-]."""
    saturation: float
    """Peak current, or voltage, of the linear loop in the fastest change over its limit [-]."""
    error: float = math.inf
    """Mean error of the stem in it [rad]; infinite: not limited, only made small."""


@dataclass(frozen=True)
class Held:
    """One constraint at its worst corner."""

    name: str
    loop: str
    """Loop it is of, or servo."""
    value: float
    limit: float
    at_least: bool
    unit: str
    corner: str
    """Where it is worst."""

    @property
    def reserve(self) -> float:
        """Distance to the limit over the limit, positive when kept [-]."""
        if math.isinf(self.value):
            return math.inf if self.at_least else -math.inf
        distance = self.value - self.limit if self.at_least else self.limit - self.value
        return distance / abs(self.limit) if self.limit else distance

    @property
    def kept(self) -> bool:
        return self.reserve >= 0.0

    @property
    def binding(self) -> bool:
        """True when it is what stops the gains."""
        return self.name != "stable" and self.reserve < CLOSE


def least(held: Sequence[Held]) -> Held:
    """The constraint with the least reserve; that a loop is stable counts only where it is not."""
    return min((h for h in held if h.name != "stable" or not h.kept), key=lambda h: h.reserve)


@dataclass(frozen=True)
class Optimum:
    """Gains found, and what holds them."""

    gains: CascadeGains
    error: float
    """Mean error of the stem in the change looked at, at the worst corner [rad]."""
    error_corner: str
    held: tuple[Held, ...]
    """Every constraint at its worst corner, exact margins."""
    trials: int

    @property
    def feasible(self) -> bool:
        """True when every constraint is kept at every corner."""
        return all(h.kept for h in self.held)


class Problem:
    """Corners, limits and the change of the command that is looked at."""

    def __init__(self, corners: Sequence[Corner], limits: Limits, speed: float, duration: float) -> None:
        self.corners, self.limits = tuple(corners), limits
        self.speed, self.duration = speed, duration
        # Corners that differ in friction or bus alone share their linear loops.
        keys: dict[Servo, int] = {}
        self._linear = [keys.setdefault(c.servo, len(keys)) for c in self.corners]
        self.servos = tuple(keys)
        self._names = [next(c.name for c in self.corners if c.servo is s) for s in self.servos]
        self.batch = Batch(self.servos)
        pairs: dict[tuple[int, float], int] = {}
        for place, corner in zip(self._linear, self.corners, strict=True):
            pairs.setdefault((place, corner.friction), len(pairs))
        self._loads = pairs
        self._driven = Batch([self.servos[place] for place, _ in pairs])
        self._friction = np.array([friction for _, friction in pairs])
        self._bus = np.array(
            [
                min(c.bus for c, at in zip(self.corners, self._linear, strict=True) if (at, c.friction) == pair)
                for pair in pairs
            ]
        )
        """Lowest bus voltage of the corners that share a run [V]."""
        self._inner: dict[tuple[float, ...], float] = {}
        self.trials = 0

    # ------------------------------------------------------------------------------------------- fast, while searching

    def shortfall(self, gains: CascadeGains, at: BreakPoint) -> float:
        """How far a loop's margins fall short at the worst corner, as a share of the limit; zero or less when kept."""
        return max(self.shortfalls(gains, at))

    def shortfalls(self, gains: CascadeGains, at: BreakPoint) -> tuple[float, ...]:
        """The same margin by margin."""
        m, limit = self.batch.margins(gains, at), self.limits
        late = at == "position" and limit.delay_margin > 0.0
        if not bool(np.all(m.stable)):
            return (10.0,) * (5 if late else 4)
        found = (
            1.0 - min(float(np.min(m.gain_margin_db)) / limit.gain_margin_db, 10.0),
            1.0 - min(float(np.min(m.phase_margin)) / limit.phase_margin, 10.0),
            float(np.max(m.peak_sensitivity)) / limit.peak_sensitivity - 1.0,
            1.0 - float(np.min(m.disk)) / limit.disk,
        )
        return (*found, 1.0 - min(float(np.min(m.delay_margin)) / limit.delay_margin, 10.0)) if late else found

    def all_shortfalls(self, gains: CascadeGains) -> tuple[float, tuple[float, ...]]:
        """Mean error at the worst corner [rad], and every shortfall of speed loop, position loop and servo."""
        self.trials += 1
        error, _, share, _ = self.tracking(gains)
        servo = (self.noise(gains)[0] / self.limits.noise - 1.0, share / self.limits.saturation - 1.0)
        return error, (*self.shortfalls(gains, "speed"), *self.shortfalls(gains, "position"), *servo)

    def noise(self, gains: CascadeGains) -> tuple[float, int]:
        """Current of one count over the limit [-], worst, and its variant."""
        shares = [
            gains.speed * s.speed_count / s.speed_period / s.current_limit if s.speed_count > 0.0 else 0.0
            for s in self.servos
        ]
        j = int(np.argmax(shares))
        return shares[j], j

    def tracking(self, gains: CascadeGains) -> tuple[float, str, float, str]:
        """Worst mean error [rad] with its corner, worst peak of current or voltage over its limit [-] with its corner."""
        mean, current, voltage = self._driven.ramp(gains, self.speed, self._friction, self.duration)
        places = list(self._loads)
        share = np.maximum(
            current / np.array([self.servos[p].current_limit for p, _ in places]),
            voltage / np.array([self.servos[p].duty_limit for p, _ in places]) / self._bus,
        )
        j, k = int(np.argmax(mean)), int(np.argmax(share))

        def named(place: tuple[int, float]) -> str:
            return next(c.name for c, at in zip(self.corners, self._linear, strict=True) if (at, c.friction) == place)

        return float(mean[j]), named(places[j]), float(share[k]), named(places[k])

    def cost(self, gains: CascadeGains) -> float:
        """Mean error at the worst corner [rad]; a large number that falls with the shortfall where a constraint is missed."""
        self.trials += 1
        short = self.noise(gains)[0] / self.limits.noise - 1.0
        inner = (gains.speed, gains.speed_integral, gains.current, gains.current_integral)
        if inner not in self._inner:  # the speed loop does not know of the position gain
            self._inner[inner] = self.shortfall(gains, "speed")
        short = max(short, self._inner[inner])
        if short > 1.0:
            return 1e3 * (1.0 + short)
        short = max(short, self.shortfall(gains, "position"))
        if short > 1.0:
            return 1e3 * (1.0 + short)
        error, _, share, _ = self.tracking(gains)
        short = max(short, share / self.limits.saturation - 1.0)
        return 1e3 * (1.0 + short) if short > 0.0 else error

    # ------------------------------------------------------------------------------------------------ exact, at the end

    def held(self, gains: CascadeGains) -> tuple[Held, ...]:
        """Every constraint at its worst corner from the exact margins of each corner."""
        limit, out = self.limits, []
        for at in LOOP_ORDER:
            exact = [loop_margins(s, gains, at) for s in self.servos]
            disks = []
            for found in exact:
                omega = np.geomspace(1e-3, 1.0, DISK_GRID) * math.pi / found.loop.period
                disks.append(disk_margin(found.loop.response(omega)[:, 0, 0], omega).size)
            out.append(self._worst("stable", at, [1.0 if f.stable else 0.0 for f in exact], 1.0, True, ""))
            rows: list[tuple[str, list[float], float, bool, str]] = [
                ("gain margin", [f.margins.gain_margin_db for f in exact], limit.gain_margin_db, True, "dB"),
                ("phase margin", [math.degrees(f.margins.phase_margin) for f in exact],
                 math.degrees(limit.phase_margin), True, "deg"),
                ("peak sensitivity", [f.margins.peak_sensitivity for f in exact], limit.peak_sensitivity, False, ""),
                ("disk margin", disks, limit.disk, True, ""),
            ]  # fmt: skip
            if at == "position" and limit.delay_margin > 0.0:
                late = [1e3 * f.margins.delay_margin for f in exact]
                rows.append(("delay margin", late, 1e3 * limit.delay_margin, True, "ms"))
            out.extend(self._worst(name, at, values, bound, least, unit) for name, values, bound, least, unit in rows)
        return (*out, *self._of_servo(gains))

    def quick(self, gains: CascadeGains) -> tuple[Held, ...]:
        """The same from the margins of the search's grid, which are good to a third of a per cent."""
        limit, out = self.limits, []
        for at in LOOP_ORDER:
            m = self.batch.margins(gains, at)
            out.append(self._worst("stable", at, list(m.stable), 1.0, True, ""))
            out.append(self._worst("gain margin", at, list(m.gain_margin_db), limit.gain_margin_db, True, "dB"))
            bound = math.degrees(limit.phase_margin)
            out.append(self._worst("phase margin", at, list(np.degrees(m.phase_margin)), bound, True, "deg"))
            out.append(self._worst("peak sensitivity", at, list(m.peak_sensitivity), limit.peak_sensitivity, False, ""))
            out.append(self._worst("disk margin", at, list(m.disk), limit.disk, True, ""))
        return (*out, *self._of_servo(gains))

    def _of_servo(self, gains: CascadeGains) -> tuple[Held, ...]:
        share, j = self.noise(gains)
        error, at, peak, corner = self.tracking(gains)
        limit = self.limits
        out = [
            Held("noise to current", "servo", 100.0 * share, 100.0 * limit.noise, False, "% of limit", self._names[j]),
            Held("saturation", "servo", 100.0 * peak, 100.0 * limit.saturation, False, "% of limit", corner),
        ]
        if math.isfinite(limit.error):
            bound = math.degrees(limit.error)
            out.append(Held("tracking error", "servo", math.degrees(error), bound, False, "deg", at))
        return tuple(out)

    def _worst(self, name: str, at: str, values: Sequence[float], limit: float, at_least: bool, unit: str) -> Held:
        array = np.asarray(values, dtype=float)
        j = int(np.argmin(array) if at_least else np.argmax(array))
        return Held(name, at, float(array[j]), limit, at_least, unit, self._names[j])


Progress = Callable[[str, int, int], None]


@one_thread
def optimise(problem: Problem, start: CascadeGains, progress: Progress | None = None) -> Optimum:
    """Best gains from a start; when no gains near it keep every constraint, those that fall short least.

    ``start`` as from ``servo.tune.tune``. Deterministic.
    """

    def tell(text: str) -> None:
        if progress is not None:
            progress(text, min(problem.trials, MOST_TRIALS), MOST_TRIALS)

    problem.trials = 0
    tell("current loop")
    gains = replace(start, current=_largest_current(problem, start))
    best = gains
    cost = problem.cost(best)
    for _ in range(RETREATS):
        if cost < 1e3:
            break
        trials = [
            replace(best, position=0.85 * best.position),
            replace(best, speed=0.88 * best.speed, speed_integral=0.88 * best.speed_integral),
        ]
        costs = [problem.cost(t) for t in trials]
        tell("back until every corner holds")
        j = int(np.argmin(costs))
        if costs[j] >= cost:
            break
        best, cost = trials[j], costs[j]
    step, ways = FIRST_STEP, list(_WAYS)
    while step > LAST_STEP and problem.trials < MOST_TRIALS:
        for way in ways:
            trial = replace(
                best,
                position=best.position * math.exp(way[0] * step),
                speed=best.speed * math.exp(way[1] * step),
                speed_integral=best.speed_integral * math.exp(way[2] * step),
            )
            found = problem.cost(trial)
            tell("speed and position loop")
            if found < cost * (1.0 - 1e-4):
                best, cost = trial, found
                ways = [way, *(w for w in ways if w != way)]  # what helped once is tried first
                break
        else:
            step *= 0.5
    if cost < 1e3:
        best = _refined(problem, best, cost, tell)
        cost = problem.cost(best)
    tell("exact margins at every corner")
    held = problem.held(best)
    for _ in range(6):  # the grid of the search may have passed a margin by a hair
        missed = [h for h in held if not h.kept and h.reserve > -0.03]
        if not missed or cost >= 1e3:
            break
        loops = {h.loop for h in missed}
        best = replace(
            best,
            position=best.position * 0.985,
            speed=best.speed * (0.985 if loops & {"speed", "servo"} else 1.0),
            current=best.current * (0.985 if "current" in loops else 1.0),
        )
        held = problem.held(best)
    error, corner, _, _ = problem.tracking(best)
    return Optimum(best, error, corner, held, problem.trials)


def _refined(problem: Problem, best: CascadeGains, cost: float, tell: Callable[[str], None]) -> CascadeGains:
    """Along the constraints, by SciPy's COBYLA with each of them by itself; the best set met on the way that keeps them all."""
    from scipy.optimize import minimize

    kept: tuple[CascadeGains, float] = best, cost
    seen: dict[tuple[float, ...], tuple[float, tuple[float, ...]]] = {}

    def at(x: FloatArray) -> tuple[float, tuple[float, ...]]:
        nonlocal kept
        key = tuple(float(v) for v in x)
        if key not in seen:
            trial = replace(
                best,
                position=best.position * math.exp(key[0]),
                speed=best.speed * math.exp(key[1]),
                speed_integral=best.speed_integral * math.exp(key[2]),
            )
            error, short = problem.all_shortfalls(trial)
            tell("along the constraints")
            if max(short) <= 0.0 and error < kept[1]:
                kept = trial, error
            seen[key] = min(error, 10.0 * cost) / cost, short
        return seen[key]

    minimize(
        lambda x: at(x)[0],
        np.zeros(3),
        method="COBYLA",
        constraints={"type": "ineq", "fun": lambda x: -np.clip(at(x)[1], -1.0, 3.0)},
        options={"rhobeg": 0.08, "tol": 2e-3, "maxiter": MOST_REFINED},
    )
    return kept[0]


def _largest_current(problem: Problem, start: CascadeGains) -> float:
    """Largest gain of the current loop whose margins hold at every corner, to one percent."""
    low = start.current
    for _ in range(30):
        if problem.shortfall(replace(start, current=low), "current") <= 0.0:
            break
        low *= 0.8
    else:
        return start.current
    high = low * 1.25
    for _ in range(10):
        if problem.shortfall(replace(start, current=high), "current") > 0.0:
            break
        low, high = high, high * 1.25
    while high / low > 1.01:
        middle = math.sqrt(low * high)
        if problem.shortfall(replace(start, current=middle), "current") <= 0.0:
            low = middle
        else:
            high = middle
    return low


def indices(problem: Problem) -> FloatArray:
    """Linear variant of each corner, shape (n,)."""
    return np.array(problem._linear)
