"""What charts of a device's law share: layers of one size, and voltages as labels."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeAlias, cast

import altair as alt
import pandas as pd

LineStyles: TypeAlias = Mapping[str, tuple[str, list[int]]]
"""Colour and dashes of each line by its name, in the order of the legend."""


def styled_lines(
    frame: pd.DataFrame, x: alt.X, y: alt.Y, by: str, styles: LineStyles, **legend: Any
) -> alt.Chart:
    """Return a line for each name in column ``by``, told apart by colour as well as by dashes."""
    names = [name for name in styles if name in set(frame[by])]
    symbols: dict[str, Any] = {"symbolType": "stroke", "symbolSize": 300} | legend
    key = alt.Legend(**symbols)
    color = alt.Scale(domain=names, range=[styles[name][0] for name in names])
    dash = alt.Scale(domain=names, range=[styles[name][1] for name in names])
    chart: alt.Chart = alt.Chart(frame).mark_line(clip=True)
    return chart.encode(
        x=x,
        y=y,
        color=alt.Color(f"{by}:N", title=None, scale=color, legend=key),
        strokeDash=alt.StrokeDash(f"{by}:N", title=None, scale=dash, legend=key),
    )


def layered(*layers: alt.Chart, width: int, height: int | alt.Step, title: str) -> alt.LayerChart:
    """Return charts on top of each other."""
    # Altair's stubs allow for a facet, which layers of plain charts never give.
    stacked = cast(alt.LayerChart, alt.layer(*layers))
    return stacked.properties(width=width, height=height, title=title)


def signed_volts(value: float) -> str:
    """Return a voltage with a typographic minus: ``−2 V``."""
    return f"{value:g} V".replace("-", "−")
