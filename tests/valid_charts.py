"""Charts held to the schema of Vega-Lite, which a run of the program takes for granted."""

from __future__ import annotations

from typing import Any

import altair as alt

from reports.charts.forms import Filled
from reports.layout import Figure


def valid_spec(chart: alt.TopLevelMixin | Filled) -> dict[str, Any]:
    """Return a chart's specification; a SchemaValidationError says what in it is no Vega-Lite."""
    spec = Figure("chart", chart).spec
    # Rows are no part of the grammar, and there are thousands.
    alt.Chart.from_dict({**spec, "datasets": {}})
    return spec
