"""Many runs in blocks: worked out here, by several processes, or on a cluster; kept in a folder, gone on with after a stop.

A block is one file, written to a temporary name and moved, so that a folder holds whole blocks only. The numbers of a block
depend on the plan alone: whoever works it out, in whatever order, after however many stops, the result is the same bytes.
"""

from __future__ import annotations

import contextlib
import functools
import gc
import hashlib
import io
import json
import os
import pickle
import platform
import signal
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.errors import ValvectlError
from valvectl.parts.cache import library_version
from valvectl.parts.lookup import FloatArray
from valvectl.studies.drawn_run import Plan, Workshop, run_block, workshop

BLOCK = 32
"""Runs in a block: as many as fly side by side, and what a stop loses at most, for each worker."""
MANIFEST, LAYOUT = "manifest.json", "valvectl-runs-1"
MOST_THREADS = 4
"""Threads of one process; more wait for each other, since what is not simulation is Python."""
GROWING = ("random", "sobol")
"""Samplings whose draws hang on seed and run number alone, so that a campaign can go on to more runs than were planned."""
RETRIES = 20
"""How often a block that a cluster lost is begun anew."""

Progress = Callable[[str, int, int], None]
Todo = list[tuple[int, int]]
Blocks = Iterator[tuple[int, FloatArray]]


@functools.cache
def code_digest() -> str:
    """Digest of the program's sources and of the libraries that its numbers come from."""
    digest = hashlib.sha256()
    package = Path(__file__).resolve().parent.parent
    for folder in ("parts", "design", "plant", "servo", "studies"):
        for path in sorted((package / folder).glob("*.py")):
            digest.update(f"{folder}/{path.name}".encode())
            digest.update(path.read_bytes())
    for library in ("numpy", "scipy", "numba", "llvmlite", "CoolProp", "cantera"):
        digest.update(f"{library} {library_version(library)}".encode())
    return digest.hexdigest()


def bare(design: DesignFile) -> DesignFile:
    """The design without studies that were worked out already, to be sent elsewhere."""
    return DesignFile(design.data, design.path, dict(design.inputs))


@dataclass(frozen=True)
class Where:
    """Who works the blocks out."""

    jobs: int = 0
    """Processes on this machine, 1: this one with one thread; 0: this process with some more threads than cores."""
    cluster: str = ""
    """Address of a dask.distributed scheduler; empty: this machine."""


def manifest(plan: Plan, shop: Workshop) -> dict[str, Any]:
    """What a folder of runs says about itself; two folders with the same hold the same numbers."""
    return {
        "layout": LAYOUT,
        "design": plan.design.name,
        "input_hash": plan.design.input_hash,
        "code": code_digest(),
        "machine": f"{platform.system()} {platform.machine()}",
        "sampling": plan.sampling,
        "seed": plan.seed,
        "runs": plan.runs,
        "simulate": plan.simulate,
        "block": BLOCK,
        "columns": shop.columns(),
    }


_WORDS = {
    "input_hash": "the design's values or tolerances",
    "code": "the version of valvectl or of a library",
    "machine": "the kind of machine",
    "runs": "the number of runs planned",
    "simulate": "what is worked out in a run",
}


def open_folder(folder: Path, content: dict[str, Any], resume: bool) -> None:
    """Make a folder of runs, or take up one that is there, planned for more runs where the sampling allows that. Raises
    ``ValvectlError`` when it holds something else, or runs that were not asked to be taken up."""
    place = folder / MANIFEST
    try:
        there = place.is_file()
    except OSError as error:
        raise _closed(folder, error) from None
    if there:
        known = read_manifest(folder)
        differs = [key for key, value in content.items() if known.get(key) != value]
        more = differs == ["runs"]
        if differs and not more:
            said = ", ".join(_WORDS.get(key, key) for key in differs)
            raise ValvectlError(f"{folder} holds runs of another campaign: {said} differs; name another folder")
        if more and (why := _not_grown(known, content)):
            raise ValvectlError(f"{folder} {why}")
        if not resume:
            goes = f"goes on to {content['runs']}" if more else "goes on with them"
            raise ValvectlError(f"{folder} holds runs of this campaign already; --resume {goes}")
        if more:
            _grow(folder, known["runs"], content)
        return
    if folder.exists() and (not folder.is_dir() or any(p for p in folder.iterdir() if not p.name.startswith(".tmp-"))):
        raise ValvectlError(f"{folder} exists and holds no runs of valvectl; name a new folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _closed(folder, error) from None
    _put(place, (json.dumps(content, indent=1) + "\n").encode())


def _not_grown(known: dict[str, Any], content: dict[str, Any]) -> str:
    """Why a folder planned for another number of runs can not go on to this one; empty when it can."""
    planned, wanted, sampling = known["runs"], content["runs"], content["sampling"]
    if wanted < planned:
        return (
            f"is planned for {planned} runs and does not shrink to {wanted}: --runs {planned} goes on with them, a larger number "
            "adds runs"
        )
    if sampling not in GROWING:
        return (
            f"is planned for {planned} runs and can not grow to {wanted}: a {sampling} hypercube lays its draws out for the "
            "number of runs planned, so that more runs are other runs; name another folder, or sample at random or by sobol"
        )
    return ""


def _grow(folder: Path, planned: int, content: dict[str, Any]) -> None:
    """Plan a folder for more runs. A last block that was not full is worked out anew with the runs that fill it: a folder that
    has grown holds the same bytes as one planned so from the start."""
    last = planned - planned % content["block"]
    try:
        if last < planned:
            _name(folder, last).unlink(
                missing_ok=True
            )  # first: what is missing is worked out, whatever the manifest says
    except OSError as error:
        raise _closed(folder, error) from None
    _put(folder / MANIFEST, (json.dumps(content, indent=1) + "\n").encode())


def _closed(path: Path, error: OSError) -> ValvectlError:
    return ValvectlError(f"{path}: can not be written: {error.strerror or error}")


def read_manifest(folder: Path) -> dict[str, Any]:
    """What a folder of runs says about itself. Raises ``ValvectlError`` when it is not one."""
    try:
        content = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        why = getattr(error, "strerror", None) or "it is no JSON"
        raise ValvectlError(f"{folder}: no folder of runs: {MANIFEST} can not be read ({why})") from None
    if not isinstance(content, dict) or content.get("layout") != LAYOUT:
        raise ValvectlError(f"{folder}: {MANIFEST} is not of the layout {LAYOUT}")
    sorts = {"sampling": str, "seed": int, "runs": int, "simulate": bool}
    damaged = [key for key, sort in sorts.items() if type(content.get(key)) is not sort]
    if damaged:
        raise ValvectlError(f"{folder}: {MANIFEST} is damaged: {', '.join(damaged)} missing or not as written")
    return content


def _put(path: Path, data: bytes) -> None:
    """One file, under a temporary name first. Raises ``ValvectlError`` when that can not be done (a full disk)."""
    try:
        _moved(path, data)
    except OSError as error:
        raise _closed(path, error) from None


def _moved(path: Path, data: bytes) -> None:
    handle, temporary = tempfile.mkstemp(prefix=".tmp-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise


put = _put


def _name(folder: Path, first: int) -> Path:
    return folder / f"runs-{first:08d}.npy"


def _read(folder: Path, first: int, count: int, width: int) -> FloatArray | None:
    """A block that is there and whole, else None."""
    try:
        rows = np.load(_name(folder, first), allow_pickle=False)
    except (OSError, ValueError, EOFError):
        return None
    good = (
        rows.shape == (count, width)
        and rows.dtype == np.float64
        and np.array_equal(rows[:, 0], first + np.arange(count))
    )
    return rows if good else None


def _keep(folder: Path, first: int, rows: FloatArray) -> None:
    buffer = io.BytesIO()
    np.save(buffer, rows, allow_pickle=False)
    _put(_name(folder, first), buffer.getvalue())


def seldom_collecting() -> None:
    """Look for cycles of garbage seldom in this process: drawing engines leaves hardly any, and looking goes through everything
    that is loaded."""
    gc.set_threshold(max(gc.get_threshold()[0], 50_000), 20, 20)


@contextlib.contextmanager
def _seldom_collecting() -> Iterator[None]:
    before = gc.get_threshold()
    seldom_collecting()
    try:
        yield
    finally:
        gc.set_threshold(*before)


def _here(packed: bytes, todo: Todo) -> Blocks:
    for first, count in todo:
        yield first, run_block(packed, first, count)


def _threads(packed: bytes, todo: Todo, count: int) -> Blocks:
    """Blocks by threads of this process: the simulator lets the others run."""
    from concurrent.futures import ThreadPoolExecutor, as_completed

    workshop(packed)
    pool = ThreadPoolExecutor(count)
    try:
        waiting = {pool.submit(run_block, packed, first, many): first for first, many in todo}
        for future in as_completed(waiting):
            yield waiting[future], future.result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


@contextlib.contextmanager
def _deaf() -> Iterator[None]:
    """Processes begun meanwhile do not hear Ctrl-C, which a terminal sends to all of them: this one ends them."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _processes(packed: bytes, todo: Todo, jobs: int) -> Blocks:
    import multiprocessing
    from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait

    others = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(jobs, multiprocessing.get_context("spawn"), initializer=seldom_collecting)
    try:
        with _deaf():  # all processes are begun with the first task
            waiting = {pool.submit(run_block, packed, first, count): first for first, count in todo}
        while waiting:
            for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                yield waiting.pop(future), future.result()
    except (KeyboardInterrupt, GeneratorExit):
        for process in set(multiprocessing.active_children()) - others:
            process.terminate()  # their blocks are lost, but nobody waits for them
        raise
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def _cluster(packed: bytes, todo: Todo, address: str) -> Blocks:
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise ValvectlError("a cluster needs dask.distributed: pip install 'valvectl[cluster]'") from None
    try:
        client = Client(address, timeout="10s", set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise ValvectlError(f"no scheduler of dask.distributed answers at {address}: {error}") from None
    with client:
        if not client.scheduler_info()["workers"]:
            raise ValvectlError(f"the scheduler at {address} has no workers yet")
        others = {name: code for name, code in client.run(code_digest).items() if code != code_digest()}
        if others:
            raise ValvectlError(
                f"workers with another version of valvectl or of a library: {', '.join(sorted(others))}"
            )
        shared = client.scatter(packed, broadcast=True)
        futures = {
            client.submit(run_block, shared, first, count, pure=False, retries=RETRIES): first for first, count in todo
        }
        for future, rows in as_completed(list(futures), loop=client.loop, with_results=True):
            yield futures[future], rows
            future.release()


def _workers(packed: bytes, todo: Todo, where: Where) -> Blocks:
    if where.cluster:
        return _cluster(packed, todo, where.cluster)
    if where.jobs > 1 and len(todo) > 1:
        return _processes(packed, todo, where.jobs)
    cores = os.cpu_count() or 1
    if where.jobs == 0 and cores > 1 and len(todo) > 1:
        # one more than cores: while two wait for each other's Python, a third simulates
        return _threads(packed, todo, min(cores + 1, MOST_THREADS, len(todo)))
    return _here(packed, todo)


class Campaign:
    """The runs of a plan, worked out as far as they are asked for."""

    def __init__(
        self, plan: Plan, folder: Path | None = None, resume: bool = False, where: Where | None = None
    ) -> None:
        """Raises ``ValvectlError`` for a folder that does not fit."""
        self.plan = plan
        self.folder = folder
        self.where = where or Where()
        self.packed = pickle.dumps(plan)
        self.shop = workshop(self.packed)
        self.width = len(self.shop.columns())
        self.blocks = [(first, min(BLOCK, plan.runs - first)) for first in range(0, plan.runs, BLOCK)]
        self.done: dict[int, FloatArray] = {}
        self.taken_up = 0
        """Runs found in the folder."""
        if folder is not None:
            open_folder(folder, manifest(plan, self.shop), resume)
            for first, count in self.blocks:
                rows = _read(folder, first, count, self.width)
                if rows is not None:
                    self.done[first] = rows
                    self.taken_up += count

    def rows(self, runs: int, progress: Progress | None = None) -> FloatArray:
        """The first ``runs`` runs, shape (runs, columns), worked out where they are not there yet."""
        needed = [(first, count) for first, count in self.blocks if first < runs]
        todo = [(first, count) for first, count in needed if first not in self.done]
        total = sum(count for _, count in needed)
        begun, before = time.monotonic(), total - sum(count for _, count in todo)
        ready = before
        if todo:
            with _seldom_collecting():
                for first, rows in _workers(self.packed, todo, self.where):
                    if self.folder is not None:
                        _keep(self.folder, first, rows)
                    self.done[first] = rows
                    ready += len(rows)
                    if progress is not None:
                        left = (time.monotonic() - begun) / max(1, ready - before) * (total - ready)
                        progress(f"{ready} of {total} runs, {_minutes(left)} left", ready, total)
        return np.concatenate([self.done[first] for first, _ in needed])[:runs]


def _minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90.0 else f"{seconds / 60.0:.0f} min"
