"""Mutated design files: each ends in a clear error or in results without nonsense, in bounded time.

Some 500 examples by default, always the same; ``VALVECTL_MUTATIONS=10000`` takes that many, drawn anew each time, and more of
the whole checks. ``python -m tests.fuzz.run`` goes on after a failure and collects the distinct ones.
"""

from __future__ import annotations

import json
import os
import tempfile
import time
from pathlib import Path

import mutate
import oracle
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from valvectl.cli import app

ASKED = int(os.environ.get("VALVECTL_MUTATIONS", "0"))
MANY = ASKED or 500
WHOLE = max(8, ASKED // 100)
"""Examples of the whole check."""
LONGEST = 20.0
"""Processor time [s] that the cheap stages of one example may take, compilation apart."""

HOW = {
    "database": None,
    "deadline": None,
    "derandomize": not ASKED,
    "suppress_health_check": list(HealthCheck),
    "print_blob": True,
}
SEED = st.integers(0, 2**32 - 1)


def mutations(names: tuple[str, ...], least: int, most: int) -> st.SearchStrategy[list[mutate.Mutation]]:
    """Lists of mutations."""
    return st.lists(st.tuples(st.sampled_from(names), SEED), min_size=least, max_size=most)


def cheap(base: str, changes: list[mutate.Mutation]) -> None:
    """Write, read, and the cheap stages."""
    with tempfile.TemporaryDirectory() as folder:
        begun = time.process_time()
        design = oracle.read(mutate.write(base, changes, Path(folder)))
        if design is not None:
            oracle.stages(design, oracle.CHEAP + oracle.dearer(changes[0][1]))
        assert time.process_time() - begun < LONGEST


@pytest.fixture(scope="module", autouse=True)
def _warm(cache_folder: Path) -> None:
    """Libraries loaded before the clock runs."""
    for base in mutate.BASES:
        with tempfile.TemporaryDirectory() as folder:
            design = oracle.read(mutate.write(base, [], Path(folder)))
            assert design is not None
            oracle.stages(design, oracle.CHEAP + oracle.DEARER)


@pytest.mark.parametrize("base", mutate.BASES)
@given(changes=mutations(mutate.OPERATORS, 1, 1))
@settings(max_examples=MANY // 4, **HOW)
def test_one_mutation(base: str, changes: list[mutate.Mutation]) -> None:
    cheap(base, changes)


@pytest.mark.parametrize("base", mutate.BASES)
@given(changes=mutations((*mutate.OPERATORS, *mutate.GENTLE), 2, 3))
@settings(max_examples=MANY // 4, **HOW)
def test_two_or_three_mutations(base: str, changes: list[mutate.Mutation]) -> None:
    cheap(base, changes)


@given(changes=mutations(mutate.GENTLE, 1, 2))
@settings(max_examples=WHOLE, **HOW)
def test_the_whole_check(changes: list[mutate.Mutation]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        design = oracle.read(mutate.write("hover-rig", changes, Path(folder)))
        if design is not None:
            oracle.whole(design)


@given(changes=mutations((*mutate.OPERATORS, *mutate.GENTLE), 1, 2))
@settings(max_examples=max(6, WHOLE // 4), **HOW)
def test_the_command_line(changes: list[mutate.Mutation]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = mutate.write("hover-rig", changes, Path(folder))
        result = CliRunner().invoke(app, ["resolution", str(path), "--json"])
        assert result.exit_code in (0, 2), result.output
        assert "Traceback" not in result.output
        if result.exit_code == 0:
            json.loads(result.stdout, parse_constant=lambda name: pytest.fail(name))
        else:
            assert result.stdout == ""
            assert result.stderr.strip()
            assert result.stderr.replace("\n", "").isprintable()
        assert sorted(p.name for p in Path(folder).iterdir()) == ["design.toml", "parts"]


# ------------------------------------------------------------------------------------------------------ found and kept

FOUND: dict[str, tuple[str, list[mutate.Mutation]]] = {
    "an injector without a drop": ("sprint-stand", [("power", 816312089)]),
    "no gain of the position loop": ("hover-rig", [("negate", 3339042792)]),
    "no gain of the speed loop": ("sprint-stand", [("power", 1822558482)]),
    "a tolerance wider than the design": ("hover-rig", [("power", 5718178), ("insert", 3990689697)]),
}


@pytest.mark.parametrize("name", FOUND)
def test_what_was_found_stays_mended(name: str, tmp_path: Path) -> None:
    base, changes = FOUND[name]
    design = oracle.read(mutate.write(base, changes, tmp_path))
    if design is not None:
        oracle.stages(design, oracle.CHEAP + oracle.DEARER)
