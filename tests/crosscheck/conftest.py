"""What the cross-checks share: the example design, loaded once, with a cache folder of the session's own."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))

EXAMPLE = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@pytest.fixture(scope="session")
def cache_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Cache folder of this session, so that the kernel is compiled from these sources, once."""
    before = os.environ.get("VALVECTL_CACHE")
    folder = tmp_path_factory.mktemp("cache")
    os.environ["VALVECTL_CACHE"] = str(folder)
    yield folder
    if before is None:
        del os.environ["VALVECTL_CACHE"]
    else:
        os.environ["VALVECTL_CACHE"] = before


@pytest.fixture(scope="session")
def design(cache_folder: Path) -> Any:
    """The example design as it stands."""
    import valvectl

    return valvectl.load(EXAMPLE)
