"""Transfer functions and sensitivities by symbols, evaluated for the design and held against the program's own numbers.

The formulas are derived by computer algebra (``plant.symbolic``); the program's numbers come from its linear models and from
differences of its balance. Two ways to one number: what differs by more than ``AGREE`` is a fault of one of them.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.parts.lookup import FloatArray
from valvectl.plant import symbolic
from valvectl.plant.balance import OperatingPoint, balance, solve
from valvectl.plant.chug import chug_loop
from valvectl.plant.linear import engine_model, servo_matrices
from valvectl.plant.machine import Machine
from valvectl.plant.servo_numbers import Servo
from valvectl.plant.symbol_values import (
    actuator_values,
    chamber_values,
    feed_values,
    is_free,
    ratio_values,
    smoothed,
    steady_values,
    without_loss_slopes,
)
from valvectl.plant.symbolic import Formula
from valvectl.studies.result import Result

AGREE = 1e-6
"""Largest relative difference of the two ways [-]."""
STEP = 2e-4
"""Relative step of the differences of the balance [-]; Richardson's rule takes its error from second to fourth order."""
FREQUENCIES = np.geomspace(1.0, 2e4, 25)
"""Angular frequencies at which transfer functions are compared [rad/s]."""


@dataclass(frozen=True)
class Compared:
    """One number both ways."""

    what: str
    leg: LegName | None
    """None: of both legs together."""
    symbolic: float
    """By the formula [unit]; of a transfer function its magnitude at the frequency where the two ways differ most."""
    program: float
    """By the program's linear model or the differences of its balance [unit]."""
    unit: str
    difference: float
    """Largest relative difference [-], over ``FREQUENCIES`` for a transfer function."""


@dataclass(frozen=True)
class ModelResult(Result):
    """Formulas of the plant with their numbers at one throttle setting."""

    throttle: float
    """[-]"""
    rows: tuple[Compared, ...]
    choked: dict[LegName, bool]
    """True where the leg's valve chokes, so that the choked formulas hold."""
    equations: tuple[tuple[str, str], ...]
    """Name and LaTeX of every formula."""
    values: dict[str, dict[str, float]]
    """Numbers of the symbols, SI: actuator and leg by name, and the chamber."""
    linear_model_off: dict[LegName, float]
    """Relative error of the linear model's flow per opening from taking the lines' loss numbers as constant [-]."""
    formulas: tuple[Formula, ...] = field(repr=False)

    @property
    def largest_difference(self) -> float:
        """Largest relative difference of the two ways [-]."""
        return max(row.difference for row in self.rows)

    @property
    def agrees(self) -> bool:
        """True when no two numbers differ by more than ``AGREE``."""
        return self.largest_difference <= AGREE

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What the formulas take for granted."""
        out = [
            "no dry friction, gaps closed, lines as rigid columns, combustion as a delay; small changes about a steady point"
        ]
        for name, off in self.linear_model_off.items():
            out.append(
                f"{name}: the program's linear engine takes the lines' loss numbers as constant; by that its flow per opening "
                f"is {100.0 * off:+.2f} % off here"
            )
        return tuple(out)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What a reader should not overlook."""
        return tuple(
            f"{name}: the valve chokes; chamber pressure does not reach its flow"
            for name, yes in self.choked.items()
            if yes
        )

    def latex_text(self) -> str:
        """All equations as a LaTeX fragment."""
        body = "\n".join(f"% {name}\n\\begin{{equation}}\n{text}\n\\end{{equation}}" for name, text in self.equations)
        return body + "\n"

    def columns(self) -> dict[str, Any]:
        return {
            "what": [r.what for r in self.rows],
            "leg": [r.leg or "both" for r in self.rows],
            "by symbols": [r.symbolic for r in self.rows],
            "by the program": [r.program for r in self.rows],
            "unit": [r.unit for r in self.rows],
            "relative difference": [r.difference for r in self.rows],
        }


def _difference(a: complex, b: complex) -> float:
    return abs(a - b) / max(abs(a), abs(b)) if a != b else 0.0


def _swept(
    formula: Formula, values: dict[str, float], leg: LegName | None, program: Callable[[complex], complex]
) -> Compared:
    """A transfer function over the frequencies."""
    worst = (-1.0, 0.0, 0.0)
    for omega in FREQUENCIES:
        ours, theirs = formula.value(values, 1j * float(omega)), program(1j * float(omega))
        worst = max(worst, (_difference(ours, theirs), abs(ours), abs(theirs)))
    return Compared(formula.name, leg, worst[1], worst[2], formula.unit, worst[0])


def _single(what: str, leg: LegName | None, ours: float, theirs: float, unit: str) -> Compared:
    return Compared(what, leg, ours, theirs, unit, _difference(ours, theirs))


def at_rest(servo: Servo) -> tuple[FloatArray, FloatArray]:
    """State at rest (current, stem speed) per volt and per load torque: the matrices with the angles replaced by the twist."""
    a, b = servo_matrices(servo)
    # states current, motor speed, twist, stem speed: both angles enter by their difference alone
    keep = [0, 1, 3]
    m = np.zeros((4, 4))
    m[np.ix_([0, 1, 3], [0, 1, 3])] = a[np.ix_(keep, keep)]
    m[[0, 1, 3], 2] = a[keep, 2]
    m[2, 1], m[2, 3] = 1.0, -1.0
    drive = np.zeros((4, 2))
    drive[[0, 1, 3]] = b[keep]
    x = -np.linalg.solve(m, drive)
    return np.asarray(x[[0, 3], 0]), np.asarray(x[[0, 3], 1])


def _frequencies(servo: Servo) -> tuple[float, float]:
    """Antiresonance and resonance [rad/s]: vibrations of the undamped mechanics with the motor held and free."""
    bare = dataclasses.replace(servo, damping=0.0, motor_viscous=0.0)
    a, _ = servo_matrices(bare)
    free, held = a[1:, 1:], a[3:, 3:]
    return tuple(float(np.max(np.abs(np.linalg.eigvals(m).imag))) for m in (held, free))  # type: ignore[return-value]


def _actuator(servo: Servo, leg: LegName) -> Iterator[Compared]:
    formulas, values = symbolic.actuator_formulas(), actuator_values(servo)
    a, b = servo_matrices(servo)

    def states(s: complex) -> Any:
        return np.linalg.solve(s * np.eye(5) - a, b)

    programs: dict[str, Callable[[Any], complex]] = {
        "current per voltage": lambda x: x[0, 0],
        "motor speed per current": lambda x: x[1, 0] / x[0, 0],
        "stem angle per motor speed": lambda x: x[4, 0] / x[1, 0],
        "stem angle per voltage": lambda x: x[4, 0],
        "stem angle per load torque": lambda x: x[4, 1],
    }
    for name, pick in programs.items():
        yield _swept(formulas[name], values, leg, lambda s, pick=pick: complex(pick(states(s))))  # type: ignore[misc]
    anti, resonance = _frequencies(servo)
    volt, load = at_rest(servo)
    for name, theirs in (
        ("antiresonance", anti),
        ("resonance", resonance),
        ("stem speed per voltage at rest", float(volt[1])),
        ("current per load torque at rest", float(load[0])),
        ("stem speed per load torque at rest", float(load[1])),
    ):
        formula = formulas[name]
        yield _single(name, leg, formula.value(values).real, theirs, formula.unit)


def richardson(value: Callable[[float], float], step: float = STEP) -> float:
    """Derivative at zero of a smooth function by central differences at two steps, error of fourth order."""
    wide = (value(step) - value(-step)) / (2.0 * step)
    narrow = (value(0.5 * step) - value(-0.5 * step)) / step
    return (4.0 * narrow - wide) / 3.0


def changed(machine: Machine, name: LegName, what: str, by: float) -> Machine:
    """Copy with one input of a leg times 1 + ``by`` [-]: valve coefficient, tank pressure, injector area, density, FL, pv."""
    leg, times = machine.legs[name], 1.0 + by
    if what == "flow per valve coefficient":
        grid = dataclasses.replace(leg.characteristic, c=leg.characteristic.c * times)
        return machine.with_leg(name, characteristic=grid)
    if what == "flow per FL":
        grid = dataclasses.replace(leg.characteristic, fl=leg.characteristic.fl * times)
        return machine.with_leg(name, characteristic=grid)
    if what == "flow per tank pressure":
        return machine.with_leg(name, tank_pressure=leg.tank_pressure * times)
    if what == "flow per injector area":
        return machine.with_leg(name, cda=leg.cda * times)
    if what == "flow per vapour pressure":
        liquid = dataclasses.replace(leg.liquid, vapour_pressure=leg.liquid.vapour_pressure * times)
        return machine.with_leg(name, liquid=liquid)
    liquid = dataclasses.replace(leg.liquid, density=leg.liquid.density * times)
    return machine.with_leg(
        name, liquid=liquid, head=leg.head * times, up_loss=leg.up_loss / times, down_loss=leg.down_loss / times
    )


def _steady(machine: Machine, point: OperatingPoint) -> Iterator[Compared]:
    """O/F and chamber pressure per relative change of each input, formula against differences of the balance."""
    model = engine_model(machine, point)
    smooth = smoothed(machine, point, model)
    angles = [point.legs[name].angle for name in LEGS]
    legs = {name: symbolic.steady_formulas(not is_free(point, name)) for name in LEGS}
    values = {name: steady_values(machine.legs[name], point) for name in LEGS}
    coupling = {name: legs[name]["a: flow lost per chamber pressure"].value(values[name]).real for name in LEGS}
    joined, numbers = symbolic.ratio_formulas(), ratio_values(model, coupling)
    for name in LEGS:
        shares = {
            key: joined[f"{key} per {name} drive"].value(numbers).real for key in ("mixture ratio", "chamber pressure")
        }
        for what, formula in legs[name].items():
            if not what.startswith("flow per"):
                continue
            drive = formula.value(values[name]).real

            def moved(by: float, name: LegName = name, what: str = what) -> tuple[float, float]:
                other = balance(changed(smooth, name, what, by), *angles)
                return float(np.log(other.mixture_ratio)), float(np.log(other.chamber_pressure))

            for j, key in enumerate(("mixture ratio", "chamber pressure")):
                theirs = richardson(lambda by, j=j, moved=moved: moved(by)[j])  # type: ignore[misc]
                yield _single(f"{key} per {what[9:]}", name, shares[key] * drive, theirs, "")


def _feed(machine: Machine, point: OperatingPoint) -> Iterator[Compared]:
    """Legs with their manifold against the chug model, without it against the linear engine; free valves alone."""
    flat = without_loss_slopes(machine, point)
    model, loop = engine_model(flat, point), chug_loop(flat, point)
    formulas = symbolic.feed_formulas()
    total: dict[str, Any] = dict(chamber_values(model))
    for name in LEGS:
        if not is_free(point, name):
            return
        values = feed_values(flat, model, name)
        admittance = loop.legs[name].admittance
        yield _swept(
            formulas["flow lost per chamber pressure"], values, name,
            lambda s, admittance=admittance: complex(admittance(np.array([s]))[0]),  # type: ignore[misc]
        )  # fmt: skip
        total[name] = values

    def joined(s: complex, which: str, stiff: bool, drive: dict[str, float]) -> complex:
        at: dict[str, Any] = {k: v for k, v in total.items() if k not in LEGS}
        for name in LEGS:
            values = {**total[name], "sigma": 0.0 if stiff else total[name]["sigma"]}
            at[f"Y_{name[0]}"] = formulas["flow lost per chamber pressure"].value(values, s)
            at[f"Z_{name[0]}"] = formulas["flow per opening"].value(values, s)
            at[f"u_{name[0]}"] = drive.get(name, 0.0)
        at["p"] = formulas["chamber pressure"].value(at, s)
        return formulas[which].value(at, s)

    def compared(what: str, leg: LegName | None, ours: Callable[[complex], complex], theirs: Any) -> Compared:
        worst = (-1.0, 0.0, 0.0)
        for omega in FREQUENCIES[::4]:
            a, b = ours(1j * float(omega)), complex(theirs(np.array([float(omega)])))
            worst = max(worst, (_difference(a, b), abs(a), abs(b)))
        return Compared(what, leg, worst[1], worst[2], "", worst[0])

    yield compared(
        "loop of chamber and feed", None, lambda s: joined(s, "loop of chamber and feed", False, {}),
        lambda w: loop.gain(w)[0],
    )  # fmt: skip
    for k, name in enumerate(LEGS):
        gain = point.legs[name].gain
        yield compared(
            "mixture ratio per opening", name,
            lambda s, name=name: joined(s, "mixture ratio", True, {name: 1.0}),  # type: ignore[misc]
            lambda w, name=name, gain=gain: model.response(w)[0][name][0] / gain,
        )  # fmt: skip
        yield compared(
            "chamber pressure per opening", name,
            lambda s, name=name: joined(s, "chamber pressure", True, {name: 1.0}),  # type: ignore[misc]
            lambda w, k=k, gain=gain: model.response(w)[1][k][0] / gain,
        )  # fmt: skip


def model(machine: Machine, throttle: float) -> ModelResult:
    """Formulas and numbers at a throttle setting [-]. Raises ``NoBalanceError`` when the setting has no steady point."""
    point = solve(machine, throttle)
    choked = {name: not is_free(point, name) for name in LEGS}
    rows: list[Compared] = []
    for name in LEGS:
        rows.extend(_actuator(machine.legs[name].servo, name))
    rows.extend(_steady(machine, point))
    rows.extend(_feed(machine, point))
    formulas = [*symbolic.actuator_formulas().values(), *symbolic.feed_formulas().values()]
    for branch in sorted(set(choked.values())):
        formulas.extend(symbolic.steady_formulas(branch).values())
    formulas.extend(symbolic.ratio_formulas().values())
    engine = engine_model(machine, point)
    values: dict[str, dict[str, float]] = {"chamber": chamber_values(engine)}
    off: dict[LegName, float] = {}
    for name in LEGS:
        values[f"{name} actuator"] = actuator_values(machine.legs[name].servo)
        values[f"{name} leg"] = steady_values(machine.legs[name], point)
        drive = symbolic.steady_formulas(choked[name])["flow per valve coefficient"].value(values[f"{name} leg"]).real
        off[name] = engine.slopes[name].angle_gain / (drive * point.legs[name].gain) - 1.0
    return ModelResult(
        throttle=throttle,
        rows=tuple(rows),
        choked=choked,
        equations=tuple((f.name, f.latex()) for f in formulas),
        values=values,
        linear_model_off=off,
        formulas=tuple(formulas),
    )
