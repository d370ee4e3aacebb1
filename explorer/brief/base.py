"""TODO explorer.brief.base."""

from __future__ import annotations

import math
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, ValidationInfo

from explorer.brief.errors import Fault, Faults
from explorer.drawer import Drawer, DrawerError, read_drawer
from explorer.units import QuantityField

SeriesName = Literal["E3", "E6", "E12", "E24", "E48", "E96", "E192"]
_NONE_0: Final = (("none", 0.0),)
_OptionalOhms = Annotated[float, QuantityField("ohm", minimum=0, words=_NONE_0)]
_LeakOhms = Annotated[float, QuantityField("ohm", above=0, words=(("none", math.inf),))]
_BypassFarads = Annotated[
    float,
    QuantityField("F", minimum=0, words=(("none", 0.0), ("full", math.inf))),
]
_CouplingFarads = Annotated[float, QuantityField("F", above=0, words=(("direct", math.inf),))]
_OptionalFarads = Annotated[float, QuantityField("F", minimum=0, words=_NONE_0)]
_Ratio = Annotated[float, QuantityField("ratio", above=0, maximum=1)]
_RatioFrom0 = Annotated[float, QuantityField("ratio", minimum=0, maximum=1)]
_Fraction = Annotated[float, QuantityField("ratio", minimum=0, maximum=1)]
_AnyPercent = Annotated[float, QuantityField("percent", minimum=0, maximum=99)]


class _Section(BaseModel):
    """A table of the brief: no unknown keys, no silent conversions, not changed once read."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, arbitrary_types_allowed=True
    )

    def __eq__(self, other: object) -> bool:
        # What was read decides, not what was worked out from it (arrays have no single truth).
        return type(self) is type(other) and self.model_dump() == other.model_dump()


def _folder(info: ValidationInfo) -> Traversable:
    context = info.context or {}
    folder: Traversable = context.get("folder") or Path()
    return folder


def _beside(folder: Traversable, name: str) -> Traversable:
    """Return the file ``name``, relative to the folder of the brief."""
    return Path(name) if Path(name).is_absolute() else folder / name


def _open_drawer(name: str, folder: Traversable, where: tuple[str | int, ...]) -> Drawer:
    try:
        return read_drawer(_beside(folder, name))
    except DrawerError as error:
        raise Faults(*(Fault(where, name, text) for text in error.problems)) from None
