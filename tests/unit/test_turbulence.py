"""Turbulent or not: valve Reynolds number and FR over the throttle range, and where they are told."""

from __future__ import annotations

import dataclasses
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import valvectl
from valvectl.cli import app
from valvectl.parts import valve, valve_fitted
from valvectl.review.check import warnings_of
from valvectl.studies.ladder import ladder
from valvectl.studies.ports import ports
from valvectl.studies.resolution import resolution
from valvectl.studies.turbulence import LEAST_FACTOR, lowest, rounded, sentence, turbulence

DESIGNS = Path(__file__).parents[2] / "designs"


@cache
def rig() -> valvectl.Design:
    return valvectl.load(DESIGNS / "hover-rig.toml")


def thick(viscosity: float):
    """The rig with a fuel of another viscosity [Pa s] at the valve; its line losses as they were."""
    machine = rig().machine
    leg = machine.legs["fuel"]
    return machine.with_leg("fuel", liquid=dataclasses.replace(leg.liquid, viscosity=viscosity))


def points(leg="fuel"):
    return [p.legs[leg] for p in rig().analysis.schedule.points]


def test_thin_liquids_are_turbulent() -> None:
    for name in ("oxidizer", "fuel"):
        found = turbulence(rig().machine.legs[name], points(name))
        assert np.all(found.reynolds > 1e5)
        assert np.all(found.factor == 1.0)
        assert sentence(np.array([1.0]), found.reynolds[-1:], found.factor[-1:]).endswith(": turbulent")


def test_reynolds_number_by_the_standards_formula() -> None:
    leg = rig().machine.legs["fuel"]
    at = points()[0]
    found = turbulence(leg, [at])
    kv = at.flow / math.sqrt(leg.liquid.density * at.valve_drop) / valve.KV_TO_C
    fl = float(np.interp(at.angle, leg.valve_alone.angles, leg.valve_alone.fl))
    by_hand = valve.valve_reynolds(
        3600.0 * at.flow / leg.liquid.density, leg.liquid.viscosity / leg.liquid.density, kv, fl, 1.0, leg.bore
    )
    assert found.reynolds[0] == pytest.approx(by_hand, rel=1e-8)


@pytest.mark.parametrize("viscosity", [0.02, 0.1, 0.5])
def test_factor_is_the_flow_that_passes_over_the_turbulent_flow(viscosity: float) -> None:
    """Solved anew by plain iteration of FR on the flow that it gives."""
    leg, at = thick(viscosity).legs["fuel"], points()[0]
    found = turbulence(leg, [at])
    fl = float(np.interp(at.angle, leg.valve_alone.angles, leg.valve_alone.fl))
    kv = at.flow / math.sqrt(leg.liquid.density * at.valve_drop) / valve.KV_TO_C
    rated = float(leg.valve_alone.c[-1]) / valve.KV_TO_C
    full = rated / (1e3 * leg.bore) ** 2 >= valve_fitted.FULL_TRIM_BORDER
    n, factor = valve_fitted.trim_constant(kv, leg.bore, full), 1.0
    for _ in range(500):
        reynolds = valve.valve_reynolds(
            3600.0 * factor * at.flow / leg.liquid.density, viscosity / leg.liquid.density, kv, fl, 1.0, leg.bore
        )
        factor = 0.5 * (factor + valve_fitted.reynolds_factor(reynolds, fl, n))
    assert factor < 1.0
    assert found.factor[0] == pytest.approx(factor, rel=1e-7)
    assert found.reynolds[0] == pytest.approx(reynolds, rel=1e-6)


def test_reducers_enter_with_their_pipes() -> None:
    wide = rig().with_values({"legs.fuel.valve.reducers": True})
    leg = wide.machine.legs["fuel"]
    assert leg.valve_sizes == (0.008, 0.012, 0.012)
    assert np.any(leg.valve_alone.c > leg.characteristic.c)
    plain = rig().machine.legs["fuel"]
    assert plain.valve_sizes == (0.008, 0.008, 0.008)
    assert plain.valve_alone is plain.characteristic
    found = turbulence(leg, [p.legs["fuel"] for p in wide.analysis.schedule.points])
    assert np.all(np.isfinite(found.reynolds))
    assert np.all(found.factor == 1.0)


def test_a_thick_fuel_is_told_everywhere() -> None:
    machine = thick(0.1)
    schedule = rig().analysis.schedule
    steps = ladder(machine, schedule)
    regime = steps.legs["fuel"].turbulence
    said = sentence(steps.throttle, regime.reynolds, regime.factor)
    j = lowest(regime.reynolds)
    assert j is not None
    assert regime.factor[j] < LEAST_FACTOR
    assert "NOT turbulent" in said
    assert f"FR {regime.factor[j]:.3f}" in said
    assert f"{100.0 * (1.0 - regime.factor[j]):.2g} % less flows" in said
    found = resolution(machine, schedule, 0.005).legs["fuel"].turbulence
    assert found is not None
    np.testing.assert_allclose(found.reynolds, regime.reynolds, rtol=1e-12)
    result = ports(rig(), machine, schedule, "fuel", [])
    assert result.regime(0) == said
    assert any(flag.startswith("not turbulent") for flag in result.own.flags)
    assert result.columns()["lowest FR"][0] == pytest.approx(float(np.min(regime.factor)))
    assert {"valve Reynolds number", "FR"} <= set(result.settings(0))
    assert "fuel FR" in steps.columns()


def test_the_report_warns_of_a_thick_fuel() -> None:
    analysis = rig().with_values({"legs.fuel.liquid.viscosity": 0.05}).analysis
    texts = [t for t in warnings_of(analysis, None) if "Reynolds" in t]
    assert len(texts) == 1
    assert texts[0].startswith("fuel: lowest valve Reynolds number")
    assert not [t for t in warnings_of(rig().analysis, None) if "Reynolds" in t]


def test_in_between_is_said_too() -> None:
    one = np.array([0.4])
    assert "not quite turbulent, about 1 % less" in sentence(one, np.array([8000.0]), np.array([0.99]))
    assert sentence(one, np.array([np.nan]), np.array([np.nan])) == ""


def test_no_number_where_nothing_flows() -> None:
    leg = rig().machine.legs["fuel"]
    at = points()[0]
    shut = dataclasses.replace(at, angle=math.nan)
    against = dataclasses.replace(at, valve_outlet=at.valve_inlet)
    found = turbulence(leg, [shut, against, at])
    assert np.isnan(found.reynolds[:2]).all()
    assert np.isfinite(found.reynolds[2])
    assert lowest(found.reynolds) == 2


@pytest.mark.parametrize(
    ("value", "text"), [(573210.0, "570 000"), (8333.0, "8 300"), (42.4, "42"), (4.2, "4"), (math.inf, "unknown")]
)
def test_rounded(value: float, text: str) -> None:
    assert rounded(value) == text


@pytest.mark.parametrize("verb", ["ports", "resolution"])
def test_the_command_line_tells_it(verb: str) -> None:
    result = CliRunner().invoke(app, [verb, str(DESIGNS / "hover-rig.toml"), "--leg", "fuel"])
    assert result.exit_code == 0, result.output
    assert "lowest valve Reynolds number" in " ".join(result.output.split())
