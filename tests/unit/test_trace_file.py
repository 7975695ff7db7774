"""Pressure traces: CSV files with units in the header, and what is said about those that can not be used."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from valvectl.design.load import read_design
from valvectl.design.trace_file import LARGEST_TRACE_FILE, MOST_FAULTS, read_trace
from valvectl.errors import DesignError, Fault

EXAMPLE = Path(__file__).parents[2] / "designs" / "sprint-stand.toml"
GOOD = "time [s], pressure [bar abs]\n0, 29.0\n0.5, 28.8\n2.0, 28.5\n"
AMBIENT = 1.013e5


def read(folder: Path, text: str | bytes) -> Any:
    path = folder / "tank.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_trace(path, "designs/tank.csv", "legs.fuel.tank.trace.file", AMBIENT)


def test_times_and_pressures_are_si(tmp_path: Path) -> None:
    found = read(tmp_path, GOOD)
    assert found.faults == ()
    assert found.time == (0.0, 0.5, 2.0)
    assert found.pressure == pytest.approx((29e5, 28.8e5, 28.5e5))


@pytest.mark.parametrize(
    "text",
    [
        "# logged on the stand\nvalve [deg],Pressure [kPa gauge],time [ms],note\n3,2798.7,0,a\n3,2778.7,500,b\n3,2748.7,2000,c\n",
        "time [s];pressure [bar abs]\r\n0;29.0\r\n0.5;28.8\r\n\r\n2.0;28.5\r\n",
        "\ufefftime [s],pressure [Pa abs]\n0,29e5\n0.5,28.8e5\n2,2.85e6\n",
    ],
    ids=["gauge, other columns, comment", "semicolons, CRLF, empty row", "byte order mark, exponents"],
)
def test_other_ways_to_write_it(tmp_path: Path, text: str) -> None:
    found = read(tmp_path, text)
    assert found.faults == ()
    assert found.time == pytest.approx((0.0, 0.5, 2.0))
    assert found.pressure == pytest.approx((29e5, 28.8e5, 28.5e5), rel=1e-4)


BAD: dict[str, tuple[str | bytes, str, int | None]] = {
    "empty": ("", "is empty; the first row must be time [s], pressure [bar abs]", None),
    "no unit": ("time,pressure [bar abs]\n0,1\n1,1\n", "column time has no unit", 1),
    "no column": ("time [s],level [m]\n0,1\n1,1\n", "has no columns pressure", 1),
    "column twice": ("time [s],pressure [bar abs],pressure [bar abs]\n0,1,1\n1,1,1\n", "has 2 columns pressure", 1),
    "no abs": ("time [s],pressure [bar]\n0,1\n1,1\n", "absolute or gauge", 1),
    "wrong unit": ("time [bar],pressure [bar abs]\n0,1\n1,1\n", "is not a unit of time", 1),
    "unknown unit": ("time [s],pressure [bahr abs]\n0,1\n1,1\n", "is not known", 1),
    "word": ("time [s],pressure [bar abs]\n0,20\n1,much\n2,20\n", "pressure must be a number with a decimal point", 3),
    "decimal comma": ('time [s];pressure [bar abs]\n0;20\n1;"19,5"\n', "must be a number with a decimal point", 3),
    "nan": ("time [s],pressure [bar abs]\n0,20\n1,nan\n", "must be a number", 3),
    "infinite": ("time [s],pressure [bar abs]\n0,20\n1,1e999\n", "must be a finite number", 3),
    "short row": ("time [s],pressure [bar abs]\n0,20\n1\n", "pressure is missing", 3),
    "below vacuum": ("time [s],pressure [bar abs]\n0,20\n1,-2\n", "below absolute zero", 3),
    "zero": ("time [s],pressure [bar abs]\n0,20\n1,0\n", "must be above zero", 3),
    "time stands": ("time [s],pressure [bar abs]\n0,20\n0,20\n", "time must rise from row to row", 3),
    "one row": ("time [s],pressure [bar abs]\n0,20\n", "at least 2 rows", None),
    "not text": (b"time [s],pressure [bar abs]\n0,\x00\n", "is not a text file", None),
    "not UTF-8": (b"time [s],pressure [bar abs]\n0,\xff\n", "is not UTF-8 text", None),
    "too many rows": (
        "time [s],pressure [bar abs]\n" + "".join(f"{j},20\n" for j in range(20_001)), "has 20001 rows; at most 20000", None
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_what_can_not_be_used_is_told(tmp_path: Path, name: str) -> None:
    text, message, line = BAD[name]
    (fault,) = read(tmp_path, text).faults
    assert message in fault.message
    assert fault.file == "designs/tank.csv"
    assert fault.key == "legs.fuel.tank.trace.file"
    assert fault.line == line
    assert str(fault).isprintable()


def test_every_faulty_row_up_to_some(tmp_path: Path) -> None:
    rows = "".join(f"{j},{'x' if j % 2 else 20}\n" for j in range(50))
    found = read(tmp_path, "time [s],pressure [bar abs]\n" + rows)
    assert len(found.faults) == MOST_FAULTS + 1
    assert [f.line for f in found.faults[:3]] == [3, 5, 7]
    assert found.faults[-1].message == f"{25 - MOST_FAULTS} more rows have faults"


def test_missing_folder_and_large_files(tmp_path: Path) -> None:
    (gone,) = read_trace(tmp_path / "gone.csv", "gone.csv", "k", AMBIENT).faults
    assert gone.message == "no such file"
    (folder,) = read_trace(tmp_path, "here", "k", AMBIENT).faults
    assert folder.message == "is not a file"
    path = tmp_path / "large.csv"
    with open(path, "wb") as stream:
        stream.truncate(LARGEST_TRACE_FILE + 10)
    (large,) = read_trace(path, "large.csv", "k", AMBIENT).faults
    assert "too large" in large.message


# ------------------------------------------------------------------------------------------- inside of a design file


def design_text(trace: str, leg: str = "fuel") -> str:
    text = EXAMPLE.read_text(encoding="utf-8")
    found = re.search(rf"\[legs\.{leg}\.tank\]\n", text)
    assert found is not None
    return text[: found.end()] + f"trace = {trace}\n" + text[found.end() :]


def written(folder: Path, text: str) -> Path:
    """A design file with the parts that the example names beside it."""
    shutil.copytree(EXAMPLE.parent / "parts", folder / "parts")
    path = folder / "engine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def faults(folder: Path, trace: str) -> tuple[Fault, ...]:
    path = written(folder, design_text(trace))
    with pytest.raises(DesignError) as caught:
        read_design(path)
    return caught.value.faults


def test_a_design_holds_the_rows_of_its_trace(tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "tank.csv").write_text(GOOD)
    path = written(tmp_path, design_text('{ file = "logs/tank.csv" }'))
    design = read_design(path)
    trace = design.legs.fuel.tank.trace
    assert trace is not None
    assert np.array(trace.pressure) == pytest.approx([29e5, 28.8e5, 28.5e5])
    before = design.input_hash
    (tmp_path / "logs" / "tank.csv").write_text(GOOD.replace("28.8", "28.7"))
    assert read_design(path).input_hash != before
    # what a program changes elsewhere leaves the rows alone; the file itself it can not change
    moved = design.with_values({"legs.fuel.tank.height": "0.1 m"}).legs.fuel.tank.trace
    assert moved == trace
    with pytest.raises(DesignError, match="can not change a trace that comes from a file"):
        design.with_values({"legs.fuel.tank.trace.file": "other.csv"})


def test_a_trace_as_two_lists(tmp_path: Path) -> None:
    path = written(tmp_path, design_text('{ time = ["0 s", "2 s"], pressure = ["29 bar abs", "28 bar abs"] }'))
    trace = read_design(path).legs.fuel.tank.trace
    assert trace is not None
    assert trace.time == (0.0, 2.0)


@pytest.mark.parametrize(
    ("trace", "message", "key"),
    [
        ('{ file = "../tank.csv" }', "'..' is refused", "file"),
        ('{ file = "/tank.csv" }', "absolute paths are refused", "file"),
        ('{ file = "C:tank.csv" }', "absolute paths are refused", "file"),
        ('{ file = " " }', "must be the name of a CSV file", "file"),
        ('{ file = "link.csv" }', "is a link out of it", "file"),
        ('{ file = "gone.csv" }', "no such file", "file"),
        ("{ file = 3 }", "must be text in quotes", "file"),
        ('{ file = "t.csv", time = ["0 s", "1 s"] }', "not both; time stands beside it", "file"),
        ("{ }", "needs at least 2 times", "time"),
        ('{ time = ["0 s", "1 s"], pressure = ["29 bar abs"] }', "needs as many entries as time (2)", "pressure"),
        ('{ time = ["1 s", "1 s"], pressure = ["29 bar abs", "28 bar abs"] }', "times must rise", "time"),
        ('{ fil = "tank.csv" }', "did you mean 'file'?", "fil"),
    ],
)
def test_a_trace_that_does_not_fit(tmp_path: Path, trace: str, message: str, key: str) -> None:
    inner = tmp_path / "designs"
    inner.mkdir()
    (tmp_path / "tank.csv").write_text(GOOD)
    (inner / "link.csv").symlink_to(tmp_path / "tank.csv")
    (fault,) = faults(inner, trace)
    assert message in fault.message
    assert fault.key == f"legs.fuel.tank.trace.{key}"


def test_faults_of_the_file_and_of_the_design_come_together(tmp_path: Path) -> None:
    (tmp_path / "tank.csv").write_text(GOOD.replace("28.8", "x"))
    path = tmp_path / "engine.toml"
    path.write_text(
        design_text('{ file = "tank.csv" }').replace("mixture_ratio = ", 'mixture_ratio = "x" #', 1), encoding="utf-8"
    )
    with pytest.raises(DesignError) as caught:
        read_design(path)
    assert {Path(f.file).name for f in caught.value.faults} == {"engine.toml", "tank.csv"}
