"""Gathers the outside checks of a run from all of pytest's worker processes and holds them against the validation page."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

import pytest

REFERENCE = Path(__file__).parent / "reference"
WRITE = "VALVECTL_WRITE_VALIDATION"

_rows: list[dict[str, Any]] = []
_deselected = 0
_said: list[str] = []


def _own_rows() -> list[dict[str, Any]]:
    # A run without reference tests has not loaded the module and has nothing to tell.
    outside = sys.modules.get("outside")
    if outside is None:
        return []
    import validation

    return [validation.row_of(outcome) for outcome in outside.RECORD if outcome.passed]


def pytest_deselected(items: list[Any]) -> None:
    global _deselected
    _deselected += len(items)


class FromWorkers:
    """Hook of pytest-xdist, registered only where it is there."""

    def pytest_testnodedown(self, node: Any, error: object) -> None:
        global _deselected
        output = getattr(node, "workeroutput", {})
        _rows.extend(json.loads(output.get("outside", "[]")))
        _deselected += output.get("deselected", 0)


def pytest_configure(config: pytest.Config) -> None:
    if config.pluginmanager.hasplugin("dsession") or config.pluginmanager.hasplugin("xdist"):
        config.pluginmanager.register(FromWorkers(), "valvectl-outside-checks")


def _narrowed(config: pytest.Config) -> bool:
    """True when tests were picked from files, so that what did not run may still exist."""
    options = config.option
    picked = any("::" in arg for arg in config.args) or options.keyword or options.markexpr
    return bool(_deselected or picked or options.ignore or options.ignore_glob)


def _covers_all(config: pytest.Config) -> bool:
    """True when every reference test was asked for."""
    folders = [Path(str(config.invocation_params.dir), arg.split("::")[0]).resolve() for arg in config.args]
    return any(folder == REFERENCE or folder in REFERENCE.parents for folder in folders)


@pytest.hookimpl(tryfirst=True)
def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    output = getattr(session.config, "workeroutput", None)
    if output is not None:  # a worker: hand over, the main process judges
        # As text: a check may hold numpy's numbers, which do not travel.
        output["outside"], output["deselected"] = json.dumps(_own_rows()), _deselected
        return
    rows = _rows + _own_rows()
    files = exitstatus == 0 and not _narrowed(session.config)
    whole = files and _covers_all(session.config)
    if session.config.option.collectonly or not (rows or whole):
        return
    import validation

    try:
        written = validation.read()
        if os.environ.get(WRITE) and files:
            ran = {row["file"] for row in rows}
            others = [] if whole else [row for row in written if row["file"] not in ran]
            validation.write(rows + others)
            _said.append(f"{len(validation.unique(rows))} outside checks written to {validation.FILE}")
            return
        found = validation.differences(rows, written, whole)
    except ValueError as error:
        found = [str(error)]
    if os.environ.get(WRITE):
        _said.append(f"{WRITE}: nothing written; it takes whole test files that pass")
    if found:
        _said.append("the guide's validation.json is not what these tests gave:")
        _said.extend(f"  {line}" for line in found[:30])
        if len(found) > 30:
            _said.append(f"  and {len(found) - 30} more")
        _said.append(
            f"If that is meant: {WRITE}=1 pytest tests/reference (or the files that changed), and commit the file."
        )
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: Any) -> None:
    if _said:
        terminalreporter.section("outside checks")
        for line in _said:
            terminalreporter.write_line(line)
