"""Markdown of the guide to HTML: formulas as MathML, links between pages, keys and commands that lead to where they are told.

Everything that a reader would trip over comes back as a warning: links and headings that are not there, formulas that can not
be set, pictures that are missing, commands and keys that the program does not have.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from html import escape
from importlib import resources
from typing import Any

from markdown_it import MarkdownIt
from markdown_it.token import Token
from mdit_py_plugins.deflist import deflist_plugin
from mdit_py_plugins.dollarmath import dollarmath_plugin

from valvectl.guide.keys_named import full_key, looks_like_key
from valvectl.guide.pages import page_of_verb

_COMMAND = re.compile(r"^valvectl ([a-z-]+)(?: |$)")


@dataclass
class Rendered:
    """A page's body."""

    html: str
    """Body, from the first heading on."""
    headings: list[tuple[int, str, str]] = field(default_factory=list)
    """Level, anchor and text of each heading."""
    links: list[tuple[str, str]] = field(default_factory=list)
    """Page and anchor (or an empty text) of each link inside the guide."""
    images: list[str] = field(default_factory=list)
    """Pictures used."""
    commands: list[str] = field(default_factory=list)
    """Example commands, whole lines."""
    warnings: list[str] = field(default_factory=list)
    """What is wrong, without the page's name."""


def slug(text: str) -> str:
    """Anchor of a heading."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "section"


def formula(tex: str, display: bool) -> str:
    """A formula as MathML. Raises ``ValueError`` when a command is unknown or brackets do not match."""
    from latex2mathml.converter import convert

    bare = tex.replace("\\{", "").replace("\\}", "")
    if bare.count("{") != bare.count("}") or tex.count("\\left") != tex.count("\\right"):
        raise ValueError("brackets do not match")  # the library would set it somehow
    try:
        text = convert(tex, display="block" if display else "inline")
    except Exception as error:  # the library has many errors, some of them bare IndexErrors
        raise ValueError(f"{type(error).__name__} {error}".strip()) from None
    unknown = re.search(r"\\[A-Za-z]+", text)
    if unknown:
        raise ValueError(f"unknown command {unknown.group(0)}")
    return str(text)


class _Page:
    """Renderer of one page, with what it finds on the way."""

    def __init__(self, verb_pages: Callable[[str], str | None]) -> None:
        self.found = Rendered("")
        self.verb_page = verb_pages
        self.md = MarkdownIt("commonmark", {"html": False, "typographer": False}).enable("table")
        self.md.use(dollarmath_plugin, allow_space=False, double_inline=False, renderer=self._math)
        self.md.use(deflist_plugin)
        for name in (
            "code_inline",
            "fence",
            "code_block",
            "image",
            "link_open",
            "table_open",
            "table_close",
            "text_code",
            "math_block",
        ):
            self.md.renderer.rules[name] = getattr(self, f"_{name}")  # type: ignore[attr-defined]

    def _math(self, tex: str, options: dict[str, Any]) -> str:
        display = bool(options.get("display_mode"))
        try:
            return formula(tex.strip(), display)
        except ValueError as error:
            self.found.warnings.append(f"formula {tex.strip()!r}: {error}")
            return f"<code>{escape(tex)}</code>"

    def _code_inline(self, tokens: Sequence[Token], i: int, options: Any, env: Any) -> str:
        text = tokens[i].content
        code = f"<code>{escape(text)}</code>"
        command = _COMMAND.match(text)
        if command:
            self.found.commands.append(text)
            page = self.verb_page(command.group(1))
            if page is None:
                self.found.warnings.append(f"`{text}`: no page tells of this verb")
                return code
            return self._to(page, "", code)
        key = full_key(text)
        if key is not None and ("." in text or key.startswith("requirements.")):
            return self._to("design-file", key, code)
        if looks_like_key(text):
            self.found.warnings.append(f"`{text}`: the design file has no such key")
        return code

    def _text_code(self, tokens: Sequence[Token], i: int, options: Any, env: Any) -> str:
        return f"<code>{escape(tokens[i].content)}</code>"

    def _to(self, page: str, anchor: str, inner: str) -> str:
        self.found.links.append((page, anchor))
        return f'<a class="quiet" href="{page}.html{"#" + escape(anchor) if anchor else ""}">{inner}</a>'

    def _fence(self, tokens: Sequence[Token], i: int, options: Any, env: Any) -> str:
        text = tokens[i].content
        for line in text.splitlines():
            bare = line.split("  #", 1)[0].strip().removeprefix("$ ")
            if bare.startswith("valvectl "):
                self.found.commands.append(bare)
        return f'<pre tabindex="0"><code>{escape(text)}</code></pre>\n'

    _code_block = _fence

    def _math_block(self, tokens: Sequence[Token], i: int, options: Any, env: Any) -> str:
        return f'<div class="math" tabindex="0">{self._math(tokens[i].content, {"display_mode": True})}</div>\n'

    def _image(self, tokens: Sequence[Token], i: int, options: Any, env: Any) -> str:
        place = str(tokens[i].attrs.get("src", ""))
        name = place.removeprefix("images/")
        alt = tokens[i].content
        caption = str(tokens[i].attrs.get("title", ""))
        if not resources.files("valvectl.guide").joinpath("images", name).is_file():
            self.found.warnings.append(f"picture {place} is missing")
        if not alt:
            self.found.warnings.append(f"picture {place} has no text that stands for it")
        self.found.images.append(name)
        note = f"<figcaption>{escape(caption)}</figcaption>" if caption else ""
        return f'<figure><div class="card" tabindex="0"><img src="{escape(place)}" alt="{escape(alt)}"></div>{note}</figure>'

    def _link_open(self, tokens: Sequence[Token], i: int, options: Any, env: Any) -> str:
        target = str(tokens[i].attrs.get("href", ""))
        page, _, anchor = target.partition("#")
        if page.endswith(".md") or (not page and anchor):
            name = page.removesuffix(".md") or env["name"]
            self.found.links.append((name, anchor))
            tokens[i].attrs["href"] = f"{name}.html" + (f"#{anchor}" if anchor else "")
        else:
            self.found.warnings.append(f"link {target} leads out of the guide")
        return str(self.md.renderer.renderToken(tokens, i, options, env))  # type: ignore[attr-defined]

    def _table_open(self, *_: Any) -> str:
        return '<div class="scroll" tabindex="0"><table>\n'

    def _table_close(self, *_: Any) -> str:
        return "</table></div>\n"

    def render(self, name: str, source: str) -> Rendered:
        env: dict[str, Any] = {"name": name}
        tokens = self.md.parse(source, env)
        self._headings(tokens)
        _mark_pictures(tokens)
        _mark_links(tokens)
        self.found.html = self.md.renderer.render(tokens, self.md.options, env)
        return self.found

    def _headings(self, tokens: Sequence[Token]) -> None:
        taken: set[str] = set()
        last = 0
        for i, token in enumerate(tokens):
            if token.type != "heading_open":
                continue
            level, text = int(token.tag[1]), tokens[i + 1].content.replace("`", "")
            if level > last + 1 or (level == 1 and last):
                self.found.warnings.append(f"heading {text!r} skips a level or is a second title")
            last = level
            anchor = slug(text)
            if anchor in taken:
                self.found.warnings.append(f"two headings have the anchor {anchor}")
            taken.add(anchor)
            token.attrs["id"] = anchor
            self.found.headings.append((level, anchor, text))


def _mark_pictures(tokens: Sequence[Token]) -> None:
    """A paragraph that holds a picture alone is the picture's figure: no paragraph round it."""
    for before, inline, after in zip(tokens, tokens[1:], tokens[2:], strict=False):
        alone = [child.type for child in inline.children or ()] == ["image"]
        if alone and before.type == "paragraph_open":
            before.hidden = after.hidden = True


def _mark_links(tokens: Sequence[Token]) -> None:
    """Code inside a link or a heading stays plain: no link in a link."""
    inside_heading = False
    for token in tokens:
        inside_heading = token.type == "heading_open" or (inside_heading and token.type != "heading_close")
        inside = False
        for child in token.children or ():
            inside = child.type == "link_open" or (inside and child.type != "link_close")
            if child.type == "code_inline" and (inside or inside_heading):
                child.type = "text_code"


def render(name: str, source: str, verb_page: Callable[[str], str | None] = page_of_verb) -> Rendered:
    """A page's Markdown as HTML, with its headings, links, pictures, commands and warnings."""
    return _Page(verb_page).render(name, source)
