"""The table of usual units says what pint says, and is enough for the examples."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from valvectl.design import quantities as q
from valvectl.design.unit_table import FACTORS

KINDS = [kind for kind in vars(q).values() if isinstance(kind, q.Kind) and kind != q.NUMBER]
DESIGNS = sorted((Path(__file__).parents[2] / "designs").glob("*.toml"))


def test_every_factor_is_that_of_pint() -> None:
    asked = 0
    for kind in KINDS:
        for unit, factor in FACTORS[kind.unit].items():
            assert factor == q._asked_of_pint(unit, kind), (kind.name, unit)
            asked += 1
    assert asked >= 150


def test_the_unit_that_tables_show_is_there() -> None:
    assert [kind.name for kind in KINDS if kind.shown and kind.unit and kind.shown not in FACTORS[kind.unit]] == []


@pytest.mark.parametrize("design", DESIGNS, ids=lambda path: path.stem)
def test_an_example_is_read_without_pint(design: Path) -> None:
    code = "import sys; from valvectl.design.load import read_design; read_design(sys.argv[1]); assert 'pint' not in sys.modules"
    subprocess.run([sys.executable, "-c", code, str(design)], check=True, timeout=120)
