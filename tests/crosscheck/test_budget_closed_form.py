"""Sensitivities of the budget (finite differences of the balance) against the closed linear two-leg model, and that model
against a symbolic one: u = relative flow change of a leg at constant chamber pressure, p = that of chamber pressure,
p = [(x_o + k) u_o + (x_f - k) u_f] / D, D = 1 + (x_o + k) a_o + (x_f - k) a_f, d(O/F) = (u_o - u_f) - (a_o - a_f) p."""

from pathlib import Path

import numpy as np
import pytest
import sympy

from valvectl import load
from valvectl.plant.balance import balance
from valvectl.plant.linear import engine_model
from valvectl.studies.budget import budget

ROOT = Path(__file__).resolve().parents[2]
LEGS = ("oxidizer", "fuel")


@pytest.fixture(scope="module")
def design():
    return load(ROOT / "designs" / "hover-rig.toml")


@pytest.fixture(scope="module")
def found(design):
    return budget(design, runs=400)


def closed(model, u, velocity: float = 0.0) -> tuple[float, float]:
    """Relative changes of O/F and chamber pressure from those of the legs' flows and of c* [-]."""
    a = [model.slopes[n].coupling for n in LEGS]
    w = [model.weights[n] for n in LEGS]
    d = 1.0 - model.pressure_exponent + w[0] * a[0] + w[1] * a[1]
    p = (w[0] * u[0] + w[1] * u[1] + velocity) / d
    return (u[0] - u[1]) - (a[0] - a[1]) * p, p


def flow_changes(design, point, key: str, model) -> tuple[list[float], float]:
    """Relative flow changes of both legs by an input at its bound, and that of c*."""
    u = [0.0, 0.0]
    if key == "engine.combustion.efficiency":
        item = design.inputs[key]
        return u, item.tolerance / item.value
    k = 0 if ".oxidizer." in key else 1
    name = LEGS[k]
    leg, p, machine = point.legs[name], design.inputs.get(key), design.machine.legs[name]
    per_pascal = model.slopes[name].tank  # 1 / (2 dP + slope of the droop)
    width = p.tolerance if p is not None else 0.0
    injector = leg.manifold - point.chamber_pressure
    if key.endswith("valve.flow.kv"):
        u[k] = 2.0 * leg.valve_drop * per_pascal * width
    elif key.endswith("tank.pressure"):
        u[k] = per_pascal * width
    elif key.endswith("tank.droop"):
        u[k] = -per_pascal * width * leg.flow / machine.reference_flow
    elif key.endswith("discharge_coefficient"):
        u[k] = 2.0 * injector * per_pascal * width / p.value
    elif key.endswith("jacket.pressure_drop"):
        u[k] = -per_pascal * width * (leg.flow / design.leg(name).jacket.reference_flow) ** 2
    elif key.endswith("position_encoder.accuracy"):
        u[k] = model.slopes[name].angle_gain * machine.servo.position_accuracy
    else:
        raise AssertionError(key)
    return u, 0.0


KEYS = [
    *(f"legs.{n}.{key}" for n in LEGS for key in ("valve.flow.kv", "tank.pressure", "tank.droop",
      "injector.discharge_coefficient", "actuator.position_encoder.accuracy")),
    "legs.fuel.jacket.pressure_drop", "engine.combustion.efficiency",
]  # fmt: skip


@pytest.mark.parametrize("key", KEYS)
def test_finite_differences_agree_with_the_closed_form(design, found, key):
    row = next(c for c in found.contributors if c.key == key)
    schedule = design.analysis.schedule
    for j, setting in enumerate(found.throttle):
        point = balance(design.machine, *(float(schedule.angle_at(n, np.array([setting]))[0]) for n in LEGS))
        model = engine_model(design.machine, point)
        u, velocity = flow_changes(design, point, key, model)
        ratio = closed(model, u, velocity)[0] * row.deviations
        # Slopes of a Kv table change between its entries; the encoder moves the ball across them.
        assert row.ratio[j] == pytest.approx(ratio, rel=0.08 if "encoder" in key else 0.02, abs=2e-6), setting


def test_the_sum_of_squares_is_that_of_the_drawn_engines(found):
    """Within 10 % where the model is linear; this design does not choke."""
    assert np.abs(found.ratio.agreement).max() < 0.10
    assert np.abs(found.thrust.agreement).max() < 0.10
    assert not any("not linear at" in text for text in found.cautions)


def test_the_closed_form_is_the_derivative_of_the_nonlinear_equations():
    """Total differential of two square-law legs and a chamber with c* ~ r^k, by SymPy, against the formula."""
    mo, mf, pc, co, cf = sympy.symbols("mo mf pc co cf", positive=True)
    pto, ptf, vo, vf, io, jf, kappa, c0 = sympy.symbols("pto ptf vo vf io jf kappa c0", positive=True)
    equations = sympy.Matrix([
        pto - pc - mo**2 * (vo / co**2 + io),
        ptf - pc - mf**2 * (vf / cf**2 + jf),
        pc - c0 * (mo / mf) ** kappa * (mo + mf),
    ])  # fmt: skip
    slopes = -equations.jacobian([mo, mf, pc]).LUsolve(equations.jacobian([co, cf]))
    at = {mo: sympy.Rational(3, 5), mf: sympy.Rational(1, 2), pc: 10, co: 1, cf: 1, vo: 12, vf: 9, io: 4, jf: 7,
          kappa: sympy.Rational(-1, 20)}  # fmt: skip
    at[c0] = at[pc] / ((at[mo] / at[mf]) ** at[kappa] * (at[mo] + at[mf]))
    values = slopes.subs(at).evalf(30)
    for j, (valve, side) in enumerate(((at[vo], 1), (at[vf], -1))):
        exact = values[0, j] / at[mo] - values[1, j] / at[mf]
        flows, valves, others = (at[mo], at[mf]), (at[vo], at[vf]), (at[io], at[jf])
        drops = [flows[k] ** 2 * (valves[k] + others[k]) for k in range(2)]
        a = [at[pc] / (2 * drop) for drop in drops]
        r = at[mo] / at[mf]
        w = [r / (1 + r) + at[kappa], 1 / (1 + r) - at[kappa]]
        d = 1 + w[0] * a[0] + w[1] * a[1]
        u = valve / (valves[j] + others[j])  # the valve's share of its leg's drop
        formula = u * (side - (a[0] - a[1]) * w[j] / d)
        assert float(abs(exact - formula)) < 1e-12
