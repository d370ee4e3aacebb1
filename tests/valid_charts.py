"""Charts held to the schema of Vega-Lite, which a run of the program takes for granted."""

from __future__ import annotations

from typing import Any

import altair as alt

from reports.theme import spec_of


def valid_spec(chart: alt.TopLevelMixin) -> dict[str, Any]:
    """Return a chart's specification; a SchemaValidationError says what in it is no Vega-Lite."""
    spec = spec_of(chart)
    # Rows are no part of the grammar, and there are thousands.
    alt.Chart.from_dict({**spec, "datasets": {}})
    return spec
