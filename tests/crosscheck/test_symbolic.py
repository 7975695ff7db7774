"""The plant by symbols against the program's linear models and balance at 1e-6: two derivations of one plant."""

from __future__ import annotations

import dataclasses
import math
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import valvectl
from valvectl.plant import symbolic
from valvectl.plant.balance import solve
from valvectl.plant.linear import engine_model
from valvectl.plant.symbol_values import actuator_values, ratio_values, steady_values
from valvectl.studies.model import AGREE, at_rest, model, richardson

DESIGNS = sorted((Path(__file__).parents[2] / "designs").glob("*.toml"))


@pytest.fixture(scope="module", params=DESIGNS, ids=lambda p: p.stem)
def engine(request: pytest.FixtureRequest, cache_folder: Path) -> Any:
    return valvectl.load(request.param)


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_every_number_both_ways(engine: Any, share: float) -> None:
    low = engine.throttle.minimum
    result = model(engine.machine, low + share * (1.0 - low))
    assert result.agrees
    assert max(r.difference for r in result.rows) < AGREE
    names = {r.what for r in result.rows}
    assert {"stem angle per voltage", "mixture ratio per tank pressure", "loop of chamber and feed"} <= names
    assert all(math.isfinite(r.symbolic) and math.isfinite(r.program) for r in result.rows)


@pytest.mark.parametrize("names", [("oxidizer",), ("fuel",), ("oxidizer", "fuel")])
def test_the_choked_branch_too(design: Any, names: tuple[Any, ...]) -> None:
    machine = design.machine
    for name in names:
        curve = machine.legs[name].characteristic
        machine = machine.with_leg(name, characteristic=dataclasses.replace(curve, fl=np.full_like(curve.fl, 0.2)))
    result = model(machine, 0.6)
    assert {name for name, yes in result.choked.items() if yes} == set(names)
    assert result.agrees
    by = {(r.what, r.leg): r.symbolic for r in result.rows}
    for name in names:  # nothing behind the throat reaches the flow
        assert ("mixture ratio per injector area", name) not in by
        assert by["mixture ratio per vapour pressure", name] * (1.0 if name == "oxidizer" else -1.0) < 0.0


def test_the_linear_engine_with_constant_loss_numbers(engine: Any) -> None:
    """``leg_slopes`` is the formulas with the lines' loss numbers held: to rounding, free and at both ends of the range."""
    for x in (engine.throttle.minimum, 1.0):
        point = solve(engine.machine, x)
        linear = engine_model(engine.machine, point)
        coupling = {}
        for name, slopes in linear.slopes.items():
            formulas = symbolic.steady_formulas(False)
            values = steady_values(engine.machine.legs[name], point, loss_slopes=False)
            got = {k: f.value(values).real for k, f in formulas.items()}
            coupling[name] = got["a: flow lost per chamber pressure"]
            assert coupling[name] == pytest.approx(slopes.coupling, rel=1e-9)
            assert got["flow per tank pressure"] / values["p_t"] == pytest.approx(slopes.tank, rel=1e-9)
            per_angle = got["flow per valve coefficient"] * point.legs[name].gain
            assert per_angle == pytest.approx(slopes.angle_gain, rel=1e-9)
        numbers = ratio_values(linear, coupling)
        for name in ("oxidizer", "fuel"):
            share = symbolic.ratio_formulas()[f"mixture ratio per {name} drive"].value(numbers).real
            expected = linear.static_ratio_sensitivity(name)  # type: ignore[arg-type]
            assert share * linear.slopes[name].angle_gain == pytest.approx(expected, rel=1e-9)  # type: ignore[index]


def test_poles_of_the_actuator(design: Any) -> None:
    """Roots of the printed denominator are the eigenvalues of the state matrix."""
    import sympy

    from valvectl.plant.linear import servo_matrices

    servo = design.machine.legs["fuel"].servo
    values = {sympy.Symbol(k): v for k, v in actuator_values(servo).items()}
    below = sympy.fraction(symbolic.actuator_formulas()["stem angle per voltage"].right)[1].xreplace(values)
    roots = np.array([complex(r) for r in sympy.Poly(below, sympy.Symbol("s")).nroots(n=30)])
    eigen = np.linalg.eigvals(servo_matrices(servo)[0])
    for root in roots:
        scale = max(abs(root), 1.0)
        assert np.min(np.abs(eigen - root)) < 1e-6 * scale


def test_at_rest_by_power(design: Any) -> None:
    """At rest under a torque the motor's power goes into gears and winding: v = 0, so i = -K N w / R."""
    servo = design.machine.legs["oxidizer"].servo
    _, load = at_rest(servo)
    assert load[0] == pytest.approx(-servo.torque_constant * servo.ratio * load[1] / servo.resistance, rel=1e-9)


def test_richardson_is_of_fourth_order() -> None:
    errors = [
        abs(richardson(lambda x: math.exp(x) * math.sin(1.0 + x), h) - (math.sin(1) + math.cos(1))) for h in (0.2, 0.1)
    ]
    assert 12.0 < errors[0] / errors[1] < 20.0


def test_equations_are_well_formed_mathml_and_latex(design: Any) -> None:
    result = design.model()
    assert len(result.formulas) >= 20
    for formula in result.formulas:
        root = ET.fromstring(formula.mathml())
        assert root.tag.endswith("math")
        text = formula.latex()
        assert text.count("{") == text.count("}")
        assert " = " in text
    assert result.latex_text().count(r"\begin{equation}") == len(result.formulas)
