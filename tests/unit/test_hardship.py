"""The command line where things go wrong around it: full disks, closed streams, hostile names, no home, two runs at once."""

from __future__ import annotations

import dataclasses
import errno
import json
import os
import re
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
import typer.main
from rich.cells import cell_len
from typer.testing import CliRunner

import valvectl.api
from valvectl.cli import app
from valvectl.errors import DesignError, Fault, SimulationError, ValvectlError
from valvectl.plant.time_grid import MOST_STEPS, run_steps
from valvectl.review import folder
from valvectl.studies.adverse import FRICTION_LOW, TORQUE, adverse_design

ROOT = Path(__file__).resolve().parents[2]
HOVER, SPRINT = ROOT / "designs" / "hover-rig.toml", ROOT / "designs" / "sprint-stand.toml"
VERBS: dict[str, Any] = typer.main.get_command(app).commands  # type: ignore[attr-defined]
runner = CliRunner()


def started(*args: str, **more: Any) -> subprocess.CompletedProcess[str]:
    """The program in a process of its own."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **more.pop("env", {})}
    more = {"capture_output": True, **more}
    return subprocess.run(
        [sys.executable, "-m", "valvectl", *args], text=True, env=environment, timeout=300, check=False, **more
    )


# ------------------------------------------------------------------------------------------------- full and closed ends

QUICK = (("explain", "engine"), ("--version",), ("--help",), ("check", "--help"))


@pytest.mark.skipif(not Path("/dev/full").is_char_device(), reason="needs a device that is always full")
@pytest.mark.parametrize("args", QUICK)
def test_a_full_disk_behind_standard_output(args: tuple[str, ...]) -> None:
    with open("/dev/full", "w") as full:
        done = started(*args, capture_output=False, stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == 2
    assert "can not be read or written" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("stream", ["stdout", "stderr"])
def test_a_stream_that_is_closed(stream: str) -> None:
    sign = {"stdout": ">&-", "stderr": "2>&-"}[stream]
    done = subprocess.run(
        ["sh", "-c", f"{sys.executable} -m valvectl explain engine {sign}"],
        capture_output=True, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)}, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("fails", ["open", "replace"])
def test_a_full_disk_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails: str) -> None:
    def full(*args: Any, **more: Any) -> Any:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    (tmp_path / "a.csv").write_text("mine", encoding="utf-8")
    if fails == "replace":
        monkeypatch.setattr(os, "replace", full)
    else:
        monkeypatch.setattr("builtins.open", full)
    with pytest.raises(ValvectlError, match="can not be written: No space left"):
        folder.write_bytes(tmp_path / "a.csv", b"new")
    monkeypatch.undo()
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]
    assert (tmp_path / "a.csv").read_text(encoding="utf-8") == "mine"


def test_links_and_pipes_stay_what_they_are(tmp_path: Path) -> None:
    (tmp_path / "link.csv").symlink_to("real.csv")
    folder.write_bytes(tmp_path / "link.csv", b"new")
    assert (tmp_path / "link.csv").is_symlink()
    assert (tmp_path / "real.csv").read_bytes() == b"new"
    os.mkfifo(tmp_path / "pipe")
    reader = subprocess.Popen(["cat", str(tmp_path / "pipe")], stdout=subprocess.PIPE)
    folder.write_bytes(tmp_path / "pipe", b"through")
    assert reader.communicate(timeout=60)[0] == b"through"
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)


def test_places_where_nothing_can_be_written_are_refused_before_the_work(tmp_path: Path, monkeypatch: Any) -> None:
    def never(*args: Any) -> None:
        raise AssertionError("the work was begun")

    monkeypatch.setattr(valvectl.api, "load", never)
    for option, place in (
        ("--csv", "."), ("--csv", ""), ("--csv", str(tmp_path)), ("--csv", str(tmp_path / "no" / "a.csv")),
        ("--figure", str(tmp_path / "no" / "a.svg")), ("--csv", str(tmp_path / ("x" * 300))),
    ):  # fmt: skip
        result = runner.invoke(app, ["ratio", str(HOVER), option, place])
        assert result.exit_code == 2, (option, place)
        assert "Invalid value" in result.stderr


def test_no_home_and_no_cache(tmp_path: Path) -> None:
    """The cache can only save time: where there is none, all goes on."""
    bare = {
        "HOME": "/nonexistent",
        "XDG_CACHE_HOME": "",
        "VALVECTL_CACHE": "/dev/null/x",
        "MPLCONFIGDIR": str(tmp_path),
    }
    done = started("resolution", str(HOVER), "--json", env=bare)
    assert done.returncode == 0, done.stderr
    json.loads(done.stdout)


def test_a_working_folder_that_is_gone(tmp_path: Path) -> None:
    gone = tmp_path / "gone"
    gone.mkdir()
    code = f"import os, sys; os.chdir({str(gone)!r}); os.rmdir({str(gone)!r}); sys.argv = ['valvectl', 'check', {str(HOVER)!r}]"
    done = subprocess.run(
        [sys.executable, "-c", f"{code}; from valvectl.cli import main; main()"],
        capture_output=True, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)}, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert "can not be written" in done.stderr
    assert "internal error" not in done.stderr


@pytest.mark.parametrize(
    "settings", [{"LC_ALL": "C", "PYTHONIOENCODING": "ascii"}, {"COLUMNS": "40"}, {"COLUMNS": "none"}]
)
def test_plain_and_narrow_terminals(settings: dict[str, str]) -> None:
    done = started("resolution", str(HOVER), env={"PYTHONUTF8": "0", **settings})
    assert done.returncode == 0, done.stderr
    assert done.stdout.isascii() or "LC_ALL" not in settings
    assert "\x1b" not in done.stdout


def test_two_runs_into_one_folder_at_once(tmp_path: Path, review: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both come to an end, the folder holds one whole review and nothing else."""
    code = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "import conftest\nfrom valvectl.review import folder\n"
        "folder.render = lambda review, drawn: '<!DOCTYPE html>' + 'x' * 2_000_000\n"
        "folder.groups_drawn = lambda review, two_cores, work: work()\n"
        f"for _ in range(20): folder.write_review(conftest.made_review(), {str(tmp_path / 'out')!r})\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    both = [subprocess.Popen([sys.executable, "-c", code], env=environment, stderr=subprocess.PIPE) for _ in range(2)]
    assert [p.communicate(timeout=300)[1] for p in both] == [b"", b""]
    assert [p.returncode for p in both] == [0, 0]
    monkeypatch.setattr(folder, "render", lambda review, drawn: "<!DOCTYPE html>" + "x" * 2_000_000)
    monkeypatch.setattr(folder, "groups_drawn", lambda review, two_cores, work: work())
    alone = folder.write_review(review, tmp_path / "alone")
    assert {p.name for p in (tmp_path / "out").iterdir()} == set(alone)
    for name, path in alone.items():
        assert (tmp_path / "out" / name).read_bytes() == path.read_bytes(), name
    assert {p.name for p in tmp_path.iterdir()} == {"out", "alone"}


def test_ctrl_c_while_libraries_load() -> None:
    code = (
        "import sys\n"
        "class Stop:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name == 'typer': raise KeyboardInterrupt\n"
        "sys.meta_path.insert(0, Stop())\n"
        "from valvectl.__main__ import start\n"
        "start()\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=False)
    assert done.returncode == 130
    assert done.stderr == ""


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_ctrl_c_leaves_whole_blocks_and_no_processes(jobs: str, tmp_path: Path) -> None:
    """Sent to all processes of the terminal, as a terminal does."""
    process = subprocess.Popen(
        [sys.executable, "-m", "valvectl", "disperse", str(HOVER), "--runs", "20000", "--steady", "--out", "runs", "--jobs",
         jobs],
        cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)}, preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )  # fmt: skip
    begun = time.monotonic()
    while not list(tmp_path.glob("runs/*.npy")) and time.monotonic() - begun < 240.0 and process.poll() is None:
        time.sleep(0.2)
    os.killpg(process.pid, signal.SIGINT)
    _, errors = process.communicate(timeout=120)
    assert process.returncode == 130, errors
    assert "Traceback" not in errors
    assert "--resume goes on with them" in errors
    assert all(re.fullmatch(r"manifest\.json|runs-\d+\.npy", p.name) for p in (tmp_path / "runs").iterdir())
    until = time.monotonic() + 10.0
    while time.monotonic() < until and alive(process.pid):  # a process that was ended may take a moment to be gone
        time.sleep(0.1)
    assert not alive(process.pid)


def alive(group: int) -> bool:
    """Whether a group still has a process."""
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


# ------------------------------------------------------------------------------------------------------- hostile names

HOSTILE = r"\u001b[31m[red]x\u202e <b>\u009b31m[/]\u2028\u007f"
UNSEEN = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff]")


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example with hostile names wherever a name may stand, and in the file's own."""
    text = HOVER.read_text(encoding="utf-8")
    for given in (
        'name = "hover rig, 2 kN, LOX and methanol (invented)"',
        'name = "filter"',
        'name = "planetary, as bought"',
    ):
        assert given in text
        text = text.replace(given, f'name = "{HOSTILE}"')
    text = re.sub(r'note = "[^"]*"', lambda found: f'note = "{HOSTILE}"', text)
    text += f'\n[[corners]]\nname = "{HOSTILE}"\nupper = ["legs.oxidizer.tank.pressure"]\n'
    path = tmp_path_factory.mktemp("hostile") / "a\x1b[31m\u202eb.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("verb", ["resolution", "torque", "ports", "gear", "timing", "model"])
@pytest.mark.parametrize("json_too", [False, True])
def test_hostile_names_do_not_reach_the_terminal(verb: str, json_too: bool, hostile: Path) -> None:
    more = ["--json"] if json_too else []
    result = runner.invoke(app, [verb, str(hostile), "--set", "name=\x1b[2J\u202e", *more])
    assert result.exit_code == 0, result.stderr
    assert not UNSEEN.search(result.stdout)
    assert not UNSEEN.search(result.stderr)


def test_the_review_of_hostile_names_keeps_them_apart_from_the_terminal(review: Any, tmp_path: Path) -> None:
    text = folder.json_text({"name": "a\x1b\x9b\u202e\u2028"})
    assert not UNSEEN.search(text.replace("\n", ""))
    assert json.loads(text) == {"name": "a\x1b\x9b\u202e\u2028"}


def test_errors_are_one_printable_line() -> None:
    fault = Fault("bad\nvalue\x1b[31m", key="a\u202eb", file="c\x9b.toml", got="\x07")
    assert str(fault).isprintable()
    result = runner.invoke(app, ["resolution", "no\x1b[31mthing\u202e.toml"])
    assert result.exit_code == 2
    assert not UNSEEN.search(result.stderr)


# ------------------------------------------------------------------------------------------------- too long to simulate


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ("legs.oxidizer.valve.inertia=1e-13 kg m^2", "legs.oxidizer.actuator.coupling_stiffness"),
        ("legs.fuel.controller.current_period=5 ns", "legs.fuel.controller.current_period"),
        ("simulation.record=1 us", "simulation.record"),
    ],
)
def test_a_run_that_would_take_hours_is_refused(change: str, key: str) -> None:
    more = [change] if "current" not in change else [change, "legs.fuel.controller.current_delay=2.5 ns"]
    with pytest.raises(DesignError) as caught:
        valvectl.api.load(HOVER, more)
    assert key in [fault.key for fault in caught.value.faults]
    assert "can not be simulated" in str(caught.value) or "records" in str(caught.value)


def test_every_run_is_held_to_its_steps() -> None:
    assert run_steps(1.0, 1e-3, 1e-5) == (100_000, 100)
    with pytest.raises(SimulationError, match="at most"):
        run_steps(2.0 * MOST_STEPS * 1e-5, 1.0, 1e-5)
    with pytest.raises(SimulationError, match="points"):
        run_steps(100.0, 1e-5, 1e-5)


# ------------------------------------------------------------------------------------------------------- all the verbs

NEITHER = {"new", "explain"}
"""Verbs that ask nothing of a design."""
SLOW = {
    "check",
    "hunting",
    "worst",
    "surge",
    "disturbance",
    "budget",
    "trim",
    "disperse",
    "ratio",
    "response",
    "loop",
} | {
    "compare",
    "drivers",
    "faults",
    "robust",
}
"""Verbs that have 80-column tests of their own or take more than some seconds."""


@pytest.mark.parametrize("verb", sorted(VERBS))
def test_help_has_an_example_and_fits(verb: str) -> None:
    result = runner.invoke(app, [verb, "--help"], env={"COLUMNS": "80"})
    assert result.exit_code == 0
    assert re.search(rf"Example:\s+valvectl {verb} ", result.stdout)
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    assert len(VERBS[verb].short_help) <= 60


@pytest.mark.parametrize("verb", sorted(VERBS))
def test_options_are_called_the_same_everywhere(verb: str) -> None:
    options = {name: o for o in VERBS[verb].params for name in o.opts if name.startswith("--")}
    arguments = [o.name for o in VERBS[verb].params if not o.opts[0].startswith("--")]
    if verb != "new":
        assert "--json" in options
    if "design" in arguments:
        assert "--set" in options
        assert options["--set"].multiple
    for name, option in options.items():
        assert option.help, (verb, name)
        assert name == name.lower()
        if name in ("--at", "--out", "--csv", "--figure", "--set"):
            words = {"--at": "PERCENT", "--out": "DIR", "--csv": "FILE", "--figure": "FILE", "--set": "KEY=VALUE"}
            assert option.metavar == words[name], (verb, name)
    assert "--throttle" not in options or "--at" in options


@pytest.fixture(scope="module")
def loaded() -> dict[str, Any]:
    return {str(path): valvectl.api.load(path) for path in (HOVER, SPRINT)}


@pytest.mark.parametrize("path", [HOVER, SPRINT], ids=lambda p: p.stem)
@pytest.mark.parametrize("verb", sorted(set(VERBS) - NEITHER - SLOW))
def test_tables_fit_80_columns_without_colour(
    verb: str, path: Path, loaded: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(valvectl.api, "load", lambda place, sets=(): loaded[str(place)])
    args = [verb, str(path)]
    if verb == "gas":
        args = ["gas", "nitrogen", "--inlet", "40 bar abs", "--outlet", "18 bar abs", "--kv", "0.1"]
    result = runner.invoke(app, args, env={"COLUMNS": "80", "NO_COLOR": "1"})
    assert result.exit_code in (0, 2), result.output
    assert "\x1b" not in result.output
    assert all(cell_len(line) <= 80 for line in result.stdout.splitlines())
    assert not re.search(r"\b(nan|inf|None)\b", result.stdout)
    if result.exit_code == 2:  # the example lacks what the verb asks about: one line says what to write
        assert len(result.stderr.strip().splitlines()) == 1
        assert re.search(r"\[?\w+[._]\w+", result.stderr)


def test_completion_of_verbs_options_and_keys() -> None:
    def completed(words: str, at: int) -> list[str]:
        given = {"_VALVECTL_COMPLETE": "complete_bash", "COMP_WORDS": words, "COMP_CWORD": str(at)}
        return started(env=given).stdout.split()

    assert completed("valvectl re", 1) == ["resolution", "response"]
    assert completed("valvectl ratio --leg ", 3) == ["oxidizer", "fuel"]
    assert completed("valvectl explain legs.fuel.valve.t", 2) == ["legs.fuel.valve.torque"]
    assert "_valvectl_completion" in started(env={"_VALVECTL_COMPLETE": "source_bash"}).stdout
    assert "--install-completion" in started("--help").stdout


def test_version_tells_the_environment() -> None:
    done = started("--version", env={"COLUMNS": "80"})
    assert done.returncode == 0
    assert all(word in done.stdout for word in ("valvectl ", "Python ", "numpy ", "scipy ", "numba "))
    assert max(len(line) for line in done.stdout.splitlines()) <= 80


def test_bounds_that_would_cross_are_held_at_each_other(tmp_path: Path) -> None:
    """A running efficiency of 95 % give or take 10 %: at most one, and at its lower bound no lower than the static one."""
    text = HOVER.read_text(encoding="utf-8")
    assert text.count("efficiency = 0.95\n") == 1
    path = tmp_path / "wide.toml"
    path.write_text(
        text.replace("efficiency = 0.95\n", 'efficiency = { value = 0.95, tolerance = "10 %" }\n'), encoding="utf-8"
    )
    design = valvectl.api.load(path)
    low, high = (adverse_design(design, sides)[0].legs.oxidizer.actuator.gears[1] for sides in (TORQUE, FRICTION_LOW))
    assert low.efficiency == low.static_efficiency == pytest.approx(0.855)
    assert (high.efficiency, high.static_efficiency) == (1.0, 0.88)


def test_tables_of_another_review_do_not_stay(tmp_path: Path, review: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folder, "render", lambda review, drawn: "<!DOCTYPE html>")
    monkeypatch.setattr(folder, "groups_drawn", lambda review, two_cores, work: work())
    place = tmp_path / "out"
    before = set(folder.write_review(review, place))
    (place / "notes.csv").write_text("mine")
    fewer = dataclasses.replace(review, studies={})
    after = set(folder.write_review(fewer, place))
    assert after < before
    assert {p.name for p in place.iterdir()} == after | {"notes.csv"}


# ------------------------------------------------------------------------------------------------------- empty names


def _called(command: Any) -> str:
    return command.name or command.callback.__name__


def _paths(verb: str) -> list[str]:
    """What a verb calls its files and folders: options by their first name, arguments by an empty one."""
    from typing import get_args, get_type_hints

    (command,) = (c.callback for c in app.registered_commands if c.callback is not None and _called(c) == verb)
    found = []
    for hint in get_type_hints(command, include_extras=True).values():
        if hasattr(hint, "__metadata__"):
            inner, info = get_args(hint)[:2]
            if Path in (inner, *get_args(inner)):
                names = [getattr(info, "default", ""), *(getattr(info, "param_decls", None) or ())]
                found.append(next((n for n in names if str(n).startswith("--")), ""))
    return found


@pytest.mark.parametrize("verb", sorted(_called(c) for c in app.registered_commands))
@pytest.mark.parametrize("empty", ["", " "])
def test_an_empty_name_is_refused_before_anything_is_done(
    verb: str, empty: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for option in _paths(verb):
        words = [verb, str(HOVER), option, empty] if option else [verb, empty, empty]
        result = runner.invoke(app, words)
        assert result.exit_code == 2, words
        assert "the name is empty" in " ".join(result.stderr.replace("│", " ").split()), (words, result.stderr)
        assert not list(tmp_path.iterdir())


def test_every_verb_with_a_design_has_a_name_to_refuse() -> None:
    assert "" in _paths("check")
    assert "--out" in _paths("check")
    assert _paths("explain") == []
