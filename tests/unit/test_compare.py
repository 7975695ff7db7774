"""Two reviews side by side: order, exit codes, saved reviews of older versions, files that are no reviews."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import valvectl
from valvectl import cli
from valvectl.design.load import read_design
from valvectl.errors import DesignError
from valvectl.review.compare import compare
from valvectl.review.folder import json_of, json_text
from valvectl.review.inputs import counts, input_lines
from valvectl.review.saved import read_saved, side_of
from valvectl.review.verdict import Review, row

EXAMPLE = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
RUN = CliRunner()
BAD = "<b>\u202e[red]x\n\x1b[31m" + "y" * 400


@pytest.fixture(scope="module")
def lines() -> Any:
    return input_lines(read_design(EXAMPLE))


@pytest.fixture(autouse=True)
def eighty(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def saved(review: Review, folder: Path, drop: tuple[str, ...] = (), **more: Any) -> Path:
    folder.mkdir()
    content = {k: v for k, v in json_of(review).items() if k not in (*drop, "studies")} | more
    (folder / "review.json").write_text(json_text(content), encoding="utf-8")
    return folder


def rows_with(review: Review, **values: float | None) -> tuple[Any, ...]:
    """The rows with other values by id."""
    return tuple(
        row(r.id, r.leg, r.title, values.get(r.id, r.value), r.operator, r.limit, r.unit, r.case, r.method, False)
        for r in review.rows
    )


def test_a_review_and_its_saved_form_are_identical(
    review_with: Callable[..., Review], lines: Any, tmp_path: Path
) -> None:
    review = review_with(inputs=lines)
    found = compare(side_of(review, "x"), read_saved(saved(review, tmp_path / "a")))
    assert found.identical
    assert not found.worse
    assert found.inputs == ()
    assert {r.kind for r in found.rows} == {"same"}


def test_verdicts_that_turn_come_first_and_worse_ones_before_better(review_with: Callable[..., Review]) -> None:
    a = review_with()
    b = review_with(rows=rows_with(a, torque_margin=60.0, flow_resolution=0.4, peak_sensitivity=1.9))
    found = compare(side_of(a, "a"), side_of(b, "b"))
    assert [(r.id, r.kind) for r in found.rows[:3]] == [
        ("torque_margin", "worse"),
        ("flow_resolution", "better"),
        ("peak_sensitivity", "moved"),
    ]
    assert found.worse
    assert not compare(side_of(b, "b"), side_of(b, "b")).worse
    back = compare(side_of(b, "b"), side_of(a, "a"))
    assert back.rows[0].id == "flow_resolution"
    assert back.worse


@pytest.mark.parametrize(("value", "kind"), [(1.51, "same"), (1.519, "same"), (1.521, "moved"), (1.479, "moved")])
def test_moved_counts_from_the_share_of_the_limit(review_with: Callable[..., Review], value: float, kind: str) -> None:
    a = review_with()  # peak_sensitivity 1.5 against 2: one per cent of the limit is 0.02
    b = review_with(rows=rows_with(a, peak_sensitivity=value))
    found = {r.id: r for r in compare(side_of(a, "a"), side_of(b, "b")).rows}
    assert found["peak_sensitivity"].kind == kind
    assert found["peak_sensitivity"].change == pytest.approx((value - 1.5) / 2.0)


def test_a_pass_that_is_no_longer_assessed_is_worse(review_with: Callable[..., Review]) -> None:
    a = review_with()
    b = review_with(rows=rows_with(a, torque_margin=None))
    assert compare(side_of(a, "a"), side_of(b, "b")).worse


def test_a_new_row_that_is_missed_is_worse_and_one_met_is_not(review_with: Callable[..., Review]) -> None:
    a = review_with()
    new = [row("new", None, "new", v, "<=", 1.0, "s", "c", "m", False) for v in (2.0, 0.5)]
    assert compare(side_of(a, "a"), side_of(review_with(rows=(*a.rows, new[0])), "b")).worse
    fine = compare(side_of(a, "a"), side_of(review_with(rows=(*a.rows, new[1])), "b"))
    assert not fine.worse
    assert [r.kind for r in fine.rows if r.id == "new"] == ["only B"]


def test_a_limit_that_moved_is_listed_though_verdict_and_value_stay(review_with: Callable[..., Review]) -> None:
    a = review_with()
    loose = tuple(dataclasses.replace(r, limit=3.0) if r.id == "peak_sensitivity" else r for r in a.rows)
    found = compare(side_of(a, "a"), side_of(review_with(rows=loose), "b"))
    assert [(r.id, r.limit_changed) for r in found.of("limit")] == [("peak_sensitivity", True)]


def test_inputs_that_differ(review_with: Callable[..., Review]) -> None:
    design = read_design(EXAMPLE)
    thrust = design.get("engine.thrust")
    kv = design.inputs["legs.fuel.valve.flow.kv"].value
    assert isinstance(kv, tuple)
    changed = design.with_values(
        {"engine.thrust": 1.1 * thrust, "legs.fuel.valve.flow.kv[2]": 1.01 * kv[2], "simulation.step": "0.01 ms"}
    )
    a, b = (review_with(inputs=input_lines(d)) for d in (design, changed))
    found = {c.key: c for c in compare(side_of(a, "a"), side_of(b, "b")).inputs or ()}
    assert set(found) == {"engine.thrust", "legs.fuel.valve.flow.kv", "simulation.step"}
    assert found["engine.thrust"].relative == pytest.approx(0.1)
    assert found["engine.thrust"].unit == "N"
    assert found["legs.fuel.valve.flow.kv"].a.startswith("[2] ")
    assert found["simulation.step"].b_origin in ("not stated", "default")


def test_values_too_near_to_differ_as_shown_are_told_apart(review_with: Callable[..., Review]) -> None:
    design = read_design(EXAMPLE)
    near = design.with_values({"engine.thrust": design.get("engine.thrust") * (1.0 + 1e-9)})
    a, b = (review_with(inputs=input_lines(d)) for d in (design, near))
    (one,) = compare(side_of(a, "a"), side_of(b, "b")).inputs or ()
    assert one.a != one.b


def test_inputs_list_origins_tolerances_and_defaults() -> None:
    design = read_design(EXAMPLE)
    lines = {line.key: line for line in input_lines(design)}
    assert len(lines) == len(design.inputs) + len(design.defaults_used)
    for key, item in design.inputs.items():
        assert lines[key].origin == (item.origin or "not stated")
        assert lines[key].value == item.value
    assert {lines[d.key].origin for d in design.defaults_used} == {"default"}
    assumed = sum(item.origin == "assumed" for item in design.inputs.values())
    assert f"{assumed} assumed" in counts(lines.values())
    assert f"{len(design.toleranced())} of them with a tolerance" in counts(lines.values())


# ---------------------------------------------------------------------------------------------------- command line


def test_the_table_fits_and_exit_codes_hold(review_with: Callable[..., Review], lines: Any, tmp_path: Path) -> None:
    a = review_with(inputs=lines, design=BAD)
    b = review_with(inputs=lines[:-5], rows=rows_with(a, torque_margin=-60.123456, peak_sensitivity=1.95))
    one, two = str(saved(a, tmp_path / "a")), str(saved(b, tmp_path / "b"))
    done = RUN.invoke(cli.app, ["compare", one, two])
    assert done.exit_code == 1
    assert max(len(line) for line in done.output.splitlines()) <= 80
    assert "\u202e" not in done.output
    assert "\x1b[31m" not in done.output
    text = " ".join(done.output.split())
    assert "Met in A, not in B: 1" in text
    assert "1 verdicts turned for the worse" in text
    assert "no permission to operate" in text
    back = RUN.invoke(cli.app, ["compare", two, str(Path(one) / "review.json")])
    assert back.exit_code == 0
    same = RUN.invoke(cli.app, ["compare", one, one])
    assert same.exit_code == 0
    assert "Nothing differs" in same.output
    content = json.loads(RUN.invoke(cli.app, ["compare", one, two, "--json"]).output)
    assert content["worse"] is True
    assert content["identical"] is False
    assert content["rows"][0]["kind"] == "worse"


def test_a_review_of_an_older_version_has_no_inputs(
    review_with: Callable[..., Review], lines: Any, tmp_path: Path
) -> None:
    review = review_with(inputs=lines, versions={"valvectl": "0.1.0"})
    old = saved(review, tmp_path / "old", drop=("inputs",))
    new = saved(review_with(inputs=lines, versions={"valvectl": "0.2.0"}), tmp_path / "new")
    done = RUN.invoke(cli.app, ["compare", str(old), str(new)])
    text = " ".join(done.output.split())
    assert done.exit_code == 0
    assert "A was saved without a list of its inputs" in text
    assert "by their checksums the inputs of A and B are the same" in text
    assert "different versions of valvectl (0.1.0 and 0.2.0)" in text


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "is not JSON"),
        ("{", "is not JSON"),
        ("[]", "a JSON object is wanted"),
        ('{"schema": "other-1"}', "schema: must be"),
        ('{"schema": "valvectl-review-1"}', "rows: must be a list"),
        ('{"schema": "valvectl-review-1", "rows": [1]}', "rows[0]: must be an object"),
        ('{"schema": "valvectl-review-1", "rows": [{"id": "x"}]}', "rows[0].title: is missing"),
        ('{"schema": "valvectl-review-1", "rows": NaN}', "NaN is no number"),
        ("[" * 100_000, "is not JSON of this program"),
    ],
)
def test_what_is_no_review_is_refused(content: str, says: str, tmp_path: Path) -> None:
    place = tmp_path / "review.json"
    place.write_text(content, encoding="utf-8")
    done = RUN.invoke(cli.app, ["compare", str(tmp_path), str(place)])
    assert done.exit_code == 2
    assert says in done.output
    assert "review.json" in done.output
    assert "Traceback" not in done.output


@pytest.mark.parametrize(
    "change", [{"limit": "5"}, {"verdict": "fine"}, {"leg": "left"}, {"value": True}, {"operator": "<"}]
)
def test_rows_of_wrong_kind_are_refused(
    change: dict[str, Any], review_with: Callable[..., Review], tmp_path: Path
) -> None:
    review = review_with()
    rows = json_of(review)["rows"]
    rows[0] |= change
    folder = saved(review, tmp_path / "a", rows=rows)
    with pytest.raises(DesignError, match=r"rows\[0\]\." + next(iter(change))):
        read_saved(folder)


def test_rows_that_stand_there_twice_are_refused(review: Review) -> None:
    twice = dataclasses.replace(side_of(review, "a"), rows=(*review.rows, review.rows[0]))
    with pytest.raises(DesignError, match="twice"):
        compare(twice, side_of(review, "b"))


def test_a_folder_without_a_review_says_so(tmp_path: Path) -> None:
    done = RUN.invoke(cli.app, ["compare", str(tmp_path), str(tmp_path)])
    assert done.exit_code == 2
    assert "holds no review" in done.output


def test_numbers_that_do_not_exist_come_back(review: Review, tmp_path: Path) -> None:
    """JSON has no infinity; a step that never settles is still missed, a margin without crossing is still met."""
    side = read_saved(saved(review, tmp_path / "a"))
    for before, after in zip(review.rows, side.rows, strict=True):
        assert after.verdict == before.verdict
        assert after.value == before.value


def test_the_api_compares_what_it_is_given(review_with: Callable[..., Review], tmp_path: Path) -> None:
    a = review_with()
    b = review_with(rows=rows_with(a, torque_margin=60.0))
    found = valvectl.compare(a, saved(b, tmp_path / "b"))
    assert found.worse
    assert found.to_frame()["change"].tolist()[0] == "worse"
