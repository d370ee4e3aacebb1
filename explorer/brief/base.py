"""What every table of a brief has in common."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict

from explorer.units import QuantityField

SeriesName = Literal["E3", "E6", "E12", "E24", "E48", "E96", "E192"]
Share = Annotated[float, QuantityField("ratio", minimum=0, maximum=1)]
"""A number from 0 to 1."""


Percentage = Annotated[float, QuantityField("percent", minimum=0, maximum=99)]
"""A percentage from 0 to 99."""


class Section(BaseModel):
    """A table of the brief: no unknown keys, no silent conversions, not changed once read."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, arbitrary_types_allowed=True, defer_build=True
    )

    def __eq__(self, other: object) -> bool:
        # What was read decides, not what was worked out from it (arrays have no single truth).
        return type(self) is type(other) and self.model_dump() == other.model_dump()
