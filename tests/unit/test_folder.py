"""The review folder: complete or untouched, strict JSON, tables that a spreadsheet reads."""

from __future__ import annotations

import csv
import io
import json
import math
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from valvectl.errors import ValvectlError
from valvectl.review import folder
from valvectl.review.verdict import Review


@pytest.fixture(autouse=True)
def quick_report(monkeypatch: pytest.MonkeyPatch) -> None:
    # The page itself is tested elsewhere; drawing it takes seconds.
    monkeypatch.setattr(folder, "render", lambda review, drawn: f"<!DOCTYPE html>{review.date}")
    monkeypatch.setattr(folder, "groups_drawn", lambda review, two_cores, meanwhile: meanwhile())


def strict(text: str) -> Any:
    def refuse(name: str) -> None:
        raise AssertionError(f"{name} is not JSON")

    return json.loads(text, parse_constant=refuse)


def content(place: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in place.iterdir()}


def test_writes_all_files(review: Review, tmp_path: Path) -> None:
    written = folder.write_review(review, tmp_path / "r")
    assert {p.name for p in (tmp_path / "r").iterdir()} == set(written)
    for name in (
        "review.html", "review.json", "requirements.csv", "throttle.csv", "ladder.csv", "resolution.csv", "spread.csv",
        "ratio-oxidizer.csv", "loop-fuel.csv", "loop-fuel-frequency.csv", "loop-fuel-step-opening.csv", "torque-fuel.csv",
    ):  # fmt: skip
        assert written[name] == tmp_path / "r" / name
        assert written[name].stat().st_size > 0
    assert [p.name for p in tmp_path.iterdir()] == ["r"]  # nothing temporary is left


def test_json_is_strict_and_comes_back_the_same(review: Review, tmp_path: Path) -> None:
    text = folder.write_review(review, tmp_path / "r")["review.json"].read_text(encoding="utf-8")
    read = strict(text)
    assert read == folder.json_of(review)
    assert folder.json_text(read) == text
    assert read["schema"] == "valvectl-review-1"
    assert list(read) == sorted(read)
    assert set(read) == {
        "schema", "design", "note", "file", "date", "all_met", "rows", "remedies", "studies", "defaults_used", "assumed",
        "warnings", "exclusions", "versions", "input_hash", "by_hand", "hold_points", "sources",
        "inputs", "tables",
    }  # fmt: skip
    assert read["design"] == review.design
    assert len(text) < 2_000_000


def test_numbers_that_do_not_exist_are_null(review: Review) -> None:
    read = folder.json_of(review)
    by_id = {r["id"]: r for r in read["rows"]}
    assert by_id["step_settling"]["value"] is None
    assert by_id["step_settling"]["verdict"] == "missed"
    assert by_id["cavitation"]["value"] is None
    assert by_id["cavitation"]["verdict"] == "not assessed"
    assert read["all_met"] is False
    assert read["studies"]["loop"]["fuel"]["steps"]["closing"]["metrics"]["settling"] is None
    assert read["studies"]["ladder"]["exit_pressure_ratio"] == [None] * 7


def test_long_traces_are_thinned_alike_and_say_so(review: Review) -> None:
    run = folder.json_of(review)["studies"]["throttle"]
    assert run["thinned"] == {"every": 7, "of": 8001}
    full = review.studies["throttle"]
    assert run["time"] == pytest.approx(full.time[::7].tolist(), rel=1e-8)
    assert run["ratio_error"] == pytest.approx(full.ratio_error[::7].tolist(), rel=1e-8)
    assert len(run["holds"]) == 1
    assert "thinned" not in folder.json_of(review)["studies"]["resolution"]


def test_csv_holds_every_point_with_units_and_decimal_points(review: Review, tmp_path: Path) -> None:
    place = folder.write_review(review, tmp_path / "r")["throttle.csv"]
    raw = place.read_bytes()
    assert b"\r" not in raw
    rows = list(csv.reader(io.StringIO(raw.decode("utf-8"))))
    assert rows[0][:2] == ["time [s]", "throttle [%]"]
    assert all("[" in name for name in rows[0])
    assert len(rows) == 8002
    assert min(float(r[rows[0].index("O/F error [%]")]) for r in rows[1:]) == pytest.approx(-7.65)


def test_csv_cells() -> None:
    columns = {
        "a [m]": np.array([1.0, math.nan, 1e-7]),
        "b": [True, np.bool_(False), None],
        "c, with comma": ["=1+1", 'say "hi"', "-ok"],
    }
    rows = list(csv.reader(io.StringIO(folder.csv_text(columns))))
    assert rows == [
        ["a [m]", "b", "c, with comma"],
        ["1", "yes", "'=1+1"],
        ["", "no", 'say "hi"'],
        ["1e-07", "", "'-ok"],
    ]
    with pytest.raises(ValueError, match="shorter"):
        folder.csv_text({"a": [1.0, 2.0], "b": [1.0]})


def test_an_earlier_run_is_updated_and_foreign_files_stay(
    review: Review, review_with: Callable[..., Review], tmp_path: Path
) -> None:
    target = tmp_path / "r"
    folder.write_review(review, target)
    (target / "my notes.txt").write_text("mine", encoding="utf-8")
    folder.write_review(review_with(date="2027-01-01T00:00:00+00:00"), target)
    assert (target / "my notes.txt").read_text(encoding="utf-8") == "mine"
    assert "2027-01-01" in (target / "review.html").read_text(encoding="utf-8")
    assert [p.name for p in tmp_path.iterdir()] == ["r"]


@pytest.mark.parametrize("fails_at", [0, 1, 5])
@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt(), RuntimeError("x")])
def test_a_writer_that_fails_half_way_leaves_the_old_folder(
    fails_at: int,
    error: BaseException,
    review: Review,
    review_with: Callable[..., Review],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    target = tmp_path / "r"
    folder.write_review(review, target)
    before = content(target)
    count = 0
    real = folder._write

    def failing(path: Path, text: str) -> None:
        nonlocal count
        if count == fails_at:
            path.write_text(text[:10], encoding="utf-8")
            raise error
        count += 1
        real(path, text)

    monkeypatch.setattr(folder, "_write", failing)
    with pytest.raises(ValvectlError if isinstance(error, OSError) else type(error)):
        folder.write_review(review_with(date="2027-01-01T00:00:00+00:00"), target)
    assert content(target) == before
    assert [p.name for p in tmp_path.iterdir()] == ["r"]


def test_a_failed_first_run_leaves_nothing(review: Review, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(path: Path, text: str) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(folder, "_write", failing)
    with pytest.raises(ValvectlError, match="No space left on device"):
        folder.write_review(review, tmp_path / "r")
    assert list(tmp_path.iterdir()) == []


def test_refuses_the_name_of_a_file(review: Review, tmp_path: Path) -> None:
    place = tmp_path / "r"
    place.write_text("keep me", encoding="utf-8")
    with pytest.raises(ValvectlError, match="is a file"):
        folder.write_review(review, place)
    assert place.read_text(encoding="utf-8") == "keep me"


def test_refuses_a_folder_that_can_not_be_written(
    review: Review, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "r"
    place.mkdir()
    monkeypatch.setattr(os, "access", lambda *a, **k: False)  # the super-user may write anywhere
    with pytest.raises(ValvectlError, match="can not be written to"):
        folder.write_review(review, place)


def test_a_parent_that_is_a_file(review: Review, tmp_path: Path) -> None:
    (tmp_path / "f").write_text("", encoding="utf-8")
    with pytest.raises(ValvectlError, match="can not be written"):
        folder.write_review(review, tmp_path / "f" / "r")


def test_parents_are_made(review: Review, tmp_path: Path) -> None:
    assert folder.write_review(review, tmp_path / "a" / "b")["review.html"].is_file()


def test_equal_reviews_give_equal_files(review: Review, tmp_path: Path) -> None:
    folder.write_review(review, tmp_path / "a")
    folder.write_review(review, tmp_path / "b")
    assert content(tmp_path / "a") == content(tmp_path / "b")


def test_a_file_name_that_is_not_utf8(review_with: Callable[..., Review], tmp_path: Path) -> None:
    written = folder.write_review(review_with(file="designs/\udcff.toml"), tmp_path / "r")
    assert strict(written["review.json"].read_text(encoding="utf-8"))["file"] == "designs/\udcff.toml"


def test_one_file_is_whole_or_not_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "a.csv"
    folder.write_bytes(place, b"old")

    def failing(*args: Any) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "replace", failing)
    with pytest.raises(ValvectlError, match="Input/output error"):
        folder.write_bytes(place, b"new")
    assert content(tmp_path) == {"a.csv": b"old"}


def test_files_have_the_usual_rights(review: Review, tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        written = folder.write_review(review, tmp_path / "r")
    finally:
        os.umask(before)
    assert (tmp_path / "r").stat().st_mode & 0o777 == 0o755
    assert written["review.json"].stat().st_mode & 0o777 == 0o644
