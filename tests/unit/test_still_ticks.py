"""Holding ticks and remembering the sizes of texts changes no figure by a byte."""

from __future__ import annotations

import io
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import valvectl
from valvectl.review import figure_style, measuring
from valvectl.review.figures import bode, ladder_chart, step, throttle_chart
from valvectl.review.still_ticks import still_ticks

DESIGNS = Path(__file__).parents[2] / "designs"


@pytest.fixture(scope="module")
def design() -> valvectl.Design:
    return valvectl.load(DESIGNS / "hover-rig.toml")


def as_matplotlib_does(figure: Any, stream: Any) -> None:
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    metadata = {"Date": None, "Creator": None, "Format": None, "Type": None}
    FigureCanvasSVG(figure).print_svg(stream, metadata=metadata)


@pytest.mark.parametrize("which", ["bode", "step", "throttle", "ladder"])
def test_a_figure_is_the_same_to_the_byte(which: str, design: valvectl.Design, monkeypatch: pytest.MonkeyPatch) -> None:
    analysis = design.analysis

    def drawn() -> Any:
        if which == "bode":
            return bode(analysis.loop["oxidizer"])
        if which == "step":
            return step(analysis.loop["fuel"])
        return throttle_chart(analysis.throttle) if which == "throttle" else ladder_chart(analysis.ladder)

    quick = [figure_style.svg_text(drawn(), "x") for _ in range(2)]  # the second from memory
    with monkeypatch.context() as patch:
        patch.setattr(figure_style, "still_ticks", lambda figure: nullcontext())
        patch.setattr(measuring, "Measuring", lambda figure: None)
        patch.setattr(measuring, "write_svg", as_matplotlib_does)
        plain = figure_style.svg_text(drawn(), "x")
    assert quick[0] == plain
    assert quick[1] == plain


def test_afterwards_ticks_follow_the_limits_again() -> None:
    figure, (ax,) = figure_style.new_axes(1, 5.0, 3.0)
    ax.plot([0.0, 1.0], [0.0, 1.0])
    figure_style.svg_text(figure, "x")
    with still_ticks(figure):
        before = [t.get_loc() for t in ax.xaxis._update_ticks()]
    ax.set_xlim(0.0, 50.0)
    after = [t.get_loc() for t in ax.xaxis._update_ticks()]
    assert max(before) <= 1.1 < 40.0 <= max(after)
    assert "_update_ticks" not in vars(ax.xaxis)


def test_the_resolution_is_given_back() -> None:
    figure, _ = figure_style.new_axes(1, 5.0, 3.0)
    figure.set_dpi(133.0)
    measuring.write_svg(figure, io.StringIO())
    assert figure.dpi == 133.0


def test_a_thinned_trace_keeps_ends_and_extremes() -> None:
    time = np.linspace(0.0, 1.0, 20_000)
    trace = np.sin(900.0 * time)
    trace[7_777] = 5.0
    trace[3_333] = np.nan
    t, y = figure_style.thinned(time, trace)
    assert t[0] == 0.0
    assert t[-1] == 1.0
    assert t.size <= 1.1 * figure_style.LONGEST_TRACE
    assert np.nanmax(y) == 5.0
    assert np.nanmin(y) == np.nanmin(trace)
