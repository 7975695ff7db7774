"""The guide: nothing in it leads nowhere, all verbs, keys, rows and outside checks are in it, and the verb that opens it."""

from __future__ import annotations

import itertools
import json
import re
import sys
import webbrowser
from html import unescape
from pathlib import Path

import html5lib
import pytest
import typer
from typer.testing import CliRunner

import valvectl
from valvectl import cli, cli_guide
from valvectl.design.keys import ROOT, Spec
from valvectl.guide import build as guide_build
from valvectl.guide import markup, reference
from valvectl.guide.pages import GROUPS, all_pages, page_of_verb, read

RUN = CliRunner()
ROOT_FOLDER = Path(__file__).parents[2]
VERBS = sorted(typer.main.get_command(cli.app).commands)  # type: ignore[attr-defined]


@pytest.fixture(scope="module")
def built() -> guide_build.Built:
    """The guide with its example commands held against the command line."""
    return guide_build.build(lambda line: cli_guide.command_fault(cli.app, line))


def leaves(spec: Spec = ROOT, at: str = "") -> list[str]:
    """Every key of the schema that is no table, gathered apart from the reference."""
    out = []
    for name, child in spec.children.items():
        key = f"{at}.{name}" if at else name
        out += leaves(child, key) if child.children else [key]
    return out


def page(built: guide_build.Built, name: str) -> str:
    return built.files[f"{name}.html"].decode()


# --------------------------------------------------------------------------------------------------- what is in it


def test_nothing_in_it_leads_nowhere(built: guide_build.Built) -> None:
    assert built.warnings == []


def test_pages_are_the_sources() -> None:
    there = {path.stem for path in (ROOT_FOLDER / "valvectl" / "guide").glob("*.md")}
    assert there == set(all_pages())
    assert len([name for _, names in GROUPS for name in names]) == len(there) - 1


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_has_a_page_with_its_command(verb: str) -> None:
    name = page_of_verb(verb)
    assert name is not None
    assert f"valvectl {verb}" in all_pages()[name].source or name == "index"


@pytest.mark.parametrize(
    "verb", [verb for verb in VERBS if page_of_verb(verb) == verb and verb not in ("check", "compare")]
)
def test_every_study_has_its_sections(verb: str) -> None:
    source = all_pages()[verb].source
    for heading in (
        "Theory",
        "Inputs that matter",
        "How to read the result",
        "Limits, and what to distrust",
        "Example",
    ):
        assert f"\n## {heading}\n" in source


def test_every_key_of_a_design_file_is_in_the_reference(built: guide_build.Built) -> None:
    text = page(built, "design-file")
    anchors = set(re.findall(r'<tr id="([^"]+)"', text))
    wanted = {re.sub(r"^legs\.(oxidizer|fuel)\.", "legs.X.", key) for key in leaves()}
    assert anchors == wanted == set(reference.keys())
    assert ROOT.children["legs"].children["fuel"].table is ROOT.children["legs"].children["oxidizer"].table
    for key in ("legs.X.actuator.gears.ratio", "engine.thrust"):
        row = re.search(rf'<tr id="{re.escape(key)}">.*?</tr>', text)
        assert row
        assert "required" in row.group(0)


def test_every_row_of_check_is_named(built: guide_build.Built) -> None:
    text = page(built, "check")
    assert [n for n in ROOT.children["requirements"].children if f">{n}</code>" not in text] == []


def test_validation_page_lists_every_outside_check_with_its_source(built: guide_build.Built) -> None:
    subjects, rows = reference.outside_rows()
    assert len(rows) > 1500
    for row in rows:
        assert row["certainty"] in reference.CERTAINTIES
        assert len(row["source"]) > 5
        assert row["what"]
        assert row["file"] in subjects
        allowed = row["tolerance"] if row["absolute"] else row["tolerance"] * abs(row["expected"])
        assert abs(row["got"] - row["expected"]) <= allowed * (1 + 1e-6) + 1e-8 * abs(row["got"])
    text = page(built, "validation")
    assert text.count("<tr><td>") == len(rows) + len(subjects) + 1
    for row in rows[:: len(rows) // 50]:
        assert row["source"] in unescape(text)


def test_pages_stand_by_themselves(built: guide_build.Built) -> None:
    for name, content in built.files.items():
        if not name.endswith(".html"):
            continue
        text = content.decode()
        assert text.startswith('<!DOCTYPE html>\n<html lang="en">')
        assert text.count("<h1") == 1
        assert "<script" not in text
        targets = re.findall(r'(?:href|src)="([^"]*)"', text)
        for target in targets:
            file = target.partition("#")[0]
            assert not file or file in built.files, f"{name}: {target}"
        assert len(re.findall(r'id="([^"]+)"', text)) == len(set(re.findall(r'id="([^"]+)"', text))), name
        levels = [int(n) for n in re.findall(r"<h([1-6])[ >]", text)]
        assert all(b <= a + 1 for a, b in itertools.pairwise(levels)), name


def test_pages_are_strict_html(built: guide_build.Built) -> None:
    for name in (n for n in built.files if n.endswith(".html")):
        parser = html5lib.HTMLParser()
        parser.parse(built.files[name].decode())
        assert parser.errors == [], name


def test_pictures_come_from_the_script_and_are_small(built: guide_build.Built) -> None:
    script = (ROOT_FOLDER / ".ci" / "guide-images").read_text(encoding="utf-8")
    drawn = set(re.findall(r"draw ([a-z-]+) ", script))
    folder = ROOT_FOLDER / "valvectl" / "guide" / "images"
    for path in folder.iterdir():
        assert path.stat().st_size < 200_000, path.name
        assert path.stem in drawn or path.stem.rsplit("-", 1)[0] in drawn, path.name
        assert f"images/{path.name}" in built.files, f"{path.name} is on no page"


def test_first_engine_page_is_right_about_its_miss(tmp_path: Path) -> None:
    """The page has the reader raise the cold factor and mend it with current: what it prints is what the program says."""
    text = " ".join(read("start.md").split())
    assert RUN.invoke(cli.app, ["new", str(tmp_path / "my-engine.toml")]).exit_code == 0
    cold = valvectl.load(tmp_path / "my-engine.toml").with_values({"legs.oxidizer.valve.torque.cold_factor": 2.2})
    assert "cold_factor=2.2" in text
    review = cold.check()
    assert f"{len(review.rows)} met, 0 missed, 0 not assessed." in text
    (missed,) = [r for r in review.rows if r.verdict != "met"]
    assert (missed.id, missed.leg) == ("torque_margin", "oxidizer")
    assert f"missed: {missed.title}, oxidizer leg case: {missed.case}" in text
    (remedy,) = review.remedies
    assert f"to mend it: {remedy.text}" in text
    assert f"{missed.value:.2f} >= 100 %" in " ".join(read("check.md").split())
    mended = cold.with_values({"legs.oxidizer.actuator.current_limit": 11.3})
    assert "current_limit=11.3 A" in text
    assert mended.torque("oxidizer").margin > 1.0


# ------------------------------------------------------------------------------------------- what it warns about


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("# A\n\n$\\nosuchthing{x}$", "unknown command"),
        ("# A\n\n$$\\frac{1$$", "brackets"),
        ("# A\n\n![a picture](images/no-such.svg)", "missing"),
        ("# A\n\n![](images/throttle.svg)", "no text that stands for it"),
        ("# A\n\n[away](https://example.org)", "leads out of the guide"),
        ("# A\n\n`legs.fuel.valve.no_such_key`", "no such key"),
        ("# A\n\n`valvectl nosuchverb`", "no page tells"),
        ("# A\n\n### B", "skips a level"),
        ("# A\n\n## B\n\n## B", "two headings"),
    ],
)
def test_what_would_trip_a_reader_is_found(text: str, word: str) -> None:
    assert any(word in warning for warning in markup.render("a", text).warnings)


def test_dead_links_and_wrong_commands_are_found() -> None:
    body = markup.render("start", "# A\n\n[x](nopage.md) [y](torque.md#nowhere) `valvectl torque` `engine.thrust`")
    bodies = {
        "start": body,
        "torque": markup.render("torque", "# T"),
        "design-file": markup.render("design-file", "# D"),
    }
    found = guide_build._faults(bodies, lambda line: "wrong" if "torque" in line else None)
    assert len(found) == 4


@pytest.mark.parametrize(
    ("line", "fine"),
    [
        ("valvectl torque a.toml --leg fuel", True),
        ("valvectl torque --help", True),
        ("valvectl torque", True),
        ("valvectl torque a.toml --no-such", False),
        ("valvectl torque a.toml --leg middle", False),
        ("valvectl nosuch a.toml", False),
        ('valvectl torque "a.toml', False),
    ],
)
def test_example_commands_are_parsed(line: str, fine: bool) -> None:
    assert (cli_guide.command_fault(cli.app, line) is None) is fine


def test_keys_and_commands_become_links() -> None:
    html = markup.render(
        "a", "# A\n\n`valve.bore` `gears[0].ratio` `gain_margin` `valvectl torque x.toml` `review.json`"
    ).html
    for target in (
        "design-file.html#legs.X.valve.bore",
        "design-file.html#legs.X.actuator.gears.ratio",
        "design-file.html#requirements.gain_margin",
        "torque.html",
    ):
        assert f'href="{target}"' in html
    assert "<code>review.json</code>" in html


def test_markup_of_others_is_shown_as_text() -> None:
    assert "<script" not in markup.render("a", "# A\n\n<script>alert(1)</script>").html


# --------------------------------------------------------------------------------------------------------- the verb


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "cache"
    monkeypatch.setenv("VALVECTL_CACHE", str(folder))
    monkeypatch.setattr(webbrowser, "open", lambda *a: pytest.fail("a browser was opened"))
    return folder


def test_guide_is_kept_in_the_cache_and_found_again(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (cache / "guide-old").mkdir(parents=True)
    first = RUN.invoke(cli.app, ["guide", "torque"])
    assert first.exit_code == 0
    path = Path(first.stdout.strip())
    assert path.name == "torque.html"
    assert path.is_file()
    assert path.with_name("style.css").is_file()
    assert not (cache / "guide-old").exists()
    assert [p for p in cache.iterdir() if p.name.startswith(".")] == []
    monkeypatch.setattr(guide_build, "build", lambda: pytest.fail("made again"))
    assert Path(RUN.invoke(cli.app, ["guide", "new"]).stdout.strip()) == path.with_name("start.html")


def test_cache_that_can_not_be_written_is_replaced(
    cache: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cache.write_text("a file where the folder should be", encoding="utf-8")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    done = RUN.invoke(cli.app, ["guide"])
    assert done.exit_code == 0
    path = Path(done.stdout.strip())
    assert path.is_file()
    assert path.parent.parent == tmp_path
    monkeypatch.setattr("tempfile.mkdtemp", lambda prefix: (_ for _ in ()).throw(OSError(30, "Read-only file system")))
    done = RUN.invoke(cli.app, ["guide"])
    assert done.exit_code == 2
    assert "--out" in done.output


def test_unknown_topic_names_the_nearest(cache: Path) -> None:
    done = RUN.invoke(cli.app, ["guide", "torqe"])
    assert done.exit_code == 2
    assert "did you mean 'torque'?" in done.output
    assert "there are: start" in RUN.invoke(cli.app, ["guide", "zzzzzzzz"]).output
    assert not cache.exists()


def test_lists_and_json(cache: Path) -> None:
    listed = RUN.invoke(cli.app, ["guide", "--topics"]).stdout
    assert "hunting" in listed
    assert max(len(line) for line in listed.splitlines()) <= 80
    content = json.loads(RUN.invoke(cli.app, ["guide", "--json"]).stdout)
    assert {row["name"] for row in content["pages"]} == set(all_pages())
    assert all(Path(row["file"]).is_file() for row in content["pages"])


def test_out_writes_a_folder_and_leaves_others_files(cache: Path, tmp_path: Path) -> None:
    mine = tmp_path / "guide"
    mine.mkdir()
    (mine / "notes.txt").write_text("mine", encoding="utf-8")
    for _ in range(2):
        done = RUN.invoke(cli.app, ["guide", "--out", str(mine)])
        assert done.exit_code == 0
        assert Path(done.stdout.strip()) == mine / "index.html"
    assert (mine / "notes.txt").read_text(encoding="utf-8") == "mine"
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "index.html").write_text("somebody's page", encoding="utf-8")
    done = RUN.invoke(cli.app, ["guide", "--out", str(tmp_path / "site")])
    assert done.exit_code == 2
    assert "is not replaced" in done.output
    assert (tmp_path / "site" / "index.html").read_text(encoding="utf-8") == "somebody's page"
    done = RUN.invoke(cli.app, ["guide", "--out", str(mine / "notes.txt")])
    assert done.exit_code == 2
    assert "is a file" in done.output


def test_browser_opens_only_where_somebody_sees_it(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal:
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdout", Terminal())
    monkeypatch.setattr(sys, "platform", "linux")
    for name in ("DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    assert not cli_guide._has_screen()
    monkeypatch.setenv("WAYLAND_DISPLAY", "wayland-0")
    assert cli_guide._has_screen()
