"""Broken designs, one fault each, in the files beside this one.

The first comment lines of a file say what must be reported: ``# expect:`` a part of the message, ``# key:`` the dotted
key and, where it is in the file itself, ``# line:``. Files called ``late-*`` read well and fail in the physics; they
are tested elsewhere.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import pytest

from valvectl.design.load import read_design
from valvectl.errors import DesignError, Fault

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Expected:
    """What a broken file must report."""

    message: str
    key: str
    line: int | None = None


# Files that can not carry comments: empty, binary, in another encoding.
WITHOUT_COMMENTS = {
    "empty.toml": Expected("is empty", ""),
    "binary.bin": Expected("is not a text file (holds NUL bytes)", "", 1),
    "not-utf8.toml": Expected("is not UTF-8 text", "", 1),
}
FILES = sorted(p for p in HERE.iterdir() if re.match(r"[0-9]{2,3}-", p.name))


def expected(path: Path) -> Expected:
    """What the first lines of a file promise."""
    bare = path.name[3:]
    if bare in WITHOUT_COMMENTS:
        return WITHOUT_COMMENTS[bare]
    said = {}
    for line in path.read_text(encoding="utf-8").splitlines()[:3]:
        found = re.match(r"# (expect|key|line): ?(.*)$", line)
        if found is not None:
            said[found.group(1)] = found.group(2)
    return Expected(said["expect"], said["key"], int(said["line"]) if "line" in said else None)


def faults_of(path: Path) -> tuple[Fault, ...]:
    """All that is said about a file."""
    with pytest.raises(DesignError) as caught:
        read_design(path)
    return caught.value.faults


def test_the_folder_is_complete() -> None:
    assert len(FILES) >= 28


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.name)
def test_one_fault_with_key_message_and_line(path: Path) -> None:
    wanted = expected(path)
    faults = faults_of(path)
    assert len(faults) == 1, [str(f) for f in faults]
    fault = faults[0]
    assert fault.key == wanted.key
    assert wanted.message in fault.message
    assert fault.file.startswith(str(HERE))
    if wanted.line is not None:
        assert fault.line == wanted.line
        assert fault.file == str(path)


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.name)
def test_messages_are_one_plain_line(path: Path) -> None:
    for fault in faults_of(path):
        text = str(fault).replace(str(HERE), "")
        assert text.isprintable()
        assert len(fault.got) <= 60
        for jargon in ("pydantic", "http", "literal_error", "Input should", "value_error", "Traceback", "ctx"):
            assert jargon not in text


def test_a_fault_in_a_part_file_names_that_file_and_line() -> None:
    (fault,) = faults_of(next(p for p in FILES if "part-broken-inside" in p.name))
    assert fault.file == str(HERE / "parts" / "manifold-negative.toml")
    assert fault.line == 2
    assert fault.got == '"-20 mL"'


def test_five_faults_are_reported_together() -> None:
    faults = faults_of(HERE / "many-faults.toml")
    assert [f.key for f in faults] == [
        "engine.thrust",
        "engine.mixture_ratio",
        "legs.oxidizer.tank.pressure",
        "legs.oxidizer.valve.closes",
        "legs.oxidizer.actuator.motor.rotor_inertja",
    ]
    lines = (HERE / "many-faults.toml").read_text(encoding="utf-8").splitlines()
    for fault in faults:
        assert fault.line is not None
        assert fault.key.rsplit(".", 1)[1] in lines[fault.line - 1]


def test_a_file_of_100_mb_is_refused_by_its_size(tmp_path: Path) -> None:
    path = tmp_path / "large.toml"
    with open(path, "wb") as stream:
        stream.truncate(100_000_000)  # sparse: takes no room on the disk
    (fault,) = faults_of(path)
    assert "too large for a design (100.0 MB); at most 1 MB" in fault.message


def test_files_that_fail_later_read_well() -> None:
    late = sorted(HERE.glob("late-*.toml"))
    assert len(late) == 2
    for path in late:
        assert read_design(path).name
