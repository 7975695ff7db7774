"""The simulator's kernel compiled, and where it is kept on disk."""

from __future__ import annotations

import functools
import hashlib
import os
import warnings
from pathlib import Path
from typing import Any


def _source_digest() -> str:
    """Digest of every source that ends up in the compiled code; numba itself watches only the entry point's file."""
    import numba

    digest = hashlib.sha256(numba.__version__.encode())
    package = Path(__file__).resolve().parent.parent
    sources = [
        *sorted((package / "parts").glob("*.py")),
        *sorted((package / "plant").glob("kernel*.py")),
        *sorted((package / "plant").glob("lane_[klm]*.py")),
        package / "plant" / "layout.py",
    ]
    for path in sources:
        digest.update(path.name.encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def kernel_cache() -> Path | None:
    """Folder of the compiled kernel for these sources, or None when no folder can be written."""
    from valvectl.parts import cache

    folder = cache.folder()
    if folder is None:
        return None
    folder = folder / f"kernel-{_source_digest()}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return folder if os.access(folder, os.W_OK) else None
    except OSError:
        return None


def kernel_is_cached() -> bool:
    """True when the kernel has been compiled on this machine before, so that a run starts at once."""
    folder = kernel_cache()
    return folder is not None and any(folder.rglob("kernel.run*.nbc"))


@functools.lru_cache(maxsize=1)
def compiled() -> Any:
    """The compiled entry point; it lets other threads run. The first call on a machine compiles it, which takes some seconds."""
    from valvectl.plant import kernel

    return _compiled(kernel.run, kernel.FAST, nogil=True)


@functools.lru_cache(maxsize=1)
def compiled_lanes() -> Any:
    """The compiled entry point of the simulator in lanes; it lets other threads run."""
    from valvectl.plant import lane_kernel

    return _compiled(lane_kernel.advance, lane_kernel.FAST, nogil=True)


@functools.lru_cache(maxsize=1)
def compiled_balance() -> Any:
    """The compiled solver of steady points."""
    from valvectl.plant import kernel_balance

    return _compiled(kernel_balance.steady_points, kernel_balance.FAST, nogil=True)


def _compiled(entry: Any, fast: Any, **more: Any) -> Any:
    import numba

    folder = kernel_cache()
    if folder is None:
        warnings.warn("no folder to keep the compiled simulator in; it is compiled anew in each run", stacklevel=3)
        return numba.njit(entry, fastmath=fast, error_model="numpy", **more)
    return kept(entry, folder, fastmath=fast, error_model="numpy", **more)


def kept(entry: Any, folder: Path, **options: Any) -> Any:
    """A function compiled by numba and kept in a folder. The folder can only save time: where a file in it is damaged or the
    disk is full, the function is compiled anew."""
    import numba

    before = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = str(folder)
    try:
        made = numba.njit(entry, cache=True, **options)
    finally:
        numba.config.CACHE_DIR = before
    cache: Any = getattr(made, "_cache", None)
    if cache is not None and hasattr(cache, "load_overload") and hasattr(cache, "save_overload"):
        load, save = cache.load_overload, cache.save_overload

        def loaded(*args: Any) -> Any:
            try:
                return load(*args)
            except Exception:  # whatever a damaged file makes of itself
                return None

        def saved(*args: Any) -> None:
            try:
                save(*args)
            except Exception:
                warnings.warn("the compiled simulator could not be kept; it is compiled anew in each run", stacklevel=2)

        cache.load_overload, cache.save_overload = loaded, saved
    return made
