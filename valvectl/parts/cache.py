"""Numbers that a heavy library worked out, kept on disk so that the library need not be loaded again.

One JSON file a result, in the folder that ``VALVECTL_CACHE`` names, else in the user's cache folder. The cache can only
save time: a file that is missing, damaged or can not be written is passed over and the number is worked out anew.
"""

from __future__ import annotations

import functools
import hashlib
import json
import os
import sys
import tempfile
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ENVIRONMENT = "VALVECTL_CACHE"
"""Environment variable that names the folder; unset or empty means the user's cache folder."""

_LARGEST_FILE = 8_000_000
_LARGEST_MEMO = 2048
# A study that asks for thousands of temperatures must not fill the user's disk with thousands of files.
_MOST_WRITES = 500

_memo: OrderedDict[str, str] = OrderedDict()
_writes = 0
_only_memory = 0
_lock = threading.Lock()


@contextmanager
def memory_only() -> Iterator[None]:
    """Nothing new is kept on disk meanwhile: for thousands of drawn designs whose numbers nobody asks for twice. Threads may
    be in it at once."""
    global _only_memory
    with _lock:
        _only_memory += 1
    try:
        yield
    finally:
        with _lock:
            _only_memory -= 1


def folder() -> Path | None:
    """Folder of the cache; None when there is none to be found (no home folder). It need not exist."""
    named = os.environ.get(ENVIRONMENT, "")
    if named:
        return Path(named)
    try:
        import platformdirs

        return Path(platformdirs.user_cache_dir("valvectl", appauthor=False))
    except (OSError, RuntimeError, KeyError):  # no home folder
        return None


def forget() -> None:
    """Drop what this process remembers; the files stay. For tests."""
    global _writes
    _memo.clear()
    _writes = 0


@functools.cache
def library_version(name: str) -> str:
    """Version of an installed package, without importing it; empty when it is not installed."""
    from importlib import metadata

    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return ""


def cached(
    name: str,
    key: Mapping[str, Any],
    compute: Callable[[], dict[str, Any]],
    *,
    libraries: Sequence[str] = (),
    algorithm: int = 1,
    quick: bool = False,
) -> dict[str, Any]:
    """Result of ``compute``, from memory or disk when it was worked out before.

    Parameters
    ----------
    name : what is worked out, such as ``"liquid"``; letters, digits and hyphens
    key : everything that the result depends on; JSON values only (text, numbers, lists, None)
    compute : works the result out; must return a dict of JSON values, floats finite, no numpy arrays
    libraries : packages whose version is part of the key
    algorithm : raise it when ``compute`` changes, so that old results are not used
    quick : ``compute`` takes no longer than remembering once its libraries are loaded: in ``memory_only`` it is asked then

    Returns a new dict at each call; floats are those of the first computation to the last bit, tuples are lists.
    What ``compute`` raises is passed on and nothing is kept. A result that is not JSON raises TypeError or ValueError.
    A folder that can not be read or written and a damaged file are passed over in silence.
    """
    if quick and _only_memory and all(library in sys.modules for library in libraries):
        return compute()
    identity = json.dumps(
        {
            "name": name,
            "key": dict(key),
            "versions": {library: library_version(library) for library in libraries},
            "algorithm": algorithm,
        },
        sort_keys=True,
        allow_nan=False,
    )
    digest = hashlib.sha256(identity.encode()).hexdigest()
    text = _memo.get(digest)
    if text is None:
        place = folder()
        path = None if place is None else place / f"{name}-{digest[:32]}.json"
        text = None if path is None else _read(path, identity)
        if text is None:
            text = json.dumps(compute(), allow_nan=False)
            if path is not None and not _only_memory:
                _write(path, identity, text)
        with _lock:
            _memo[digest] = text
            while len(_memo) > _LARGEST_MEMO:
                _memo.popitem(last=False)
    result: dict[str, Any] = json.loads(text)
    return result


def _checksum(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _read(path: Path, identity: str) -> str | None:
    """Result text of a file that is whole and answers this very question, else None."""
    try:
        if not path.is_file() or path.stat().st_size > _LARGEST_FILE:
            return None
        content = json.loads(path.read_text(encoding="utf-8"))
        text = content["result"]
        if content["identity"] != identity or content["checksum"] != _checksum(text):
            return None
        return text if isinstance(json.loads(text), dict) else None
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def _write(path: Path, identity: str, text: str) -> None:
    """Put the file in place in one move, so that a reader never meets half of it."""
    global _writes
    if _writes >= _MOST_WRITES:
        return
    content = json.dumps({"identity": identity, "result": text, "checksum": _checksum(text)})
    temporary = ""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=".tmp-", suffix=".json", dir=path.parent)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(content)
        os.replace(temporary, path)
        _writes += 1
    except (OSError, ValueError):
        if temporary:
            try:
                os.unlink(temporary)
            except OSError:
                pass
