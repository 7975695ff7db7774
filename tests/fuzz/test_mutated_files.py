"""Other files that a user hands in: catalogues, pressure traces, folders of runs. Each ends in a clear error or is used."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from pathlib import Path
from random import Random
from typing import Any

import mutate
import oracle
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from valvectl.api import load
from valvectl.design.catalogue_file import DEMO, read_gears, read_motors
from valvectl.design.trace_file import read_trace
from valvectl.errors import DesignError, Fault, ValvectlError
from valvectl.studies.campaign import MANIFEST
from valvectl.studies.catalogue import Filters
from valvectl.studies.replay import replay

ASKED = int(os.environ.get("VALVECTL_MUTATIONS", "0"))
MANY = max(100, ASKED // 10)
HOW: dict[str, Any] = {
    "database": None,
    "deadline": None,
    "derandomize": not ASKED,
    "suppress_health_check": list(HealthCheck),
}
SEED = st.integers(0, 2**32 - 1)
CELLS = (
    "nan", "inf", "-1", "0", "1e400", "1e-400", "", " ", "x" * 200, "9" * 5000, "=1+1", '"', '""', "[", "]", ";", "0: 1; 1: 2",
    "0: nan; 1: 2", "::", "\x1b[31m", "\u202e", "1,5", "stepper", "brushed", "phase RMS", "True", "１２", "1_000", "0x10",
)  # fmt: skip


def garbled(data: bytes, seed: int) -> bytes:
    """The bytes after one to three mutations."""
    random = Random(seed)
    for _ in range(random.choice((1, 1, 2, 3))):
        if random.random() < 0.6:
            rows = [line.split(b",") for line in data.split(b"\n")]
            row = random.choice(rows)
            at = random.randrange(len(row))
            how = random.randrange(5)
            if how == 0:
                del row[at]
            elif how == 1:
                row.insert(at, random.choice(CELLS).encode())
            elif how == 2:
                row[at] = random.choice(random.choice(rows))
            else:
                row[at] = random.choice(CELLS).encode()
            data = b"\n".join(b",".join(row) for row in rows)
        else:
            data = mutate.TEXT[random.choice(sorted(mutate.TEXT))](data, random)
    return data


def clear(faults: tuple[Fault, ...], file: Path) -> None:
    """Each fault names the file and can be printed."""
    assert faults
    for fault in faults:
        assert fault.file == str(file), fault
        oracle.clear(str(fault))


MOTORS, GEARS = (DEMO / f"{name}.csv" for name in ("motors", "gears"))
TOML = b"""[units]
ratio = "-"
efficiency = "%"
static_efficiency = "%"
lost_motion = "arcmin"
stiffness = "N m/rad"
inertia = "g cm2"
peak_torque = "N m"
max_input_speed = "rpm"
mass = "kg"

[[part]]
name = "one"
kind = "planetary"
ratio = 16
efficiency = 80
static_efficiency = 70
lost_motion = 12
stiffness = 500
inertia = 5
peak_torque = 10
max_input_speed = 6000
mass = 0.4
"""


@given(seed=SEED, which=st.sampled_from(("motors.csv", "gears.csv", "gears.toml")))
@settings(max_examples=MANY, **HOW)
def test_catalogues(seed: int, which: str) -> None:
    data = {"motors.csv": MOTORS.read_bytes(), "gears.csv": GEARS.read_bytes(), "gears.toml": TOML}[which]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / which
        path.write_bytes(garbled(data, seed))
        try:
            found = read_motors(path) if which == "motors.csv" else read_gears(path)
        except DesignError as error:
            clear(error.faults, path)
        else:
            assert found


@given(seed=SEED)
@settings(max_examples=max(6, MANY // 40), **HOW)
def test_a_search_of_a_garbled_catalogue(seed: int, example: Any) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "motors.csv"
        path.write_bytes(garbled(MOTORS.read_bytes(), seed))
        try:
            found = example.catalogue("oxidizer", path, None, Filters())
        except DesignError as error:
            clear(error.faults, path)
        else:
            json.dumps(found.to_dict(), allow_nan=False)


TRACE = b"time [s],pressure [bar abs],note\n0,29,a\n0.5,28.8,b\n1.0,28.7,\n# remark\n2.5,28.5,c\n10,28.0,d\n"


@given(seed=SEED)
@settings(max_examples=MANY, **HOW)
def test_pressure_traces(seed: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "trace.csv"
        path.write_bytes(garbled(TRACE, seed))
        found = read_trace(path, str(path), "legs.fuel.tank.trace.file", 101325.0)
        if found.faults:
            clear(found.faults, path)
        else:
            assert len(found.time) == len(found.pressure) >= 2
            assert all(a < b for a, b in zip(found.time, found.time[1:], strict=False))
            assert min(found.pressure) > 0.0


# ---------------------------------------------------------------------------------------------------- folders of runs


@pytest.fixture(scope="module")
def example(cache_folder: Path) -> Any:
    return load(mutate.DESIGNS / "hover-rig.toml")


@pytest.fixture(scope="module")
def runs(example: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small campaign of steady balances."""
    folder = tmp_path_factory.mktemp("runs") / "runs"
    example.disperse(32, simulate=False, folder=folder)
    return folder


@given(seed=SEED)
@settings(max_examples=max(20, MANY // 20), **HOW)
def test_a_damaged_folder_of_runs(seed: int, example: Any, runs: Path) -> None:
    """Damaged blocks are worked out anew; a damaged plan is refused, also by ``throttle --run``."""
    random = Random(seed)
    whole = {p.name: p.read_bytes() for p in runs.iterdir()}
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "runs"
        shutil.copytree(runs, folder)
        name = random.choice(sorted(whole))
        path = folder / name
        how = random.randrange(4)
        if how == 0:
            path.unlink()
        elif how == 1 and name == MANIFEST:
            content = json.loads(whole[name])
            key = random.choice(sorted(content))
            content[key] = random.choice((None, -1, 1e300, "x", [], {}, True, "1" * 5000))
            path.write_text(json.dumps(content), encoding="utf-8")
        elif how == 2 and name != MANIFEST:
            path.unlink()
            path.mkdir()
        else:
            path.write_bytes(garbled(whole[name], seed))
        try:
            found = example.disperse(32, simulate=False, folder=folder, resume=True)
        except ValvectlError as error:
            oracle.clear(str(error))
        else:
            json.dumps(found.to_dict(), allow_nan=False)
            if how != 2:
                assert {p.name: p.read_bytes() for p in folder.iterdir() if p.name != MANIFEST} == {
                    n: b for n, b in whole.items() if n != MANIFEST
                }
        try:
            replay(example, folder, 3)
        except ValvectlError as error:
            oracle.clear(str(error))
        else:
            raise AssertionError("a campaign of steady balances was replayed")
