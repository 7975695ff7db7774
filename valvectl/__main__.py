"""``python -m valvectl``: the command line."""

from valvectl.cli import main

if __name__ == "__main__":
    main()
