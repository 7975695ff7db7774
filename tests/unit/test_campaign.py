"""Campaigns of drawn engines: the same numbers whoever works them out, in whatever order, after however many stops."""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import distributed
import numpy as np
import pytest

from valvectl import load
from valvectl.errors import RangeError, ValvectlError
from valvectl.studies import campaign as c
from valvectl.studies.disperse import Statement, disperse, read_statement
from valvectl.studies.drawn_run import Plan, Workshop
from valvectl.studies.draws import units, variables
from valvectl.studies.replay import replay

ROOT = Path(__file__).resolve().parents[2]
DESIGN = ROOT / "designs" / "hover-rig.toml"
RUNS = 160
"""Five blocks."""


@pytest.fixture(scope="module")
def design():
    return load(DESIGN)


@pytest.fixture(scope="module")
def whole(design, tmp_path_factory):
    """An uninterrupted campaign of steady balances."""
    folder = tmp_path_factory.mktemp("whole") / "runs"
    disperse(design, RUNS, simulate=False, seed=5, folder=folder)
    return folder


def files(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir()) if not p.name.startswith(".tmp-")}


def test_a_resumed_campaign_gives_the_same_bytes(design, whole, tmp_path):
    folder = tmp_path / "runs"
    plan = Plan(c.bare(design), "random", 5, RUNS, False)
    c.Campaign(plan, folder).rows(40)  # two blocks, then a stop
    assert len(list(folder.glob("runs-*.npy"))) == 2
    with pytest.raises(ValvectlError, match="--resume goes on"):
        disperse(design, RUNS, simulate=False, seed=5, folder=folder)
    disperse(design, RUNS, simulate=False, seed=5, folder=folder, resume=True)
    assert files(folder) == files(whole)


def test_a_damaged_block_is_worked_out_anew(design, whole, tmp_path):
    folder = tmp_path / "runs"
    folder.mkdir()
    for name, data in files(whole).items():
        (folder / name).write_bytes(data[:100] if name == "runs-00000032.npy" else data)
    disperse(design, RUNS, simulate=False, seed=5, folder=folder, resume=True)
    assert files(folder) == files(whole)


@pytest.mark.parametrize("change", [{"seed": 6}, {"sampling": "sobol"}, {"simulate": True}])
def test_a_folder_of_another_campaign_is_refused(design, whole, change):
    options = {"runs": RUNS, "simulate": False, "seed": 5} | change
    with pytest.raises(ValvectlError, match="another campaign"):
        disperse(design, folder=whole, resume=True, **options)


@pytest.mark.parametrize("sampling", ["random", "sobol"])
@pytest.mark.parametrize("begun", [40, 64, 159])
def test_a_campaign_that_grows_gives_the_bytes_of_one_planned_so(design, tmp_path, sampling, begun):
    options = {"simulate": False, "seed": 5, "sampling": sampling}
    disperse(design, RUNS, folder=tmp_path / "whole", **options)
    disperse(design, begun, folder=tmp_path / "grown", **options)
    with pytest.raises(ValvectlError, match=f"--resume goes on to {RUNS}"):
        disperse(design, RUNS, folder=tmp_path / "grown", **options)
    disperse(design, RUNS, folder=tmp_path / "grown", resume=True, **options)
    assert files(tmp_path / "grown") == files(tmp_path / "whole")


def test_a_campaign_stopped_while_it_grows_goes_on(design, whole, tmp_path):
    folder = tmp_path / "runs"
    disperse(design, 40, simulate=False, seed=5, folder=folder)
    plan = Plan(c.bare(design), "random", 5, RUNS, False)
    grown = c.Campaign(plan, folder, resume=True)
    assert grown.taken_up == 32  # the block of eight is filled anew
    grown.rows(70)  # and a stop
    disperse(design, RUNS, simulate=False, seed=5, folder=folder, resume=True)
    assert files(folder) == files(whole)


def test_a_statement_that_stays_open_is_gone_on_with(design, tmp_path):
    options = {"simulate": False, "seed": 5, "statement": Statement(0.95, 0.95)}
    disperse(design, RUNS, folder=tmp_path / "whole", **options)
    disperse(design, 40, folder=tmp_path / "grown", **options)
    disperse(design, RUNS, folder=tmp_path / "grown", resume=True, **options)
    assert files(tmp_path / "grown") == files(tmp_path / "whole")


def test_what_can_not_grow_says_why(design, whole, tmp_path):
    before = files(whole)
    with pytest.raises(ValvectlError, match=f"planned for {RUNS} runs and does not shrink to 100"):
        disperse(design, 100, simulate=False, seed=5, folder=whole, resume=True)
    assert files(whole) == before
    folder = tmp_path / "latin"
    disperse(design, 40, simulate=False, sampling="latin", folder=folder)
    before = files(folder)
    with pytest.raises(ValvectlError, match="hypercube lays its draws out for the number of runs planned"):
        disperse(design, 80, simulate=False, sampling="latin", folder=folder, resume=True)
    assert files(folder) == before


def test_the_table_of_runs_has_units_and_whole_numbers(whole):
    head, first, *rest = (whole / "runs.csv").read_text().splitlines()
    names = head.strip('"').split('","')
    assert names[:2] == ["run", "valid"]
    assert all(name.endswith("]") for name in names[2:])
    assert {"mixture_ratio_steady [-]", "tracking_mismatch [s]", "peak_current [A]"} <= set(names)
    assert "draw legs.oxidizer.tank.pressure [bound]" in names
    assert first.startswith("0,1,0.")
    assert ",," in first  # what the steady balance does not give
    assert len(rest) == RUNS - 1


def test_a_folder_of_something_else_is_left_alone(design, tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(ValvectlError, match="holds no runs"):
        disperse(design, RUNS, simulate=False, folder=tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]


def test_processes_give_the_same_bytes(design, whole, tmp_path):
    disperse(design, RUNS, simulate=False, seed=5, folder=tmp_path / "runs", where=c.Where(jobs=2))
    assert files(tmp_path / "runs") == files(whole)


def command(folder: Path, *more: str) -> list[str]:
    return [sys.executable, "-m", "valvectl", "disperse", str(DESIGN), "--runs", str(RUNS), "--seed", "5",
            "--into", str(folder), *more]  # fmt: skip


def killed_and_resumed(folder: Path, kills: int, seed: int, *more: str) -> int:
    """Campaign killed at random moments, then finished; how many kills met a campaign at work."""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    rng, hit = random.Random(seed), 0
    for _ in range(kills):
        before = len(list(folder.glob("runs-*.npy")))
        again = ["--resume"] if (folder / "manifest.json").exists() else []
        process = subprocess.Popen(
            command(folder, *more, *again), env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        deadline, target = time.monotonic() + 60.0, min(5, before + rng.choice([0, 1]))
        while process.poll() is None and time.monotonic() < deadline:
            if (folder / "manifest.json").exists() and len(list(folder.glob("runs-*.npy"))) >= target:
                break
            time.sleep(0.002)
        time.sleep(rng.random() * 0.3)
        if process.poll() is None:
            process.send_signal(signal.SIGKILL)
            hit += 1
        process.wait()
    again = ["--resume"] if (folder / "manifest.json").exists() else []
    subprocess.run(
        command(folder, *more, *again),
        env=environment,
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    return hit


def test_killed_and_resumed_gives_the_same_bytes(whole, tmp_path):
    """Three kills here; ``tests/benchmarks/kills.py`` does twenty."""
    killed_and_resumed(tmp_path / "runs", 3, 1, "--steady")
    assert files(tmp_path / "runs") == files(whole)


def test_a_cluster_that_loses_a_worker_gives_the_same_bytes(design, whole, tmp_path):
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as cluster:
        killed: list[int] = []

        def progress(stage: str, done: int, of: int) -> None:
            if not killed:  # the first block is in: one of the two workers dies with its block in flight
                victim = next(iter(cluster.workers.values())).pid
                os.kill(victim, signal.SIGKILL)
                killed.append(victim)

        disperse(
            design, RUNS, simulate=False, seed=5, folder=tmp_path / "runs",
            where=c.Where(cluster=cluster.scheduler_address), progress=progress,
        )  # fmt: skip
        assert killed
    assert files(tmp_path / "runs") == files(whole)


def test_a_cluster_that_is_not_there_is_said(design, tmp_path):
    with pytest.raises(ValvectlError, match="no scheduler"):
        disperse(design, RUNS, simulate=False, where=c.Where(cluster="tcp://127.0.0.1:9"))


@pytest.mark.parametrize("sampling", ["random", "latin", "sobol"])
def test_draws_belong_to_their_run(design, sampling):
    table = variables(design, design.machine)
    together = units(table, sampling, 3, 0, 64, 64)
    for first, count in ((0, 1), (17, 5), (63, 1)):
        assert np.array_equal(units(table, sampling, 3, first, count, 64), together[first : first + count])
    assert np.abs(together).max() <= 1.0
    assert np.abs(together.mean(axis=0)).max() < 0.35


def test_a_simulated_run_is_repeated_by_its_number(design, tmp_path):
    found = disperse(design, 4, folder=tmp_path / "runs", seed=2)
    again = replay(design, tmp_path / "runs", 3)
    assert max(abs(x.peak_error) for x in again.changes) == pytest.approx(
        found.values["mixture_ratio_transient"][3], rel=1e-5
    )
    assert again.lowest_bus / design.machine.undervoltage == pytest.approx(found.values["bus_voltage"][3], rel=1e-5)
    with pytest.raises(RangeError, match="0 to 3"):
        replay(design, tmp_path / "runs", 4)
    with pytest.raises(ValvectlError, match="another design"):
        replay(design.with_values({"engine.thrust": 1.9e3}), tmp_path / "runs", 3)


def test_the_engine_of_no_draw_is_the_design_itself(design):
    shop = Workshop(Plan(c.bare(design), "random", 1, 4, False))
    ratio, thrust = shop.steady(shop.points(shop.engine(np.zeros(len(shop.table)))))
    assert np.abs(ratio).max() < 2e-3  # straight lines between the schedule's entries
    assert np.abs(thrust).max() < 2e-3


@pytest.mark.parametrize("text", ["0.95", "95/95", "0.95/1", "0.4/0.95", "a/b", "nan/0.95", "0.95/0.95/0.95"])
def test_statements_that_make_no_sense(text):
    with pytest.raises(RangeError, match="coverage/confidence"):
        read_statement(text)


def test_statement_as_per_cent():
    assert read_statement("95 %/90%") == Statement(0.95, 0.9)


@pytest.mark.parametrize(("truth", "wrong"), [(0.949, "stated"), (0.951, "refuted")])
def test_looking_often_keeps_the_confidence(truth, wrong):
    """2,000 campaigns on the wrong side of the border: not more than 5 % end with the wrong statement."""
    statement = Statement(0.95, 0.95)
    looks = statement.looks(2000)
    rng = np.random.default_rng(11)
    held = np.cumsum(rng.random((2000, 2000)) < truth, axis=1)
    cache: dict[tuple[int, int], str] = {}
    ended = []
    for row in held:
        for count, sure in looks:
            key = (int(row[count - 1]), count)
            if key not in cache:
                cache[key] = statement.decide(*key, sure)
            if cache[key] != "open":
                break
        ended.append(cache[key])
    assert np.mean(np.array(ended) == wrong) <= 0.05
