"""Heat over the mission and both motors on one battery: by hand, against the rows, on the command line, in the report."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import valvectl
from valvectl import cli
from valvectl.review.figures import heat_chart, power_chart
from valvectl.review.report_power import heat_group, power_group
from valvectl.studies.heat_network import network

EXAMPLE = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
LEGS: tuple[Any, ...] = ("oxidizer", "fuel")
RUN = CliRunner()
FULL = (
    ('other_loads = "1.5 A"', 'other_loads = "1.5 A"\ncapacity = "2.2 A h"\nregeneration = "blocked"\n'
     'bus_capacitance = "%s"\novervoltage_limit = "30 V"\nfuse = { rating = "%s", melting_i2t = "60 A^2 s", '
     'curve = { current = ["13.5 A", "35 A", "100 A"], time = ["600 s", "0.1 s", "6 ms"] } }'),
    ("[throttle]\nminimum", '[duty]\nruns = 3\npause = "30 s"\nhold = "servo"\ntype = "S6"\nloaded = "60 s"\n'
     'other = "540 s"\n\n[throttle]\nminimum'),
    ('thermal_time_constant = "600 s"', 'thermal_time_constant = "600 s"\nwinding_case_resistance = "1.5 K/W"\n'
     'case_air_resistance = "3.0 K/W"\nwinding_capacity = "18 J/K"\ncase_capacity = "120 J/K"'),
)  # fmt: skip


def full(folder: Path, capacitance: str = "2 mF", rating: str = "10 A") -> Path:
    """The example with every new key said."""
    text = EXAMPLE.read_text(encoding="utf-8")
    for old, new in FULL:
        assert old in text
        text = text.replace(old, new % (capacitance, rating) if "%s" in new else new)
    path = folder / "full.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def example() -> Any:
    """The example as it stands."""
    return valvectl.load(EXAMPLE)


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The example with every new key said."""
    return valvectl.load(full(tmp_path_factory.mktemp("full")))


# ------------------------------------------------------------------------------------------------------------ heat


def test_without_the_new_keys_the_row_stands_as_it_was(example: Any) -> None:
    for name in LEGS:
        row, result = example.analysis.heat[name], example.heat(name)
        assert result.nodes == 1
        assert result.steady == pytest.approx(row.temperature, rel=1e-12)
        # runs without end and without pause wander about the row's temperature, by less than one run's heat
        net = network(example.leg(name).actuator)
        assert result.lasting == pytest.approx(row.temperature, abs=0.5)
        assert net.surroundings <= result.peak <= result.lasting
        assert math.isinf(result.repeated)
        assert result.duty is None
        assert any("one node" in text for text in result.assumptions)


def test_two_nodes_are_quicker_in_a_stall_and_alike_for_ever(example: Any, said: Any) -> None:
    for name in LEGS:
        one, two = example.heat(name), said.heat(name)
        assert two.nodes == 2
        assert two.steady == pytest.approx(one.steady, rel=1e-12)
        assert two.endurance[0].from_cold < 0.5 * one.endurance[0].from_cold
        assert two.endurance[0].from_peak < two.endurance[0].from_cold
        assert two.hold_current > 0.0
        assert two.case_peak < two.peak < two.limit
        assert two.case_loss > 0.0
        assert two.duty is not None
        assert two.duty.met
        assert two.duty.allowed > two.rms_current
        assert two.margin_hot > two.margin_stated  # cooler than the winding assumed for the margin


def test_stall_by_hand(example: Any) -> None:
    """One node at the current limit: T' = (I^2 R25 (1 + a (T - 25)) - (T - Ta)/Rth)/C, solved by hand."""
    actuator = example.leg("fuel").actuator
    m, stall = actuator.motor, example.heat("fuel").endurance[0]
    assert stall.current == pytest.approx(actuator.current_limit)
    c = m.thermal_time_constant / m.thermal_resistance
    born = stall.current**2 * m.resistance
    rate = (born * m.resistance_coefficient - 1.0 / m.thermal_resistance) / c
    slope = born * (1.0 + m.resistance_coefficient * (actuator.hot_surroundings - 298.15)) / c
    rise = m.temperature_limit - actuator.hot_surroundings
    assert stall.from_cold == pytest.approx(math.log1p(rise * rate / slope) / rate, rel=1e-9)


def test_many_runs_keep_their_crests(example: Any) -> None:
    few, many = (example.with_values({"duty.runs": n, "duty.pause": 5.0}).heat("fuel") for n in (40, 41))
    assert many.time.size < few.time.size
    assert many.peak >= few.peak
    assert many.time[-1] == pytest.approx(few.time[-1] + 15.0)


def test_a_brushed_motor_is_warned_of(example: Any) -> None:
    brushed = example.with_values({"legs.oxidizer.actuator.motor.kind": "brushed"})
    assert any("spark" in text for text in brushed.heat("oxidizer").cautions)


# ----------------------------------------------------------------------------------------------------------- power


def test_power_agrees_with_the_row_and_adds_up(example: Any) -> None:
    result = example.power()
    stroke = example.stroke()
    for case in result.cases:
        assert abs(case.imbalance) < 1e-3
        assert abs(case.leg_imbalance) < 1e-3
        j = int(np.argmin(np.abs(case.time - case.lowest_time)))
        seen = min(float(case.drive_voltage[n][j]) for n in LEGS)
        assert case.battery - case.sag_battery - case.sag_harness == pytest.approx(seen, abs=1e-9)
        assert case.charge == pytest.approx(float(np.trapezoid(case.current, case.time)), rel=5e-3)
    assert min(min(c.lowest.values()) for c in result.cases[:2]) == pytest.approx(stroke.lowest_bus, rel=1e-12)
    assert abs(result.halved_voltage) < 0.02
    assert abs(result.halved_energy) < 5e-3
    assert result.fuse is None
    assert result.regenerated.holds is None
    assert result.mission_charge == result.run_charge
    assert any("not people" in text for text in result.cautions)


def test_fuse_and_braking_by_hand(said: Any) -> None:
    result = said.power()
    fuse, back = result.fuse, result.regenerated
    assert fuse is not None
    assert fuse.holds
    assert fuse.pulse_allowed == pytest.approx(0.38 * 60.0)
    assert fuse.allowed == pytest.approx(7.5)
    assert back.voltage == pytest.approx(math.sqrt(25.2**2 + 2.0 * back.energy / 2e-3))
    assert back.holds is True
    assert back.capacitance == pytest.approx(2.0 * back.energy / (30.0**2 - 25.2**2))
    assert back.resistor == pytest.approx(900.0 / back.power)
    assert result.mission_charge > 3.0 * result.run_charge + 60.0 * 1.5
    assert result.capacity == pytest.approx(7920.0)


def test_a_small_fuse_and_a_small_capacitor_are_told(tmp_path: Path) -> None:
    result = valvectl.load(full(tmp_path, "50 uF", "2 A")).power()
    assert result.fuse is not None
    assert not result.fuse.holds
    assert result.regenerated.holds is False
    assert any("fuse may open" in text for text in result.cautions)
    assert any("above its limit" in text for text in result.cautions)


def test_a_brake_resistor(example: Any) -> None:
    # numbers of a program are SI; a resistor above the greatest one can not hold the limit
    values = {"battery.regeneration": "resistor", "battery.overvoltage_limit": 30.0}
    for resistance, holds in ((5.0, True), (50.0, False)):
        back = example.with_values({**values, "battery.dump_resistance": resistance}).power().regenerated
        assert back.holds is holds


def test_a_battery_that_can_not_carry_the_drives_is_said_first(example: Any) -> None:
    weak = example.with_values({"battery.resistance": 0.8}).power()
    assert weak.cases[0].collapsed
    assert weak.margin < 0.0
    assert "can not carry" in weak.cautions[0]
    assert not any(case.collapsed for case in example.power().cases)
    stiff = example.with_values({"battery.resistance": 0.0}).power()
    assert math.isinf(stiff.greatest_power)
    assert stiff.cases[0].sag_battery == 0.0


# ------------------------------------------------------------------------------------------------------- delivery


@pytest.mark.parametrize("verb", ["heat", "power"])
def test_verbs_print_within_80_columns_and_write(verb: str, tmp_path: Path) -> None:
    path = full(tmp_path)
    done = RUN.invoke(cli.app, [verb, str(path), "--csv", str(tmp_path / "t.csv"), "--figure", str(tmp_path / "f.svg")])
    assert done.exit_code == 0, done.output
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    assert not re.search(r"\b(nan|inf)\b", done.stdout)
    names = {p.name for p in tmp_path.iterdir()} - {"full.toml"}
    legs = ("-oxidizer", "-fuel") if verb == "heat" else ("",)
    assert names == {f"{stem}{leg}.{end}" for leg in legs for stem, end in (("t", "csv"), ("f", "svg"))}
    content = json.loads(RUN.invoke(cli.app, [verb, str(path), "--json"]).stdout)
    assert set(content) == {"oxidizer", "fuel"} if verb == "heat" else "cases" in content


@pytest.mark.parametrize("which", ["example", "said"])
def test_figures_and_report(which: str, request: pytest.FixtureRequest, review_with: Any) -> None:
    design = request.getfixturevalue(which)
    heat, power = {n: design.heat(n) for n in LEGS}, design.power()
    assert len(heat_chart(heat["fuel"]).axes) == 2
    assert len(power_chart(power).axes) == 3
    for group in (heat_group(review_with(), heat), power_group(review_with(), power)):
        text = " ".join([*group.notes, *(cell for t in group.tables for r in t.rows for cell in r)])
        assert group.plots
        assert not re.search(r"\b(nan|inf)\b", text)
