"""What a design file may say about chamber and nozzle. Numbers are SI, angles in radians."""

from __future__ import annotations

from itertools import pairwise
from typing import Literal

from pydantic import Field, model_validator

from valvectl.design.quantities import (
    AbsolutePressure,
    Force,
    Fraction,
    Length,
    Number,
    Speed,
    Time,
)
from valvectl.design.schema_base import Part, refuse


class CStarTable(Part):
    """Characteristic velocity given as a table instead of by equilibrium."""

    mixture_ratio: tuple[Number, ...] = Field(min_length=2, description="mixture ratios by mass, rising")
    chamber_pressure: tuple[AbsolutePressure, ...] = Field(min_length=1, description="chamber pressures, rising")
    c_star: tuple[tuple[Speed, ...], ...] = Field(
        description="ideal characteristic velocity, one row a chamber pressure, one column a mixture ratio"
    )
    gamma: Number = Field(gt=1.0, lt=1.67, description="isentropic exponent of the chamber gas")

    @model_validator(mode="after")
    def _shape(self) -> CStarTable:
        for name in ("mixture_ratio", "chamber_pressure"):
            values = getattr(self, name)
            if any(b <= a for a, b in pairwise(values)) or values[0] <= 0.0:
                raise refuse(name, f"{name} must be above zero and rise from entry to entry")
        if len(self.c_star) != len(self.chamber_pressure) or any(
            len(row) != len(self.mixture_ratio) for row in self.c_star
        ):
            raise refuse(
                "c_star",
                f"c_star needs {len(self.chamber_pressure)} row(s) (chamber_pressure) "
                f"of {len(self.mixture_ratio)} entries (mixture_ratio)",
            )
        if any(value <= 0.0 for row in self.c_star for value in row):
            raise refuse("c_star", "c_star must be above zero")
        return self


class Combustion(Part):
    """How propellant flow becomes chamber pressure."""

    source: Literal["equilibrium", "table"] = Field(
        description="where c* comes from: chemical equilibrium (shifting, Cantera) or the table given here"
    )
    table: CStarTable | None = Field(default=None, description="c* table; needed when source is table")
    efficiency: Fraction = Field(gt=0.3, le=1.0, description="c* efficiency: delivered over ideal")
    delay_oxidizer: Time = Field(
        gt=0.0, le=0.05, description="time from injector to burnt for the oxidizer (combustion dead time)"
    )
    delay_fuel: Time = Field(gt=0.0, le=0.05, description="time from injector to burnt for the fuel")
    delay_exponent: Number = Field(
        default=0.0,
        ge=-3.0,
        le=3.0,
        description="in the stability study both delays are those stated times throttle^-exponent; 0: the same at every "
        "setting. The time simulation keeps the delays stated",
    )

    @model_validator(mode="after")
    def _source(self) -> Combustion:
        if self.source == "table" and self.table is None:
            raise refuse("table", "source is table, but there is no table")
        if self.source == "equilibrium" and self.table is not None:
            raise refuse("table", "source is equilibrium, but a table is given; delete one of the two")
        return self


class Engine(Part):
    """Chamber and nozzle at 100 % throttle."""

    thrust: Force = Field(gt=0.0, description="thrust at 100 % throttle at the ambient pressure")
    chamber_pressure: AbsolutePressure = Field(gt=0.0, description="chamber pressure at 100 % throttle")
    mixture_ratio: Number = Field(gt=0.05, lt=50.0, description="oxidizer over fuel by mass, held over the range")
    throat_diameter: Length = Field(gt=0.0, description="diameter of the nozzle throat")
    expansion_ratio: Number = Field(gt=1.0, lt=500.0, description="nozzle exit area over throat area")
    characteristic_length: Length = Field(gt=0.05, lt=10.0, description="L*: chamber volume over throat area")
    ambient_pressure: AbsolutePressure = Field(
        default=101325.0,
        ge=0.0,
        description="ambient pressure; gauge pressures in the file count from here",
    )
    separation: Literal["none", "summerfield", "schmucker"] = Field(
        default="none",
        description="thrust of an overexpanded nozzle: none takes it as flowing full; summerfield (0.4 of ambient pressure) or "
        "schmucker (by Mach number) let the flow leave the wall there",
    )
    combustion: Combustion
