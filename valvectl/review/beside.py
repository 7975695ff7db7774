"""Work done beside: on a second core in a forked copy of this process, or here when that can not be.

The copy has all that this process knows, so nothing is handed to it; what it finds comes back through a pipe. It is only
ever a matter of time: when there is no second core, no fork, or the copy dies, the work is done here instead, with the
same result. Only Linux is trusted to fork a process that has loaded numerical libraries.
"""

from __future__ import annotations

import gc
import os
import pickle
import select
import signal
import sys
import warnings
from collections.abc import Callable
from types import TracebackType
from typing import Any, Generic, Self, TypeVar

T = TypeVar("T")


def possible() -> bool:
    """True where a copy of this process can work on a core of its own."""
    return sys.platform == "linux" and hasattr(os, "fork") and len(os.sched_getaffinity(0)) > 1


class Beside(Generic[T]):
    """``with Beside(work) as beside: ...; beside.result()``; ``wanted=False`` does the work here, when asked for.

    ``work`` takes nothing and returns something that can be pickled. An exception that it raises in the copy is raised here,
    by doing the work once more.
    """

    def __init__(self, work: Callable[[], T], wanted: bool = True) -> None:
        self._work = work
        self._child: int | None = None
        self._pipe = -1
        if wanted and possible():
            self._start()

    def _start(self) -> None:
        here, there = os.pipe()
        try:
            with warnings.catch_warnings():
                # From Python 3.12 on: the process has threads (progress bar, linear algebra). The copy touches neither the
                # terminal nor a lock of theirs, and the libraries look after their own threads at a fork.
                warnings.simplefilter("ignore", DeprecationWarning)
                child = os.fork()
        except OSError:  # no memory or no process left
            os.close(here)
            os.close(there)
            return
        if child == 0:
            os.close(here)
            self._in_the_copy(there)
        os.close(there)
        self._child, self._pipe = child, here

    def _in_the_copy(self, pipe: int) -> None:
        """Never returns: nothing of the process that was copied may run on in it."""
        code = 1
        try:
            signal.signal(signal.SIGINT, signal.SIG_DFL)
            gc.disable()  # looking for cycles would copy the memory that is shared until somebody writes to it
            content = pickle.dumps(self._work(), protocol=pickle.HIGHEST_PROTOCOL)
            with os.fdopen(pipe, "wb") as stream:
                stream.write(content)
            code = 0
        except BaseException:
            pass  # said by the one that asked, when it does the work itself
        finally:
            os._exit(code)

    def result(self, meanwhile: Callable[[], None] | None = None) -> T:
        """What the work found. Waits for the copy; ``meanwhile`` is done first where there is something to wait for."""
        if self._child is not None:
            if meanwhile is not None and not self._done():
                meanwhile()
            child, pipe, self._child = self._child, self._pipe, None
            try:
                with os.fdopen(pipe, "rb") as stream:
                    content = stream.read()
            except BaseException:
                self._end(child)
                raise
            if os.waitpid(child, 0)[1] == 0:
                found: Any = pickle.loads(content)  # of our own making: it came through the pipe from our own copy
                return found  # type: ignore[no-any-return]
        return self._work()

    def _done(self) -> bool:
        """True when the copy has something to say, or has died."""
        found = select.poll()
        found.register(self._pipe, select.POLLIN)
        return bool(found.poll(0))

    @staticmethod
    def _end(child: int) -> None:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Ends a copy that nobody waits for any more, as after Ctrl-C."""
        if self._child is not None:
            child, self._child = self._child, None
            os.close(self._pipe)
            self._end(child)
