"""The page of a whole review: a strict HTML parser, hostile texts, and, where there is a browser, accessibility and print.

The last two need Chromium (``chromium`` on the path) and, for accessibility, a copy of axe-core: ``pip install --no-deps
axe-playwright-python``, or ``VALVECTL_AXE`` with the name of an ``axe.min.js``. Without them they are skipped and say why.
"""

from __future__ import annotations

import dataclasses
import html
import importlib.util
import itertools
import json
import os
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import html5lib
import numpy as np
import pytest
from matplotlib.ticker import FixedFormatter

import valvectl
from valvectl.design.load import read_design
from valvectl.review import figure_style
from valvectl.review.folder import json_of, json_text, write_review
from valvectl.review.inputs import InputLine, input_lines
from valvectl.review.report import render
from valvectl.review.verdict import Review

DESIGNS = Path(__file__).parents[2] / "designs"
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
needs_browser = pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")
WAIT = 240
"""Patience with the browser on a busy machine [s]."""


DRAWN: dict[str, Any] = {}
"""Figures of that page by name, as they were when they were set into it."""
REVIEWS: list[Review] = []
"""The review that the page shows."""


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of an example, as ``check`` writes it."""
    place = tmp_path_factory.mktemp("page") / "review.html"
    whole = figure_style.svg_text

    def keep(figure: Any, prefix: str, label: str = "") -> str:
        DRAWN[prefix] = figure
        return whole(figure, prefix, label)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(figure_style, "svg_text", keep)
        REVIEWS.append(valvectl.load(DESIGNS / "hover-rig.toml").check())
        place.write_text(render(REVIEWS[0]), encoding="utf-8")
    return place


def parsed(text: str) -> None:
    """Raises at the first thing that is not to the HTML standard."""
    html5lib.HTMLParser(strict=True).parse(text)


def test_the_whole_page_passes_a_strict_parser(page: Path) -> None:
    parsed(page.read_text(encoding="utf-8"))


def test_every_figure_and_table_has_a_name_and_headings_do_not_skip(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    labels = re.findall(r'<svg [^>]*role="img" aria-label="([^"]*)"', text)
    assert len(labels) == text.count("<svg ") > 20
    assert all(labels)
    assert len(set(labels)) == len(labels)
    levels = [int(level) for level in re.findall(r"<h([1-6])[ >]", text)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    assert "<th>" not in text  # every head says whether it heads a column or a row


def test_two_cores_find_and_draw_the_same(page: Path, tmp_path: Path) -> None:
    other = valvectl.load(DESIGNS / "hover-rig.toml").check(two_cores=True)
    other = dataclasses.replace(other, date=REVIEWS[0].date)
    assert json_text(json_of(other)) == json_text(json_of(REVIEWS[0]))
    written = write_review(other, tmp_path / "review", two_cores=True)
    assert written["review.html"].read_text(encoding="utf-8") == page.read_text(encoding="utf-8")


def test_every_figure_of_the_page_names_its_units_and_holds_data(page: Path) -> None:
    assert len(DRAWN) > 20
    for name, figure in DRAWN.items():
        assert any(ax.get_xlabel() for ax in figure.axes), name
        for ax in figure.axes:
            for axis, said in ((ax.xaxis, ax.get_xlabel()), (ax.yaxis, ax.get_ylabel())):
                named = isinstance(axis.get_major_formatter(), FixedFormatter)  # rows with names in place of numbers
                assert not said or named or re.search(r"\[[^\]]+\]", said), f"{name}: {said}"
            held = [np.asarray(line.get_xydata(), dtype=float) for line in ax.lines]
            finite = any(np.isfinite(xy).all(axis=1).any() for xy in held if xy.size)
            assert finite or ax.patches or ax.collections or ax.texts, name


def test_the_cover_counts_the_inputs_and_the_appendix_lists_them(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    cover = text[: text.index('id="verdicts"')]
    design = read_design(DESIGNS / "hover-rig.toml")
    assumed = sum(i.origin == "assumed" for i in design.inputs.values())
    assert assumed > 0
    assert f"{assumed} assumed" in cover
    assert f"{len(design.defaults_used)} defaults in force" in cover
    listed = text[text.index('id="inputs"') : text.index('id="defaults"')].replace("<wbr>", "")
    for key, item in design.inputs.items():
        assert f">{key}</td>" in listed
        if item.tolerance_text:
            assert f"± {html.escape(item.tolerance_text)}" in listed


HOSTILE = [
    "<script>alert(1)</script><img src=x onerror=alert(1)>",
    "\"quoted\" 'twice' & &amp; </title></style></svg>",
    "right to left \u202e gnp.exe \u2066 and back",
    "control \x1b[31m \x07 \x9b31m",
    "x" * 3000,
    "{{ 7 * 7 }} {% raw %}",
    "مرحبا עברית 推力 🚀",
]


@pytest.mark.parametrize("text", HOSTILE, ids=[t[:12].encode("ascii", "replace").decode() for t in HOSTILE])
def test_hostile_texts_are_shown_and_do_nothing(text: str, review_with: Callable[..., Review]) -> None:
    line = InputLine("name", text, text, "", None, False, text, "not stated", text, text)
    page = render(review_with(design=text, note=text, file=text, assumed=(text,), warnings=(text,), inputs=(line,)))
    parsed(page)
    assert "<script" not in page
    assert "<img" not in page
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", page)
    heading = re.search(r"<h1><bdi>(.*?)</bdi></h1>", page, re.S)
    assert heading is not None
    assert html.unescape(heading.group(1)) == re.sub(
        "[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", lambda m: f"\\u{ord(m.group(0)):04x}", text
    )


def test_inputs_of_an_example_are_listed_under_their_table(review_with: Callable[..., Review]) -> None:
    lines = input_lines(read_design(DESIGNS / "sprint-stand.toml"))
    page = render(review_with(inputs=lines, studies={}))
    for table in ("engine", "legs.oxidizer", "legs.fuel", "battery", "throttle"):
        assert f"<caption>{table}</caption>" in page


# ----------------------------------------------------------------------------------------------------- with a browser


def browse(*options: str) -> str:
    assert BROWSER is not None
    fixed = ("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking")
    done = subprocess.run([BROWSER, *fixed, *options], capture_output=True, text=True, timeout=WAIT, check=False)
    return done.stdout


def axe() -> Path | None:
    """A copy of axe-core, if there is one."""
    if os.environ.get("VALVECTL_AXE"):
        return Path(os.environ["VALVECTL_AXE"])
    for name in ("axe_playwright_python", "axe_core_python"):
        spec = importlib.util.find_spec(name)
        for folder in (spec.submodule_search_locations or ()) if spec is not None else ():
            found = next(Path(folder).rglob("axe.min.js"), None)
            if found is not None:
                return found
    return None


RUN_AXE = """
axe.run(document, {resultTypes: ["violations"]}).then(found => {
  const said = document.createElement("pre");
  said.id = "said";
  said.textContent = JSON.stringify(found.violations.map(v => [v.id, v.impact, v.nodes.map(n => n.html.slice(0, 200))]));
  document.body.appendChild(said);
});
"""


@needs_browser
@pytest.mark.timeout(WAIT + 60)
@pytest.mark.parametrize("width", [500, 1280])
def test_no_serious_finding_of_an_accessibility_checker(page: Path, width: int, tmp_path: Path) -> None:
    script = axe()
    if script is None:
        pytest.skip("no axe-core: pip install --no-deps axe-playwright-python, or VALVECTL_AXE")
    code = script.read_text(encoding="utf-8").replace("</script", "<\\/script")
    text = page.read_text(encoding="utf-8")
    place = tmp_path / "with-axe.html"
    place.write_text(
        text.replace("</body>", f"<script>{code}</script><script>{RUN_AXE}</script></body>"), encoding="utf-8"
    )
    shown = browse("--virtual-time-budget=60000", f"--window-size={width},900", "--dump-dom", place.as_uri())
    said = re.search(r'<pre id="said">(.*?)</pre>', shown, re.S)
    assert said is not None, "the checker did not answer"
    findings = json.loads(html.unescape(said.group(1)))
    assert [f for f in findings if f[1] in ("serious", "critical", "moderate")] == []


@needs_browser
@pytest.mark.timeout(WAIT + 60)
def test_it_prints_to_a4(page: Path, tmp_path: Path) -> None:
    printed = tmp_path / "review.pdf"
    browse("--no-pdf-header-footer", f"--print-to-pdf={printed}", page.as_uri())
    boxes = re.findall(rb"/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]", printed.read_bytes())
    assert len(boxes) > 10
    for box in boxes:
        wide, high = (float(x) for x in box)
        assert wide == pytest.approx(595.3, abs=1.0)
        assert high == pytest.approx(841.9, abs=1.0)
