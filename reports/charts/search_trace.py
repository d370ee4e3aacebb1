"""TODO reports.charts.search_trace."""

from __future__ import annotations

import altair as alt
import pandas as pd

from reports.theme import PAGE_WIDTH

__all__ = ["trace_chart"]


def trace_chart(trace: pd.DataFrame) -> alt.Chart:
    """Return how the hypervolume grew with the evaluations.

    ``trace`` has a column of evaluations and one of hypervolume, in this order unless they are
    named so.

    Raises
    ------
    ValueError
        If there are fewer than two columns.
    """
    if trace.shape[1] < 2:
        raise ValueError(f"search_trace: {trace.shape[1]} column(s): must be two")
    names = list(trace.columns)
    spent = next((n for n in names if "evaluation" in str(n)), names[0])
    worth = next((n for n in names if "hypervolume" in str(n)), names[1])
    rows = pd.DataFrame(
        {"evaluations": trace[spent].to_numpy(float), "hypervolume": trace[worth].to_numpy(float)}
    )
    chart: alt.Chart = (
        alt.Chart(rows)
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
