"""How the hypervolume of the front grew during the search."""

from __future__ import annotations

import altair as alt
import pandas as pd

from objectives.format import counted, percent


def trace_chart(trace: pd.DataFrame) -> alt.Chart:
    """Return how the hypervolume grew with the evaluations, from columns of these names."""
    chart: alt.Chart = (
        alt.Chart(trace)
        .mark_line(interpolate="step-after")
        .encode(
            x=alt.X("evaluations:Q", axis=alt.Axis(format=",d", tickCount=5)),
            y=alt.Y("hypervolume:Q", title="hypervolume", scale=alt.Scale(zero=False)),
        )
        .properties(
            width="container",
            height=240,
            description="Hypervolume of the front over the number of evaluations.",
        )
    )
    return chart


def trace_title(trace: pd.DataFrame) -> str:
    """Return after how many evaluations the search had nearly all that it reached."""
    reached = trace["hypervolume"] >= 0.99 * trace["hypervolume"].iloc[-1]
    count = counted(int(trace.loc[reached, "evaluations"].iloc[0]))
    return f"After {count} evaluations the search had {percent(0.99)} of the front it ended with"
