"""The list of outside checks that the guide shows is held against test runs: what moved, what is new, what is gone."""

from __future__ import annotations

import pytest
import validation
from outside import Outcome, OutsideCheck


def row(name: str = "A1", got: float = 10.001, **changes: object) -> validation.Row:
    check = OutsideCheck(name, "a number", 10.0, "N", 0.01, "a text book, chapter 1", "published")
    return validation.row_of(Outcome(check, got, got / 10.0 - 1.0, True, "test_made_up.py")) | changes


def test_the_same_again_is_fine() -> None:
    assert validation.differences([row()], [row()], whole=True) == []
    assert validation.differences([row(got=10.001 + 0.01 * 0.1)], [row()], whole=True) == []


def test_new_gone_and_moved_are_told() -> None:
    (new,) = validation.differences([row(), row("A2")], [row()], whole=True)
    assert new.startswith("not in the file")
    assert "A2" in new
    (gone,) = validation.differences([row()], [row(), row("A2")], whole=True)
    assert "no test asks it" in gone
    assert validation.differences([row()], [row(), row("A2")], whole=False) == []
    (moved,) = validation.differences([row(got=10.01)], [row()], whole=True)
    assert "10.01" in moved
    (other,) = validation.differences([row(source="another book")], [row()], whole=True)
    assert other.startswith("source is")


def test_two_checks_of_one_name_are_refused() -> None:
    with pytest.raises(ValueError, match="two checks have the name A1"):
        validation.unique([row(), row(what="another number")])


def test_every_test_file_of_the_list_says_what_it_is_about() -> None:
    for one in validation.read():
        assert validation.subject(one["file"])
