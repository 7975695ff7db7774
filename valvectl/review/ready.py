"""Loading what figures need, while there is nothing else to do."""

from __future__ import annotations


def ready_to_draw() -> None:
    """Load the drawing library, the figures and the font, so that a process that is forked now need not do it again."""
    from matplotlib.backends import backend_svg
    from matplotlib.figure import Figure

    from valvectl.review import figures
    from valvectl.review.figure_style import style, svg_text

    assert backend_svg.FigureCanvas is not None
    assert figures.bode is not None
    with style():
        figure = Figure(figsize=(2.0, 2.0))
        figure.subplots().set_title("0")
    svg_text(figure, "ready")
