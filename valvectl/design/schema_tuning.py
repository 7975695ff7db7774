"""What a design file may say about tuning over corners. Numbers are SI."""

from __future__ import annotations

from pydantic import Field

from valvectl.design.quantities import Angle, Fraction, Number, Time
from valvectl.design.schema_base import Part


class Tuning(Part):
    """Corners at which gains must hold, and what they must keep there besides the margins of requirements.

    Where the input itself carries a tolerance, that counts in place of the spread here.
    """

    disk_margin: Number = Field(
        default=0.75, gt=0.0, lt=2.0, description="disk margin of every loop, balanced, at least"
    )
    delay_margin: Time | None = Field(
        default=None,
        ge=0.0,
        description="extra delay that the position loop bears, at least; by default one of its periods",
    )
    noise: Fraction = Field(
        default=0.25,
        gt=0.0,
        description="current that one count of the speed encoder asks for, over the limit, at most",
    )
    saturation: Fraction = Field(
        default=1.5,
        gt=0.0,
        description="peak current, or voltage, of the linear loop in the fastest change over its limit, at most",
    )
    tracking_error: Angle | None = Field(
        default=None,
        gt=0.0,
        description="mean error of the stem in the first 0.2 s of the fastest change, worst corner, at most; default: no limit",
    )
    inertia: Fraction = Field(default=0.10, ge=0.0, lt=1.0, description="spread of the rotor's inertia, plus or minus")
    torque_constant: Fraction = Field(
        default=0.08, ge=0.0, lt=1.0, description="spread of the torque constant, plus or minus"
    )
    friction: Fraction = Field(
        default=0.30, ge=0.0, lt=1.0, description="spread of stem and motor friction, plus or minus"
    )
    delay: Fraction = Field(
        default=0.20,
        ge=0.0,
        le=2.0,
        description="spread of the position loop's delay; added to it where jitter is declared",
    )
