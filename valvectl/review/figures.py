"""Figures of the studies: each function draws one result and computes no physics.

``figure(result, ax)`` draws on axes of the caller and returns them; figures of several axes return a matplotlib
``Figure`` and take ``axes``. Limits that belong to the requirements and not to the result are optional arguments, SI.
pyplot is not used: ``figure.savefig("name.svg")`` writes what is drawn, and a notebook shows a figure by its name.
"""

from __future__ import annotations

from valvectl.review.figure_style import svg_text
from valvectl.review.figures_catalogue import catalogue_chart
from valvectl.review.figures_dispersion import budget_chart, disperse_chart, drivers_chart, worst_chart
from valvectl.review.figures_disturbance import disturbance_chart
from valvectl.review.figures_engine import ladder_chart, spread_chart, throttle_chart
from valvectl.review.figures_faults import faults_chart
from valvectl.review.figures_gear import gear_stage_chart
from valvectl.review.figures_heat import heat_chart
from valvectl.review.figures_hunting import hunting_chart
from valvectl.review.figures_loop import nichols, pole_zero, sensitivity, stiffness, word_lengths
from valvectl.review.figures_loss import power_loss_chart
from valvectl.review.figures_outer import outer_chart
from valvectl.review.figures_ports import choking_chart, installed_chart, ports_chart
from valvectl.review.figures_power import power_chart
from valvectl.review.figures_ratio import ratio_window_chart
from valvectl.review.figures_resolution import resolution_chart
from valvectl.review.figures_response import response_chart
from valvectl.review.figures_robust import robust_chart
from valvectl.review.figures_servo import bode, nyquist, ratio_chart, step, torque_chart
from valvectl.review.figures_stability import stability_chart
from valvectl.review.figures_surge import closing_chart, fill_chart, surge_chart
from valvectl.review.figures_timing import timing_chart
from valvectl.review.figures_torque import torque_envelope_chart

__all__ = [
    "bode",
    "budget_chart",
    "catalogue_chart",
    "choking_chart",
    "closing_chart",
    "disperse_chart",
    "disturbance_chart",
    "drivers_chart",
    "faults_chart",
    "fill_chart",
    "gear_stage_chart",
    "heat_chart",
    "hunting_chart",
    "installed_chart",
    "ladder_chart",
    "nichols",
    "nyquist",
    "outer_chart",
    "pole_zero",
    "ports_chart",
    "power_chart",
    "power_loss_chart",
    "ratio_chart",
    "ratio_window_chart",
    "resolution_chart",
    "response_chart",
    "robust_chart",
    "sensitivity",
    "spread_chart",
    "stability_chart",
    "step",
    "stiffness",
    "surge_chart",
    "svg_text",
    "throttle_chart",
    "timing_chart",
    "torque_chart",
    "torque_envelope_chart",
    "word_lengths",
    "worst_chart",
]
