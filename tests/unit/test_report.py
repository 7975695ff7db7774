"""The report: well-formed, self-contained, escaped, honest about what does not exist."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from html.parser import HTMLParser

import pytest

from valvectl.review import wording
from valvectl.review.report import render
from valvectl.review.verdict import Review, row

VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


class Page(HTMLParser):
    """Checks that tags close in order and gathers what the page holds."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.faults: list[str] = []
        self.tags: dict[str, int] = {}
        self.ids: list[str] = []
        self.links: list[str] = []
        self.sources: list[str] = []
        self.headings: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] = self.tags.get(tag, 0) + 1
        for key, value in attrs:
            if key == "id":
                self.ids.append(value or "")
            if key in ("href", "xlink:href"):
                self.links.append(value or "")
            if key in ("src", "srcset", "data", "action", "poster") or key.startswith("on"):
                self.sources.append(f"{key}={value}")
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1] != tag:
            self.faults.append(f"</{tag}> while {self.open[-3:]} are open")
        else:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "h2":
            self.headings.append(data)
        if not self.open or self.open[-1] not in ("style", "title"):
            self.text.append(data)


@pytest.fixture(scope="module")
def html(review: Review) -> str:
    return render(review)


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    parsed = Page()
    parsed.feed(html)
    parsed.close()
    return parsed


def test_tags_are_balanced_and_ids_unique(page: Page) -> None:
    assert page.faults == []
    assert page.open == []
    assert len(page.ids) == len(set(page.ids))


def test_links_lead_to_places_on_the_page(page: Page) -> None:
    assert page.links
    for link in page.links:
        assert link.startswith("#")
        assert link[1:] in page.ids


def test_needs_no_network_and_no_script(html: str, page: Page) -> None:
    assert page.sources == []
    for tag in ("script", "link", "iframe", "img", "object", "base", "form"):
        assert tag not in page.tags
    assert "@import" not in html
    assert not re.search(r"url\((?!#)", html)
    addresses = set(re.findall(r"https?://[^\s\"'<]+", html))
    assert addresses <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}  # names, not places


def test_texts_of_the_design_are_escaped(html: str, page: Page) -> None:
    assert "<script" not in html
    assert "<img" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; «Prüfstand» 推力" in html
    assert "<script>alert(1)</script> & «Prüfstand» 推力" in "".join(page.text)
    assert "Widen &lt;it&gt;." in html


def test_sections_come_in_their_order(page: Page) -> None:
    assert page.headings == [
        "Verdicts",
        "What would mend it",
        "Assumptions and defaults",
        "Mixture ratio in the throttle",
        "Position loop",
        "Gear ratio",
        "Flow resolution",
        "Pressure ladder",
        "Torque, stroke and heat",
        "Spread of tolerances",
        "Margins and gains",
        "The controller, as difference equations",
        "Methods and their validity",
        "Sources and versions",
        "Defaults in force",
    ]
    assert page.tags["svg"] == 14
    assert page.tags["figure"] == page.tags["figcaption"] == 14


def test_verdict_and_caution_stand_at_the_top(html: str) -> None:
    top = html[: html.index('id="verdicts"')]
    assert "The analysis does not pass." in top
    assert "3 met, 2 missed, 2 not assessed" in top
    assert "An analysis that passes is not permission to operate." in top


def test_a_review_without_misses_passes(review: Review, review_with: Callable[..., Review]) -> None:
    met = tuple(r for r in review.rows if r.verdict == "met")
    text = render(review_with(rows=met, remedies=(), studies={}, defaults_used=(), assumed=(), warnings=()))
    assert "The analysis passes." in text
    assert "3 met, 0 missed, 0 not assessed" in text
    assert "What would mend it" not in text


def test_not_assessed_is_not_a_pass(review: Review, review_with: Callable[..., Review]) -> None:
    rows = tuple(r for r in review.rows if r.verdict != "missed")
    text = render(review_with(rows=rows, remedies=(), studies={}))
    assert "The analysis does not pass." in text


def test_numbers_that_do_not_exist_are_words(page: Page) -> None:
    text = " ".join(page.text)
    assert not re.search(r"(?<![A-Za-z])(nan|inf|NaN|Infinity|None)(?![A-Za-z])", text)
    assert "does not settle" in text
    assert "no steady temperature" in text
    assert "does not arrive" in text
    assert "does not follow" in text


def test_controller_has_the_periods_and_gains(html: str) -> None:
    part = html[html.index('id="controller"') : html.index('id="methods"')]
    for piece in ("1 ms", "0.5 ms", "50 µs", "152.5", "7.8", "111.3", "6.58", "941"):
        assert f">{piece}</td>" in part
    assert "exp(−" in part


def test_the_same_review_gives_the_same_page(review: Review, html: str) -> None:
    assert render(review) == html


def test_defaults_assumed_inputs_versions_and_hash_are_listed(page: Page) -> None:
    text = "".join(page.text)  # keys may be broken after their dots
    for piece in ("simulation.step", "0.02 ms", "engine.thrust", "lines are rigid columns", "numpy 2", "ab" * 32):
        assert piece in text


# --------------------------------------------------------------------------------------------------------- wording


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (-0.0, "0"),
        (1234.6, "1235"),
        (123456.0, "123456"),
        (0.00012345, "0.0001234"),
        (0.000012345, "0.000012345"),
        (3.0, "3"),
        (math.nan, "none"),
        (math.inf, "none"),
        (None, "none"),
    ],
)
def test_number(value: float | None, text: str) -> None:
    assert wording.number(value) == text


def found(value: float | None, limit: float = 0.5, unit: str = "%", id_: str = "flow_resolution") -> str:
    return wording.found(row(id_, None, "t", value, "<=", limit, unit, "c", "m", False))


def test_a_missed_value_never_looks_like_its_limit() -> None:
    assert found(0.50000004) == "0.50000004"
    assert found(0.5) == "0.5"
    assert found(0.7123456) == "0.7123"


def test_found_in_words() -> None:
    assert found(math.inf, id_="step_settling") == "does not settle"
    assert found(math.inf, id_="stroke_time") == "does not arrive"
    assert found(None) == "none"
    assert found(math.nan) == "none"


def test_margin_in_words() -> None:
    def margin(value: float | None, limit: float = 0.5) -> str:
        return wording.margin(row("x", None, "t", value, "<=", limit, "%", "c", "m", False))

    assert margin(0.25) == "+50 %"
    assert margin(0.52) == "-4.0 %"
    assert margin(0.5) == "0 %"
    assert margin(0.50000004) == "< 0 %"
    assert margin(None) == "none"
    assert margin(math.inf) == "none"
    assert margin(100.0) == "< -999 %"
    assert margin(-1.0, 0.0) == "no limit"
