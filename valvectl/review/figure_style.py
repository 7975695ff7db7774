"""One look for every figure, and figures as compact, deterministic SVG.

Legs differ by colour, line style and label; limits are thin dark lines with a label; what is allowed is a pale band.
The pair of leg colours (violet, ochre) keeps apart in lightness too, so that
it survives colour blindness and a grey print.
"""

from __future__ import annotations

import functools
import io
import itertools
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import numpy as np

from valvectl.parts.lookup import FloatArray
from valvectl.review.still_ticks import still_ticks

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

P = ParamSpec("P")
R = TypeVar("R")

LEG_COLOUR = {"oxidizer": "#5a3a94", "fuel": "#a96500"}
LEG_LINE: dict[str, Any] = {"oxidizer": "-", "fuel": (0, (5.0, 1.6))}
INK = "#26282c"
QUIET = "#767b84"
LIMIT = "#9c1f3a"
ALLOWED = "#dfeadf"
NEUTRAL = ("#2f6f73", "#8a5a2b", "#4d5a8c", "#7a4a74", "#5d7030", "#3c3f45", "#a2542c")
"""Colours for curves that belong to no leg."""

BACKING: dict[str, Any] = {"facecolor": "#ffffff", "edgecolor": "none", "alpha": 0.75, "pad": 0.8}
"""Behind labels that may lie on a curve."""

LONGEST_TRACE = 1500
"""Points of a drawn trace, about; extremes are kept."""

STYLE: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlepad": 7.0,
    "axes.labelsize": 9.0,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.axisbelow": True,
    "axes.grid": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.formatter.use_mathtext": False,
    "axes.unicode_minus": True,
    "axes.facecolor": "none",
    "figure.facecolor": "#ffffff",
    "figure.constrained_layout.use": True,
    "grid.color": "#e4e6e9",
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "lines.linewidth": 1.5,
    "lines.solid_capstyle": "round",
    "patch.linewidth": 0.0,
    "text.color": INK,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "xtick.direction": "out",
    "path.simplify": True,
    "svg.fonttype": "none",
    "svg.hashsalt": "valvectl",
    "savefig.dpi": 160,
}


@contextmanager
def style() -> Iterator[None]:
    """The look, in force inside the block; a user's own settings come back after it."""
    import matplotlib

    with matplotlib.rc_context(STYLE):
        yield


def styled(function: Callable[P, R]) -> Callable[P, R]:
    """Run a drawing function in the look."""

    @functools.wraps(function)
    def run(*args: P.args, **kwargs: P.kwargs) -> R:
        with style():
            return function(*args, **kwargs)

    return run


def new_axes(rows: int, width: float, height: float, **layout: Any) -> tuple[Figure, list[Axes]]:
    """Figure [inch] of ``rows`` stacked axes without touching pyplot's state."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height))
    made = figure.subplots(rows, 1, squeeze=False, **layout)
    return figure, [row[0] for row in made]


def one_axes(ax: Axes | None, width: float = 7.0, height: float = 3.6) -> Axes:
    """The axes given, or those of a new figure [inch]."""
    if ax is not None:
        return ax
    return new_axes(1, width, height)[1][0]


def given_or_new(axes: Any, rows: int, width: float, height: float, **layout: Any) -> tuple[Figure, list[Axes]]:
    """Axes given by the caller (exactly ``rows`` of them), or those of a new figure."""
    if axes is None:
        return new_axes(rows, width, height, **layout)
    found = list(np.ravel(axes))
    if len(found) != rows:
        raise ValueError(f"needs {rows} axes, got {len(found)}")
    return found[0].figure, found


def plain_numbers(axis: Any) -> None:
    """Numbers such as 0.1, 10, 200 on a logarithmic axis in place of powers of ten."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axis.set_major_locator(LogLocator(base=10.0, subs=(1.0, 2.0, 5.0), numticks=14))
    axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    axis.set_minor_formatter(NullFormatter())


def limit_line(ax: Axes, value: float, label: str, at: float = 0.995, above: bool = True) -> None:
    """Horizontal limit with its label inside the axes at a share ``at`` of the width."""
    ax.axhline(value, color=LIMIT, linewidth=0.9, linestyle=(0, (7, 2, 1.5, 2)), zorder=2.5)
    ax.annotate(
        label,
        (at, value),
        xycoords=ax.get_yaxis_transform(),
        xytext=(0, 2.5 if above else -2.5),
        textcoords="offset points",
        ha="right" if at > 0.5 else "left",
        va="bottom" if above else "top",
        color=LIMIT,
        fontsize=8.0,
        zorder=5,
        bbox=BACKING,
    )


def end_labels(ax: Axes, ends: list[tuple[float, str, Any]], size: float = 8.5) -> None:
    """Labels at the right end of curves, (y, text, colour), moved apart where they would overlap.

    The limits of the y axis must be final.
    """
    if not ends:
        return
    low, high = ax.get_ylim()
    forward = ax.transScale.transform
    bottom, top = forward((1.0, low))[1], forward((1.0, high))[1]
    height = ax.get_figure().get_size_inches()[1] * 72.0 * ax.get_position().height  # type: ignore[union-attr]
    gap = 1.25 * size / max(height * 0.86, 1.0)
    wanted = sorted(
        (float(np.clip((forward((1.0, y))[1] - bottom) / (top - bottom), 0.0, 1.0)), t, c) for y, t, c in ends
    )
    places = [w[0] for w in wanted]
    for _ in range(200):
        moved = False
        for j in range(len(places) - 1):
            overlap = gap - (places[j + 1] - places[j])
            if overlap > 1e-6:
                places[j] -= 0.5 * overlap
                places[j + 1] += 0.5 * overlap
                moved = True
        if not moved:
            break
    for place, (_, text, colour) in zip(places, wanted, strict=True):
        ax.annotate(
            text,
            (1.0, place),
            xycoords=("axes fraction", "axes fraction"),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            ha="left",
            color=colour,
            fontsize=size,
            annotation_clip=False,
        )


def thinned(x: FloatArray, *ys: FloatArray, most: int = LONGEST_TRACE) -> tuple[FloatArray, ...]:
    """The traces at fewer points: in each stretch the lowest and the highest point of each trace stay.

    Arrays of shape (n,) -> arrays of shape (m,), one common m of about ``most``; the ends stay.
    """
    n = x.size
    if n <= most or not ys:
        return (x, *ys)
    buckets = max(1, most // (2 * len(ys)))
    edges = np.linspace(0, n, buckets + 1).astype(int)
    keep = {0, n - 1}
    whole = [np.nan_to_num(y) for y in ys]
    for low, high in itertools.pairwise(edges.tolist()):
        for y in whole:
            piece = y[low:high]
            keep.add(low + int(piece.argmin()))
            keep.add(low + int(piece.argmax()))
    chosen = np.array(sorted(keep))
    return tuple(np.asarray(a[chosen]) for a in (x, *ys))


# ------------------------------------------------------------------------------------------------------------ SVG

_NUMBER = re.compile(r"-?[0-9]+\.[0-9]{3,}")
_ID = re.compile(r'\sid="([^"]*)"')
_REFERENCE = re.compile(r'(?:xlink:href="#|url\(#)([^")]+)')


def svg_text(figure: Figure, prefix: str, label: str = "") -> str:
    """A figure as an ``<svg>`` element to set into a page.

    Parameters
    ----------
    prefix : put before every id, so that several figures live on one page; letters, digits and hyphens
    label : what the figure shows, for readers who do not see it

    The text is the same at every call: no date, ids from fixed salt. Texts stay text. The width is left to the page.
    """
    import html

    from valvectl.review.measuring import Measuring, write_svg

    Measuring(figure)
    with style(), still_ticks(figure):
        engine = figure.get_layout_engine()
        if engine is not None:
            engine.execute(figure)  # once; then it stays, so that a second call draws the same
            figure.set_layout_engine("none")
        buffer = io.StringIO()
        write_svg(figure, buffer)  # not savefig: it draws every figure twice when a layout engine was ever set
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.S)
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.S)
    # A style sheet inside would hold for the whole page; the two properties are inherited, so the root can carry them.
    text = re.sub(r"<defs>\s*<style type=\"text/css\">.*?</style>\s*</defs>\s*", "", text, count=1, flags=re.S)
    names = {old: f"{prefix}-{j}" for j, old in enumerate(dict.fromkeys(_REFERENCE.findall(text)))}
    text = _ID.sub(lambda m: f' id="{names[m.group(1)]}"' if m.group(1) in names else "", text)
    text = _REFERENCE.sub(lambda m: m.group(0)[: -len(m.group(1))] + names[m.group(1)], text)
    text = re.sub(r'(\s(?:d|points|transform|x|y|width|height)=")([^"]*)(")', _shorter, text)
    text = re.sub(r"\n\s*", "\n", text)
    root = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" role="img" '
        f'aria-label="{html.escape(label, quote=True)}" stroke-linejoin="round" stroke-linecap="butt" '
    )
    box = re.search(r'viewBox="[^"]*"', text)
    assert box is not None
    return re.sub(r"<svg[^>]*>", lambda _: root + box.group(0) + ">", text, count=1)


def _shorter(match: re.Match[str]) -> str:
    if "scale" in match.group(2):  # a factor needs its digits, a place in points does not
        return match.group(0)
    body = _NUMBER.sub(lambda m: f"{float(m.group(0)):.2f}".rstrip("0").rstrip("."), match.group(2))
    return match.group(1) + body.replace("\n", " ") + match.group(3)
