"""What the printed tables and figures of stability, surge and start must say."""

from __future__ import annotations

import dataclasses
import io
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

import valvectl
from valvectl import cli_tables_feed
from valvectl.design.schema import LEGS
from valvectl.plant.balance import solve
from valvectl.review.figure_style import svg_text
from valvectl.review.figures_stability import chug_margin_chart, stability_map
from valvectl.review.figures_surge import closing_chart, fill_chart
from valvectl.review.wording import number

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


def printed(show, result) -> str:
    """The table of a result in plain text, one line."""
    out = io.StringIO()
    show(result, Console(file=out, width=100, color_system=None))
    return " ".join(out.getvalue().split())


def test_flow_separation_is_said() -> None:
    result = rig().stability()
    assert "leave the nozzle wall" not in printed(cli_tables_feed.stability, result)
    low = np.arange(result.throttle.size) < 3
    flagged = dataclasses.replace(result, separated=low, exit_pressure_ratio=np.where(low, 0.3, 0.8))
    text = printed(cli_tables_feed.stability, flagged)
    assert f"at {number(100.0 * result.throttle[2], 3)} % throttle and below the flow may leave the nozzle wall" in text
    assert "down to 0.3 of ambient" in text


def test_surge_names_its_estimates_and_the_vapour_pressure() -> None:
    result = rig().surge("oxidizer")
    text = printed(cli_tables_feed.surge_or_start, result)
    assert f"(Joukowsky): +{number(result.joukowsky / 1e5, 3)} bar" in text
    assert f"(Michaud, as if the flow fell evenly): +{number(result.slow_estimate / 1e5, 3)} bar" in text
    assert f"Vapour pressure {number(result.vapour_pressure / 1e5, 3)} bar abs" in text


def test_start_gives_line_and_manifold_and_the_worst_mixture() -> None:
    result = rig().fill()
    text = printed(cli_tables_feed.surge_or_start, result)
    for name, leg in result.legs.items():
        assert f"{number(1e3 * leg.line_fill_time, 3)} ms ({name})" in text
    assert f"O/F {number(result.burst_ratio, 3)}" in text
    assert any("line" in name for name in result.to_frame().columns)
    assert result.burst_high > result.burst > 0.0


def test_trapped_gas_is_under_the_manifolds_pressure() -> None:
    """Compliance of 1 mL of gas at full thrust: rho V over chamber pressure and injector drop."""
    gassy = rig().with_values({f"legs.{name}.manifold.gas_volume": "1 mL" for name in LEGS})
    point = solve(rig().machine, 1.0)
    for name in LEGS:
        plain, soft = rig().machine.legs[name], gassy.machine.legs[name]
        gas = plain.liquid.density * 1e-6 / point.legs[name].manifold
        assert soft.compliance - plain.compliance == pytest.approx(gas, rel=1e-6)
        assert point.legs[name].manifold > 1.2 * point.chamber_pressure


def test_a_c_star_table_says_what_its_burst_leaves_out(tmp_path: Path) -> None:
    grid = rig().machine.c_star
    ratios = [0.8, 1.0, 1.2, 1.5, 1.8]
    values = ", ".join(f'"{grid.c_star(r, 15e5):.2f} m/s"' for r in ratios)
    table = f"""
[engine.combustion.table]
mixture_ratio = {ratios}
chamber_pressure = ["15 bar abs"]
c_star = [[{values}]]
gamma = {grid.gamma:.5f}

[legs.oxidizer.liquid]"""
    text = RIG.read_text().replace('source = "equilibrium"', 'source = "table"')
    text = text.replace("[legs.oxidizer.liquid]", table, 1)
    file = tmp_path / "table.toml"
    file.write_text(text)
    result = valvectl.load(file).fill()
    assert any("beyond the c* table" in line for line in result.assumptions)
    assert not any("beyond the c* table" in line for line in rig().fill().assumptions)
    assert result.burst < rig().fill().burst


def test_a_margin_beyond_the_chart_is_no_plateau() -> None:
    """A curve that leaves the chart must not look like a constant margin."""
    result = rig().stability()
    large = dataclasses.replace(result.as_stated, gain_margin=np.linspace(60.0, 10.0, result.throttle.size))
    cases = (result.cases[0], large, *result.cases[2:])
    ax = chug_margin_chart(dataclasses.replace(result, cases=cases))
    drawn = max((line for line in ax.get_lines() if len(line.get_xdata()) > 5), key=lambda line: max(line.get_ydata()))
    assert np.all(np.diff(np.asarray(drawn.get_ydata())) < 0.0)
    assert ax.get_ylim()[1] < 30.0


def test_figures_carry_their_operating_point() -> None:
    result = rig().stability()
    ax = stability_map(result, result.soft)
    assert "oxidizer 1.5, fuel 2.5 ms" in ax.get_title(loc="left")
    assert any(text.get_text().endswith(" Hz") for text in ax.texts)
    assert "15 bar abs" in chug_margin_chart(result).get_title(loc="left")
    closing = svg_text(closing_chart(rig().surge("fuel")), "c")
    assert "constant speed: peak" in closing
    assert "least surge: peak" in closing
    start = fill_chart(rig().fill())
    assert any("if ignition comes late" in text.get_text() for text in start.texts)
