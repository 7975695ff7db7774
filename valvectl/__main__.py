"""The command line: ``valvectl`` and ``python -m valvectl`` begin here, so that Ctrl-C is heard while libraries load."""

import atexit
import os
import sys
import threading


def start() -> None:
    """Load the command line and run it."""
    # Thousands of small matrices and no large one: a second thread of the linear algebra only waits, and burns a core doing so.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        from valvectl.cli import main
    except KeyboardInterrupt:
        sys.exit(130)
    try:
        main()
    except SystemExit as stop:
        _leave(stop.code)
        raise


def _leave(code: int | str | None) -> None:
    """End the process at once, with all that was promised for the end of it done and the streams sent out.

    Python takes the libraries apart object by object, which lasts up to a third of a second and gives nobody anything: the
    system takes the memory back anyway. Where something still runs the usual way is left to it.
    """
    others = [t for t in threading.enumerate() if t is not threading.main_thread() and not t.daemon]
    if others or not (code is None or isinstance(code, int)):
        return
    atexit._run_exitfuncs()
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    except (OSError, ValueError, AttributeError):
        return  # the usual way has its own words for it
    os._exit((code or 0) & 0xFF)


if __name__ == "__main__":
    start()
