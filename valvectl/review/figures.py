"""Figures of the studies: each function draws one result and computes no physics.

``figure(result, ax)`` draws on axes of the caller and returns them; figures of several axes return a matplotlib
``Figure`` and take ``axes``. Limits that belong to the requirements and not to the result are optional arguments, SI.
pyplot is not used: ``figure.savefig("name.svg")`` writes what is drawn, and a notebook shows a figure by its name.
"""

from __future__ import annotations

from valvectl.review.figure_style import svg_text
from valvectl.review.figures_engine import ladder_chart, resolution_chart, spread_chart, throttle_chart
from valvectl.review.figures_servo import bode, nyquist, ratio_chart, step, torque_chart

__all__ = [
    "bode",
    "ladder_chart",
    "nyquist",
    "ratio_chart",
    "resolution_chart",
    "spread_chart",
    "step",
    "svg_text",
    "throttle_chart",
    "torque_chart",
]
