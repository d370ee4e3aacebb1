"""What charts of a device's law share: layers of one size, and voltages as labels."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypeAlias, cast

import altair as alt
import numpy as np
import pandas as pd

from objectives.arrays import BoolArray, FloatArray
from reports.theme import PAPER

Rows: TypeAlias = list[dict[str, Any]]
"""A data set of a chart: what a page sends again when a part is stepped."""

LineStyles: TypeAlias = Mapping[str, tuple[str, list[int]]]
"""Colour and dashes of each line by its name, in the order of the legend."""


class Layers(alt.LayerChart):
    """Charts on top of each other, taken as they are.

    The library's own class moves what its layers have in common into itself, for which it copies
    all of them several times; and so again whenever it is copied itself, in charts of charts by the
    power of their depth. Each layer here keeps its data; parameters stand in the outermost chart.
    """

    def __init__(self, *, layer: Sequence[alt.Chart], **properties: Any) -> None:
        alt.TopLevelLayerSpec.__init__(self, layer=list(layer), **properties)


class Grid(alt.ConcatChart):
    """Charts in rows of so many ``columns``, taken as they are; see :class:`Layers`."""

    def __init__(self, *, concat: Sequence[Any], **properties: Any) -> None:
        alt.TopLevelConcatSpec.__init__(self, concat=list(concat), **properties)


class Column(alt.VConcatChart):
    """Charts one below the other, taken as they are; see :class:`Layers`."""

    def __init__(self, *, vconcat: Sequence[Any], **properties: Any) -> None:
        alt.TopLevelVConcatSpec.__init__(self, vconcat=list(vconcat), **properties)


def styled_lines(
    data: str | pd.DataFrame, x: alt.X, y: alt.Y, by: str, styles: LineStyles, *, key: bool = False
) -> alt.Chart:
    """Return a line for each name in column ``by``, told apart by colour as well as by dashes.

    The data are a frame or the name of a data set; with ``key`` a legend tells the names.
    """
    names = list(styles)
    if isinstance(data, pd.DataFrame):
        names = [name for name in names if name in set(data[by])]
    legend = alt.Legend(symbolType="stroke", symbolSize=300) if key else None
    color = alt.Scale(domain=names, range=[styles[name][0] for name in names])
    dash = alt.Scale(domain=names, range=[styles[name][1] for name in names])
    chart = drawn(data) if isinstance(data, str) else alt.Chart(data)
    lines: alt.Chart = chart.mark_line(clip=True)
    return lines.encode(
        x=x,
        y=y,
        color=alt.Color(f"{by}:N", title=None, scale=color, legend=legend),
        strokeDash=alt.StrokeDash(f"{by}:N", title=None, scale=dash, legend=legend),
    )


def cut_label(letters: int) -> str:
    """Return the expression for an axis whose labels have so many letters at most."""
    return f"length(datum.label) > {letters} ? slice(datum.label, 0, {letters}) + '…' : datum.label"


def layered(*layers: alt.Chart, height: int, description: str) -> alt.LayerChart:
    """Return charts on top of each other, as wide as their place."""
    # Altair's stubs allow for a facet, which layers of plain charts never give.
    stacked = cast(alt.LayerChart, alt.layer(*layers))
    return stacked.properties(width="container", height=height, description=description)


def signed_volts(value: float) -> str:
    """Return a voltage with a typographic minus: ``−2 V``."""
    return f"{value:g} V".replace("-", "−")


def haloed(texts: alt.Chart, **style: Any) -> list[alt.Chart]:
    """Return texts over a broad pale outline, which keeps them legible over lines."""
    return [texts.mark_text(stroke=PAPER, strokeWidth=4, **style), texts.mark_text(**style)]


def rows(digits: int = 5, /, **columns: Iterable[Any]) -> Rows:
    """Return columns of one length as records, numbers to so many figures; nan becomes a gap."""

    def value(entry: Any) -> Any:
        if not isinstance(entry, float):
            return entry
        return float(f"{entry:.{digits}g}") if math.isfinite(entry) else None

    # Lists of Python's own numbers, which are several times as fast one by one.
    lists = [c.tolist() if isinstance(c, np.ndarray) else c for c in columns.values()]
    return [
        dict(zip(columns, map(value, entries), strict=True)) for entries in zip(*lists, strict=True)
    ]


def records(frame: pd.DataFrame) -> Rows:
    """Return a frame as records of JSON values; what is missing becomes null."""
    values: Rows = json.loads(frame.to_json(orient="records", double_precision=15))
    return values


def drawn(name: str) -> alt.Chart:
    """Return a chart of a named data set, which the chart it becomes part of holds."""
    return alt.Chart(alt.NamedData(name))


def same_scale(channel: Any, field: str) -> Any:
    """Return a channel with another field on its scale."""
    other = channel.copy()
    other.shorthand = f"{field}:Q"
    return other


def line_names(
    frequency: FloatArray,
    levels: Mapping[str, FloatArray],
    names: Mapping[str, str],
    floor: float,
    where: BoolArray,
) -> Rows:
    """Return each line's name, the upper line's above it and the lower ones' below.

    They stand where the lines are farthest apart, of the places that may be taken; lines that lie
    on each other share a text.
    """
    stacked = np.array(list(levels.values()))
    apart = np.where(stacked.min(axis=0) > floor + 4, np.ptp(stacked, axis=0), -1.0)
    at = int(np.argmax(np.where(where, apart, -1.0)))
    height = np.ptp(stacked[stacked > floor]) / 20
    told: Rows = []
    for port in sorted(levels, key=lambda port: -levels[port][at]):
        here = float(levels[port][at])
        if told and told[-1]["level_dB"] - here < height:
            told[-1]["text"] += f", {names[port]}"  # the lines lie on each other
            continue
        told += rows(
            port=[port],
            frequency_Hz=[float(frequency[at])],
            level_dB=[here],
            text=[names[port]],
            side=["below" if told else "above"],
        )
    return told
