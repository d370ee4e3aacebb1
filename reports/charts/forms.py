"""Charts that are laid out once for every stage: a form, and the data sets and words put into it.

A page that shows one changes its data sets when a part is stepped, and draws nothing anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import altair as alt

from reports.charts.layers import Rows
from reports.theme import spec_of


@dataclass(frozen=True, eq=False)
class Form:
    """A chart of named data sets, without them."""

    empty: alt.LayerChart

    @cached_property
    def spec(self) -> dict[str, Any]:
        """The chart's Vega-Lite specification."""
        return spec_of(self.empty)


@dataclass(frozen=True)
class Filled:
    """A form with the data sets of one stage, and what it then shows, in words."""

    form: Form
    words: str
    sets: Mapping[str, Rows]

    @property
    def spec(self) -> dict[str, Any]:
        """The chart's Vega-Lite specification, with its data."""
        return {**self.form.spec, "description": self.words, "datasets": self._sets}

    @property
    def chart(self) -> alt.LayerChart:
        """The chart as Altair has it."""
        chart: alt.LayerChart = self.form.empty.copy(deep=False)
        chart.description, chart.datasets = self.words, self._sets
        return chart

    @property
    def _sets(self) -> dict[str, Rows]:
        # The library complains of data that are empty, and takes none in their place.
        return {name: rows for name, rows in self.sets.items() if rows}
