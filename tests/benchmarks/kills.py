"""Twenty campaigns' worth of kill -9: killed at random moments, resumed, compared byte by byte. By hand:

PYTHONPATH=. python tests/benchmarks/kills.py [kills]

The runs are simulated: the example's profile of 10 s, side by side.
"""

from __future__ import annotations

import importlib.util
import sys
import tempfile
from pathlib import Path

from valvectl import load
from valvectl.studies.disperse import disperse

HERE = Path(__file__).resolve()


def main(kills: int) -> None:
    spec = importlib.util.spec_from_file_location("campaigns", HERE.parents[1] / "unit" / "test_campaign.py")
    assert spec is not None
    assert spec.loader is not None
    tests = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(tests)
    with tempfile.TemporaryDirectory() as place:
        whole = Path(place) / "whole"
        disperse(load(tests.DESIGN), tests.RUNS, seed=5, folder=whole)
        done = hit = 0
        while done < kills:  # a campaign is over after some five kills; then the next begins
            folder = Path(place) / f"killed-{done}"
            count = min(5, kills - done)
            hit += tests.killed_and_resumed(folder, count, done)
            assert tests.files(folder) == tests.files(whole), folder
            done += count
            print(f"{done} kills, {hit} of them at work: the same bytes", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
