"""Many mutated designs, by hand or at night: ``python -m tests.fuzz.run FIRST COUNT [whole]``. Prints each distinct failure once.

A failure is told by the place where it was raised; its line holds all that is needed to see it again.
"""

from __future__ import annotations

import faulthandler
import json
import os
import shutil
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import mutate
import oracle


class TooSlow(BaseException):
    """An example took longer than it may."""


def _stop(number: int, frame: Any) -> None:
    raise TooSlow


def one(name: str, mutations: list[mutate.Mutation], folder: Path, whole: bool) -> str:
    """What came of one example: refused, ran or checked."""
    path = mutate.write(name, mutations, folder)
    design = oracle.read(path)
    if design is None:
        return "refused"
    if whole:
        oracle.whole(design)
        return "checked"
    oracle.stages(design, oracle.CHEAP + (oracle.dearer(mutations[0][1])))
    return "ran"


def main() -> None:
    first, count, whole = int(sys.argv[1]), int(sys.argv[2]), len(sys.argv) > 3
    allowed = 240 if whole else 30
    signal.signal(signal.SIGALRM, _stop)
    seen: Counter[str] = Counter()
    ends: Counter[str] = Counter()
    begin = time.monotonic()
    for number in range(first, first + count):
        name, mutations = mutate.drawn(number, gentle=whole)
        if number % (20 if whole else 500) == 0:
            print(f"-- {number} {dict(ends)} {time.monotonic() - begin:.0f} s", flush=True)
        folder = Path(tempfile.mkdtemp(prefix="fz-"))
        start = time.monotonic()
        kept: list[warnings.WarningMessage] = []
        signal.setitimer(signal.ITIMER_REAL, allowed, 1.0)
        faulthandler.dump_traceback_later(3 * allowed, exit=False)
        try:
            with warnings.catch_warnings(record=True) as kept:
                warnings.simplefilter("always", RuntimeWarning)
                ends[one(name, mutations, folder, whole)] += 1
        except (Exception, TooSlow) as error:
            signal.setitimer(signal.ITIMER_REAL, 0)
            frames = traceback.extract_tb(error.__traceback__)
            inside = [f for f in frames if "valvectl/" in f.filename and "venv" not in f.filename] or frames
            where = f"{inside[-1].filename.split('valvectl/')[-1]}:{inside[-1].lineno}"
            mark = f"{type(error).__name__} {where} {'' if isinstance(error, TooSlow) else str(error)[:60]}"
            ends["FAILED"] += 1
            _tell(seen, mark, number, name, mutations, time.monotonic() - start, str(error)[:300])
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)
            faulthandler.cancel_dump_traceback_later()
            shutil.rmtree(folder, ignore_errors=True)
        for note in kept:
            if issubclass(note.category, RuntimeWarning):
                place = note.filename.split("site-packages/")[-1].split("valvectl/")[-1]
                mark = f"warning {place}:{note.lineno} {str(note.message)[:60]}"
                _tell(seen, mark, number, name, mutations, time.monotonic() - start, "")
    print(json.dumps({"ends": ends, "distinct": seen, "seconds": time.monotonic() - begin}, indent=1), flush=True)


def _tell(seen: Counter[str], mark: str, number: int, name: str, mutations: Any, took: float, text: str) -> None:
    seen[mark] += 1
    if seen[mark] == 1:
        print(f"{mark}\n    {number}: {name} {mutations} {took:.1f} s {text}", flush=True)


if __name__ == "__main__":
    os.environ.setdefault("VALVECTL_CACHE", tempfile.mkdtemp(prefix="fz-cache-"))
    main()
