"""Work on a second core: the same result, and done here when the copy can not."""

from __future__ import annotations

import os
import signal
import time

import pytest

from valvectl.review import beside
from valvectl.review.beside import Beside

needs_fork = pytest.mark.skipif(not beside.possible(), reason="no second core, or no Linux")


def where() -> int:
    return os.getpid()


@needs_fork
def test_the_work_is_done_in_a_copy() -> None:
    with Beside(where) as work:
        assert work.result() != os.getpid()


@needs_fork
def test_large_results_come_through_whole() -> None:
    with Beside(lambda: bytes(3_000_000)) as work:
        assert work.result() == bytes(3_000_000)


def test_not_wanted_is_done_here() -> None:
    with Beside(where, wanted=False) as work:
        assert work.result() == os.getpid()


def test_without_a_second_core_it_is_done_here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside, "possible", lambda: False)
    with Beside(where) as work:
        assert work.result() == os.getpid()


def test_no_process_left_is_done_here(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> int:
        raise BlockingIOError("no process left")

    monkeypatch.setattr(os, "fork", refuse, raising=False)
    with Beside(where) as work:
        assert work.result() == os.getpid()


@needs_fork
def test_a_copy_that_dies_is_replaced() -> None:
    me = os.getpid()

    def dies_in_the_copy() -> str:
        if os.getpid() != me:
            os.kill(os.getpid(), signal.SIGKILL)
        return "done here"

    with Beside(dies_in_the_copy) as work:
        assert work.result() == "done here"


@needs_fork
@pytest.mark.parametrize("bad", [lambda: 1 / 0, lambda: [].pop()])
def test_an_error_is_raised_here(bad) -> None:
    with Beside(bad) as work, pytest.raises((ZeroDivisionError, IndexError)):
        work.result()


@needs_fork
def test_what_can_not_be_pickled_is_made_here() -> None:
    with Beside(lambda: lambda: 3) as work:
        assert work.result()() == 3


@needs_fork
def test_a_copy_that_nobody_waits_for_is_ended() -> None:
    work = Beside(lambda: time.sleep(600))
    child = work._child
    assert child is not None
    work.__exit__(KeyboardInterrupt, KeyboardInterrupt(), None)
    with pytest.raises(ProcessLookupError):
        os.kill(child, 0)
