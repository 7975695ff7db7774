"""Figures draw what the result holds, with units on every axis, and give the same SVG each time."""

from __future__ import annotations

import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from valvectl.review import figures
from valvectl.review.figure_style import LEG_COLOUR, LEG_LINE, LIMIT, STYLE, thinned
from valvectl.review.verdict import Review

DRAWINGS: dict[str, Callable[[Review], Any]] = {
    "ratio, window": lambda r: figures.ratio_chart(r.studies["ratio"]["oxidizer"]),
    "ratio, none": lambda r: figures.ratio_chart(r.studies["ratio"]["fuel"]),
    "bode": lambda r: figures.bode(r.studies["loop"]["fuel"]),
    "nyquist": lambda r: figures.nyquist(r.studies["loop"]["fuel"], peak_limit=2.0),
    "step": lambda r: figures.step(r.studies["loop"]["oxidizer"], overshoot=0.05, settling=0.15),
    "resolution": lambda r: figures.resolution_chart(r.studies["resolution"]),
    "throttle": lambda r: figures.throttle_chart(r.studies["throttle"], transient=0.1),
    "ladder": lambda r: figures.ladder_chart(r.studies["ladder"], cavitation=0.8, stiffness=0.1),
    "torque": lambda r: figures.torque_chart(r.studies["torque"]["oxidizer"], margin=1.0),
    "spread": lambda r: figures.spread_chart(r.studies["spread"]),
}


def figure_of(drawn: Any) -> Any:
    return drawn if hasattr(drawn, "savefig") else drawn.get_figure()


def texts(figure: Any) -> list[str]:
    import matplotlib.text

    return [t.get_text() for t in figure.findobj(matplotlib.text.Text) if t.get_text()]


@pytest.mark.parametrize("name", DRAWINGS)
def test_every_axis_names_its_unit(name: str, review: Review) -> None:
    figure = figure_of(DRAWINGS[name](review))
    labels = [text for ax in figure.axes for text in (ax.get_xlabel(), ax.get_ylabel()) if text]
    assert len(labels) >= 2 or name == "spread"
    for label in labels:
        assert re.search(r"\[[^\]]+\]", label), label


@pytest.mark.parametrize("name", DRAWINGS)
def test_svg_is_the_same_each_time_and_well_formed(name: str, review: Review) -> None:
    first = figures.svg_text(figure_of(DRAWINGS[name](review)), "p1", 'a "label" & <more>')
    figure = figure_of(DRAWINGS[name](review))
    assert figures.svg_text(figure, "p1", 'a "label" & <more>') == first
    assert figures.svg_text(figure, "p1", 'a "label" & <more>') == first
    root = ET.fromstring(first)
    assert root.get("aria-label") == 'a "label" & <more>'
    assert "<style" not in first
    assert "date" not in first.lower()
    ids = re.findall(r'\sid="([^"]*)"', first)
    assert len(ids) == len(set(ids))
    assert all(i.startswith("p1-") for i in ids)
    used = set(re.findall(r'(?:href="#|url\(#)([^")]+)', first))
    assert used <= set(ids)


def test_ids_of_two_figures_do_not_meet(review: Review) -> None:
    found = []
    for prefix in ("a", "b"):
        svg = figures.svg_text(figure_of(DRAWINGS["bode"](review)), prefix)
        found.append(set(re.findall(r'\sid="([^"]*)"', svg)))
    assert found[0]
    assert not found[0] & found[1]


def test_svg_of_a_long_run_is_compact(review: Review) -> None:
    assert len(figures.svg_text(figure_of(DRAWINGS["throttle"](review)), "t")) < 200_000


@pytest.mark.parametrize("name", DRAWINGS)
def test_no_number_that_does_not_exist_is_shown(name: str, review: Review) -> None:
    for text in texts(figure_of(DRAWINGS[name](review))):
        assert not re.search(r"\b(nan|inf)\b", text, re.I), text


def test_ratio_chart_draws_each_check_and_marks(review: Review) -> None:
    result = review.studies["ratio"]["oxidizer"]
    ax = figures.ratio_chart(result)
    for check in result.checks:
        assert any(np.array_equal(line.get_xdata(), result.ratio) for line in ax.lines)
        assert any(check.name in text for text in texts(ax.figure))
    assert any("design 60" in t for t in texts(ax.figure))
    assert any("recommended 95" in t for t in texts(ax.figure))
    assert any("all checks hold" in t for t in texts(ax.figure))
    other = figures.ratio_chart(review.studies["ratio"]["fuel"])
    assert "no ratio meets every check" in other.get_title(loc="left")


def test_bode_marks_both_margins(review: Review) -> None:
    shown = texts(figures.bode(review.studies["loop"]["fuel"]))
    assert any("gain margin 11 dB" in t for t in shown)
    assert any("phase margin 68.8°" in t for t in shown)  # 1.2 rad


def test_nyquist_has_the_circle_of_the_peak(review: Review) -> None:
    ax = figures.nyquist(review.studies["loop"]["fuel"])
    radii = [np.hypot(line.get_xdata() + 1.0, line.get_ydata()) for line in ax.lines if len(line.get_xdata()) == 181]
    assert any(np.allclose(r, 1.0 / 1.5) for r in radii)


def test_throttle_chart_keeps_the_spike_and_has_the_band(review: Review) -> None:
    figure = figures.throttle_chart(review.studies["throttle"], transient=0.1)
    assert len(figure.axes) == 5  # four panels and the bus voltage's scale
    lowest = min(float(np.min(line.get_ydata())) for line in figure.axes[1].lines if len(line.get_xdata()) > 100)
    assert lowest == pytest.approx(-7.65)
    assert any("-7.7 %" in t or "-7.6 %" in t for t in texts(figure))
    assert any("settling band ±5 %" in t for t in texts(figure))


def test_limits_are_drawn_where_they_are_given(review: Review) -> None:
    figure = figures.ladder_chart(review.studies["ladder"], cavitation=0.8, stiffness=0.1)
    levels = {float(line.get_ydata()[0]) for ax in figure.axes for line in ax.lines if line.get_color() == LIMIT}
    assert levels == {0.8, 0.1}


def test_spread_chart_leaves_out_inputs_without_effect(review: Review) -> None:
    labels = [t.get_text() for t in figures.spread_chart(review.studies["spread"]).get_yticklabels()]
    assert "fuel.valve.flow.kv" in labels
    assert not any("ambient" in t for t in labels)


def test_draws_on_axes_of_the_caller(review: Review) -> None:
    from matplotlib.figure import Figure

    figure = Figure()
    ax = figure.subplots()
    assert figures.torque_chart(review.studies["torque"]["fuel"], ax) is ax
    pair = Figure().subplots(2, 1)
    assert figures.bode(review.studies["loop"]["fuel"], axes=pair) is pair[0].figure
    with pytest.raises(ValueError, match="needs 2 axes, got 3"):
        figures.bode(review.studies["loop"]["fuel"], axes=Figure().subplots(3, 1))


def test_settings_of_the_user_stay() -> None:
    import matplotlib

    assert matplotlib.rcParams["svg.hashsalt"] != STYLE["svg.hashsalt"]


def test_legs_differ_by_colour_and_line() -> None:
    assert LEG_COLOUR["oxidizer"] != LEG_COLOUR["fuel"]
    assert LEG_LINE["oxidizer"] != LEG_LINE["fuel"]


def test_thinned_keeps_extremes_and_ends() -> None:
    x = np.linspace(0.0, 1.0, 50_001)
    y, z = np.sin(200.0 * x), np.cos(3.0 * x)
    y[12_345], z[777] = 5.0, -7.0
    tx, ty, tz = thinned(x, y, z, most=1500)
    assert tx.size == ty.size == tz.size <= 1600
    assert (tx[0], tx[-1]) == (0.0, 1.0)
    assert ty.max() == 5.0
    assert tz.min() == -7.0
    assert np.all(np.diff(tx) > 0.0)


def test_pyplot_is_not_loaded() -> None:
    code = (
        "import sys; from valvectl.review import figures, report, folder; assert 'matplotlib' not in sys.modules; "
        "from valvectl.review.figure_style import new_axes; new_axes(1, 3, 2); "
        "assert 'matplotlib.pyplot' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
