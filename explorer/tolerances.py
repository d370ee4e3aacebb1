"""How far each part of a job may lie from its value: who says so, and who is heard first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from explorer.drawer import DrawerParts
from explorer.evaluation import Parts
from explorer.tolerance_field import Ends
from objectives.arrays import FloatArray, IntArray
from objectives.elements import ELEMENTS
from objectives.radio.tables import ResistorStyle
from objectives.tolerance.bought import as_sold
from objectives.tolerance.setup import ToleranceSetup
from objectives.tolerance.spreads import Spread


@dataclass(frozen=True)
class PartTolerances:
    """What is said of the tolerance of parts.

    What stands nearest to the piece itself is heard: what the brief says of that part, else the
    line of the drawer that it is taken from, else what ``[tolerance]`` says of parts of its kind,
    else how a part of its style and series is sold.
    """

    of_part: Mapping[str, Ends] = field(default_factory=dict)
    """Per cent, by field of Stage."""
    of_kind: Mapping[str, Ends | None] = field(default_factory=dict)
    """Per cent, by unit of the value."""
    stocks: Mapping[str, DrawerParts] = field(default_factory=dict)
    """For each part that comes from a drawer the lines it may be taken from."""
    styles: Mapping[str, ResistorStyle] = field(default_factory=dict)
    series: Mapping[str, str] = field(default_factory=dict)

    def spread(self, part: str, values: FloatArray) -> Spread:
        """Return the spread of a part over the values that it may have, the widest of them all."""
        spreads = [spread for value in np.unique(values) for spread in self._of(part, value)]
        widest = max(spreads, key=lambda spread: spread.high - spread.low)
        low, high = min(s.low for s in spreads), max(s.high for s in spreads)
        return replace(widest, low=low, high=high)

    def _of(self, part: str, value: float) -> Iterator[Spread]:
        """Yield the spread of one value, for each line of the drawer that has it."""
        if part in self.of_part:
            yield _stated(part, self.of_part[part], "the brief, for this part")
            return
        stock, series = self.stocks.get(part), self.series.get(part)
        of_kind = self.of_kind.get(ELEMENTS[part].unit)
        styles = [self.styles.get(part)]
        if stock is not None and len(rows := stock.rows_of(value)):
            listed = stock.styles()
            styles = [listed[row] for row in rows if np.isnan(stock.tolerance_percent[row, 0])]
            for low, high in stock.tolerance_percent[rows]:
                if not np.isnan(low):
                    yield _stated(part, (low, high), "the drawer")
        for style in styles:
            if of_kind is not None:
                yield _stated(part, of_kind, "the brief, for parts of this kind")
            else:
                yield as_sold(part, np.array([value]), style=style, series=series)

    def own(self, setup: ToleranceSetup, parts: Parts) -> ToleranceSetup:
        """Return a setup with the spreads of these candidates' parts, the widest of each part."""
        return replace(setup, spreads=tuple(self._own(s, parts) for s in setup.spreads))

    def _own(self, spread: Spread, parts: Parts) -> Spread:
        name = spread.quantity
        if name not in parts or not ELEMENTS[name].part:
            return spread
        values = np.asarray(parts[name], float)
        fitted = values[np.isfinite(values) & (values > 0)]
        return self.spread(name, fitted) if fitted.size else spread

    def alike(self, setup: ToleranceSetup, parts: Parts) -> IntArray:
        """Return a number for each of N candidates, the same where all parts have one tolerance."""
        number = np.zeros(len(next(iter(parts.values()), ())), np.intp)
        for spread in setup.spreads:
            name = spread.quantity
            if name in parts:
                values, which = np.unique(parts[name], return_inverse=True)
                own = [self._own(spread, {name: values[[at]]}) for at in range(len(values))]
                ends = np.array([(one.low, one.high) for one in own])
                kinds = np.unique(ends, axis=0, return_inverse=True)[1].reshape(-1)
                number = number * (kinds.max() + 1) + kinds[which]
        return number


def _stated(part: str, percent: Ends, source: str) -> Spread:
    return Spread(part, percent[0] / 100, percent[1] / 100, source=source)
