"""What the mutated designs share: their helpers on the path, a cache folder of the session's own."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture(scope="session", autouse=True)
def cache_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The folder named from outside, else one of this session, so that a run by hand keeps its compiled kernels."""
    before = os.environ.get("VALVECTL_CACHE")
    folder = Path(before) if before else tmp_path_factory.mktemp("cache")
    os.environ["VALVECTL_CACHE"] = str(folder)
    yield folder
    if before is None:
        del os.environ["VALVECTL_CACHE"]
