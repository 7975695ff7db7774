"""The command line: exit codes, clean stdout, messages instead of tracebacks, quick start."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from typer.testing import CliRunner

import valvectl.api
from valvectl import cli, cli_tables
from valvectl.errors import DesignError, Fault, NoBalanceError
from valvectl.review import folder
from valvectl.review.verdict import Review
from valvectl.studies.resolution_fix import StepFix, StepFixes

runner = CliRunner()
CAUTION = "Passing is no permission to operate"


class FakeDesign:
    """Stands for a loaded design; hands out results made by hand."""

    def __init__(self, review: Review) -> None:
        self.review = review
        self.requirements = SimpleNamespace(mixture_ratio_transient=0.1)

    def check(self, progress: Callable[[str, int, int], None] | None = None, two_cores: bool = False) -> Review:
        if progress is not None:
            progress("stage [bold]one[/bold]", 0, 2)
        return self.review

    def ratio(self, leg: str) -> Any:
        return self.review.studies["ratio"][leg]

    ratio_in_full = ratio

    def loop(self, leg: str) -> Any:
        return self.review.studies["loop"][leg]

    loop_in_full = loop

    def resolution(self) -> Any:
        return self.review.studies["resolution"]

    def resolution_fix(self, leg: str) -> StepFixes:
        key = f"legs.{leg}.valve.slot_clearance"
        fix = StepFix(key, 0.05, 0.03, "deg", True, "")
        return StepFixes(leg, 0.005, 0.006, 1e-3, ("unseen lost motion",), (fix,))  # type: ignore[arg-type]

    def throttle_run(self) -> Any:
        return self.review.studies["throttle"]


@pytest.fixture(autouse=True)
def here(review: Review, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("VALVECTL_DEBUG", raising=False)
    monkeypatch.setattr(valvectl.api, "load", lambda path: FakeDesign(review))
    monkeypatch.setattr(folder, "render", lambda review, drawn: "<!DOCTYPE html>")
    monkeypatch.setattr(folder, "groups_drawn", lambda review, two_cores, meanwhile: meanwhile())
    return tmp_path


def run(*args: str) -> Any:
    return runner.invoke(cli.app, list(args))


def strict(text: str) -> Any:
    def refuse(name: str) -> None:
        raise AssertionError(f"{name} is not JSON")

    return json.loads(text, parse_constant=refuse)


# ----------------------------------------------------------------------------------------------------------- check


def test_check_with_misses(here: Path) -> None:
    result = run("check", "hover [a].toml")
    assert result.exit_code == 1
    assert "The analysis does not pass. 3 met, 2 missed, 2 not assessed." in result.stdout
    assert "missed: settling of a step to 2 %, fuel leg" in result.stdout
    assert "to mend it: Widen <it>." in result.stdout
    assert "not assessed: valve drop over choking drop, fuel leg" in result.stdout
    assert "Report: hover [a]-review/review.html" in result.stdout
    assert CAUTION in result.stdout
    assert (here / "hover [a]-review" / "review.json").is_file()
    assert not re.search(r"\b(nan|inf)\b", result.stdout)


def test_check_that_passes(review: Review, review_with: Callable[..., Review], monkeypatch: pytest.MonkeyPatch) -> None:
    good = review_with(rows=tuple(r for r in review.rows if r.verdict == "met"), remedies=())
    monkeypatch.setattr(valvectl.api, "load", lambda path: FakeDesign(good))
    result = run("check", "a.toml", "--out", "deep/er")
    assert result.exit_code == 0
    assert "The analysis passes. 3 met, 0 missed, 0 not assessed." in result.stdout
    assert CAUTION in result.stdout
    assert Path("deep/er/review.html").is_file()


def test_not_assessed_alone_is_no_pass(
    review: Review, review_with: Callable[..., Review], monkeypatch: pytest.MonkeyPatch
) -> None:
    some = review_with(rows=tuple(r for r in review.rows if r.verdict != "missed"), remedies=())
    monkeypatch.setattr(valvectl.api, "load", lambda path: FakeDesign(some))
    assert run("check", "a.toml", "--no-report").exit_code == 1


def test_check_json_is_alone_on_stdout(review: Review, here: Path) -> None:
    result = run("check", "a.toml", "--json")
    assert result.exit_code == 1
    assert strict(result.stdout) == folder.json_of(review)
    assert (here / "a-review" / "review.json").read_text(encoding="utf-8") == result.stdout


def test_check_without_report_writes_nothing(here: Path) -> None:
    assert run("check", "a.toml", "--no-report").exit_code == 1
    assert list(here.iterdir()) == []


def test_out_and_no_report_contradict(here: Path) -> None:
    result = run("check", "a.toml", "--no-report", "--out", "x")
    assert result.exit_code == 2
    assert "contradict" in result.stderr


def test_out_that_is_a_file_is_refused_before_the_work(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def never(self: Any, progress: Any = None, two_cores: bool = False) -> None:
        raise AssertionError("the work was begun")

    monkeypatch.setattr(FakeDesign, "check", never)
    (here / "x").write_text("mine", encoding="utf-8")
    result = run("check", "a.toml", "--out", "x")
    assert result.exit_code == 2
    assert "is a file" in result.stderr
    assert (here / "x").read_text(encoding="utf-8") == "mine"


def test_tables_fit_80_columns_and_texts_are_no_markup() -> None:
    for args in (
        ("check", "a.toml"),
        ("ratio", "a.toml"),
        ("loop", "a.toml"),
        ("resolution", "a.toml"),
        ("throttle", "a.toml"),
    ):
        out = run(*args).stdout
        assert max(len(line) for line in out.splitlines()) <= 80, args
        assert "\x1b" not in out  # no colour into a pipe
    assert "[bold]x[/bold]" in run("check", "a.toml").stdout


def test_control_characters_of_a_name_do_not_reach_the_terminal(
    review_with: Callable[..., Review], monkeypatch: pytest.MonkeyPatch
) -> None:
    named = review_with(design="a\x1b[31mred")
    monkeypatch.setattr(valvectl.api, "load", lambda path: FakeDesign(named))
    out = run("check", "a.toml", "--no-report").stdout
    assert "\x1b" not in out
    assert "a\\x1b[31mred" in out


# --------------------------------------------------------------------------------------------------------- studies


@pytest.mark.parametrize("study", ["ratio", "loop", "resolution", "throttle"])
def test_studies_print_and_exit_zero(study: str) -> None:
    result = run(study, "a.toml")
    assert result.exit_code == 0, result.output
    assert result.stdout.strip()
    assert not re.search(r"\b(nan|inf)\b", result.stdout)


@pytest.mark.parametrize("study", ["ratio", "loop"])
def test_json_of_both_legs_and_of_one(study: str, review: Review) -> None:
    both = strict(run(study, "a.toml", "--json").stdout)
    assert set(both) == {"oxidizer", "fuel"}
    one = strict(run(study, "a.toml", "--leg", "fuel", "--json").stdout)
    assert one == both["fuel"]
    assert one == review.studies[study]["fuel"].to_dict()


def test_json_of_the_engine(review: Review) -> None:
    assert strict(run("throttle", "a.toml", "--json").stdout) == review.studies["throttle"].to_dict()
    assert set(strict(run("resolution", "a.toml", "--json", "--leg", "fuel").stdout)["legs"]) == {"fuel"}


def test_csv_and_figures_of_both_legs(here: Path) -> None:
    result = run("ratio", "a.toml", "--csv", "r.csv", "--figure", "r.svg", "--json")
    assert result.exit_code == 0
    strict(result.stdout)
    assert {p.name for p in here.iterdir()} == {f"r-{leg}.{e}" for leg in ("oxidizer", "fuel") for e in ("csv", "svg")}
    assert "wrote r-fuel.svg" in result.stderr


@pytest.mark.parametrize(
    ("ending", "head"), [("svg", b"<?xml"), ("png", b"\x89PNG"), ("pdf", b"%PDF"), ("PNG", b"\x89PNG")]
)
def test_figure_formats(ending: str, head: bytes, here: Path) -> None:
    assert run("resolution", "a.toml", "--leg", "fuel", "--figure", f"f.{ending}").exit_code == 0
    assert (here / f"f.{ending}").read_bytes().startswith(head)


@pytest.mark.parametrize("plot", ["bode", "nyquist", "step"])
def test_plots_of_the_loop(plot: str, here: Path) -> None:
    assert run("loop", "a.toml", "--leg", "fuel", "--figure", f"{plot}.svg", "--plot", plot).exit_code == 0
    assert (here / f"{plot}.svg").is_file()


def test_a_figure_of_an_unknown_ending_is_refused(here: Path) -> None:
    result = run("throttle", "a.toml", "--figure", "x.gif")
    assert result.exit_code == 2
    assert ".svg" in result.stderr
    assert list(here.iterdir()) == []


def test_a_table_that_can_not_be_written(here: Path) -> None:
    result = run("throttle", "a.toml", "--csv", "no/such/folder.csv")
    assert result.exit_code == 2
    assert "can not be written" in result.stderr


# ---------------------------------------------------------------------------------------------------------- errors


def test_every_fault_has_a_line_of_its_own(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    faults = [Fault("must be above zero", "engine.thrust", "a.toml", 3, "-1"), Fault("unknown key", "x", "a.toml", 9)]

    def load(path: Path) -> Any:
        raise DesignError(faults)

    monkeypatch.setattr(valvectl.api, "load", load)
    for args in (
        ("check", "a.toml"),
        ("ratio", "a.toml"),
        ("loop", "a.toml"),
        ("throttle", "a.toml", "--csv", "x.csv"),
    ):
        result = run(*args)
        assert result.exit_code == 2
        assert result.stdout == ""
        assert result.stderr.splitlines()[:2] == [str(f) for f in faults]
        assert "Traceback" not in result.output
    assert list(here.iterdir()) == []


def test_no_balance_is_wrong_input(monkeypatch: pytest.MonkeyPatch) -> None:
    def load(path: Path) -> Any:
        raise NoBalanceError("the fuel valve can not open far enough")

    monkeypatch.setattr(valvectl.api, "load", load)
    result = run("resolution", "a.toml")
    assert result.exit_code == 2
    assert result.stderr.strip() == "the fuel valve can not open far enough"


def test_a_fault_of_the_program_has_no_traceback(monkeypatch: pytest.MonkeyPatch, here: Path) -> None:
    def load(path: Path) -> Any:
        raise ZeroDivisionError("float division\nby zero")

    monkeypatch.setattr(valvectl.api, "load", load)
    result = run("check", "a.toml")
    assert result.exit_code == 3
    assert "internal error: ZeroDivisionError: float division by zero" in result.stderr
    assert "report" in result.stderr
    assert "Traceback" not in result.output
    assert list(here.iterdir()) == []
    monkeypatch.setenv("VALVECTL_DEBUG", "1")
    assert isinstance(run("check", "a.toml").exception, ZeroDivisionError)


def test_stopped_by_the_user(monkeypatch: pytest.MonkeyPatch, here: Path) -> None:
    def stop(self: Any, progress: Any = None, two_cores: bool = False) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(FakeDesign, "check", stop)
    result = run("check", "a.toml")
    assert result.exit_code == 130
    assert list(here.iterdir()) == []


def test_unknown_leg_and_missing_argument() -> None:
    assert run("ratio", "a.toml", "--leg", "nose").exit_code == 2
    assert run("check").exit_code == 2
    assert run("chekc", "a.toml").exit_code == 2


def test_first_run_is_announced(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import valvectl.plant.simulate

    (here / "a.toml").write_text("", encoding="utf-8")
    monkeypatch.setattr(valvectl.plant.simulate, "kernel_is_cached", lambda: False)
    result = run("check", "a.toml", "--json")
    assert result.stderr.startswith("first run on this machine:")
    strict(result.stdout)
    monkeypatch.setattr(valvectl.plant.simulate, "kernel_is_cached", lambda: True)
    assert "first run" not in run("check", "a.toml").stderr


# ------------------------------------------------------------------------------------------------------------- new


def test_new_writes_a_starter_once(here: Path) -> None:
    result = run("new", "my [x] engine.toml")
    assert result.exit_code == 0
    assert "Wrote my [x] engine.toml" in result.stdout
    before = (here / "my [x] engine.toml").read_bytes()
    again = run("new", "my [x] engine.toml")
    assert again.exit_code == 2
    assert "not overwritten" in again.stderr
    assert (here / "my [x] engine.toml").read_bytes() == before


# ------------------------------------------------------------------------------------------------------------ help


@pytest.mark.parametrize("command", ["new", "check", "ratio", "loop", "resolution", "throttle"])
def test_help_has_an_example(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0
    assert re.search(rf"Example:\s+valvectl {command} ", result.stdout)


def test_every_study_that_prints_is_known_to_the_tables() -> None:
    with pytest.raises(KeyError):
        cli_tables.show("no such study", None)


def started(*args: str, **more: str) -> subprocess.CompletedProcess[str]:
    root = str(Path(valvectl.api.__file__).parent.parent)
    environment = {**os.environ, "PYTHONPATH": root, **more}
    return subprocess.run([sys.executable, *args], capture_output=True, text=True, env=environment, timeout=120)


def test_help_comes_at_once() -> None:
    best = 10.0
    for _ in range(3):
        before = time.perf_counter()
        done = started("-m", "valvectl", "--help")
        best = min(best, time.perf_counter() - before)
        assert done.returncode == 0
        assert "valvectl check my-engine.toml" in done.stdout
    assert best < 0.4


def test_help_and_import_load_nothing_heavy() -> None:
    code = (
        "import sys, valvectl, valvectl.cli\n"
        "heavy = {'numpy', 'scipy', 'matplotlib', 'rich', 'pydantic', 'pint', 'numba', 'control', 'CoolProp', 'jinja2'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)"
    )
    done = started("-c", code)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("option", [(), ("--json",)])
def test_a_reader_that_has_seen_enough(option: tuple[str, ...]) -> None:
    tests = str(Path(__file__).parent)
    code = (
        f"import sys; sys.path.insert(0, {tests!r})\n"
        "import conftest, valvectl.api\n"
        "from valvectl import cli\n"
        "from test_cli import FakeDesign\n"
        "valvectl.api.load = lambda path: FakeDesign(conftest.made_review())\n"
        f"sys.argv = ['valvectl', 'check', 'a.toml', '--no-report', *{option!r}]\n"
        "cli.main()"
    )
    root = str(Path(valvectl.api.__file__).parent.parent)
    process = subprocess.Popen(
        [sys.executable, "-c", code],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": root},
    )
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()  # before a word has come
    errors = process.stderr.read().decode()
    assert process.wait(timeout=120) == 1, errors
    assert errors == ""


def test_exit_codes_of_the_program(here: Path) -> None:
    version = started("-m", "valvectl", "--version")
    assert version.returncode == 0
    assert version.stdout.startswith("valvectl")
    missing = started("-m", "valvectl", "check", "nothing here.toml")
    assert missing.returncode == 2
    assert "nothing here.toml" in missing.stderr
    assert missing.stdout == ""
    assert "Traceback" not in missing.stderr
    ascii_only = started("-m", "valvectl", "new", "ü.toml", PYTHONIOENCODING="ascii")
    assert ascii_only.returncode == 0
    assert (here / "ü.toml").is_file()
