"""What the requirements on the outer loops find; they have rows only where the design states the
limits; without the loops such a row is not assessed."""

from __future__ import annotations

import numpy as np

from valvectl.design.schema import LegName
from valvectl.review.find_feed import Found, at_throttle
from valvectl.studies.analysis import Analysis


def trim_error(analysis: Analysis, leg: LegName | None) -> Found:
    """What the closed loops leave of O/F over the throttle range [-]."""
    result = analysis.outer
    if not all(result.stable):
        return None, "the outer loops are unstable"
    j = int(np.argmax(result.closed_error))
    return float(result.closed_error[j]), (
        f"{at_throttle(float(result.throttle[j]))}: sensors' standing error {100.0 * float(result.meter_error[j]):.2f} %, twice "
        f"the noise {200.0 * float(result.noise_ratio[j]):.2f} %; schedule alone {100.0 * float(result.open_error[j]):.2f} %"
    )


def trim_sensitivity(analysis: Analysis, leg: LegName | None) -> Found:
    """Largest singular value of the joint sensitivity over frequency and throttle range [-]; infinite when unstable."""
    result = analysis.outer
    if not all(result.stable):
        return float("inf"), "the outer loops are unstable"
    j = int(np.argmax(result.sensitivity))
    return float(result.sensitivity[j]), at_throttle(float(result.throttle[j]))


def _declared(key: str) -> object:
    def applies(analysis: Analysis, leg: LegName | None) -> bool:
        return f"requirements.{key}" in analysis.design.inputs

    return applies


OUTER_ROWS = (
    (
        "trim_error", "O/F error with the outer loops closed", "<=", "%", 100.0, False, trim_error,
        "linear loops: sensors' accuracy and noise over the throttle range", _declared("trim_error"),
    ),
    (
        "trim_sensitivity", "largest |S| of both outer loops together", "<=", "-", 1.0, False, trim_sensitivity,
        "largest singular value of the exact sampled sensitivity", _declared("trim_sensitivity"),
    ),
)  # fmt: skip
"""Fields of ``requirements.Requirement``."""
