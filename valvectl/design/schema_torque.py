"""What a design file may say about stem torque in place of a measured table: a maker's few numbers. SI."""

from __future__ import annotations

import math
from typing import Literal

from pydantic import Field

from valvectl.design.quantities import Angle, Fraction, Number, PressureDifference, Torque
from valvectl.design.schema_base import Part
from valvectl.parts import stem_torque

Seat = Literal["as stated", "reinforced PTFE", "virgin PTFE", "acetal", "PEEK"]
Service = Literal[
    "as stated",
    "non-lubricating liquid",
    "lubricating liquid",
    "clean dry gas",
    "abrasive",
    "oxygen-clean and dry",
]


class TorqueModel(Part):
    """Stem torque from a maker's break-to-open torque and shares of it, in place of a measured table."""

    break_to_open: Torque = Field(gt=0.0, description="torque that breaks the ball open from shut, warm, at pressure")
    pressure: PressureDifference = Field(ge=0.0, description="pressure difference at which break_to_open is stated")
    run_to_open: Fraction = Field(
        default=stem_torque.USUAL_RUN_TO_OPEN,
        gt=0.0,
        le=2.0,
        description="torque in mid-travel while it opens, over break_to_open; specific to the maker",
    )
    end_to_open: Fraction = Field(
        default=stem_torque.USUAL_END_TO_OPEN,
        gt=0.0,
        le=2.0,
        description="torque at the open end while it opens, over break_to_open; specific to the maker",
    )
    break_to_close: Fraction | None = Field(
        default=None,
        gt=0.0,
        le=2.0,
        description="torque from rest at the open end while it closes, over break_to_open; by default end_to_open times "
        "rest_factor",
    )
    run_to_close: Fraction = Field(
        default=stem_torque.USUAL_RUN_TO_CLOSE,
        gt=0.0,
        le=2.0,
        description="torque in mid-travel while it closes, over break_to_open; specific to the maker",
    )
    end_to_close: Fraction = Field(
        default=stem_torque.USUAL_END_TO_CLOSE,
        gt=0.0,
        le=2.0,
        description="torque that reseats it at the shut end, over break_to_open; specific to the maker",
    )
    rest_factor: Number = Field(
        default=stem_torque.USUAL_REST_FACTOR,
        ge=1.0,
        le=3.0,
        description="torque from rest over torque in motion at one place (common practice)",
    )
    seat_zone: Angle = Field(
        default=math.radians(10.0),
        gt=0.0,
        le=math.radians(40.0),
        description="opening over which seat torque goes over to running torque, at each end",
    )
    seat: Seat = Field(
        default="as stated",
        description="material of the seats, where break_to_open is stated for reinforced PTFE; as stated: no change",
    )
    service: Service = Field(
        default="as stated",
        description="service, where break_to_open is stated for a liquid that does not lubricate; as stated: no change",
    )

    @property
    def multiplier(self) -> float:
        """Factor of seat material and service together [-]."""
        return stem_torque.SEAT_FACTOR[self.seat] * stem_torque.SERVICE_FACTOR[self.service]
