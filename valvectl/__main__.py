"""The command line: ``valvectl`` and ``python -m valvectl`` begin here, so that Ctrl-C is heard while libraries load."""

import sys


def start() -> None:
    """Load the command line and run it."""
    try:
        from valvectl.cli import main
    except KeyboardInterrupt:
        sys.exit(130)
    main()


if __name__ == "__main__":
    start()
