"""The notebooks are stored without outputs and end with a decision; that they run is tested by running them (nbmake)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


def test_one_a_use():
    names = " ".join(path.stem for path in NOTEBOOKS)
    for use in ("gearbox-ratio", "position-loop", "flow-resolution", "mixture-ratio"):
        assert use in names


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_stored_clean_and_ends_with_a_decision(path):
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    assert code
    assert all(not cell["outputs"] and cell["execution_count"] is None for cell in code)
    texts = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "markdown"]
    assert "## Decision" in texts[-1]
    assert "invented" in "".join(texts) + "".join(code[0]["source"])
    # what the decision says is held by an assertion in the last cell
    assert "assert " in "".join(code[-1]["source"])
