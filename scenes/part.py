"""What every table of a scene is made of."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0)]
Fraction = Annotated[float, Field(ge=0, le=1)]
Interval = tuple[float, float]


class Part(BaseModel):
    """A table of a scene: no unknown keys, and it stays as it is."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class Wire(Part):
    """One conductor: copper, IEC 60757 letters, where it starts."""

    ohm_per_m: Positive
    colour: Literal["BK", "BN", "RD", "OG", "YE", "GN", "BU", "VT", "GY", "WH", "PK", "TQ", "GNYE"]
    from_: Literal["card", "drive", "24V", "5V", "3V3", "0V"] = Field(alias="from")
