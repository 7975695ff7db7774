"""The part of the guide that is generated: every key of the design file from the schema, every outside check from its list."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from html import escape
from typing import Any

from valvectl.design.keys import ROOT, Spec, describe
from valvectl.design.where import acts_in
from valvectl.guide.pages import all_pages, read

Headings = list[tuple[int, str, str]]
"""Level, anchor and text."""


# ------------------------------------------------------------------------------------------------ the design file


def tables() -> Iterator[tuple[str, Spec]]:
    """Every table of a design file, by its key; both legs are the same and stand once, as ``legs.X``."""
    yield "", ROOT
    yield from _tables("", ROOT)


def _tables(at: str, spec: Spec) -> Iterator[tuple[str, Spec]]:
    for name, child in spec.children.items():
        if at == "legs":
            if name != "fuel":
                continue
            name = "X"
        key = f"{at}.{name}" if at else name
        if child.children:
            if key != "legs":
                yield key, child
            yield from _tables(key, child)


def keys() -> list[str]:
    """Every key that is no table, as the reference names it."""
    return [
        f"{at}.{name}" if at else name for at, spec in tables() for name, s in spec.children.items() if not s.children
    ]


def design_reference() -> tuple[str, Headings]:
    """HTML of all tables and keys, and its headings."""
    parts: list[str] = []
    headings: Headings = []
    for at, spec in tables():
        top = "." not in at or at == "legs.X"
        shown = f"[[{at}]]" if spec.depth else f"[{at}]"
        title = shown if at else "At the top of the file"
        anchor = at or "top-of-file"
        level = 2 if top else 3
        headings.append((level, anchor, title))
        parts.append(f'<h{level} id="{escape(anchor)}">{escape(title)}</h{level}>')
        if at:
            words = f" Or one of the words {', '.join(spec.choices)}." if spec.choices else ""
            need = "" if spec.required else " May be left out."
            parts.append(f"<p>{escape(spec.meaning[:1].upper() + spec.meaning[1:])}.{escape(words + need)}</p>")
        rows = [_key_row(at, name, child) for name, child in spec.children.items() if not child.children]
        if rows:
            parts.append(
                '<table class="stack keys"><thead><tr><th scope="col">key</th><th scope="col">what it is</th>'
                '<th scope="col">write</th><th scope="col">default</th></tr></thead><tbody>'
            )
            parts += rows
            parts.append("</tbody></table>")
    return "\n".join(parts), headings


def _key_row(at: str, name: str, spec: Spec) -> str:
    key = f"{at}.{name}" if at else name
    real = key.replace("legs.X", "legs.fuel")
    info, acts = describe(real), acts_in(real)
    write = " or ".join(f'"{word}"' for word in spec.choices) if spec.form == "choice" else info.example
    lines = [f"<code>{escape(write)}</code>"]
    if info.unit:
        lines.append(f'<span class="soft">shown in {escape(info.unit)}</span>')
    if info.range:
        lines.append(f'<span class="soft">{escape(info.range)}</span>')
    if spec.depth and not spec.children:
        lines.append('<span class="soft">a list</span>')
    where = f'<br><span class="soft">{escape(acts[:1].upper() + acts[1:])}.</span>' if acts else ""
    default = f"<b>{escape(info.default)}</b>" if spec.required else escape(info.default)
    return (
        f'<tr id="{escape(key)}"><td data-name=""><code>{escape(name)}</code></td>'
        f'<td data-name="">{escape(info.meaning)}{where}</td>'
        f'<td data-name="write">{"<br>".join(lines)}</td><td data-name="default">{default}</td></tr>'
    )


def requirement_rows() -> tuple[str, Headings]:
    """HTML of the rows of ``check`` with their default limits."""
    out = [
        '<table class="stack keys"><thead><tr><th scope="col">row</th><th scope="col">what is held, and how</th>'
        '<th scope="col" class="n">limit by default</th></tr></thead><tbody>'
    ]
    for name, spec in ROOT.children["requirements"].children.items():
        info = describe(f"requirements.{name}")
        out.append(
            f'<tr><td data-name=""><a class="quiet" href="design-file.html#requirements.{name}"><code>{name}</code></a></td>'
            f'<td data-name="">{escape(spec.meaning)}</td><td class="n" data-name="default">{escape(info.default)}</td></tr>'
        )
    return "\n".join([*out, "</tbody></table>"]), []


# ------------------------------------------------------------------------------------------------- outside checks

CERTAINTIES = ("published", "library", "recomputed", "from memory", "common practice, no source")


def outside_rows() -> tuple[dict[str, str], list[dict[str, Any]]]:
    """Subject of each test file, and every outside check."""
    content = json.loads(read("validation.json"))
    return content["subjects"], content["rows"]


def validation_tables() -> tuple[str, Headings]:
    """HTML of all outside checks by subject, and its headings."""
    subjects, rows = outside_rows()
    counts = Counter(row["certainty"] for row in rows)
    head = "".join(f'<th scope="col" class="n">{escape(c)}</th>' for c in CERTAINTIES)
    out = [
        f"<p>{len(rows)} numbers in {len(subjects)} groups.</p>",
        f'<div class="scroll" tabindex="0"><table class="numbers"><caption>Outside checks by subject and by how sure the '
        f'number is</caption><thead><tr><th scope="col">subject</th>{head}<th scope="col" class="n">all</th></tr></thead><tbody>',
    ]
    groups = {file: [row for row in rows if row["file"] == file] for file in subjects}
    for file, found in groups.items():
        own = Counter(row["certainty"] for row in found)
        cells = "".join(f'<td class="n">{own[c] or ""}</td>' for c in CERTAINTIES)
        out.append(
            f'<tr><td><a href="#{_anchor(file)}">{escape(_short(subjects[file]))}</a></td>{cells}'
            f'<td class="n">{len(found)}</td></tr>'
        )
    cells = "".join(f'<td class="n"><b>{counts[c]}</b></td>' for c in CERTAINTIES)
    out.append(f'<tr><td><b>all</b></td>{cells}<td class="n"><b>{len(rows)}</b></td></tr></tbody></table></div>')
    for file, found in groups.items():
        out.append(f'<details id="{_anchor(file)}"><summary>{escape(_short(subjects[file]))} ({len(found)})</summary>')
        out.append(
            f'<p class="soft">{escape(subjects[file])} Test file: <code>tests/reference/{escape(file)}</code></p>'
        )
        out.append(
            '<div class="scroll" tabindex="0"><table class="checks"><thead><tr><th scope="col">what</th><th scope="col" '
            'class="n">expected'
            '</th><th scope="col" class="n">got</th><th scope="col">unit</th><th scope="col" class="n">difference</th>'
            '<th scope="col" class="n">allowed</th><th scope="col">source, how sure</th></tr></thead><tbody>'
        )
        out += [_check_row(row) for row in found]
        out.append("</tbody></table></div></details>")
    return "\n".join(out), []


def _anchor(file: str) -> str:
    return file.removesuffix(".py").removeprefix("test_").removesuffix("_outside").replace("_", "-")


def _short(subject: str) -> str:
    """The subject without what it is held against."""
    head = subject.rstrip(".")
    for cut in (" against ", ", against ", ": "):
        head = head.split(cut, 1)[0]
    return head.rstrip(",")


def _check_row(row: dict[str, Any]) -> str:
    # A relative tolerance is shown as a percentage, an absolute one in the row's unit.
    if row["absolute"]:
        off, allowed = f"{row['difference']:.2g}", f"{row['tolerance']:.2g}"
    else:
        off, allowed = f"{100.0 * row['difference']:.2g} %", f"{100.0 * row['tolerance']:.2g} %"
    return (
        f"<tr><td>{escape(row['what'])} <span class='soft key'>{escape(row['id'])}</span></td>"
        f'<td class="n">{row["expected"]:.6g}</td><td class="n">{row["got"]:.6g}</td><td>{escape(row["unit"])}</td>'
        f'<td class="n">{off}</td><td class="n">{allowed}</td><td>{escape(row["source"])}; '
        f"<b>{escape(row['certainty'])}</b></td></tr>"
    )


# -------------------------------------------------------------------------------------------------------- contents


def contents() -> tuple[str, Headings]:
    """HTML of the list of pages by group."""
    out = []
    headings: Headings = []
    group = ""
    for page in all_pages().values():
        if not page.group:
            continue
        if page.group != group:
            out.append(
                f'{"</ul>" if group else ""}<h2 id="{_slug(page.group)}">{escape(page.group)}</h2><ul class="pages">'
            )
            headings.append((2, _slug(page.group), page.group))
            group = page.group
        out.append(f'<li><a href="{page.name}.html">{escape(page.title)}</a> <code>{escape(page.name)}</code></li>')
    return "\n".join([*out, "</ul>"]), headings


def _slug(text: str) -> str:
    return text.lower().replace(" ", "-")


GENERATED = {
    "contents": contents,
    "design reference": design_reference,
    "requirements": requirement_rows,
    "outside checks": validation_tables,
}
"""What a source may put in by a line ``{{NAME}}`` of its own."""
