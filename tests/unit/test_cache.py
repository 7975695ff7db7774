"""The disk cache can only save time: whatever its folder or files are like, the number comes out the same."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from valvectl.parts import cache

VALUE = {"x": 0.1 + 0.2, "tiny": 5e-324, "large": 1.7976931348623157e308, "list": [1.0 / 3.0, None, "text"]}


@pytest.fixture(autouse=True)
def fresh(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(cache.ENVIRONMENT, str(tmp_path / "cache"))
    cache.forget()


class Counter:
    """Stands for the heavy library: counts how often it is asked."""

    def __init__(self, value: dict[str, Any] = VALUE) -> None:
        self.calls = 0
        self.value = value

    def __call__(self) -> dict[str, Any]:
        self.calls += 1
        return self.value


def files(folder: Path) -> list[Path]:
    return sorted(folder.iterdir()) if folder.is_dir() else []


def test_computed_once_and_the_same_to_the_last_bit(tmp_path: Path) -> None:
    compute = Counter()
    for forget in (False, False, True, True):
        if forget:
            cache.forget()
        assert cache.cached("thing", {"a": 1.0}, compute) == VALUE
    assert compute.calls == 1
    assert [one.suffix for one in files(tmp_path / "cache")] == [".json"]


def test_result_of_one_call_can_not_spoil_the_next() -> None:
    compute = Counter()
    cache.cached("thing", {}, compute)["list"].append("spoilt")
    assert cache.cached("thing", {}, compute) == VALUE


@pytest.mark.parametrize(
    ("name", "key", "options"),
    [
        ("other", {"a": 1.0}, {}),
        ("thing", {"a": 1.0000000000000002}, {}),
        ("thing", {"b": 1.0}, {}),
        ("thing", {"a": 1.0}, {"algorithm": 2}),
        ("thing", {"a": 1.0}, {"libraries": ("numpy",)}),
    ],
)
def test_everything_in_the_key_counts(name: str, key: dict[str, Any], options: dict[str, Any]) -> None:
    cache.cached("thing", {"a": 1.0}, Counter())
    other = Counter({"y": 1.0})
    assert cache.cached(name, key, other, **options) == {"y": 1.0}
    assert other.calls == 1


def test_another_library_version_is_another_key(monkeypatch: pytest.MonkeyPatch) -> None:
    compute = Counter()
    for version in ("1.0", "1.1"):
        monkeypatch.setattr(cache, "library_version", lambda name, version=version: version)
        cache.cached("thing", {}, compute, libraries=("numpy",))
    assert compute.calls == 2


@pytest.mark.parametrize(
    "damage", ["empty", "half", "binary", "not an object", "number changed", "other question", "deep"]
)
def test_damaged_file_is_passed_over_and_mended(tmp_path: Path, damage: str) -> None:
    compute = Counter()
    cache.cached("thing", {}, compute)
    (path,) = files(tmp_path / "cache")
    whole = path.read_text(encoding="utf-8")
    content = json.loads(whole)
    path.write_bytes(
        {
            "empty": b"",
            "half": whole[: len(whole) // 2].encode(),
            "binary": bytes(range(256)),
            "not an object": b"[1, 2]",
            "number changed": whole.replace("0.30000000000000004", "0.40000000000000004").encode(),
            "other question": json.dumps(content | {"identity": "{}"}).encode(),
            "deep": b"[" * 100_000,
        }[damage]
    )
    for _ in range(2):
        cache.forget()
        assert cache.cached("thing", {}, compute) == VALUE
    assert compute.calls == 2
    assert path.read_text(encoding="utf-8") == whole


def test_folder_is_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    blocked = tmp_path / "blocked"
    blocked.write_text("a file stands here")
    for place in (blocked, blocked / "below"):
        monkeypatch.setenv(cache.ENVIRONMENT, str(place))
        cache.forget()
        assert cache.cached("thing", {}, Counter()) == VALUE
    assert blocked.read_text() == "a file stands here"


def test_disk_refuses_to_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError("no")

    monkeypatch.setattr(cache.os, "replace", refuse)
    assert cache.cached("thing", {}, Counter()) == VALUE
    assert files(tmp_path / "cache") == []


def test_a_folder_stands_where_the_file_should(tmp_path: Path) -> None:
    compute = Counter()
    cache.cached("thing", {}, compute)
    (path,) = files(tmp_path / "cache")
    path.unlink()
    path.mkdir()
    cache.forget()
    assert cache.cached("thing", {}, compute) == VALUE
    assert [one.name for one in files(tmp_path / "cache")] == [path.name]


def test_no_home_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    import platformdirs

    def homeless(*_: object, **__: object) -> str:
        raise RuntimeError("no home")

    monkeypatch.delenv(cache.ENVIRONMENT)
    monkeypatch.setattr(platformdirs, "user_cache_dir", homeless)
    assert cache.folder() is None
    assert cache.cached("thing", {}, Counter()) == VALUE


def test_error_is_passed_on_and_not_kept(tmp_path: Path) -> None:
    def fail() -> dict[str, Any]:
        raise KeyError("from the library")

    with pytest.raises(KeyError, match="from the library"):
        cache.cached("thing", {}, fail)
    assert cache.cached("thing", {}, Counter()) == VALUE


@pytest.mark.parametrize(("value", "error"), [(float("nan"), ValueError), (float("inf"), ValueError), ({1}, TypeError)])
def test_what_is_not_json_is_refused(tmp_path: Path, value: object, error: type[Exception]) -> None:
    with pytest.raises(error):
        cache.cached("thing", {}, Counter({"x": value}))
    assert files(tmp_path / "cache") == []


def test_a_study_can_not_fill_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cache, "_MOST_WRITES", 3)
    for number in range(10):
        cache.cached("thing", {"number": number}, Counter())
    assert len(files(tmp_path / "cache")) == 3


WRITER = """
from valvectl.parts import cache
for number in range(60):
    cache.forget()
    got = cache.cached("thing", {"number": number % 3}, lambda: {"x": [number % 3] * 2000})
    assert got == {"x": [number % 3] * 2000}, number
    if number % 5 == 0:
        for path in cache.folder().glob("thing-*.json"):
            path.unlink(missing_ok=True)
"""


def test_writers_at_the_same_time(tmp_path: Path) -> None:
    """Four processes write, delete and read the same three files; each must always see whole results."""
    root = Path(cache.__file__).parents[2]
    environment = os.environ | {"PYTHONPATH": str(root)}
    running = [
        subprocess.Popen([sys.executable, "-c", WRITER], env=environment, stderr=subprocess.PIPE, text=True)
        for _ in range(4)
    ]
    for process in running:
        _, said = process.communicate(timeout=60)
        assert process.returncode == 0, said
    assert not [one for one in files(tmp_path / "cache") if one.name.startswith(".tmp-")]
