"""The pages of the guide in their order, by group. A page's title is the first heading of its Markdown source."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from importlib import resources

GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Begin here", ("start", "check", "compare", "workflow", "limits")),
    ("The valve", ("ports", "resolution", "gas")),
    ("The actuator", ("torque", "ratio", "motors", "gear", "heat", "power", "power-loss")),
    ("The servo loop", ("loop", "tuning", "timing", "response", "hunting")),
    ("The engine", ("throttle", "model", "trim", "faults", "stability", "surge", "disturbance")),
    ("Tolerances", ("budget", "worst", "disperse", "drivers", "robust")),
    ("Look up", ("design-file", "nomenclature", "flow-coefficients", "review-json", "python", "validation")),
)
"""Group and the names of its pages; ``NAME.md`` is the source."""

VERBS = {
    "new": "start",
    "explain": "design-file",
    "guide": "index",
    "purge": "gas",
}
"""Verbs of the command line that have no page of their own name, and the page that tells of them."""


@dataclass(frozen=True)
class Page:
    """One page."""

    name: str
    """Its topic, as ``valvectl guide TOPIC`` takes it."""
    title: str
    """First heading."""
    group: str
    """Group in the contents; empty for the contents themselves."""
    source: str
    """Markdown."""


def read(name: str) -> str:
    """Text of a file of the guide."""
    return resources.files("valvectl.guide").joinpath(name).read_text(encoding="utf-8")


def _page(name: str, group: str) -> Page:
    source = read(f"{name}.md")
    found = re.search(r"^# (.+)$", source, re.MULTILINE)
    return Page(name, found.group(1).strip() if found else name, group, source)


@cache
def all_pages() -> dict[str, Page]:
    """Every page by its name, the contents first."""
    pages = [_page("index", "")]
    pages += [_page(name, group) for group, names in GROUPS for name in names]
    return {page.name: page for page in pages}


def page_of_verb(verb: str) -> str | None:
    """The page that tells of a verb; None when there is none."""
    name = VERBS.get(verb, verb)
    return name if name in all_pages() else None
