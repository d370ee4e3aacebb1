"""How the hypervolume of the front grew during the search."""

from __future__ import annotations

import altair as alt
import pandas as pd

from reports.theme import PAGE_WIDTH


def trace_chart(trace: pd.DataFrame) -> alt.Chart:
    """Return how the hypervolume grew with the evaluations, from columns of these names."""
    chart: alt.Chart = (
        alt.Chart(trace)
        .mark_line(interpolate="step-after")
        .encode(
            x=alt.X("evaluations:Q", axis=alt.Axis(format="d", tickCount=8)),
            y=alt.Y("hypervolume:Q", title="hypervolume (share)", scale=alt.Scale(zero=False)),
        )
        .properties(
            width=PAGE_WIDTH - 80,
            height=220,
            description="Hypervolume of the front over the number of evaluations.",
        )
    )
    return chart
