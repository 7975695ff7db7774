"""Feed-system stability (chug) over throttle, combustion delay and manifold state; flow separation in the nozzle."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from valvectl.design.schema import LEGS, LegName, Manifold
from valvectl.errors import RangeError
from valvectl.parts import nozzle
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.chug import SOFT, STIFF, ChugLoop, chug_loop, compliance_at
from valvectl.plant.chug_margins import chug_margins, delay_map, refine_neutral, rightmost_root, unstable_roots
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.servo.small import one_thread
from valvectl.studies.engine_side import JacketLadder, SeparationLadder, jacket_ladder, separation_ladder, span
from valvectl.studies.line_waves import wave_margins, waves_note
from valvectl.studies.result import Result

MOST_SETTINGS = 31
"""Throttle settings looked at; a longer schedule is thinned evenly, ends kept."""
SCALES = 25
"""Factors on the delays in the map by default, from a quarter to four times."""
UNCONDITIONAL = 0.5
"""Least drop over chamber pressure of a resistive feed that no delay makes unstable (closed form of the single lag)."""
NODES = 16
"""Chebyshev nodes for the rightmost root; at the stated delays chug turns by a few radians only."""
LEAST_SHARE = 1e-4
"""Smallest gas share of a manifold that is tried in the search for the border [-]."""


@dataclass(frozen=True)
class ManifoldCase:
    """Stability in one state of the manifolds; arrays over throttle have shape (n,)."""

    label: str
    """What is in the manifolds."""
    storage: dict[LegName, FloatArray]
    """Time to fill: compliance times chamber pressure over flow [s]; 0 stiff, infinite soft."""
    roots: NDArray[np.int64]
    """Unstable roots at the delays as stated [-]; 0: stable."""
    gain_margin: FloatArray
    """Gain margin [dB]; negative: unstable; infinite above 80 dB."""
    frequency: FloatArray
    """Frequency of that border [Hz]: where it would chug; NaN when there is none."""
    delay_margin: FloatArray
    """Extra delay to the border, alike in both legs [s]; 0 when unstable, infinite when no delay is too long."""
    neutral_scale: FloatArray
    """Factor on both delays at the border [-]; infinite above the map's largest, below its smallest that smallest."""
    neutral_frequency: FloatArray
    """Frequency at that border [Hz]; NaN when there is none in the map."""
    growth: FloatArray
    """Growth rate of the least damped oscillation [1/s]; negative: it dies out."""
    oscillation: FloatArray
    """Its frequency [Hz]; 0 when it does not swing."""
    map_roots: NDArray[np.int64]
    """Unstable roots over throttle and delay factor [-], shape (n, k)."""
    map_gain_margin: FloatArray
    """Gain margin over throttle and delay factor [dB], shape (n, k); infinite above 14 dB."""

    @property
    def stable(self) -> NDArray[np.bool_]:
        """True where the loop is stable at the delays as stated, shape (n,)."""
        return np.asarray(self.roots == 0)


@dataclass(frozen=True)
class StabilityResult(Result):
    """Chug stability; n throttle settings, k factors on the delays, manifold cases from stiff to soft."""

    throttle: FloatArray
    """[-], shape (n,)"""
    chamber_pressure: FloatArray
    """[Pa], shape (n,)"""
    residence: FloatArray
    """Residence time of the chamber [s], shape (n,)."""
    delay_scale: FloatArray
    """Factors on both combustion delays in the map [-], shape (k,)."""
    delay_exponent: float
    """m in delay = delay at full thrust times throttle^(-m) [-]; 0: the same delay at every setting."""
    delay: dict[LegName, FloatArray]
    """Combustion delay used at each setting [s], shape (n,)."""
    cases: tuple[ManifoldCase, ...]
    """First the stiff limit, then the manifolds as stated, then the gas volumes asked for, last the soft limit."""
    injector_stiffness: dict[LegName, FloatArray]
    """Injector drop over chamber pressure [-], shape (n,); counts alone when the manifold is soft."""
    total_stiffness: dict[LegName, FloatArray]
    """Half the slope of all drops over chamber pressure [-], shape (n,): drop over pressure for square losses; infinite
    with a choked valve; counts when the manifold is stiff."""
    wave_margin: FloatArray
    """Gain margin of the manifolds as stated with waves in the lines before the valves [dB], shape (n,); NaN: not asked
    for. Every other number here has rigid columns."""
    gas_share_border: FloatArray
    """Least share of both manifolds filled with gas at which the loop is unstable [-], shape (n,); infinite: none does;
    0: unstable without gas."""
    exit_pressure_ratio: FloatArray
    """Nozzle exit over ambient pressure [-], shape (n,); infinite in vacuum."""
    separated: NDArray[np.bool_]
    """True where that ratio is below 0.4 and the flow may leave the nozzle wall (Summerfield), shape (n,)."""
    throat_choked: NDArray[np.bool_]
    """False where the throat may not be choked, so that the chamber's law and this study do not hold, shape (n,)."""
    notes: tuple[str, ...]
    """What the numbers rest on and what a reader has to know."""
    points: tuple[OperatingPoint, ...] = field(repr=False)
    separation: SeparationLadder | None = None
    """Where the flow leaves the nozzle wall and what that does to thrust; None in vacuum."""
    jacket: dict[LegName, JacketLadder] = field(default_factory=dict)
    """Of the legs with a heated jacket the liquid behind it: where it boils, the soft limit is the true case."""

    def case(self, label: str) -> ManifoldCase:
        """The case of a label. Raises ``KeyError`` with the labels there are."""
        for case in self.cases:
            if case.label == label:
                return case
        raise KeyError(f"no manifold case {label!r}; there are {', '.join(repr(c.label) for c in self.cases)}")

    @property
    def stiff(self) -> ManifoldCase:
        """The stiff limit: the whole drop from tank to chamber counts."""
        return self.cases[0]

    @property
    def as_stated(self) -> ManifoldCase:
        """The manifolds as the design states them."""
        return self.cases[1]

    @property
    def soft(self) -> ManifoldCase:
        """The soft limit: only the injector's drop counts."""
        return self.cases[-1]

    def verdict(self, case: ManifoldCase) -> str:
        """The case in words: stable everywhere, or where not."""
        bad = ~case.stable
        if not bad.any():
            least = float(np.min(case.gain_margin))
            margin = f"gain margin at least {least:.1f} dB" if math.isfinite(least) else "gain margin above 80 dB"
            at = f" (at {100 * self.throttle[int(np.argmin(case.gain_margin))]:.0f} % throttle)"
            return f"stable over the range, {margin}{at if math.isfinite(least) else ''}"
        where = f"{100 * self.throttle[bad].min():.0f} to {100 * self.throttle[bad].max():.0f} % throttle"
        worst = int(np.argmin(np.where(bad, case.gain_margin, math.inf)))
        hertz = case.frequency[worst]
        return (
            f"unstable at {where}, worst {case.gain_margin[worst]:.1f} dB at {100 * self.throttle[worst]:.0f} % "
            f"(chug near {hertz:.0f} Hz)"
        )

    def columns(self) -> dict[str, Any]:
        out: dict[str, Any] = {
            "throttle [%]": 100.0 * self.throttle,
            "chamber pressure [bar abs]": self.chamber_pressure / 1e5,
        }
        for name in LEGS:
            out[f"{name} delay [ms]"] = 1e3 * self.delay[name]
            out[f"{name} injector stiffness [-]"] = self.injector_stiffness[name]
            out[f"{name} total stiffness [-]"] = self.total_stiffness[name]
        for case in self.cases:
            out[f"{case.label}: stable"] = case.stable
            out[f"{case.label}: gain margin [dB]"] = case.gain_margin
            out[f"{case.label}: delay margin [ms]"] = 1e3 * case.delay_margin
            out[f"{case.label}: delay at the border over stated [-]"] = case.neutral_scale
            out[f"{case.label}: chug frequency [Hz]"] = case.frequency
            out[f"{case.label}: growth [1/s]"] = case.growth
        out[f"{self.as_stated.label}, waves in the lines: gain margin [dB]"] = self.wave_margin
        out["gas share at the border [-]"] = self.gas_share_border
        out["nozzle exit over ambient pressure [-]"] = self.exit_pressure_ratio
        out["nozzle flow may separate"] = self.separated
        if self.separation is not None:
            out.update(self.separation.columns())
        for name, hot in self.jacket.items():
            out[f"{name} margin to boiling [bar]"] = hot.boiling_margin / 1e5
            out[f"{name} boils behind jacket"] = hot.boils
        return out


def _case(label: str, loops: Sequence[ChugLoop], scales: FloatArray) -> ManifoldCase:
    n, k = len(loops), scales.size
    numbers = {key: np.full(n, math.nan) for key in ("gm", "f", "dm", "scale", "nf", "growth", "swing")}
    roots = np.zeros(n, dtype=np.int64)
    map_roots, map_margin = np.zeros((n, k), dtype=np.int64), np.zeros((n, k))
    for j, loop in enumerate(loops):
        margins = chug_margins(loop)
        roots[j] = margins.unstable_roots
        numbers["gm"][j] = margins.gain_margin_db
        numbers["f"][j] = margins.frequency / (2.0 * math.pi)
        numbers["dm"][j] = margins.delay_margin
        map_roots[j], factor = delay_map(loop, scales)
        map_margin[j] = 20.0 * np.log10(factor)
        unstable = np.nonzero(map_roots[j] > 0)[0]
        if unstable.size == 0:
            numbers["scale"][j] = math.inf
        elif unstable[0] == 0:
            numbers["scale"][j] = scales[0]
        else:
            low, high = float(scales[unstable[0] - 1]), float(scales[unstable[0]])
            numbers["scale"][j], omega = refine_neutral(loop, low, high)
            numbers["nf"][j] = omega / (2.0 * math.pi)
        root = rightmost_root(loop, NODES)
        numbers["growth"][j], numbers["swing"][j] = root.real, root.imag / (2.0 * math.pi)
    return ManifoldCase(
        label=label,
        storage={name: np.array([loop.legs[name].storage for loop in loops]) for name in LEGS},
        roots=roots,
        gain_margin=numbers["gm"],
        frequency=numbers["f"],
        delay_margin=numbers["dm"],
        neutral_scale=numbers["scale"],
        neutral_frequency=numbers["nf"],
        growth=numbers["growth"],
        oscillation=numbers["swing"],
        map_roots=map_roots,
        map_gain_margin=map_margin,
    )


def _with_compliance(loop: ChugLoop, point: OperatingPoint, compliance: Mapping[LegName, float]) -> ChugLoop:
    legs = {
        name: dataclasses.replace(leg, storage=compliance[name] * point.chamber_pressure / point.legs[name].flow)
        for name, leg in loop.legs.items()
    }
    return dataclasses.replace(loop, legs=legs)


def _gas_share_border(
    machine: Machine, manifolds: Mapping[LegName, Manifold], loop: ChugLoop, point: OperatingPoint
) -> float:
    """Least gas share of both manifolds that makes the loop unstable [-]; see ``StabilityResult``."""

    def unstable(share: float) -> bool:
        compliance = {}
        for name in LEGS:
            here = point.legs[name].manifold
            compliance[name] = compliance_at(
                machine.legs[name], manifolds[name], share * manifolds[name].volume, here, here
            )
        return unstable_roots(_with_compliance(loop, point, compliance)) > 0

    if unstable(0.0):
        return 0.0
    low = 0.0
    for high in np.geomspace(LEAST_SHARE, 1.0, 25):
        if unstable(float(high)):
            for _ in range(12):
                middle = 0.5 * (low + float(high))
                low, high = (low, middle) if unstable(middle) else (middle, high)
            return float(high)
        low = float(high)
    return math.inf


def _notes(
    manifolds: Mapping[LegName, Manifold], exponent: float, swelling: Mapping[LegName, float], gas: Sequence[float]
) -> tuple[str, ...]:
    notes = []
    if exponent == 0.0:
        notes.append(
            "combustion delays are the same at every throttle setting (delay exponent 0); real ones grow as the "
            "injector drop falls, so try an exponent above 0"
        )
    else:
        notes.append(f"combustion delays as stated at full thrust, times throttle to the power -{exponent:g}")
    for name in LEGS:
        most = max([manifolds[name].gas_volume, *gas])
        filled = most * swelling[name]
        if filled > manifolds[name].volume:
            notes.append(
                f"{name}: {1e6 * most:.3g} mL of gas at full thrust would fill {1e6 * filled:.3g} mL at the "
                f"lowest setting, more than the manifold's {1e6 * manifolds[name].volume:.3g} mL"
            )
    notes.append(
        "trapped gas keeps its mass and temperature; saturated vapour gives way without limit: see the soft limit"
    )
    return tuple(notes)


def _engine_notes(
    throttle: FloatArray, hot: Mapping[LegName, JacketLadder], off: SeparationLadder | None
) -> tuple[str, ...]:
    """Boiling behind a jacket and flow leaving the nozzle wall, where there is any."""
    notes = []
    for name, found in hot.items():
        if bool(found.boils.any()):
            at = 100.0 * throttle[found.boils]
            notes.append(
                f"DANGER, {name}: the liquid boils behind the jacket at {span(at)} throttle; there the "
                "soft limit is the true case, and the chamber wall loses its cooling"
            )
        elif np.isfinite(found.boiling_margin).any():
            j = int(np.nanargmin(found.boiling_margin))
            notes.append(
                f"{name}: least margin to boiling behind the jacket {found.boiling_margin[j] / 1e5:.2f} bar at "
                f"{100 * throttle[j]:.0f} % throttle ({found.temperature[j]:.0f} K, mean temperature)"
            )
    for word in off.area_ratio if off is not None else ():
        assert off is not None
        if bool(off.separates(word).any()):
            j = int(np.nanargmin(off.area_ratio[word]))
            notes.append(
                f"nozzle, {word}: flow leaves the wall at area ratio {off.area_ratio[word][j]:.2f} at {100 * throttle[j]:.0f} % "
                f"throttle; thrust {100 * float(off.gain(word)[j]):+.1f} % against a nozzle flowing full"
            )
    return tuple(notes)


@one_thread
def stability(
    machine: Machine,
    schedule: Schedule,
    manifolds: Mapping[LegName, Manifold],
    *,
    delay_exponent: float = 0.0,
    gas_volumes: Sequence[float] = (),
    delay_scales: FloatArray | None = None,
    transits: Mapping[LegName, float] | None = None,
) -> StabilityResult:
    """Chug stability at the settings of a schedule.

    Parameters
    ----------
    machine, schedule : the engine and its steady points; of more than ``MOST_SETTINGS`` an even choice is taken
    manifolds : the manifolds of the design, {leg: design.leg(leg).manifold}
    delay_exponent : m in delay = stated delay times throttle^(-m) [-]; 0 by default: stated delays everywhere
    gas_volumes : further trapped gas volumes to look at, alike in both legs, at full thrust [m^3]
    transits : time of a pressure wave through each line before its valve [s]; then the margin with waves is given too
    delay_scales : rising factors on both delays for the map [-], shape (k,); by default 0.25 to 4, 1 among them

    Raises ``RangeError`` for an exponent, volumes or factors that make no sense. Validity: see ``plant.chug``.
    """
    scales = np.geomspace(0.25, 4.0, SCALES) if delay_scales is None else np.asarray(delay_scales, dtype=float)
    if not (math.isfinite(delay_exponent) and -3.0 <= delay_exponent <= 3.0):
        raise RangeError(f"delay_exponent must lie between -3 and 3 (got {delay_exponent:g})")
    if not all(math.isfinite(v) and v > 0.0 for v in gas_volumes):
        raise RangeError("gas_volumes must be above zero")
    if (
        scales.ndim != 1
        or scales.size < 2
        or not (np.all(np.diff(scales) > 0.0) and scales[0] > 0.0 and scales[-1] < 1e3)
    ):
        raise RangeError("delay_scales must be two or more rising factors above zero and below 1000")
    total = schedule.throttle.size
    chosen = np.unique(np.round(np.linspace(0, total - 1, min(total, MOST_SETTINGS))).astype(int))
    points = tuple(schedule.points[j] for j in chosen)
    throttle = np.array([schedule.throttle[j] for j in chosen])
    pressure = np.array([p.chamber_pressure for p in points])
    full = {name: points[-1].legs[name].manifold for name in LEGS}  # the schedule ends at full thrust
    none: dict[LegName, float] = dict.fromkeys(LEGS, 0.0)
    bare = [chug_loop(machine, p, none, float(x) ** -delay_exponent) for p, x in zip(points, throttle, strict=True)]

    def filled(volumes: Mapping[LegName, float]) -> list[ChugLoop]:
        return [
            _with_compliance(
                loop,
                point,
                {
                    name: compliance_at(
                        machine.legs[name], manifolds[name], volumes[name], full[name], point.legs[name].manifold
                    )
                    for name in LEGS
                },
            )
            for loop, point in zip(bare, points, strict=True)
        ]

    swelling = {name: full[name] / min(point.legs[name].manifold for point in points) for name in LEGS}
    stated = {name: manifolds[name].gas_volume for name in LEGS}
    given = any(volume > 0.0 for volume in stated.values())
    families: list[tuple[str, list[ChugLoop]]] = [("stiff limit", [loop.with_storage(STIFF) for loop in bare])]
    families.append(("gas as stated" if given else "liquid-full", filled(stated)))
    if given:
        families.append(("liquid-full", filled(none)))
    for volume in sorted(set(gas_volumes)):
        families.append((f"{1e6 * volume:.3g} mL gas", filled(dict.fromkeys(LEGS, volume))))
    families.append(("soft limit", [loop.with_storage(SOFT) for loop in bare]))
    cases = tuple(_case(label, loops, scales) for label, loops in families)
    waves = wave_margins(families[1][1], transits)

    behind = {name: jacket_ladder(machine.legs[name], points, name) for name in LEGS}
    hot = {name: found for name, found in behind.items() if found is not None}
    off = separation_ladder(machine, pressure)
    ambient = machine.ambient_pressure
    ratio = machine.exit_ratio * pressure / ambient if ambient > 0.0 else np.full(pressure.size, math.inf)
    return StabilityResult(
        throttle=throttle,
        chamber_pressure=pressure,
        residence=np.array([loop.residence for loop in bare]),
        delay_scale=scales,
        delay_exponent=delay_exponent,
        delay={name: np.array([loop.legs[name].delay for loop in bare]) for name in LEGS},
        cases=cases,
        injector_stiffness={name: np.array([0.5 * loop.legs[name].injector for loop in bare]) for name in LEGS},
        total_stiffness={
            name: np.array([0.5 * (loop.legs[name].injector + loop.legs[name].line) for loop in bare]) for name in LEGS
        },
        wave_margin=waves,
        gas_share_border=np.array(
            [_gas_share_border(machine, manifolds, loop, p) for loop, p in zip(bare, points, strict=True)]
        ),
        exit_pressure_ratio=ratio,
        separated=np.array([nozzle.summerfield_separation(float(p), machine.exit_ratio, ambient) for p in pressure]),
        throat_choked=np.array([nozzle.throat_choked(float(p), machine.gamma, ambient) for p in pressure]),
        notes=(
            *_notes(manifolds, delay_exponent, swelling, gas_volumes),
            waves_note(throttle, cases[1].gain_margin, waves, transits),
            *_engine_notes(throttle, hot, off),
        ),
        points=points,
        separation=off,
        jacket=hot,
    )
