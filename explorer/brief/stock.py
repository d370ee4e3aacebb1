"""What parts there are: preferred values, a drawer, and what resistors are made of."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated, Self

import numpy as np
from pydantic import AfterValidator, Field, PrivateAttr, ValidationInfo, model_validator

from explorer.brief.base import Section, SeriesName
from explorer.drawer import Drawer, DrawerParts
from explorer.series import series_values
from objectives.arrays import FloatArray
from objectives.checks import InputError, did_you_mean
from objectives.radio.tables import resistor_style, resistor_styles


def _style_name(name: str) -> str:
    """Return the name of a style as the table writes it."""
    try:
        return resistor_style(name).name
    except InputError:
        names = [style.name for style in resistor_styles()]
        allowed = f"expected one of {', '.join(names)}{did_you_mean(name, names)}"
        raise InputError("", name, allowed) from None


StyleName = Annotated[str, AfterValidator(_style_name)]
"""A name of the table of resistor styles."""


class ResistorStyles(Section):
    """Styles of single resistors; left out, their lines of the drawer or the common style count."""

    plate_load: StyleName | None = Field(
        default=None,
        description="Of the plate load.",
        examples=["carbon composition 1/2 W"],
    )
    cathode_resistor: StyleName | None = Field(
        default=None,
        description="Of the cathode resistor.",
        examples=["metal film 1/2 W"],
    )
    cathode_unbypassed: StyleName | None = Field(
        default=None,
        description="Of the unbypassed cathode resistor.",
        examples=["metal film 1/2 W"],
    )
    grid_leak: StyleName | None = Field(
        default=None,
        description="Of the two resistors of a bias divider; a grid leak to ground has no direct "
        "voltage and makes no excess noise.",
        examples=["metal film 1/4 W"],
    )


class Stock(Section):
    """What parts there are: the values that count as preferred, and what resistors are made of."""

    resistor_series: SeriesName = Field(default="E12", description="Series for resistors.")
    capacitor_series: SeriesName = Field(default="E6", description="Series for capacitors.")
    drawer: str | None = Field(
        default=None,
        description="CSV file of the parts you have, in place of the series.",
        examples=["drawer.csv"],
    )

    # A resistor of today, whose noise is next to none: what a search is to assume unasked.
    resistor_style: StyleName = Field(
        default="metal film 1/2 W",
        description="Style of the resistors, from the table of styles, for their excess noise.",
        examples=["carbon film 1/2 W"],
    )
    resistor_styles: ResistorStyles = Field(
        default=ResistorStyles(), description="Styles of single resistors."
    )

    _drawer: Drawer | None = PrivateAttr(None)

    @model_validator(mode="after")
    def _open(self, info: ValidationInfo) -> Self:
        self._drawer = (info.context or {}).get("drawers", {}).get(self.drawer)
        return self

    def excess_noise_per_V(self, stocks: Mapping[str, DrawerParts]) -> dict[str, float]:
        """Return the excess noise of each resistor with a direct voltage (V/V), by field of Stage.

        Parameters
        ----------
        stocks :
            Lines of a drawer that a part is chosen from, by field of Stage. Where the brief does
            not state the style of the part, the noisiest of theirs counts.
        """
        excess = {}
        for key, stated in self.resistor_styles:
            stock = stocks.get(f"{key}_ohm") if stated is None else None
            listed = [] if stock is None else [style for style in stock.styles() if style]
            styles = listed or [resistor_style(stated or self.resistor_style)]
            excess[f"{key}_ohm"] = max(style.excess_noise_per_V for style in styles)
        return excess

    @property
    def parts(self) -> Drawer | None:
        """The drawer, if one is named."""
        return self._drawer

    def preferred(self, kind: str, low: float, high: float) -> FloatArray:
        """Return the values that count as preferred, covering at least ``low`` to ``high``.

        Parameters
        ----------
        kind :
            ``resistor`` or ``capacitor``.
        low, high :
            Ends of the range of interest (ohm or F), above 0.

        Returns
        -------
        Ascending values, shape (n,); for a series a decade is added at either end. A drawer that
        holds no part of the kind gives way to the series.
        """
        if (stock := self._in_drawer(kind)) is not None:
            return np.unique(stock.value)
        return series_values(self._series(kind), low / 10, high * 10)

    def words_for(self, kinds: Iterable[str]) -> str:
        """Return what the preferred values of some kinds are: 'E12', 'the drawer', 'E12 and E6'."""
        names = ("the drawer" if self._in_drawer(k) is not None else self._series(k) for k in kinds)
        return " and ".join(dict.fromkeys(names))

    def _in_drawer(self, kind: str) -> DrawerParts | None:
        parts = None if self._drawer is None else self._drawer.parts(kind)
        return parts if parts is not None and len(parts) > 0 else None

    def _series(self, kind: str) -> SeriesName:
        return self.resistor_series if kind == "resistor" else self.capacitor_series
