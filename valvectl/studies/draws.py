"""Engines drawn from the declared tolerances: which inputs scatter and how, the draws by run number, the engines they make.

A draw depends on seed, sampling and run number alone, not on the order in which runs are worked out. Correlation within a
group is that of a Gaussian copula with one common part: z = c g + sqrt(1 - c^2) e for each member.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile, Input
from valvectl.design.scatter import Scatter
from valvectl.design.schema import LEGS, LegName
from valvectl.errors import DesignError, RangeError
from valvectl.parts.lookup import FloatArray
from valvectl.plant import port_curve
from valvectl.plant.machine import Machine, build
from valvectl.studies.adverse import keep_order, moved_value

SAMPLINGS = ("random", "latin", "sobol")
"""Independent draws (NumPy's Philox, one counter a run), Latin hypercube, scrambled Sobol' sequence (SciPy)."""
_UNREAD = re.compile(
    r"\.(own_stage|reserve|purge)\.|^(requirements|start|duty|flight|faults)\.|^engine\.(thrust|mixture_ratio)$"
    r"|\.tank\.((ullage|bottle|gas_valve|trace)\.|(lock_up|response_time|diameter|warming|relief_pressure)$)"
)
# Wishes and what other studies alone read: neither the balance nor a run of the throttle profile sees them.
_MOTION = re.compile(r"\.(actuator|controller|torque|manifold)\.|\.valve\.inertia$|^battery\.|\.combustion\.delay")
# What moves the valve or delays the flame: a run sees it, the steady balance at a given ball angle does not.
_PLACES = {
    "accuracy": ("actuator.position_encoder.accuracy", "systematic"),
    "hold": ("controller.hold_band", "random"),
    "command": ("controller.command_step", "random"),
    "count": ("actuator.position_encoder.counts", "random"),
    "slot": ("valve.slot_clearance", "random"),
    "gap": ("actuator.gears (lost motion)", "random"),
}


@dataclass(frozen=True)
class Variable:
    """One thing that scatters."""

    key: str
    """Dotted key in the design file."""
    scatter: Scatter
    bound: float
    """Half-width: SI, or relative where the tolerance is; the largest of a list's entries. An angle for a place [rad]."""
    item: Input | None = None
    """The input; None for a place of the ball about its command."""
    leg: LegName | None = None
    """Leg of a place."""
    steady: bool = True
    """True when the steady balance sees it."""

    @property
    def is_encoder(self) -> bool:
        """True for the error of a position encoder, which a simulated run must be told; the other places come by themselves."""
        return self.item is None and self.key.endswith("accuracy")

    @property
    def deviation(self) -> float:
        """Standard deviation in shares of the bound [-]."""
        return {"even": 1.0 / math.sqrt(3.0), "triangular": 1.0 / math.sqrt(6.0), "normal": 0.5}[
            self.scatter.distribution
        ]


def variables(design: DesignFile, machine: Machine, steady: bool = False) -> tuple[Variable, ...]:
    """What scatters in a design, in the order of the file, places of the balls last.

    ``steady``: only what the steady balance sees, with all places of the balls; otherwise those inputs too that move the valves,
    and of the places the encoders' errors alone, since a simulated run finds the others by itself.
    """
    out: list[Variable] = []
    for item in design.toleranced():
        if _UNREAD.search(item.key) or item.key.endswith("position_encoder.accuracy"):
            continue
        seen = not _MOTION.search(item.key)
        if steady and not seen:
            continue
        assert item.tolerance is not None
        bound = max(item.tolerance) if isinstance(item.tolerance, tuple) else item.tolerance
        out.append(Variable(item.key, item.scatter or Scatter(), bound, item, steady=seen))
    for name in LEGS:
        for place, bound in _places(machine, name).items():
            short, effect = _PLACES[place]
            if bound <= 0.0 or not (steady or place == "accuracy"):
                continue
            key = f"legs.{name}.{short}"
            given = design.inputs.get(key)
            scatter = given.scatter if given is not None and given.scatter is not None else Scatter(effect=effect)
            out.append(Variable(key, scatter, bound, leg=name))
    return tuple(out)


def _places(machine: Machine, name: LegName) -> dict[str, float]:
    servo = machine.legs[name].servo
    return {
        "accuracy": servo.position_accuracy,
        "hold": servo.hold_band,
        "command": 0.5 * servo.command_step,
        "count": 0.5 * servo.position_count,
        "slot": servo.half_slot,
        "gap": servo.half_gap if servo.position_on_motor else 0.0,
    }


def _groups(table: tuple[Variable, ...]) -> list[str]:
    return sorted({v.scatter.group for v in table if v.scatter.group})


def correlations(table: tuple[Variable, ...]) -> FloatArray:
    """Correlation of the variables before their distributions, shape (d, d): the product of two members' own with the group."""
    out = np.eye(len(table))
    for i, one in enumerate(table):
        for j, other in enumerate(table):
            if i != j and one.scatter.group and one.scatter.group == other.scatter.group:
                out[i, j] = one.scatter.correlation * other.scatter.correlation
    return out


def pearson(table: Sequence[Variable]) -> FloatArray:
    """Correlation of the variables themselves, shape (d, d), from that of the copula: for two even ones (6/pi) asin(r/2), for
    an even and a normal one r sqrt(3/pi) (exact); triangular ones count as normal (within 1 %)."""
    out = correlations(tuple(table))
    even = np.array([v.scatter.distribution == "even" for v in table])
    both, one = np.outer(even, even), np.not_equal.outer(even, even)
    out = np.where(both, 6.0 / math.pi * np.arcsin(0.5 * out), out)
    out = np.where(one, out * math.sqrt(3.0 / math.pi), out)
    np.fill_diagonal(out, 1.0)
    return np.asarray(out)


def combined(parts: FloatArray, relation: FloatArray) -> FloatArray:
    """Standard deviation of a sum: ``parts`` (d, n) of one deviation each, ``relation`` (d, d) their correlation."""
    return np.asarray(np.sqrt(np.maximum(np.einsum("in,ij,jn->n", parts, relation, parts), 0.0)))


def uniforms(dimensions: int, sampling: str, seed: int, first: int, count: int, total: int) -> FloatArray:
    """Even draws in 0..1 of the runs ``first`` to ``first + count``, shape (count, dimensions).

    ``total`` runs are planned; a Latin hypercube depends on it. Raises ``RangeError`` for a sampling that is not known.
    """
    if sampling == "random":
        out = np.empty((count, dimensions))
        for k in range(count):
            bits = np.random.Philox(key=seed, counter=[0, 0, 0, first + k])
            out[k] = np.random.Generator(bits).random(dimensions)
        return out
    from scipy.stats import qmc

    if sampling == "latin":
        return np.asarray(qmc.LatinHypercube(dimensions, rng=seed).random(total)[first : first + count])
    if sampling == "sobol":
        sequence = qmc.Sobol(dimensions, scramble=True, rng=seed)
        if first:
            sequence.fast_forward(first)
        import warnings

        with warnings.catch_warnings():
            warnings.simplefilter(
                "ignore", UserWarning
            )  # balance of a power of two is lost with blocks; said in the result
            return np.asarray(sequence.random(count))
    raise RangeError(f"sampling must be one of {', '.join(SAMPLINGS)} (got {sampling!r})")


def units(table: tuple[Variable, ...], sampling: str, seed: int, first: int, count: int, total: int) -> FloatArray:
    """Draws in shares of each variable's bound, shape (count, d); between -1 and 1 but for normal ones."""
    even = uniforms(len(factors(table)), sampling, seed, first, count, total)
    return from_even(table, even)


def factors(table: tuple[Variable, ...]) -> list[str]:
    """What is drawn independently: each input's own part by its key, then what the members of each group have in common."""
    return [v.key for v in table] + [f"group {name}" for name in _groups(table)]


def from_even(table: tuple[Variable, ...], even: FloatArray) -> FloatArray:
    """Shares of each variable's bound, shape (n, d), from even draws in 0..1 of ``factors``, shape (n, factors)."""
    from scipy.stats import norm, triang

    groups = _groups(table)
    z = norm.ppf(np.clip(even, 1e-15, 1.0 - 1e-15))
    out = np.empty((len(even), len(table)))
    for j, v in enumerate(table):
        own = z[:, j]
        if v.scatter.group:
            share = v.scatter.correlation
            own = share * z[:, len(table) + groups.index(v.scatter.group)] + math.sqrt(1.0 - share * share) * own
        if v.scatter.distribution == "normal":
            out[:, j] = 0.5 * own
        elif v.scatter.distribution == "triangular":
            out[:, j] = triang.ppf(norm.cdf(own), 0.5, -1.0, 2.0)
        else:
            out[:, j] = 2.0 * norm.cdf(own) - 1.0
    return out


@dataclass(frozen=True)
class Drawn:
    """One engine drawn."""

    machine: Machine
    offset: dict[LegName, float]
    """How far the ball stands beyond its command [rad]: in a run the encoder's error, in the balance all places."""


def engine(design: DesignFile, machine: Machine, table: tuple[Variable, ...], unit: FloatArray) -> Drawn:
    """The engine with each variable at a share of its bound, ``unit`` of shape (d,). Raises ``DesignError`` where the values make
    no valid design."""
    made = engines(design, machine, table, unit[None])[0]
    if isinstance(made, DesignError):
        raise made
    return made


def engines(
    design: DesignFile, machine: Machine, table: tuple[Variable, ...], units: FloatArray
) -> list[Drawn | DesignError]:
    """``engine`` for many draws, shape (n, d), each as it would be alone; a draw that makes no valid design is its error."""
    out: list[Drawn | DesignError] = []
    moved: dict[int, DesignFile] = {}
    for k, unit in enumerate(units):
        changes: dict[str, Any] = {}
        offset: dict[LegName, float] = dict.fromkeys(LEGS, 0.0)
        for v, share in zip(table, unit, strict=True):
            if v.item is not None:
                if share != 0.0:
                    changes[v.item.key] = moved_value(v.item, float(share))
            else:
                assert v.leg is not None
                offset[v.leg] += float(share) * v.bound
        out.append(Drawn(machine, offset))
        if changes:
            keep_order(design, changes)
            try:
                moved[k] = design.with_values(changes, inputs=False)
            except DesignError as error:
                out[k] = error
    port_curve.prepare(d.leg(name).valve for d in moved.values() for name in LEGS)
    for k, other in moved.items():
        try:
            out[k] = dataclasses.replace(out[k], machine=as_built(build(other), machine))  # type: ignore[type-var]
        except DesignError as error:
            out[k] = error
    return out


def as_built(moved: Machine, machine: Machine) -> Machine:
    """A moved machine judged by the design's own wishes: thrust, mixture ratio and nozzle efficiency stay, and the regulators'
    droop still counts from the design's flows."""
    moved = dataclasses.replace(
        moved,
        thrust=machine.thrust,
        mixture_ratio=machine.mixture_ratio,
        thrust_efficiency=machine.thrust_efficiency,
    )
    for name in LEGS:
        moved = moved.with_leg(name, reference_flow=machine.legs[name].reference_flow)
    return moved
