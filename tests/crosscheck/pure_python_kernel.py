"""Run the kernel as plain Python with every index checked; started by ``test_kernel_bounds`` in a process of its own.

Usage: python pure_python_kernel.py JOB OUT, with NUMBA_DISABLE_JIT=1. JOB holds a pickled list of (name, keyword
arguments of ``simulate``); OUT receives a pickled dictionary name -> (trace, log of the flows at each step).

Compiled, the inner functions see bare pointers; here each is replaced by a run of numbers that knows its own section
(one leg's parameters, one row of the record, ...) and raises ``IndexError`` for an index outside it.
"""

from __future__ import annotations

import pickle
import sys
from pathlib import Path
from typing import Any

import numba
import numpy as np


class Checked:
    """A stretch of a flattened array; ``section`` is the length of one entry of the first axis."""

    def __init__(self, data: Any, first: int, length: int, section: int) -> None:
        self.data, self.first, self.length, self.section = data, first, length, section

    def _place(self, index: int) -> int:
        if not 0 <= index < self.length:
            raise IndexError(f"index {index} of a section of {self.length}")
        return self.first + int(index)

    def __getitem__(self, index: int) -> Any:
        return self.data[self._place(index)]

    def __setitem__(self, index: int, value: Any) -> None:
        self.data[self._place(index)] = value


class CheckedTable:
    """A two-dimensional table that takes no negative index."""

    def __init__(self, data: Any) -> None:
        self.data, self.shape = data, data.shape

    def __getitem__(self, index: tuple[int, int]) -> Any:
        if min(index) < 0:
            raise IndexError(f"index {index}")
        return self.data[index]


def flat(array: Any) -> Checked:
    """Stands for ``kernel.flat``."""
    assert array.flags.c_contiguous
    return Checked(array.reshape(-1), 0, array.size, array.size // array.shape[0])


def tail(run: Checked, start: int) -> Checked:
    """Stands for ``kernel.tail``: the section that begins at ``start`` and not a number more."""
    if not 0 <= start < run.length:
        raise IndexError(f"start {start} in {run.length}")
    if run.section and start % run.section == 0:
        return Checked(run.data, run.first + start, run.section, 0)
    return Checked(run.data, run.first + start, run.length - start, 0)


def main(job: str, out: str) -> None:
    """Run all jobs."""
    assert getattr(numba.config, "DISABLE_JIT")  # noqa: B009 -- the attribute is made at run time
    from valvectl.parts import injector
    from valvectl.plant import kernel, layout, simulate

    feed_flows: list[float] = []
    injector_flows: list[float] = []
    feed, orifice = kernel.feed, injector.orifice_midpoint

    def logged_feed(par: Any, st: Any, *rest: Any) -> None:
        feed(par, st, *rest)
        feed_flows.append(float(st[layout.FLOW]))

    def logged_orifice(*args: float) -> tuple[float, float]:
        drop, flow = orifice(*args)
        injector_flows.append(flow)
        return drop, flow

    def checked_run(*args: Any) -> int:
        replaced = list(args)
        replaced[4] = CheckedTable(args[4])
        return int(kernel.run(*replaced))

    for name, value in {"flat": flat, "tail": tail, "feed": logged_feed, "orifice_midpoint": logged_orifice}.items():
        setattr(kernel, name, value)
    setattr(simulate, "compiled", lambda: checked_run)  # noqa: B010 -- its type is that of a cached function
    results = {}
    for name, arguments in pickle.loads(Path(job).read_bytes()):
        feed_flows.clear()
        injector_flows.clear()
        with np.errstate(all="raise"):
            trace = simulate.simulate(**arguments)
        flows = np.array(feed_flows).reshape(-1, 2), np.array(injector_flows).reshape(-1, 2)
        results[name] = trace, flows
    Path(out).write_bytes(pickle.dumps(results))


if __name__ == "__main__":
    main(*sys.argv[1:])
