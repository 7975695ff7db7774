"""Error budget, worst case and draws: groups, distributions, choking, the command line."""

import io
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from valvectl import cli, cli_tables_dispersion, load
from valvectl.api import Design
from valvectl.cli_print import PatientConsole
from valvectl.design.design_file import DesignFile
from valvectl.errors import ValvectlError
from valvectl.plant.balance import balance
from valvectl.review import figures
from valvectl.studies.budget import _Budget, bounded, budget
from valvectl.studies.campaign import bare
from valvectl.studies.disperse import disperse
from valvectl.studies.draws import combined, pearson, units, variables
from valvectl.studies.worst import LITTLE, _Search, _Worst, worst

DESIGNS = Path(__file__).resolve().parents[2] / "designs"
GROUPED = {
    'pressure = { value = "20.6 bar abs", tolerance = "0.15 bar", origin = "measured" }':
        'pressure = { value = "20.6 bar abs", tolerance = "0.15 bar", origin = "measured", group = "regulator" }',
    'pressure = { value = "22.5 bar abs", tolerance = "0.15 bar", origin = "measured" }':
        'pressure = { value = "22.5 bar abs", tolerance = "0.15 bar", distribution = "normal", group = "regulator" }',
    "efficiency = { value = 0.93, tolerance = 0.02, ":
        'efficiency = { value = 0.93, tolerance = 0.02, distribution = "triangular", ',
}  # fmt: skip


@pytest.fixture(scope="module")
def plain():
    return load(DESIGNS / "hover-rig.toml")


@pytest.fixture(scope="module")
def grouped_file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("grouped")
    shutil.copytree(DESIGNS / "parts", folder / "parts")
    text = (DESIGNS / "hover-rig.toml").read_text(encoding="utf-8")
    for before, after in GROUPED.items():
        assert before in text
        text = text.replace(before, after, 1)
    (folder / "grouped.toml").write_text(text, encoding="utf-8")
    return folder / "grouped.toml"


@pytest.fixture(scope="module")
def grouped(grouped_file):
    return load(grouped_file)


@pytest.fixture(scope="module")
def found(plain):
    return budget(plain, runs=200)


@pytest.fixture(scope="module")
def found_grouped(grouped):
    return budget(grouped, runs=400)


def test_shares_add_to_one(found, found_grouped):
    for result in (found, found_grouped):
        assert np.sum([c.share for c in result.contributors], axis=0) == pytest.approx(1.0, abs=1e-12)


def test_systematic_and_random_add_by_squares(found):
    assert np.hypot(found.ratio.systematic, found.ratio.random) == pytest.approx(found.ratio.rss, rel=1e-12)
    assert (found.ratio.worst_case > found.ratio.rss).all()


def test_halving_is_what_the_halved_tolerance_gives(plain, found):
    key = "legs.oxidizer.injector.discharge_coefficient"
    row = next(c for c in found.contributors if c.key == key)
    item = plain.inputs[key]
    import dataclasses

    inputs = dict(plain.inputs) | {key: dataclasses.replace(item, tolerance=0.5 * item.tolerance)}
    work = _Budget(DesignFile(plain.data, plain.path, inputs), 50, 1, lambda *_: None)
    still = work.still
    base = work._steady(np.zeros((1, len(still.table))), "")[0]
    linear, _ = work._slopes(still.table, work._steady, base, "")
    tightened = combined(linear[:, : found.throttle.size], pearson(still.table))
    assert 1.0 - tightened / found.ratio.rss == pytest.approx(row.halved, rel=0.03, abs=1e-4)


def test_a_common_regulator_partly_cancels(found, found_grouped):
    """Both tanks up together: the oxidizer's and the fuel's share have opposite signs in O/F, the same in thrust."""
    assert found_grouped.groups == {"regulator": ("legs.oxidizer.tank.pressure", "legs.fuel.tank.pressure")}
    assert (found_grouped.ratio.rss < found.ratio.rss).all()
    rows = {c.key: c for c in found_grouped.contributors}
    one, other = (rows[k] for k in found_grouped.groups["regulator"])
    assert (one.ratio * other.ratio < 0.0).all()
    assert (one.thrust * other.thrust > 0.0).all()
    assert (found_grouped.ratio.worst_case < found.ratio.worst_case).all()


def test_groups_agree_with_drawn_engines(found_grouped):
    assert np.abs(found_grouped.ratio.agreement).max() < 0.10
    assert np.abs(found_grouped.thrust.agreement).max() < 0.10


def test_draws_have_the_distributions_and_correlations_that_are_said(grouped):
    table = variables(grouped, grouped.machine)
    drawn = units(table, "random", 9, 0, 20000, 20000)
    keys = [v.key for v in table]
    assert drawn.std(axis=0) == pytest.approx([v.deviation for v in table], rel=0.02)
    relation = np.corrcoef(drawn.T)
    assert relation == pytest.approx(pearson(table), abs=0.03)
    i, j = keys.index("legs.oxidizer.tank.pressure"), keys.index("legs.fuel.tank.pressure")
    assert pearson(table)[i, j] == pytest.approx(np.sqrt(3.0 / np.pi))
    assert relation[i, j] == pytest.approx(np.sqrt(3.0 / np.pi), abs=0.005)


def test_sums_of_parts():
    parts = np.array([[3.0], [4.0]])
    assert combined(parts, np.eye(2)) == pytest.approx([5.0])
    assert combined(parts, np.ones((2, 2))) == pytest.approx([7.0])
    assert combined(parts, np.array([[1.0, -1.0], [-1.0, 1.0]])) == pytest.approx([1.0])


def test_bounds_of_a_group_keep_their_signs(grouped):
    table = [v for v in variables(grouped, grouped.machine) if v.key.endswith("tank.pressure")]
    parts = np.array([[table[0].deviation * 3.0], [-table[1].deviation * 2.0]])
    assert bounded(parts, table) == pytest.approx([1.0])


def test_the_budget_says_where_it_is_not_linear(plain):
    """FL so low that the oxidizer valve is about to choke at the lowest throttle: the sum of squares no longer holds there."""
    lower = [0.86 * x for x in plain.inputs["legs.oxidizer.valve.flow.fl"].value]
    result = budget(plain.with_values({"legs.oxidizer.valve.flow.fl": lower}), runs=400)
    assert abs(result.ratio.agreement[0]) > 0.10
    assert any("not linear at 40 %" in text for text in result.cautions)
    assert not any("100 %" in text for text in result.cautions)


def test_nothing_toleranced_is_said(plain):
    import dataclasses

    inputs = {key: dataclasses.replace(item, tolerance=None) for key, item in plain.inputs.items()}
    still = {"legs.oxidizer.controller.hold_band": 0.0, "legs.fuel.controller.hold_band": 0.0}
    design = DesignFile(plain.data, plain.path, inputs).with_values(
        still | {f"legs.{n}.actuator.position_encoder.accuracy": 0.0 for n in ("oxidizer", "fuel")}
    )
    with pytest.raises(ValvectlError, match="no input"):
        disperse(design, 10)


@pytest.fixture(scope="module")
def worst_found(plain):
    return worst(plain)


def test_the_worst_is_at_least_the_corner_and_about_the_sum_of_slopes(worst_found):
    for case in worst_found.cases[:4]:
        assert abs(case.value) >= abs(case.corner) - 1e-15
        assert abs(case.value) == pytest.approx(abs(case.linear), rel=0.06)


def test_no_drawn_engine_is_worse(plain, worst_found):
    drawn = disperse(plain, 200, simulate=False)
    high, low = worst_found.cases[0], worst_found.cases[1]
    values = drawn.values[f"O/F error at {100.0 * high.throttle:.4g} %"]
    assert low.value < values.min() < values.max() < high.value


def test_inputs_without_effect_are_told_in_a_word(worst_found):
    out = PatientConsole(markup=False, highlight=False, file=io.StringIO(), width=200)
    cli_tables_dispersion.worst(worst_found, out)
    seen = out.file.getvalue()
    for case in worst_found.cases:
        strong, total = case.strong(), sum(abs(x) for x in case.effect.values())
        sizes = [abs(case.effect[key]) for key in strong]
        assert sizes == sorted(sizes, reverse=True)
        left = len(case.effect) - len(strong)
        assert sum(abs(x) <= LITTLE * total or key not in case.at for key, x in case.effect.items()) == left
        if left > 1:
            assert f"{left} inputs have no effect" in seen
    assert any(len(c.effect) > len(c.strong()) for c in worst_found.cases)
    for corner in worst_found.corners:  # the error of the run has its column
        assert f"{100.0 * corner.peak_error:+.2f}" in seen


def test_the_run_shows_the_worst(worst_found):
    """Held at the setting of the worst case, the run has its error, but for the ball's own places, which a run finds itself."""
    case = max(worst_found.cases[:2], key=lambda c: abs(c.value))
    hold = next(h for h in worst_found.run.holds if abs(h.throttle - case.throttle) < 1e-9)
    assert hold.ratio_error == pytest.approx(case.value, abs=0.004)


def test_a_worst_inside_the_bounds_is_found(grouped):
    table = variables(grouped, grouped.machine, steady=True)[:4]
    search = _Search(table)
    slopes = np.zeros(len(search.names))
    slopes[:2] = 0.1, 1.0

    def measure(unit):
        return float(unit[1] - 5.0 * (unit[0] - 0.3) ** 2)

    case = search.worst(measure, "x", "", 1.0, slopes)
    assert case.value == pytest.approx(1.0, abs=0.02)
    assert case.corner == pytest.approx(1.0 - 5.0 * 0.7**2)
    assert search.names[0] in case.inside


CORNER = """
[[corners]]
name = "cold morning (invented)"
upper = ["legs.oxidizer.tank.pressure", "legs.oxidizer.valve.torque.breakaway"]
lower = ["legs.oxidizer.liquid.temperature"]
"""


def with_corner(grouped_file, name: str, text: str) -> Path:
    path = grouped_file.with_name(f"{name}.toml")
    path.write_text(grouped_file.read_text(encoding="utf-8") + text, encoding="utf-8")
    return path


def test_a_declared_corner_is_worked_out(grouped_file):
    design = load(with_corner(grouped_file, "corner", CORNER))
    corner = _Worst(design, lambda *_: None).corners()[0]
    assert corner.name == "cold morning (invented)"
    assert len(corner.moved) == 3
    moved = design.with_values(
        {
            "legs.oxidizer.tank.pressure": 20.75e5,
            "legs.oxidizer.liquid.temperature": 86.0,
        }
    )
    schedule = design.analysis.schedule
    errors = []
    for x in design.analysis.settings:
        angles = [float(schedule.angle_at(n, np.array([x]))[0]) for n in ("oxidizer", "fuel")]
        errors.append(balance(moved.machine, *angles).mixture_ratio / design.engine.mixture_ratio - 1.0)
    # The moved machine alone counts the regulator's droop from its own flow; the study from the design's.
    assert corner.ratio_error == pytest.approx(max(errors, key=abs), rel=0.03)
    assert abs(corner.peak_error) >= abs(corner.ratio_error) - 1e-3


def test_a_corner_of_an_input_without_tolerance_is_said(grouped_file):
    text = CORNER.replace("legs.oxidizer.tank.pressure", "legs.oxidizer.tank.presure").replace(
        "liquid.temperature", "tank.pressure"
    )
    path = with_corner(grouped_file, "broken", text)
    result = CliRunner().invoke(cli.app, ["worst", str(path)])
    assert result.exit_code == 2
    assert "corners[0].upper[0]" in result.stderr
    assert "did you mean 'legs.oxidizer.tank.pressure'?" in result.stderr


def test_members_of_a_group_move_together(grouped):
    table = variables(grouped, grouped.machine, steady=True)
    search = _Search(table)
    assert "group regulator" in search.names
    free = np.zeros(len(search.names))
    free[search.names.index("group regulator")] = -1.0
    moved = {v.key for v, x in zip(table, search.unit(free), strict=True) if x == -1.0}
    assert moved == {"legs.oxidizer.tank.pressure", "legs.fuel.tank.pressure"}


def test_figures_are_drawn(found, worst_found, plain):
    figures.budget_chart(found)
    figures.worst_chart(worst_found)
    figures.disperse_chart(disperse(plain, 30, simulate=False))
    figures.disperse_chart(disperse(plain, 30, simulate=False, sampling="sobol"))


@pytest.mark.parametrize("verb", ["budget", "worst", "disperse"])
def test_the_verbs(verb, grouped_file, tmp_path, monkeypatch, found_grouped, worst_found):
    monkeypatch.setattr(Design, "budget", lambda self, runs, progress: found_grouped)  # worked out above
    monkeypatch.setattr(Design, "worst", lambda self, progress: worst_found)
    run = CliRunner()
    more = {"budget": ["--runs", "60"], "worst": [], "disperse": ["--runs", "20", "--out", str(tmp_path / "runs")]}[
        verb
    ]
    shown = run.invoke(cli.app, [verb, str(grouped_file), *more, "--csv", str(tmp_path / "t.csv")])
    assert shown.exit_code == 0, shown.output
    assert max(len(line) for line in shown.stdout.splitlines()) <= 80
    assert (tmp_path / "t.csv").read_text().count("\n") > 15
    if verb == "disperse":
        again = run.invoke(cli.app, [verb, str(grouped_file), *more, "--resume", "--json"])
        assert json.loads(again.stdout) == json.loads((tmp_path / "runs" / "result.json").read_text())
        repeated = run.invoke(cli.app, ["throttle", str(grouped_file), "--run", "3", "--from", str(tmp_path / "runs")])
        assert repeated.exit_code == 0, repeated.output


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--runs", "1"], "runs must be from 2"),
        (["--sampling", "halton"], "sampling must be one of"),
        (["--sampling", "sobol", "--stop-at", "0.95/0.95"], "independent runs"),
        (["--resume"], "--resume needs --out"),
        (["--seed", "-1"], "seed must be"),
        (["--stop-at", "95"], "coverage/confidence"),
    ],
)
def test_options_that_make_no_sense(options, said, grouped_file):
    result = CliRunner().invoke(cli.app, ["disperse", str(grouped_file), *options])
    assert result.exit_code == 2
    assert said in result.stderr


def test_scatter_counts_in_the_hash_of_the_design(plain, grouped):
    assert plain.input_hash != grouped.input_hash
    assert bare(plain).input_hash == plain.input_hash
