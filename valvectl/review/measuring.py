"""Texts of figures measured once and not anew in each figure: tick labels and units are the same again and again.

Matplotlib keeps the sizes of texts for one renderer, and makes a renderer a figure. Here all figures are laid out by one
renderer, and those that write SVG share one memory. Nothing is drawn by the first, so that its size does not matter.
"""

from __future__ import annotations

import functools
from typing import IO, TYPE_CHECKING, Any

from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.backends.backend_svg import RendererSVG

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@functools.lru_cache(maxsize=8)
def _renderer(dpi: float) -> RendererAgg:
    return RendererAgg(8, 8, dpi)


class Measuring(FigureCanvasAgg):  # type: ignore[misc]
    """A canvas to lay figures out on."""

    def get_renderer(self) -> Any:
        """The one renderer of all figures of this resolution."""
        return _renderer(self.figure.dpi)


_sizes: dict[Any, Any] = {}
MOST_TEXTS = 20_000
"""Texts whose sizes are kept."""


class _Writer(RendererSVG):  # type: ignore[misc]
    def get_text_width_height_descent(self, s: str, prop: Any, ismath: Any) -> Any:
        """Sizes of a text as it is written, from memory where it was measured before."""
        key = (s, hash(prop), ismath)
        found = _sizes.get(key)
        if found is None:
            if len(_sizes) >= MOST_TEXTS:
                _sizes.clear()
            found = _sizes[key] = super().get_text_width_height_descent(s, prop, ismath)
        return found


def write_svg(figure: Figure, stream: IO[str]) -> None:
    """A figure as SVG, as ``FigureCanvasSVG.print_svg`` writes it, without a date or a maker."""
    dpi = figure.dpi
    figure.dpi = 72
    try:
        width, height = figure.get_size_inches() * 72
        metadata = {"Date": None, "Creator": None, "Format": None, "Type": None}
        renderer = _Writer(width, height, stream, image_dpi=dpi, metadata=metadata)
        figure.draw(renderer)
        renderer.finalize()
    finally:
        figure.dpi = dpi
