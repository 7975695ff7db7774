"""What a design file may say about purge gas. All numbers are SI; pressures are absolute."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from valvectl.design.quantities import AbsolutePressure, Length, Number, Temperature
from valvectl.design.schema_base import Part, refuse


class Purge(Part):
    """Gas that sweeps manifold and injector, let in behind the throttle valve through a valve or an orifice."""

    gas: Literal["nitrogen", "helium"] = Field(description="which gas")
    pressure: AbsolutePressure = Field(description="before the purge valve or orifice")
    temperature: Temperature = Field(description="of the gas before it")
    bore: Length = Field(gt=0.0, description="inner diameter of the purge pipe, and size of the purge valve")
    kv: Number | None = Field(
        default=None, gt=0.0, description="Kv of the purge valve [m3/h at 1 bar]; or cv, or an orifice"
    )
    cv: Number | None = Field(default=None, gt=0.0, description="Cv of the purge valve [US gal/min at 1 psi]; or kv")
    xt: Number | None = Field(
        default=None, ge=0.1, le=0.84, description="pressure ratio factor xT of the purge valve, beside kv or cv"
    )
    orifice_diameter: Length | None = Field(
        default=None, gt=0.0, description="diameter of a purge orifice, without a valve"
    )
    orifice_coefficient: Number | None = Field(
        default=None,
        gt=0.0,
        le=1.0,
        description="discharge coefficient Cd of the purge orifice, beside orifice_diameter",
    )
    back_pressure: AbsolutePressure | None = Field(
        default=None,
        description="in the manifold while it is swept; by default worked out from the injector with the chamber at ambient",
    )

    @model_validator(mode="after")
    def _device(self) -> Purge:
        given = [key for key in ("kv", "cv", "orifice_diameter") if getattr(self, key) is not None]
        if len(given) != 1:
            raise refuse("", f"give exactly one of kv, cv and orifice_diameter (now {' and '.join(given) or 'none'})")
        orifice = given[0] == "orifice_diameter"
        if orifice != (self.orifice_coefficient is not None) or orifice == (self.xt is not None):
            need, other = ("orifice_coefficient", "xt") if orifice else ("xt", "orifice_coefficient")
            raise refuse(need, f"{given[0]} goes with {need} and without {other}")
        if self.orifice_diameter is not None and self.orifice_diameter >= self.bore:
            raise refuse("orifice_diameter", f"must be below bore ({1e3 * self.bore:.4g} mm)")
        if self.back_pressure is not None and self.back_pressure >= self.pressure:
            raise refuse(
                "back_pressure", f"must be below pressure ({self.pressure / 1e5:.4g} bar abs), or nothing flows"
            )
        return self
