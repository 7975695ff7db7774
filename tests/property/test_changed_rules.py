"""A changed design is checked by the rules that read what changed; held against all rules, for sound and unsound changes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import valvectl
from valvectl.design import design_file
from valvectl.design.crosscheck import RULES
from valvectl.design.keys import split
from valvectl.design.validate import rules_about, rules_read
from valvectl.errors import DesignError

DESIGN = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@pytest.fixture(scope="module")
def example() -> Any:
    return valvectl.load(DESIGN)


def keys() -> list[str]:
    """Numbers of the example that can be changed one by one."""
    found = valvectl.load(DESIGN)
    return [key for key, item in found.inputs.items() if isinstance(item.value, float)]


def said(design: Any, changes: dict[str, Any]) -> list[str]:
    try:
        design.with_values(changes)
    except DesignError as error:
        return [f"{fault.key}: {fault.message}" for fault in error.faults]
    return []


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    picked=st.dictionaries(
        st.sampled_from(keys()),
        st.sampled_from([0.0, 0.3, 0.5, 0.97, 1.03, 2.0, 3.0, 20.0, 1e3]),
        min_size=1,
        max_size=4,
    )
)
def test_the_rules_about_a_change_find_what_all_rules_find(
    example: Any, picked: dict[str, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    changes = {key: share * example.inputs[key].value for key, share in picked.items()}
    few = said(example, changes)
    with monkeypatch.context() as patch:
        patch.setattr(design_file, "rules_about", lambda read, paths: tuple(range(len(RULES))))
        again = valvectl.load(DESIGN)
        assert said(again, changes) == few


def test_rules_that_read_a_key_a_table_or_an_item() -> None:
    paths = {key: split(key) for key in ("a", "a.b", "a.b[2]", "a.c", "d.e")}
    read = [frozenset({paths["a.b"]}), frozenset({paths["a.c"], paths["d.e"]}), frozenset({paths["a"]})]
    assert rules_about(read, [paths["a.b"]]) == (0, 2)  # type: ignore[list-item]
    assert rules_about(read, [paths["a.b[2]"]]) == (0, 2)  # type: ignore[list-item]
    assert rules_about(read, [paths["d.e"]]) == (1,)  # type: ignore[list-item]
    assert rules_about(read, [paths["a"]]) == (0, 1, 2)  # type: ignore[list-item]
    assert rules_about(read, []) == ()


def test_every_rule_reads_something(example: Any) -> None:
    read = rules_read(example.data)
    assert len(read) == len(RULES)
    assert all(read)
